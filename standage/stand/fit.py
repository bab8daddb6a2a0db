"""Fit the stand model to a survey and put the answer together: the verb `fit_stands`."""

from __future__ import annotations

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from standage.choices import Emergence
from standage.errors import StandageError
from standage.profiles import load_profile
from standage.stand.build import BuiltStands, DatedStem, build_stands
from standage.stand.count_likelihood import counts_used, log_counts
from standage.stand.data import BREAST_HEIGHT_CM, StandData
from standage.stand.dating import NO_YEAR, chain_years, size_years
from standage.stand.draws_file import KeptDraws, draws_key
from standage.stand.openings import OFF
from standage.stand.packing import log_reference
from standage.stand.posterior import Posterior, Unit
from standage.stand.prior_components import prior_components
from standage.stand.sampler import Draws, Progress, sample, sample_again
from standage.stand.states import Delays, UnitState, prior_draws, unit_delays, unit_state
from standage.stand.verdict import (
    SHORT_RUN,
    Convergence,
    convergence,
    fitted_checks,
    judge,
    parameter_table,
)
from standage.survey.survey import Survey

MOST_DATES = 400_000_000
"""Dates of stems, one a draw (assumption: with two of four bytes each, and what is made of them,
about ten gigabytes of memory).
"""


# matrices are small, and with more threads the library adds up in another order: the same seed
# gives the same answer
@threadpool_limits.wrap(limits=1, user_api="blas")
def fit_stands(
    survey: Survey,
    *,
    seed: int = 1,
    level: float = 0.9,
    draws: int = 1000,
    tune: int = 200,
    chains: int = 4,
    cores: int = 2,
    profile_folder: str | None = None,
    emergence: Emergence = OFF,
    progress: Progress | None = None,
    kept: KeptDraws | None = None,
) -> Posterior:
    """Sample the joint posterior of all stands of a survey and date every stem.

    emergence: `off`; `on`: openings on record let plants leave the grass stage sooner; `learned`:
    they may have hastened or delayed it (docs/the-model.md, section 11). kept: a file from which
    draws of the same run are taken up, if they are there, and in which they are kept otherwise.
    Returns a `Posterior`; its `verdict` says whether to trust it. Raises `StandageError` if no
    stand carries enough to be modelled.
    """
    if not 0.5 <= level < 1:
        raise StandageError(
            f"level must lie between 0.5 and 1 (an interval of 90 % is 0.9), not {level}"
        )
    built = build_stands(survey, profile_folder=profile_folder, emergence=emergence)
    if (dates := chains * draws * len(built.stems)) > MOST_DATES:
        asked = f"{len(built.stems):,} stems to be dated in each of {chains * draws:,} draws"
        raise StandageError.at(
            survey.path,
            asked,
            f"at most {MOST_DATES:,} dates, not {dates:,}",
            "Ask for fewer draws (--draws), or make a survey of each stand and use `standage"
            " batch`.",
        )
    key = draws_key(
        survey.hashes, built.data, {"seed": seed, "draws": draws, "tune": tune, "chains": chains}
    )
    earlier = None if kept is None else kept.take_up(key)
    sampled = earlier or sample(
        built.data, seed=seed, draws=draws, tune=tune, chains=chains, cores=cores, progress=progress
    )
    states = states_of(sampled, built.data)
    found = convergence(built.data, sampled, states)
    # chance puts a sound fit a little over a limit now and then; as many chains again tell it from
    # one that does not mix. A run that could hardly reach the limits was asked to be short
    if earlier is None and not found.enough and chains * draws >= SHORT_RUN:
        sampled = sample_again(
            built.data, sampled, seed=seed, tune=tune, cores=cores, progress=progress
        )
        states = states_of(sampled, built.data)
        found = convergence(built.data, sampled, states)
    if kept is not None and earlier is None:
        kept.keep(key, sampled)
    return assemble(
        survey, built, sampled, states, found, seed=seed, level=level, profile_folder=profile_folder
    )


def states_of(sampled: Draws, data: StandData) -> list[UnitState]:
    """What the draws imply, unit by unit; chains one after another."""
    flat = sampled.values.reshape(-1, sampled.values.shape[-1])
    return [unit_state(flat, data, u) for u in range(len(data.units))]


