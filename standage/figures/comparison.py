"""Stands side by side: small multiples on one time axis and one scale, and what differs between
them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure

from standage.figures.axes import (
    drawing_axes,
    new_figure,
    plain,
    shade_pulse,
    unit_title,
    years_are,
)
from standage.figures.distances import LINE_HEIGHT, distances_figure
from standage.figures.event_lane import ROW_HEIGHT, draw_events
from standage.figures.stand import dated_and_not
from standage.figures.styles import current_style
from standage.findings.intervals import interval_arrays
from standage.findings.stems import CORING_HEIGHT, SAMPLED

STRIP_HEIGHT = 1.15  # of a stand among others [inches]
MOST_ROWS = 4  # of events below a strip that the height of the picture reckons with
MOST_STRIPS = 40  # of one picture; more can't be read on a page
MOST_PAIRS = 60  # those that differ most; comparison.csv has all
LEAST_SHARE = 0.004  # classes that hold less in every stand are not worth paper at the old end
DIFFERENCES = {  # measures drawn, and what the axis says
    "median_establishment_year": "Median year of the stems: years later than in the second stand",
    "half_span_years": "Span of years that holds half of the stems: years longer",
    "stems_per_ha": "Stems per hectare more",
    "years_since_latest_pulse": "Years since the latest pulse: more",
}


def comparison_figures(
    tables: Mapping[str, pd.DataFrame], *, level: float, events: pd.DataFrame | None = None
) -> dict[str, Figure]:
    """The pictures of a comparison by name; one without anything to show is left out.

    tables: `cohorts`, `pulses`, `stand_summary` and `comparison`. level: credible level, named
    below each picture. events: those on record, where they are known.
    """
    style = current_style()
    figures = {
        "side_by_side": strips_figure(
            tables["cohorts"], tables["pulses"], tables["stand_summary"], events=events
        ),
        "distances": distances_figure(tables["comparison"]),
        "differences": differences_figure(tables["comparison"]),
    }
    drawn = {name: figure for name, figure in figures.items() if figure is not None}
    for figure in drawn.values():
        figure.supxlabel(
            f"Bars: {100 * level:.0f} % credible intervals",
            fontsize=style.points(8),
            x=0.99,
            ha="right",
        )
    return drawn


def strips_figure(
    cohorts: pd.DataFrame,
    pulses: pd.DataFrame,
    stand_summary: pd.DataFrame,
    *,
    events: pd.DataFrame | None = None,
) -> Figure | None:
    """Every stand as a strip, those of a community together and the youngest last, on one axis and
    scale. None for a single stand.

    events: all on record; each is drawn below the strip of its stand, those without a stand below
    all.
    """
    style = current_style()
    order = strip_order(stand_summary)[:MOST_STRIPS]
    if len(order) < 2:
        return None
    strips = [
        cohorts[(cohorts["stand"] == stand) & (cohorts["species"] == species)]
        for stand, species, _ in order
    ]
    shown = pd.concat(strips)
    worth = shown[shown["share_high"] >= LEAST_SHARE]
    years = (int(worth["first_year"].min()), int(shown["last_year"].max()) + 1)
    top = 100 * float(shown["share_high"].max())
    recorded = [
        None if events is None else events[events["stand"].isin([stand, ""])]
        for stand, _, _ in order
    ]
    lanes = [0 if of_stand is None else min(len(of_stand), MOST_ROWS) for of_stand in recorded]
    height = STRIP_HEIGHT * len(strips) + ROW_HEIGHT * sum(lanes) + 1.2
    figure = new_figure(style.width, style.height_scale * height)
    axes = figure.subplots(len(strips), 1, squeeze=False, sharex=True, sharey=True).ravel()
    for ax, table, here, (stand, species, community) in zip(
        axes, strips, recorded, order, strict=True
    ):
        own = pulses[(pulses["stand"] == stand) & (pulses["species"] == species)]
        plot_strip(table, pulses=own, events=here, community=community, years=years, top=top, ax=ax)
    bases = {basis for table in strips for basis in table["basis"].unique()}
    axes[-1].set_xlabel(
        "Year of establishment"
        + (", or of arrival at coring height where that is said" if CORING_HEIGHT in bases else "")
    )
    marked = "" if events is None or events.empty else ", events on record below"
    figure.suptitle(
        f"The stands side by side, pulses shaded{marked}", x=0.01, ha="left", fontweight="bold"
    )
    figure.supylabel("Share of the stand's stems (%)", fontsize=style.points(9))
    return figure


def plot_pair(
    cohorts: Sequence[pd.DataFrame],
    names: Sequence[str],
    dated: Sequence[np.ndarray],
    *,
    ax: Axes | None = None,
) -> Axes:
    """Age structures of two stands on one axis, the first upward and the second downward; a class
    to which no cored tree is dated is hollow.

    Parameters
    ----------
    cohorts : rows of each of the cohort table.
    names : of each.
    dated : years of the cored trees of each.
    """
    style = current_style()
    ax = plain(drawing_axes(ax))
    shown = [table[table["share_median"] >= LEAST_SHARE] for table in cohorts]
    first = min(int(table["first_year"].min()) for table in shown)
    last = max(int(table["last_year"].max()) for table in cohorts) + 1
    sides = zip(cohorts, dated, (1, -1), (style.posterior, style.quiet), strict=True)
    for table, years, side, ink in sides:
        here = table[table["last_year"] >= first]
        begin = here["first_year"].to_numpy(dtype=float)
        width = here["last_year"].to_numpy(dtype=float) - begin + 1
        share = side * 100 * here["share_median"].to_numpy(dtype=float)
        for those, filled in dated_and_not(begin, width, years):
            ax.bar(
                begin[those],
                share[those],
                width=0.94 * width[those],
                align="edge",
                facecolor=to_rgba(ink, 0.55) if filled else "white",
                edgecolor=ink,
                linewidth=0.8,
            )
    top = 105 * max(float(table["share_median"].max()) for table in cohorts)
    ax.axhline(0, color=style.observed, linewidth=0.8)
    ax.set_ylim(-top, top)
    ax.set_xlim(first, last)
    for name, height, end in zip(names, (0.98, 0.02), ("top", "bottom"), strict=True):
        ax.annotate(
            name, (0.01, height), xycoords="axes fraction", va=end, fontsize=style.points(9)
        )
    ax.yaxis.set_major_formatter(lambda value, _: f"{abs(value):.0f}")
    ax.set_ylabel("Share of stems (%)")
    ax.set_xlabel(years_are(cohorts[0]))
    return ax


def strip_order(stand_summary: pd.DataFrame) -> list[tuple[str, str, str]]:
    """Stand, species and community of each unit: by species, communities in the order of their
    oldest stand, then by middle year.
    """
    first, last = (
        stand_summary[name].astype(float) for name in ("half_span_first", "half_span_last")
    )
    table = stand_summary.assign(middle=(first + last) / 2)
    table["group"] = np.where(
        table["community"].astype(str) != "", table["community"], table["stand"]
    )
    table["begins"] = table.groupby(["species", "group"])["middle"].transform("min")
    table = table.sort_values(["species", "begins", "group", "middle", "stand"], kind="stable")
    return list(table[["stand", "species", "community"]].itertuples(index=False, name=None))


def plot_strip(
    cohorts: pd.DataFrame,
    *,
    pulses: pd.DataFrame | None = None,
    events: pd.DataFrame | None = None,
    community: str = "",
    years: tuple[int, int] | None = None,
    top: float | None = None,
    ax: Axes | None = None,
) -> Axes:
    """One stand among others: share of its stems by class of years.

    cohorts: rows of one unit of the cohort table. pulses: those of the unit. events: those of its
    stand, drawn below the axis. years, top: ends of the time axis, and highest share [%], that all
    strips have in common.

    >>> plot_strip(standage.Findings(posterior).cohorts, community="sandhill").get_ylabel()
    'Stems (%)'
    """
    style, alone = current_style(), ax is None
    ax = plain(drawing_axes(ax, height=STRIP_HEIGHT + 0.9))
    if alone:  # among others the labels stand once, at the edge of the picture
        ax.set_xlabel(years_are(cohorts))
        ax.set_ylabel("Stems (%)")
    first = cohorts["first_year"].to_numpy(dtype=float)
    width = cohorts["last_year"].to_numpy(dtype=float) - first + 1
    low, middle, high = 100 * np.nan_to_num(interval_arrays(cohorts, "share"))
    for pulse in () if pulses is None else pulses.itertuples():
        shade_pulse(ax, pulse)
    ax.bar(
        first,
        middle,
        width=width * 0.94,
        align="edge",
        color=style.posterior,
        alpha=0.6,
        edgecolor=style.posterior,
        linewidth=0.5,
    )
    around: dict[str, Any] = {
        "yerr": [middle - low, high - middle],
        "ecolor": style.observed,
        "elinewidth": 0.9,
        "capsize": 1.5,
    }
    ax.errorbar(first + width / 2, middle, fmt="none", **around)
    ax.set_xlim(*(years or (first[0], first[-1] + width[-1])))
    ax.set_ylim(0, 1.05 * max(top or high.max(), 1e-6))
    draw_events(ax, events)
    row = cohorts.iloc[0]
    about = [community] if community else []
    about += ["among sampled trees"] if row["amounts"] == SAMPLED else []
    about += ["arrival at coring height"] if row["basis"] == CORING_HEIGHT else []
    ax.set_title(
        unit_title(cohorts) + (f" ({'; '.join(about)})" if about else ""),
        loc="left",
        fontsize=style.points(9),
    )
    return ax


def differences_figure(comparison: pd.DataFrame) -> Figure | None:
    """The differences between stands, a panel a measure; None where nothing can be compared."""
    style = current_style()
    stands = comparison[(comparison["kind"] == "stand") & comparison["difference_median"].notna()]
    parts = {name: stands[stands["measure"] == name] for name in DIFFERENCES}
    parts = {name: _differing_most(table) for name, table in parts.items() if len(table)}
    if not parts:
        return None
    heights = [LINE_HEIGHT * len(table) + 0.9 for table in parts.values()]
    figure = new_figure(style.width, style.height_scale * (sum(heights) + 0.6))
    axes = figure.subplots(
        len(parts), 1, squeeze=False, gridspec_kw={"height_ratios": heights}
    ).ravel()
    for ax, table in zip(axes, parts.values(), strict=True):
        plot_differences(table, ax=ax)
    figure.suptitle(
        "What differs between the stands: filled where they are told apart",
        x=0.01,
        ha="left",
        fontweight="bold",
    )
    return figure


def _differing_most(table: pd.DataFrame) -> pd.DataFrame:
    """So many pairs as can be drawn, in the table's order."""
    size = table["difference_median"].astype(float).abs()
    return table[size.rank(ascending=False, method="first") <= MOST_PAIRS]


