"""The stand model written in PyMC: the public statement of the posterior, to read, to draw from the
prior, and to fit small surveys.

`fit` samples the same posterior through a faster kernel. Both are held, in `tests/`, to a third
reading written in plain loops. The model is described in docs/the-model.md; the section numbers
below are those of that page. Everything sampled is a standard normal or a set of unit
Ornstein-Uhlenbeck knots, so no variable is transformed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from standage.stand.data import STAGES, StandData
from standage.stand.parameters import (
    MARGIN_YEARS,
    SPECIES_NAMES,
    SURVEY_NAMES,
    UNIT_NAMES,
    knot_count,
)
from standage.stand.unit_statement import KNOTS, UnitStatement


def stand_model(data: StandData) -> pm.Model:
    """The joint model of all units of a survey.

    Parameters
    ----------
    data
        The survey reduced to arrays.

    Returns
    -------
    pymc.Model
        With dims `unit`, `species`, `year`, `stage`, `pulse_knot`, `trend_knot`, `epoch_knot`,
        and `cut_<u>` where unit `u` had recorded cuts. Free variables are the factors of
        docs/the-model.md; `living_<u>` `(year,)` holds the living stems of unit `u` by
        establishment year, 0 after its survey season [stems/ha/year, or sampled stems/year
        without plots]. The data enter as one potential a unit, `likelihood_<u>`; drawing from
        the prior leaves them out, so that `pymc.sample_prior_predictive` shows what the
        priors alone say about `living_<u>` (PyMC warns of it).

    Examples
    --------
    >>> model = stand_model(data)  # doctest: +SKIP
    >>> with model:  # doctest: +SKIP
    ...     prior = pm.sample_prior_predictive(500, var_names=["living_0"], random_seed=1)
    """
    coords: dict[str, Any] = {
        "unit": [f"{unit.stand}: {data.species[unit.species_index].key}" for unit in data.units],
        "species": [species.key for species in data.species],
        "year": data.first_year + np.arange(data.n_years),
        "stage": list(STAGES),
    }
    for name, (spacing, _) in KNOTS.items():
        first = data.first_year - (0 if name == "epoch_knots" else MARGIN_YEARS)
        coords[name.removesuffix("s")] = first + spacing * np.arange(
            knot_count(data.n_years, name, spacing)
        )
    for u, unit in enumerate(data.units):
        if len(unit.removal_m):
            coords[f"cut_{u}"] = np.arange(len(unit.removal_m))

    with pm.Model(coords=coords) as model:
        factors: dict[str, Any] = {name: pm.Normal(name) for name in SURVEY_NAMES}
        factors |= {name: pm.Normal(name, dims="species") for name in SPECIES_NAMES}
        factors |= {name: pm.Normal(name, dims="unit") for name in UNIT_NAMES}
        factors["stage_factor"] = pm.Normal("stage_factor", dims=("unit", "stage"))
        for u, unit in enumerate(data.units):
            for name, (spacing, length) in KNOTS.items():
                dim = name.removesuffix("s")
                factors[f"{name}_{u}"] = unit_ornstein_uhlenbeck(
                    f"{name}_{u}", spacing, length, dim=dim, n_years=data.n_years
                )
            if len(unit.removal_m):
                factors[f"removal_{u}"] = pm.Normal(f"removal_{u}", dims=f"cut_{u}")
            statement = UnitStatement(data, u, factors)
            after_survey = pt.zeros(data.n_years - statement.n_years)
            pm.Deterministic(
                f"living_{u}", pt.concatenate([statement.living, after_survey]), dims="year"
            )
            pm.Potential(f"likelihood_{u}", statement.log_likelihood())
    return model


def parameters_to_point(parameters: Mapping[str, Any], data: StandData) -> dict[str, np.ndarray]:
    """A point of `stand_model(data)` from parameters by name, whose per-unit lists become one
    entry a unit.

    Parameters
    ----------
    parameters
        Arrays by name: a scalar for each survey factor, `(species,)` for each species factor,
        `(unit,)` for each unit factor, `(unit, 4)` for `stage_factor`, and for `removal`,
        `pulse_knots`, `trend_knots`, `epoch_knots` a list of one array a unit.

    Raises
    ------
    KeyError
        If a parameter is missing.
    """
    point = {
        name: np.asarray(parameters[name], dtype=float)
        for name in (*SURVEY_NAMES, *SPECIES_NAMES, *UNIT_NAMES, "stage_factor")
    }
    for u, unit in enumerate(data.units):
        for name in KNOTS:
            point[f"{name}_{u}"] = np.asarray(parameters[name][u], dtype=float)
        if len(unit.removal_m):
            point[f"removal_{u}"] = np.asarray(parameters["removal"][u], dtype=float)
    return point


def unit_ornstein_uhlenbeck(
    name: str, spacing: int, length: float, *, dim: str, n_years: int
) -> Any:
    """Knots of a stationary process of mean 0 and variance 1 whose correlation falls as `exp(-years
    / length)`.
    """
    place = spacing * np.arange(knot_count(n_years, name.rsplit("_", 1)[0], spacing))
    correlation = np.exp(-np.abs(place[:, None] - place[None, :]) / length)
    return pm.MvNormal(name, mu=np.zeros(len(place)), cov=correlation, dims=dim)
