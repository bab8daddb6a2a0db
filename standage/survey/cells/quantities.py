"""One cell that is no plain number, read as one where it has one meaning: units, fractions, decimal
commas, marks between thousands.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from standage.survey.schema import Column
from standage.survey.units import MEASURES, converted, factor, unit_of

THOUSANDS, DECIMAL = "thousands", "decimal"
"""What a comma parts, in a table where other cells show it."""

_NUMBER = r"[-+]?\d[\d.,' \u00a0]*"
_WITH_UNIT = re.compile(rf"({_NUMBER})\s*(\S.*)?")
_FEET_AND_INCHES = re.compile(r"(\d+)\s*['’′]\s*(\d+(?:\.\d+)?)\s*(?:\"|''|”|″)?")
_FRACTION = re.compile(r"(?:(\d+)[ -])?([1357])/(2|4|8|16)")
_FRACTION_SIGNS = {"¼": " 1/4", "½": " 1/2", "¾": " 3/4"}

_ONES = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
]
_TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
NOTHING_FOUND = {"none", "no", "nil", "none found", "none seen", "nothing"}
"""Words for 0 where things were counted (common practice, no source)."""


@dataclass(frozen=True)
class Quantity:
    """A cell read as a number. value: in the column's unit. reason: what was different. two: both
    values where there are two.
    """

    value: float
    reason: str
    two: tuple[float, ...] = ()


def read_quantity(cell: str, column: Column, unit: str, comma: str) -> Quantity | None:
    """A cell as a number of the column; None where it is none.

    unit: of the values of the column where a cell says none. comma: `THOUSANDS`, `DECIMAL`, or ""
    where the table doesn't show it.

    >>> from standage.survey.schema import TREES
    >>> read_quantity("12 1/2 in", TREES.column("dbh_cm"), "cm", "").value
    31.75
    """
    for sign, spelt in _FRACTION_SIGNS.items():
        cell = cell.replace(sign, spelt)
    feet = _FEET_AND_INCHES.fullmatch(cell)
    if feet and factor("in", column.unit) is not None:
        inches = 12 * int(feet[1]) + float(feet[2])
        return Quantity(converted(inches, "in", column.unit), f"feet and inches to {column.unit}")
    number, said = _parted(cell.strip())
    if number is None:
        return None
    if said:
        own = _own_unit(said, column)
        if own is None:
            return None
    else:
        own = unit
    values, reason = _values(number, column, own, comma)
    if not values:
        return None
    if own in MEASURES and own != column.unit:
        reason = f"{own} to {column.unit}"
    elif said:
        reason = "unit in the cell"
    return Quantity(values[0], reason, tuple(values) if len(values) > 1 else ())


def number_in_words(cell: str) -> int | None:
    """The whole number below a hundred that is written in words; None for anything else.

    >>> number_in_words("Twelve"), number_in_words("eighty-four"), number_in_words("dozen")
    (12, 84, None)
    """
    words = cell.casefold().replace("-", " ").split()
    if len(words) == 1 and words[0] in _ONES:
        return _ONES.index(words[0])
    if words and words[0] in _TENS and len(words) < 3:
        tens = 10 * (_TENS.index(words[0]) + 2)
        if len(words) == 1:
            return tens
        if words[1] in _ONES[1:10]:
            return tens + _ONES.index(words[1])
    return None


def _parted(cell: str) -> tuple[str | None, str]:
    """The number at the start of a cell, and what follows it."""
    fraction = re.match(_FRACTION.pattern, cell)
    if fraction:
        return fraction[0], cell[fraction.end() :].strip()
    found = _WITH_UNIT.fullmatch(cell)
    if found is None:
        return None, ""
    number, said = found[1].strip(), (found[2] or "").strip()
    feet = number.endswith("'")  # no mark between thousands
    return (number.rstrip("'"), f"'{said}") if feet else (number, said)


def _own_unit(said: str, column: Column) -> str | None:
    """The unit that a cell says; None where it isn't one of the column's measure."""
    unit = unit_of(said)
    if unit is None:
        return None
    if unit in MEASURES or column.unit in MEASURES:
        return unit if factor(unit, column.unit) is not None else None
    return unit if unit == column.unit else None


def _values(number: str, column: Column, unit: str, comma: str) -> tuple[list[float], str]:
    """What a written number may be, in the column's unit: once, or twice where a comma may part
    thousands or decimals; and what is different about it.
    """
    fraction = _FRACTION.fullmatch(number)
    if fraction:
        value = int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3])
        return [_in_unit(value, unit, column)], "fraction"
    if re.fullmatch(r"[-+]?\d+(\.\d*)?", number):
        return [_in_unit(float(number), unit, column)], "number"
    if re.fullmatch(r"\d{1,3}([ \u00a0']\d{3})+(\.\d+)?", number):
        plain = re.sub(r"[ \u00a0']", "", number)
        return [_in_unit(float(plain), unit, column)], "mark between thousands"
    if re.fullmatch(r"\d{1,3}(\.\d{3})+,\d+", number):
        plain = number.replace(".", "").replace(",", ".")
        return [_in_unit(float(plain), unit, column)], "decimal comma"
    if not re.fullmatch(r"[-+]?\d+(,\d+)+(\.\d+)?", number):
        return [], ""
    ways = {}
    if re.fullmatch(r"[-+]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?", number):
        ways[THOUSANDS] = _in_unit(float(number.replace(",", "")), unit, column)
    if re.fullmatch(r"[-+]?\d+,\d+", number):
        ways[DECIMAL] = _in_unit(float(number.replace(",", ".")), unit, column)
    if len(ways) > 1:
        # One that the column can't take is no second meaning for thousands, but 1,000 in a column
        # of diameters is no 1.0 for that.
        if comma in ways:
            ways = {comma: ways[comma]}
        elif _fits(ways[THOUSANDS], column) and not _fits(ways[DECIMAL], column):
            del ways[DECIMAL]
    reasons = {THOUSANDS: "mark between thousands", DECIMAL: "decimal comma"}
    return list(ways.values()), reasons[next(iter(ways))] if ways else ""


def comma_in(cells: Iterable[str]) -> str:
    """What a comma parts in the numbers of a table: `THOUSANDS` where others have a decimal point,
    `DECIMAL` where a comma can only be that, "" where nothing or both is shown.
    """
    point = comma = False
    for cell in cells:
        if "." in cell:
            point = point or re.fullmatch(r"-?\d+\.\d+", cell) is not None
        elif "," in cell:
            comma = comma or re.fullmatch(r"-?(0,\d+|\d+,(\d{1,2}|\d{4,}))", cell) is not None
        if point and comma:
            return ""
    return THOUSANDS if point else DECIMAL if comma else ""


def _in_unit(value: float, unit: str, column: Column) -> float:
    return converted(value, unit, column.unit) if unit in MEASURES else value


def _fits(value: float, column: Column) -> bool:
    """Whether a column takes a value."""
    if column.kind == "whole" and value != round(value):
        return False
    return not (
        column.low is not None
        and (value <= column.low if column.above_low else value < column.low)
        or column.high is not None
        and value > column.high
    )
