"""Plots named in rows of their own above their stems (`PLOT 2  15 Mar 2023`), and headings written
anew in other words.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections.abc import Sequence

from standage.errors import Problem
from standage.survey.cells.headings import Header, heading_of
from standage.survey.flat_table import FLAT, table_of
from standage.survey.sheets.numbers_of_rows import ROWS_ABOVE
from standage.survey.written import Title, WrittenSurvey

WITH_BANNERS = (FLAT.name, "trees", "cores", "counts")
_PLOT = re.compile(
    r"(?i:plot)\b\s*(?i:no\.?|number|#|:)?\s*(?:"
    r"([A-Za-z]{0,2}\d+[A-Za-z]?)(?=$|[\s,;:(])"
    r"(?!\s*(?:-|\u2013|&|,|/|and\b|to\b)\s*\d)(?!\s*(?i:x|×|m|ft|feet|cm|ha|ac|acres?)\b)"
    r"|([A-Z])(?=$|[,;:(]))"
)
_NO_STEMS = re.compile(r"\b(no (trees?|stems?)|none|empty|nothing|nil)\b", re.IGNORECASE)
_NAMED = re.compile(r"plot[\s_-]*\w*\d", re.IGNORECASE)
"""A sheet or file called after a plot."""
OF_STEMS = (FLAT.name, "trees")
OF_A_STEM = ("tree", "dbh_cm", "ring_count", "first_ring_year")
"""Columns in which the row of a stem has a figure."""
FEWEST_HEADINGS = 3
"""Cells of a row that have to be headings of their own columns (assumption)."""


def plot_of_banner(text: str) -> str | None:
    """The one plot that a line begins with; None where it is none, or several."""
    found = _PLOT.match(text.strip())
    return (found[1] or found[2]) if found else None


def plot_of_row(name: str, file: str, names: Sequence[str], cells: Sequence[str]) -> str | None:
    """The plot that a row of a list names in its first filled cell, and nothing but words of it
    beside that; the cell may begin with words of the sheet's name (`RIDGE PLOT 1` in `Ridge`).
    """
    if name not in WITH_BANNERS:
        return None
    place, first = next((place, cell) for place, cell in enumerate(cells) if cell)
    if place < len(names) and names[place] == "plot":
        return None
    if "plot" in names and ROWS_ABOVE.match(first):  # below its stems
        return None
    if any(cells[place + 1 :]):
        sized = [cell for column, cell in zip(names, cells, strict=False) if column in OF_A_STEM]
        whole = re.search(r"plot\W*\w+$", first, re.IGNORECASE)
        if name not in OF_STEMS or not whole or any(cell[:1].isdigit() for cell in sized):
            return None
    return plot_of_banner(_without_words_of(file, first))


def _without_words_of(file: str, text: str) -> str:
    """A line without the words of the sheet's name at its beginning."""
    own = set(re.findall(r"\w+", (file.partition(", sheet ")[2] or file).casefold())) - {"plot"}
    words = text.split()
    while words and words[0].casefold() in own:
        del words[0]
    return " ".join(words)


def plot_by_title(name: str, file: str, names: Sequence[str], titles: Sequence[Title]) -> str:
    """The plot that a title above the headings names, where no column does and the sheet isn't
    called after one.
    """
    own = file.partition(", sheet ")[2] or file
    if name not in WITH_BANNERS or name == "cores" or "plot" in names or _NAMED.search(own):
        return ""
    lines = [_without_words_of(file, title.text) for title in titles]
    found = {plot for line in lines if (plot := plot_of_banner(line))}
    return found.pop() if len(found) == 1 else ""


def write_plots(header: Header, cells: list[list[str]], plots: Sequence[str]) -> None:
    """The plots of rows, by the lines above them, into a column of plots, in place."""
    if "plot" not in header.names:
        header.names.append("plot")
        cells[:] = [[*row, plot] for row, plot in zip(cells, plots, strict=True)]
        return
    at = header.names.index("plot")
    for row, plot in zip(cells, plots, strict=True):
        row[at] = row[at] or plot


def take_bare_banners(
    survey: WrittenSurvey,
    file: str,
    name: str,
    header: Header,
    banners: Sequence[tuple[int, str, str]],
    cells: list[list[str]],
    rows: list[int],
    plots: list[str],
) -> None:
    """Plots named in rows of their own with nothing below: found empty where the row says so, in
    place; else a question. banners: row, plot and text of each.
    """
    for place, (row, plot, text) in enumerate(banners):
        end = banners[place + 1][0] if place + 1 < len(banners) else math.inf
        if name == "cores" or any(row < each < end for each in rows):
            continue
        if _NO_STEMS.search(text) and "tree" in header.names:
            at = bisect_left(rows, row)
            cells.insert(at, ["none" if each == "tree" else "" for each in header.names])
            rows.insert(at, row)
            plots.insert(at, plot)
            continue
        survey.problems.append(
            Problem(
                file,
                row,
                None,
                f"'{text[:60]}', and no row below it",
                "the rows of each plot, or 'Plot 4 - no trees' for one found empty",
                "If nothing stood in it, write so behind its name: its area then counts. If it was"
                " not searched, delete the row.",
            )
        )


def are_headings_anew(name: str, header: Header, cells: Sequence[str]) -> bool:
    """Whether a row has the headings of the table once more, each over its own column and in its
    unit, whatever their words.
    """
    if any(cell[:1].isdigit() for cell in cells):  # of a stem or core, as nearly all rows
        return False
    table = table_of(name)
    columns = {column.name: column for column in table.columns}
    right = 0
    for own, cell in zip(header.names, cells, strict=False):
        heading = heading_of(table, cell) if cell else None
        if heading is None or heading.means:
            continue
        if own != heading.column:
            return False
        unit = columns[own].unit
        right += header.units.get(own, unit) == (heading.unit or unit)
    return right >= FEWEST_HEADINGS and 2 * right >= sum(map(bool, cells))
