"""Stems without a plot below stems with one, in a sheet of several hands: some write the plot into
every row, others into the first of its group.
"""

from __future__ import annotations

from dataclasses import replace

from standage.errors import Problem
from standage.grammar import counted
from standage.survey.cells.references import alike
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.flat_table import EVIDENCE, FLAT
from standage.survey.schema import TREES
from standage.survey.sheets.group_fill import FEWEST_BLANK, written_once_for_groups
from standage.survey.written import WrittenSurvey, WrittenTable


def settle_blank_plots(survey: WrittenSurvey) -> None:
    """Ask about blank cells of stems below a plot: they mean none, or that of the group above. In
    doubt is a stem without a core, which nothing would date or count, and any below a plot that is
    written once.
    """
    for name in (FLAT.name, TREES.name):
        written = survey.tables.get(name)
        if written is None or not {"plot", "tree"} <= set(written.header):
            continue
        at = written.header.index("plot")
        plots = [row[at] for row in written.cells]
        if all(plots) or not any(plots) or written_once_for_groups(plots):
            continue
        if written_out := _without_stand(written):
            survey.tables[name], problem = written_out
            survey.problems.append(problem)
            continue
        cored = _cored(written, survey)
        asked: list[int] = []
        for start, end in _blank_runs(written, plots):
            in_doubt = plots.count(plots[start - 1]) == 1
            asked += [place for place in range(start, end) if in_doubt or place not in cored]
        if asked:
            survey.doubts.append(_asked(written, plots, asked))


def _blank_runs(written: WrittenTable, plots: list[str]) -> list[tuple[int, int]]:
    """Runs of rows of stems without a plot, directly below one with a plot, in the same sheet and
    stand: (first, one past the last).
    """
    tree = written.header.index("tree")
    stand = written.header.index("stand") if "stand" in written.header else None
    runs = []
    for start in range(1, len(plots)):
        if plots[start] or not plots[start - 1] or written.begins_sheet(start):
            continue
        end = start
        while end < len(plots) and not plots[end] and not written.begins_sheet(end):
            other = stand is not None and written.cells[end][stand]
            if not written.cells[end][tree] or (
                other and alike(other) != alike(written.cells[start - 1][stand])  # type: ignore[index]
            ):
                break
            end += 1
        if end > start:
            runs.append((start, end))
    return runs


def _without_stand(written: WrittenTable) -> tuple[WrittenTable, Problem] | None:
    """The question about stems that lack stand and plot below one that has both, and the table with
    both filled in, so that further complaints are about other cells; None without such stems.
    """
    if "stand" not in written.header:
        return None
    places = [written.header.index(name) for name in ("stand", "plot")]
    rows = [list(row) for row in written.cells]
    lacking = []
    for place, row in enumerate(rows):
        if row[places[0]] or place == 0 or written.begins_sheet(place):
            continue
        above = rows[place - 1]
        lacking += [] if row[places[1]] else [place]
        for at in places:
            row[at] = row[at] or above[at]
    if len(lacking) < FEWEST_BLANK:
        return None
    stand, plot = (rows[lacking[0]][at] for at in places)
    found = (
        f"{counted(len(lacking), 'stem')} without stand and plot below stems that have them, the"
        f" first below plot '{plot}' of '{stand}'"
    )
    problem = Problem(
        written.file,
        written.rows[lacking[0]],
        "plot",
        found,
        "stand and plot in every row",
        "Write both into every row, and `outside` as the plot of stems in none: other rows repeat"
        " them, so blanks may mean either.",
    )
    return replace(written, cells=rows), problem


def _cored(written: WrittenTable, survey: WrittenSurvey) -> set[int]:
    """Places of the rows whose stem was cored."""
    tree = written.header.index("tree")
    evidence = [written.header.index(name) for name in EVIDENCE if name in written.header]
    cores = survey.tables.get("cores")
    named = set()
    if cores is not None and "tree" in cores.header:
        named = {alike(row[cores.header.index("tree")]) for row in cores.cells}
    blank = {"", *NOT_RECORDED}
    return {
        place
        for place, row in enumerate(written.cells)
        if alike(row[tree]) in named or any(row[each].lower() not in blank for each in evidence)
    }


def _asked(written: WrittenTable, plots: list[str], asked: list[int]) -> Problem:
    first = asked[0]
    above = next(plot for plot in reversed(plots[:first]) if plot)
    found = f"{counted(len(asked), 'stem')} without a plot below stems of a plot"
    return Problem(
        written.file,
        written.rows[first],
        "plot",
        f"{found}, the first below plot '{above}'",
        "the plot in every row of its stems, or `outside`",
        "Write the plot, or `outside` for stems in none: these are not counted to the hectare.",
    )
