"""Columns that say the unit of another one, as phone forms write them: `dbh`, and `dbh_unit` beside
it.
"""

from __future__ import annotations

from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.headings import has_unit_in_name, heading_of
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.readings import Reading
from standage.survey.schema import Column, Table
from standage.survey.synonyms import plain
from standage.survey.units import measure_of
from standage.survey.written import WrittenTable


def with_units_said(
    table: Table, written: WrittenTable, problems: list[Problem], readings: list[Reading]
) -> WrittenTable:
    """The table without its columns of units, whose units hold for the columns they are of. A unit
    that contradicts the heading of its column is a problem.
    """
    for heading in list(written.header):
        column = _measured(table, written, heading)
        if column is None:
            continue
        place, of = written.header.index(heading), written.header.index(column.name)
        valued = [row for row in written.cells if row[of].lower() not in {"", *BLANK_WORDS}]
        said = {row[place]: measure_of(row[place]) for row in valued}
        units = {unit for unit in said.values() if unit is not None}
        if None in said.values() or not units:
            continue  # a unit is missing: the column is asked for its own
        in_heading = written.units.get(column.name, column.unit)  # "" where it says none
        if in_heading and units != {in_heading}:
            problems.append(
                Problem(
                    written.file,
                    written.header_row,
                    heading,
                    f"the unit '{next(iter(said))}' for values whose heading says {in_heading}",
                    "one unit",
                    "Correct the unit in the heading, or delete this column.",
                )
            )
            continue
        written = _applied(written, column, place, of, said)
        as_read = f"unit of {column.name}"
        readings.append(
            Reading(written.file, written.header_row, heading, ", ".join(said), as_read, "unit")
        )
    return written


def _measured(table: Table, written: WrittenTable, heading: str) -> Column | None:
    """The column whose unit a column says; None for any other column."""
    words = plain(heading).split()
    if len(words) < 2 or words[-1] not in ("unit", "units"):
        return None
    found = heading_of(table, " ".join(words[:-1]))
    if found is None or found.means or found.column not in written.header:
        return None
    column = table.column(found.column)
    return column if has_unit_in_name(column) else None


def _applied(
    written: WrittenTable, column: Column, place: int, of: int, said: dict[str, str | None]
) -> WrittenTable:
    """The unit of the column where all rows say one; written into its cells where they differ."""
    units = dict(written.units)
    rows = [list(row) for row in written.cells]
    if len(set(said.values())) == 1:
        units[column.name] = str(next(iter(said.values())))
    else:
        units.pop(column.name, None)
        for row in rows:
            if row[of].lower() not in {"", *BLANK_WORDS}:
                row[of] = f"{row[of]} {said[row[place]]}"
    for row in rows:
        del row[place]
    header = [name for at, name in enumerate(written.header) if at != place]
    return replace(written, header=header, cells=rows, units=units)
