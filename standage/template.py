"""Empty forms for a new survey: every table with its header and one example row, and a sheet that explains each column."""

from __future__ import annotations

import csv
from os import PathLike
from pathlib import Path

from standage.column_reference import COLUMN_HEADER, column_rows
from standage.errors import StandageError
from standage.tables import TABLES, Table

WORKBOOK_NAME = "survey.xlsx"


def write_template(folder: str | PathLike, xlsx: bool = False) -> list[Path]:
    """Write empty forms into a folder, made if need be, and return the paths written.

    folder: where to. xlsx: one workbook `survey.xlsx` in place of CSV files. The example rows together are a valid survey;
    delete them before use. `columns` explains each column. Raises StandageError, and writes nothing, where a file is in the way.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise StandageError(f"{folder} is a file; forms are written into a folder")
    sheets = {table.name: _form(table) for table in TABLES}
    sheets["columns"] = [list(COLUMN_HEADER), *[list(row) for row in column_rows()]]
    paths = [folder / WORKBOOK_NAME] if xlsx else [folder / f"{name}.csv" for name in sheets]
    in_the_way = [path.name for path in paths if path.exists()]
    if in_the_way:
        raise StandageError(f"{folder} already has {', '.join(in_the_way)}; nothing is overwritten. Choose another folder")
    folder.mkdir(parents=True, exist_ok=True)
    if xlsx:
        _write_workbook(paths[0], sheets)
    else:
        for path, rows in zip(paths, sheets.values(), strict=True):
            # With a byte-order mark, for spreadsheets that would otherwise not take the file for UTF-8.
            with path.open("w", newline="", encoding="utf-8-sig") as stream:
                csv.writer(stream).writerows(rows)
    return paths


def _form(table: Table) -> list[list[str]]:
    """Header and example row."""
    example = [column.example for column in table.columns]
    if "note" in (column.name for column in table.columns):
        example[-1] = "example row: delete it"
    return [[column.name for column in table.columns], example]


def _write_workbook(path: Path, sheets: dict[str, list[list[str]]]) -> None:
    from openpyxl import Workbook  # imported here: forms are mostly CSV, and it takes a while to load
    from openpyxl.styles import Font

    book = Workbook()
    book.remove(book.active)
    kinds = {(table.name, column.name): column for table in TABLES for column in table.columns}
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        sheet.append(rows[0])
        for row in rows[1:]:
            sheet.append([_typed_cell(cell, kinds.get((name, column))) for column, cell in zip(rows[0], row, strict=True)])
        for place, title in enumerate(rows[0], 1):
            sheet.cell(1, place).font = Font(bold=True)
            sheet.column_dimensions[sheet.cell(1, place).column_letter].width = max(12, len(title) + 2)
        sheet.freeze_panes = "A2"
    book.save(path)


def _typed_cell(cell: str, column) -> object:
    """Numbers as numbers; all else, dates included, as text that no spreadsheet rewrites."""
    if not cell:
        return None
    if column is not None and column.is_number:
        return float(cell) if "." in cell else int(cell)
    return cell
