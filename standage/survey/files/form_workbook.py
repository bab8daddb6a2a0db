"""The empty forms as one workbook: lists to choose from, units, what each column means on hover,
and a first sheet that tells how.
"""

from __future__ import annotations

from pathlib import Path

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from standage.profiles import profile_keys
from standage.survey.column_reference import COLUMN_HEADER, column_rows
from standage.survey.files.form_rows import EXAMPLE_COMMENT, example_cells, explanation
from standage.survey.files.placing import GUIDE
from standage.survey.files.workbook_bytes import workbook_bytes
from standage.survey.schema import TABLES, Column, Table

FIRST_ROW = 3  # below the names and the units
LAST_ROW = 5000  # of the lists to choose from; rows below are read as well
NEEDED = PatternFill("solid", fgColor="1F4E3D")
OPTIONAL = PatternFill("solid", fgColor="DCE6E1")
UNITS = PatternFill("solid", fgColor="F2F2F2")
EXAMPLE = PatternFill("solid", fgColor="FFE699")
NARROWEST, WIDEST = 12, 26  # of a column [characters]
NUMBER_FORMATS = {
    "identifier": "@",
    "reference": "@",
    "text": "@",
    "code": "@",
    "date": "yyyy-mm-dd",
}
"""Names are kept as text, or a spreadsheet makes a date of 3-4 and 1.1 of 1.10."""

GUIDE_TOP = (
    ("How to fill in these forms", True),
    (
        (
            "One sheet is one table; one row is one stand, one plot, one tree, one core. Leave out"
            " the sheets you have nothing for."
        ),
        False,
    ),
    ("", False),
    (
        (
            "1. Delete the yellow example row of every sheet (the whole row). The row of units"
            " above it may stay: it is never read as data."
        ),
        False,
    ),
    (
        (
            "2. Begin with stands, then plots (if there were any), trees, and cores. The names you"
            " give are offered in the other sheets."
        ),
        False,
    ),
    (
        (
            "3. Dark green columns have to be filled. All others may stay blank, and may be"
            " deleted. Don't rename a column."
        ),
        False,
    ),
    (
        (
            "4. Hold the pointer over the name of a column to read what it means. Cells with a list"
            " take only the words of the list."
        ),
        False,
    ),
    (
        (
            "5. A blank cell means 'not recorded'. It is never a zero: write 0 where you looked and"
            " found nothing."
        ),
        False,
    ),
    (
        (
            "6. Numbers stand alone, in the unit below the column's name, without unit or remark."
            " Remarks belong into note."
        ),
        False,
    ),
    (
        (
            "7. Field notes in other units: 1 inch = 2.54 cm = 25.4 mm, 1 foot = 30.48 cm, 1 acre ="
            " 0.4047 ha. A formula such as =14.2*2.54 is fine: its result is read."
        ),
        False,
    ),
    (
        (
            "8. Dates are written year-month-day, as 2021-07-14; whatever your spreadsheet takes"
            " for a date is understood as well."
        ),
        False,
    ),
    (
        (
            "9. Trees that were tried and gave no sound wood are evidence: keep them, and say so in"
            " core_outcome."
        ),
        False,
    ),
    (
        (
            "10. Save as .xlsx, then: standage check NAME-OF-THIS-FILE. It names every sheet, row"
            " and column to look at again, and what to do."
        ),
        False,
    ),
    ("", False),
    (
        (
            "Coring wounds a tree. Ask the landowner; follow local rules on protected trees, cavity"
            " trees and scars of cultural value, and don't core or cut those."
        ),
        False,
    ),
    ("", False),
    ("The sheets", True),
)


def write_form_workbook(path: Path) -> None:
    """Write the workbook; its example rows together are a valid survey."""
    book = Workbook()
    _guide(book.active)
    for table in TABLES:
        _form(book.create_sheet(table.name), table)
    _columns(book.create_sheet("columns"))
    path.write_bytes(workbook_bytes(book))


def _guide(sheet: Worksheet) -> None:
    sheet.title = GUIDE
    sheet.column_dimensions["A"].width = 22
    sheet.column_dimensions["B"].width = 120
    sheet.sheet_view.showGridLines = False
    for row, (line, heading) in enumerate(GUIDE_TOP, 1):
        cell = sheet.cell(row, 1, line)
        sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=2)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        cell.font = Font(bold=heading, size=13 if heading else 11)
        if len(line) > WIDEST * 6:
            sheet.row_dimensions[row].height = 32
    for table in TABLES:
        said = f"{'needed' if table.needed else 'optional'}; a row is {table.one_row}"
        sheet.append([table.name, said])
        sheet.cell(sheet.max_row, 1).font = Font(bold=table.needed)
        sheet.cell(sheet.max_row, 2).alignment = Alignment(wrap_text=True, vertical="top")
    sheet.append(["columns", "all columns of all tables explained, to print or to search"])


