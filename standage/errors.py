"""The exceptions, and `Problem`: one thing wrong in a survey, said so that it can be put right."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Self

LIKE_PROBLEMS_SHOWN = 5
"""Problems of one kind in one column that the message of a `SurveyError` spells out; `.problems`
holds all, of a column 20,000 at most.
"""

SHOWN = 300
"""Characters of what was found that a message shows; a cell may hold thousands."""

KEPT_OF_A_COLUMN = 20_000
"""Problems of one column that are kept; a file of the wrong kind may have millions."""

TOLD_OF_A_COLUMN = KEPT_OF_A_COLUMN + 1
"""Cells of a column that a check turns into problems: those that are kept, and one for
`ProblemList` to say that there are more.
"""


class StandageError(Exception):
    """Anything standage refuses to do, with a reason meant for the person who asked."""

    @classmethod
    def at(cls, place: object, found: str, expected: str, what_to_do: str) -> Self:
        """A refusal about a file, a folder or a wish, in the words of a `Problem`."""
        return cls(_in_one_voice(str(place), found, expected, what_to_do))


class PlaceError(StandageError):
    """A place that can't take results: no fault of the survey's."""


def _in_one_voice(place: str, found: str, expected: str, what_to_do: str) -> str:
    return f"{place}: found {found}; expected {expected}. {what_to_do}"


@dataclass(frozen=True)
class Problem:
    """One thing wrong in the files of a survey.

    file: file (or workbook and sheet) as the person named it. row: row in the file, the header
    being row 1; None where the file or a whole column is meant. column: column name, None where a
    row or the file is meant. found: the cell as written. expected: what would be accepted.
    what_to_do: one instruction.
    """

    file: str
    row: int | None
    column: str | None
    found: str
    expected: str
    what_to_do: str

    def __str__(self) -> str:
        place = plainly(self.file)
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {plainly(self.column)}"
        return _in_one_voice(
            place, plainly(self.found), plainly(self.expected), plainly(self.what_to_do)
        )


def plainly(text: str, most: int = SHOWN) -> str:
    """Text for a message: shortened, and what nobody sees, or what could steer a terminal, written
    as its code.
    """
    code = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        for letter in text[:most]
    )
    return code if len(text) <= most else f"{code[: most - 30]}... ({len(text):,} characters)"


class ProblemList(list):
    """Problems as they are found; of one column of a file the first `KEPT_OF_A_COLUMN`, then one
    that says that there are more.
    """

    def __init__(self) -> None:
        super().__init__()
        self._counts: dict[tuple[str, str | None], int] = {}

    def append(self, problem: Problem) -> None:
        place = (problem.file, problem.column)
        count = self._counts[place] = self._counts.get(place, 0) + 1
        if count <= KEPT_OF_A_COLUMN:
            super().append(problem)
        elif count == KEPT_OF_A_COLUMN + 1:
            more = Problem(
                problem.file,
                None,
                problem.column,
                f"more than {KEPT_OF_A_COLUMN:,} problems",
                "a table of this kind",
                "Check that this is the right file and column; what comes after these is not told.",
            )
            super().append(more)

    def __iadd__(self, problems: Iterable[Problem]) -> ProblemList:  # type: ignore[override, misc]  # only problems are ever added
        self.extend(problems)
        return self

    def extend(self, problems: Iterable[Problem]) -> None:
        for problem in problems:
            self.append(problem)


class SurveyError(StandageError):
    """A survey that cannot be used as it stands; `.problems` lists everything found, in order of
    file and row.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__(_message(self.problems))


def _message(problems: tuple[Problem, ...]) -> str:
    """All problems as lines. Thousands of cells with one mistake in common are shown by their first
    few and a number.
    """
    count = len(problems)
    lines = [f"The survey has {count} {'problem' if count == 1 else 'problems'}:"]
    shown: dict[tuple[str, str | None, str], int] = {}
    for problem in problems:
        kind = (problem.file, problem.column, problem.what_to_do)
        shown[kind] = shown.get(kind, 0) + 1
        if shown[kind] <= LIKE_PROBLEMS_SHOWN:
            lines.append(f"  {problem}")
    for (file, column, _), number in shown.items():
        if number > LIKE_PROBLEMS_SHOWN:
            where = plainly(f"{file}, column {column}" if column else file)
            lines.append(
                f"  {where}: {number - LIKE_PROBLEMS_SHOWN} more like the {LIKE_PROBLEMS_SHOWN}"
                " shown"
            )
    return "\n".join(lines)
