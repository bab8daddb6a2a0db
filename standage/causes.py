"""Problems that have one cause as one line, the worst first: what a person reads before they open
the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from standage.problems import Problem, in_one_voice, plainly

FIRST_SCREEN = 25
"""Lines of a first screen: as many as an ordinary terminal window shows."""

SCREEN_WIDTH = 100
"""Columns of a screen whose width isn't known (assumption); longer lines are counted as several."""

RUNS_OF_ROWS = 4
EXAMPLES = 3
LONGEST_EXAMPLE = 40
"""Rows, and things found, that the line of a cause spells out; characters of one that is short
enough to stand beside others.
"""

OF_A_HEADING = (
    *("no column", "no heading", "the heading", "the unknown column", "plots without"),
    "numbers without a unit",
)
"""How what is found of a whole column begins, though it stands in the row of headings."""
_NUMBER = re.compile(r"\d[\d.,:/-]*")
_QUOTED = re.compile(r"'[^']*'")


@dataclass(frozen=True)
class Cause:
    """Problems of one column of a file, or of several sheets of a workbook, that are alike but for
    the cell, in order of rows.
    """

    problems: tuple[Problem, ...]

    def __len__(self) -> int:
        return len(self.problems)

    def __str__(self) -> str:
        """One line: where, how many and in which rows, what was found, expected, and the fix."""
        first = self.problems[0]
        if len(self) == 1:
            return str(first)
        where, rows = where_in_words([(each.file, each.row) for each in self.problems])
        if first.column is not None:
            where += f", column {plainly(first.column)}"
        where += f", {len(self)} times"
        where += f" ({rows})" if rows else ""
        alike = len({each.what_to_do for each in self.problems}) == 1
        advice = plainly(first.what_to_do)
        return in_one_voice(
            where,
            self._found(),
            plainly(first.expected),
            advice if alike or first.row is None else f"In row {first.row}: {advice}",
        )

    def _found(self) -> str:
        different = list(dict.fromkeys(each.found for each in self.problems))
        first = plainly(different[0])
        if len(different) == 1:
            return first
        short = [plainly(each) for each in different if len(each) <= LONGEST_EXAMPLE][:EXAMPLES]
        if len(short) < EXAMPLES and len(short) < len(different):
            return f"{first}, and the like"
        more = len(different) - len(short)
        return ", ".join(short) + (f" and {more} others" if more else "")


def causes_of(problems: Iterable[Problem]) -> list[Cause]:
    """Problems folded by cause, the worst first: what is wrong with whole files, then with whole
    columns, then with most cells; of equals the first in the survey.
    """
    alike: dict[tuple, list[Problem]] = {}
    for problem in problems:
        alike.setdefault(_kind(problem), []).append(problem)
    causes = [Cause(tuple(each)) for each in alike.values()]
    return sorted(causes, key=lambda cause: (_reach(cause.problems[0]), -len(cause)))


def _kind(problem: Problem) -> tuple:
    """What problems of one cause have in common: all but the rows, and the cells they quote."""
    return (
        book_of(problem.file),
        problem.column,
        _NUMBER.sub("#", _QUOTED.sub("'", problem.found)),
        _NUMBER.sub("#", problem.expected),
        _NUMBER.sub("#", problem.what_to_do),
    )


def _reach(problem: Problem) -> int:
    """How much of a survey a problem spoils: 0 a file, 1 a column, 2 a cell or a row."""
    if problem.row is None:
        return 0 if problem.column is None else 1
    return 1 if problem.found.startswith(OF_A_HEADING) else 2


def book_of(file: str) -> str:
    """A file without the name of the sheet."""
    return file.partition(", sheet ")[0]


def where_in_words(places: Sequence[tuple[str, int | None]]) -> tuple[str, str]:
    """The file and the rows of some places; of several sheets of a workbook the rows of the first
    sheets, with their names.
    """
    sheets: dict[str, list[int]] = {}
    for file, row in places:
        sheets.setdefault(file, []).extend([] if row is None else [row])
    if len(sheets) == 1:
        ((file, rows),) = sheets.items()
        return plainly(file), rows_in_words(rows)
    book = book_of(places[0][0])
    named = [
        f"{file.removeprefix(f'{book}, ')} {rows_in_words(rows)}".rstrip()
        for file, rows in sheets.items()
    ]
    more = f", and {len(named) - EXAMPLES} more sheets" if len(named) > EXAMPLES else ""
    return plainly(book), plainly(", ".join(named[:EXAMPLES]) + more)


def rows_in_words(rows: Sequence[int]) -> str:
    """Rows as runs, the first of many.

    >>> rows_in_words([2, 3, 4, 9])
    'rows 2-4, 9'
    >>> rows_in_words([2, 4, 6, 8, 10, 12])
    'rows 2, 4, 6, 8 and 2 more'
    """
    runs = _runs(rows)
    if not runs:
        return ""
    more = sum(high - low + 1 for low, high in runs[RUNS_OF_ROWS:])
    name = "row" if len(runs) == 1 and runs[0][0] == runs[0][1] else "rows"
    return f"{name} {_written(runs[:RUNS_OF_ROWS])}" + (f" and {more} more" if more else "")


def runs_of(rows: Sequence[int]) -> str:
    """All rows as runs.

    >>> runs_of([9, 2, 3, 4])
    '2-4, 9'
    """
    return _written(_runs(rows))


def _runs(rows: Sequence[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for row in sorted(set(rows)):
        if runs and row == runs[-1][1] + 1:
            runs[-1][1] = row
        else:
            runs.append([row, row])
    return runs


def _written(runs: Sequence[Sequence[int]]) -> str:
    return ", ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in runs)


def height_of(line: str, width: int = SCREEN_WIDTH) -> int:
    """Lines that a line of text takes on a screen."""
    return max(1, -(-len(line) // width))


def fitting(lines: Sequence[str], room: int, width: int = SCREEN_WIDTH) -> int:
    """How many lines of text fit into `room` lines of the screen, one of which stays free where
    not all do.
    """
    taken = 0
    for place, line in enumerate(lines):
        taken += height_of(line, width)
        if taken + (place < len(lines) - 1) > room:
            return place
    return len(lines)


def lines_of_causes(
    causes: Sequence[Cause], *, room: int = FIRST_SCREEN - 1, width: int = SCREEN_WIDTH
) -> list[str]:
    """A line a cause, as many as fit into `room` lines of the screen, and at least one; then how
    many are left.
    """
    lines = [f"  {cause}" for cause in causes]
    shown = max(1, fitting(lines, room, width))
    if shown == len(causes):
        return lines
    rest = _rest(causes[shown:])
    # the last line may take more than the one that `fitting` keeps free
    while shown > 1 and sum(height_of(line, width) for line in [*lines[:shown], rest]) > room:
        shown -= 1
        rest = _rest(causes[shown:])
    return [*lines[:shown], rest]


def _rest(left: Sequence[Cause]) -> str:
    kinds = "another kind" if len(left) == 1 else f"{len(left)} other kinds"
    number = sum(map(len, left))
    return f"  and {number} more of {kinds}: `standage check SURVEY --all` shows every one."