def _form(sheet: Worksheet, table: Table) -> None:
    """Names, units, example; the lists below."""
    for place, (column, example) in enumerate(
        zip(table.columns, example_cells(table), strict=True), 1
    ):
        letter = get_column_letter(place)
        needed = column.required == "yes"
        name = sheet.cell(1, place, column.name)
        name.font = Font(bold=True, color="FFFFFF" if needed else "000000")
        name.fill = NEEDED if needed else OPTIONAL
        name.comment = Comment(_told(column), "standage", height=170, width=320)
        unit = sheet.cell(2, place, explanation(column))
        unit.font, unit.fill = Font(italic=True, color="595959"), UNITS
        shown = sheet.cell(FIRST_ROW, place, typed_cell(example, column))
        shown.fill, shown.font = EXAMPLE, Font(italic=True)
        shown.number_format = NUMBER_FORMATS.get(column.kind, "General")
        dimension = sheet.column_dimensions[letter]
        dimension.width = min(
            max(NARROWEST, len(column.name) + 2, len(explanation(column)) + 1, len(example) + 2),
            WIDEST,
        )
        dimension.number_format = NUMBER_FORMATS.get(
            column.kind, "General"
        )  # of the cells still to be filled in
        validation = _validation(column)
        if validation is not None:
            validation.add(f"{letter}{FIRST_ROW}:{letter}{LAST_ROW}")
            sheet.add_data_validation(validation)
    sheet.cell(FIRST_ROW, 1).comment = Comment(EXAMPLE_COMMENT, "standage")
    sheet.freeze_panes = "B3"


def _told(column: Column) -> str:
    """What a column means, as a note to be read on hover."""
    required = {"yes": "Required.", "": "Optional."}.get(
        column.required, f"Required: {column.required}."
    )
    blank = f" Blank means {column.default}." if column.default else ""
    used = " Only kept; the model doesn't use it." if column.kept else " The model uses it."
    return f"{column.name}\n{column.meaning}.\nTakes: {column.allowed}.\n{required}{blank}{used}"


def _validation(column: Column) -> DataValidation | None:
    """Words of a code are held to; anything else that looks odd is asked about, for the check says
    more than a spreadsheet can.
    """
    if column.kind == "code":
        rule = DataValidation(
            "list", formula1=f'"{",".join(column.codes)}"', allow_blank=True, errorStyle="stop"
        )
    elif column.kind == "reference":
        rule = DataValidation(
            "list",
            formula1=f"={column.refers_to}!$A${FIRST_ROW}:$A${LAST_ROW}",
            allow_blank=True,
            errorStyle="warning",
        )
    elif column.name == "species":
        rule = DataValidation(
            "list",
            formula1=f'"{",".join(profile_keys())}"',
            allow_blank=True,
            errorStyle="information",
        )
    elif column.kind == "date":
        rule = DataValidation(
            "date", "between", "1", "73415", allow_blank=True, errorStyle="warning"
        )  # 1900 to 2100, day numbers
    elif column.is_number:
        kind = "whole" if column.kind == "whole" else "decimal"
        rule = DataValidation(
            kind,
            "between",
            f"{column.low:.12g}",
            f"{column.high:.12g}",
            allow_blank=True,
            errorStyle="warning",
        )
    else:
        return None
    rule.errorTitle, rule.error = column.name[:32], f"Expected: {column.allowed}."[:250]
    rule.showErrorMessage = True
    return rule


def _columns(sheet: Worksheet) -> None:
    sheet.append(list(COLUMN_HEADER))
    for row in column_rows():
        sheet.append(list(row))
    for place, (title, width) in enumerate(
        zip(COLUMN_HEADER, (12, 24, 20, 14, 40, 16, 10, 90), strict=True), 1
    ):
        sheet.cell(1, place).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(place)].width = max(width, len(title) + 2)
    for row in sheet.iter_rows(min_row=2):
        for cell in row:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    sheet.freeze_panes = "C2"


def typed_cell(cell: str, column: Column) -> object:
    """Numbers as numbers; all else, dates included, as text that no spreadsheet rewrites."""
    if not cell:
        return None
    if column.is_number:
        return float(cell) if "." in cell else int(cell)
    return cell
