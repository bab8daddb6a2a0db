"""What was read differently from what was written: every liberty that reading takes, one record a
cell.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from standage.errors import Problem, SurveyError

HEADING = "heading"
MAPPED = "heading by the mapping file"
"""The reasons of a heading read as another."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One cell, heading, file or sheet that was read as something else than its letters.

    file: file (or workbook and sheet) as the person named it. row: row in the file as a spreadsheet
    numbers it; None where the file or a whole column is meant. column: name of the survey's column,
    None where a row or the file is meant. as_written, as_read: text. reason: why, in a few words
    that are the same for all like cells, so that they can be folded.
    """

    file: str
    row: int | None
    column: str | None
    as_written: str
    as_read: str
    reason: str


class RefusedSurvey(SurveyError):
    """A survey refused by its reader. readings: what was read differently from what was written
    before it was refused. notes: what should be known before it is mended. warnings: what looks
    wrong besides, which mending would bring up next.
    """

    def __init__(
        self,
        problems: Iterable[Problem],
        readings: Iterable[Reading] = (),
        notes: Iterable[str] = (),
        warnings: Iterable[Problem] = (),
    ) -> None:
        super().__init__(problems)
        self.readings = tuple(dict.fromkeys(readings))
        self.notes = tuple(notes)
        self.warnings = tuple(warnings)
