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
from standage.survey.cells.headings import has_unit_in_name, heading_of, without_unit
from standage.survey.files.csv_files import top_rows
from standage.survey.files.form_rows import header_place
from standage.survey.files.headed_tables import columns_of
from standage.survey.files.placing import NOT_TABLES, table_words
from standage.survey.files.survey_files import read_written
from standage.survey.flat_table import ALL_TABLES, FLAT, table_of, tables_needed
from standage.survey.mapping import FLAT_WORDS, mapping_path
from standage.survey.readings import HEADING
from standage.survey.schema import CORES, COUNTS, TREES, Table
from standage.survey.sheets.completion import complete_tables
from standage.survey.sheets.wide_counts import stage_in
from standage.survey.synonyms import plain
from standage.survey.units import MEASURES, factor
from standage.survey.written import located

Rows = Sequence[Sequence[str]]
FEWEST_HEADINGS = 2
"""Headings of a table from which a sheet is guessed to hold it (assumption)."""
UNIT_ASKED = "?"
"""Stands for a unit that nobody said: `check` asks for it where the cells don't say it."""

TOP = """\
# Which column of your sheets is which column of the survey, as `check` reads them without this
# file. Left: your heading as it stands; right: the survey's column (docs/survey-tables.md), "" =
# kept and not used. Where the values are in another unit: {column = "dbh_cm", unit = "in"}. Lines
# with # say nothing until it is deleted. [sheet.values]: the same in every row.
"""


def write_draft(survey: str | PathLike) -> Path:
    """Write the draft beside the survey and return its path. Raises StandageError, and writes
    nothing, where there is such a file or no sheet to speak of.
    """
    survey = Path(survey)
    path = mapping_path(survey)
    if os.path.lexists(path):
        raise StandageError.at(
            path,
            "a file",
            "no such file yet",
            f"Edit it; for a new draft move it away (to old-{path.name}) and run `--draft` again.",
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
            half.write_text(draft(sheets, *_as_read(survey)), encoding="utf-8")
    except OSError as error:
        found = f"a place that can't be written ({error.strerror})"
        advice = "Copy the survey to a folder that you may write to."
        raise StandageError.at(path, found, "a place for the draft", advice) from error
    return path


def _sheets(survey: Path) -> dict[str, Rows]:
    """The first rows of every sheet or file, by name."""
    if survey.is_dir():
        files = sorted(file for file in survey.glob("*.csv") if file.stem not in NOT_TABLES)
        books = [file for file in survey.glob("*.xlsx") if not file.name.startswith((".", "~$"))]
        if files or len(books) != 1:
            return {file.name: top_rows(file) for file in files}
        survey = books[0]
    if survey.suffix.lower() == ".xlsx":
        # imported here: slow to load
        from standage.survey.files.workbooks import top_rows_of_sheets

        tops = top_rows_of_sheets(survey)
        return {name: rows for name, rows in tops.items() if name not in NOT_TABLES}
    return {survey.name: top_rows(survey)} if survey.is_file() else {}


def _as_read(survey: Path) -> tuple[dict[str, tuple[str, int]], dict[tuple[str, str], str]]:
    """The table and the row of the headings of each sheet that `check` reads, by name; and the
    headings that it reads otherwise than by their words: by what their cells hold, or as a stage.
    """
    written = read_written(survey)
    stacks = {each.file: each.stack for each in written.tables.values() if each.stack is not None}
    parts = {
        part.file.partition(", sheet ")[2] or part.file: (name, part)
        for name, table in written.tables.items()
        for part in (table.stack.parts if table.stack else (table,))
    }
    complete_tables(written, survey.stem)
    by_cells: dict[tuple[str, str], str] = {}
    for each in located(written.readings, stacks):
        sheet = each.file.partition(", sheet ")[2] or each.file
        header_row = parts[sheet][1].header_row if sheet in parts else None
        if each.row == header_row and each.column and each.as_written and each.reason != HEADING:
            by_cells[sheet, each.as_written] = each.as_read
    return {sheet: (name, part.header_row) for sheet, (name, part) in parts.items()}, by_cells


def draft(
    sheets: dict[str, Rows],
    read: Mapping[str, tuple[str, int]] | None = None,
    read_by_cells: Mapping[tuple[str, str], str] | None = None,
) -> str:
    """The draft as TOML. sheets: first rows of each, by name. read: table and row of the headings
    of those that `check` reads. read_by_cells: headings that `check` reads by their cells, which
    the draft leaves to it.
    """
    by_cells, placed = read_by_cells or {}, read or {}
    of_others = {name for name, _ in placed.values()}
    of_others |= {"trees", "cores"} if FLAT.name in of_others else set()
    of_others |= {FLAT.name} if of_others & {"trees", "cores"} else set()
    return TOP + "".join(
        _sheet(
            name,
            rows,
            {own: read for (sheet, own), read in by_cells.items() if sheet == name},
            placed.get(name),
            of_others,
        )
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


def _sheet(
    name: str,
    rows: Rows,
    by_cells: Mapping[str, str],
    read: tuple[str, int] | None,
    of_others: set[str],
) -> str:
    """read: table and row of the headings, where `check` reads the sheet. of_others: tables that it
    reads from any sheet.
    """
    table = _guess(name, rows) if read is None else table_of(read[0])
    start = header_place(rows, table) if table is not None else None
    start = start if read is None else read[1] - 1
    holds = FLAT_WORDS if table is FLAT else table.name if table else ""
    if table is None or start is None or (read is None and table.name in of_others):
        may_be = f"; it may be {holds}" if holds else ""
        quoted = json.dumps(name, ensure_ascii=False)
        return f'\n# [[sheet]]\n# name = {quoted}\n# holds = ""  # not read{may_be}\n'
    lines = [
        "",
        "[[sheet]]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        f'holds = "{holds}"',
        f"header_row = {start + 1}",
        "",
        "[sheet.columns]",
    ]
    claims = [heading_of(table, heading) for heading in dict.fromkeys(map(str.strip, rows[start]))]
    columns = [each.column for each in claims if each is not None and not each.means]
    several = {column for column in columns if columns.count(column) > 1}
    taken: set[str] = set()
    for heading in dict.fromkeys(cell.strip() for cell in rows[start]):
        if heading in by_cells:
            key = json.dumps(heading, ensure_ascii=False)
            lines.append(f"# {key}: read as {by_cells[heading]}, without a line here")
        elif heading:
            lines.append(_line(table, heading, taken, several))
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


def _line(table: Table, heading: str, taken: set[str], several: set[str]) -> str:
    """A heading and its column, with a remark where it isn't plain. several: columns for which
    there are several headings.
    """
    key = json.dumps(heading, ensure_ascii=False)
    found = heading_of(table, heading)
    if found is None:  # a line would keep `check` from what it makes of the column
        return f'# {key} = ""{_remark(table, heading)}'
    if found.means and found.column == "dbh_cm" and "dbh_cm" not in taken:
        taken.add(found.column)
        unit = without_unit(heading)[1] or UNIT_ASKED
        return f'# {key} = {{column = "dbh_cm", unit = "{unit}"}}  # if it means {found.means}'
    if found.means:
        return f'# {key} = ""  # may mean {found.means}'
    if found.column in several:
        return f'# {key} = "{found.column}"  # and another heading, too'
    taken.add(found.column)
    column = table.column(found.column)
    if found.unit == "" and has_unit_in_name(column):
        units = sorted(unit for unit in MEASURES if factor(unit, column.unit) is not None)
        return (
            f'# {key} = {{column = "{column.name}", unit = "{UNIT_ASKED}"}}  # {" or ".join(units)}'
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
