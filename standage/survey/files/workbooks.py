"""From an .xlsx workbook to rows of written cells."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from standage.survey.files.file_contents import read_content
from standage.survey.files.form_rows import ROWS_SEARCHED
from standage.survey.files.layout import header_of, lay_out
from standage.survey.files.placing import place_names
from standage.survey.files.stacked_sheets import take_in
from standage.survey.files.workbook_cells import (
    as_text,
    names_made_numbers,
    sheet_values,
    top_of_sheet,
    uncomputed,
)
from standage.survey.files.workbook_guard import guarded
from standage.survey.files.workbook_marks import (
    SheetMarks,
    fill_merged,
    keep_comments,
    tell_of_hidden,
)
from standage.survey.flat_table import table_of
from standage.survey.limits import MOST_COLUMNS, TooLarge
from standage.survey.schema import TABLES
from standage.survey.written import WrittenSurvey, WrittenTable, too_large, unreadable_file


def top_rows_of_sheets(path: Path) -> dict[str, list[list[str]]]:
    """The first rows of every sheet of a workbook, by its name; none where it doesn't open."""
    survey = WrittenSurvey()
    content = read_content(path, path.name, survey)
    if content is None:
        return {}
    from openpyxl import load_workbook  # imported here: it takes a while to load

    try:
        book = load_workbook(io.BytesIO(guarded(content).content), read_only=True, data_only=True)
        return {sheet.title: _top_rows(sheet) for sheet in book.worksheets}
    except Exception:  # a damaged workbook fails in many ways, and is told of when it is read
        return {}


def _top_rows(sheet: Any) -> list[list[str]]:
    """The first rows of a sheet of openpyxl's, as cells."""
    return top_of_sheet(sheet, 2 * ROWS_SEARCHED)


def read_workbook(path: Path, survey: WrittenSurvey) -> None:
    """Read the sheets of a workbook. Dates and numbers are turned into the text a CSV file would
    hold.
    """
    content = read_content(path, path.name, survey)
    if content is None:
        survey.unreadable.update(each.name for each in TABLES)
        return
    from openpyxl import (
        load_workbook,
    )  # imported here: most surveys are CSV, and it takes a while to load

    try:
        workbook = guarded(content)
        book = load_workbook(io.BytesIO(workbook.content), read_only=True, data_only=True)
        written = (
            load_workbook(io.BytesIO(workbook.content), read_only=True)
            if workbook.formulas
            else None
        )
        sheets = {sheet.title: sheet for sheet in book.worksheets}
        named = place_names(
            {title: title for title in sheets},
            survey,
            what="sheet",
            top=lambda title: _top_rows(sheets[title]),
        )
        # read whole before anything is taken for a table: a damaged part may show at its very end
        titles = [title for of in named.values() for title in of]
        values = {title: sheet_values(sheets[title]) for title in titles}
        raw = {} if written is None else {title: sheet_values(written[title]) for title in titles}
    except TooLarge as error:
        survey.problems.append(too_large(path.name, error))
    except (
        Exception
        # a damaged archive fails in the unpacking, the XML or the library, each with errors of its
        # own
    ) as error:
        survey.problems.append(
            unreadable_file(
                path.name,
                f"a file that does not open as a workbook ({error})",
                "an .xlsx workbook",
                "Open it in the spreadsheet and save it anew as .xlsx, without a password.",
            )
        )
    else:
        numbers: dict[tuple[str, str], set[int]] = {}
        read = {
            name: [
                _read_sheet(
                    f"{path.name}, sheet {title}",
                    name,
                    survey,
                    values[title],
                    raw.get(title),
                    workbook.marks_of(sheets[title]),
                    workbook.struck_texts,
                    numbers,
                )
                for title in titles
            ]
            for name, titles in named.items()
        }
        take_in(read, survey, numbers)
        return
    survey.unreadable.update(each.name for each in TABLES)


def _read_sheet(
    file: str,
    name: str,
    survey: WrittenSurvey,
    values: list[tuple],
    formulas: list[tuple] | None,
    marks: SheetMarks,
    struck_texts: set[str],
    numbers: dict[tuple[str, str], set[int]],
) -> WrittenTable | None:
    """The table that a sheet holds; None where it can't be read. numbers: by file and column, the
    rows whose cell in a column of names is a number with decimals.
    """
    title = file.partition(", sheet ")[2]
    records = [[as_text(value) for value in record] for record in values]
    header = header_of(records, table_of(name), survey.mapping.get(title)) or 0
    if formulas is not None:
        uncomputed(file, formulas, records, header, survey.problems)
    fill_merged(file, records, header, marks, survey.problems, survey.readings)
    # A sheet has no ragged rows: trailing blanks are simply not stored.
    width = min(len(records[header]) if records else 0, MOST_COLUMNS)
    full = [record + [""] * (width - len(record)) if record else record for record in records]
    laid_out = lay_out(file, full, name, survey, source=title, sheet=True)
    if laid_out is None:
        return None
    laid_out = keep_comments(name, laid_out, marks, survey)
    tell_of_hidden(laid_out, marks, struck_texts, survey.notes)
    names_made_numbers(file, laid_out, values, numbers)
    return laid_out
