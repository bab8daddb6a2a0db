"""The tables of one stand and species on the page: pulses, events, age classes."""

from __future__ import annotations

import pandas as pd

from standage.figures.stand import LEAST_SHARE
from standage.findings.intervals import Interval
from standage.findings.old_trees import AGES as OLD_AGES
from standage.findings.stand_table import AGE_CLASS, COHORT, DIAMETER_CLASS
from standage.findings.stems import SAMPLED
from standage.findings.unit_findings import UnitFindings
from standage.prose.attribution import attribution_words
from standage.prose.measures import FT2_PER_ACRE, HECTARES_PER_ACRE, US, Measures
from standage.prose.wording import percent, probability_words, rounded
from standage.report.shown_tables import Cell, ShownTable, interval_cell, share_cell

MOST_OLD_TREES = 12  # of a stand on the page; old_trees.csv has all
LEAST_STEMS = 0.05  # of a group, below which it isn't shown (assumption) [stems/ha]
GROUP_HEADS = {
    AGE_CLASS: ("Living stems by ten years of establishment", "Years"),
    DIAMETER_CLASS: ("Living stems by diameter", "Diameter"),
    COHORT: ("Living stems of pulses, and of the years around them", "Cohort"),
}
LEAST_CHANCE = 0.1  # of the first age, below which a stem isn't listed (assumption)


def unit_tables(unit: UnitFindings, measures: Measures) -> list[ShownTable]:
    """Pulses, events, age classes, diameter classes and cohorts of a unit, those that have rows."""
    shown = [
        _pulses(unit.pulses),
        _events(unit.attribution, measures),
    ]
    if unit.summary["amounts"] == SAMPLED:
        shown.append(_sampled_ages(unit))
    shown += [_groups(unit, kind, measures) for kind in GROUP_HEADS]
    return [table for table in shown if table.rows]


def old_tree_table(rows: pd.DataFrame, unit: UnitFindings, measures: Measures) -> ShownTable:
    """The oldest stems of a unit, the first few. rows: its `old_trees`."""
    asked = [float(age) for age in rows["spare_age"].unique() if age not in OLD_AGES]
    columns: dict[float, str] = {age: f"probability_over_{age}_years" for age in OLD_AGES}
    columns |= dict.fromkeys(asked, "probability_over_spare_age")
    likely = rows[rows[columns[OLD_AGES[0]]] >= LEAST_CHANCE]
    shown = [
        [
            Cell(row["tree"], row["plot"]),
            interval_cell(Interval.of(row, "age")),
            *(Cell(percent(row[column])) for column in columns.values()),
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
        *(f"Over {age:g} years" for age in columns),
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


def _sampled_ages(unit: UnitFindings) -> ShownTable:
    """Age classes of the sampled trees, where there are no plots."""
    rows = []
    for cohort in unit.cohorts.to_dict("records"):
        share = Interval.of(cohort, "share")
        if share.high >= LEAST_SHARE:
            years = f"{int(cohort['first_year'])} to {int(cohort['last_year'])}"
            rows.append([Cell(years), share_cell(share)])
    return ShownTable(
        "Living stems by ten years of establishment", ["Years", "Share of the stems"], rows
    )


def _groups(unit: UnitFindings, kind: str, measures: Measures) -> ShownTable:
    """Stems and basal area of the groups of one kind."""
    caption, head = GROUP_HEADS[kind]
    us = measures.units == US
    heads = [head, "Stems per hectare", "Basal area, m\u00b2 per hectare"]
    heads += ["Stems per acre", "Basal area, ft\u00b2 per acre"] if us else []
    by_years = kind != DIAMETER_CLASS
    rows = []
    own = unit.groups[unit.groups["grouped_by"] == kind]
    for group in own.to_dict("records"):
        stems, area = (Interval.of(group, name) for name in ("stems_per_ha", "basal_area_m2_ha"))
        if stems.high < LEAST_STEMS:
            continue
        years = f"{group['first_year']} to {group['last_year']}"
        named = kind == COHORT and pd.notna(group["first_year"])
        cells = [Cell(str(group["group"]), years if named else "")]
        cells += [_amount(stems, 1.0), _amount(area, 1.0)]
        cells += [_amount(stems, HECTARES_PER_ACRE), _amount(area, FT2_PER_ACRE)] if us else []
        rows.append([*cells, *([Cell(str(group["cored_trees"]))] if by_years else [])])
    return ShownTable(caption, [*heads, *(["Cored trees"] if by_years else [])], rows)


def _amount(amount: Interval, factor: float) -> Cell:
    low, middle, high = (rounded(factor * number) for number in amount)
    if low == high:
        return Cell(middle)
    return Cell(middle, f"up to {high}" if low == rounded(0.0) else f"{low} to {high}")
