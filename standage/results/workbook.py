"""All tables of a result in one workbook, results.xlsx: a sheet each, and a first sheet that says
what they hold.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from standage.findings.findings import Findings
from standage.findings.result_tables import result_table
from standage.findings.stand_places import COORDINATES
from standage.results.number_format import in_digits
from standage.results.records import PROVENANCE_FILE
from standage.results.written_tables import written_tables
from standage.stops import stops_held_back
from standage.survey.files.workbook_bytes import workbook_bytes

RESULTS_WORKBOOK = "results.xlsx"
CONTENTS, MEANINGS = "contents", "columns"
MOST_ROWS = 1_048_575  # of data in a sheet of the format
MOST_CHARACTERS = 32_767  # of a cell of the format
NARROWEST, WIDEST = 10, 60  # of a column [characters]
ROWS_MEASURED = 200  # for the width of columns


def workbook_writer(findings: Findings) -> Callable[[Path], None]:
    """A writer for `write_results(also=...)`, so that the workbook comes with its folder or not at
    all.
    """

    def workbook(folder: Path) -> None:
        write_results_workbook(
            written_tables(findings),
            folder / RESULTS_WORKBOOK,
            survey=findings.survey.name,
            level=findings.level,
        )

    return workbook


def write_results_workbook(
    tables: Mapping[str, pd.DataFrame], path: Path, *, survey: str, level: float
) -> None:
    """Write the tables as sheets. Numbers stay numbers, to the digits of the CSV files; text stays
    text, whatever it begins with.
    """
    with stops_held_back():
        book = Workbook(write_only=True)
        _contents(book, tables, survey, level)
        _meanings(book, tables)
        for name, table in tables.items():
            _table_sheet(book, name, table)
        # stopped within, the library's rows would complain of their closed file on the screen
        written = workbook_bytes(book)
    path.write_bytes(_without_times(written))


def _table_sheet(book: Workbook, name: str, table: pd.DataFrame) -> None:
    sheet = book.create_sheet(name)
    for number, column in enumerate(table.columns, 1):
        texts = (cell for cell in table[column].head(ROWS_MEASURED) if isinstance(cell, str))
        longest = max([len(column), *(len(each) for each in texts)])
        width = min(max(NARROWEST, longest + 2), WIDEST)
        sheet.column_dimensions[get_column_letter(number)].width = width
    sheet.freeze_panes = "A2"
    sheet.append([_bold(sheet, column) for column in table.columns])
    if len(table) <= MOST_ROWS:
        for row in table.itertuples(index=False, name=None):
            cells = zip(row, table.columns, strict=True)
            sheet.append([_cell(sheet, value, column) for value, column in cells])


def _without_times(content: bytes) -> bytes:
    """The same tables give the same file, byte for byte: the times of writing, which
    provenance.json holds, are taken out of it.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as written:
        parts = {name: written.read(name) for name in written.namelist()}
    times = rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*"
    parts["docProps/core.xml"] = re.sub(
        times, rb"\g<1>1980-01-01T00:00:00Z", parts["docProps/core.xml"]
    )
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as again:
        for name, part in parts.items():
            again.writestr(zipfile.ZipInfo(name), part, compress_type=zipfile.ZIP_DEFLATED)
    return whole.getvalue()


def _contents(
    book: Workbook, tables: Mapping[str, pd.DataFrame], survey: str, level: float
) -> None:
    sheet = book.create_sheet(CONTENTS)
    for letter, width in zip("ABC", (20, 10, 110), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = "A6"
    sheet.append([_bold(sheet, f"Results of the survey {survey}")])
    sheet.append(
        [
            _text(
                sheet,
                "Columns _low, _median and _high: the interval between low and high holds"
                f" {level:.0%} of the probability. A median without its interval says too little.",
            )
        ]
    )
    sheet.append(
        [
            _text(
                sheet,
                "A blank cell means that the survey can't say; it is never a zero. Everything is"
                f" metric. What each column means stands in the sheet {MEANINGS}; how the result"
                f" was made, in {PROVENANCE_FILE} beside this file.",
            )
        ]
    )
    sheet.append([])
    sheet.append([_bold(sheet, title) for title in ("sheet", "rows", "what it holds")])
    for name, table in tables.items():
        held = plain_text(f"one row for {result_table(name).one_row}")
        if len(table) > MOST_ROWS:
            held += (
                f". Left empty: {len(table)} rows are more than a sheet can hold; see {name}.csv"
            )
        sheet.append([name, len(table), _text(sheet, held, wrap=True)])


def _meanings(book: Workbook, tables: Mapping[str, pd.DataFrame]) -> None:
    """What each column means, a row a column or interval."""
    sheet = book.create_sheet(MEANINGS)
    for letter, width in zip(("A", "B", "C", "D"), (20, 36, 28, 110), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = "A2"
    sheet.append([_bold(sheet, title) for title in ("sheet", "column", "unit", "meaning")])
    for name in tables:
        for column in result_table(name).columns:
            if column.role != "internal":
                column_name = f"{column.name}_*" if column.interval else column.name
                unit, meaning = (_text(sheet, plain_text(text)) for text in column.described)
                sheet.append([name, column_name, unit, meaning])


def plain_text(markdown: str) -> str:
    """A line of the reference without marks, and without links in brackets.

    >>> plain_text("in `pulses.csv` ([which](#pulses)), see [here](there.md)")
    'in pulses.csv, see here'
    """
    without = re.sub(r" \(\[[^\]]*\]\([^)]*\)\)", "", markdown)
    return re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", without).replace("`", "").replace("**", "")


def _bold(sheet: WriteOnlyWorksheet, text: str) -> WriteOnlyCell:
    cell = _text(sheet, text)
    cell.font = Font(bold=True)
    return cell


def _cell(sheet: WriteOnlyWorksheet, value: object, column: str) -> object:
    if isinstance(value, str):
        return _text(sheet, value) if value else None
    if value is None or pd.isna(value):
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return (
            float(in_digits(float(value), in_full=column in COORDINATES))
            if np.isfinite(value)
            else str(value)
        )
    return _text(sheet, str(value))


def _text(sheet: WriteOnlyWorksheet, text: str, *, wrap: bool = False) -> WriteOnlyCell:
    """A cell that is text whatever it begins with, also after somebody has edited it. Marks that
    the format can't hold are replaced.
    """
    cell = WriteOnlyCell(sheet)
    kept = "".join(
        mark if mark >= " " or mark in "\t\n" else " " if mark == "\r" else "\ufffd"
        for mark in text
    )
    cell.value = kept[:MOST_CHARACTERS]
    cell.data_type = "s"
    cell.quotePrefix = True
    if wrap:
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    return cell
