"""Readings that are grossly off: a decade of rings skipped or counted twice, a wrong year of the
outer ring, another core's label.

A counted reading is right but for its usual error or, with a small probability, off by years on top
of it. A date marked crossdated is never doubted: to find such errors is what crossdating is for.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standage.evidence.arrays import Floats

GROSS_SHARE = 0.03
"""Probability that a counted reading is grossly off. Careful laboratory counts were off by 1.5
years on average (Weisberg & Swanson 2001), of which the usual error makes 1.0 to 1.4; the rest is
that of 0.5 to 2.5 in a hundred, off by 20 years; 3 is assumed. One in 21 scar dates counted on
cores stood out (Means 1989). Counts in the field are far worse, and have `count_sd`.
"""
LEAST_SHIFT = 5
"""Years off from which a reading is called grossly off (assumption)."""
LONGEST_SHIFT = 100
"""No reading is followed farther than a century off (assumption)."""
FALL_YEARS = 15.0
"""Of the readings off by any number of years, those off by k fall as exp(-k/15): of the field
counts off by more than 10 years about half, 13 of 25 %, were off by more than 20 (Weisberg &
Swanson 2001), and exp(-10/15) = 0.51.
"""
TOO_FEW_COUNTED = 0.6
"""Share of the gross errors that make a tree too young: field counts mostly did (Weisberg & Swanson
2001); the number is assumed.
"""
DECADES = {10: 0.8, 20: 0.2}  # of decades skipped or counted twice: years, share (assumption)
OF_DECADES, OF_ANY_YEARS, OF_LABELS = 0.4, 0.5, 0.1
"""What gross errors are: whole decades, any number of years, another core's label, which may be off
either way by any number of years up to a century, all alike (assumption)."""


def gross_shares(dating: pd.Series, readable: NDArray[np.bool_]) -> Floats:
    """Probability that the reading of each core is grossly off, `(core,)`: none where it is
    crossdated, wholly or as far as its secure part, and none where no ring has a year.
    """
    return np.where(readable & (dating != "crossdated").to_numpy(), GROSS_SHARE, 0.0)


@lru_cache(maxsize=1)
def eye_law() -> Floats:
    """P(true rings are so many more than read), gross errors of the eye: for shifts of
    -`LONGEST_SHIFT` to `LONGEST_SHIFT`, `(shift,)`.
    """
    shifts = np.arange(-LONGEST_SHIFT, LONGEST_SHIFT + 1)
    size = np.abs(shifts)
    any_years = np.where(size >= LEAST_SHIFT, np.exp(-size / FALL_YEARS), 0.0)
    decades = np.array([DECADES.get(int(years), 0.0) for years in size])
    side = np.where(shifts > 0, TOO_FEW_COUNTED, 1.0 - TOO_FEW_COUNTED)
    law = sum(
        share * (2.0 * each / each.sum()) * side
        for share, each in ((OF_DECADES, decades), (OF_ANY_YEARS, any_years))
    )
    return law / law.sum()


def with_eye_errors(pmf: Floats, share: Floats | float) -> Floats:
    """A pmf of the shift of a reading `(..., shift)`, over consecutive shifts, with gross errors of
    the eye of probability `share`, which broadcasts to `(...)`.
    """
    share = np.asarray(share, float)[..., None]
    return (1.0 - share) * pmf + share * (pmf @ _moved(pmf.shape[-1]))


def with_label_errors(pmf: Floats, shifts: NDArray[np.int64], share: Floats | float) -> Floats:
    """The same with another core's label: any shift up to `LONGEST_SHIFT` alike. shifts: those of
    the pmf.
    """
    share = np.asarray(share, float)[..., None]
    flat = np.where(np.abs(shifts) <= LONGEST_SHIFT, 1.0 / (2 * LONGEST_SHIFT + 1), 0.0)
    return (1.0 - share) * pmf + share * flat


def parts(share: Floats | float) -> tuple[Floats, Floats]:
    """Of a probability of being grossly off: that of another core's label, and that of the eye
    given the right label.
    """
    share = np.asarray(share, float)
    label = OF_LABELS * share
    return label, (share - label) / (1.0 - label)


@lru_cache(maxsize=64)
def _moved(size: int) -> Floats:
    """The eye's law as a matrix on `size` consecutive shifts, `(from, to)`."""
    law = np.zeros(2 * max(size, LONGEST_SHIFT + 1) - 1)
    middle = law.size // 2
    law[middle - LONGEST_SHIFT : middle + LONGEST_SHIFT + 1] = eye_law()
    rows = np.arange(size)
    return law[middle + rows[None, :] - rows[:, None]]
