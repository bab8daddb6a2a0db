"""Rows of a filled-in form that are not data: a title above the header, units and explanations
below it, the example row.

They are recognised, told of, and never read as data.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from standage.errors import Problem
from standage.survey.cells.headings import headings_known
from standage.survey.schema import COUNTS, Column, Table
from standage.survey.sheets.wide_counts import stage_in
from standage.survey.units import MEASURES, OTHER_WORDS, factor, how_to_convert, unit_of

EXAMPLE_NOTE = "example row: delete it"
EXAMPLE_COMMENT = "Example row: delete it, the whole row, before you fill in your own."
ROWS_SEARCHED = 10
"""Rows from the top among which the header is looked for: titles of field forms are shorter than
that (assumption).
"""


def explanation(column: Column) -> str:
    """The cell below the column's name in a form: its unit or what it takes, in square brackets, so
    that it is no value.
    """
    if column.is_number:
        said = column.unit
    else:
        said = {
            "identifier": "a name of your own",
            "reference": f"as in sheet {column.refers_to}",
            "code": "from the list",
            "date": "YYYY-MM-DD",
            "text": "text",
        }[column.kind]
    return f"[{said}; required]" if column.required == "yes" else f"[{said}]"


def example_cells(table: Table) -> list[str]:
    """The example row of a form."""
    return [EXAMPLE_NOTE if column.name == "note" else column.example for column in table.columns]


def header_place(records: Sequence[Sequence[str]], table: Table) -> int | None:
    """Which record is the header: the first that is not blank, unless it is a title (far fewer
    headings of the table than further down, or one cell that is none).
    """
    filled = [
        place for place, record in enumerate(records[:1000]) if any(cell.strip() for cell in record)
    ][:ROWS_SEARCHED]
    if not filled:
        return next(
            (place for place, record in enumerate(records) if any(cell.strip() for cell in record)),
            None,
        )
    named = {place: _named(table, records[place]) for place in filled}
    best, first = max(filled, key=lambda place: named[place]), filled[0]
    if named[best] == 0 and _cells(records[first]) == 1:  # a title above headings of their own
        return next((place for place in filled if _cells(records[place]) > 2), first)
    if named[first] == 0 and _cells(records[first]) == 1 and _cells(records[best]) > 1:
        return best
    return best if named[best] > max(1, 2 * named[first]) else first


def _named(table: Table, record: Sequence[str]) -> int:
    """How many columns of the table a record names; of counts each stage is one."""
    stages = {stage_in(cell.strip()) for cell in record} if table is COUNTS else set()
    return headings_known(table, record) + sum(isinstance(stage, str) for stage in stages)


def _cells(record: Sequence[str]) -> int:
    return sum(bool(cell.strip()) for cell in record)


def take_out_explanations(
    table: Table,
    file: str,
    header: list[str],
    cells: list[list[str]],
    rows: list[int],
    problems: list[Problem],
    notes: list[str],
    units: dict[str, str] | None = None,
) -> tuple[list[list[str]], list[int]]:
    """Cells and rows without those that hold units and explanations. units: of columns by their
    headings, "" for not said, which a row of units settles; a unit that contradicts the heading is
    a problem.
    """
    units = {} if units is None else units
    columns = {column.name: column for column in table.columns}
    kept_cells, kept_rows = [], []
    for place, (record, row) in enumerate(zip(cells, rows, strict=True)):
        if place >= 2 and "[" not in "".join(record):  # nearly every row
            kept_cells.append(record)
            kept_rows.append(row)
            continue
        said = {name: cell for name, cell in zip(header, record, strict=True) if cell}
        ours = all(
            name in columns and cell == explanation(columns[name]) for name, cell in said.items()
        )
        if (
            not ours
            and not _in_brackets(said, columns)
            and not (place < 2 and _only_units(said, columns, table.identifier))
        ):
            kept_cells.append(record)
            kept_rows.append(row)
            continue
        if not ours:
            notes.append(
                f"{file}: row {row} holds units or explanations, no data; it was not read as data"
            )
        for name, cell in said.items():
            if name not in columns:
                continue
            unit = unit_of(cell) or ""
            if units.get(name) == "" and factor(unit, columns[name].unit):
                units[name] = unit
                continue
            wrong = _other_unit(columns[name], cell)
            if wrong and wrong != units.get(name):
                how = how_to_convert(wrong, columns[name].unit)
                problems.append(
                    Problem(
                        file,
                        row,
                        name,
                        f"the unit '{cell}'",
                        columns[name].unit,
                        "Convert the values of the column to"
                        f" {columns[name].unit}{f' ({how})' if how else ''}, then correct or delete"
                        " this row.",
                    )
                )
    return kept_cells, kept_rows


def _in_brackets(said: dict[str, str], columns: dict[str, Column]) -> bool:
    """A row with nothing but words in square brackets, one of them the form's own or a unit: also
    where somebody has sorted the sheet.
    """
    if not all(re.fullmatch(r"\[.*\]", cell) for cell in said.values()):
        return False
    return any(
        name in columns and (cell == explanation(columns[name]) or unit_of(cell))
        for name, cell in said.items()
    )


def _only_units(said: dict[str, str], columns: dict[str, Column], identifier: str | None) -> bool:
    """A row of units as people write it by hand: no name in it, and below every column a unit or a
    word like `date`.
    """
    words = {name: unit_of(cell) for name, cell in said.items()}
    if identifier and words.get(identifier, "units") not in OTHER_WORDS:
        return False
    measured = any(
        name in columns and (columns[name].is_number or columns[name].kind == "date") and unit
        for name, unit in words.items()
    )
    # words for a column of codes say which they are: `A/D`
    return measured and all(
        unit or (name in columns and columns[name].codes) for name, unit in words.items()
    )


def _other_unit(column: Column, cell: str) -> str | None:
    said = unit_of(cell)
    return said if said in MEASURES and column.unit in MEASURES and said != column.unit else None


def example_rows(table: Table, header: list[str], cells: list[list[str]]) -> list[bool]:
    """Which rows are the form's example as it came; none where a column that it fills has gone:
    less could be a coincidence.
    """
    example = dict(
        zip((column.name for column in table.columns), example_cells(table), strict=True)
    )
    if not {name for name, cell in example.items() if cell} <= set(header):
        return [False] * len(cells)
    return [
        all(cell == example.get(name, "") for name, cell in zip(header, record, strict=True))
        for record in cells
    ]


def example_problem(file: str, row: int) -> Problem:
    """An example row left among rows of one's own."""
    return Problem(
        file,
        row,
        None,
        "the example row of the empty form",
        "rows of your own survey only",
        "Delete the row.",
    )
