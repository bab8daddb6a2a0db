"""Ring counts at the ground and at a height: without a grass stage they differ by the delay."""

import numpy as np
import pytest
from first_passage import seasons_pmf

from standage.stand.kernel.stages import ring_difference

SEASONS = np.arange(101)


def growth_of(mean: float, dispersion: float = 0.8) -> np.ndarray:
    return seasons_pmf(SEASONS, mean, dispersion)


def likelihood(difference: int, growth: np.ndarray, grass: np.ndarray | None = None) -> float:
    stage = np.ones(1) if grass is None else grass
    bars = np.zeros(len(stage)), np.zeros(len(growth))
    return ring_difference(difference, grass is not None, stage, growth, *bars)


def test_without_a_grass_stage_the_difference_is_the_delay_with_its_counting_error():
    growth = growth_of(10.3)
    expected = 0.6 * growth[9] + 0.17 * (growth[8] + growth[10]) + 0.03 * (growth[7] + growth[11])
    assert likelihood(9, growth) == pytest.approx(expected, rel=1e-12)


def test_six_spruce_sections_of_nine_to_thirteen_years_find_about_ten_and_exclude_two():
    """As in a stand of stem-analysed spruces of 10.3 years to breast height; a bound from one
    side alone, which was used before, is highest at no years at all.
    """
    differences = (9, 10, 10, 11, 12, 13)
    means = np.linspace(0.5, 25, 99)
    log_likelihood = [
        sum(np.log(likelihood(d, growth_of(mean))) for d in differences) for mean in means
    ]
    weight = np.exp(log_likelihood - np.max(log_likelihood))
    below = np.cumsum(weight) / weight.sum()
    assert 9 < means[np.searchsorted(below, 0.5)] < 12
    assert means[np.searchsorted(below, 0.05)] > 6


def test_visible_seasons_of_the_grass_stage_are_part_of_the_difference():
    """By the sum over all stages, visible seasons and errors; probabilities sum to 1."""
    grass = np.array([0.0, 0.1, 0.5, 0.4])
    growth = growth_of(3.0)
    error = {-2: 0.03, -1: 0.17, 0: 0.6, 1: 0.17, 2: 0.03}
    for difference in (0, 2, 7):
        expected = sum(
            chance * grass[g] / (g + 1) * growth[difference - v - e]
            for e, chance in error.items()
            for g in range(4)
            for v in range(g + 1)
            if difference - v - e >= 0
        )
        assert likelihood(difference, growth, grass) == pytest.approx(expected, rel=1e-12)
    total = sum(likelihood(d, growth, grass) for d in range(-2, 90))
    assert total == pytest.approx(1, abs=1e-9)
