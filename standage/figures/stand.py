"""Pictures of a stand: cohorts, establishment through time, the trees one by one, size against age.

Each takes a table of the findings that has been cut to one unit; nothing is computed here but what
ink needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from standage.figures.axes import (
    chance,
    drawing_axes,
    explain_below,
    plain,
    shade_pulse,
    unit_title,
    years_are,
)
from standage.figures.event_lane import draw_events
from standage.figures.styles import current_style, on_white
from standage.findings.intervals import interval_arrays
from standage.findings.stems import SAMPLED

UNDATED = "#dcdcdc"  # of years in which no cored tree is dated
# classes that hold less than this at their high point are not worth paper at the old end
LEAST_SHARE = 0.002
SEEDLING_YEARS = 15  # youngest years, in which most plants are still seedlings (assumption)
TREE_HEIGHT = 0.07  # of a tree in the picture of all trees [inches]
MOST_TREE_HEIGHT = 5.0  # of all trees of a unit together [inches]


def plot_cohorts(
    cohorts: pd.DataFrame,
    *,
    trees: pd.DataFrame | None = None,
    pulses: pd.DataFrame | None = None,
    events: pd.DataFrame | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Stems of the cohort table by class of years, with credible intervals: per hectare, or
    shares without plots; pulses shaded, and below the axis the cored trees at their dates and
    events on record. Where trees are given, a bar without any of them below it is hollow, and
    years before the oldest are not drawn.

    Parameters
    ----------
    cohorts : rows of one unit of the cohort table.
    trees, pulses : those of the unit, of the tree and the pulse table.
    events : the survey's events of the stand.

    >>> ax = plot_cohorts(standage.Findings(posterior).cohorts)
    >>> ax.get_ylabel()
    'Living stems (per ha)'
    """
    style = current_style()
    ax = plain(drawing_axes(ax))
    for pulse in () if pulses is None else pulses.itertuples():
        shade_pulse(ax, pulse)
    dated = None if trees is None else cored_years(trees)
    shown = _from_first_worth_showing(cohorts, cohorts["share_high"] >= LEAST_SHARE)
    if dated is not None and len(dated):
        shown = shown[shown["last_year"] >= dated.min()]
    sampled = shown["amounts"].iloc[0] == SAMPLED
    name, scale = ("share", 100) if sampled else ("stems_per_ha", 1)
    middle = shown[f"{name}_median"].to_numpy(dtype=float) * scale
    ends = shown[[f"{name}_low", f"{name}_high"]].to_numpy(dtype=float).T * scale
    first, width = (
        shown["first_year"].to_numpy(),
        (shown["last_year"] - shown["first_year"] + 1).to_numpy(),
    )
    centre = first + width / 2
    for those, face in dated_and_not(first, width, dated):
        ax.bar(
            first[those],
            middle[those],
            width=width[those] * 0.94,
            align="edge",
            facecolor=on_white(style.posterior, 0.55) if face else "white",
            edgecolor=style.posterior,
            linewidth=0.8,
        )
    ax.errorbar(
        centre,
        middle,
        yerr=np.abs(ends - middle),
        fmt="none",
        ecolor=style.observed,
        elinewidth=1.1,
        capsize=2,
    )
    ax.set_ylim(0, max(ends[1].max() * 1.08, 1e-6))
    ax.set_xlim(first[0] - 2, first[-1] + width[-1] + 2)
    draw_events(ax, events, dated=dated)
    ax.set_xlabel(f"{years_are(shown)}, by {int(width[0])} years")
    ax.set_ylabel(
        "Share of stems,\namong sampled trees (%)" if sampled else "Living stems (per ha)"
    )
    ax.set_title(unit_title(shown), loc="left")
    return ax


def dated_and_not(
    first: np.ndarray, width: np.ndarray, dated: np.ndarray | None
) -> list[tuple[np.ndarray, bool]]:
    """Which classes are filled, and which are hollow for want of a cored tree. (class,) bool

    dated: years of the cored trees; None where nothing is known of them, and all are filled.
    """
    if dated is None:
        return [(np.ones(len(first), dtype=bool), True)]
    held = ((dated >= first[:, None]) & (dated < (first + width)[:, None])).any(axis=1)
    return [(held, True), (~held, False)]


