"""`Problem`: one thing wrong in a survey, worded so that it can be put right; and lists of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

SHOWN = 300
"""Characters of what was found that a message shows; a cell may hold thousands."""

KEPT_OF_A_COLUMN = 20_000
"""Problems of one column that are kept; a file of the wrong kind may have millions."""

TOLD_OF_A_COLUMN = KEPT_OF_A_COLUMN + 1
"""Cells of a column that a check turns into problems: those that are kept, and one for
`ProblemList` to say that there are more.
"""


@dataclass(frozen=True)
class Problem:
    """One thing wrong, or hard to believe, in the files of a survey.

    file: file (or workbook and sheet) as the person named it. row: row in the file, the header
    being row 1; None where the file or a whole column is meant. column: column name, None where a
    row or the file is meant. found: the cell as written. expected: what would be accepted.
    what_to_do: one instruction.

    >>> problem = Problem("trees.csv", 7, "dbh_cm", "'forty'", "a number", "Write 40.")
    >>> print(problem)
    trees.csv, row 7, column dbh_cm: found 'forty'; expected a number. Write 40.
    """

    file: str
    row: int | None
    column: str | None
    found: str
    expected: str
    what_to_do: str

    def __str__(self) -> str:
        where = plainly(self.file)
        if self.row is not None:
            where += f", row {self.row}"
        if self.column is not None:
            where += f", column {plainly(self.column)}"
        return in_one_voice(
            where, plainly(self.found), plainly(self.expected), plainly(self.what_to_do)
        )


def in_one_voice(where: str, found: str, expected: str, what_to_do: str) -> str:
    """The sentences of every refusal: where, what was found, what was expected, what to do."""
    return f"{where}: found {found}; expected {expected}. {what_to_do}"


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
