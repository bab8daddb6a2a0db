"""The shortest run of years in which most stems of a unit established."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

HALF = 0.5  # "most" is more than this share


@dataclass(frozen=True)
class MostStems:
    """first, last : years. probability : that more than half of the stems are of these years."""

    first: int
    last: int
    probability: float


def most_stems(stems: np.ndarray, years: np.ndarray, level: float) -> MostStems | None:
    """The shortest run of years that holds more than half of the stems with the probability `level`
    at least; None where no draw has stems.

    Parameters
    ----------
    stems : (draw, year) amounts. years : (year,) consecutive calendar years.
    """
    held = np.concatenate([np.zeros((len(stems), 1)), np.cumsum(stems, axis=1)], axis=1)
    held = held[held[:, -1] > 0]
    if not len(held):
        return None
    held /= held[:, -1:]

    def chances(length: int) -> np.ndarray:
        return np.mean(held[:, length:] - held[:, :-length] > HALF, axis=0)

    shortest, longest = 1, stems.shape[1]
    while shortest < longest:  # a longer run never holds fewer
        length = (shortest + longest) // 2
        if chances(length).max() >= level:
            longest = length
        else:
            shortest = length + 1
    chance = chances(longest)
    first = int(np.argmax(chance))
    return MostStems(int(years[first]), int(years[first + longest - 1]), float(chance[first]))
