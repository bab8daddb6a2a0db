"""Shapes of recruitment, on records of exact dates."""

from __future__ import annotations

import numpy as np
import pytest

from standage.findings.recruitment_shapes import (
    SHAPES,
    nothing_told,
    raised_histories,
    shape_of,
    stem_likelihoods,
)

FIRST, LAST = 1930, 2000


def of(rate: np.ndarray, seed: int = 1):
    """The shape of a record of exact dates in which so many trees a year are expected."""
    counts = np.random.default_rng(seed).poisson(rate)
    likelihood = np.eye(len(rate))[np.repeat(np.arange(len(rate)), counts)]
    return shape_of(likelihood, np.ones(len(likelihood)), np.ones(len(rate)), FIRST)


@pytest.fixture(scope="module")
def years():
    return np.arange(FIRST, LAST + 1)


def test_a_treeline_that_rose_and_is_cut_at_an_age_rose_and_has_no_pulse(years):
    """Exact dates, all sizes, no plots: counts rise in 1970 to the end of the record."""
    found = of(np.where(years >= 1970, 6.0, 1.5))
    assert found.likeliest == "rise" and found.chances["rise"] > 0.8
    assert found.may_have_stayed and found.chances["pulse"] < 0.1
    low, middle, high = found.change_year(0.9)
    assert low <= 1970 <= high and abs(middle - 1970) <= 4 and high - low < 15


def test_what_rose_just_before_the_record_ends_is_neither_rise_nor_pulse(years):
    found = of(np.where(years >= 1990, 9.0, 1.5))
    assert found.likeliest == "unseen" and found.may_have_stayed


def test_a_pulse_with_years_after_it_is_a_pulse_and_a_fall_a_fall(years):
    pulse = of(np.where((years >= 1955) & (years < 1965), 8.0, 1.5))
    assert pulse.likeliest == "pulse" and pulse.chances["pulse"] > 0.9
    assert not pulse.may_have_stayed
    fall = of(np.where(years < 1975, 6.0, 1.0))
    assert fall.likeliest == "fall" and abs(fall.change_year(0.9)[1] - 1975) <= 4


def test_steady_records_are_rarely_called_anything_else(years):
    found = [of(np.full(len(years), 2.0), seed) for seed in range(30)]
    assert np.mean([one.likeliest == "steady" for one in found]) >= 0.8
    assert np.mean([one.chances["pulse"] > 0.9 for one in found]) <= 0.05


def test_probabilities_add_up(years):
    for found in (of(np.full(len(years), 2.0)), nothing_told(FIRST, LAST)):
        assert sum(found.chances.values()) == pytest.approx(1) and set(found.chances) == set(SHAPES)
    assert raised_histories(71).prior.sum() == pytest.approx(0.6)
    assert np.isnan(nothing_told(FIRST, LAST).change_year(0.9)).all()


def test_likelihoods_of_stems_are_found_from_their_drawn_years():
    """Years are drawn from history x likelihood: the history is taken out again."""
    rng = np.random.default_rng(3)
    living = np.where(np.arange(40) < 20, 1.0, 6.0) * rng.gamma(20, 1 / 20, (4000, 40))
    true = np.exp(-0.5 * ((np.arange(40) - 20) / 4) ** 2)
    chance = living * true
    chance /= chance.sum(axis=1, keepdims=True)
    drawn = (chance.cumsum(axis=1) < rng.random((4000, 1))).sum(axis=1) + 1900.0
    found = stem_likelihoods(drawn[:, None], living, 1900)[0]
    assert found == pytest.approx(true / true.sum(), abs=0.02)
