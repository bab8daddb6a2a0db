"""Pulses with their distance in time from each event on record."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from standage.figures.axes import drawing_axes, plain, unit_title, years_are
from standage.figures.event_lane import MOST_EVENTS
from standage.figures.styles import current_style
from standage.findings.intervals import Interval

NEAR_YEARS = 40  # an event further from a pulse than this is shown without a line to it [years]
EVENT_HEIGHT = 0.34  # of the row of an event [inches]
MARGIN_YEARS = 12  # empty years beside the first and last mark
MARKS = (
    "shaded: when each pulse may have begun\n"
    "beside a line: years from event to pulse\n"
    "between two stops: an event began in one of these years\n"
    "thick: how long it went on"
)


def lag_panel_height(attribution: pd.DataFrame) -> float:
    """Height of the panel of a unit's pulses and events. [inches]"""
    return 1.9 + EVENT_HEIGHT * _shown_events(attribution)["row"].nunique()


def plot_lags(attribution: pd.DataFrame, pulses: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Each event with the years in which it may have begun, each pulse with those in which it may
    have, and the years between.

    attribution: rows of one unit of the attribution table. pulses: those of the unit. Beside a line
    stands how many years the pulse began after the event (before: negative) with its interval.

    >>> findings = standage.Findings(posterior)
    >>> plot_lags(findings.attribution, findings.pulses).get_ylabel()
    'Events'
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=lag_panel_height(attribution)))
    events = _shown_events(attribution)
    for pulse in pulses.to_dict("records"):
        _draw_pulse(ax, pulse)
    starts = dict(zip(pulses["pulse"], pulses["start_median"], strict=True))
    for event in events.to_dict("records"):
        _draw_event(ax, event)
        for lag in _near_lags(attribution, event["event"]):
            _draw_lag(ax, event, lag, float(starts[lag["pulse"]]))
    years = [
        *events["event_first_year"].dropna(),
        *pulses["start_low"],
        *pulses["start_high"],
        *pulses["end_median"],
    ]
    ax.set_xlim(min(years) - MARGIN_YEARS, max(years) + 2 * MARGIN_YEARS)
    labels = [_row_label(of_row) for _, of_row in events.groupby("row")]
    ax.set_ylim(max(len(labels), 1) - 0.3, -0.7)
    ax.set_yticks(range(len(labels)), labels, fontsize=style.points(8))
    ax.set_xlabel(f"{years_are(attribution)}\n{MARKS}", fontsize=style.points(9))
    ax.set_ylabel("Events")
    ax.set_title(unit_title(attribution), loc="left", pad=16)
    return ax


def _draw_pulse(ax: Axes, pulse: dict) -> None:
    style = current_style()
    start = pulse["start_median"] + 0.5
    ax.axvspan(
        pulse["start_low"], pulse["start_high"] + 1, color=style.pulse, zorder=0, linewidth=0
    )
    ax.axvline(start, color=style.observed, linewidth=1.2, zorder=1)
    ax.annotate(
        f"{pulse['pulse']}",
        (start, 1.0),
        xycoords=("data", "axes fraction"),
        ha="center",
        va="bottom",
        fontsize=style.points(9),
        fontweight="bold",
    )


def _draw_event(ax: Axes, event: dict) -> None:
    style = current_style()
    row, first, last = (
        event["row"],
        float(event["event_first_year"]),
        float(event["event_last_year"]),
    )
    if event["timing"] == "period":
        ended = float(event["event_ended_year"]) + 1
        begun = (first + last + 1) / 2
        ax.barh(
            row, ended - begun, left=begun, height=0.22, color=style.quiet, alpha=0.45, zorder=1.5
        )
    if first == last:
        ax.plot([first + 0.5], [row], "^", color=style.observed, markersize=5, zorder=2)
    else:
        ax.plot([first, last + 1], [row, row], "-|", color=style.observed, markersize=7, zorder=2)


def _near_lags(attribution: pd.DataFrame, event: str) -> Iterator[dict]:
    own = attribution[attribution["event"] == event]
    near = own["lag_years_median"].astype(float).abs() <= NEAR_YEARS
    yield from own[near].to_dict("records")


def _draw_lag(ax: Axes, event: dict, lag: dict, start: float) -> None:
    style = current_style()
    first, last = float(event["event_first_year"]), float(event["event_last_year"])
    row = event["row"] + 0.36
    begun = (first + last + 1) / 2
    ax.plot(
        [begun, start + 0.5],
        [row, row],
        color=style.posterior,
        linewidth=1.2,
        marker=".",
        markersize=4,
        zorder=3,
    )
    low, middle, high = Interval.of(lag, "lag_years")
    ax.annotate(
        f"{middle:+.0f} ({low:.0f} to {high:.0f})",
        (max(last + 1, start + 0.5) + 1.5, row),
        ha="left",
        va="center",
        fontsize=style.points(7.5),
        color=style.posterior,
        zorder=4,
    )


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
    event = events.iloc[0]
    kind = event["kind"].replace("-", " ")
    first, last = event["event_first_year"], event["event_last_year"]
    if len(events) > 1:
        return f"{kind}, {len(events)} times\n{first}\u2013{events['event_last_year'].max()}"
    when = f"{first}" if first == last else f"{first}\u2013{last}"
    until = f", until {event['event_ended_year']}" if event["timing"] == "period" else ""
    return f"{kind}\n{when}{until}"
