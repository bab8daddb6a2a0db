"""Picture of the years from germination to a height, and of the stems that they rest on."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from standage.evidence.known_age import (
    AT_MOST,
    EXACTLY,
    HEIGHT_OF_AGE,
    LONGER,
    RING_DIFFERENCE,
    KnownAge,
)
from standage.evidence.years_to_height import REGION, STAND
from standage.figures.axes import drawing_axes, explain_below, plain
from standage.figures.styles import current_style

# of a row of stems whose grass stage is known, below the ground, and of all of them at most
ROW_CM, LANE_CM = 5.0, 60.0
_MARKS = {
    EXACTLY: ("o", "grass stage lasted so long"),
    LONGER: (">", "still in the grass stage"),
    AT_MOST: ("<", "out of the grass stage by then"),
    HEIGHT_OF_AGE: ("s", "height at this age, to 25 cm"),
    RING_DIFFERENCE: ("^", "rings between ground and height: at least these years"),
}


def plot_years_to_height(
    table: pd.DataFrame, known: Mapping[str, KnownAge], *, ax: Axes | None = None
) -> Axes:
    """Heights over years from germination: the mean of the region's middle stand with its interval
    (dark), the middle of single plants (light), each stand's mean, and the stems.

    table: as `years_to_height` gives it. known: by stand.
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=4.2))
    region = table[table["about"] == REGION]
    height = region["height_cm"].to_numpy(float)
    ax.fill_betweenx(
        height,
        region["plants_years_low"].to_numpy(float),
        region["plants_years_high"].to_numpy(float),
        color=style.posterior,
        alpha=0.15,
        linewidth=0,
        label="single plants",
    )
    ax.fill_betweenx(
        height,
        region["mean_years_low"],
        region["mean_years_high"],
        color=style.posterior,
        alpha=0.4,
        linewidth=0,
        label="interval of the middle stand's mean",
    )
    ax.plot(region["mean_years"], height, color=style.posterior, label="mean of the middle stand")
    stands = table[table["about"] == STAND]
    for number, (_, own) in enumerate(stands.groupby("stand", sort=False)):
        label = "means of the stands" if number == 0 else None
        ax.plot(own["mean_years"], own["height_cm"], color=style.quiet, linewidth=0.9, label=label)
    lane = _stems(ax, known)
    ax.axhline(0, color=style.quiet, linewidth=0.8)
    ax.set_xlim(0, None)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.set_ylim(-lane, 1.05 * height[-1])
    ax.set_yticks(np.arange(0, height[-1] + 1, 20))
    ax.set_xlabel("Years from germination to the first ring at this height")
    ax.set_ylabel("Height (cm)")
    explain_below(ax, [], handles=ax.get_legend_handles_labels()[0])
    return ax


def _stems(ax: Axes, known: Mapping[str, KnownAge]) -> float:
    """Marks of the stems. Returns how far below the ground those of a known grass stage reach.
    [cm]
    """
    kinds = np.concatenate([rows.kind for rows in known.values()])
    seasons = np.concatenate([rows.seasons for rows in known.values()])
    heights = np.concatenate([rows.height_cm for rows in known.values()])
    of_grass = np.isin(kinds, (EXACTLY, LONGER, AT_MOST))
    row = _row_of(seasons[of_grass])
    rows = row.max(initial=0) + 1
    apart = min(ROW_CM, LANE_CM / rows)
    heights[of_grass] = -apart * row
    for kind, (mark, label) in _MARKS.items():
        own = kinds == kind
        if own.any():
            ax.plot(
                seasons[own],
                heights[own],
                mark,
                color=current_style().observed,
                markersize=3.5,
                markerfacecolor=None if kind == EXACTLY else "none",
                linestyle="none",
                label=label,
            )
    return float(apart * rows) if of_grass.any() else 0.0


def _row_of(values: np.ndarray) -> np.ndarray:
    """The row of each, from 1 on: equal values stand below each other. (stem,)"""
    row = np.zeros(len(values))
    for value in np.unique(values):
        own = np.flatnonzero(values == value)
        row[own] = np.arange(1, len(own) + 1)
    return row
