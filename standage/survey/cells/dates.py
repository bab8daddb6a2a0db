"""Dates in the orders in which people write them, read where they can be only one day."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable

_MONTHS = "january february march april may june july august september october november december"
_MONTH = {name[:3]: number for number, name in enumerate(_MONTHS.split(), 1)} | {"sept": 9}
_WEEKDAY = re.compile(r"^(mon|tues?|wed(nes)?|thu(rs)?|fri|sat(ur)?|sun)(day)?\.?,?\s+", re.I)
_TIME = re.compile(r"[T ]\s*\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*([ap]\.?m\.?)?\s*Z?$", re.I)
_NUMBERS = re.compile(r"(\d{1,4})\s*[/.\- ]\s*(\d{1,2})\s*[/.\- ]\s*(\d{1,4})\.?")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_DAY_MONTH = re.compile(
    r"(\d{1,2})(?:st|nd|rd|th)?[\s\-./]*(?:of\s+)?([a-z]{3,9})\.?[\s\-./,]*(\d{4}|\d{2})"
)
_MONTH_DAY = re.compile(r"([a-z]{3,9})\.?[\s\-./]*(\d{1,2})(?:st|nd|rd|th)?[\s\-./,]+(\d{4}|\d{2})")
_YEAR_MONTH = re.compile(r"(\d{4})[\s\-./]*([a-z]{3,9})\.?[\s\-./]*(\d{1,2})")
_MONTH_WORD = r"[a-z]{3,9}\.?"
_FROM_TO = r"\s*(?:-|\u2013|to|until|and|&)\s*"
_SEVERAL_DAYS = (
    re.compile(  # 11-13 June 2024, 28 May - 3 June 2024
        rf"(\d{{1,2}})(?:st|nd|rd|th)?(?:\s+({_MONTH_WORD}))?{_FROM_TO}"
        rf"(?P<last>\d{{1,2}}(?:st|nd|rd|th)?\s+(?P<month>{_MONTH_WORD}),?\s*(?P<year>\d{{4}}))"
    ),
    re.compile(  # Nov. 15-17, 2022, May 28 - June 3, 2024
        rf"({_MONTH_WORD})\s*(\d{{1,2}})(?:st|nd|rd|th)?{_FROM_TO}"
        rf"(?P<last>(?:(?P<month>{_MONTH_WORD})\s*)?(?P<day>\d{{1,2}})(?:st|nd|rd|th)?,?\s+"
        r"(?P<year>\d{4}))"
    ),
)
LONGEST_FIELD_WORK = 100
"""Days from the first to the last of one field season (assumption)."""
DAY_FIRST, MONTH_FIRST, YEAR_FIRST = "day first", "month first", "year first"
EARLIEST_YEAR = 1800

ROMAN_MONTHS = ("i", "ii", "iii", "iv", "v", "vi", "vii", "viii", "ix", "x", "xi", "xii")
_ROMAN = re.compile(
    rf"(\d{{1,2}})\s*[./ -]\s*({'|'.join(ROMAN_MONTHS)})\s*[./ -]\s*(\d{{4}})", re.IGNORECASE
)
"""A month as museums label it: `15.iii.2023` (common practice, no source)."""


def dates_in(cell: str) -> dict[str, dt.date]:
    """Every date that a cell may be, by the order of its parts, none in the future or before 1800.
    Orders that come to the same day are one.

    >>> dates_in("14/7/2021"), len(dates_in("3/4/2021"))
    ({'day first': datetime.date(2021, 7, 14)}, 2)
    """
    text = _WEEKDAY.sub("", _TIME.sub("", cell.strip())).strip()
    spelt = _spelt(text.lower())
    if spelt is not None:
        ways = {DAY_FIRST: spelt}
    elif roman := _ROMAN.fullmatch(text):
        month = ROMAN_MONTHS.index(roman[2].lower()) + 1
        ways = {DAY_FIRST: (roman[3], str(month), roman[1])}
    else:
        found = _NUMBERS.fullmatch(text) or _COMPACT.fullmatch(text)
        if found is None:
            return {}
        one, two, three = found.groups()
        if len(one) in (3, 4):
            ways = {YEAR_FIRST: (one, two, three)} if len(one) == 4 and len(three) < 3 else {}
        elif len(three) == 4:
            ways = {DAY_FIRST: (three, two, one), MONTH_FIRST: (three, one, two)}
        elif len(three) < 3:
            ways = {
                DAY_FIRST: (three, two, one),
                MONTH_FIRST: (three, one, two),
                YEAR_FIRST: (one, two, three),
            }
        else:
            ways = {}
    days: dict[str, dt.date] = {}
    for order, parts in ways.items():
        day = _day(*parts)
        if day is not None and day not in days.values():
            days[order] = day
    return days


def several_days(cell: str) -> tuple[dt.date, dt.date] | None:
    """First and last of several days, their month a word; None for anything else, and where they
    are too far apart for one season.

    >>> [str(day) for day in several_days("Nov. 15-17, 2022")], several_days("Nov. 15, 2022")
    (['2022-11-15', '2022-11-17'], None)
    """
    text = " ".join(cell.lower().split())
    for pattern, month_first in zip(_SEVERAL_DAYS, (False, True), strict=True):
        found = pattern.fullmatch(text)
        if found is None:
            continue
        one, other = found[1], found[2]
        day, month = (other, one) if month_first else (one, other or found["month"])
        last = found["last"]
        if month_first and not found["month"]:
            last = f"{one} {last}"
        ends = [
            _day(*spelt) if spelt is not None else None
            for spelt in (_spelt(f"{day} {month} {found['year']}"), _spelt(last))
        ]
        first, end = ends
        if first and end and 0 < (end - first).days <= LONGEST_FIELD_WORK:
            return first, end
    return None


def _spelt(text: str) -> tuple[str, str, str] | None:
    """Year, month and day of a date whose month is a word."""
    for pattern, places in (
        (_DAY_MONTH, (3, 2, 1)),
        (_MONTH_DAY, (3, 1, 2)),
        (_YEAR_MONTH, (1, 2, 3)),
    ):
        found = pattern.fullmatch(text)
        if found:
            year, month, day = (found[place] for place in places)
            number = _MONTH.get(month if month in _MONTH else month[:3])
            if number is not None and (len(month) < 5 or month in _MONTHS.split()):
                return year, str(number), day
    return None


def _day(year: str, month: str, day: str) -> dt.date | None:
    """The day, if there is such a one in the past. Of two figures of a year the latest century that
    is past.
    """
    today = dt.date.today()
    if len(year) == 1:
        return None
    number = int(year)
    if len(year) == 2:
        number += 2000 if 2000 + number <= today.year else 1900
    try:
        found = dt.date(number, int(month), int(day))
    except ValueError:
        return None
    return found if found.year >= EARLIEST_YEAR and found <= today else None


def order_of(cells: Iterable[str]) -> str:
    """The order that the dates of a column show: that of every cell which can be read in one way
    only; "" where they show none, or two.
    """
    shown: set[str] = set()
    for cell in cells:
        days = dates_in(cell)
        if len(days) == 1 and _NUMBERS.fullmatch(_TIME.sub("", cell.strip())):
            order = next(iter(days))
            day = days[order]
            if day.day != day.month:
                shown.add(order)
    return shown.pop() if len(shown) == 1 else ""
