"""Plots that differ in when their trees came."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fake_posterior import changed, fake_posterior

from standage.findings import patches
from standage.findings.pulse_limit import PATCHY_CHANCE, PATCHY_LIMIT, unit_limit

TABLE = pd.DataFrame(
    {"limit": [0.6], "simulated_surveys": [400], "fewest_stems": [5], "most_stems": [500]}
)


def stand(year_of, seed=1, trees=60, plots=4):
    """A posterior of one unit with plots, its trees dated within three years.

    year_of : years of trees by their plot's number and a Generator.
    """
    posterior = fake_posterior(draws=40)
    rng = np.random.default_rng(seed)
    own = posterior.trees[(posterior.trees["unit"] == 0) & posterior.trees["cored"].astype(bool)]
    plot = np.arange(trees) % plots
    rows = own.iloc[[0] * trees].reset_index(drop=True)
    rows = rows.assign(plot=[f"p{number}" for number in plot])
    years = year_of(plot, rng) + rng.integers(-3, 4, (40, trees))
    return changed(
        posterior,
        units=posterior.units[:1], living=[posterior.unit(0).living],
        prior_living=[posterior.unit(0).prior_living], trees=rows,
        establishment_year=years, year_at_core=years + 5,
    )  # fmt: skip


def steady(plot, rng):
    return rng.integers(1800, 1990, len(plot))


def in_spells(plot, rng):
    """Each plot has three spells of its own."""
    began = rng.integers(1800, 1980, (plot.max() + 1, 3))
    return began[plot, rng.integers(3, size=len(plot))] + rng.integers(8, size=len(plot))


def in_a_pulse(plot, rng):
    """Half of the trees of every plot came in ten years."""
    pulse = rng.random(len(plot)) < 0.5
    return np.where(pulse, rng.integers(1930, 1940, len(plot)), steady(plot, rng))


def test_nearness_is_by_draw():
    near = patches.nearness(np.array([[1900.0, 1903.0, 1950.0], [1900.0, 1906.0, 1950.0]]))
    assert near[0, 1] == near[1, 0] == pytest.approx(1 - 4.5 / patches.NEAR_YEARS)
    assert near[0, 2] == 0 and (np.diag(near) == 0).all()


def test_plots_alike_are_called_so_with_the_chance_of_the_test():
    chances = [
        patches.plots_alike_by_chance(stand(each, seed), 0)
        for each in (steady, in_a_pulse)
        for seed in range(60)
    ]
    assert np.mean(np.array(chances) <= 0.25) == pytest.approx(0.25, abs=0.12)
    assert np.median(chances) > 0.3


def test_spells_of_single_plots_are_seen_and_raise_the_limit():
    patchy = stand(in_spells)
    assert patches.plots_alike_by_chance(patchy, 0) < 0.02
    limit = unit_limit(patchy, 0, TABLE)
    assert (limit.value, limit.status) == (PATCHY_LIMIT, "patchy")
    few = unit_limit(patchy, 0, TABLE.assign(fewest_stems=400))
    assert (few.value, few.status, few.plots_differ) == (PATCHY_LIMIT, "assumed", True)
    alike = next(
        each
        for each in (stand(in_a_pulse, seed) for seed in range(9))
        if patches.plots_alike_by_chance(each, 0) > PATCHY_CHANCE
    )
    assert unit_limit(alike, 0, TABLE).value == 0.6


def test_one_plot_says_nothing_of_patches():
    assert np.isnan(patches.plots_alike_by_chance(stand(steady, plots=1), 0))
