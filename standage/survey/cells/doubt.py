"""Numbers that a crew was not sure of: about, at least, a range, a decade.

Where the survey has a column for the doubt, the cell is parted into number and doubt; elsewhere the
advice names the column, with the numbers to write.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from standage.survey.schema import Column

YEARS_SHOWN = 3
"""Years on either side of `about 1928` in an example of a range: which it is, the crew must say."""
LEAST_SD = 0.5
"""Rings by which an estimate between two numbers may be off, at least (assumption)."""
_VALUE = r"(\d+(?:\.\d+)?)"
_ABOUT = re.compile(
    rf"(?:~|≈|±|about|abt\.?|approx(?:imately)?\.?|around|ca?\.?|circa|roughly|est\.?)\s*{_VALUE}\s*\??"
    rf"|{_VALUE}\s*(?:\?|\(\?\)|~|est\.?|approx\.?)",
    re.IGNORECASE,
)
_AT_LEAST = re.compile(
    rf"(?:≥|>=|at least|min\.?|minimum)\s*{_VALUE}|{_VALUE}\s*(?:\+|or more|or older|plus)",
    re.IGNORECASE,
)
_MORE = re.compile(rf"(?:>|more than|over|older than)\s*{_VALUE}", re.IGNORECASE)
_AT_MOST = re.compile(
    rf"(?:≤|<=|at most|by|no later than)\s*{_VALUE}|{_VALUE}\s*(?:or earlier|or before|or less)",
    re.IGNORECASE,
)
_LESS = re.compile(rf"(?:<|before|pre-?|less than)\s*{_VALUE}", re.IGNORECASE)
_SPREAD = re.compile(rf"{_VALUE}\s*(?:±|\+/-|\+-)\s*{_VALUE}")
_CENTURY = re.compile(r"(?:early |mid |late )?\d\d00'?s", re.IGNORECASE)
_RANGE = re.compile(
    rf"(?:(?:between|about|abt\.?|around|c\.?|ca\.?|circa|~)\s*)?{_VALUE}\s*(?:-|\u2013|\u2014|to|and|or|/)\s*{_VALUE}"
    r"\s*(?:about|abt\.?|approx\.?|or so|\(?\?\)?)?",
    re.IGNORECASE,
)
_DECADE = re.compile(r"(?:the\s+)?(\d{3}0)'?s", re.IGNORECASE)


@dataclass(frozen=True)
class Doubt:
    """What an uncertain cell says. value: the number, or the start of the range. kind: `about`,
    `at least`, `at most`, `spread` or `range`. other: end of the range, or the spread.
    """

    value: float
    kind: str
    other: float = math.nan


def doubt_in(cell: str, column: Column) -> Doubt | None:
    """The doubt that a cell says of its number; None where it says none.

    >>> from standage.survey.schema import EVENTS
    >>> doubt_in("1920-25", EVENTS.column("first_year"))
    Doubt(value=1920.0, kind='range', other=1925.0)
    """
    cell = cell.strip()
    year = column.unit == "calendar year"
    spread = _SPREAD.fullmatch(cell)
    if spread:
        return Doubt(float(spread[1]), "spread", float(spread[2]))
    decade = _DECADE.fullmatch(cell) if year and not _CENTURY.fullmatch(cell) else None
    if decade:
        return Doubt(float(decade[1]), "range", float(decade[1]) + 9)
    between = _RANGE.fullmatch(cell)
    if between:
        start, end = between[1], between[2]
        if "/" in cell and column.name in ("ring_count", "first_ring_year"):
            return None  # two readings of a core, or of two cores
        if year and len(start) == 4 and len(end) < 4:
            end = start[: 4 - len(end)] + end
        return Doubt(float(start), "range", float(end)) if float(start) < float(end) else None
    for pattern, kind, step in (
        (_AT_LEAST, "at least", 0),
        (_MORE, "at least", 1),
        (_AT_MOST, "at most", 0),
        (_LESS, "at most", -1),
        (_ABOUT, "about", 0),
    ):
        found = pattern.fullmatch(cell)
        if found:
            value = float(next(group for group in found.groups() if group))
            return Doubt(value + (step if column.kind == "whole" else 0), kind)
    return None


def parted(doubt: Doubt, column: Column) -> tuple[str, dict[str, str]] | None:
    """The cell, and the cells of other columns, that say the same; None where the survey has no
    column for such a doubt.
    """
    if doubt.kind == "spread" and column.sd:
        return f"{doubt.value:g}", {column.sd: f"{doubt.other:g}"}
    if doubt.kind == "range" and column.name == "rings_to_pith":
        middle, sd = (doubt.value + doubt.other) / 2, (doubt.other - doubt.value) / math.sqrt(12)
        return f"{middle:g}", {column.sd: f"{max(sd, LEAST_SD):.2g}"}
    if doubt.kind == "range" and column.until:
        return f"{doubt.value:g}", {column.until: f"{doubt.other:g}"}
    older = "at most" if column.unit == "calendar year" else "at least"
    if doubt.kind == older and column.at_least:
        return f"{doubt.value:g}", {column.at_least: "yes"}
    return None


def advice(doubt: Doubt, column: Column) -> str:
    """Where the doubt goes, with the numbers to write."""
    if column.name == "alive_in_year":
        latest = {"range": doubt.other, "spread": doubt.value + doubt.other, "at most": doubt.value}
        least = f", {latest[doubt.kind]:g}" if doubt.kind in latest else ""
        return (
            f"Write the latest year that it may have been{least}: the year is a bound, and a later"
            " one is always safe."
        )
    if column.name == "last_ring_year" and doubt.kind == "at least":
        return (
            f"Write {doubt.value:g}, the last ring seen, and lost in outer_ring if rings outside it"
            " are missing."
        )
    if doubt.kind == "range" and column.sd:
        middle, sd = (doubt.value + doubt.other) / 2, (doubt.other - doubt.value) / math.sqrt(12)
        middle = math.floor(middle) if column.kind == "whole" else middle
        return (
            f"Write the middle, {middle:g}, and the doubt as a standard deviation into"
            f" {column.sd}: {max(sd, LEAST_SD):.1f} if all of the range is equally likely."
        )
    if column.name.startswith("rings_to_pith") and doubt.kind in ("at least", "at most"):
        return (
            "Leave the cell blank: standage then judges the way to the pith by the centre and the"
            f" core. Or write your best estimate, and how far it may be off into {column.sd}."
        )
    if column.name == "last_year":
        return f"Write the latest year that it may be, {doubt.value:g} if it is sure."
    if column.until:
        return (
            f"Write the earliest year that it may be into a column {column.name} and the latest"
            f" into {column.until}: {doubt.value - YEARS_SHOWN:g} and"
            f" {doubt.value + YEARS_SHOWN:g} if it may be {YEARS_SHOWN} years off; or"
            f" {doubt.value:g} alone if it is sure."
            if column.unit == "calendar year" and doubt.kind == "about"
            else f"Write the earliest it may be into {column.name} and the latest into"
            f" {column.until}."
            if column.unit == "calendar year"
            else f"Write the lower end into {column.name} and the upper into {column.until}."
        )
    if doubt.kind in ("about", "spread", "range") and column.sd:
        within = "two in three" if column.sd == "count_sd" else "one standard deviation"
        of_years = ""
        if column.name == "first_ring_year":
            of_years = "; if it is crossdated, the year to which that is secure into"
            of_years += " crossdated_back_to_year"
        off = f"how far it may be off ({within}) into {column.sd}"
        return f"Write {doubt.value:g}, and {off}{of_years}."
    if column.name == "count" and doubt.kind != "at least":
        return "Write the likeliest number; this column has no place for doubt."
    if column.at_least:
        return (
            f"Write {doubt.value:g}; say yes in {column.at_least} if it bounds the age from below."
        )
    return f"Write the best single value; this column has no place for doubt, {_note(column)}"


def _note(column: Column) -> str:
    return (
        "so put it into note."
        if column.name != "count"
        else ("so write the plants counted, and as area the part on which all were counted.")
    )
