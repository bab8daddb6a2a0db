"""The small pictures on the cards of objects, as SVG: histograms, intervals, histories."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

from standage.object_card import BLUE, FAINT, INK, LIGHT_BLUE, LINE

if TYPE_CHECKING:
    import numpy as np

WIDTH = 672  # of every picture; cards are as wide [px]
LABEL = 215  # room for a name left of it [px]


def histogram(
    edges: np.ndarray, all_of_them: np.ndarray, some_of_them: np.ndarray, unit: str
) -> str:
    """Counts by class `(class,)` between `edges` `(class + 1,)`; those of `some_of_them` dark."""
    height, foot = 120, 22
    scale = height / max(float(all_of_them.max()), 1.0)
    wide = WIDTH / len(all_of_them)
    bars = []
    for place, (every, some) in enumerate(zip(all_of_them, some_of_them, strict=True)):
        for number, colour in ((every, LIGHT_BLUE), (some, BLUE)):
            tall = float(number) * scale
            bars.append(
                f'<rect x="{place * wide + 1:.1f}" y="{height - tall:.1f}" width="{wide - 2:.1f}"'
                f' height="{tall:.1f}" fill="{colour}"/>'
            )
    marks = [
        _text(place * wide, height + 16, f"{edges[place]:g}", anchor="middle" if place else "start")
        for place in range(0, len(edges) - 1, max(1, len(edges) // 8))
    ]
    marks.append(_text(WIDTH, height + 16, f"{edges[-1]:g} {unit}", anchor="end"))
    return _svg(height + foot, [*bars, _baseline(height), *marks])


def intervals(rows: Sequence[tuple[str, float, float, float, str]]) -> str:
    """Rows of (name, low, middle, high, in words), each on a scale of its own from 0."""
    tall, middle = 34, 150  # of a row, and the room for its words [px]
    room = WIDTH - LABEL - middle - 20
    parts = []
    for number, (name, low, centre, high, words) in enumerate(rows):
        y = number * tall + 18
        at = [LABEL + room * value / (1.05 * high) for value in (low, centre, high)]
        parts += [
            _text(0, y + 4, name, colour=INK),
            f'<line x1="{LABEL}" x2="{LABEL + room}" y1="{y}" y2="{y}" stroke="{LINE}"/>',
            f'<line x1="{at[0]:.1f}" x2="{at[2]:.1f}" y1="{y}" y2="{y}" stroke="{LIGHT_BLUE}"'
            ' stroke-width="10" stroke-linecap="round"/>',
            f'<circle cx="{at[1]:.1f}" cy="{y}" r="5.5" fill="{BLUE}"/>',
            _text(WIDTH, y + 4, words, anchor="end"),
        ]
    return _svg(len(rows) * tall, parts)


def histories(
    years: np.ndarray, rows: Sequence[tuple[str, np.ndarray, np.ndarray, np.ndarray]]
) -> str:
    """Rows of (name, low, median, high) by year `(year,)`, each on a scale of its own; shorter rows
    end before the axis does.
    """
    tall, gap, foot = 46, 8, 22
    room = WIDTH - LABEL
    across = LABEL + room * (years - years[0]) / max(years[-1] - years[0], 1)
    parts = []
    for number, (name, low, median, high) in enumerate(rows):
        base = number * (tall + gap) + tall
        scale = (tall - 4) / max(float(high.max()), 1e-300)
        x = across[: len(median)]
        band = [
            *zip(x, base - high * scale, strict=True),
            *zip(x[::-1], base - low[::-1] * scale, strict=True),
        ]
        parts += [
            _text(0, base - 6, name, colour=INK),
            f'<polygon points="{_points(band)}" fill="{LIGHT_BLUE}"/>',
            f'<polyline points="{_points(zip(x, base - median * scale, strict=True))}" fill="none"'
            f' stroke="{BLUE}" stroke-width="1.6"/>',
            _baseline(base, LABEL),
        ]
    bottom = len(rows) * (tall + gap)
    first, last = int(years[0]), int(years[-1])
    step = next(size for size in (10, 20, 25, 50, 100, 200, 500, 1000) if (last - first) / size < 9)
    for year in range(-(-first // step) * step, last + 1, step):
        x = LABEL + room * (year - first) / max(last - first, 1)
        near_end = x > WIDTH - 20
        parts.append(_text(x, bottom + 14, str(year), anchor="end" if near_end else "middle"))
    return _svg(bottom + foot, parts)


def _svg(height: float, parts: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH} {height:.0f}" width="100%" role="img"'
        ' style="display:block;margin-top:6px;font:12px system-ui,sans-serif">'
        + "".join(parts)
        + "</svg>"
    )


def _text(x: float, y: float, words: str, *, anchor: str = "start", colour: str = FAINT) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}" text-anchor="{anchor}">'
        f"{escape(words)}</text>"
    )


def _baseline(y: float, start: float = 0) -> str:
    return f'<line x1="{start}" x2="{WIDTH}" y1="{y}" y2="{y}" stroke="{FAINT}"/>'


def _points(places: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
