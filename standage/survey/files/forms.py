"""Empty forms for a new survey: every table with its header and one example row, and a page that
explains each column.
"""

from __future__ import annotations

import csv
import os
from os import PathLike
from pathlib import Path

from standage.errors import StandageError
from standage.replaced_file import made_folder, move_all, passing_folder
from standage.survey.column_reference import COLUMN_HEADER, column_rows
from standage.survey.files.form_rows import example_cells
from standage.survey.schema import TABLES

WORKBOOK_NAME = "survey.xlsx"


def write_template(folder: str | PathLike, xlsx: bool = False) -> list[Path]:
    """Write empty forms into a folder, made if need be, and return the paths written.

    folder: where to. xlsx: one workbook `survey.xlsx` in place of CSV files. The example rows
    together are a valid survey; delete them before use. `columns` explains each column. Raises
    StandageError, and writes nothing, where a file is in the way.

    >>> [path.name for path in write_template(folder / "forms", xlsx=True)]
    ['survey.xlsx']
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise StandageError.at(
            folder, "a file", "a folder, or nothing yet", "Choose another folder for the forms."
        )
    sheets = {
        table.name: [[column.name for column in table.columns], example_cells(table)]
        for table in TABLES
    }
    sheets["columns"] = [list(COLUMN_HEADER), *[list(row) for row in column_rows()]]
    paths = [folder / WORKBOOK_NAME] if xlsx else [folder / f"{name}.csv" for name in sheets]
    in_the_way = [path.name for path in paths if os.path.lexists(path)]
    if in_the_way:
        expected = "none of them, for nothing is overwritten"
        raise StandageError.at(
            folder, ", ".join(in_the_way), expected, "Choose another folder for the forms."
        )
    try:
        with made_folder(folder), passing_folder(folder) as workshop:  # no form half-written
            _fill(workshop, sheets, xlsx)
            move_all(workshop, paths)
    except OSError as error:
        found = f"a place that can't be written ({error.strerror})"
        raise StandageError.at(
            folder, found, "a folder for the forms", "Choose another folder for the forms."
        ) from error
    return paths


def _fill(folder: Path, sheets: dict[str, list[list[str]]], xlsx: bool) -> None:
    if xlsx:
        from standage.survey.files.form_workbook import (
            write_form_workbook,
        )  # imported here: openpyxl takes a while to load

        write_form_workbook(folder / WORKBOOK_NAME)
        return
    for name, rows in sheets.items():
        # With a byte-order mark, for spreadsheets that would otherwise not take the file for UTF-8.
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8-sig") as stream:
            csv.writer(stream).writerows(rows)
