"""How openings on record changed the pace at which plants left the grass stage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from standage.findings.intervals import Interval, credible_points
from standage.stand.posterior import Posterior

# prior probability from which a faster pace was assumed rather than asked
ASSUMED = 0.9


@dataclass(frozen=True)
class EmergenceEffect:
    """The effect in one unit.

    pace : times the usual pace just after an opening. bayes_factor : for faster against slower.
    assumed : whether the prior takes faster for granted.
    """

    stand: str
    species: str
    pace: Interval
    bayes_factor: float
    assumed: bool


def emergence_effects(posterior: Posterior, *, level: float) -> Iterator[EmergenceEffect]:
    """One record a unit of which the effect was learned; none where it was left out of the model
    (docs/the-model.md, section 11).
    """
    for unit, prior, delays in zip(
        posterior.units, posterior.delay_prior, posterior.delay_posterior, strict=True
    ):
        if "release" not in delays:
            continue
        rho, before = (np.asarray(one["release"], dtype=float)[:, 0] for one in (delays, prior))
        # the prior odds are 1 where it was asked; half a draw on each side keeps the factor finite
        factor = ((rho > 0).sum() + 0.5) / ((rho <= 0).sum() + 0.5)
        yield EmergenceEffect(
            stand=unit.stand,
            species=unit.species,
            pace=Interval(*np.exp(credible_points(rho, level))),
            bayes_factor=float(factor),
            assumed=bool((before > 0).mean() > ASSUMED),
        )
