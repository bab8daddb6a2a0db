"""The tables of one stand and species on the page: pulses, events, age classes."""

from __future__ import annotations

import pandas as pd

from standage.figures.stand import LEAST_SHARE
from standage.findings.intervals import Interval
from standage.findings.old_trees import AGES as OLD_AGES
from standage.findings.stems import SAMPLED
from standage.findings.unit_findings import UnitFindings
from standage.prose.attribution import attribution_words
from standage.prose.measures import HECTARES_PER_ACRE, US, Measures
from standage.prose.wording import percent, probability_words, rounded
from standage.report.shown_tables import Cell, ShownTable, interval_cell, share_cell

MOST_OLD_TREES = 12  # of a stand on the page; old_trees.csv has all
LEAST_CHANCE = 0.1  # of the first age, below which a stem isn't listed (assumption)


def unit_tables(unit: UnitFindings, measures: Measures) -> list[ShownTable]:
    """Pulses, events and age classes of a unit, those that have rows."""
    shown = [
        _pulses(unit.pulses),
        _events(unit.attribution, measures),
        _cohorts(unit, measures),
    ]
    return [table for table in shown if table.rows]


def old_tree_table(rows: pd.DataFrame, unit: UnitFindings, measures: Measures) -> ShownTable:
    """The stems of a unit that are likeliest to be old, the first few. rows: its `old_trees`."""
    ages = (*OLD_AGES,)
    likely = rows[rows[f"probability_over_{ages[0]}_years"] >= LEAST_CHANCE]
    shown = [
        [
            Cell(row["tree"], row["plot"]),
            interval_cell(Interval.of(row, "age")),
            *(Cell(percent(row[f"probability_over_{age}_years"])) for age in ages),
            Cell(row["dated_by"]),
            Cell(measures.diameter(float(row["dbh_cm"]))),
            Cell(
                "; ".join(part for part in (row["scar"], row["note"]) if part not in ("", "none"))
            ),
        ]
        for row in likely.head(MOST_OLD_TREES).to_dict("records")
    ]
    more = f" (the first {len(shown)} of {len(likely)})" if len(likely) > len(shown) else ""
    heads = [
        "Tree and plot",
        "Age",
        *(f"Over {age} years" for age in ages),
        "Dated by",
        "Diameter",
        "Scar, note",
    ]
    return ShownTable(f"{unit.name}{more}", heads, shown)


def _pulses(pulses: pd.DataFrame) -> ShownTable:
    rows = [
        [
            Cell(str(pulse["pulse"])),
            Cell(probability_words(pulse["probability"])),
            interval_cell(Interval.of(pulse, "start")),
            interval_cell(Interval.of(pulse, "centre")),
            interval_cell(Interval.of(pulse, "end")),
            share_cell(Interval.of(pulse, "share")),
            Cell(str(pulse["dated_stems"])),
        ]
        for pulse in pulses.to_dict("records")
    ]
    return ShownTable(
        "Pulses",
        [
            "Pulse",
            "Probability",
            "Began",
            "Centre",
            "Ended",
            "Share of the stems",
            "Cored trees in it",
        ],
        rows,
    )


def _events(attribution: pd.DataFrame, measures: Measures) -> ShownTable:
    rows = [
        [
            Cell(str(row["pulse"])),
            Cell(str(row["event"]) or "none on record", str(row["kind"]).replace("-", " ")),
            Cell(measures.beside_cm(attribution_words(row))),
        ]
        for row in attribution.to_dict("records")
    ]
    return ShownTable("Pulses and events", ["Pulse", "Event", "In words"], rows)


def _cohorts(unit: UnitFindings, measures: Measures) -> ShownTable:
    densities = {} if unit.summary["amounts"] == SAMPLED else {"Stems per hectare": 1.0}
    if densities and measures.units == US:
        densities["Stems per acre"] = HECTARES_PER_ACRE
    rows = []
    for cohort in unit.cohorts.to_dict("records"):
        share, stems = (Interval.of(cohort, name) for name in ("share", "stems_per_ha"))
        if share.high < LEAST_SHARE:
            continue
        cells = [
            Cell(f"{int(cohort['first_year'])} to {int(cohort['last_year'])}"),
            share_cell(share),
        ]
        for area in densities.values():
            low, middle, high = (rounded(area * number) for number in stems)
            cells.append(Cell(middle, f"{low} to {high}"))
        rows.append(cells)
    return ShownTable(
        "Living stems by ten years of establishment",
        ["Years", "Share of the stems", *densities],
        rows,
    )