def plot_differences(comparison: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Each pair's difference by one measure with its interval, filled where the pair is told apart.

    comparison: rows of one measure of the comparison table.

    >>> pair = {"first": "north", "second": "south", "told_apart": "yes", "unit": "years"}
    >>> points = {"difference_low": 4.0, "difference_median": 9.0, "difference_high": 15.0}
    >>> table = pd.DataFrame([pair | points | {"measure": "half_span_years"}])
    >>> plot_differences(table).get_title("left")
    'First less second, years'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=LINE_HEIGHT * len(comparison) + 0.9))
    low, middle, high = interval_arrays(comparison, "difference")
    rows = np.arange(len(comparison))
    apart = (comparison["told_apart"] == "yes").to_numpy()
    ax.axvline(0, color=style.quiet, linewidth=0.8, zorder=0)
    for those, ink, fill in (
        (~apart, style.quiet, "white"),
        (apart, style.posterior, style.posterior),
    ):
        ax.hlines(rows[those], low[those], high[those], color=ink, linewidth=1.4)
        ax.plot(middle[those], rows[those], "o", color=ink, markerfacecolor=fill, markersize=4.5)
    ax.set_yticks(
        rows,
        [f"{row.first} \u2212 {row.second}" for row in comparison.itertuples()],
        fontsize=style.points(8),
    )
    ax.set_ylim(len(comparison) - 0.4, -0.6)
    unit = str(comparison["unit"].iloc[0]).replace("calendar year", "years")
    ax.set_title(f"First less second, {unit}", loc="left", fontsize=style.points(9))
    measure = comparison["measure"].iloc[0]
    ax.set_xlabel(DIFFERENCES.get(measure, measure.replace("_", " ")), fontsize=style.points(9))
    return ax
