"""Cells of a column to numbers, dates and codes: what is written plainly at once, what crews write
otherwise word by word, each liberty listed; what has two meanings, or none, is a problem.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import SupportsIndex

import numpy as np
import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.dates import dates_in, order_of
from standage.survey.doubt import advice as doubt_advice
from standage.survey.doubt import doubt_in, parted
from standage.survey.headings import has_unit_in_name
from standage.survey.quantities import NOTHING_FOUND, number_in_words, read_quantity
from standage.survey.readings import Reading
from standage.survey.schema import Column
from standage.survey.synonyms import code_meaning, nearest_code
from standage.survey.units import MEASURES, converted, factor, how_to_convert, unit_of

EARLIEST_DATE = pd.Timestamp(1800, 1, 1)
"""Increment borers came into use in the middle of the nineteenth century (from memory): earlier
field work is a slip of the pen.
"""

MIDNIGHT = r"(?<=^\d{4}-\d{2}-\d{2})[ T]00:00(:00(\.0+)?)?$"
LETTERS_FOR_DIGITS = str.maketrans("OolIS", "00115")
"""Letters that hands and scanners write for digits (common practice, no source)."""

ADVISED = 200
"""Different wrong words of a column for which likely ones are looked for; beyond that the column is
another one.
"""

NOT_RECORDED = {"na", "n/a", "n.a.", "nan", "null", "#n/a", "-", "--", "\u2013", ".", "?", "nd"}
BLANK_WORDS = NOT_RECORDED | {"none", "missing", "unknown", "not recorded", "not measured"}
"""Words for 'not recorded' (common practice, no source): the first also where any text may
stand."""


@dataclass
class TableCells:
    """What the cells of one table are read with. table: its name. rows: row in the file of each
    cell. units: of columns whose values are in another unit than the column's, "" for not said.
    headings: as written, by column, where other than its name.
    comma: what a comma parts in it, worked out when first needed. extra: cells of other columns
    that a cell says too, by column and place.
    """

    file: str
    table: str
    header_row: int
    rows: np.ndarray
    problems: list[Problem]
    readings: list[Reading]
    units: dict[str, str] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)
    comma: Callable[[], str] = lambda: ""
    extra: dict[str, dict[int, str]] = field(default_factory=dict)

    def problem(
        self, place: SupportsIndex, column: Column, found: str, expected: str, advice: str
    ) -> None:
        self.problems.append(
            Problem(self.file, int(self.rows[place]), column.name, found, expected, advice)
        )

    def reading(
        self, place: SupportsIndex, column: Column, written: str, read: str, reason: str
    ) -> None:
        self.readings.append(
            Reading(self.file, int(self.rows[place]), column.name, written, read, reason)
        )


@dataclass(frozen=True)
class Outcome:
    """What becomes of one way of writing a cell: a value, "" for blank, or a problem. reason: why
    it is read so, "" where it isn't. more: cells of other columns.
    """

    value: object = ""
    shown: str = ""
    reason: str = ""
    advice: str = ""
    expected: str = ""
    more: tuple[tuple[str, str], ...] = ()


def typed(cells: TableCells, column: Column, text: pd.Series) -> pd.Series:
    """The column's cells, text (row,), as numbers (float64), dates (datetime64[ns]) or codes and
    text (object). What cannot be accepted becomes blank.
    """
    if column.kind == "date":
        return _dates(cells, column, text)
    if column.is_number:
        return _numbers(cells, column, text)
    if column.kind == "code":
        return _codes(cells, column, text)
    return text


def with_extra(cells: TableCells, column: Column, text: pd.Series) -> pd.Series:
    """The cells with what other cells of their rows say of them; where both speak and differ, a
    problem.
    """
    more = cells.extra.get(column.name)
    if not more:
        return text
    text = text.copy()
    for place, value in more.items():
        if text[place] and text[place].casefold() != value:
            cells.problem(
                place,
                column,
                f"'{text[place]}', and {value} by another cell of the row",
                "one of the two",
                "Write it once, or alike in both.",
            )
        text[place] = value
    return text


def _applied(
    cells: TableCells,
    column: Column,
    text: pd.Series,
    bad: np.ndarray,
    outcome: Callable[[str], Outcome],
) -> list[tuple[int, object]]:
    """What the cells at `bad`, bool (row,), are read as: (place, value) of those that have one.
    Each way of writing is looked at once.
    """
    found: dict[str, Outcome] = {}
    values = []
    told = 0
    for place in np.flatnonzero(bad):
        cell = text[place]
        result = found.get(cell)
        if result is None:
            result = found[cell] = outcome(cell)
        if result.reason:
            shown = result.shown if result.shown or result.value == "" else str(result.value)
            cells.reading(place, column, cell, shown, result.reason)
            values.append((int(place), result.value))
            for name, value in result.more:
                cells.extra.setdefault(name, {})[int(place)] = value
        elif told == TOLD_OF_A_COLUMN:
            break
        else:
            told += 1
            cells.problem(
                place, column, f"'{cell}'", result.expected or column.allowed, result.advice
            )
    return values


def _numbers(cells: TableCells, column: Column, text: pd.Series) -> pd.Series:
    written = (text != "").to_numpy(dtype=bool)
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float).copy()
    bad = written & ~np.isfinite(values)
    values[bad] = np.nan
    unit = cells.units.get(column.name, column.unit)
    if unit == "" and has_unit_in_name(column) and (written & ~bad).any():
        _unit_not_said(cells, column)
    if unit not in ("", column.unit):
        values = np.round(values * factor(unit, column.unit), 6)
    if bad.any():
        for place, value in _applied(
            cells, column, text, bad, lambda cell: _odd_number(cells, column, cell)
        ):
            values[place] = np.nan if value == "" else value
    if column.kind == "whole":
        broken = written & (values != np.round(values)) & ~np.isnan(values)
        for place in np.flatnonzero(broken)[:TOLD_OF_A_COLUMN]:
            cells.problem(
                place, column, f"'{text[place]}'", column.allowed, "Write a whole number."
            )
        values[broken] = np.nan
    if column.low is not None and column.high is not None:
        low = values <= column.low if column.above_low else values < column.low
        outside = low | (values > column.high)
        for place in np.flatnonzero(outside)[:TOLD_OF_A_COLUMN]:
            cells.problem(place, column, f"'{text[place]}'", column.allowed, _range_advice(column))
        values[outside] = np.nan
    return pd.Series(values)


def _unit_not_said(cells: TableCells, column: Column) -> None:
    others = sorted(
        unit for unit in MEASURES if unit != column.unit and factor(unit, column.unit) is not None
    )
    cells.problems.append(
        Problem(
            cells.file,
            cells.header_row,
            cells.headings.get(column.name, column.name),
            f"numbers without a unit, which may be {column.unit} or {' or '.join(others)}",
            f"the unit in the heading: '{column.name}'",
            f"Name the column '{column.name}' if its values are in {column.unit}; otherwise put"
            f" their unit in brackets after its name, as in ({others[0]}).",
        )
    )


def _odd_number(cells: TableCells, column: Column, cell: str) -> Outcome:
    """A cell that is no plain number."""
    unit = cells.units.get(column.name, column.unit)
    quantity = read_quantity(cell, column, unit or column.unit, cells.comma())
    if quantity is not None and quantity.two:
        one, other = (f"{value:.10g}" for value in quantity.two)
        return Outcome(
            expected=f"one meaning: {one}, or {other} with a decimal comma",
            advice=f"Write {one} or {other}, without a mark between thousands.",
        )
    if quantity is not None:
        return Outcome(quantity.value, f"{quantity.value:.10g}", quantity.reason)
    if column.name == "count" and cell.casefold() in NOTHING_FOUND:
        return Outcome(0.0, "0", "none counted")
    spelt = number_in_words(cell) if unit == column.unit else None
    if spelt is not None:
        return Outcome(float(spelt), f"{spelt}", "number in words")
    if cell.lower() in BLANK_WORDS:
        return _not_recorded(column)
    doubt = doubt_in(cell, column)
    if doubt is None:
        return Outcome(advice=_advice(column, cell))
    parts = parted(doubt, column)
    if parts is None:
        return Outcome(advice=doubt_advice(doubt, column))
    value, more = parts
    number = float(value)
    if unit and unit != column.unit and unit in MEASURES:
        number = converted(number, unit, column.unit)
    said = "".join(f", {name} {what}" for name, what in more.items())
    return Outcome(number, f"{number:.10g}{said}", f"{doubt.kind}", more=tuple(more.items()))


def _not_recorded(column: Column) -> Outcome:
    """A word for 'not recorded': a blank, where a blank is allowed."""
    if column.required == "yes":
        return Outcome(advice=f"Write it down: {column.meaning}.")
    return Outcome("", "", "not recorded")


def _range_advice(column: Column) -> str:
    if column.unit == "calendar year":
        return "Write the calendar year in four digits."
    if column.unit == "share of stems":
        return "Write a share, not a percentage: 0.3 for 30 percent."
    unit = f" (the unit is {column.unit})" if column.unit else ""
    blank = {
        "yes": ".",
        "": "; leave the cell blank if it was not recorded.",
    }.get(column.required, f"; it may only be blank where it isn't needed ({column.required}).")
    return f"Check the value and its unit{unit}{blank}"


def _advice(column: Column, cell: str) -> str:
    """What to do about a cell that is not a number."""
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", cell):
        return (
            "The spreadsheet turned the number into a date: format the column as a number and write"
            " the value again."
        )
    if re.fullmatch(r"\[.*\]", cell):
        return "Words in square brackets are the form's: write a value, or empty the cell."
    digits = cell.translate(LETTERS_FOR_DIGITS)
    if digits != cell and re.fullmatch(r"-?\d+(\.\d+)?", digits):
        return (
            "There is a letter in it that looks like a digit; look it up, and write the number"
            f" (perhaps {digits})."
        )
    if column.unit == "calendar year":
        return "Write the calendar year in four digits, without words; remarks belong into note."
    other = re.fullmatch(r"(-?\d+(?:\.\d+)?)\s*(\D+)", cell)
    how = (other and unit_of(other[2])) or ""
    if how and how_to_convert(how, column.unit):
        return (
            f"Write the number alone, converted from {how} to {column.unit}"
            f" ({how_to_convert(how, column.unit)})."
        )
    unit = f" in {column.unit}" if column.unit else ""
    return f"Write the number alone{unit}, without words; remarks belong into note."


def _dates(cells: TableCells, column: Column, text: pd.Series) -> pd.Series:
    written = (text != "").to_numpy(dtype=bool)
    text = text.str.replace(
        MIDNIGHT, "", regex=True
    )  # a workbook saved as CSV may show the time of a date, as a workbook stores it
    shaped = text.str.fullmatch(r"\d{4}-\d{2}-\d{2}").to_numpy(dtype=bool)
    # In microseconds until the range is checked: nanoseconds end in 2262, and a slip of the pen may
    # lie beyond.
    dates = pd.Series(pd.NaT, index=text.index, dtype="datetime64[us]")
    if shaped.any():
        dates[shaped] = pd.to_datetime(text[shaped], format="%Y-%m-%d", errors="coerce").astype(
            "datetime64[us]"
        )
    bad = written & dates.isna().to_numpy()
    if bad.any():
        order = order_of(text[bad].unique()[:ADVISED])
        for place, value in _applied(
            cells, column, text, bad, lambda cell: _odd_date(column, cell, order)
        ):
            if value != "":
                dates[place] = pd.Timestamp(value)
    today = pd.Timestamp(dt.date.today())
    out_of_range = ((dates > today) | (dates < EARLIEST_DATE)).to_numpy()
    for place in np.flatnonzero(out_of_range)[:TOLD_OF_A_COLUMN]:
        found = "in the future" if dates[place] > today else "before 1800"
        cells.problem(
            place,
            column,
            f"'{text[place]}', a date {found}",
            f"a date from 1800-01-01 to today, {today.date()}",
            "Correct the date.",
        )
    dates[out_of_range] = pd.NaT
    return dates.astype("datetime64[ns]")


def _odd_date(column: Column, cell: str, order: str) -> Outcome:
    """A date that isn't written year-month-day."""
    days = dates_in(cell)
    if order in days and len(days) > 1:
        return Outcome(days[order], reason=f"date, {order} as others of the column")
    if len(days) == 1:
        return Outcome(next(iter(days.values())), reason="date")
    if days:
        return Outcome(
            expected=" or ".join(f"{day}" for day in days.values()),
            advice="Day and month could be either way round: write year-month-day, YYYY-MM-DD.",
        )
    if cell.lower() in BLANK_WORDS:
        return _not_recorded(column)
    return Outcome(expected="a date written YYYY-MM-DD, e.g. 2019-05-12", advice=_date_advice(cell))


