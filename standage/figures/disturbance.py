"""Pictures of growth releases: the rings of each tree with what is likely to have begun in them,
and the stand through time.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from standage.figures.axes import drawing_axes, explain_below, plain
from standage.figures.event_lane import draw_events
from standage.figures.styles import current_style
from standage.findings.intervals import interval_arrays
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words

ROW = 0.26  # of the rings of one tree [inches]
MOST_TREES = 40  # more rows than this can't be read; the longest series are shown
# probability from which a year gets a mark: smaller ones would be a line along every row
SHOWN_CHANCE = 0.05
# trees at risk from which shares of a year are drawn; of fewer, any share is one or two trees
# (assumption)
FEWEST_AT_RISK = 5


def ring_panel_height(trees: int) -> float:
    """Height of the panel of the rings of so many trees. [inches]"""
    return 1.4 + ROW * min(max(trees, 3), MOST_TREES)


def plot_ring_panel(
    rings: pd.DataFrame, *, events: pd.DataFrame | None = None, ax: Axes | None = None
) -> Axes:
    """Ring widths of the trees of a stand, a row each, and below each row how likely a release or a
    suppression began in each year.

    rings : rows of one stand of `ring_years`. Widths are drawn on a ratio scale that fills the row,
        absent rings as dots at its foot.
    Bars up from the line of a row are the probability of a release, bars down, hatched, of a
    suppression; a row is 1 high.

    >>> ring_years = standage.Findings(with_rings).ring_years
    >>> stand = ring_years["stand"] == ring_years["stand"].iloc[0]
    >>> plot_ring_panel(ring_years[stand]).get_xlabel()
    'Year of the ring'
    """
    style = current_style()
    lengths = rings.groupby("tree", sort=False)["year"].agg(["size", "min"])
    shown = (
        lengths.sort_values("size", ascending=False, kind="stable")
        .head(MOST_TREES)
        .sort_values("min", kind="stable")
        .index
    )
    ax = plain(drawing_axes(ax, height=ring_panel_height(len(shown))))
    by_tree = dict(tuple(rings.groupby("tree", sort=False)))
    for row, tree in enumerate(shown):
        _draw_tree(ax, by_tree[tree], len(shown) - 1 - row)
    ax.set_yticks(np.arange(len(shown)), list(shown)[::-1], fontsize=style.points(6))
    ax.set_ylim(-0.6, len(shown))
    ax.set_xlim(rings["year"].min() - 2, _last_event(events, rings["year"].max()) + 2)
    ax.set_xlabel("Year of the ring")
    left_out = len(lengths) - len(shown)
    ax.set_ylabel(
        "Trees, the earliest ring first"
        + (f"\n({left_out} shorter series not shown)" if left_out else "")
    )
    ax.set_title(str(rings["stand"].iloc[0]), loc="left")
    criterion = str(rings["criterion"].iloc[0])
    measure = "probability" if criterion == MODEL else criterion_words(criterion)
    handles = [
        Line2D([], [], color=style.observed, linewidth=0.8, label="ring width, ratio scale"),
        Patch(color=style.posterior, label=f"a release began: {measure}, upwards"),
        Patch(
            facecolor="none",
            edgecolor=style.prior,
            hatch="//////",
            label="a suppression began: downwards",
        ),
    ]
    explain_below(ax, [], handles=handles, lane=draw_events(ax, events))
    return ax


def _draw_tree(ax: Axes, rings: pd.DataFrame, foot: float) -> None:
    """One tree's row of the panel: widths on a ratio scale, and the changes of its growth."""
    style = current_style()
    year, width = (rings[name].to_numpy(dtype=float) for name in ("year", "width_mm"))
    grown = width > 0
    logs = np.log(np.where(grown, width, np.nan))
    low, high = np.nanmin(logs), np.nanmax(logs)
    height = np.full(len(logs), 0.5) if high == low else (logs - low) / (high - low)
    ax.plot(year, foot - 0.1 + 0.6 * height, color=style.observed, linewidth=0.6)
    absent = year[~grown]
    ax.plot(absent, np.full(len(absent), foot - 0.1), ".", color=style.observed, markersize=2.5)
    release, suppression = (
        rings[name].to_numpy(dtype=float)
        for name in ("release_probability", "suppression_probability")
    )
    up, down = release >= SHOWN_CHANCE, suppression >= SHOWN_CHANCE
    ax.bar(
        year[up],
        0.8 * release[up],
        bottom=foot - 0.2,
        width=1.4,
        color=style.posterior,
        alpha=0.85,
        zorder=3,
    )
    ax.bar(
        year[down],
        -0.8 * suppression[down],
        bottom=foot + 0.6,
        width=1.4,
        zorder=3,
        facecolor="none",
        edgecolor=style.prior,
        hatch="//////",
        linewidth=0.7,
    )


