"""In which years most stems established: the shortest run that holds more than half of them."""

from __future__ import annotations

import numpy as np
import pytest

from standage.findings.most_stems import most_stems


def by_trying_all(stems: np.ndarray, level: float) -> int:
    """Length of the shortest run, every one of them summed by itself."""
    draws, years = stems.shape
    for length in range(1, years + 1):
        for first in range(years - length + 1):
            held = [
                stems[draw, first : first + length].sum() > 0.5 * stems[draw].sum()
                for draw in range(draws)
            ]
            if np.mean(held) >= level:
                return length
    raise AssertionError


@pytest.mark.parametrize("seed", range(5))
def test_it_is_the_shortest_of_all_runs(seed):
    rng = np.random.default_rng(seed)
    stems = rng.gamma(0.4, size=(40, 30))
    found = most_stems(stems, np.arange(1900, 1930), 0.9)
    assert found.last - found.first + 1 == by_trying_all(stems, 0.9)
    inside = stems[:, found.first - 1900 : found.last - 1899].sum(axis=1)
    assert found.probability == pytest.approx(np.mean(inside > stems.sum(axis=1) / 2))
    assert found.probability >= 0.9


def test_draws_without_stems_say_nothing():
    stems = np.zeros((4, 10))
    assert most_stems(stems, np.arange(10), 0.9) is None
    stems[1:, 3] = 2.0
    found = most_stems(stems, np.arange(10), 0.9)
    assert (found.first, found.last, found.probability) == (3, 3, 1.0)
