"""A sheet of one's own: which of its columns are which of the survey's, in a small TOML file beside
it.

    [[sheet]]
    name = "Field sheet"            # of the sheet, or of the CSV file
    holds = "trees and cores"       # or one table; "" = not read
    header_row = 3                  # where it isn't found

    [sheet.columns]                 # own heading = column of the survey, "" = kept and not used
    "Tag" = "tree"
    "Diameter" = {column = "dbh_cm", unit = "in"}

    [sheet.values]                  # the same in every row of the sheet
    survey_date = "2021-07-14"
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from standage.errors import Problem
from standage.profiles.reading import load_toml
from standage.survey.flat_table import FLAT, table_of
from standage.survey.schema import TABLES, Table
from standage.survey.units import MEASURES, factor, measure_of

MAPPING_NAME = "columns.toml"
FLAT_WORDS = "trees and cores"
FAR_BEYOND = 10**15  # any number that a cell may hold
_PARTS = {"name", "holds", "header_row", "columns", "values"}


@dataclass(frozen=True)
class SheetMapping:
    """What a mapping file says of a sheet. holds: name of a table, "" = not read. header_row:
    from 1, None where it is found. columns: own heading to (column of the survey, unit); column
    "" = kept and not used, unit "" = the column's. values: cells of columns that are the same in
    every row.
    """

    file: str
    name: str
    holds: str
    header_row: int | None = None
    columns: dict[str, tuple[str, str]] = field(default_factory=dict)
    values: dict[str, str] = field(default_factory=dict)


def mapping_path(survey: Path) -> Path:
    """Where the mapping file of a survey lies: in its folder, or beside its file."""
    return survey / MAPPING_NAME if survey.is_dir() else survey.with_suffix(f".{MAPPING_NAME}")


def read_mapping(file: str, content: bytes, problems: list[Problem]) -> dict[str, SheetMapping]:
    """The sheets of a mapping file, by name. What it says wrongly is a problem each."""
    try:
        said = load_toml(content)
    except (RecursionError, ValueError) as fault:  # of the encoding, of TOML, of a number too long
        deep = isinstance(fault, RecursionError)
        found = "tables within tables without an end" if deep else str(fault)
        problems.append(Problem(file, None, None, found, "a TOML file in UTF-8", "Mend that line."))
        return {}
    sheets = said.get("sheet")
    if not isinstance(sheets, list) or not all(isinstance(each, dict) for each in sheets):
        found, expected = "no [[sheet]]", "one [[sheet]] for each sheet or file"
        advice = "`standage check SURVEY --draft` writes a draft."
        problems.append(Problem(file, None, None, found, expected, advice))
        return {}
    found_sheets = (_sheet(file, each, problems) for each in sheets)
    return {each.name: each for each in found_sheets if each is not None}


def _sheet(file: str, said: dict, problems: list[Problem]) -> SheetMapping | None:
    def wrong(part: str, found: object, expected: str, advice: str) -> None:
        problems.append(Problem(file, None, part, _shown(found), expected, advice))

    for part in said.keys() - _PARTS:
        wrong(part, part, ", ".join(sorted(_PARTS)), "Remove it, or correct its name.")
    name, holds = said.get("name"), said.get("holds", "")
    if not isinstance(name, str) or not name:
        wrong("name", name, "the name of a sheet or file", 'Write name = "...".')
        return None
    known = [each.name for each in TABLES]
    holds = FLAT.name if holds == FLAT_WORDS else holds
    if holds not in (*known, FLAT.name, ""):
        expected = f"one of: {', '.join(known)}, {FLAT_WORDS}, or nothing"
        wrong("holds", holds, expected, "Write what a row of the sheet is.")
        return None
    row = said.get("header_row")
    if row is not None and (not isinstance(row, int) or isinstance(row, bool) or row < 1):
        wrong("header_row", row, "a row number from 1", "Write the row of the headings.")
        row = None
    table = table_of(holds) if holds else None
    parts_of = {part: said.get(part, {}) for part in ("columns", "values")}
    for part, inside in parts_of.items():
        if not isinstance(inside, dict):
            expected, advice = f"a table [sheet.{part}]", "Write it as `--draft` does."
            problems.append(Problem(file, None, part, "no table", expected, advice))
            return None
    columns: dict[str, tuple[str, str]] = {}
    for heading, target in parts_of["columns"].items():
        parts = target if isinstance(target, dict) else {"column": target}
        column, unit = parts.get("column", ""), parts.get("unit", "")
        checked = _target(table, column, unit)
        if checked is None:
            known_columns = ", ".join(each.name for each in table.columns) if table else "none"
            wrong(heading, column, f"a column of {holds}: {known_columns}", "Correct the name.")
        elif isinstance(checked, Problem):
            problems.append(
                Problem(file, None, heading, checked.found, checked.expected, checked.what_to_do)
            )
        else:
            columns[heading] = checked
    values: dict[str, str] = {}
    for column, value in parts_of["values"].items():
        if _target(table, column, "") is None:
            wrong(column, column, f"a column of {holds}", "Correct the name of the column.")
        elif isinstance(value, dict | list) or isinstance(value, int) and abs(value) > FAR_BEYOND:
            wrong(column, value, "what a cell would hold", "Write a text, a number or a date.")
        else:
            values[column] = str(value)
    return SheetMapping(file, name, holds, row, columns, values)


def _shown(found: object) -> str:
    try:
        return f"{found!r}"
    except ValueError:
        return "a number of more digits than can be written"


def _target(table: Table | None, column: str, unit: str) -> tuple[str, str] | Problem | None:
    """A column and unit as read; a problem where the unit isn't the column's; None for no column of
    the table.
    """
    if column == "" or table is None:
        return "", ""
    named = next((each for each in table.columns if each.name == column), None)
    if named is None:
        return None
    if not unit:
        return column, ""
    measure = measure_of(str(unit))
    if measure is None or factor(measure, named.unit) is None:
        others = [each for each in sorted(MEASURES) if factor(each, named.unit) is not None]
        return Problem(
            "",
            None,
            column,
            f"the unit '{unit}'",
            " or ".join(others) or "no unit",
            "Write the unit of the values.",
        )
    return column, measure


def note_of_set_aside(
    file: str, header: Sequence[str], cells: Sequence[Sequence[str]], aside: Container[str]
) -> list[str]:
    """What is said of columns with cells that a mapping file gives to nothing."""
    filled = [
        heading
        for place, heading in enumerate(header)
        if heading in aside and any(row[place] for row in cells)
    ]
    return [f"{file}: set aside by columns.toml: {', '.join(filled)}"] if filled else []
