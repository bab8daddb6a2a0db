"""Known truth: the dates of simulated surveys lie in their posteriors as often, and as evenly, as the posteriors say.

If history, delays and readings come from the priors and the model is right, the true years are one more joint draw of the posterior. So
the spread of any summary of "how well the posterior hits", over posterior draws taken for the truth in turn, is what the summary of the
real truth has to lie in. This allows for what the trees of a stand share (delays, early growth, counting), which a binomial count of
hits would not. Each check below fails a right model once in 200 runs; the seeds are fixed. A wrong truth has to fail the same check.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standage.simulate import small_survey
from standage.stand.fit import fit_stands
from standage.survey import read_survey

FALSE_ALARM = 0.005
LEVEL = 0.9


def ranks(draws: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Share of the draws `(draw, tree)` below each tree's true year, half of those equal to it: uniform on 0..1 if all is right."""
    return (draws < truth).mean(axis=0) + 0.5 * (draws == truth).mean(axis=0)


def hits(draws: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Whether each truth lies between the points that hold 90 % of the draws."""
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    return (low <= truth) & (truth <= high)


SUMMARIES = {
    "mean rank (too old or too young)": lambda draws, truth: ranks(draws, truth).mean(),
    "spread of ranks (too sure or too unsure)": lambda draws, truth: ((ranks(draws, truth) - 0.5) ** 2).mean(),
    "share within the 90 % intervals": lambda draws, truth: hits(draws, truth).mean(),
}


def chance(summary, surveys: list[tuple[np.ndarray, np.ndarray]], seed: int = 1) -> float:
    """Two-sided chance of a summary as far out as that of the truth, over surveys `(draws (draw, tree), truth (tree,))` together."""
    rng, weights = np.random.default_rng(seed), np.array([len(truth) for _, truth in surveys])
    seen = np.average([summary(draws, truth) for draws, truth in surveys], weights=weights)
    by_survey = [np.array([summary(draws, one) for one in draws]) for draws, _ in surveys]
    simulated = np.average([rng.choice(values, 50_000) for values in by_survey], axis=0, weights=weights)
    above = (simulated > seen - 1e-12).mean()
    below = (simulated < seen + 1e-12).mean()
    return float(min(1.0, 2 * min(above, below)))


def cored(posterior, simulated, what: str = "establishment_year") -> tuple[np.ndarray, np.ndarray]:
    """Draws and truth of the cored, listed trees: of establishment, or of the first ring at the core."""
    column = {"establishment_year": "establishment_year", "year_at_core": "year_at_core_height"}[what]
    truth = simulated.truth["trees"].set_index("tree")[column].astype(float)
    drawn, trees = getattr(posterior, what), posterior.trees
    usable = trees["cored"].to_numpy(bool) & (drawn >= 0).all(axis=0) & trees["tree"].map(truth).notna().to_numpy()
    return drawn[:, usable].astype(float), trees["tree"].map(truth).to_numpy(float)[usable]


@pytest.fixture(scope="module")
def more_surveys(tmp_path_factory):
    """Two surveys whose whole history is drawn from the prior, with their fits."""
    pairs = []
    for seed in (11, 12):
        simulated = small_survey(seed, stems=50, cores=25, from_prior=True)
        survey = read_survey(simulated.write(tmp_path_factory.mktemp("recovery") / str(seed)))
        pairs.append((fit_stands(survey, seed=1, draws=300, tune=400, chains=2), simulated))
    return pairs


@pytest.fixture(scope="module")
def all_surveys(more_surveys, simulated_fit, simulated):
    return [(simulated_fit, simulated), *more_surveys]
