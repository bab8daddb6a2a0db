"""Which table a sheet holds by the headings in its first rows."""

from __future__ import annotations

from collections.abc import Sequence

from standage.survey.cells.areas import HEADINGS as CIRCLES
from standage.survey.cells.event_kinds import kinds_named
from standage.survey.cells.headings import columns_named, heading_of, without_unit
from standage.survey.files.form_rows import header_place
from standage.survey.flat_table import FLAT, OF_CORES, tables_needed
from standage.survey.schema import CORES, COUNTS, EVENTS, PLOTS, TREES, Table
from standage.survey.sheets.unread_lists import RINGS
from standage.survey.sheets.wide_counts import stage_in
from standage.survey.synonyms import code_meaning

OF_STEMS = {"tree", "species", "dbh_cm"}
"""Columns by which a sheet is a list of stems, whatever its name."""
DERIVED = {"last_year"}
"""Required columns that other columns can stand for."""

Rows = Sequence[Sequence[str]]


def columns_of(rows: Rows, table: Table) -> set[str]:
    """The columns of a table that the first rows of a sheet name in their header."""
    start = header_place(rows, table)
    return set() if start is None else columns_named(table, rows[start])


def table_by_headings(rows: Rows, among: Sequence[Table]) -> str | None:
    """The table whose required columns all have a heading in the first rows of a sheet; of several
    the one with most columns, None where two have as many.
    """
    fitting: dict[str, int] = {}
    for table in among:
        named = columns_of(rows, table)
        needed = {column.name for column in table.columns if column.required == "yes"} - DERIVED
        needed -= {"stand"} if table is TREES and "dbh_cm" in named else set()
        if table is PLOTS and _circles(rows, table):
            named |= {"area_m2"}
        if table is COUNTS and not needed <= named:
            named |= needed if {"plot"} <= named and _stages(rows, table) else set()
        if table is EVENTS and _lists_kinds(rows, named):
            needed -= {"event"}
        if table is CORES and RINGS & named and not OF_STEMS & (named - {"tree"}):
            # what else a core needs is asked for then
            needed = {"core"} if "core" in named and OF_CORES & named else {"tree"}
        if tables_needed(named) if table is FLAT else needed <= named:
            fitting[table.name] = len(named)
    most = max(fitting.values(), default=0)
    best = [name for name, count in fitting.items() if count == most]
    return best[0] if len(best) == 1 else None


def _lists_kinds(rows: Rows, named: set[str]) -> bool:
    """Whether most cells of a column of kinds, as `Treatment`, name a kind of event."""
    start = header_place(rows, EVENTS)
    if start is None or not {"kind", "first_year"} <= named:
        return False
    found = [heading_of(EVENTS, cell.strip()) for cell in rows[start]]
    at = next(place for place, of in enumerate(found) if of and of.column == "kind")
    cells = [row[at] for row in rows[start + 1 :] if at < len(row) and row[at].strip()]
    kind = EVENTS.column("kind")
    kinds = [code_meaning(EVENTS.name, kind, cell) or kinds_named(cell) for cell in cells]
    return bool(cells) and 2 * sum(map(bool, kinds)) > len(cells)


def _circles(rows: Rows, table: Table) -> bool:
    """Whether the header has a column for the radius of plots."""
    start = header_place(rows, table)
    return start is not None and any(without_unit(cell)[0] in CIRCLES for cell in rows[start])


def _stages(rows: Rows, table: Table) -> bool:
    """Whether the header has a column for each of several stages, or one that says it is one."""
    start = header_place(rows, table)
    found = {cell: stage_in(cell.strip()) for cell in rows[start]} if start is not None else {}
    stages = {each for each in found.values() if isinstance(each, str)}
    return len(stages) > 1 or any("stage" in cell.lower() and found[cell] for cell in found)
