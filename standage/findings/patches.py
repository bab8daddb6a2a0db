"""Whether the plots of a stand differ, by more than chance, in when their trees came.

Where regeneration comes in patches, a few plots that have a good spell at the same time look like a
pulse of the stand.
"""

from __future__ import annotations

import numpy as np

from standage.findings.stems import dated_by_core, dated_years
from standage.stand.posterior import Posterior

# trees whose years are nearer than that count for the nearness of a plot's trees, the more the
# nearer [years]
NEAR_YEARS = 15.0
SHUFFLES = 400  # a chance of 0.1 is known within 0.015
MOST_DRAWS, MOST_STEMS = 100, 800  # looked at; more say the same


def plots_alike_by_chance(posterior: Posterior, number: int) -> float:
    """Chance that trees dated by core are as near in age within plots as they are, had their plots
    been dealt out at random (a permutation test); NaN with under two plots.
    """
    trees, years = dated_years(posterior, number)
    known = dated_by_core(posterior, trees) & np.isfinite(years).all(axis=0)
    plots, years = trees["plot"].to_numpy()[known], years[:, known]
    generator = np.random.default_rng([posterior.seed, number, 53])
    if len(plots) > MOST_STEMS:
        some = generator.choice(len(plots), MOST_STEMS, replace=False)
        plots, years = plots[some], years[:, some]
    names, of_plot = np.unique(plots, return_inverse=True)
    if len(names) < 2:
        return np.nan
    near = nearness(years[:: -(-len(years) // MOST_DRAWS)])
    member = np.eye(len(names))[of_plot]

    def within(of: np.ndarray) -> float:
        return float((np.sum(of * (near @ of), axis=0) / of.sum(axis=0)).sum())

    seen = within(member)
    shuffled = [within(generator.permutation(member)) for _ in range(SHUFFLES)]
    # equal sums differ by rounding
    as_near = np.sum(np.array(shuffled) >= seen * (1 - 1e-9))
    return float((1 + as_near) / (1 + SHUFFLES))


def nearness(years: np.ndarray) -> np.ndarray:
    """How near the years of each two trees are, mean over draws: 1 for the same year, 0 from
    `NEAR_YEARS` on and of a tree with itself. years: (draw, tree); returns (tree, tree)
    """
    near = np.zeros((years.shape[1],) * 2)
    for drawn in years:
        near += np.maximum(0.0, 1.0 - np.abs(drawn[:, None] - drawn) / NEAR_YEARS)
    near /= len(years)
    np.fill_diagonal(near, 0.0)
    return near
