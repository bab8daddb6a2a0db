"""Chains start apart, but never where nothing believable is near."""

import numpy as np
import pytest

from standage.stand.no_u_turn import FAR_BELOW, start_of_chain
from standage.stand.whitening import Whitening


class Density:
    """A standard normal in `size` parameters, cut off beyond a distance from its centre."""

    def __init__(self, size, reach=np.inf):
        self.size, self.reach = size, reach

    def __call__(self, x):
        beyond = np.abs(x).max() > self.reach
        return (-1e6 if beyond else -0.5 * float(x @ x)), -x


PLAIN = Whitening(np.zeros(3), np.array([1.0, 0.0, 0.0, 1.0, 0.0, 1.0]), np.full(3, 3))


@pytest.mark.parametrize("seed", range(5))
def test_an_ordinary_start_is_a_standard_normal_draw(seed):
    drawn = np.random.default_rng(seed).standard_normal(3)
    assert np.array_equal(start_of_chain(Density(3), PLAIN, seed), drawn)


@pytest.mark.parametrize("seed", range(5))
def test_a_start_beyond_everything_believable_is_brought_nearer(seed):
    density = Density(3, reach=0.05)
    start = start_of_chain(density, PLAIN, seed)
    assert density(start)[0] >= -3 - FAR_BELOW
    drawn = np.random.default_rng(seed).standard_normal(3)
    assert np.allclose(start / drawn, (start / drawn)[0])  # nearer on the same line
