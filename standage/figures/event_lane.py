"""Events on record in a lane below a time axis: when each may have begun, and how long it went on.

What isn't known of a year and what an event lasted are two marks: a line between two stops is a
range of years in one of which it began, a thick bar the years of a period.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.transforms import ScaledTranslation, Transform

from standage.figures.axes import LETTER_WIDTH
from standage.figures.styles import current_style
from standage.findings.events_on_record import RECURRING

MOST_EVENTS = 12  # in rows of their own; of more, those of a kind share one
ROW_HEIGHT = 0.16  # of a row of the lane at a type of 8 points [inches]
BESIDE = 0.06  # between a mark and its words [inches]
ABOVE = 0.05  # between the axis and the lane [inches]


Side = Literal["left", "right", "under"]


@dataclass(frozen=True)
class _Mark:
    """An event, those of a kind that share a mark, or trees.

    words : beside it. spans : first and last year in which each began. ended : last year of a
    period, NaN where it is none. ticks : a tick for each span in place of an event's mark.
    """

    words: str
    spans: tuple[tuple[float, float], ...]
    ended: float = float("nan")
    ticks: bool = False

    @property
    def first(self) -> float:
        return min(first for first, _ in self.spans)

    @property
    def last(self) -> float:
        """Where the mark ends."""
        end = max(last for _, last in self.spans) + 1
        return max(end, self.ended + 1) if np.isfinite(self.ended) else end


def draw_events(ax: Axes, events: pd.DataFrame | None, *, dated: np.ndarray | None = None) -> float:
    """Draws the events that lie on the time axis below it, moves the axis's numbers below them, and
    returns the height of the lane. [inches]

    Call it when the limits of the axis are set. dated : years of the cored trees, a tick each in a
    row above the events.
    """
    left, right = ax.get_xlim()
    marks = []
    if dated is not None and len(dated):
        words = f"{len(dated)} cored trees" if len(dated) > 1 else "1 cored tree"
        shown = dated[(dated >= left) & (dated <= right)]
        marks.append(_Mark(words, tuple((year, year) for year in shown), ticks=True))
    if events is not None:
        on_axis = events[(events["last_year"] >= left) & (events["first_year"] <= right)]
        marks += _marks(on_axis.sort_values("first_year", kind="stable"))
    if not marks:
        return 0.0
    row_height = ROW_HEIGHT * current_style().points(8) / 8
    rows = _rows(ax, marks)
    for mark, (row, side) in zip(marks, rows, strict=True):
        at = _below(ax, ABOVE + (row + 0.5) * row_height)
        _draw_mark(ax, mark, at)
        beside = at if side != "under" else _below(ax, ABOVE + (row + 1.5) * row_height)
        _draw_words(ax, mark, beside, side)
    height = ABOVE + row_height * (1 + max(row + (side == "under") for row, side in rows))
    ax.tick_params(axis="x", pad=72 * height + 3)
    ax.set_xlim(left, right)
    return height


def _below(ax: Axes, down: float) -> Transform:
    """Years across, and a fixed distance below the axis. [inches]"""
    return ax.get_xaxis_transform() + ScaledTranslation(0, -down, ax.figure.dpi_scale_trans)


def _draw_mark(ax: Axes, mark: _Mark, at: Transform) -> None:
    style = current_style()
    ink: dict[str, Any] = {"color": style.observed, "clip_on": False, "transform": at}
    if np.isfinite(mark.ended):
        begun = sum(mark.spans[0]) / 2 + 0.5
        ax.plot(
            [begun, mark.ended + 1],
            [0, 0],
            color=style.quiet,
            linewidth=4,
            solid_capstyle="butt",
            clip_on=False,
            transform=at,
        )
    for first, last in mark.spans:
        if mark.ticks:
            ax.plot([first + 0.5], [0], "|", markersize=7, **ink | {"color": style.posterior})
        elif first == last:
            ax.plot([first + 0.5], [0], "^", markersize=4, **ink)
        else:
            ax.plot([first, last + 1], [0, 0], "-|", linewidth=1.0, markersize=5, **ink)


def _draw_words(ax: Axes, mark: _Mark, at: Transform, side: Side) -> None:
    beside = {"left": mark.first, "right": mark.last}.get(side, _beginning(ax, mark))
    away = {"left": -72 * BESIDE, "right": 72 * BESIDE}.get(side, 0.0)
    ax.annotate(
        mark.words,
        (beside, 0),
        xycoords=at,
        xytext=(away, 0),
        textcoords="offset points",
        ha="right" if side == "left" else "left",
        va="center",
        fontsize=current_style().points(8),
        annotation_clip=False,
    )


def _inches_a_year(ax: Axes) -> float:
    left, right = ax.get_xlim()
    return float(ax.get_position().width * ax.figure.bbox.width / ax.figure.dpi / (right - left))


def _length(mark: _Mark) -> float:
    """Of its words, with room on either side. [inches]"""
    return len(mark.words) * LETTER_WIDTH * current_style().points(8) / 72 + 2 * BESIDE


def _beginning(ax: Axes, mark: _Mark) -> float:
    """Where words under a mark begin: at the mark, unless they would run out of the axis. [year]"""
    left, right = ax.get_xlim()
    return max(left, min(mark.first, right - _length(mark) / _inches_a_year(ax)))


def _rows(ax: Axes, marks: Sequence[_Mark]) -> list[tuple[int, Side]]:
    """For each mark the first row in which it runs into no other, and where its words stand: beside
    it, or in the row below where there is room on neither side.
    """
    left, right = ax.get_xlim()
    inches_a_year = _inches_a_year(ax)
    width = inches_a_year * (right - left)
    taken: list[float] = []  # where the last mark of each row ends [inches]
    found: list[tuple[int, Side]] = []
    for mark in marks:
        words = _length(mark)
        first, last = ((year - left) * inches_a_year for year in (mark.first, mark.last))
        side: Side = "right" if last + words <= width else "left" if first > words else "under"
        begin = first - words if side == "left" else first
        end = last + words if side == "right" else last
        row = next((row for row, until in enumerate(taken) if until <= begin), len(taken))
        if side == "under":
            row = len(taken)
        # a mark with its words below has both rows to itself: beside it, words would seem its own
        taken[row:] = [width, width] if side == "under" else [end, *taken[row + 1 :]]
        found.append((row, side))
    return found


def _marks(events: pd.DataFrame) -> list[_Mark]:
    """A mark each, or one for all of a kind, the commonest kinds first, until there is room."""
    rows = events.to_dict("records")
    alike = _kinds_together(events)
    marks: dict[str, list[dict]] = {}
    for number, event in enumerate(rows):
        key = event["kind"] if event["kind"] in alike else str(number)
        marks.setdefault(key, []).append(event)
    return [_mark(members) for members in marks.values()]


def _kinds_together(events: pd.DataFrame) -> set[str]:
    together: set[str] = set()
    left = len(events)
    for kind, number in events["kind"].value_counts().items():
        if left <= MOST_EVENTS or number < RECURRING:
            break
        together.add(str(kind))
        left -= number - 1
    return together


def _mark(members: list[dict]) -> _Mark:
    kind = members[0]["kind"].replace("-", " ")
    spans = tuple((float(each["first_year"]), float(each["last_year"])) for each in members)
    first, last = spans[0]
    if len(members) > 1:
        words = f"{kind}, {len(members)} times {first:.0f}\u2013{spans[-1][1]:.0f}"
        return _Mark(words, spans)
    begun = f"{first:.0f}" if first == last else f"{first:.0f}\u2013{last:.0f}"
    ended = float(members[0]["ended_year"])
    if np.isfinite(ended) and ended > last:
        return _Mark(f"{kind}, {begun} to {ended:.0f}", spans, ended)
    return _Mark(f"{kind} {begun}" if first == last else f"{kind}, one year of {begun}", spans)