def assemble(
    survey: Survey,
    built: BuiltStands,
    sampled: Draws,
    states: list[UnitState],
    found: Convergence,
    *,
    seed: int,
    level: float,
    profile_folder: str | None = None,
) -> Posterior:
    """Everything that follows from the draws, without sampling again."""
    generator = np.random.default_rng([seed, 2])
    data = built.data
    n_draws = sampled.values.shape[0] * sampled.values.shape[1]
    prior = prior_draws(data, min(1000, n_draws), np.random.default_rng([seed, 3]))
    prior_states = [unit_state(prior, data, u) for u in range(len(data.units))]
    units, past, grass_share = [], [], []
    for unit, state in zip(data.units, states, strict=True):
        ages = np.arange(unit.season_index + 1)
        past.append(state.delays.past_emerging_by_age(ages)[:, ::-1])
        still = np.maximum(1.0 - state.delays.stem_begun_by_age(ages), 0.0)
        still[:, ages >= state.delays.grass.shape[1]] = 0.0
        still[:, 0] = 0.0 if unit.basis == "coring height" else 1.0
        grass_share.append(still[:, ::-1])
        units.append(
            Unit(
                unit.stand,
                data.species[unit.species_index].key,
                unit.basis,
                unit.has_plots,
                int(data.first_year + unit.season_index),
                float(unit.plot_area_ha.sum()) if unit.has_plots else float("nan"),
            )
        )
    year_at_core, establishment = date_stems(survey, built, states, generator, profile_folder)
    checking = np.random.default_rng([seed, 4])
    fitted = [fitted_checks(data, u, state, checking, level) for u, state in enumerate(states)]
    parameters = parameter_table(data, sampled, prior_states, states, level)
    verdict = judge(data, sampled, found, fitted)
    trees = pd.DataFrame([_row(stem) for stem in built.stems])
    return Posterior(
        survey=survey,
        level=level,
        seed=seed,
        units=tuple(units),
        years=data.years,
        living=[_on_axis(state.living, data.n_years) for state in states],
        past_emerging=[_on_axis(share, data.n_years) for share in past],
        grass_share=[_on_axis(share, data.n_years) for share in grass_share],
        prior_living=[_on_axis(state.living, data.n_years) for state in prior_states],
        trees=trees,
        year_at_core=year_at_core,
        establishment_year=establishment,
        parameters=parameters,
        verdict=verdict,
        delay_prior=[_delay_pmfs(state.delays) for state in prior_states],
        delay_posterior=[_delay_pmfs(state.delays) for state in states],
        fitted=fitted,
        size_curve=[np.exp(state.median_size_log[:, ::-1]) for state in states],
        notes=built.notes,
        draws=sampled.values,
        prior_components=[prior_components(data, u) for u in range(len(data.units))],
        log_counts=[
            log_counts(data, u, state) if counts_used(data, u) else np.zeros(0)
            for u, state in enumerate(states)
        ],
    )


def _on_axis(values: np.ndarray, n_years: int) -> np.ndarray:
    """Values `(draw, year)` up to a unit's season, with zeros for the years of the common axis
    after it.
    """
    return np.pad(values, ((0, 0), (0, n_years - values.shape[1])))


def _delay_pmfs(delays: Delays) -> dict[str, np.ndarray]:
    pmfs = {
        "grass": delays.grass,
        "height": delays.growth(1.0),
        "breast_height": delays.to_height(BREAST_HEIGHT_CM),
    }
    return pmfs if delays.emergence is None else pmfs | {"release": delays.emergence.rho[:, None]}


def _row(stem: DatedStem) -> dict:
    return {
        "tree": stem.tree,
        "stand": stem.stand,
        "species": stem.species,
        "plot": stem.plot,
        "unit": stem.unit,
        "cored": stem.chain is not None,
        "status": stem.status,
        "basis": stem.basis,
        "in_process": stem.in_process,
        "dbh_cm": stem.dbh_cm,
        "coring_height_cm": stem.coring_height_cm,
        "innermost_ring_year": stem.innermost_ring_year,
        "left_out_reason": stem.left_out_reason,
        "note": stem.note,
    }


