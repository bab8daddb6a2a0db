"""What the cells of one table are read with, and what becomes of each way of writing one."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import SupportsIndex

import numpy as np

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.readings import Reading
from standage.survey.schema import Column
from standage.survey.synonyms import code_meaning

ADVISED = 200
"""Different wrong words of a column for which likely ones are looked for; beyond that the column is
another one.
"""

NOT_RECORDED = {"na", "n/a", "n.a.", "nan", "null", "#n/a", "-", "--", "\u2013", ".", "?", "nd"}
NOT_COUNTED = {
    "not searched",
    "not counted",
    "not tallied",
    "not done",
    "no data",
    "not looked for",
    "n c",
}
"""Words for what was not looked for (common practice, no source)."""
COUNT_EXPECTED = "a number, 0 where it was searched and none found"
COUNT_ADVICE = (
    "Delete the row if it was not searched: a stage without a row was not counted. 0 would say that"
    " there was none."
)
NOT_RECORDED_REASON = "not recorded"
BLANK_WORDS = NOT_RECORDED | {"none", "missing", "unknown", "not recorded", "not measured"}
"""Words for 'not recorded' (common practice, no source): the first also where any text may
stand."""

REMARKS = frozenset(
    (
        *("note", "notes", "remark", "remarks", "comment", "comments"),
        *("crew", "surveyor", "observer", "what", "when", "description", "details"),
    )
)
_OF_REMARKS = {"notes", "remark", "remarks", "comment", "comments"}
"""Headings over what no table has a column for, and nobody misses (common practice, no source)."""


def heads_remarks(heading: str) -> bool:
    """Whether a heading is over remarks, as `Source / remarks`."""
    words = set(re.findall("[a-z]+", heading.lower()))
    return heading.lower().strip() in REMARKS or bool(words & _OF_REMARKS)


@dataclass
class TableCells:
    """What the cells of one table are read with. table: its name. rows: row in the file of each
    cell. units: of columns whose values are in another unit than the column's, "" for not said.
    headings: as written, by column, where other than its name.
    comma: what a comma parts in it, worked out when first needed. extra: cells of other columns
    that a cell says too, by column and place.
    """

    file: str
    table: str
    header_row: int
    rows: np.ndarray
    problems: list[Problem]
    readings: list[Reading]
    units: dict[str, str] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)
    comma: Callable[[], str] = lambda: ""
    extra: dict[str, dict[int, str]] = field(default_factory=dict)

    def problem(
        self, place: SupportsIndex, column: Column, found: str, expected: str, advice: str
    ) -> None:
        self.problems.append(
            Problem(self.file, int(self.rows[place]), column.name, found, expected, advice)
        )

    def reading(
        self, place: SupportsIndex, column: Column, written: str, read: str, reason: str
    ) -> None:
        self.readings.append(
            Reading(self.file, int(self.rows[place]), column.name, written, read, reason)
        )


@dataclass(frozen=True)
class Outcome:
    """What becomes of one way of writing a cell: a value, "" for blank, or a problem. reason: why
    it is read so, "" where it isn't. more: cells of other columns.
    """

    value: object = ""
    shown: str = ""
    reason: str = ""
    advice: str = ""
    expected: str = ""
    more: tuple[tuple[str, str], ...] = ()


def with_extra(cells: TableCells, column: Column, text: np.ndarray) -> np.ndarray:
    """The cells with what other cells of their rows say of them; where both speak and differ, a
    problem.
    """
    more = cells.extra.get(column.name)
    if not more:
        return text
    text = text.copy()
    for place, value in more.items():
        mine = code_meaning(cells.table, column, text[place]) if text[place] else value
        if isinstance(mine, tuple) and value in mine:
            cells.reading(place, column, text[place], value, "by another cell of the row")
        elif text[place].casefold() != value and mine != value:
            cells.problem(
                place,
                column,
                f"'{text[place]}', and {value} by another cell of the row",
                "one of the two",
                "Write it once, or alike in both.",
            )
        text[place] = value
    return text


def applied(
    cells: TableCells,
    column: Column,
    text: np.ndarray,
    bad: np.ndarray,
    outcome: Callable[[str], Outcome],
) -> list[tuple[int, object]]:
    """What the cells at `bad`, bool (row,), are read as: (place, value) of those that have one.
    Each way of writing is looked at once.
    """
    found: dict[str, Outcome] = {}
    values = []
    told = 0
    for place in np.flatnonzero(bad):
        cell = text[place]
        result = found.get(cell)
        if result is None:
            result = found[cell] = outcome(cell)
        if result.reason:
            shown = result.shown if result.shown or result.value == "" else str(result.value)
            cells.reading(place, column, cell, shown, result.reason)
            values.append((int(place), result.value))
            for name, value in result.more:
                cells.extra.setdefault(name, {})[int(place)] = value
        elif told == TOLD_OF_A_COLUMN:
            break
        else:
            told += 1
            cells.problem(
                place, column, f"'{cell}'", result.expected or column.allowed, result.advice
            )
    return values


def not_recorded(column: Column) -> Outcome:
    """A word for 'not recorded': a blank, where a blank is allowed."""
    if column.name == "count":
        return Outcome(expected=COUNT_EXPECTED, advice=COUNT_ADVICE)
    if column.required == "yes":
        return Outcome(advice=f"Write it down: {column.meaning}.")
    return Outcome("", "", NOT_RECORDED_REASON)
