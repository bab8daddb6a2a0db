"""A young cohort: many more plants of the last decades alive than steady recruitment leaves, before
any of them is large enough for a core.

What stands out as a pulse rests on cored trees and on quiet years after it, so that a cohort still
in the grass stage, or below the diameter limit, is none. It is seen in counts and small stems, and
nothing is known of what becomes of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.findings.local_ratio import (
    FARTHEST_BACKGROUND,
    LOWEST_SHARE,
    NEAREST_BACKGROUND,
    Scan,
)

SPAN = 10  # length of the years looked at [years]
YOUNGEST_ENDS = 15  # years before the survey in which these may end [years]
# times as many, age for age, as of the years before: seedling counts are known within a factor of
# two or three (assumption)
MANY_MORE = 4.0


@dataclass(frozen=True)
class YoungCohort:
    """first, last : the ten years looked at that stand out most. probability : that of these at
    least `MANY_MORE` times as many live as of the years before, the dying of the young allowed for.
    ratio : how many times as many, the median.
    """

    first: int
    last: int
    probability: float
    ratio: float


def young_cohort(scan: Scan) -> YoungCohort | None:
    """The ten years among the youngest that stand out most from the years before them; None where
    none can be looked at.
    """
    years = scan.years
    found = []
    for last in range(max(len(years) - 1 - YOUNGEST_ENDS, 0), scan.last_telling + 1):
        if last - SPAN - NEAREST_BACKGROUND < 0:
            continue
        ratio = above_the_years_before(scan.settled, last)
        span = int(years[last - SPAN + 1]), int(years[last])
        chance = float(np.mean(ratio >= MANY_MORE))
        found.append(YoungCohort(*span, chance, float(np.median(ratio))))
    return max(found, key=lambda one: (one.probability, one.ratio), default=None)


def above_the_years_before(rate: np.ndarray, last: int) -> np.ndarray:
    """Mean of the rate in the ten years up to a place on the axis, over that of the lowest of the
    years before them. (draw,) rate: (draw, year)
    """
    first = last - SPAN + 1
    before = np.sort(
        rate[:, max(first - FARTHEST_BACKGROUND, 0) : first - NEAREST_BACKGROUND + 1], axis=1
    )
    lowest = before[:, : max(1, round(LOWEST_SHARE * before.shape[1]))].mean(axis=1)
    inside = rate[:, first : last + 1].mean(axis=1)
    return inside / np.maximum(lowest, np.finfo(float).tiny)
