"""The exceptions: what standage refuses, in words meant for the person who asked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Self

from standage.causes import Cause, causes_of, lines_of_causes
from standage.problems import (
    KEPT_OF_A_COLUMN,
    TOLD_OF_A_COLUMN,
    Problem,
    ProblemList,
    in_one_voice,
    plainly,
)

__all__ = [
    "KEPT_OF_A_COLUMN",
    "TOLD_OF_A_COLUMN",
    "PlaceError",
    "Problem",
    "ProblemList",
    "StandageError",
    "SurveyError",
    "plainly",
]


class StandageError(Exception):
    """Anything standage refuses to do, with a reason meant for the person who asked.

    >>> try:
    ...     standage.load_profile("no such pine")
    ... except StandageError as error:
    ...     print("refused:", "no such pine" in str(error))
    refused: True
    """

    @classmethod
    def at(cls, place: object, found: str, expected: str, what_to_do: str) -> Self:
        """A refusal about a file, a folder or a wish, in the words of a `Problem`."""
        return cls(in_one_voice(str(place), found, expected, what_to_do))


class PlaceError(StandageError):
    """A place that can't take results: no fault of the survey's."""


class SurveyError(StandageError):
    """A survey that cannot be used as it stands; `.problems` lists everything found, in order of
    file and row. The message folds them by cause.

    >>> (folder / "trees.csv").write_text("tree,stand\\n1,north\\n") > 0
    True
    >>> try:
    ...     standage.read_survey(folder)
    ... except SurveyError as error:
    ...     print(len(error.problems) > 1)
    True
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        causes = causes_of(self.problems)
        super().__init__("\n".join([how_many(causes), *lines_of_causes(causes)]))

    def in_full(self) -> str:
        """Every problem on a line of its own, in order of file and row."""
        lines = [f"  {problem}" for problem in self.problems]
        return "\n".join([f"The survey has {counted_problems(len(lines))}:", *lines])


def how_many(causes: Sequence[Cause]) -> str:
    """How many problems a survey has, and of how many kinds."""
    count = sum(map(len, causes))
    kinds = f" of {len(causes)} kinds, the worst first" if 1 < len(causes) < count else ""
    return f"The survey has {counted_problems(count)}{kinds}:"


def counted_problems(count: int) -> str:
    return "1 problem" if count == 1 else f"{count} problems"
