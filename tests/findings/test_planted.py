"""Whether a pulse may have been planted: spread of the years at the cores, spacing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fake_posterior import changed, fake_posterior, with_tables
from scipy.spatial import distance_matrix
from scipy.stats import norm

from standage.findings import Findings
from standage.findings.planted import (
    NATURAL_PRIOR,
    OTHER_PRIOR,
    nearest_ratio,
    planting,
    rows_factor,
    spread_factor,
)

STAND = "Fern Flat"


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=200)


def factor_of_spread(posterior, spread):
    """The log Bayes factor where the stand's cored trees reached their cores in years of that
    spread about 1940 (normal quantiles).
    """
    trees = posterior.trees
    own = np.flatnonzero((trees["unit"] == 0).to_numpy() & trees["cored"].to_numpy(dtype=bool))
    quantiles = norm.ppf((np.arange(len(own)) + 0.5) / len(own))
    core = np.array(posterior.year_at_core)
    core[:, own] = np.rint(1940 + spread * quantiles)
    moved = changed(posterior, year_at_core=core)
    profile = Findings(posterior).profiles[posterior.units[0].species]
    return spread_factor(moved, 0, profile, 1933.0, 1940.0)


def test_the_narrower_the_years_at_the_cores_the_more_like_planting(posterior):
    narrow, middle, wide = (factor_of_spread(posterior, spread) for spread in (1.5, 3.0, 5.0))
    assert narrow > 0.5 and narrow > middle > wide and wide < 0


def test_what_the_stand_is_called_moves_the_probability_by_its_prior_alone(posterior):
    def stated(origin):
        stands = posterior.survey.stands
        other = with_tables(posterior, stands=stands.assign(origin=origin))
        findings = Findings(other)
        return planting(findings, 0, findings.bursts[0][0]).probability

    natural, unknown = stated("natural"), stated("unknown")
    odds = [p / (1 - p) for p in (natural, unknown, NATURAL_PRIOR, OTHER_PRIOR)]
    assert odds[1] / odds[0] == pytest.approx(odds[3] / odds[2], rel=1e-6)


def test_at_coring_height_nothing_is_told_of_planting(posterior):
    first, *others = posterior.units
    at_core = changed(posterior, units=(replace(first, basis="coring height"), *others))
    findings = Findings(posterior)
    burst = findings.bursts[0][0]
    at_core = Findings(at_core)
    at_core.scans = findings.scans
    assert np.isnan(planting(at_core, 0, burst).probability)


def test_the_ratio_is_that_of_clark_and_evans():
    """Mean distance to the nearest over 1/(2 sqrt(density)) (Clark & Evans 1954, Ecology
    35:445-453): 2 in a square grid, about 1 in places by chance.
    """
    across, along = np.meshgrid(np.arange(20) + 0.5, np.arange(20) + 0.5)
    assert nearest_ratio(np.column_stack([across.ravel(), along.ravel()]), 400.0) == 2.0
    places = np.random.default_rng(2).random((3000, 2)) * 100
    apart = distance_matrix(places[:500], places)
    assert nearest_ratio(places, 10_000.0) == pytest.approx(1.0, abs=0.05)
    nearest = np.sort(apart, axis=1)[:, 1].mean()
    assert nearest * 2 * np.sqrt(0.3) == pytest.approx(1.0, abs=0.1)


def test_rows_speak_for_planting_and_places_by_chance_against():
    """Forty trees left of eight rows of eight, three metres apart, and forty anywhere."""
    rng = np.random.default_rng(4)
    spots = 3.0 * np.stack(np.meshgrid(np.arange(8), np.arange(8)), axis=-1).reshape(-1, 2)
    left = spots[rng.permutation(64)[:40]] + rng.normal(0, 0.3, (40, 2))
    ratio, by_chance, factor = rows_factor(left, 24.0**2, np.random.default_rng(1))
    assert ratio > 1.2 and by_chance < 0.01 and factor > 1
    _, chances, factors = np.transpose(
        [
            rows_factor(rng.random((40, 2)) * 24, 24.0**2, np.random.default_rng(1))
            for _ in range(30)
        ]
    )
    assert np.median(factors) < -1 and 0.3 < np.mean(chances) < 0.7
