"""Cells of dates: written year first, or otherwise where they can be one day only."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np

from standage.errors import TOLD_OF_A_COLUMN
from standage.survey.cells.dates import dates_in, order_of, several_days
from standage.survey.cells.table_cells import (
    ADVISED,
    BLANK_WORDS,
    Outcome,
    TableCells,
    applied,
    not_recorded,
)
from standage.survey.schema import Column

EARLIEST_DATE = np.datetime64("1800-01-01")
"""Increment borers came into use in the middle of the nineteenth century (from memory): earlier
field work is a slip of the pen.
"""

_MIDNIGHT = re.compile(r"(?<=^\d{4}-\d{2}-\d{2})[ T]00:00(:00(\.0+)?)?$")
_YEAR_FIRST = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


def typed_dates(cells: TableCells, column: Column, text: np.ndarray) -> np.ndarray:
    # a workbook saved as CSV may show the time of a date, as a workbook stores it
    text = np.array([_MIDNIGHT.sub("", cell) for cell in text], dtype=object)
    # In microseconds until the range is checked: nanoseconds end in 2262, and a slip of the pen may
    # lie beyond.
    dates = np.array([_day(cell) for cell in text], dtype="datetime64[us]")
    bad = (text != "") & np.isnat(dates)
    if bad.any():
        order = order_of(list(dict.fromkeys(text[bad]))[:ADVISED])
        for place, value in applied(
            cells, column, text, bad, lambda cell: _odd_date(column, cell, order)
        ):
            if value != "":
                dates[place] = np.datetime64(str(value), "us")
    today = dt.date.today()
    out_of_range = (dates > np.datetime64(today)) | (dates < EARLIEST_DATE)
    for place in np.flatnonzero(out_of_range)[:TOLD_OF_A_COLUMN]:
        found = "in the future" if dates[place] > np.datetime64(today) else "before 1800"
        cells.problem(
            place,
            column,
            f"'{text[place]}', a date {found}",
            f"a date from 1800-01-01 to today, {today}",
            "Correct the date.",
        )
    dates[out_of_range] = np.datetime64("NaT")
    return dates.astype("datetime64[ns]")


def _day(cell: str) -> np.datetime64:
    """A date written year-month-day; NaT for all else."""
    try:
        return np.datetime64(cell if _YEAR_FIRST.fullmatch(cell) else "NaT", "us")
    except ValueError:
        return np.datetime64("NaT", "us")


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
    if several := several_days(cell):
        return Outcome(several[1], reason="field work of several days: its last")
    if cell.lower() in BLANK_WORDS:
        return not_recorded(column)
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
    if re.fullmatch(r"[A-Za-z]{3,9}\.? \d{4}|\d{4}-\d{2}", cell):
        return "Write the date as YYYY-MM-DD: the last day of field work, of the month if unknown."
    return "Write the date as YYYY-MM-DD."