def cored_years(trees: pd.DataFrame) -> np.ndarray:
    """Median year of each living cored tree, of establishment or at its core."""
    cored = trees[(trees["basis"] == "cored") & (trees["status"] == "live")]
    established = cored["establishment_year_median"].notna().any()
    name = "establishment_year" if established else "coring_height_year"
    return cored[f"{name}_median"].dropna().to_numpy(dtype=float)


def plot_rate(
    rate: pd.DataFrame,
    *,
    pulses: pd.DataFrame | None = None,
    events: pd.DataFrame | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Living stems by year of establishment, pulses shaded and known events marked.

    rate: rows of one unit of the rate table. pulses: those of the unit. events: the survey's events
    of the stand. The youngest years are not drawn: they hold seedlings in numbers that would
    flatten all that has grown up.

    >>> plot_rate(standage.Findings(posterior).rate).get_title("left")
    'a, longleaf pine'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=4.0))
    sampled = rate["amounts"].iloc[0] == SAMPLED
    last = int(rate["year"].max())
    shown = rates_shown(rate)
    name, scale = ("share", 100) if sampled else ("living_per_ha", 1)
    year = shown["year"].to_numpy()
    low, middle, high = interval_arrays(shown, name) * scale
    ax.fill_between(year, low, high, color=style.posterior, alpha=0.25, linewidth=0)
    ax.plot(year, middle, color=style.posterior, linewidth=1.6)
    ax.set_ylim(0, max(1.15 * high.max(), 1e-9))
    ax.set_xlim(year[0], last + 1)
    notes = _shade_pulses(ax, pulses)
    if not sampled:
        notes.append(f"not drawn: the last {SEEDLING_YEARS} years, mostly seedlings")
    explain_below(ax, notes, lane=draw_events(ax, events))
    ax.set_xlabel(years_are(shown))
    ax.set_ylabel(
        "Share of stems a year,\namong sampled trees (%)"
        if sampled
        else "Stems alive today\n(per ha and year)"
    )
    ax.set_title(unit_title(shown), loc="left")
    return ax


def rates_shown(rate: pd.DataFrame) -> pd.DataFrame:
    """The years of a unit's rate table that `plot_rate` draws."""
    sampled = rate["amounts"].iloc[0] == SAMPLED
    grown = rate if sampled else rate[rate["year"] <= rate["year"].max() - SEEDLING_YEARS]
    return _from_first_worth_showing(grown, grown["share_high"] >= LEAST_SHARE / 4)


def _from_first_worth_showing(table: pd.DataFrame, worth: pd.Series) -> pd.DataFrame:
    """The table from its first row worth showing on; the whole table where none is."""
    worthy = np.flatnonzero(worth.to_numpy())
    return table.iloc[worthy[0] if len(worthy) else 0 :]


def _shade_pulses(ax: Axes, pulses: pd.DataFrame | None) -> list[str]:
    """Shades each pulse under its number; returns what each number stands for. Words beside the
    marks would run into each other.
    """
    style = current_style()
    notes = []
    for pulse in () if pulses is None else pulses.itertuples():
        shade_pulse(ax, pulse)
        middle = (pulse.start_median + pulse.end_median + 1) / 2
        words: dict[str, Any] = {
            "ha": "center",
            "va": "top",
            "fontsize": style.points(9),
            "fontweight": "bold",
        }
        ax.annotate(f"{pulse.pulse}", (middle, 0.985), xycoords=("data", "axes fraction"), **words)
        notes.append(
            f"{pulse.pulse}  pulse, begun {pulse.start_low}\u2013{pulse.start_high}, ended"
            f" {pulse.end_low}\u2013{pulse.end_high}, probability {chance(pulse.probability)}"
        )
    return notes


def shade_years(ax: Axes, spans: Sequence[tuple[int, int]]) -> None:
    """Greys spans of years behind what is drawn, as far as the axis reaches; a span ends before its
    second year.
    """
    left, right = ax.get_xlim()
    for first, end in spans:
        if max(first, left) < min(end, right):
            ax.axvspan(
                max(first, left), min(end, right), facecolor=UNDATED, edgecolor="none", zorder=-2
            )
    ax.set_xlim(left, right)


def tree_panel_height(trees: int) -> float:
    """Height of the panel of so many trees: a line each, up to what fits on a screen. [inches]"""
    return 1.3 + min(TREE_HEIGHT * trees, MOST_TREE_HEIGHT)


