"""Pictures of the model: what the data taught it about delays, and whether it fits what was listed
and counted.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from standage.figures.axes import drawing_axes, plain, unit_title
from standage.figures.styles import current_style
from standage.findings.intervals import interval_arrays
from standage.findings.model_checks import DELAYS

LEAST_CHANCE = 0.002  # delays rarer than this are not worth paper at the long end


def plot_delay(delay: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Chance of each length of a delay before the data (dashed) and after (solid), with bands of
    their credible intervals.

    delay: rows of one unit and one delay of the delay table.

    >>> delays = standage.Findings(posterior).delays
    >>> plot_delay(delays[delays["delay"] == "grass"]).get_xlabel()
    'Years in the grass stage'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=3.2))
    years = delay["years"].to_numpy()
    after = {"color": style.posterior, "alpha": 0.3, "linewidth": 0}
    for name, ink, band, dashes, label in (
        ("prior", style.prior, style.prior_band(0.3), "--", "before the data"),
        ("posterior", style.posterior, after, "-", "given the data"),
    ):
        low, middle, high = 100 * interval_arrays(delay, name)
        ax.fill_between(years, low, high, **band)
        ax.plot(years, middle, color=ink, linestyle=dashes, linewidth=1.6, label=label)
    worth = np.flatnonzero(
        delay[["prior_median", "posterior_high"]].max(axis=1).to_numpy() >= LEAST_CHANCE
    )
    ax.set_xlim(0, years[worth[-1]] if len(worth) else years[-1])
    ax.set_ylim(0, None)
    ax.set_xlabel(DELAYS[delay["delay"].iloc[0]].capitalize())
    ax.set_ylabel("Plants (%)")
    ax.set_title(unit_title(delay), loc="left")
    ax.legend(fontsize=style.points(8), frameon=False, loc="upper right")
    return ax


def plot_diameter_check(check: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Stems listed by diameter class (dots) on what the fitted model expects (bars with intervals).

    check: rows of one unit of the diameter check.

    >>> plot_diameter_check(standage.Findings(posterior).diameter_check).get_xlabel()
    'Diameter at breast height (cm)'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=3.2))
    low, middle, high = interval_arrays(check, "predicted")
    left = check["dbh_from_cm"].to_numpy(dtype=float)
    right = check["dbh_to_cm"].to_numpy(dtype=float)
    typical = np.median((right - left)[np.isfinite(right - left)])
    right = np.where(np.isfinite(right), right, left + typical)  # the last class is open
    band: dict[str, Any] = {
        "color": style.posterior,
        "alpha": 0.3,
        "linewidth": 0,
        "label": "expected, with interval",
    }
    ax.bar(left, high - low, bottom=low, width=right - left, align="edge", **band)
    ax.hlines(middle, left, right, color=style.posterior, linewidth=1.4)
    observed = check["observed"].to_numpy(dtype=float)
    ax.plot((left + right) / 2, observed, "o", color=style.observed, markersize=3.5, label="listed")
    filled = np.flatnonzero((observed > 0) | (high >= 1))
    if len(filled):
        ax.set_xlim(left[filled[0]] - typical, right[filled[-1]] + typical)
    ax.set_ylim(0, 1.25 * max(high.max(), observed.max(), 1))  # room for the legend above the bars
    ax.set_xlabel("Diameter at breast height (cm)")
    ax.set_ylabel("Stems listed")
    ax.set_title(unit_title(check), loc="left")
    ax.legend(fontsize=style.points(8), frameon=False, loc="upper right", ncols=2)
    return ax


def plot_count_check(check: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Plants counted by stage (dots) on what the fitted model expects (interval bars).

    check: rows of one unit of the count check.

    >>> plot_count_check(standage.Findings(posterior).count_check).get_xlabel()
    'Plants counted in the subplots'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=2.6))
    rows = np.arange(len(check))
    low, middle, high = interval_arrays(check, "predicted")
    ax.barh(
        rows,
        high - low,
        left=low,
        height=0.5,
        color=style.posterior,
        alpha=0.3,
        linewidth=0,
        label="expected, with interval",
    )
    ax.vlines(middle, rows - 0.25, rows + 0.25, color=style.posterior, linewidth=1.6)
    ax.plot(
        check["observed"],
        rows,
        "o",
        color=style.observed,
        markersize=4.5,
        label="counted",
        clip_on=False,
        zorder=3,
    )
    ax.set_yticks(rows, check["stage"])
    ax.invert_yaxis()
    ax.set_xlim(0, None)
    ax.axvline(0, color=style.quiet, linewidth=0.6)
    ax.set_xlabel("Plants counted in the subplots")
    ax.set_title(unit_title(check), loc="left")
    ax.legend(fontsize=style.points(8), frameon=False, loc="best")
    return ax
