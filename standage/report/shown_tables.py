"""The result's tables as the page shows them: fewer columns, an interval in one cell, numbers that
can be said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from standage.findings.stems import SAMPLED
from standage.prose.measures import HECTARES_PER_ACRE, US, Measures
from standage.prose.uncertainty import STEPS, Budget
from standage.prose.unit_answer import points, rows_of
from standage.prose.wording import percent, probability_words, sayable


@dataclass(frozen=True)
class Cell:
    """What a cell says, smaller below it its interval or remark, and the number it is sorted by."""

    text: str
    below: str = ""
    order: str = ""


@dataclass(frozen=True)
class ShownTable:
    """A caption, heads of columns, and rows of cells; the first cell of a row is its head."""

    caption: str
    heads: list[str]
    rows: list[list[Cell]] = field(default_factory=list)

    @staticmethod
    def of_checks(verdict: Mapping) -> ShownTable:
        """The predictive checks of the verdict."""
        rows = [
            [
                Cell(check["name"]),
                Cell(f"{check['observed']:.0f}"),
                Cell(f"{check['low']:.0f} to {check['high']:.0f}"),
                Cell(f"{check['p']:.2f}"),
            ]
            for check in verdict.get("checks", ())
        ]
        return ShownTable(
            "Stems and plants seen, against those the fitted model expects",
            ["What", "Seen", "Expected", "p, two-sided"],
            rows,
        )

    @staticmethod
    def of_sensitivity(table: pd.DataFrame | None) -> ShownTable:
        """What would come out if something else were assumed."""
        rows = (
            []
            if table is None
            else [
                [
                    Cell(str(row["stand"]), str(row["species"]).replace("-", " ")),
                    Cell(str(row["component"])),
                    Cell(str(row["words"])),
                    Cell(str(row["leaning"]) or "\u2013"),
                ]
                for row in table.to_dict("records")
            ]
        )
        return ShownTable(
            "One assumption moved at a time",
            ["Stand", "Assumption", "What would change", "Leaning"],
            rows,
        )

    @staticmethod
    def of_parameters(table: pd.DataFrame) -> ShownTable:
        """What was believed before the survey beside what is believed after."""
        rows = [
            [
                Cell(str(row["stand"])),
                Cell(str(row["what_it_means"])),
                _interval(row, "prior"),
                _interval(row, "posterior"),
                Cell(_digits(row["ess"], 0)),
                Cell(_digits(row["rhat"], 3)),
            ]
            for row in table.to_dict("records")
        ]
        return ShownTable(
            "Before and after the survey",
            ["Stand", "Quantity", "Before", "After", "Effective draws", "R-hat"],
            rows,
        )

    @staticmethod
    def of_budgets(budgets: list[Budget]) -> ShownTable:
        """Typical standard deviations by step, with what would be left without each."""
        rows = [
            [
                Cell(found.title),
                *(
                    Cell(
                        f"{found.typical[step.column]:.1f}",
                        f"without it {found.without[step.column]:.1f}",
                    )
                    for step in STEPS
                ),
                Cell(f"{found.alone:.1f}"),
                Cell(_digits(found.given_all, 1)),
            ]
            for found in budgets
        ]
        heads = [
            "Stand and species",
            *(step.name.capitalize() for step in STEPS),
            "Core taken alone",
            "Given the whole survey",
        ]
        return ShownTable(
            "Typical standard deviations of a cored tree's date, in years", heads, rows
        )


def shown_tables(row, tables: Mapping[str, pd.DataFrame], measures: Measures) -> list[ShownTable]:
    """Pulses, events and cohorts of the unit of `row`, those that have rows."""
    shown = [
        _pulses(rows_of(tables["pulses"], row)),
        _events(rows_of(tables.get("attribution"), row), measures),
        _cohorts(row, rows_of(tables["cohorts"], row), measures),
    ]
    return [table for table in shown if table.rows]


def _pulses(pulses: pd.DataFrame) -> ShownTable:
    rows = [
        [
            Cell(str(pulse["pulse"])),
            Cell(probability_words(pulse["probability"])),
            _years(pulse, "start"),
            _years(pulse, "centre"),
            _years(pulse, "end"),
            _share(pulse, "share"),
            Cell(str(pulse["dated_stems"])),
            Cell(str(pulse["holds_if_cutting_differs"])),
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
            "If cutting differs",
        ],
        rows,
    )


def _events(attribution: pd.DataFrame, measures: Measures) -> ShownTable:
    rows = [
        [
            Cell(str(row["pulse"])),
            Cell(str(row["event"]) or "none on record", str(row["kind"]).replace("-", " ")),
            Cell(
                "" if pd.isna(row["probability_explains"]) else percent(row["probability_explains"])
            ),
            Cell(measures.beside_cm(str(row["words"]))),
        ]
        for row in attribution.to_dict("records")
    ]
    return ShownTable("Pulses and events", ["Pulse", "Event", "Explains it", "In words"], rows)


def _cohorts(row, cohorts: pd.DataFrame, measures: Measures) -> ShownTable:
    densities = {} if row["amounts"] == SAMPLED else {"Stems per hectare": 1.0}
    if densities and measures.units == US:
        densities["Stems per acre"] = HECTARES_PER_ACRE
    rows = []
    for cohort in cohorts.to_dict("records"):
        if points(cohort, "share")[2] < 0.002:
            continue  # as in the picture: classes without ink
        cells = [
            Cell(f"{int(cohort['first_year'])} to {int(cohort['last_year'])}"),
            _share(cohort, "share"),
        ]
        for area in densities.values():
            low, middle, high = (
                sayable(area * number) for number in points(cohort, "stems_per_ha")
            )
            cells.append(Cell(middle, f"{low} to {high}"))
        rows.append(cells)
    return ShownTable(
        "Living stems by ten years of establishment",
        ["Years", "Share of the stems", *densities],
        rows,
    )


@dataclass(frozen=True)
class TreeRow:
    """A row of the table of all trees. `card`: number of its card on the page. `by_wood`: whether
    it is dated by core or planting.
    """

    card: int
    tree: str
    by_wood: bool
    cells: list[Cell]


TREE_HEADS = (
    "Tree",
    "Established",
    "Age",
    "Dated by",
    "Diameter",
    "Status",
    "Stand",
    "Species",
    "Remark",
)
"""What matters first: a phone shows the first ones."""


def tree_rows(trees: pd.DataFrame, measures: Measures) -> list[TreeRow]:
    """All trees, in the order of the survey; each cell carries what it is sorted by."""
    rows = []
    for number, row in enumerate(trees.to_dict("records")):
        year = points(row, "establishment_year")
        age = points(row, "age")
        dbh = float(row["dbh_cm"]) if pd.notna(row["dbh_cm"]) else np.nan
        remark = "; ".join(
            str(row[name])
            for name in ("left_out_reason", "note")
            if pd.notna(row[name]) and str(row[name])
        )
        rows.append(
            TreeRow(
                number,
                str(row["tree"]),
                row["basis"] in ("cored", "planted"),
                [
                    (
                        Cell("", "", "")
                        if np.isnan(year[1])
                        else Cell(
                            f"{year[1]:.0f}", f"{year[0]:.0f} to {year[2]:.0f}", f"{year[1]:.0f}"
                        )
                    ),
                    (
                        Cell("", "", "")
                        if np.isnan(age[1])
                        else Cell(f"{age[1]:.0f}", f"{age[0]:.0f} to {age[2]:.0f}", f"{age[1]:.0f}")
                    ),
                    Cell(
                        str(row["basis"])
                        if pd.notna(row["basis"]) and row["basis"]
                        else "not dated"
                    ),
                    (
                        Cell("", "", "")
                        if np.isnan(dbh)
                        else Cell(measures.diameter(dbh), "", f"{dbh:.2f}")
                    ),
                    Cell(str(row["status"]) if pd.notna(row["status"]) else ""),
                    Cell(str(row["stand"])),
                    Cell(str(row["species"]).replace("-", " ")),
                    Cell(remark),
                ],
            )
        )
    return rows


def _years(row, name: str) -> Cell:
    low, middle, high = points(row, name)
    return Cell(f"{middle:.0f}", f"{low:.0f} to {high:.0f}")


def _share(row, name: str) -> Cell:
    return share_cell(*points(row, name))


def share_cell(low: float, middle: float, high: float) -> Cell:
    """A share with its interval below it, once where its ends sound alike; "up to" where it begins
    at next to nothing.
    """
    least, most = percent(low), percent(high)
    if least == most:
        return Cell(percent(middle))
    return Cell(percent(middle), f"up to {most}" if least == percent(0.0) else f"{least} to {most}")


def _interval(row, name: str) -> Cell:
    low, middle, high = points(row, name)
    return Cell("", "") if np.isnan(middle) else Cell(f"{middle:.3g}", f"{low:.3g} to {high:.3g}")


def _digits(number, places: int) -> str:
    return "" if pd.isna(number) else f"{float(number):.{places}f}"
