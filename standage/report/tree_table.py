"""The table of all trees on the page."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.prose.measures import Measures
from standage.prose.tree_story import two_spans
from standage.report.shown_tables import Cell, interval_cell

# what matters first: a phone shows the first ones
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


@dataclass(frozen=True)
class TreeRow:
    """A row of the table of all trees. `card`: number of its card on the page. `by_wood`: whether
    it is dated by core or planting.
    """

    card: int
    tree: str
    by_wood: bool
    cells: list[Cell]


def tree_rows(trees: pd.DataFrame, measures: Measures) -> list[TreeRow]:
    """All trees, in the order of the survey; each cell carries what it is sorted by."""
    return [
        TreeRow(
            number,
            str(row["tree"]),
            row["basis"] in ("cored", "planted"),
            [
                _established(row),
                interval_cell(Interval.of(row, "age")),
                Cell(_text(row, "basis") or "not dated"),
                _diameter(row, measures),
                Cell(_text(row, "status")),
                Cell(_text(row, "stand")),
                Cell(_text(row, "species").replace("-", " ")),
                Cell("; ".join(filter(None, (_text(row, "left_out_reason"), _text(row, "note"))))),
            ],
        )
        for number, row in enumerate(trees.to_dict("records"))
    ]


def _established(row: Row) -> Cell:
    """No median where a tree is of one time or another: it would be the least likely year."""
    year = Interval.of(row, "establishment_year")
    cell = interval_cell(year)
    spans = two_spans(row)
    return replace(cell, text=f"{year.low:.0f} to {year.high:.0f}", below=spans) if spans else cell


def _text(row: Row, name: str) -> str:
    return str(row[name]) if pd.notna(row[name]) else ""


def _diameter(row: Row, measures: Measures) -> Cell:
    dbh = row["dbh_cm"]
    if pd.isna(dbh):
        return Cell("", "", "")
    return Cell(measures.diameter(float(dbh)), "", f"{float(dbh):.2f}")
