"""What the trees of a stand have in common in their growth, parted into lasting steps, which are
kept, and all else, which is taken out.

A dry decade moves all trees alike and then looks like so many releases. The mean curve of the trees
is therefore asked first, by the model of `standage.growth.release_model` and so against the curve's
own memory: what it shows as a lasting step may be an opening and stays in the trees; its swings
from year to year and its slow wandering are weather and climate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.growth.classified_steps import LEAST_SIDE
from standage.growth.release_model import (
    SHORTEST_SERIES,
    TREND_SD,
    common_rises,
    mean_steps,
    pulled_in,
    running_median,
    trend_columns,
)

LEAST_SHARED = 10  # rings that two trees, or two cores of a tree, must share to be compared [rings]
# without a common curve long enough, what is taken out are swings from the running median of so
# many years [years]
WEATHER_YEARS = 5
# of what a tree does for itself, for the weight of its trend beside it: 25 % of its width
# (assumption) [log width]
OWN_VARIANCE = 0.05
LEVEL_PRECISION = 0.01  # of a tree's mean level: next to nothing assumed
# of fitting trends and the common curve in turn; a further one moves the curve by less than 0.01
ROUNDS = 20


@dataclass(frozen=True)
class CommonGrowth:
    """What the trees of one stand and species do together.

    taken_out : (tree, year) what each tree's growth owes to what the others do too, lasting steps
        excepted: to be taken from its log widths [log width].
    rising : (year,) probability that a lasting rise of the common curve began with the ring of the
        year.
    at_risk : (year,) bool, years in which one could have been told.
    """

    taken_out: np.ndarray
    rising: np.ndarray
    at_risk: np.ndarray


def common_growth(
    logs: np.ndarray, generator: np.random.Generator, elsewhere: np.ndarray | None = None
) -> CommonGrowth:
    """What the trees of one stand and species do together: to be taken out, and to be told of.

    Parameters
    ----------
    logs : (tree, year) log ring widths of the trees of one stand and species, NaN outside a series.
    generator : of the chain that looks for lasting steps of the common curve.
    elsewhere : (year,) weather of the species as other stands show it, NaN where they don't; what
        the curve shares with it is no rise of this stand. See `weather`.

    Returns
    -------
    `taken_out` is NaN nowhere; 0 where no other tree has rings, and everywhere where trees have
    nothing in common.
    """
    length = logs.shape[1]
    rising, at_risk = np.zeros(length), np.zeros(length, dtype=bool)
    years = years_in_common(logs)
    if years.stop - years.start < SHORTEST_SERIES:
        return CommonGrowth(common_to_others(_swings(logs)), rising, at_risk)
    trends, curve = trends_and_curve(logs)
    own = pulled_in(curve[years])
    steps = np.zeros(length)
    steps[years] = mean_steps(own, generator)
    steps[years.stop :] = steps[years.stop - 1]
    if elsewhere is not None:
        own = own - shared_weather(own - steps[years], elsewhere[years])
    rising[years] = common_rises(own, generator)
    at_risk[years.start + LEAST_SIDE : years.stop - LEAST_SIDE + 1] = True
    return CommonGrowth(common_to_others(logs - trends - steps), rising, at_risk)


def weather(logs: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """The common curve of the trees of one stand and species less its lasting steps. (year,) NaN
    where fewer than two trees have rings, and everywhere where they share too few years.
    """
    result = np.full(logs.shape[1], np.nan)
    years = years_in_common(logs)
    if years.stop - years.start >= SHORTEST_SERIES:
        own = pulled_in(trends_and_curve(logs)[1][years])
        result[years] = own - mean_steps(own, generator)
    return result


def shared_weather(own: np.ndarray, elsewhere: np.ndarray) -> np.ndarray:
    """The part of a stand's weather that other stands show as well: its regression on theirs, a
    slope of 0 to 1. (year,); 0 where they have none.
    """
    there = np.isfinite(elsewhere)
    if there.sum() < SHORTEST_SERIES:
        return np.zeros(len(own))
    apart = np.where(there, elsewhere - elsewhere[there].mean(), 0.0)
    slope = (own[there] @ apart[there]) / max(float(apart @ apart), 1e-12)
    return min(max(float(slope), 0.0), 1.0) * apart


def trends_and_curve(logs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Each tree's level and trend with age (tree, year), 0 outside its series, and the mean of what
    is left, (year,).
    """
    there = np.isfinite(logs)
    fits = []
    for row in there:
        trend = trend_columns(int(row.sum()))
        columns = np.concatenate([np.ones((len(trend), 1)), trend], axis=1)
        precision = OWN_VARIANCE * np.diag([LEVEL_PRECISION, *np.array(TREND_SD) ** -2.0])
        fits.append((columns, np.linalg.solve(columns.T @ columns + precision, columns.T)))
    trends, curve = np.zeros(logs.shape), np.zeros(logs.shape[1])
    for _ in range(ROUNDS):
        for tree, (columns, solving) in enumerate(fits):
            trends[tree, there[tree]] = columns @ (
                solving @ (logs[tree, there[tree]] - curve[there[tree]])
            )
        curve = np.where(there, logs - trends, 0.0).sum(axis=0) / np.maximum(there.sum(axis=0), 1)
    return trends, curve


def common_to_others(apart: np.ndarray) -> np.ndarray:
    """The common part of each year as the *other* trees tell it, shrunk by how well so many tell
    it: by v_c/(v_c + v_o/n).

    v_c is the mean covariance between trees, v_o what is a tree's own. (tree, year); 0 where the
    others tell nothing.
    """
    there = np.isfinite(apart)
    filled = np.where(there, apart, 0.0)
    shared = there.astype(float) @ there.T
    products = filled @ filled.T
    pairs = (shared >= LEAST_SHARED) & ~np.eye(len(apart), dtype=bool)
    if not pairs.any():
        return np.zeros(apart.shape)
    common = max(float(products[pairs].sum() / shared[pairs].sum()), 0.0)
    own = max(float((filled**2).sum() / there.sum()) - common, 1e-12)
    number = there.sum(axis=0) - there
    total = filled.sum(axis=0) - filled
    return total * common / (common * number + own)


def _swings(logs: np.ndarray) -> np.ndarray:
    result = np.full(logs.shape, np.nan)
    for tree, row in enumerate(logs):
        there = np.isfinite(row)
        result[tree, there] = row[there] - running_median(row[there], WEATHER_YEARS)
    return result


def years_in_common(logs: np.ndarray) -> slice:
    """The longest run of years in which two trees or more have rings."""
    return _longest_run(np.isfinite(logs).sum(axis=0) >= 2)


def _longest_run(holds: np.ndarray) -> slice:
    """The longest run of consecutive places that hold, the first of equals; empty if none does."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(int)))
    begins, ends = edges[::2], edges[1::2]
    if not len(begins):
        return slice(0, 0)
    longest = int(np.argmax(ends - begins))
    return slice(int(begins[longest]), int(ends[longest]))
