"""Lines among the rows of a list that say how many stand above them."""

from __future__ import annotations

import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.readings import Reading
from standage.survey.written import WrittenSurvey, WrittenTable

ROWS_ABOVE = re.compile(
    r"(?:plot\W*\w+\W+)?(?P<number>\d+)\s+(?:trees|stems|cores)\b", re.IGNORECASE
)
"""A line that says how many rows stand above it (`Plot 1 = 17 stems`)."""
OF_A_RECORD = ("tree", "dbh_cm", "ring_count", "first_ring_year", "height_cm")
"""Columns in which a stem or core has a figure."""


def without_numbers_of_rows(written: WrittenTable, survey: WrittenSurvey) -> WrittenTable:
    """The table without lines that say how many stems or cores stand above them (`plot 1: 17
    stems`), held against these.
    """
    sized = [place for place, name in enumerate(written.header) if name in OF_A_RECORD]
    left: list[int] = []
    last = 0
    for place, cells in enumerate(written.cells):
        last = len(left) if written.begins_sheet(place) else last
        said = " ".join(filter(None, cells))
        found = ROWS_ABOVE.match(said)
        if found is None or any(cells[each][:1].isdigit() for each in sized):
            left.append(place)
            continue
        row, here, last = written.rows[place], len(left) - last, len(left)
        if int(found["number"]) in (here, len(left)):
            reading = Reading(written.file, row, None, said[:80], "no data", "the number of rows")
            survey.readings.append(reading)
        else:
            survey.doubts.append(_other_number(written.file, row, said, here))
    if len(left) == len(written.cells):
        return written
    return replace(
        written,
        cells=[written.cells[place] for place in left],
        rows=[written.rows[place] for place in left],
    )


def _other_number(file: str, row: int, said: str, here: int) -> Problem:
    advice = (
        "Look for a row that is missing or was entered twice; then correct the line, or delete it."
    )
    found = f"'{said[:60]}', and {here} rows above it"
    return Problem(file, row, None, found, "as many rows as it says", advice)
