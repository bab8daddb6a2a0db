"""A table of the plots that a list of stems names, where there is none: by columns of the list, as
`Plot size (ac)`, by titles and by notes.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.headings import Heading, heading_of
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.references import OUTSIDE, alike, cells_of
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.flat_table import FLAT, PLOT_COLUMNS
from standage.survey.readings import HEADING, Reading
from standage.survey.schema import PLOTS, TREES
from standage.survey.sheets.flat_places import LACKING, LACKING_COLUMNS
from standage.survey.sheets.title_plots import said_of_plots, unit_open
from standage.survey.units import how_to_convert
from standage.survey.written import Stack, WrittenSurvey, WrittenTable, with_column

NEEDED = ("area_m2", "min_dbh_cm")
PLOT_UNITS = {name: PLOTS.column(name).unit for name in PLOT_COLUMNS.values()}
OF_FLAT = {of: name for name, of in PLOT_COLUMNS.items()}


def list_plots_of_stems(survey: WrittenSurvey) -> None:
    """The table of plots, in place, from what the list of stems and the titles say of them; where
    they say one thing needed and not the other, a problem that names it.
    """
    trees, plots = survey.tables.get(TREES.name), survey.tables.get("plots")
    if trees is not None and plots is not None and "min_dbh_cm" not in plots.header:
        _take_least_diameter(survey, trees, plots)
    if trees is None or plots is not None or "plots" in survey.unreadable:
        return
    if not {"plot", "stand"} <= set(trees.header):
        return
    own = _own_columns(trees)
    stack = trees.stack or Stack((trees,), (0,))
    titles = {part.file: said_of_plots(part, survey.titles) for part in stack.parts}
    said = {file: [each for each in of if each.column not in own] for file, of in titles.items()}
    there = set(own).union(*({str(each.column) for each in of} for of in said.values()))
    for file, of in said.items():  # some sheets say what others don't
        less = [each for each in NEEDED if each not in {*own, *(every.column for every in of)}]
        if less and not there.isdisjoint(less):
            survey.problems.append(_problem(trees, less, file))
            survey.unreadable.add("plots")
            return
    if any({*own, *(each.column for each in of)} < there for of in said.values()):
        return
    if lacking := [column for column in NEEDED if column not in there]:
        if len(lacking) < len(NEEDED):
            survey.problems.append(_problem(trees, lacking))
            survey.unreadable.add("plots")
        return
    columns = [*(str(each.column) for each in next(iter(said.values()))), *own]
    rows = _rows(
        trees, stack, {file: [each.as_read for each in of] for file, of in said.items()}, own
    )
    if not rows:
        return
    survey.readings += [each for of in said.values() for each in of]
    units = unit_open([each for of in said.values() for each in of], "area_m2")
    for column, (heading, at) in own.items():
        units |= {column: heading.unit} if heading.unit != PLOT_UNITS[column] else {}
        how = how_to_convert(heading.unit, PLOT_UNITS[column])
        read = f"{column} of the plots" + (f", in {heading.unit}: {how}" if how else "")
        survey.readings.append(
            Reading(trees.file, trees.header_row, column, trees.header[at], read, HEADING)
        )
    survey.tables["plots"] = WrittenTable(
        trees.file,
        ["plot", "stand", *columns],
        [cells for cells, _ in rows],
        [row for _, row in rows],
        trees.header_row,
        units,
        {column: trees.header[at] for column, (_, at) in own.items()},
        stack=trees.stack,
    )
    survey.files["plots"] = trees.file
    survey.tables[TREES.name] = _without(trees, {at for _, at in own.values()})


def _take_least_diameter(survey: WrittenSurvey, trees: WrittenTable, plots: WrittenTable) -> None:
    """The smallest diameter of plots that are listed without it, in place, where titles of all
    sheets of stems, or the notes, give one of all plots."""
    parts = trees.stack.parts if trees.stack else (trees,)
    names = [[name] for name in cells_of(plots, "plot")]
    all_plots = [replace(part, header=["plot"], cells=names) for part in parts]
    said = [said_of_plots(each, survey.titles) for each in all_plots]
    least = [each for of in said for each in of if each.column == "min_dbh_cm"]
    column = PLOTS.column("min_dbh_cm")
    ways = (read_quantity(each.as_read, column, "cm", "") for each in least)
    values = {None if way is None or way.two else way.value for way in ways}
    if len(least) != len(parts) or len(values) != 1 or None in values:
        return
    texts = {(each.file, str(each.row)): each.text for each in survey.titles}
    said_once = {texts.get((each.file, str(each.row)), "") for each in least}
    if len(said_once) > 1 or not _names_some(said_once.pop(), plots):
        survey.tables["plots"] = with_column(plots, "min_dbh_cm", least[0].as_read)
        survey.readings.append(least[0])


def _names_some(text: str, plots: WrittenTable) -> bool:
    """Whether a line names a plot or a stand, and there are others."""
    for column in ("plot", "stand"):
        names = {name for name in cells_of(plots, column) if name and not name.isdigit()}
        of = [name for name in names if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", alike(text))]
        if of and len(names) > 1:
            return True
    return False


def _own_columns(trees: WrittenTable) -> dict[str, tuple[Heading, int]]:
    """Columns of plots among those of the stems, each with its heading and place."""
    found: dict[str, tuple[Heading, int]] = {}
    for at, name in enumerate(trees.header):
        heading = heading_of(FLAT, name) if name and name not in trees.set_aside else None
        if heading is not None and not heading.means and heading.column in PLOT_COLUMNS:
            found.setdefault(PLOT_COLUMNS[heading.column], (heading, at))
    return found


def _rows(
    trees: WrittenTable,
    stack: Stack,
    said: dict[str, list[str]],
    own: dict[str, tuple[Heading, int]],
) -> list[tuple[list[str], int]]:
    """A row of plots for each set of things said of a plot: one, unless its rows contradict each
    other, which the names then show.
    """
    plot, stand = trees.header.index("plot"), trees.header.index("stand")
    first: dict[tuple[str, ...], tuple[list[str], int]] = {}
    for cells, row in zip(trees.cells, trees.rows, strict=True):
        name = cells[plot]
        if not name or name.lower() in {*NOT_RECORDED, *OUTSIDE}:
            continue
        mine = [cells[at] for _, at in own.values()]
        known = first.get((alike(name),))
        if known is not None and own and not any(mine):
            continue  # written once for its plot
        sizes = [*said[stack.place_of(row)[0].file], *mine]
        if known is None or (own and not any(known[0][2:])):
            first[(alike(name),)] = ([name, cells[stand], *sizes], row)
        elif known[0][2:] != sizes:
            first.setdefault((alike(name), *sizes), ([name, cells[stand], *sizes], row))
    return list(first.values())


def _without(trees: WrittenTable, places: set[int]) -> WrittenTable:
    """The list without the cells of some columns, which are those of its plots now."""
    if not places:
        return trees
    header = ["" if at in places else name for at, name in enumerate(trees.header)]
    cells = [["" if at in places else cell for at, cell in enumerate(row)] for row in trees.cells]
    return replace(trees, header=header, cells=cells)


def _problem(trees: WrittenTable, lacking: list[str], file: str = "") -> Problem:
    return Problem(
        file or trees.file,
        None if file else trees.header_row,
        "plot",
        f"plots without {' and '.join(LACKING[OF_FLAT[each]] for each in lacking)}",
        f"a table plots, or {' and '.join(LACKING_COLUMNS[OF_FLAT[each]] for each in lacking)}",
        "Add what lacks, in each row or in a line of a sheet of notes (`Plots: 0.1 ha each, stems"
        " of 10 cm dbh and up`); or delete the column plot: results are then about the sampled"
        " trees only, not stems per hectare.",
    )
