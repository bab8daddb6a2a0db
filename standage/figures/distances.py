"""How far apart the age structures of pairs of stands lie."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standage.figures.axes import drawing_axes, new_figure, plain
from standage.figures.styles import current_style
from standage.findings.intervals import interval_arrays
from standage.findings.most_different import distances, extremes

LINE_HEIGHT = 0.24  # of a pair of stands [inches]
MANY_PAIRS = 7  # from which their distances have a picture of their own


def distances_figure(comparison: pd.DataFrame) -> Figure | None:
    """The most different and the most alike of many pairs of stands; None for few pairs."""
    style = current_style()
    pairs = distances(comparison[comparison["kind"] == "stand"])
    if len(pairs) < MANY_PAIRS:
        return None
    shown = extremes(pairs)
    height = LINE_HEIGHT * len(shown) + 1.5
    figure = new_figure(style.width, style.height_scale * height)
    ax = plot_distances(shown, ax=figure.subplots())
    ax.set_xlabel(f"{ax.get_xlabel()}; grey: of stands alike")
    title = "The stands most different, and most alike"
    figure.suptitle(title, x=0.01, ha="left", fontweight="bold")
    return figure


def plot_distances(pairs: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """How far apart the age structures of pairs lie, with intervals, and what stands alike would
    show.

    pairs: rows of `age_structure_distance` of the comparison table, drawn from the top down.

    >>> pair = {"first": "north", "second": "south", "told_apart": "yes", "chance_high": 6.0}
    >>> points = {"difference_low": 4.0, "difference_median": 9.0, "difference_high": 15.0}
    >>> plot_distances(pd.DataFrame([pair | points])).get_xlabel()
    'Distance of age structures (years)'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=LINE_HEIGHT * len(pairs) + 0.9))
    rows = np.arange(len(pairs))
    low, middle, high = interval_arrays(pairs, "difference")
    ax.barh(rows, pairs["chance_high"], height=0.7, color=style.quiet, alpha=0.25, zorder=0)
    ax.hlines(rows, low, high, color=style.posterior, linewidth=1.4)
    apart = (pairs["told_apart"] == "yes").to_numpy()
    for those, fill in ((~apart, "white"), (apart, style.posterior)):
        ax.plot(
            middle[those],
            rows[those],
            "o",
            color=style.posterior,
            markerfacecolor=fill,
            markersize=4.5,
        )
    names = [f"{row.first}, {row.second}" for row in pairs.itertuples()]
    ax.set_yticks(rows, names, fontsize=style.points(8))
    ax.set_ylim(len(pairs) - 0.4, -0.6)
    ax.set_xlim(0, None)
    ax.set_xlabel("Distance of age structures (years)")
    return ax
