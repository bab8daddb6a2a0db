"""Lines among the rows of a list that say how many stand above them."""

from __future__ import annotations

import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.readings import Reading
from standage.survey.written import Title, WrittenSurvey, WrittenTable

ROWS_ABOVE = re.compile(
    r"(?:plot\W*\w+\W+)?(?:n\s*=\s*(?P<n>\d+)\b"
    r"|(?P<number>\d+)\s+(?:trees|stems|cores|rows|plots)\b.{0,30}$)",
    re.IGNORECASE,
)
"""A line that says how many rows stand above it (`Plot 1 = 17 stems`, `n = 17`)."""
NOTHING_ELSE = re.compile(
    r"\D*(?:\w+\W+)?\d+(?:\s+(?:trees|stems|cores|rows|plots))?"
    r"(?:,? (?:in all|in total|total|listed|tallied|measured|here|in (?:this )?plot))?\W*",
    re.IGNORECASE,
)
"""The whole of such a line; with more words (`2 trees not cored`) it may be of other rows."""
OF_A_RECORD = ("tree", "dbh_cm", "ring_count", "first_ring_year", "height_cm")
"""Columns in which a stem or core has a figure."""


def hold_to_rows(survey: WrittenSurvey, line: Title, last: int, above: int) -> bool:
    """Whether a line says how many rows stand above it, which is held against these: all of them,
    or those below the `last` that a line before it has counted.
    """
    found = ROWS_ABOVE.match(line.text)
    if found is None:
        return False
    said = line.text[:80]
    if int(found["n"] or found["number"]) in (above - last, above):
        reading = Reading(line.file, line.row, None, said, "no data", "the number of rows")
        survey.readings.append(reading)
    else:
        here = f"'{said}', and {above - last} rows above it"
        advice = "Look for a row that is missing or there twice; then correct the line."
        expected = "as many rows as it says"
        survey.doubts.append(Problem(line.file, line.row, None, here, expected, advice))
    return True


def without_numbers_of_rows(written: WrittenTable, survey: WrittenSurvey) -> WrittenTable:
    """The table without lines of several cells that say how many stems or cores stand above."""
    sized = [place for place, name in enumerate(written.header) if name in OF_A_RECORD]
    left: list[int] = []
    last = 0
    for place, cells in enumerate(written.cells):
        last = len(left) if written.begins_sheet(place) else last
        line = Title(written.file, written.rows[place], " ".join(filter(None, cells)))
        of_record = any(cells[each][:1].isdigit() for each in sized)
        if of_record or not hold_to_rows(survey, line, last, len(left)):
            left.append(place)
        else:
            last = len(left)
    if len(left) == len(written.cells):
        return written
    return replace(
        written,
        cells=[written.cells[place] for place in left],
        rows=[written.rows[place] for place in left],
    )
