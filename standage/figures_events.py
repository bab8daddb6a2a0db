"""Events on timelines, and pulses with their distance in time from each event."""

from __future__ import annotations

from string import ascii_lowercase

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from standage.figure_axes import OBSERVED, POSTERIOR, PULSE, QUIET, chance, drawing_axes, plain, unit_title, years_are

MOST_EVENTS = 12  # more marks than this can't be read
NEAR_YEARS = 40  # an event further from a pulse than this is shown without a line to it [years]
EVENT_HEIGHT = 0.34  # of the row of an event [inches]
BESIDE = "Beside a line: years from event to pulse, and the probability\nthat the event explains the pulse"
MARGIN_YEARS = 12  # empty years beside the first and last mark


def mark_events(ax: Axes, events: pd.DataFrame | None, first_year: int) -> list[str]:
    """Hatches the years in which each event began under a letter; returns what each letter stands for.

    A period has a line from its beginning to its end. Words beside the marks would run into each other.
    """
    if events is None or events.empty:
        return []
    notes = []
    shown = events[events["last_year"] >= first_year].sort_values("first_year").head(MOST_EVENTS)
    for number, event in enumerate(shown.itertuples()):
        begun, until = float(event.first_year), float(event.last_year) + 1
        ax.axvspan(begun, until, ymin=0, ymax=0.8, facecolor="none", edgecolor=QUIET, hatch="////", linewidth=0.6, zorder=0.5)
        letter = ascii_lowercase[number]
        level = 0.90 - 0.045 * (number % 2)
        ax.annotate(letter, ((begun + until) / 2, level), xycoords=("data", "axes fraction"), ha="center", va="top", fontsize=9)
        when = f"{begun:.0f}" if event.first_year == event.last_year else f"{begun:.0f}\u2013{event.last_year:.0f}"
        if np.isfinite(event.ended_year) and event.ended_year > event.last_year:
            across = ax.get_xaxis_transform()
            ax.plot([until, event.ended_year + 1], [0.8, 0.8], color=QUIET, linewidth=1.0, linestyle=":", transform=across, zorder=0.5)
            when += f", until {event.ended_year:.0f}"
        notes.append(f"{letter}  {event.kind.replace('-', ' ')} {when}")
    return notes


def explain_below(ax: Axes, notes: list[str], *, place: float = -0.17) -> None:
    """What marks stand for, as text below the axis, two notes abreast."""
    if notes:
        handles = [Line2D([], [], linestyle="none", label=note) for note in notes]
        style = {"loc": "upper left", "bbox_to_anchor": (0, place), "ncols": 2}
        ax.legend(handles=handles, fontsize=8, handlelength=0, handletextpad=0, frameon=False, **style)


def lag_panel_height(attribution: pd.DataFrame) -> float:
    """Height of the panel of a unit's pulses and events. [inches]"""
    return 1.6 + EVENT_HEIGHT * len(_shown_events(attribution))


def plot_lags(
    attribution: pd.DataFrame, pulses: pd.DataFrame, *, ax: Axes | None = None, colour: str = POSTERIOR
) -> Axes:  # fmt: skip
    """Each event with the years in which it may have begun, each pulse with those in which it may have, and the years between.

    attribution: rows of one unit of the attribution table. pulses: those of the unit. Beside a line stands how many years the pulse began
    after the event (before: negative) with its interval, and the probability that this event explains it.
    """
    ax = plain(drawing_axes(ax, height=lag_panel_height(attribution)))
    events = _shown_events(attribution)
    for pulse in pulses.itertuples():
        ax.axvspan(pulse.start_low, pulse.start_high + 1, color=PULSE, zorder=0, linewidth=0)
        ax.axvline(pulse.start_median + 0.5, color=OBSERVED, linewidth=1.2, zorder=1)
        style = {"ha": "center", "va": "bottom", "fontsize": 9, "fontweight": "bold"}
        ax.annotate(f"{pulse.pulse}", (pulse.start_median + 0.5, 1.0), xycoords=("data", "axes fraction"), **style)
    for row, event in enumerate(events.itertuples()):
        first, last = float(event.event_first_year), float(event.event_last_year)
        if event.timing == "period":
            ax.barh(row, event.event_ended_year + 1 - first, left=first, height=0.22, color=QUIET, alpha=0.45, zorder=1.5)
        ax.barh(row, last + 1 - first, left=first, height=0.5, facecolor="white", edgecolor=OBSERVED, hatch="////", linewidth=0.8, zorder=2)
        of_event = attribution[attribution["event"] == event.event]
        for lag in of_event[of_event["lag_years_median"].astype(float).abs() <= NEAR_YEARS].itertuples():
            (start,) = pulses.loc[pulses["pulse"] == lag.pulse, "start_median"]
            begun = (first + last + 1) / 2
            ax.plot([begun, start + 0.5], [row + 0.36] * 2, color=colour, linewidth=1.2, marker=".", markersize=4, zorder=3)
            told = f"{lag.lag_years_median:+.0f} ({lag.lag_years_low:.0f} to {lag.lag_years_high:.0f})"
            told += f", {chance(lag.probability_explains)}" if np.isfinite(lag.probability_explains) else ""
            ax.annotate(told, (max(begun, start + 0.5) + 1.5, row + 0.36), ha="left", va="center", fontsize=7.5, color=colour, zorder=4)
    years = [*events["event_first_year"].dropna(), *pulses["start_low"], *pulses["start_high"], *pulses["end_median"]]
    ax.set_xlim(min(years) - MARGIN_YEARS, max(years) + 3 * MARGIN_YEARS)
    ax.set_ylim(max(len(events), 1) - 0.3, -0.7)
    ax.set_yticks(range(len(events)), [_event_label(event) for event in events.itertuples()], fontsize=8)
    ax.set_xlabel(f"{years_are(attribution)}; shaded: when each pulse may have begun\n{BESIDE}", fontsize=9)
    ax.set_ylabel("Events")
    ax.set_title(unit_title(attribution), loc="left", pad=16)
    return ax


def _shown_events(attribution: pd.DataFrame) -> pd.DataFrame:
    """The events of a unit, one row each, oldest first; of very many those nearest to a pulse."""
    events = attribution[attribution["event"] != ""]
    distance = events["lag_years_median"].astype(float).abs().fillna(np.inf)
    nearest = events.assign(distance=distance).sort_values("distance", kind="stable").drop_duplicates("event").head(MOST_EVENTS)
    return nearest.sort_values(["event_first_year", "event"])


def _event_label(event) -> str:
    when = f"{event.event_first_year}"
    if event.event_first_year != event.event_last_year:
        when += f"\u2013{event.event_last_year}"
    until = f", until {event.event_ended_year}" if event.timing == "period" else ""
    return f"{event.kind.replace('-', ' ')}\n{when}{until}"
