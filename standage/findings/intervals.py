"""Draws to low, median and high: the one place where a credible level becomes columns of a
table.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

SUFFIXES = ("_low", "_median", "_high")
# share of common years from which two spans tell the same: two of equal length shifted by half of
# it (assumption)
ALIKE = 1 / 3
MOST_SPANS_TRIED = 300  # candidates for the typical span; more hardly find a better one [draws]


class Interval(NamedTuple):
    """Ends and median of a quantity at the level of its table; NaN where it is not known."""

    low: float
    median: float
    high: float

    @classmethod
    def of(cls, row: Mapping[str, Any], name: str) -> Interval:
        """`name_low`, `_median` and `_high` of a row of a table."""
        return cls(*(_number(row[name + suffix]) for suffix in SUFFIXES))

    @property
    def known(self) -> bool:
        return bool(np.isfinite(self.median))

    @property
    def width(self) -> float:
        return self.high - self.low


def _number(value: Any) -> float:
    return float("nan") if pd.isna(value) else float(value)


def credible_points(draws: np.ndarray, level: float) -> np.ndarray:
    """Low, median and high point of draws along their first axis.

    Parameters
    ----------
    draws : (draw, ...) float array; NaN is left out, and a column of nothing but NaN gives NaN.
    level : probability between low and high; 0.9 gives the 5, 50 and 95 % points.

    Returns
    -------
    (3, ...) float array.

    Raises
    ------
    ValueError if the level is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"the credible level must lie between 0 and 1, not {level}")
    draws = np.asarray(draws, dtype=float)
    points = ((1 - level) / 2, 0.5, (1 + level) / 2)
    missing = np.isnan(draws)
    if not missing.any():
        return np.quantile(draws, points, axis=0)
    result = np.full((3, *draws.shape[1:]), np.nan)
    known = ~missing.all(axis=0)
    if known.any():
        result[:, known] = np.nanquantile(draws[:, known], points, axis=0)
    return result


def interval_columns(
    name: str, draws: np.ndarray, level: float, *, whole: bool = False
) -> dict[str, np.ndarray | float]:
    """Columns `name_low`, `name_median`, `name_high`; `whole` rounds to whole numbers (calendar
    years, ages).
    """
    points = credible_points(draws, level)
    if whole:
        points = np.rint(points)
    return {name + suffix: point for suffix, point in zip(SUFFIXES, points, strict=True)}


def interval_arrays(table: pd.DataFrame, name: str) -> np.ndarray:
    """What `interval_columns` made, of a table. (3, row)"""
    return np.array([table[name + suffix].to_numpy(dtype=float) for suffix in SUFFIXES])


def shortest_span(
    stems: np.ndarray, years: np.ndarray, share: float
) -> tuple[np.ndarray, np.ndarray]:
    """First and last year of the shortest run of years that holds a share of the stems, for each
    draw.

    Parameters
    ----------
    stems : (draw, year) non-negative amounts; a draw without stems gives NaN.
    years : (year,) consecutive calendar years.
    share : share to be held, 0 to 1.

    Returns
    -------
    first, last : (draw,) float arrays. [calendar year]
    """
    first = np.full(len(stems), np.nan)
    last = np.full(len(stems), np.nan)
    for draw, amounts in enumerate(stems):
        held = np.concatenate([[0.0], np.cumsum(amounts)])
        if held[-1] <= 0:
            continue
        held /= held[-1]
        # the tolerance keeps a span that holds the share exactly from being lengthened by rounding
        end = np.searchsorted(held, held[:-1] + share - 1e-12, side="left")
        start = np.arange(len(amounts))
        length = np.where(end < len(held), end - start, len(held) + 1)
        best = int(np.argmin(length))
        first[draw], last[draw] = years[best], years[end[best] - 1]
    return first, last


def typical_span(first: np.ndarray, last: np.ndarray) -> tuple[float, float, float]:
    """The drawn span that shares most years with the others, and the share of draws that agree with
    it.

    Medians of first and last years taken apart may make a span that no draw has, as where half of
    the stems came in either of two bursts. Two spans agree if they have at least a third of the
    years in common that they cover together. NaN where no draw has a span.
    """
    known = np.isfinite(first)
    if not known.any():
        return np.nan, np.nan, np.nan
    first, last = first[known], last[known]
    tried = np.linspace(0, len(first) - 1, min(len(first), MOST_SPANS_TRIED)).astype(int)
    common = np.minimum(last, last[tried, None]) - np.maximum(first, first[tried, None]) + 1
    covered = (last - first + 1) + (last - first + 1)[tried, None] - common
    likeness = np.maximum(common, 0) / np.where(common > 0, covered, 1)
    best = int(np.argmax(likeness.mean(axis=1)))
    return (
        float(first[tried[best]]),
        float(last[tried[best]]),
        float(np.mean(likeness[best] >= ALIKE)),
    )


def fullest_span(
    stems: np.ndarray, years: np.ndarray, length: int
) -> tuple[np.ndarray, np.ndarray]:
    """First year of the run of `length` years that holds most stems, and the share it holds, for
    each draw.

    Same shapes as `shortest_span`; returns first year and share, both (draw,).
    """
    length = min(length, stems.shape[1])
    held = np.concatenate([np.zeros((len(stems), 1)), np.cumsum(stems, axis=1)], axis=1)
    inside = held[:, length:] - held[:, :-length]
    best = np.argmax(inside, axis=1)
    total = np.where(held[:, -1] > 0, held[:, -1], np.nan)
    return years[best].astype(float), inside[np.arange(len(stems)), best] / total
