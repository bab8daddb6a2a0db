"""Effective draws and R-hat against ArviZ (a general-purpose library), and the closed form of
an autoregressive chain.
"""

from __future__ import annotations

import arviz
import numpy as np
import pytest

from standage.stand.convergence import ESS_LIMIT, RHAT_LIMIT, rhat_by_chance
from standage.stand.effective_draws import ess_and_rhat, tail_ess


def autoregressive(correlation, *, chains=4, draws=400, seed=1):
    """Chains `(chain, draw, quantity)` of x' = correlation x + normal, from their long run."""
    noise = np.random.default_rng(seed).standard_normal((chains, draws, len(correlation)))
    noise[:, 0] /= np.sqrt(1 - correlation**2)
    for i in range(1, draws):
        noise[:, i] += correlation * noise[:, i - 1]
    return noise


@pytest.mark.parametrize(("chains", "draws"), [(4, 1000), (4, 100), (2, 101), (3, 9), (2, 4)])
def test_the_same_as_arviz(chains, draws):
    values = autoregressive(np.linspace(-0.6, 0.98, 40), chains=chains, draws=draws)
    values[..., 5] = np.round(values[..., 5])  # ties
    values[..., 6] += np.arange(chains)[:, None]  # chains apart
    values[..., 7] *= 1 + np.arange(chains)[:, None]  # alike in the middle, not in spread
    theirs = arviz.convert_to_dataset({"x": values})
    ess, rhat = ess_and_rhat(values)
    assert ess == pytest.approx(arviz.ess(theirs, method="bulk")["x"].to_numpy(), rel=1e-9)
    assert rhat == pytest.approx(arviz.rhat(theirs, method="rank")["x"].to_numpy(), rel=1e-9)
    tails = arviz.ess(theirs, method="tail")["x"].to_numpy()
    assert tail_ess(values) == pytest.approx(tails, rel=1e-9)


def test_an_autoregressive_chain_is_worth_what_theory_says():
    """n (1 - r)/(1 + r) draws for the mean."""
    correlation = np.array([0.0, 0.5, 0.8])
    ess, rhat = ess_and_rhat(autoregressive(correlation, draws=20_000))
    assert ess == pytest.approx(80_000 * (1 - correlation) / (1 + correlation), rel=0.1)
    assert (rhat < 1.002).all()


def test_chains_that_disagree_are_noticed():
    """One chain of four a standard deviation off, in place or in the log of its spread."""
    values = autoregressive(np.zeros(2))
    values[0, :, 0] += 1
    values[0, :, 1] *= np.e
    _, rhat = ess_and_rhat(values)
    assert (rhat > 1.05).all()


def test_what_is_no_number_is_no_agreement():
    values = autoregressive(np.zeros(3))
    values[0, 3, 0] = np.nan
    values[..., 1] = 2.0
    ess, rhat = ess_and_rhat(values)
    assert np.isnan(ess[0]) and np.isnan(rhat[:2]).all()
    assert ess[2] > 1000 and rhat[2] < 1.01
    assert np.isnan(ess_and_rhat(values[:, :3])).all()


@pytest.mark.parametrize(
    ("quantities", "memory", "draws"), [(20, 0.0, 200), (20, 0.9, 2000), (600, 0.5, 600)]
)
def test_chains_that_agree_pass_nineteen_times_in_twenty(quantities, memory, draws):
    """Autoregressive chains of one law, 4 of them: the largest R-hat exceeds what chance allows as
    often as stated, and 1.01 more often."""
    passed, below = [], []
    for seed in range(60):
        chains = autoregressive(np.full(quantities, memory), draws=draws, seed=seed)
        ess, rhat = ess_and_rhat(chains)
        limit = rhat_by_chance(np.fmin(ess, tail_ess(chains)), 4, draws)
        passed.append((rhat <= limit).all())
        below.append(rhat.max() <= RHAT_LIMIT)
    assert np.mean(passed) >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / 60)
    assert np.mean(below) < np.mean(passed)


def test_chains_that_disagree_are_not_forgiven():
    """One chain of four a standard deviation off: few draws are effective, and R-hat is beyond
    chance."""
    rng = np.random.default_rng(2)
    chains = rng.normal(size=(4, 500, 20))
    chains[0, :, 3] += 1.0
    ess, rhat = ess_and_rhat(chains)
    limit = rhat_by_chance(np.maximum(ess, ESS_LIMIT), 4, 500)
    assert ess[3] < 400 and rhat[3] > limit[3]
    assert (np.delete(rhat, 3) < np.delete(limit, 3)).all()
