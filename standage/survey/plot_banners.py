"""Plots named in rows of their own above their stems (`PLOT 2  15 Mar 2023`), and headings written
anew in other words.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from standage.survey.flat_table import FLAT, table_of
from standage.survey.headings import Header, heading_of
from standage.survey.written import Title

WITH_BANNERS = (FLAT.name, "trees", "cores", "counts")
_PLOT = re.compile(
    r"plot\s*(?:no\.?|number|#|:)?\s*([a-z]{0,2}\d+[a-z]?|[a-z])(?=$|[\s,;:(])"
    r"(?!\s*(?:-|\u2013|&|,|/|and\b|to\b)\s*\d)",
    re.IGNORECASE,
)
FEWEST_HEADINGS = 3
"""Cells of a row that have to be headings of their own columns (assumption)."""


def plot_of_banner(text: str) -> str | None:
    """The one plot that a line begins with.

    >>> plot_of_banner("PLOT 2   15 Mar 2023"), plot_of_banner("Plot 1, r = 12.6 m")
    ('2', '1')
    >>> plot_of_banner("Plots 3 and 4"), plot_of_banner("Plot 1-4"), plot_of_banner("Plotted")
    (None, None, None)
    """
    found = _PLOT.match(text.strip())
    return found[1] if found else None


def plot_by_title(name: str, file: str, names: Sequence[str], titles: Sequence[Title]) -> str:
    """The plot that a title above the headings names, where no column does and the sheet isn't
    called after one.
    """
    if name not in WITH_BANNERS or name == "cores" or "plot" in names or "plot" in file.lower():
        return ""
    found = {plot for title in titles if (plot := plot_of_banner(title.text))}
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