def plot_disturbance_chronology(
    chronology: pd.DataFrame, *, events: pd.DataFrame | None = None, ax: Axes | None = None
) -> Axes:
    """Shares of trees at risk that released (up) or were suppressed (down), chance of a
    disturbance, and how many trees are at risk.

    chronology : rows of one stand of `disturbance_chronology`. Shares with their credible intervals
        as thin lines. The grey steps
    behind, on the axis at the right, are the trees at risk. Nothing is drawn of years with fewer
    than `FEWEST_AT_RISK` of them.

    >>> disturbance_chronology = standage.Findings(with_rings).disturbance_chronology
    >>> stand = disturbance_chronology["stand"] == disturbance_chronology["stand"].iloc[0]
    >>> plot_disturbance_chronology(disturbance_chronology[stand]).get_ylabel()
    'Suppressed (%)   |   Released (%)'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=4.0))
    at_risk = chronology[chronology["trees_at_risk"] > 0]
    shown = chronology[chronology["trees_at_risk"] >= FEWEST_AT_RISK]
    reach = (at_risk if len(at_risk) else chronology)["year"].to_numpy(dtype=float)
    year = shown["year"].to_numpy(dtype=float)
    _draw_depth(ax, chronology)
    for name, sign, ink, hatch in (
        ("share_released", 100, style.posterior, None),
        ("share_suppressed", -100, style.prior, "////"),
    ):
        low, middle, high = sign * interval_arrays(shown, name)
        ax.bar(
            year,
            middle,
            width=1.0,
            facecolor=ink if hatch is None else "none",
            edgecolor=ink,
            hatch=hatch,
            linewidth=0.5,
            alpha=0.9,
        )
        telling = (
            np.abs(middle) >= 10
        )  # intervals of years in which next to nothing changed would hide the rest
        ax.vlines(year[telling], low[telling], high[telling], color=style.observed, linewidth=0.6)
    for name, sign in (("probability_disturbed", 100), ("probability_suppressed", -100)):
        chance = shown[name].to_numpy(dtype=float)
        worth = np.nan_to_num(chance) >= SHOWN_CHANCE
        ax.plot(
            year[worth],
            sign * chance[worth],
            "D",
            color=style.observed,
            markersize=3.5,
            markerfacecolor="white",
        )
    ax.axhline(0, color=style.observed, linewidth=0.7)
    ax.set_ylim(-105, 105)
    ax.set_yticks([-100, -50, 0, 50, 100], ["100", "50", "0", "50", "100"])
    first, last = _first_event(events, reach[0]), _last_event(events, reach[-1])
    ax.set_xlim(min(reach[0], first) - 2, last + 2)
    ax.set_xlabel("Year")
    ax.set_ylabel("Suppressed (%)   |   Released (%)")
    ax.set_title(str(chronology["stand"].iloc[0]), loc="left")
    criterion = str(chronology["criterion"].iloc[0])
    meaning = (
        "diamonds: probability that the stand was disturbed"
        if criterion == MODEL
        else f"released: {criterion_words(criterion)}"
    )
    notes = [
        "bars: share of trees at risk, lines their interval",
        meaning,
        f"years with fewer than {FEWEST_AT_RISK} trees at risk are left blank",
    ]
    explain_below(ax, notes, lane=draw_events(ax, events))
    return ax


def _draw_depth(ax: Axes, chronology: pd.DataFrame) -> None:
    """Trees at risk as grey steps behind, on an axis of their own at the right."""
    style = current_style()
    year, trees = (chronology[name].to_numpy(dtype=float) for name in ("year", "trees_at_risk"))
    depth = ax.twinx()
    depth.fill_between(year, trees, step="mid", color=style.quiet, alpha=0.25, linewidth=0)
    most = max(float(trees.max()), 1.0)
    # the steps start at the line of no share and reach a third of the way up
    depth.set_ylim(-3 * most, 3 * most)
    depth.set_yticks([0, round(most)])
    depth.set_ylabel("Trees at risk", color=style.quiet)
    depth.spines[["top", "left"]].set_visible(False)
    ax.set_zorder(depth.get_zorder() + 1)
    ax.patch.set_visible(False)


def _first_event(events: pd.DataFrame | None, otherwise: float) -> float:
    return otherwise if events is None or events.empty else float(events["first_year"].min())


def _last_event(events: pd.DataFrame | None, otherwise: float) -> float:
    return (
        otherwise
        if events is None or events.empty
        else max(otherwise, float(events["last_year"].max()))
    )
