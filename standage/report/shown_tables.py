"""The result's tables as the page shows them: fewer columns, an interval in one cell, rounded
numbers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.findings.uncertainty_budget import STEPS
from standage.findings.unit_findings import UnitFindings
from standage.prose.sensitivity import sensitivity_words
from standage.prose.uncertainty import STEP_WORDS
from standage.prose.wording import percent


@dataclass(frozen=True)
class Cell:
    """A cell's text, smaller below it its interval or remark, and the number it is sorted by."""

    text: str
    below: str = ""
    order: str = ""


@dataclass(frozen=True)
class ShownTable:
    """A caption, heads of columns, and rows of cells; the first cell of a row is its head."""

    caption: str
    heads: list[str]
    rows: list[list[Cell]] = field(default_factory=list)


def checks_table(verdict: Mapping[str, Any]) -> ShownTable:
    """The predictive checks of the verdict."""
    rows = [
        [
            Cell(check["name"]),
            Cell(f"{check['observed']:.0f}"),
            Cell(f"{check['low']:.0f} to {check['high']:.0f}"),
            Cell(f"{check['p']:.2f}"),
        ]
        for check in verdict["checks"]
    ]
    return ShownTable(
        "Stems and plants seen, against those the fitted model expects",
        ["What", "Seen", "Expected", "p, two-sided"],
        rows,
    )


def sensitivity_table(table: pd.DataFrame) -> ShownTable:
    """What would come out if something else were assumed."""
    rows = [
        [
            Cell(str(row["stand"]), str(row["species"]).replace("-", " ")),
            Cell(str(row["component"])),
            Cell(sensitivity_words(row)),
            Cell(str(row["leaning"]) or "\u2013"),
        ]
        for row in table.to_dict("records")
    ]
    return ShownTable(
        "One assumption moved at a time",
        ["Stand", "Assumption", "What would change", "Leaning"],
        rows,
    )


def parameters_table(table: pd.DataFrame) -> ShownTable:
    """What was believed before the survey beside what is believed after."""
    rows = [
        [
            Cell(str(row["stand"])),
            Cell(str(row["what_it_means"])),
            _parameter_cell(row, "prior"),
            _parameter_cell(row, "posterior"),
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


def budgets_table(units: Iterable[UnitFindings]) -> ShownTable:
    """Typical standard deviations by step, with what would be left without each."""
    rows = [
        [
            Cell(unit.name),
            *(
                Cell(
                    f"{unit.budget.typical[step]:.1f}",
                    f"without it {unit.budget.without[step]:.1f}",
                )
                for step in STEPS
            ),
            Cell(f"{unit.budget.alone:.1f}"),
            Cell(_digits(unit.budget.given_all, 1)),
        ]
        for unit in units
        if unit.budget is not None
    ]
    heads = [
        "Stand and species",
        *(words.name.capitalize() for words in STEP_WORDS.values()),
        "Core taken alone",
        "Given the whole survey",
    ]
    return ShownTable("Typical standard deviations of a cored tree's date, in years", heads, rows)


def interval_cell(interval: Interval) -> Cell:
    """A year or an age with its interval below it; sorted by the median, blank where not known."""
    if not interval.known:
        return Cell("", "", "")
    median = f"{interval.median:.0f}"
    return Cell(median, f"{interval.low:.0f} to {interval.high:.0f}", median)


def share_cell(share: Interval) -> Cell:
    """A share with its interval below it, once where its ends round alike; "up to" where it begins
    at next to nothing.
    """
    least, middle, most = (percent(end) for end in share)
    if least == most:
        return Cell(middle)
    return Cell(middle, f"up to {most}" if least == percent(0.0) else f"{least} to {most}")


def _parameter_cell(row: Row, name: str) -> Cell:
    low, middle, high = Interval.of(row, name)
    return Cell("") if np.isnan(middle) else Cell(f"{middle:.3g}", f"{low:.3g} to {high:.3g}")


def _digits(number: float, places: int) -> str:
    return "" if pd.isna(number) else f"{float(number):.{places}f}"
