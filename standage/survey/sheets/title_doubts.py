"""Titles of lists of stems that contradict the table of plots: `1/5 acre each` over plots of 0.1
acres.
"""

from __future__ import annotations

import math

from standage.errors import Problem
from standage.survey.cells.areas import square_metres
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.references import alike
from standage.survey.schema import PLOTS
from standage.survey.sheets.title_plots import said_of_plots
from standage.survey.written import Stack, WrittenSurvey, WrittenTable

SAME = 0.05
"""Two numbers for one plot may differ by so much in rounding (assumption). [share]"""
IN_WORDS = {"area_m2": "the area of a plot", "min_dbh_cm": "the smallest diameter listed"}


def doubt_titles(survey: WrittenSurvey) -> None:
    """What the plots of a list are by its titles and otherwise by the table of plots, as doubts."""
    trees, plots = survey.tables.get("trees"), survey.tables.get("plots")
    if trees is None or plots is None or "plot" not in trees.header or "plot" not in plots.header:
        return
    stack = trees.stack or Stack((trees,), (0,))
    said = {
        part.file: {each.column: each for each in said_of_plots(part, survey.titles)}
        for part in stack.parts
    }
    of, at = trees.header.index("plot"), plots.header.index("plot")
    file_of = {
        alike(row[of]): stack.place_of(line)[0].file
        for row, line in zip(trees.cells, trees.rows, strict=True)
    }
    for row, line in zip(plots.cells, plots.rows, strict=True):
        for column, title in said.get(file_of.get(alike(row[at]), ""), {}).items():
            if column is None or column not in plots.header:
                continue
            cell = row[plots.header.index(column)]
            mine = _value(plots, column, cell)
            other = _value(None, column, title.as_read)
            if mine and other and not math.isclose(mine, other, rel_tol=SAME):
                found = f"'{cell}', and '{title.as_written}' in the title of '{title.file}'"
                advice = "Correct one of the two: the table is used, the title is not."
                expected = f"{IN_WORDS[column]} once, or alike in both"
                survey.doubts.append(Problem(plots.file, line, column, found, expected, advice))


def _value(table: WrittenTable | None, column: str, cell: str) -> float | None:
    """The number in a cell, in the column's unit. table: whose heading may say another unit."""
    known = PLOTS.column(column)
    unit = (table.units.get(column) if table is not None else None) or known.unit
    if column == "area_m2":
        return square_metres(cell, unit)
    quantity = read_quantity(cell, known, unit, "")
    return None if quantity is None or quantity.two else quantity.value
