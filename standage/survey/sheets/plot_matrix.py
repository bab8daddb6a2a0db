"""Counts with stages in rows and plots in columns, as some tallies are kept: a row for each plot
and stage instead.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.headings import heading_of
from standage.survey.cells.references import alike, cells_of
from standage.survey.cells.table_cells import BLANK_WORDS, NOT_COUNTED
from standage.survey.readings import Reading
from standage.survey.schema import COUNTS
from standage.survey.sheets.wide_counts import MARKS, NO_STAGES
from standage.survey.synonyms import plain
from standage.survey.written import WrittenSurvey, WrittenTable

SUMS = {"total", "totals", "tot", "sum", "sums", "all", "all plots", "total count"}
MEANS = {"mean", "means", "average", "avg", "mean per plot", "average per plot"}
"""Headings of what was reckoned from the plots (common practice, no source)."""
_PLOT = re.compile(r"plot\s*(?:no\.?|#)?\s*(\w+)", re.IGNORECASE)


def with_a_row_for_each_plot(survey: WrittenSurvey) -> None:
    """Turn the table of counts, in place, where a heading names a plot of the survey. Other columns
    of whole numbers are plots too, of which no other table says anything; sums are left out.
    """
    written = survey.tables.get(COUNTS.name)
    if written is None or {"plot", "count"} & set(written.header) or not written.cells:
        return
    if "stage" not in written.header:
        return
    plots = {
        alike(plot)
        for table in survey.tables.values()
        if "plot" in table.header
        for plot in cells_of(table, "plot")
        if plot
    }
    own = {place: heading for place, heading in enumerate(written.header) if heading}
    of_plots = {place: name for place, each in own.items() if (name := _plot(each, plots))}
    if not of_plots:
        return
    reckoned = {place: heading for place, heading in own.items() if plain(heading) in SUMS | MEANS}
    of_plots |= {
        place: (found[1] if (found := _PLOT.fullmatch(heading)) else heading)
        for place, heading in own.items()
        if place not in of_plots | reckoned and _is_counted(written, place, heading)
    }
    left = [place for place in own if place not in of_plots | reckoned]
    cells, rows = [], []
    for record, row in zip(written.cells, written.rows, strict=True):
        for place, plot in of_plots.items():
            cells.append([*(record[each] for each in left), plot, record[place]])
            rows.append(row)
        survey.problems += [
            _no_sum(written, row, heading, record[place])
            for place, heading in reckoned.items()
            if plain(heading) in SUMS and not _adds_up(record[place], record, list(of_plots))
        ]
    at = (written.file, written.header_row)
    survey.readings += [
        Reading(*at, "plot", own[place], "a plot", "column of a plot") for place in of_plots
    ]
    survey.readings += [
        Reading(*at, None, heading, "no data", "a column of sums") for heading in reckoned.values()
    ]
    header = [*(written.header[place] for place in left), "plot", "count"]
    survey.tables[COUNTS.name] = replace(written, header=header, cells=cells, rows=rows)


def _plot(heading: str, plots: set[str]) -> str:
    """The plot of the survey that a heading names, "" for none."""
    if alike(heading) in plots:
        return heading
    found = _PLOT.fullmatch(heading)
    return alike(found[1]) if found and alike(found[1]) in plots else ""


def _is_counted(written: WrittenTable, place: int, heading: str) -> bool:
    """Whether a column that is none of the survey's holds counts, or blanks for them."""
    blank = {*BLANK_WORDS, *NOT_COUNTED, *MARKS, ""}
    filled = [cell for row in written.cells if (cell := row[place]).lower() not in blank]
    known = any(heading == column.name for column in COUNTS.columns)
    if known or heading in written.set_aside or heading_of(COUNTS, heading) is not None:
        return False
    if not filled or set(plain(heading).split()) & NO_STAGES:
        return False
    return all(cell.isdecimal() for cell in filled)


def _adds_up(cell: str, record: list[str], places: list[int]) -> bool:
    if not cell:
        return True
    numbers = [int(record[place]) for place in places if record[place].isdecimal()]
    return cell.isdecimal() and int(cell) == sum(numbers)


def _no_sum(written: WrittenTable, row: int, heading: str, cell: str) -> Problem:
    found = f"'{cell}' below '{heading}', and counts of plots that add up to another number"
    advice = "Correct the count that is wrong; or delete the column, which isn't needed."
    return Problem(written.file, row, heading, found, "the sum of its row", advice)
