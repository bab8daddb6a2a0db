"""Picture of the year of one tree."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from standage.figures.axes import drawing_axes, plain
from standage.figures.styles import current_style
from standage.findings.intervals import Interval

EDGE = 0.2  # of the width, within which a mark has its words on the inner side


def plot_tree_year(
    years: np.ndarray,
    interval: Interval,
    *,
    innermost_ring: float = float("nan"),
    label: str = "Year of establishment",
    ax: Axes | None = None,
) -> Axes:
    """How probable each year of a tree is, its interval shaded, its median and the innermost ring
    seen marked.

    years : drawn years. (draw,) innermost_ring : year of the innermost ring seen, NaN without one.
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=2.4))
    year, count = np.unique(years, return_counts=True)
    ax.axvspan(interval.low, interval.high + 1, color=style.pulse, zorder=0, linewidth=0)
    ax.bar(
        year, 100 * count / count.sum(), width=1.0, align="edge", color=style.posterior, linewidth=0
    )
    marks = [(interval.median + 0.5, f"{interval.median:.0f}", "-")]
    if np.isfinite(innermost_ring):
        marks.append((innermost_ring + 0.5, f"innermost ring seen: {innermost_ring:.0f}", "--"))
    for middle, _, dashes in marks:
        width = 1.2 if dashes == "-" else 1.0
        ax.axvline(middle, color=style.observed, linewidth=width, linestyle=dashes)
    first, last = ax.get_xlim()
    for level, (middle, words, _) in enumerate(marks):
        across = (middle - first) / (last - first)
        ax.annotate(
            words,
            (middle, 1.02 + 0.09 * level),
            xycoords=("data", "axes fraction"),
            ha="left" if across < EDGE else "right" if across > 1 - EDGE else "center",
            va="bottom",
            fontsize=8,
        )
    ax.set_ylabel("Probability (%)")
    ax.set_xlabel(label)
    return ax
