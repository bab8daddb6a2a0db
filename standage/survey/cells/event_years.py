"""Years of events: the range in which one began is its year where it has one; a month beside a
year; kinds of events under the heading of their names.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.readings import HEADING, Reading
from standage.survey.schema import EVENTS
from standage.survey.synonyms import code_meaning
from standage.survey.written import WrittenTable

KIND = EVENTS.column("kind")
LONGEST_EVENT = 60
"""Letters of a name made of a kind and a year."""
MOSTLY = 0.5
"""Share of the cells that are kinds of events, from which a column is of kinds (assumption)."""
_MONTH_AND_YEAR = re.compile(
    r"(mar|apr|may|june?|july?|aug|sept?|oct|nov|dec)[a-z]*\.?[ ,-]+((?:1[5-9]|20)\d\d)"
    r"|(spring|summer|autumn|fall)[ ,]+((?:1[5-9]|20)\d\d)",
    re.IGNORECASE,
)
"""Months in and after the growing season of a year; those before it are of the last one's wood."""


def year_beside_a_month(cell: str) -> int | None:
    """The year in a cell that says the month or season too; None for anything else.

    >>> year_beside_a_month("Oct 2018"), year_beside_a_month("Feb 2018")
    (2018, None)
    """
    found = _MONTH_AND_YEAR.fullmatch(cell.strip())
    return int(found[2] or found[4]) if found else None


def with_kinds(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table of events with a column of kinds, where that of names (`Event`) holds them."""
    if "kind" in written.header or "event" not in written.header:
        return written
    at = written.header.index("event")
    filled = [row[at] for row in written.cells if row[at]]
    known = [cell for cell in filled if code_meaning(EVENTS.name, KIND, cell) is not None]
    if not filled or len(known) < MOSTLY * len(filled):
        return written
    own = written.headings.get("event", "event")
    readings.append(Reading(written.file, written.header_row, "kind", own, "kind", HEADING))
    header = [*written.header[:at], "kind", *written.header[at + 1 :]]
    return replace(written, header=header, headings={**written.headings, "kind": own})


def with_names(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table of events with a column of names, where it has none: kind and first year."""
    if not {"kind", "first_year"} <= set(written.header):
        return written
    if "event" in written.header:
        return _with_years(written, readings)
    places = [written.header.index(name) for name in ("kind", "first_year")]
    taken: dict[str, int] = {}
    cells = []
    for row in written.cells:
        name = " ".join(row[at] for at in places if row[at])[:LONGEST_EVENT]
        number = taken[name] = taken.get(name, 0) + 1
        cells.append([*row, name if number == 1 else f"{name} ({number})"])
    if cells:
        was, read = "no such column", f"'{cells[0][-1]}' and so on"
        why = "events named after kind and year"
        readings.append(Reading(written.file, written.header_row, "event", was, read, why))
    return replace(written, header=[*written.header, "event"], cells=cells)


def _with_years(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table of events with the year behind names that come back, as `burn` of each of them."""
    event, first = (written.header.index(name) for name in ("event", "first_year"))
    names = [row[event] for row in written.cells]
    cells = []
    for row, line in zip(written.cells, written.rows, strict=True):
        if row[event] and names.count(row[event]) > 1 and row[first]:
            name = f"{row[event]} {row[first]}"
            why = "several events of one name"
            readings.append(Reading(written.file, line, "event", row[event], name, why))
            row = [*row[:event], name, *row[event + 1 :]]
        cells.append(row)
    return replace(written, cells=cells)


def with_last_years(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table of events with `last_year` as `first_year` where that is a year and no range, and
    nothing else is written.
    """
    if "first_year" not in written.header:
        return written
    at = written.header.index("first_year")
    if "last_year" not in written.header:
        years = [row[at] if re.fullmatch(r"\d{4}", row[at]) else "" for row in written.cells]
        why = "one year of each event"
        readings.append(
            Reading(
                written.file, written.header_row, "last_year", "no such column", "first_year", why
            )
        )
        cells = [[*row, year] for row, year in zip(written.cells, years, strict=True)]
        return replace(written, header=[*written.header, "last_year"], cells=cells)
    end = written.header.index("last_year")
    cells = []
    for row, line in zip(written.cells, written.rows, strict=True):
        if not row[end] and re.fullmatch(r"\d{4}", row[at]):
            why = "blank beside a year: the year of the event"
            readings.append(Reading(written.file, line, "last_year", "", row[at], why))
            row = [*row[:end], row[at], *row[end + 1 :]]
        cells.append(row)
    return replace(written, cells=cells)
