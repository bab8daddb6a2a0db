"""Even-aged, two-aged or uneven-aged: how many spans of twenty years hold nearly all stems."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

# an age class: ages within a fifth of a rotation of 100 years (common practice, no source) [years]
CLASS_YEARS = 20
NEARLY_ALL = 0.8  # of the stems (assumption)
# probability from which one structure is claimed; below it, the two likeliest (assumption)
SURE_OF_STRUCTURE = 0.66
STRUCTURES = ("even-aged", "two-aged", "uneven-aged")


class Structures(NamedTuple):
    """Probability of each structure; NaN where no draw has stems."""

    even_aged: float
    two_aged: float
    uneven_aged: float

    @property
    def likeliest(self) -> str:
        return STRUCTURES[int(np.argmax(self))]


def age_structure(stems: np.ndarray) -> Structures:
    """How probable each structure is. stems: by year of establishment. (draw, year)"""
    total = stems.sum(axis=1)
    stems, total = stems[total > 0], total[total > 0]
    if not len(stems):
        return Structures(np.nan, np.nan, np.nan)
    length = min(CLASS_YEARS, stems.shape[1])
    held = np.concatenate([np.zeros((len(stems), 1)), np.cumsum(stems, axis=1)], axis=1)
    window = (held[:, length:] - held[:, :-length]) / total[:, None]
    even = window.max(axis=1) >= NEARLY_ALL
    two = ~even & (_best_two(window, length) >= NEARLY_ALL)
    return Structures(float(even.mean()), float(two.mean()), float((~even & ~two).mean()))


def _best_two(window: np.ndarray, length: int) -> np.ndarray:
    """The most that two windows without a common year hold. (draw,)

    window : what each window holds, by its first year. (draw, first year)
    """
    if window.shape[1] <= length:
        return window.max(axis=1)
    best_before = np.maximum.accumulate(window, axis=1)[:, :-length]
    return (best_before + window[:, length:]).max(axis=1)
