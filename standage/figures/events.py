"""Events on timelines, and pulses with their distance in time from each event."""

from __future__ import annotations

from string import ascii_lowercase

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from standage.figures.axes import chance, drawing_axes, plain, unit_title, years_are
from standage.figures.styles import current_style
from standage.findings.events_on_record import RECURRING

MOST_EVENTS = 12  # more marks than this can't be read
NEAR_YEARS = 40  # an event further from a pulse than this is shown without a line to it [years]
EVENT_HEIGHT = 0.34  # of the row of an event [inches]
BESIDE = (
    "Beside a line: years from event to pulse, and the probability\nthat the event explains the"
    " pulse"
)
MARGIN_YEARS = 12  # empty years beside the first and last mark


def mark_events(ax: Axes, events: pd.DataFrame | None, first_year: int) -> list[str]:
    """Hatches the years in which each event began under a letter; returns what each letter stands
    for.

    A period has a line from its beginning to its end. Words beside the marks would run into each
    other. Of very many events those of a kind share a letter, and what still finds no room is
    counted.
    """
    style = current_style()
    if events is None or events.empty:
        return []
    notes = []
    marks = _marks(
        events[events["last_year"] >= first_year].sort_values("first_year", kind="stable")
    )
    for event, number in (
        (event, number) for number, mark in enumerate(marks[:MOST_EVENTS]) for event in mark
    ):
        begun, until = float(event.first_year), float(event.last_year) + 1
        hatched = {"facecolor": "none", "edgecolor": style.quiet, "hatch": "////", "linewidth": 0.6}
        ax.axvspan(begun, until, ymin=0, ymax=0.8, zorder=0.5, **hatched)
        letter = ascii_lowercase[number]
        level = 0.90 - 0.045 * (number % 2)
        behind = {
            "facecolor": "white",
            "edgecolor": "none",
            "pad": 0.6,
        }  # bars and lines don't run through the letter
        words = {
            "ha": "center",
            "va": "top",
            "fontsize": style.points(9),
            "bbox": behind,
            "zorder": 4,
        }
        ax.annotate(
            letter, ((begun + until) / 2, level), xycoords=("data", "axes fraction"), **words
        )
        when = (
            f"{begun:.0f}"
            if event.first_year == event.last_year
            else f"{begun:.0f}\u2013{event.last_year:.0f}"
        )
        if np.isfinite(event.ended_year) and event.ended_year > event.last_year:
            across = ax.get_xaxis_transform()
            dotted = {"color": style.quiet, "linewidth": 1.0, "linestyle": ":"}
            ax.plot(
                [until, event.ended_year + 1], [0.8, 0.8], transform=across, zorder=0.5, **dotted
            )
            when += f", until {event.ended_year:.0f}"
        if len(marks[number]) == 1:
            notes.append(f"{letter}  {event.kind.replace('-', ' ')} {when}")
        elif event is marks[number][0]:
            alike = marks[number]
            span = _together(event.kind, len(alike), event.first_year, alike[-1].last_year)
            notes.append(f"{letter}  {span}")
    left = sum(len(mark) for mark in marks[MOST_EVENTS:])
    return [*notes, f"and {left} more on record"] if left else notes


def _marks(events: pd.DataFrame) -> list[list]:
    """Events that share a letter, in order of the first of each: one each, or all of a kind,
    commonest kinds first, until there is room.
    """
    rows = list(events.itertuples())
    together: set[str] = set()
    for kind, number in events["kind"].value_counts().items():
        if (
            len(rows) - sum((events["kind"] == one).sum() - 1 for one in together) <= MOST_EVENTS
            or number < RECURRING
        ):
            break
        together.add(kind)
    marks: dict[str, list] = {}
    for place, event in enumerate(rows):
        marks.setdefault(event.kind if event.kind in together else str(place), []).append(event)
    return list(marks.values())


def _together(kind: str, number: int, first: float, last: float) -> str:
    return f"{kind.replace('-', ' ')}, {number} times, {first:.0f}\u2013{last:.0f}"


def lag_panel_height(attribution: pd.DataFrame) -> float:
    """Height of the panel of a unit's pulses and events. [inches]"""
    return 1.6 + EVENT_HEIGHT * _shown_events(attribution)["row"].nunique()


