"""Events of all stands: said in a word, or by a blank cell."""

from __future__ import annotations

import re
from dataclasses import replace

from standage.causes import rows_in_words
from standage.errors import Problem
from standage.survey.cells.references import alike
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.readings import Reading
from standage.survey.sheets.group_fill import FEWEST_BLANK
from standage.survey.synonyms import plain
from standage.survey.written import WrittenSurvey, WrittenTable

ALL = {"all", "all stands", "every stand", "each stand", "everywhere", "whole site", "entire site"}
BOTH = {"both", "both stands", "both sites"}
"""Words for all stands of a survey, the second for two (common practice, no source)."""
ALL_STANDS = "all stands"
_SEVERAL = re.compile(r"\s*(?:[,;&+/]|\band\b)\s*", re.IGNORECASE)
"""What parts the names of several stands in a cell (common practice, no source)."""


def with_events_of_all_stands(survey: WrittenSurvey) -> None:
    """Blank the stand of events that name all of them in a word, in place. A blank cell means the
    same, which is noted where there are several stands.
    """
    written = survey.tables.get("events")
    stands = _stands(survey)
    if written is None or "stand" not in written.header or len(stands) < 2:
        return
    at = written.header.index("stand")
    below = _blanks_below([row[at] for row in written.cells])
    if below is not None:
        survey.problems.append(_group_or_all(written, at, below))
    rows, blank = [], []
    for cells, row in zip(written.cells, written.rows, strict=True):
        word = cells[at]
        said = plain(word)
        if (said in ALL or said in BOTH) and alike(word) not in stands:
            if said in BOTH and len(stands) != 2:
                survey.problems.append(_both_of(written, row, word, len(stands)))
            cells = [*cells[:at], "", *cells[at + 1 :]]
            survey.readings.append(
                Reading(written.file, row, "stand", word, ALL_STANDS, "an event of every stand")
            )
        elif word.lower() in {"", *NOT_RECORDED}:
            blank.append(row)
        rows.append(cells)
    if blank and below is None:
        survey.notes.append(
            f"{written.file}: events without a stand are taken for events of all {len(stands)}"
            f" stands ({rows_in_words(blank)})"
        )
    survey.tables["events"] = replace(written, cells=rows)


def with_a_row_a_stand(survey: WrittenSurvey) -> None:
    """A row for each stand of an event that names several, as `North, South`, in place."""
    written = survey.tables["events"]
    stands = _stands(survey)
    if "stand" not in written.header:
        return
    at = written.header.index("stand")
    event = written.header.index("event") if "event" in written.header else None
    cells, rows = [], []
    for row, line in zip(written.cells, written.rows, strict=True):
        named = [each for each in _SEVERAL.split(row[at]) if each]
        several = len(named) > 1 and alike(row[at]) not in stands
        if not several or not {alike(each) for each in named} <= stands:
            named = []
        else:
            shown, why = f"{len(named)} events", "an event in each stand"
            survey.readings.append(Reading(written.file, line, "stand", row[at], shown, why))
        for each in named or [row[at]]:
            own = [*row[:at], each, *row[at + 1 :]]
            if named and event is not None and row[event]:
                own[event] = f"{row[event]}-{each}"
            cells.append(own)
            rows.append(line)
    survey.tables["events"] = replace(written, cells=cells, rows=rows)


def _stands(survey: WrittenSurvey) -> set[str]:
    """The names of the stands, as they are compared; of those that trees name without a table."""
    written = survey.tables.get("stands") or survey.tables.get("trees")
    if written is None or "stand" not in written.header:
        return set()
    at = written.header.index("stand")
    return {alike(row[at]) for row in written.cells if row[at]}


def _both_of(written: WrittenTable, row: int, word: str, stands: int) -> Problem:
    found = f"'{word}', in a survey of {stands} stands"
    advice = "Write a row for each of the two; or leave the cell blank if it was in all stands."
    return Problem(written.file, row, "stand", found, "a stand, or a blank cell for all", advice)


def _blanks_below(cells: list[str]) -> int | None:
    """The place of the first of several blank cells below a written one; None where there are
    none.
    """
    for place in range(1, len(cells) - FEWEST_BLANK + 1):
        if cells[place - 1] and not any(cells[place : place + FEWEST_BLANK]):
            return place
    return None


def _group_or_all(written: WrittenTable, at: int, place: int) -> Problem:
    """Blank cells below a stand: of that stand, or of all."""
    above = written.cells[place - 1][at]
    found = f"blank cells below '{above}', which may mean '{above}' or all stands"
    advice = "Write the stand into every row, and 'all' where the event was in all of them."
    row = written.rows[place]
    return Problem(written.file, row, "stand", found, "the stand of each event", advice)
