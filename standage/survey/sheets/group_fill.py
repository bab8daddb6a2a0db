"""Values written once for a group of rows, and ditto marks: filled down where the shape of the
table makes that plain, asked about where it may mean something else.
"""

from __future__ import annotations

from dataclasses import replace

from standage.errors import Problem
from standage.survey.readings import Reading
from standage.survey.schema import Column, Table
from standage.survey.sheets.rows_without_stem import is_word_for_sums
from standage.survey.written import WrittenTable

WORDS = {"do", "do.", "as above"}
"""Ditto marks that are a word of a remark, or a crown class, as well."""
DITTO = {'"', "''", "\u201d", "\u2033", "\u3003", ",,", "ditto", "do", "do.", "idem", "as above"}
"""Marks and words for 'the same as above' (common practice, no source)."""

FEWEST_BLANK = 2
"""Blank cells below written ones from which a column is one of groups: a single one may be a slip
(assumption).
"""
FEWEST_UNCLEAR = 6
"""Rows from which a plot that is written in the first row only is asked about (assumption)."""


def filled_down(
    table: Table, written: WrittenTable, problems: list[Problem], readings: list[Reading]
) -> WrittenTable:
    """The table with ditto marks and values of groups written in every row they hold for."""
    columns = {column.name: column for column in table.columns}
    filled = {
        name: list(cells)
        for name, cells in zip(written.header, zip(*written.cells, strict=True), strict=True)
        if name in columns and ("" in cells or DITTO & set(cells))
    }
    before = {name: list(cells) for name, cells in filled.items()}
    for name, cells in filled.items():
        if columns[name].kind != "identifier" and DITTO & set(cells):
            _ditto(written, name, cells, readings)
    starts: list[int] = []
    for name, cells in filled.items():
        column = columns[name]
        if (column.kind == "reference" or name == "species") and column.required == "yes":
            found = _starts(cells)
            if found:
                starts = starts or found
                _fill(written, name, cells, readings)
    for name, cells in filled.items():
        column = columns[name]
        beginnings = [place for place, cell in enumerate(cells) if cell]
        along = bool(starts) and beginnings == starts
        if along and column.required == "yes" and column.kind != "identifier":
            _fill(written, name, cells, readings)
        elif name == "plot" and not column.required and _starts(cells):
            if (starts and set(starts) <= set(beginnings)) or _several_groups(beginnings, cells):
                _fill(written, name, cells, readings)
            elif len(cells) >= FEWEST_UNCLEAR:
                problems.append(_unclear(written, column, cells))
    if filled == before:
        return written
    places = {name: place for place, name in enumerate(written.header)}
    rows = [list(row) for row in written.cells]
    for name, cells in filled.items():
        if cells != before[name]:
            for row, cell in zip(rows, cells, strict=True):
                row[places[name]] = cell
    return replace(written, cells=rows)


def _ditto(written: WrittenTable, name: str, cells: list[str], readings: list[Reading]) -> None:
    """Ditto marks as the cell above; one with nothing above it in its sheet stays."""
    for place in range(1, len(cells)):
        if written.begins_sheet(place):
            continue
        above = cells[place - 1]
        if name in ("note", "core_note", "crown_class") and cells[place].lower() in WORDS:
            continue
        if cells[place].lower() in DITTO and above and above.lower() not in DITTO:
            readings.append(
                Reading(
                    written.file,
                    written.rows[place],
                    name,
                    cells[place],
                    above,
                    "as the cell above",
                )
            )
            cells[place] = above


def with_plots_of_species(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """The table of counts with plot, stand and area in rows that have none of them below one that
    has, where the rows of each such group differ in species or stage.
    """
    names = [name for name in ("stand", "plot", "area_m2") if name in written.header]
    of = [written.header.index(name) for name in ("species", "stage") if name in written.header]
    if "plot" not in names or not of or written.header[of[0]] != "species":
        return written
    plot = written.header.index("plot")
    groups: list[list[int]] = []
    for place, row in enumerate(written.cells):
        if row[plot] or written.begins_sheet(place):
            groups.append([])
        elif is_word_for_sums(next((cell for cell in row if cell), "")):
            continue
        elif not row[of[0]] or not groups:
            return written
        groups[-1].append(place)
    kinds = [[tuple(written.cells[place][at] for at in of) for place in each] for each in groups]
    if all(len(each) < 2 for each in groups) or any(len(set(k)) < len(k) for k in kinds):
        return written
    cells = [list(row) for row in written.cells]
    if "area_m2" in names:  # areas that differ within a plot hold for their own rows
        area = written.header.index("area_m2")
        if any(cells[place][area] for group in groups for place in group[1:]):
            names.remove("area_m2")
    for group in groups:
        for name, place in ((name, place) for name in names for place in group[1:]):
            at = written.header.index(name)
            above = cells[group[0]][at]
            if above and not cells[place][at]:
                why = "written once for the species of a plot"
                readings.append(Reading(written.file, written.rows[place], name, "", above, why))
                cells[place][at] = above
    return replace(written, cells=cells)


def with_plots_of_groups(written: WrittenTable, readings: list[Reading]) -> WrittenTable:
    """One of several sheets with each plot, where it is written once for its rows, in every row:
    the other sheets may write it otherwise.
    """
    if "plot" not in written.header:
        return written
    at = written.header.index("plot")
    plots = [row[at] for row in written.cells]
    starts = _starts(plots)
    if not starts or not _several_groups(starts, plots):
        return written
    _fill(written, "plot", plots, readings)
    rows = zip(written.cells, plots, strict=True)
    return replace(written, cells=[[*row[:at], plot, *row[at + 1 :]] for row, plot in rows])


def written_once_for_groups(cells: list[str]) -> bool:
    """Whether each value of a column is written once, and most rows are blank below one."""
    return bool(_starts(cells))


def _starts(cells: list[str]) -> list[int]:
    """Places of the written cells of a column in which every value is written once and most rows
    are blank below one; none where it isn't of that shape.
    """
    written = [place for place, cell in enumerate(cells) if cell]
    blanks = len(cells) - len(written)
    once = len({cells[place].casefold() for place in written}) == len(written)
    shaped = written[:1] == [0] and blanks >= max(FEWEST_BLANK, len(written)) and once
    return written if shaped else []


def _several_groups(beginnings: list[int], cells: list[str]) -> bool:
    """Whether two groups and most of the groups have more than one row."""
    ends = [*beginnings[1:], len(cells)]
    longer = sum(end - start > 1 for start, end in zip(beginnings, ends, strict=True))
    return longer >= 2 and 2 * longer > len(beginnings)


def _fill(written: WrittenTable, name: str, cells: list[str], readings: list[Reading]) -> None:
    """Blank cells as the last written one above them in their sheet."""
    above = ""
    for place, cell in enumerate(cells):
        above = "" if written.begins_sheet(place) else above
        if cell:
            above = cell
        elif above:
            cells[place] = above
            readings.append(
                Reading(
                    written.file, written.rows[place], name, "", above, "written once for its group"
                )
            )


def _unclear(written: WrittenTable, column: Column, cells: list[str]) -> Problem:
    return Problem(
        written.file,
        written.rows[0],
        column.name,
        f"'{cells[0]}' in the first row and {len(cells) - 1} blank cells below it, which may mean"
        " the same plot or no plot",
        "the plot in every row; `outside` for stems in none",
        "Write the plot into every row of its stems, or `outside` where a stem was in none.",
    )
