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
# probability from which a young cohort is claimed, or that there is none (assumption)
SURE_OF_YOUNG = 0.9
# years before those that stand out in which a cohort may have begun, and times the lowest of the
# years before from which still earlier ones without a break are its own [years] (assumptions)
BEFORE = 5
DENSER = 2.0
OUTLYING_SHARE = 0.05  # of a cohort's excess that may lie before its first, and after its last year


@dataclass(frozen=True)
class YoungCohort:
    """The ten years looked at that stand out most.

    Attributes
    ----------
    first, last : of them.
    probability : that of some ten of the youngest years at least `MANY_MORE` times as many live as
        of the years before, the dying of the young allowed for.
    ratio : how many times as many of those that stand out most, the median.
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
    found, some = [], np.zeros(len(scan.settled), dtype=bool)
    for last in range(max(len(years) - 1 - YOUNGEST_ENDS, 0), scan.last_telling + 1):
        if last - SPAN - NEAREST_BACKGROUND < 0:
            continue
        ratio = above_the_years_before(scan.settled, last)
        span = int(years[last - SPAN + 1]), int(years[last])
        many = ratio >= MANY_MORE
        some |= many
        found.append((float(np.mean(many)), float(np.median(ratio)), *span))
    if not found:
        return None
    _, most, first, last = max(found)
    return YoungCohort(first, last, float(np.mean(some)), most)


def cohort_years(scan: Scan, found: YoungCohort) -> tuple[np.ndarray, np.ndarray]:
    """First and last year of a young cohort, leaving out a twentieth of its excess on either side:
    what lives above the lowest of the years before, from shortly before it, or from where such
    years begin, to the survey. Each (draw,) [calendar year]
    """
    first = found.first - int(scan.years[0])
    base = _lowest_before(scan.settled, first)
    denser = scan.settled[:, first::-1] > DENSER * base[:, None]
    unbroken = np.cumprod(denser, axis=1).sum(axis=1)  # years up to the first
    begins = first - np.maximum(unbroken - 1, BEFORE)
    near = np.arange(len(scan.years)) >= begins[:, None]
    held = np.cumsum(np.maximum(scan.settled - base[:, None], 0) * near, axis=1)
    total = np.maximum(held[:, -1:], np.finfo(float).tiny)
    places = (
        (held <= OUTLYING_SHARE * total).sum(axis=1),
        (held < (1 - OUTLYING_SHARE) * total).sum(axis=1),
    )
    begun, ended = (scan.years[np.minimum(place, len(scan.years) - 1)] for place in places)
    return begun, ended


def above_the_years_before(rate: np.ndarray, last: int) -> np.ndarray:
    """Mean of the rate in the ten years up to a place on the axis, over that of the lowest of the
    years before them. (draw,) rate: (draw, year)
    """
    first = last - SPAN + 1
    inside = rate[:, first : last + 1].mean(axis=1)
    return inside / np.maximum(_lowest_before(rate, first), np.finfo(float).tiny)


def _lowest_before(rate: np.ndarray, first: int) -> np.ndarray:
    """Mean rate of the lowest of the years before a place on the axis. (draw,)"""
    before = np.sort(
        rate[:, max(first - FARTHEST_BACKGROUND, 0) : first - NEAREST_BACKGROUND + 1], axis=1
    )
    return before[:, : max(1, round(LOWEST_SHARE * before.shape[1]))].mean(axis=1)