def plot_tree_dates(
    tree_dates: pd.DataFrame, *, events: pd.DataFrame | None = None, ax: Axes | None = None
) -> Axes:
    """Every dated tree in order of its year, with its credible interval; cored trees filled, those
    dated by size hollow.

    tree_dates: rows of one unit of the tree table. Trees dated at coring height only are shown at
    that year where no tree of the unit has an establishment year. events: the survey's events of
    the stand.

    >>> plot_tree_dates(standage.Findings(posterior).tree_dates).get_xlabel()
    'Year of establishment'
    """
    style = current_style()
    established = tree_dates["establishment_year_median"].notna().any()
    name = "establishment_year" if established else "coring_height_year"
    shown = tree_dates[tree_dates[f"{name}_median"].notna()].sort_values(
        [f"{name}_median", f"{name}_low"]
    )
    ax = plain(drawing_axes(ax, height=tree_panel_height(len(shown))))
    size = float(
        np.clip(330 / max(len(shown), 1), 1.8, 3.6)
    )  # dots of many trees must not run into one band
    rank = np.arange(1, len(shown) + 1)
    cored = (shown["basis"] == "cored").to_numpy()
    low, middle, high = interval_arrays(shown, name)
    for those, ink, fill, order in (
        (~cored, style.quiet, "white", 2),
        (cored, style.posterior, style.posterior, 3),
    ):
        ax.hlines(
            rank[those], low[those], high[those], color=ink, linewidth=size / 3.2, zorder=order
        )
        ax.plot(
            middle[those],
            rank[those],
            "o",
            color=ink,
            markerfacecolor=fill,
            markersize=size,
            markeredgewidth=size / 4,
            zorder=order,
        )
    ax.set_ylim(len(shown) + 1, 0)
    ax.set_xlabel("Year of establishment" if established else "Year of arrival at coring height")
    ax.set_ylabel("Trees, oldest first")
    ax.set_title(unit_title(tree_dates), loc="left")
    handles = [
        Line2D([], [], marker="o", color=style.posterior, markersize=4, label="cored"),
        Line2D(
            [],
            [],
            marker="o",
            color=style.quiet,
            markerfacecolor="white",
            markersize=4,
            label="dated by size, or planted",
        ),
    ]
    explain_below(ax, [], handles=handles, lane=draw_events(ax, events))
    return ax


def plot_size_age(
    tree_dates: pd.DataFrame, *, curve: pd.DataFrame | None = None, ax: Axes | None = None
) -> Axes:
    """Diameter against age of the cored trees with their intervals, and the size curve of the model
    with its own.

    tree_dates: rows of one unit of the tree table. curve: rows of the unit of the size-curve table.

    >>> findings = standage.Findings(posterior)
    >>> plot_size_age(findings.tree_dates, curve=findings.size_curves).get_xlabel()
    'Age at the survey (growing seasons completed)'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=4.0))
    trees = tree_dates[
        (tree_dates["basis"] == "cored")
        & tree_dates["dbh_cm"].notna()
        & tree_dates["age_median"].notna()
    ]
    age = trees["age_median"].to_numpy(dtype=float)
    oldest = float(trees["age_high"].max()) if len(trees) else 100.0
    handles: list[Artist] = []
    if curve is not None and len(curve):
        since = curve["seasons"].to_numpy() + curve["years_to_breast_height"].to_numpy()
        reach = since <= oldest * 1.1
        bounds = (curve[name].to_numpy()[reach] for name in ("dbh_low", "dbh_high"))
        ax.fill_between(since[reach], *bounds, **style.prior_band(0.45))
        ax.plot(
            since[reach],
            curve["dbh_median"].to_numpy()[reach],
            color=style.prior,
            linewidth=1.6,
            linestyle="--",
        )
        handles.append(Patch(**style.prior_band(0.6), label="median diameter at that age, fitted"))
    around = np.abs(trees[["age_low", "age_high"]].to_numpy(dtype=float).T - age)
    ax.errorbar(
        age,
        trees["dbh_cm"],
        xerr=around,
        fmt="o",
        color=style.posterior,
        markersize=4,
        elinewidth=1,
    )
    handles.append(
        Line2D([], [], marker="o", color=style.posterior, markersize=4, label="cored trees")
    )
    ax.set_xlim(0, oldest * 1.1)
    ax.set_ylim(0, None)
    ax.set_xlabel("Age at the survey (growing seasons completed)")
    ax.set_ylabel("Diameter at breast height (cm)")
    ax.set_title(unit_title(tree_dates), loc="left")
    ax.legend(handles=handles, loc="lower right", fontsize=style.points(8), frameon=False)
    return ax
