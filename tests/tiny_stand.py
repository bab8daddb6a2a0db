"""A stand of a few years in which what a tree's years may be can be written out one by one."""

from __future__ import annotations

import dataclasses

import numpy as np
from random_stand_data import invented_profile
from scipy import stats
from scipy.interpolate import BSpline

from standage.stand.data import (
    FACTOR_NODES,
    Node,
)
from standage.stand.states import (
    Delays,
    unit_delays,
)

# false-alarm rate of each chi-square test below; the seeds are fixed, so a pass stays a pass
LEAST_P = 1e-4


@dataclasses.dataclass(frozen=True)
class Tiny:
    """A dozen years in which everything can be written out."""

    delays: Delays
    living: np.ndarray
    sizes: np.ndarray
    n_draws: int = 20_000

    @property
    def n(self) -> int:
        return self.living.shape[1]

    def repeated(self, values: np.ndarray) -> np.ndarray:
        return np.repeat(values, self.n_draws, axis=0)

    def many(self) -> Delays:
        return dataclasses.replace(
            self.delays,
            median_grass_years=self.repeated(self.delays.median_grass_years),
            grass=self.repeated(self.delays.grass),
            years_to_breast_height=self.repeated(self.delays.years_to_breast_height),
            dispersion=self.repeated(self.delays.dispersion),
            _known={},
        )


def tiny(seed: int, has_grass: bool = True) -> Tiny:
    rng = np.random.default_rng(seed)
    profile = invented_profile(rng, has_grass)
    names = (
        "grass_median",
        "grass_spread",
        "height_years",
        "height_spread",
        "shared_pace",
        "grass_pace",
        "height_pace",
    )
    delays = unit_delays(
        profile, False, {name: np.array([rng.normal(-0.7, 0.3)]) for name in names}
    )
    return Tiny(delays, rng.uniform(0.2, 2.0, (1, 14)), rng.uniform(0.05, 1.0, (1, 14)))


def spline_mixture(node: Node, gamma: float, delta: float, n: int) -> np.ndarray:
    """A node's evidence on all years at given factors, by scipy's B-splines."""

    def weights(factor, loads):
        if not loads:
            return np.ones(1)
        return np.array(
            [
                np.nan_to_num(
                    BSpline.basis_element(k + np.arange(-2.0, 3.0), extrapolate=False)(factor)
                )
                for k in FACTOR_NODES
            ]
        )

    whole = np.zeros(n)
    if node.evidence is None:
        return np.ones(n)
    mixed = np.einsum(
        "i,j,ijy->y",
        weights(gamma, node.loads_gamma),
        weights(delta, node.loads_delta),
        node.evidence,
    )
    stop = min(n, node.band_start + len(mixed))
    whole[node.band_start : stop] = mixed[: stop - node.band_start]
    return whole


def core_at(
    height: float, start: int, seed: int, loads_gamma=False, loads_delta=False, dbh_class=-1, band=6
) -> Node:
    shape = (11 if loads_gamma else 1, 11 if loads_delta else 1, band)
    return Node(
        height,
        dbh_class,
        np.random.default_rng(seed).uniform(0.05, 1.0, shape),
        start,
        loads_gamma,
        loads_delta,
    )


def chi_square(found: np.ndarray, expected: np.ndarray) -> float:
    """P-value of counts against probabilities; cells with fewer than five expected are taken
    together.
    """
    total = found.sum()
    assert found[expected == 0].sum() == 0, "a year that can't be"
    rare = expected * total < 5
    counts, hoped = (
        np.append(found[~rare], found[rare].sum()),
        np.append(expected[~rare], expected[rare].sum()) * total,
    )
    keep = hoped > 0
    return float(stats.chisquare(counts[keep], hoped[keep]).pvalue)
