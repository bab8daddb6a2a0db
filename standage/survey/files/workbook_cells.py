"""Cells of a workbook as a CSV file would write them, and what a spreadsheet may have done to
them.
"""

from __future__ import annotations

import datetime as dt
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from standage.errors import Problem
from standage.survey.limits import bounded
from standage.survey.sheets.rows_without_stem import is_word_for_sums
from standage.survey.written import WrittenTable


@contextmanager
def without_openpyxl_warnings() -> Iterator[None]:
    """What openpyxl says of lists to choose from, which it leaves out, is none of a reader's
    business.
    """
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=UserWarning, module="openpyxl")
        yield


def sheet_values(sheet: Any) -> list[tuple]:
    """The rows of a sheet without the blanks at their ends. Raises TooLarge."""
    sheet.reset_dimensions()
    with without_openpyxl_warnings():
        return [_without_end(record) for record in bounded(sheet.iter_rows(values_only=True))]


def top_of_sheet(sheet: Any, most: int) -> list[list[str]]:
    """The first rows of a sheet, as text, at most so many."""
    sheet.reset_dimensions()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=UserWarning, module="openpyxl")
        rows = list(sheet.iter_rows(max_row=most, values_only=True))
    return [[as_text(value) for value in record] for record in rows]


def _without_end(record: tuple) -> tuple:
    end = len(record)
    while end and record[end - 1] is None:
        end -= 1
    return record[:end]


def names_made_numbers(
    file: str,
    written: WrittenTable,
    values: list[tuple],
    numbers: dict[tuple[str, str], set[int]],
) -> None:
    """Note the rows whose name is a number with decimals: 1.1 and 1.10 are the same number."""
    for place, name in enumerate(written.header):
        rows = {
            row
            for row in written.rows
            if place < len(values[row - 1])
            and isinstance(values[row - 1][place], float)
            and not values[row - 1][place].is_integer()
        }
        if rows:
            numbers[file, name] = rows


def uncomputed(
    file: str, formulas: list[tuple], records: list[list[str]], header: int, problems: list[Problem]
) -> None:
    """Formulas whose result was never stored would read as blank, and a blank means 'not recorded':
    they are problems, but for those of a row that begins with a word for sums, which is no data.
    """
    for row, record in enumerate(formulas, 1):
        if is_word_for_sums(next(filter(None, records[row - 1]), "")):
            continue
        for place, value in enumerate(record):
            if (
                isinstance(value, str)
                and value.startswith("=")
                and (place >= len(records[row - 1]) or not records[row - 1][place])
            ):
                problems.append(
                    Problem(
                        file,
                        row,
                        records[header][place] if place < len(records[header]) else None,
                        f"the formula '{value}' without a stored result",
                        "a value",
                        "Open the workbook in the spreadsheet and save it, or paste the values.",
                    )
                )


def as_text(value: object) -> str:
    """A workbook cell as a CSV file would write it; a date at midnight loses its time."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(sep=" ")
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)
