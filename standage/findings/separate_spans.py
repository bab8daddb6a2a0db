"""Years that draws leave open in two or more places, with an unlikely stretch between."""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np

SMOOTHING = 5  # running mean over the years, so that single draws make no span [years]
LEAST_GAP = 10  # years between two spans; nearer ones are one (assumption) [years]
# least share of the draws in a span, and most of them between two, against the smaller of the two
# (assumptions)
LEAST_SHARE = 0.15
MOST_BETWEEN = 0.25
FEWEST_DRAWS = 100  # fewer would make spans by chance (assumption)


_WRITTEN = re.compile(r"(\d+)-(\d+) \((\d+) %\)")


class Span(NamedTuple):
    """First and last year, and the share of the draws in it."""

    first: int
    last: int
    share: float

    def __str__(self) -> str:
        return f"{self.first}-{self.last} ({100 * self.share:.0f} %)"


def read_spans(text: str) -> list[Span]:
    """Spans as they stand in a table, likeliest first.

    >>> read_spans("1909-1924 (70 %); 1938-1946 (20 %)")[1]
    Span(first=1938, last=1946, share=0.2)
    """
    found = [
        Span(int(first), int(last), int(share) / 100)
        for first, last, share in _WRITTEN.findall(text)
    ]
    return sorted(found, key=lambda span: -span.share)


def separate_spans(years: np.ndarray, level: float) -> list[Span]:
    """The likeliest years that hold `level` of the draws, where they lie apart; empty where they
    are one span, or nothing is drawn.

    years : drawn years of one tree. (draw,) NaN where a draw has none.
    """
    years = np.sort(years[np.isfinite(years)]).astype(int)
    if len(years) < FEWEST_DRAWS or years[-1] - years[0] < LEAST_GAP:
        return []
    first = years[0] - SMOOTHING
    counts = np.bincount(years - first, minlength=years[-1] - first + SMOOTHING + 1)
    smooth = np.convolve(counts, np.ones(SMOOTHING) / SMOOTHING, "same")
    order = np.argsort(-smooth, kind="stable")
    held = np.cumsum(smooth[order]) / smooth.sum()
    likely = np.zeros(len(smooth), dtype=bool)
    likely[order[: int(np.searchsorted(held, level)) + 1]] = True
    edges = np.flatnonzero(np.diff(np.concatenate([[0], likely.astype(int), [0]])))
    spans = [(int(a) + first, int(b) + first - 1) for a, b in edges.reshape(-1, 2)]
    return _shares(_merged(_merged(spans, years, gaps=True), years, gaps=False), years)


def _merged(
    spans: list[tuple[int, int]], years: np.ndarray, *, gaps: bool
) -> list[tuple[int, int]]:
    """Neighbours joined until all are apart: by years between them (`gaps`), or by what they hold
    and what lies between.
    """
    spans = list(spans)
    place = 0
    while place < len(spans) - 1:
        (first, last), (begin, end) = spans[place], spans[place + 1]
        if gaps:
            one = begin - last <= LEAST_GAP
        else:
            smaller = min(_held(years, first, last), _held(years, begin, end))
            between = _held(years, last + 1, begin - 1)
            one = smaller < LEAST_SHARE or between > MOST_BETWEEN * smaller
        if one:
            spans[place : place + 2] = [(first, end)]
            place = max(place - 1, 0)
        else:
            place += 1
    return spans


def _held(years: np.ndarray, first: int, last: int) -> float:
    """Share of the drawn years from first to last."""
    inside = np.searchsorted(years, last, "right") - np.searchsorted(years, first, "left")
    return max(float(inside), 0.0) / len(years)


def _shares(spans: list[tuple[int, int]], years: np.ndarray) -> list[Span]:
    if len(spans) < 2:
        return []
    return [Span(first, last, _held(years, first, last)) for first, last in spans]