def plot_lags(attribution: pd.DataFrame, pulses: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Each event with the years in which it may have begun, each pulse with those in which it may
    have, and the years between.

    attribution: rows of one unit of the attribution table. pulses: those of the unit. Beside a line
    stands how many years the pulse began after the event (before: negative) with its interval, and
    the probability that this event explains it.
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=lag_panel_height(attribution)))
    events = _shown_events(attribution)
    for pulse in pulses.itertuples():
        ax.axvspan(pulse.start_low, pulse.start_high + 1, color=style.pulse, zorder=0, linewidth=0)
        ax.axvline(pulse.start_median + 0.5, color=style.observed, linewidth=1.2, zorder=1)
        words = {"ha": "center", "va": "bottom", "fontsize": style.points(9), "fontweight": "bold"}
        ax.annotate(
            f"{pulse.pulse}",
            (pulse.start_median + 0.5, 1.0),
            xycoords=("data", "axes fraction"),
            **words,
        )
    for event in events.itertuples():
        row = event.row
        first, last = float(event.event_first_year), float(event.event_last_year)
        if event.timing == "period":
            ax.barh(
                row,
                event.event_ended_year + 1 - first,
                left=first,
                height=0.22,
                color=style.quiet,
                alpha=0.45,
                zorder=1.5,
            )
        hatched = {
            "facecolor": "white",
            "edgecolor": style.observed,
            "hatch": "////",
            "linewidth": 0.8,
        }
        ax.barh(row, last + 1 - first, left=first, height=0.5, zorder=2, **hatched)
        of_event = attribution[attribution["event"] == event.event]
        for lag in of_event[
            of_event["lag_years_median"].astype(float).abs() <= NEAR_YEARS
        ].itertuples():
            (start,) = pulses.loc[pulses["pulse"] == lag.pulse, "start_median"]
            begun = (first + last + 1) / 2
            ax.plot(
                [begun, start + 0.5],
                [row + 0.36] * 2,
                color=style.posterior,
                linewidth=1.2,
                marker=".",
                markersize=4,
                zorder=3,
            )
            told = (
                f"{lag.lag_years_median:+.0f} ({lag.lag_years_low:.0f} to {lag.lag_years_high:.0f})"
            )
            told += (
                f", {chance(lag.probability_explains)}"
                if np.isfinite(lag.probability_explains)
                else ""
            )
            words = {
                "ha": "left",
                "va": "center",
                "fontsize": style.points(7.5),
                "color": style.posterior,
            }
            ax.annotate(told, (max(last + 1, start + 0.5) + 1.5, row + 0.36), zorder=4, **words)
    years = [
        *events["event_first_year"].dropna(),
        *pulses["start_low"],
        *pulses["start_high"],
        *pulses["end_median"],
    ]
    ax.set_xlim(min(years) - MARGIN_YEARS, max(years) + 3 * MARGIN_YEARS)
    labels = [_row_label(of_row) for _, of_row in events.groupby("row")]
    ax.set_ylim(max(len(labels), 1) - 0.3, -0.7)
    ax.set_yticks(range(len(labels)), labels, fontsize=style.points(8))
    ax.set_xlabel(
        f"{years_are(attribution)}; shaded: when each pulse may have begun\n{BESIDE}",
        fontsize=style.points(9),
    )
    ax.set_ylabel("Events")
    ax.set_title(unit_title(attribution), loc="left", pad=16)
    return ax


def _shown_events(attribution: pd.DataFrame) -> pd.DataFrame:
    """The events of a unit with the `row` of each, oldest first; those of a kind that recur share
    one. Of many those nearest to a pulse.
    """
    events = attribution[attribution["event"] != ""]
    distance = events["lag_years_median"].astype(float).abs().fillna(np.inf)
    once = (
        events.assign(distance=distance)
        .sort_values("distance", kind="stable")
        .drop_duplicates("event")
    )
    once["row_of"] = np.where(
        once["lag_years_median"].isna(), once["kind"] + ", recurring", once["event"]
    )
    nearest = once[
        once["row_of"].isin(once["row_of"].drop_duplicates().head(MOST_EVENTS))
    ].sort_values(["event_first_year", "event"])
    return nearest.assign(row=pd.factorize(nearest["row_of"])[0])


def _row_label(events: pd.DataFrame) -> str:
    event = next(events.itertuples())
    if len(events) > 1:
        return _together(
            event.kind, len(events), event.event_first_year, events["event_last_year"].max()
        ).replace("times, ", "times\n")
    when = f"{event.event_first_year}"
    if event.event_first_year != event.event_last_year:
        when += f"\u2013{event.event_last_year}"
    until = f", until {event.event_ended_year}" if event.timing == "period" else ""
    return f"{event.kind.replace('-', ' ')}\n{when}{until}"