def date_stems(
    survey: Survey,
    built: BuiltStands,
    states: list[UnitState],
    generator: np.random.Generator,
    profile_folder: str | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Calendar years `(draw, stem)` of the first ring at the core and of establishment; -1 where
    there is none to give.
    """
    data = built.data
    n_draws = len(states[0].living)
    at_core = np.full((n_draws, len(built.stems)), NO_YEAR, dtype=np.int32)
    established = np.full((n_draws, len(built.stems)), NO_YEAR, dtype=np.int32)
    edges = data.class_edges_cm
    loose: dict[tuple[str, str], tuple] = {}
    arrivals: dict[tuple, np.ndarray] = {}
    begun: dict[tuple, np.ndarray] = {}
    last_class: tuple | None = None
    sizes = None
    by_size: dict[tuple[int, int], list[int]] = {}
    # by unit and diameter class, so that one class's probabilities are worked out once and only one
    # is held at a time
    for i in sorted(
        range(len(built.stems)), key=lambda i: (built.stems[i].unit, built.stems[i].dbh_class, i)
    ):
        stem = built.stems[i]
        if stem.basis == "planted":
            established[:, i] = int(stem.planted_year)
            continue
        if stem.left_out_reason:
            continue
        if stem.chain is None:
            by_size.setdefault((stem.unit, stem.dbh_class), []).append(i)
            continue
        has_size = stem.in_process and any(node.dbh_class >= 0 for node in stem.chain.nodes)
        if has_size and last_class != (stem.unit, stem.dbh_class):
            last_class = (stem.unit, stem.dbh_class)
            sizes = states[stem.unit].in_class(edges[stem.dbh_class], edges[stem.dbh_class + 1])
        if stem.in_process:
            state = states[stem.unit]
            living, delays, gamma, delta = (
                state.living,
                state.delays,
                state.early_growth,
                state.counting,
            )
        else:
            living, delays, (gamma, delta) = _outside(
                survey, built, states, stem, loose, generator, profile_folder
            )
        height = stem.chain.nodes[-1].height_cm
        source = (stem.stand, stem.species, stem.in_process)
        if delays.emergence is not None and source not in begun:
            begun[source] = delays.begun(living)
        key = (*source, height)
        if key not in arrivals:
            arrivals[key] = delays.arrival(living, height, begun.get(source))
        core, year = chain_years(
            stem.chain,
            living,
            arrivals[key],
            delays,
            sizes if has_size else None,
            gamma,
            delta,
            generator,
            begun.get(source),
        )
        at_core[:, i] = np.where(core >= 0, data.first_year + core, NO_YEAR)
        if np.isfinite(stem.coring_height_cm) and not delays.at_coring_height:
            established[:, i] = np.where(year >= 0, data.first_year + year, NO_YEAR)
    for (unit, c), members in by_size.items():
        state = states[unit]
        key = (unit, "by size")
        if key not in arrivals:
            arrivals[key] = state.delays.arrival(state.living, BREAST_HEIGHT_CM)
        years = size_years(
            state.living,
            state.delays,
            arrivals[key],
            state.in_class(edges[c], edges[c + 1]),
            len(members),
            generator,
        )
        established[:, members] = np.where(years >= 0, data.first_year + years, NO_YEAR)
    return at_core, established


def _outside(survey, built, states, stem, loose, generator, profile_folder):
    """What dates a stem outside the process: reference survivorship in place of recruitment, its
    stand's delays, or the prior's.
    """
    key = (stem.stand, stem.species)
    if key not in loose:
        n_draws = len(states[0].living)
        data = built.data
        profile = (
            load_profile(stem.species, profile_folder)
            if profile_folder
            else load_profile(stem.species)
        )
        if stem.unit >= 0:
            delays = states[stem.unit].delays
            factors = np.vstack([states[stem.unit].early_growth, states[stem.unit].counting])
        else:
            names = (
                "grass_median",
                "grass_spread",
                "height_years",
                "shared_pace",
                "grass_pace",
                "height_pace",
            )
            delays = unit_delays(
                profile, False, {name: generator.standard_normal(n_draws) for name in names}
            )
            factors = generator.standard_normal((2, n_draws))
        age = survey.survey_season(stem.stand) - data.years
        prior = np.where(
            age >= 0,
            np.exp(log_reference(profile, np.maximum(age, 0).astype(float), adult_only=True)),
            0.0,
        )
        living = np.broadcast_to(prior[age >= 0], (n_draws, int((age >= 0).sum())))
        loose[key] = (np.ascontiguousarray(living), delays, factors)
    return loose[key]
