"""Years of events in cells that say a month, a season or a day too, decades, or several years."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

from standage.survey.cells.dates import dates_in
from standage.survey.readings import Reading
from standage.survey.synonyms import plain
from standage.survey.written import WrittenTable

FIRST, LAST = "first_year", "last_year"
_YEAR = r"((?:1[5-9]|20)\d\d)"
_PARTS = {
    *("spring", "summer", "fall", "autumn", "early", "late", "mid", "dormant", "growing", "season"),
    *("january", "february", "march", "april", "may", "june", "july", "august", "september"),
    *("october", "november", "december", "jan", "feb", "mar", "apr", "jun", "jul", "aug", "sep"),
    *("sept", "oct", "nov", "dec", "of", "in"),
}
"""Words beside a year that say when in it; winter, which lies in two, is none of them (common
practice, no source)."""
_WORDS_AND_YEAR = re.compile(rf"([a-z. ]+?)[\s,]*{_YEAR}|{_YEAR}[\s,]+([a-z. ]+)", re.IGNORECASE)
_SEVERAL = re.compile(
    rf"{_YEAR}(?:\s*(?:,|;|&|\band\b)\s*(?:{_YEAR}|'?\d\d(?!\d)))+", re.IGNORECASE
)
_PART_IN_BRACKETS = re.compile(rf"\s*\((?:{'|'.join(_PARTS)})\.?\)", re.IGNORECASE)
_PART_OF_DECADE = re.compile(r"(early|mid|late)[- ]+(?:the )?(\d{3})0'?s", re.IGNORECASE)
PARTS_OF_DECADES = {"early": (0, 4), "mid": (3, 7), "late": (5, 9)}
"""First and last year of a part of a decade, by their last figures (assumption)."""
_DECADES = re.compile(r"(\d{3})0'?s?\s*(?:-|\u2013|to)\s*((?:\d\d)?\d)0'?s", re.IGNORECASE)
_WINTER = re.compile(rf"winter(?: of)? {_YEAR}\s*[-/\u2013]\s*'?(\d{{4}}|\d\d)", re.IGNORECASE)
_SHORT_YEAR = re.compile(r"([a-z]{3,9})\.?\s*['\u2019](\d\d)", re.IGNORECASE)
YEAR_ALONE = "the year of a day or month"


def with_plain_years(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table of events with years alone, each in a row of its own."""
    if FIRST not in written.header:
        return written
    return _one_year_a_row(_plain_years(written, readings), readings)


def _plain_years(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table with the years of months, seasons and days, and the years that decades span."""
    rows = [list(row) for row in written.cells]
    for name in (FIRST, LAST):
        if name not in written.header:
            continue
        at = written.header.index(name)
        for row, line in zip(rows, written.rows, strict=True):
            cell = row[at]
            if decades := _DECADES.fullmatch(cell):
                end = decades[2] if len(decades[2]) == 3 else decades[1][:2] + decades[2]
                row[at] = f"{decades[1]}0-{end}9"
                readings.append(Reading(written.file, line, name, cell, row[at], "decades"))
            elif (part := _PART_OF_DECADE.fullmatch(cell)) and not part[2].endswith("0"):
                first, last = PARTS_OF_DECADES[part[1].lower()]
                row[at] = f"{part[2]}{first}-{part[2]}{last}"
                readings.append(
                    Reading(written.file, line, name, cell, row[at], "a part of a decade")
                )
            elif winter := _WINTER.fullmatch(cell):
                end = winter[2] if len(winter[2]) == 4 else winter[1][:2] + winter[2]
                row[at] = f"{winter[1]}-{end}"
                why = "a winter, in two years"
                readings.append(Reading(written.file, line, name, cell, row[at], why))
            elif year := _year_of(cell):
                row[at] = year
                readings.append(Reading(written.file, line, name, cell, year, YEAR_ALONE))
    return replace(written, cells=rows)


def _year_of(cell: str) -> str:
    """The one year that a cell with a day, a month or a season is of, "" for any other."""
    cell = _PART_IN_BRACKETS.sub(lambda part: f" {part[0].strip(' ().')}", cell)
    if (short := _SHORT_YEAR.fullmatch(cell)) and plain(short[1]) in _PARTS:
        past = int(short[2]) <= dt.date.today().year % 100
        return f"{20 if past else 19}{short[2]}"
    if found := _WORDS_AND_YEAR.fullmatch(cell):
        words = plain(found[1] or found[4] or "").split()
        return (found[2] or found[3]) if words and set(words) <= _PARTS else ""
    years = {day.year for day in dates_in(cell).values()}
    return str(years.pop()) if len(years) == 1 and re.search(_YEAR, cell) else ""


def _years_of(cell: str) -> list[str]:
    """The years of a list of them, of which later ones may be short: `2004, 07`; none for others.

    >>> _years_of("2004, 07 and 2012"), _years_of("2004")
    (['2004', '2007', '2012'], [])
    """
    cell = _PART_IN_BRACKETS.sub("", cell)
    if not _SEVERAL.fullmatch(cell):
        return []
    years: list[str] = []
    for year in re.findall(r"\d+", cell):
        years.append(year if len(year) == 4 else f"{years[-1][:2]}{year}")
    return years if years == sorted(years) else []


def _one_year_a_row(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """A row for each year of a cell that lists several, with a name of its own."""
    at = written.header.index(FIRST)
    end = written.header.index(LAST) if LAST in written.header else None
    named = written.header.index("event") if "event" in written.header else None
    cells, rows = [], []
    for row, line in zip(written.cells, written.rows, strict=True):
        years = _years_of(row[at])
        if not years or (end is not None and row[end]):
            cells.append(row)
            rows.append(line)
            continue
        why = "an event in each year"
        readings.append(Reading(written.file, line, FIRST, row[at], f"{len(years)} events", why))
        for year in years:
            own = [*row[:at], year, *row[at + 1 :]]
            if named is not None and row[named]:
                own[named] = f"{row[named]}-{year}"
            cells.append(own)
            rows.append(line)
    return replace(written, cells=cells, rows=rows)
