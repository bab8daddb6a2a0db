"""Cells of dates: written year first, or otherwise where they can be one day only."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np
import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN
from standage.survey.dates import dates_in, order_of
from standage.survey.schema import Column
from standage.survey.table_cells import (
    ADVISED,
    BLANK_WORDS,
    Outcome,
    TableCells,
    applied,
    not_recorded,
)

EARLIEST_DATE = pd.Timestamp(1800, 1, 1)
"""Increment borers came into use in the middle of the nineteenth century (from memory): earlier
field work is a slip of the pen.
"""

MIDNIGHT = r"(?<=^\d{4}-\d{2}-\d{2})[ T]00:00(:00(\.0+)?)?$"


def typed_dates(cells: TableCells, column: Column, text: pd.Series) -> pd.Series:
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
        for place, value in applied(
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
    return "Write the date as YYYY-MM-DD."
