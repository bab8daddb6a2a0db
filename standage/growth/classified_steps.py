"""Which drawn steps of the release model are releases or suppressions."""

from __future__ import annotations

import numpy as np

from standage.compiled import compiled

LEAST_SPACING = 3  # between two steps of a tree [years]
WINDOW = 10  # a release is compared with so many years before and holds for so many after [years]
SETTLING = 3  # of the years after it, those in which a tree may still be opening its crown [years]
# rings needed on either side of a change, so that the ends of a series show none [rings]
LEAST_SIDE = 5
SUPPRESSION_BEFORE = 5  # a suppression is compared with so many years before [years]


@compiled
def classify(
    sizes: np.ndarray,
    years: np.ndarray,
    least: float,
    released: np.ndarray,
    suppressed: np.ndarray,
    change: np.ndarray,
) -> None:
    """A release: a rise after which, once settled, every year of the window lies above every year
    of the window before.

    A recovery therefore is none: the years before a suppression are among those it is compared
    with. A rise in several steps is dated by the first that is half of what is asked. A
    suppression: all of its first `LEAST_SPACING` years below all of the years before.
    """
    length = released.shape[1]
    level = np.empty(length)
    for draw in range(sizes.shape[0]):
        level[:] = 0.0
        for step in range(len(years)):
            if sizes[draw, step] != 0.0:
                level[years[step] :] += sizes[draw, step]
        last = -WINDOW
        for step in range(len(years)):
            size = sizes[draw, step]
            year = years[step]
            if size == 0.0 or year < LEAST_SIDE or length - year < LEAST_SIDE:
                continue
            if size >= least / 2 and year - last >= LEAST_SIDE:
                highest = level[max(year - WINDOW, 0) : year].max()
                lowest = level[min(year + SETTLING, length - 1) : min(year + WINDOW, length)].min()
                if lowest - highest >= least and level[year] > highest:
                    released[draw, year] = True
                    change[draw, year] = lowest - highest
                    last = year
            elif size <= -least / 2:
                lowest = level[max(year - SUPPRESSION_BEFORE, 0) : year].min()
                highest = level[year : min(year + LEAST_SPACING, length)].max()
                if lowest - highest >= least:
                    suppressed[draw, year] = True
                    change[draw, year] = highest - lowest
