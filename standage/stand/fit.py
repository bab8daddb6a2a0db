"""Fit the stand model to a survey and put the answer together: the verb `fit_stands`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from standage.errors import StandageError
from standage.stand.build import BuiltStands, build_stands
from standage.stand.convergence import SHORT_RUN, Convergence, convergence, draws_needed
from standage.stand.data import StandData
from standage.stand.draws import Draws, Progress
from standage.stand.draws_file import DrawsFile, draws_key
from standage.stand.draws_from_states import draws_of_unit, parameter_names, unit_of
from standage.stand.expected import STAGE_COLUMNS, Expected, expected_counts
from standage.stand.labelled import labelled_draws
from standage.stand.memory import least_held, prior_held, refuse_above_memory, thinning
from standage.stand.parameter_table import parameter_table
from standage.stand.posterior import Posterior
from standage.stand.prior_components import prior_components
from standage.stand.sampler import sample
from standage.stand.states import UnitState, UnitStates, prior_draws
from standage.stand.stem_dates import date_stems
from standage.stand.verdict import judge
from standage.survey.survey import Survey

STEM_COLUMNS = (
    *("tree", "stand", "species", "plot", "unit", "cored", "status", "basis", "in_process"),
    *("dbh_cm", "coring_height_cm", "innermost_ring_year", "left_out_reason", "note"),
)


# matrices are small, and with more threads the library adds up in another order: the same seed
# gives the same answer
@threadpool_limits.wrap(limits=1, user_api="blas")
def fit_stands(
    survey: Survey,
    *,
    seed: int = 1,
    level: float = 0.9,
    draws: int = 2000,
    tune: int = 200,
    chains: int = 4,
    cores: int = 2,
    profile_folder: str | None = None,
    progress: Progress | None = None,
    draws_file: DrawsFile | None = None,
) -> Posterior:
    """Sample the joint posterior of all stands of a survey and date every stem.

    draws: of a chain at most; fewer where they are enough by the limits of the verdict. draws_file:
    where draws of the very same run are read from, if they are there, and written to otherwise.
    Returns a `Posterior`; its `verdict` says whether to trust it. Raises `StandageError` if no
    stand carries enough to be modelled.

    >>> posterior = fit_stands(survey, seed=1, draws=20, tune=50, chains=2)
    >>> posterior["living"].sizes["draw"], posterior.verdict["passed"]
    (20, False)
    """
    if not 0.5 <= level < 1:
        raise StandageError(
            f"level must lie between 0.5 and 1 (an interval of 90 % is 0.9), not {level}"
        )
    built = build_stands(survey, profile_folder=profile_folder)
    n_stems = len(built.stems)
    every = thinning(built.data, n_stems, chains * draws)
    refuse_above_memory(survey, built.data, n_stems, chains * (draws // every))
    settings = {"seed": seed, "draws": draws, "tune": tune, "chains": chains, "every": every}
    key = draws_key(survey.hashes, built.data, settings)
    earlier = None if draws_file is None else draws_file.read(key)
    least = least_held(built.data, n_stems) * every / chains

    def needed(values: np.ndarray) -> float:
        found = convergence(built.data, values, states_of(values, built.data))
        return max(draws_needed(found, values.shape[1] * every), least)

    # a run that could hardly reach the limits was asked to be short, and is as long as it was asked
    sampled = earlier or sample(
        built.data,
        seed=seed,
        draws=draws,
        tune=tune,
        chains=chains,
        cores=cores,
        every=every,
        needed=needed if chains * draws >= SHORT_RUN else None,
        progress=progress,
    )
    states = states_of(sampled.values, built.data)
    found = convergence(built.data, sampled.values, states)
    if draws_file is not None and earlier is None:
        draws_file.write(key, sampled)
    return assemble(survey, built, sampled, states, found, seed=seed, level=level)


def states_of(values: np.ndarray, data: StandData) -> UnitStates:
    """What draws `(chain, draw, parameter)` imply, unit by unit; chains one after another."""
    return UnitStates(values.reshape(-1, values.shape[-1]), data)


def assemble(
    survey: Survey,
    built: BuiltStands,
    sampled: Draws,
    states: Sequence[UnitState],
    found: Convergence,
    *,
    seed: int,
    level: float,
) -> Posterior:
    """Everything that follows from the draws, without sampling again."""
    data = built.data
    number = sampled.values.shape[0] * sampled.values.shape[1]
    prior = prior_draws(data, prior_held(data, number), np.random.default_rng([seed, 3]))
    prior_states = UnitStates(prior, data)
    dates = date_stems(survey, built, states, np.random.default_rng([seed, 2]))
    checking = np.random.default_rng([seed, 4])
    expected = [expected_counts(data, u, state, checking, level) for u, state in enumerate(states)]
    by_unit = (
        draws_of_unit(data, u, state, prior_states[u], expected[u])
        for u, state in enumerate(states)
    )
    trees = pd.DataFrame(
        [{name: getattr(stem, name) for name in STEM_COLUMNS} for stem in built.stems]
    )
    return Posterior(
        survey=survey,
        profiles=built.profiles,
        level=level,
        seed=seed,
        draws_by_name=labelled_draws(
            by_unit,
            trees,
            n_units=len(data.units),
            establishment_year=dates.establishment_year,
            year_at_core=dates.year_at_core,
            misread=dates.misread,
            parameters=sampled.values,
            parameter_names=parameter_names(data),
        ),
        trees=trees,
        parameters=parameter_table(data.units, sampled, prior_states, states, level),
        stage_counts=_stage_counts(expected),
        verdict=judge(
            [unit_of(data, u) for u in range(len(data.units))], sampled, found, expected, level
        ),
        prior_components=tuple(prior_components(data, u) for u in range(len(data.units))),
        notes=built.notes,
    )


def _stage_counts(expected: Sequence[Expected]) -> pd.DataFrame:
    rows = [
        {"unit": number} | row
        for number, one in enumerate(expected)
        for row in one.stage_counts.to_dict("records")
    ]
    return pd.DataFrame(rows, columns=["unit", *STAGE_COLUMNS])
