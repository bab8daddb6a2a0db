"""Events with one year each: the range in which an event began is then that year."""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.readings import Reading
from standage.survey.written import WrittenTable


def with_last_years(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table of events with a column `last_year`, as `first_year` where that is a year and no
    range.
    """
    if "first_year" not in written.header or "last_year" in written.header:
        return written
    place = written.header.index("first_year")
    years = [row[place] if re.fullmatch(r"\d{4}", row[place]) else "" for row in written.cells]
    readings.append(
        Reading(
            written.file,
            written.header_row,
            "last_year",
            "no such column",
            "first_year",
            "one year of each event",
        )
    )
    return replace(
        written,
        header=[*written.header, "last_year"],
        cells=[[*row, year] for row, year in zip(written.cells, years, strict=True)],
    )