def _date_advice(cell: str) -> str:
    if re.fullmatch(r"\d{5}(\.\d+)?", cell):
        return (
            "This is a spreadsheet's own day number: format the column as YYYY-MM-DD before saving"
            " as CSV."
        )
    if re.fullmatch(r"\d{4}", cell):
        return (
            f"Write a full date; if only the year is known, write {cell}-12-31 (the season of"
            f" {cell}), and say so in note."
        )
    return "Write the date as YYYY-MM-DD."


def _codes(cells: TableCells, column: Column, text: pd.Series) -> pd.Series:
    bad = ~text.isin([*column.codes, ""]).to_numpy(dtype=bool)
    if not bad.any():
        return text
    advised = iter(range(ADVISED))
    read = text.where(~bad, "").astype(object)
    for place, value in _applied(
        cells, column, text, bad, lambda cell: _odd_code(cells, column, cell, advised)
    ):
        read[place] = value
    return read


def _odd_code(cells: TableCells, column: Column, cell: str, advised: Iterator[int]) -> Outcome:
    """A word that is none of the column's."""
    meaning = code_meaning(cells.table, column, cell)
    if isinstance(meaning, str):
        return Outcome(meaning, reason="another word for it")
    if meaning is not None:
        return Outcome(
            expected=" or ".join(meaning),
            advice="The word may mean any of them: write the one that is meant"
            + ("; unknown if nothing more was recorded." if "unknown" in meaning else "."),
        )
    if cell.lower() in BLANK_WORDS:
        return _not_recorded(column)
    near = None
    if next(advised, None) is not None:
        near = nearest_code(cells.table, column, cell)
    expected = f"one of: {column.allowed}"
    if near:
        return Outcome(expected=expected, advice=f"Did you mean '{near}'?")
    blank = "" if column.required else ", or leave the cell blank"
    return Outcome(expected=expected, advice=f"Use one of these words{blank}.")
