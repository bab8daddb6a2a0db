"""How well the chains of a fit agree on what people read of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from standage.stand.data import StandData
from standage.stand.effective_draws import ess_and_rhat, tail_ess
from standage.stand.states import UnitState

# R-hat and effective sample size after Vehtari, Gelman, Simpson, Carpenter & Buerkner (2021),
# Bayesian Analysis 16:667-718, who ask for R-hat below 1.01 and 100 effective draws a chain
RHAT_LIMIT = 1.01  # of the quantities people read
# of any single parameter: hundreds of knots that nobody reads one by one, whose largest R-hat
# strays by chance (assumption)
LOOSE_RHAT_LIMIT = 1.05
# probability that the largest R-hat of chains that agree exceeds its limit, among what people read
# and among the parameters (assumption): one fit in twenty, both together. Chance exceeds 1.01 once
# there are twenty quantities of 400 effective draws
CHANCE = 0.025
ESS_LIMIT = 400
# draws in all; a run with fewer could hardly reach the limits (assumption)
SHORT_RUN = 5 * ESS_LIMIT
AT_A_TIME = 500  # parameters
CLASS_YEARS = 20  # width of the classes of years whose density is watched for convergence
# share of all stems that, added to an age class, keeps classes in which next to nobody stands from
# deciding whether the chains agree (assumption)
NEGLIGIBLE = 1e-3
NOBODY = 1e-100  # living stems that have a logarithm, where there are none


@dataclass(frozen=True)
class Convergence:
    """How well the chains agree: largest R-hat and least effective sample of what people read, in
    the bulk or in a tail; largest R-hat of any parameter; and the R-hat of all these that comes
    nearest to its limit, or goes farthest beyond, with that limit.
    """

    rhat_max: float
    rhat_any: float
    ess_min: float
    slowest: str
    worst_rhat: float
    worst_limit: float

    @property
    def agree(self) -> bool:
        return self.worst_rhat <= self.worst_limit

    @property
    def enough(self) -> bool:
        return self.agree and self.ess_min >= ESS_LIMIT


def rhat_by_chance(effective: np.ndarray, chains: int, draws: int) -> np.ndarray:
    """R-hat that one in forty fits whose chains agree exceeds in any of these quantities, by their
    effective draws in all, `(quantity,)`; draws: of a chain.

    Of chains that agree, the variance between halves of chains over that within them, times the
    effective draws of a half, is chi-squared over its degrees of freedom; of location and of scale.
    """
    halves = 2 * chains
    most = chdtri(halves - 1, CHANCE / (2 * len(effective))) / (halves - 1)
    return np.sqrt(1.0 - 2.0 / draws + most * halves / effective)


def convergence(data: StandData, values: np.ndarray, states: Sequence[UnitState]) -> Convergence:
    """Agreement of chains; `states` are those of their draws `(chain, draw, parameter)`."""
    watched = _watched(data, states, len(values))
    drawn = np.stack(list(watched.values()), axis=-1)
    if not (np.isfinite(drawn).all() and np.isfinite(values).all()):
        nan = math.nan
        return Convergence(nan, nan, nan, "a value that is no number", nan, nan)
    bulk, rhat = ess_and_rhat(drawn)
    effective = np.fmin(bulk, tail_ess(drawn))
    read = dict(zip(watched, effective, strict=True))
    slowest = min(read, key=lambda name: read[name])
    # some at a time: ranks and transforms copy what they are given more than once
    parts = [
        ess_and_rhat(values[..., start : start + AT_A_TIME])
        for start in range(0, values.shape[-1], AT_A_TIME)
    ]
    of_parameters, any_rhat = (np.concatenate(each) for each in zip(*parts, strict=True))
    rhats = np.concatenate([rhat, any_rhat])
    # of chains that disagree few draws are effective: chance is not allowed more for that
    effective, of_parameters = (np.maximum(each, ESS_LIMIT) for each in (effective, of_parameters))
    limits = np.concatenate(
        [
            np.maximum(rhat_by_chance(effective, *values.shape[:2]), RHAT_LIMIT),
            np.maximum(rhat_by_chance(of_parameters, *values.shape[:2]), LOOSE_RHAT_LIMIT),
        ]
    )
    worst = int(np.nanargmax((rhats - 1.0) / (limits - 1.0)))
    return Convergence(
        float(np.nanmax(rhat)),
        float(np.nanmax(rhats)),
        float(read[slowest]),
        slowest,
        float(rhats[worst]),
        float(limits[worst]),
    )


def draws_needed(found: Convergence, draws: int) -> float:
    """How many draws of a chain will do, judged by what `draws` of each gave."""
    return draws if found.enough else max(draws + 1.0, draws * ESS_LIMIT / found.ess_min)


def _watched(data: StandData, states: Sequence[UnitState], chains: int) -> dict[str, np.ndarray]:
    """Quantities people read, by chain and draw `(chain, draw)`: their convergence is what
    matters.
    """
    out: dict[str, np.ndarray] = {}
    for unit, state in zip(data.units, states, strict=True):
        name = f"{unit.stand}, {data.species[unit.species_index].key}"
        living = np.maximum(state.living, NOBODY)
        out[f"{name}: stems alive"] = np.log(living.sum(axis=1))
        end = living.shape[1]
        while end > 0:
            start = max(0, end - CLASS_YEARS)
            out[
                f"{name}: stems established {data.first_year + start}-{data.first_year + end - 1}"
            ] = np.log(living[:, start:end].sum(axis=1) + NEGLIGIBLE * living.sum(axis=1))
            end = start
        if unit.basis == "establishment":
            if state.delays.profile.has_grass_stage:
                out[f"{name}: median grass stage"] = np.log(state.delays.median_grass_years)
            out[f"{name}: years to breast height"] = np.log(state.delays.years_to_breast_height)
    return {key: value.reshape(chains, -1) for key, value in out.items()}
