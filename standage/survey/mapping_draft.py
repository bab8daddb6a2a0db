"""A draft of the mapping file of a survey: what its headings are likely to mean, to be edited by
hand or accepted as it is.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from os import PathLike
from pathlib import Path

from standage.errors import StandageError
from standage.replaced_file import whole_file
from standage.survey.completion import complete_tables
from standage.survey.csv_files import top_rows
from standage.survey.files import read_written
from standage.survey.flat_table import ALL_TABLES, FLAT, table_of, tables_needed
from standage.survey.form_rows import header_place
from standage.survey.headings import has_unit_in_name, heading_of, without_unit
from standage.survey.mapping import FLAT_WORDS, mapping_path
from standage.survey.placing import NOT_TABLES, columns_of, table_words
from standage.survey.readings import HEADING
from standage.survey.schema import CORES, COUNTS, TREES, Table
from standage.survey.synonyms import plain
from standage.survey.units import MEASURES, factor
from standage.survey.wide_counts import stage_in

Rows = Sequence[Sequence[str]]
FEWEST_HEADINGS = 2
"""Headings of a table from which a sheet is guessed to hold it (assumption)."""
UNIT_ASKED = "?"
"""Stands for a unit that nobody said: refused until it is replaced."""

TOP = """\
# Which column of your sheets is which column of the survey. Left: your heading as it stands;
# right: the survey's column (docs/survey-tables.md), "" = kept and not used. Where the values are
# in another unit: {column = "dbh_cm", unit = "in"}. [sheet.values]: the same in every row.
"""


def write_draft(survey: str | PathLike) -> Path:
    """Write the draft beside the survey and return its path. Raises StandageError, and writes
    nothing, where there is such a file or no sheet to speak of.
    """
    survey = Path(survey)
    path = mapping_path(survey)
    if os.path.lexists(path):
        raise StandageError.at(
            path, "a file", "no such file yet", "Edit it, or move it away for a new draft."
        )
    sheets = _sheets(survey)
    if not any(rows for rows in sheets.values()):
        raise StandageError.at(
            survey,
            "no sheet with headings",
            "a folder of CSV files, a CSV file or a workbook",
            "Check the path.",
        )
    try:
        with whole_file(path, new=True) as half:
            half.write_text(draft(sheets, _read_by_cells(survey)), encoding="utf-8")
    except OSError as error:
        found = f"a place that can't be written ({error.strerror})"
        advice = "Copy the survey to a folder that you may write to."
        raise StandageError.at(path, found, "a place for the draft", advice) from error
    return path


def _sheets(survey: Path) -> dict[str, Rows]:
    """The first rows of every sheet or file, by name."""
    if survey.is_dir():
        files = sorted(file for file in survey.glob("*.csv") if file.stem not in NOT_TABLES)
        return {file.name: top_rows(file) for file in files}
    if survey.suffix.lower() == ".xlsx":
        from standage.survey.workbooks import top_rows_of_sheets  # imported here: slow to load

        tops = top_rows_of_sheets(survey)
        return {name: rows for name, rows in tops.items() if name not in NOT_TABLES}
    return {survey.name: top_rows(survey)} if survey.is_file() else {}


def _read_by_cells(survey: Path) -> dict[tuple[str, str], str]:
    """What `check` reads a heading as otherwise than by its words, by sheet and heading: by what
    its cells hold, or as a stage.
    """
    written = read_written(survey)
    complete_tables(written, survey.stem)
    found: dict[tuple[str, str], str] = {}
    for each in written.readings:
        if each.row is None or each.column is None or each.reason == HEADING:
            continue
        table = next((of for of in written.tables.values() if of.file == each.file), None)
        if table is not None and each.row == table.header_row and each.as_written:
            sheet = each.file.partition(", sheet ")[2] or each.file
            found[sheet, each.as_written] = each.as_read
    return found


def draft(
    sheets: dict[str, Rows], read_by_cells: Mapping[tuple[str, str], str] | None = None
) -> str:
    """The draft as TOML. sheets: first rows of each, by name. read_by_cells: headings that `check`
    reads by their cells, which the draft leaves to it.
    """
    by_cells = read_by_cells or {}
    return TOP + "".join(
        _sheet(name, rows, {own: read for (sheet, own), read in by_cells.items() if sheet == name})
        for name, rows in sheets.items()
    )


def _guess(name: str, rows: Rows) -> Table | None:
    """The table that a sheet is likely to hold: by its name, or that of which it names most
    columns.
    """
    flat = columns_of(rows, FLAT)
    if tables_needed(flat):
        return FLAT
    by_name = table_words().get(plain(name.removesuffix(".csv")))
    if by_name:
        return table_of(by_name)
    named = {table.name: len(columns_of(rows, table)) for table in ALL_TABLES if table is not FLAT}
    best = max(named, key=lambda name: named[name])
    if named[best] < FEWEST_HEADINGS:
        return None
    return next(table for table in ALL_TABLES if table.name == best)


def _sheet(name: str, rows: Rows, by_cells: Mapping[str, str]) -> str:
    table = _guess(name, rows)
    start = header_place(rows, table) if table is not None else None
    if table is None or start is None:
        return (
            f'\n[[sheet]]\nname = {json.dumps(name, ensure_ascii=False)}\nholds = ""  # not read\n'
        )
    holds = FLAT_WORDS if table is FLAT else table.name
    lines = [
        "",
        "[[sheet]]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        f'holds = "{holds}"',
        f"header_row = {start + 1}",
        "",
        "[sheet.columns]",
    ]
    taken: set[str] = set()
    for heading in dict.fromkeys(cell.strip() for cell in rows[start]):
        if heading in by_cells:
            key = json.dumps(heading, ensure_ascii=False)
            lines.append(f"# {key}: read as {by_cells[heading]}, without a line here")
        elif heading:
            lines.append(_line(table, heading, taken))
    missing = [
        column.name
        for column in table.columns
        if column.required == "yes" and column.name not in taken
    ]
    if table is COUNTS and any(isinstance(stage_in(cell), str) for cell in rows[start]):
        missing = [name for name in missing if name not in ("stage", "count")]
    if table is FLAT:
        missing += [name for name in ("survey_date", "centre") if name not in taken]
    lines += ["", "[sheet.values]"]
    lines += [f'# {column} = ""  # not in the sheet: the same for all rows' for column in missing]
    return "\n".join(lines) + "\n"


def _line(table: Table, heading: str, taken: set[str]) -> str:
    """A heading and its column, with a remark where it isn't plain."""
    key = json.dumps(heading, ensure_ascii=False)
    found = heading_of(table, heading)
    if found is None:
        return f'{key} = ""{_remark(table, heading)}'
    if found.means and found.column == "dbh_cm" and "dbh_cm" not in taken:
        taken.add(found.column)
        unit = without_unit(heading)[1] or UNIT_ASKED
        return f'{key} = {{column = "dbh_cm", unit = "{unit}"}}  # if it means {found.means}'
    if found.means:
        return f'{key} = ""  # may mean {found.means}'
    if found.column in taken:
        return f'{key} = ""  # may be {found.column} too'
    taken.add(found.column)
    column = table.column(found.column)
    if found.unit == "" and has_unit_in_name(column):
        units = sorted(unit for unit in MEASURES if factor(unit, column.unit) is not None)
        return (
            f'{key} = {{column = "{column.name}", unit = "{UNIT_ASKED}"}}  # {" or ".join(units)}'
        )
    if found.unit in ("", column.unit):
        return f'{key} = "{column.name}"'
    return f'{key} = {{column = "{column.name}", unit = "{found.unit}"}}'


def _remark(table: Table, heading: str) -> str:
    """What becomes of a heading that is no column of its table, where it is of use."""
    stage = stage_in(heading) if table is COUNTS else None
    if isinstance(stage, str):
        return f"  # the counts of stage {stage}: read as rows"
    of = heading_of(TREES, heading)
    if table in (CORES, COUNTS) and of is not None and of.column in ("stand", "plot"):
        return f"  # the {of.column} in which the names are numbered: read"
    return ""
