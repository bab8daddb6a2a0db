"""Whether the cores of a tree can all be right: the years that each leaves open, and whether a tree
can have passed all its cores in them.

A tree whose cores leave no year in common is dated from none of them, here and in the stand model.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from standage.evidence import gross_errors, height, ring_count
from standage.evidence.arrays import Floats, Integers
from standage.evidence.core import CoreReadings
from standage.profiles import Profile

REACH_SCALES = 10
"""Reader errors are followed to so many scales: what lies beyond is 6 in 10,000."""
USUAL_SCALES = 4
"""Reader errors that still pass for usual: beyond it are 8 in 1,000 on either side (assumption)."""
REACH_LOG_SDS = 3.3
"""Rings missed are followed to the 99.95 % point."""
BIAS_SDS = 3.0
"""How far a stand's counting bias is followed [standard deviations]; 99.7 % of it."""
STEP_TAIL = 1e-8
"""Seasons of growth between two cores rarer than this are left out."""


def longest_missed(readings: CoreReadings, rows: Integers, profile: Profile) -> Integers:
    """How many rings missed are followed, of each of the `rows`: any number where those seen are a
    least number only.
    """
    longevity = int(profile["longevity.years"])
    total = np.hypot(readings.centre_sigma[rows], readings.centre_loading[rows])
    with np.errstate(over="ignore"):
        longest = np.exp(readings.centre_mu[rows] + REACH_LOG_SDS * total)
    followed = np.minimum(np.ceil(np.nan_to_num(longest)) + 1, longevity)
    return np.where(readings.at_least[rows], longevity, followed).astype(int)


def years_open(
    readings: CoreReadings, rows: Integers, profile: Profile, reach_scales: float = REACH_SCALES
) -> tuple[Floats, Floats]:
    """First and last calendar year in which the tree can have reached the core's height (emergence
    height for a core below it), of each of the readable `rows`; all but negligible.
    """
    bias_mean, bias_sd = ring_count.counting_bias(profile)
    counted = readings.counted_rings[rows]
    slack = np.ceil(
        counted * (abs(bias_mean) + BIAS_SDS * bias_sd)
        + reach_scales * np.nan_to_num(readings.reader_scale[rows])
        + np.nan_to_num(np.abs(readings.further_shifts[rows])).max(axis=1, initial=0.0)
        + gross_errors.LONGEST_SHIFT * (readings.gross_share[rows] > 0)
    )
    shifts, possible = readings.outer_years[rows], readings.outer_weights[rows] > 0
    earliest = np.where(possible, shifts, np.inf).min(axis=1)
    latest = np.where(possible, shifts, -np.inf).max(axis=1)
    waited = (
        (height.years_already_waited_pmf(profile).size - 1) * readings.below_emergence[rows]
        if readings.below_emergence[rows].any()
        else 0
    )
    innermost = readings.innermost_year[rows]
    low = innermost + earliest - slack - longest_missed(readings, rows, profile) - waited
    return low, np.minimum(innermost + latest + slack, readings.reached_by[rows])


def last_years_in_common(
    readings: CoreReadings,
    rows: Integers,
    tree: Integers,
    heights: Floats,
    profile: Profile,
    reach_scales: float = REACH_SCALES,
) -> Floats:
    """The last year in which each tree can have passed its lowest core, with all its cores right,
    NaN where they leave none: `(tree,)` by number.

    rows: readable cores `(core,)`. tree: number of the tree of each, from 0. heights: at which each
    stands; those of one height are taken together, and between two heights lie the seasons that
    growth from one to the other may take. [cm]
    """
    number = int(tree.max(initial=-1)) + 1
    low, high = years_open(readings, rows, profile, reach_scales)
    first, last = np.full(number, -np.inf), np.full(number, np.inf)
    above = np.full(number, np.nan)
    order = np.lexsort((-heights, tree))
    _, start, count = np.unique(tree[order], return_index=True, return_counts=True)
    for place in range(int(count.max(initial=0))):
        here = order[(start + place)[count > place]]
        of = tree[here]
        longest = np.zeros(len(here))
        for upper, lower in {
            (float(a), float(b))
            for a, b in zip(above[of], heights[here], strict=True)
            if a > b  # never so at the first core
        }:
            between = (above[of] == upper) & (heights[here] == lower)
            longest[between] = len(growth_between(profile, upper, lower)) - 1
        first[of] = np.maximum(first[of] - longest, low[here])
        last[of] = np.minimum(last[of], high[here])
        last[of] = np.where(first[of] > last[of], np.nan, last[of])
        above[of] = heights[here]
    return last


def one_is_misread(
    readings: CoreReadings, rows: Integers, tree: Integers, heights: Floats, profile: Profile
) -> NDArray[np.bool_]:
    """Whether the cores of each tree, one counted at least, disagree by more than counts usually
    stray, `(tree,)`; arguments as of `last_years_in_common`.
    """
    last = last_years_in_common(readings, rows, tree, heights, profile)
    doubted = np.bincount(tree, readings.gross_share[rows] > 0, minlength=len(last)) > 0
    if not doubted.any():
        return np.zeros(len(last), dtype=bool)
    undoubted = replace(readings, gross_share=np.zeros(len(readings)))
    as_read = last_years_in_common(undoubted, rows, tree, heights, profile, USUAL_SCALES)
    return np.isnan(as_read) & ~np.isnan(last) & doubted


def misread_words(cores: NDArray[np.object_]) -> str:
    """That one of the cores of a tree is misread, by their names."""
    return (
        f"its cores {', '.join(cores[:-1])} and {cores[-1]} disagree by more than counts stray:"
        " one is probably misread; read them again"
    )


@lru_cache(maxsize=1024)
def growth_between(profile: Profile, upper_cm: float, lower_cm: float) -> Floats:
    """Prior pmf `(k,)` of the seasons of growth between two heights, without its rare tail."""
    return without_tail(height.height_growth_pmf_prior(profile, lower_cm, upper_cm))


def without_tail(pmf: Floats) -> Floats:
    """A pmf of seasons up to where all but `STEP_TAIL` of it lies."""
    return pmf[: int(np.argmax(np.cumsum(pmf) >= pmf.sum() - STEP_TAIL)) + 1]
