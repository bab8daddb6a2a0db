"""Whether a fit can be trusted: convergence of the chains, and what the fitted model says about
data like those seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.stand.data import BREAST_HEIGHT_CM, STAGES, StandData
from standage.stand.sampler import Draws
from standage.stand.states import UnitState

# limits of the verdict: R-hat and effective sample size after Vehtari, Gelman, Simpson, Carpenter &
# Buerkner (2021), Bayesian Analysis 16:667-718, who ask for R-hat below 1.01 and 100 effective
# draws a chain
RHAT_LIMIT = 1.01  # of the quantities people read
# of any single parameter: hundreds of knots that nobody reads one by one, whose largest R-hat
# strays by chance (assumption)
LOOSE_RHAT_LIMIT = 1.05
ESS_LIMIT = 400
SHORT_RUN = (
    5 * ESS_LIMIT
)  # draws in all; a run with fewer could hardly reach the limits (assumption)
# share of draws that may diverge before the fit fails; any at all is told (assumption)
DIVERGENT_LIMIT = 0.005
# two-sided posterior predictive probability below which a check is remarked on (assumption)
CHECK_LIMIT = 0.01
CLASS_YEARS = 20  # width of the classes of years whose density is watched for convergence


def _two_sided(predicted: np.ndarray, observed: float) -> float:
    above = np.mean(predicted > observed) + 0.5 * np.mean(predicted == observed)
    return float(2 * min(above, 1 - above))


def fitted_checks(
    data: StandData, which: int, state: UnitState, generator: np.random.Generator, level: float
) -> dict:
    """Predictions of a unit's diameter classes and stage counts from the fitted model, beside what
    was seen.
    """
    unit = data.units[which]
    edges = data.class_edges_cm
    living = state.living
    arrival = state.delays.arrival(living, BREAST_HEIGHT_CM)
    # 10 cm classes: fine enough to show a misfit, coarse enough to hold some stems each
    coarse = np.array([0.0, *np.arange(10.0, 101.0, 10.0), np.inf])
    observed = np.zeros(len(coarse) - 1)
    sizes = list(np.repeat(unit.uncored_class, unit.uncored_count)) + [
        node.dbh_class for tree in unit.trees for node in tree.nodes if node.dbh_class >= 0
    ]
    for c in sizes:
        observed[np.searchsorted(coarse, edges[c], side="right") - 1] += 1
    predicted = np.zeros((len(living), len(coarse) - 1))
    if unit.has_plots:
        expected = np.zeros((len(living), len(coarse) - 1, len(unit.plot_area_ha)))
        for p in range(len(unit.plot_area_ha)):
            low, high = edges[unit.plot_class_low[p]], edges[unit.plot_class_high[p]]
            for c in range(len(coarse) - 1):
                bottom, top = max(coarse[c], low), min(coarse[c + 1], high)
                if bottom < top:
                    expected[:, c, p] = unit.plot_area_ha[p] * (
                        arrival * state.in_class(bottom, top)
                    ).sum(axis=1)
        plot_factor = generator.gamma(
            state.plot_dispersion[:, None],
            1 / state.plot_dispersion[:, None],
            (len(living), expected.shape[2]),
        )
        predicted = generator.poisson(
            np.minimum((expected * plot_factor[:, None, :]).sum(axis=2), 1e9)
        ).astype(float)
    rows = []
    if len(unit.count_value) and unit.basis == "establishment":
        low_tail, high_tail = (1 - level) / 2, (1 + level) / 2
        density = stage_densities(data, which, state, arrival)
        for stage in sorted(set(unit.count_stage)):
            of_stage = unit.count_stage == stage
            mean = np.stack(
                [
                    unit.count_area_ha[j] * density[(stage, unit.count_class_low[j])]
                    for j in np.flatnonzero(of_stage)
                ],
                axis=1,
            )
            mean = mean * state.stage_factor[:, stage : stage + 1]
            dispersion = state.count_dispersion[:, None]
            total = generator.poisson(
                np.minimum(generator.gamma(dispersion, mean / dispersion), 1e9)
            ).sum(axis=1)
            rows.append(
                {
                    "stage": STAGES[stage],
                    "observed": float(unit.count_value[of_stage].sum()),
                    "predicted_low": float(np.quantile(total, low_tail)),
                    "predicted_median": float(np.median(total)),
                    "predicted_high": float(np.quantile(total, high_tail)),
                    "p": _two_sided(total, unit.count_value[of_stage].sum()),
                    "factor": float(np.median(state.stage_factor[:, stage])),
                }
            )
    columns = [
        "stage",
        "observed",
        "predicted_low",
        "predicted_median",
        "predicted_high",
        "p",
        "factor",
    ]
    return {
        "dbh_edges": coarse,
        "dbh_observed": observed.astype(int),
        "dbh_predicted": predicted,
        "counts": pd.DataFrame(rows, columns=columns),
    }


def stage_densities(
    data: StandData, which: int, state: UnitState, arrival: np.ndarray
) -> dict[tuple[int, int], np.ndarray]:
    """Stems per hectare by stage and draw `(draw,)`, keyed by (stage, index of the plot's lower
    class edge).
    """
    unit = data.units[which]
    ages = np.arange(unit.season_index + 1)
    by_age = state.living[:, ::-1]
    grass = np.maximum(1.0 - state.delays.stem_begun_by_age(ages), 0.0)
    grass[:, ages >= state.delays.grass.shape[1]] = 0.0
    grass[:, 0] = 0.0
    past = state.delays.past_emerging_by_age(ages)
    emerging = 1.0 - grass - past
    emerging[:, 0] = 0.0
    out = {}
    for stage, low in set(
        zip(unit.count_stage.tolist(), unit.count_class_low.tolist(), strict=True)
    ):
        if stage == 0:
            out[stage, low] = by_age[:, 0]
        elif stage == 1:
            out[stage, low] = (by_age * grass).sum(axis=1)
        elif stage == 2:
            out[stage, low] = (by_age * emerging).sum(axis=1)
        else:
            out[stage, low] = (arrival * state.in_class(0.0, data.class_edges_cm[low])).sum(axis=1)
    return out


def _watched(data: StandData, states: list[UnitState], chains: int) -> dict[str, np.ndarray]:
    """Quantities people read, by chain and draw `(chain, draw)`: their convergence is what
    matters.
    """
    out = {}
    for unit, state in zip(data.units, states, strict=True):
        name = f"{unit.stand}, {data.species[unit.species_index].key}"
        living = state.living
        out[f"{name}: stems alive"] = np.log(living.sum(axis=1))
        end = living.shape[1]
        while end > 0:
            start = max(0, end - CLASS_YEARS)
            out[
                f"{name}: stems established {data.first_year + start}-{data.first_year + end - 1}"
            ] = np.log(living[:, start:end].sum(axis=1) + 1e-12)
            end = start
        if unit.basis == "establishment":
            if state.delays.profile.has_grass_stage:
                out[f"{name}: median grass stage"] = np.log(state.delays.median_grass_years)
            if state.delays.emergence is not None:
                out[f"{name}: emergence after openings"] = state.delays.emergence.rho
            out[f"{name}: years to breast height"] = np.log(state.delays.years_to_breast_height)
    return {key: value.reshape(chains, -1) for key, value in out.items()}


def _summarise(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bulk effective sample size and rank R-hat of `(chain, draw, quantity)`."""
    import arviz

    dataset = arviz.convert_to_dataset({"x": values})
    return (
        arviz.ess(dataset, method="bulk")["x"].to_numpy(),
        arviz.rhat(dataset, method="rank")["x"].to_numpy(),
    )


@dataclass(frozen=True)
class Convergence:
    """How well the chains agree: largest R-hat and least bulk effective sample of what people read,
    largest R-hat of any parameter.
    """

    rhat_max: float
    rhat_any: float
    ess_min: float
    slowest: str

    @property
    def enough(self) -> bool:
        return (
            self.rhat_max <= RHAT_LIMIT
            and self.rhat_any <= LOOSE_RHAT_LIMIT
            and self.ess_min >= ESS_LIMIT
        )


def convergence(data: StandData, sampled: Draws, states: list[UnitState]) -> Convergence:
    """Agreement of the chains of a fit; `states` are those of its draws."""
    watched = _watched(data, states, len(sampled.values))
    ess, rhat = _summarise(
        np.concatenate([sampled.values, np.stack(list(watched.values()), axis=-1)], axis=-1)
    )
    n_parameters = sampled.values.shape[-1]
    read = dict(zip(watched, ess[n_parameters:], strict=True))
    slowest = min(read, key=read.get)
    return Convergence(
        float(np.nanmax(rhat[n_parameters:])), float(np.nanmax(rhat)), float(read[slowest]), slowest
    )


def judge(data: StandData, sampled: Draws, found: Convergence, fitted: list[dict]) -> dict:
    """The verdict: passed or not, the figures behind it, and in words what to try."""
    rhat_max, rhat_any, ess_min, slowest = (
        found.rhat_max,
        found.rhat_any,
        found.ess_min,
        found.slowest,
    )
    notes, failed = [], False
    again = 2 * sampled.made // len(sampled.values)
    if sampled.made > sampled.values.shape[0] * sampled.values.shape[1]:
        notes.append(
            "The first chains did not agree well enough; as many again were run beside them."
        )
    if rhat_max > RHAT_LIMIT or rhat_any > LOOSE_RHAT_LIMIT:
        failed = True
        worst = (
            f"R-hat {rhat_max:.3f}, should be under {RHAT_LIMIT}"
            if rhat_max > RHAT_LIMIT
            else f"R-hat {rhat_any:.3f} of one parameter"
        )
        notes.append(f"The chains disagree ({worst}). Run again with more draws: --draws {again}.")
    if ess_min < ESS_LIMIT:
        failed = True
        notes.append(
            f"Too few effective draws of '{slowest}' ({ess_min:.0f}, should be {ESS_LIMIT} or"
            f" more). Run again with more draws: --draws {again}."
        )
    if failed and sampled.made < SHORT_RUN:
        notes.append(
            f"This was a short run of {sampled.made} draws: that it fails says nothing of what the"
            " survey could tell."
        )
    if sampled.divergences > DIVERGENT_LIMIT * sampled.made:
        failed = True
        notes.append(
            f"{sampled.divergences} draws diverged: part of the posterior may not have been"
            " reached. Run again with another --seed; if it stays, look for contradictory cores"
            " with `standage check`."
        )
    elif sampled.divergences:
        notes.append(
            f"{sampled.divergences} draws diverged, too few to matter; more than"
            f" {DIVERGENT_LIMIT:.1%} would fail the fit."
        )
    checks = []
    for unit, part in zip(data.units, fitted, strict=True):
        name = f"{unit.stand}, {data.species[unit.species_index].key}"
        if unit.has_plots:
            for c in range(len(part["dbh_observed"])):
                predicted = part["dbh_predicted"][:, c]
                top = part["dbh_edges"][c + 1]
                label = (
                    f"{part['dbh_edges'][c]:.0f}-{top:.0f} cm"
                    if np.isfinite(top)
                    else f"over {part['dbh_edges'][c]:.0f} cm"
                )
                checks.append(
                    _check(
                        f"{name}: listed stems of {label}",
                        float(part["dbh_observed"][c]),
                        predicted,
                    )
                )
        for row in part["counts"].itertuples():
            checks.append(
                {
                    "name": f"{name}: {row.stage} counted",
                    "observed": row.observed,
                    "low": row.predicted_low,
                    "high": row.predicted_high,
                    "p": row.p,
                }
            )
            if abs(math.log(row.factor)) > 1:
                notes.append(
                    f"{name}: the counts of the {row.stage} stage are {row.factor:.1f} times what"
                    " the rest of the survey expects; dates of young stems lean on them."
                )
    for check in checks:
        if check["p"] < CHECK_LIMIT:
            notes.append(
                f"The model fits '{check['name']}' poorly: {check['observed']:.0f} seen, "
                f"{check['low']:.0f} to {check['high']:.0f} expected."
            )
    if not failed and not notes:
        notes.append("The chains agree and the model reproduces the counts and diameters.")
    return {
        "passed": not failed,
        "notes": notes,
        "rhat_max": rhat_max,
        "rhat_any_parameter": rhat_any,
        "ess_min": ess_min,
        "slowest": slowest,
        "divergences": sampled.divergences,
        "checks": checks,
        "steps_per_draw": sampled.steps_per_draw,
        "sampling_seconds": round(sampled.seconds, 1),
        "chains": len(sampled.values),
        "draws_per_chain": sampled.values.shape[1],
    }


def _check(name: str, observed: float, predicted: np.ndarray) -> dict:
    low, high = np.quantile(predicted, [0.05, 0.95])
    return {
        "name": name,
        "observed": observed,
        "low": float(low),
        "high": float(high),
        "p": _two_sided(predicted, observed),
    }


def parameter_table(
    data: StandData,
    sampled: Draws,
    prior_states: list[UnitState],
    states: list[UnitState],
    level: float,
) -> pd.DataFrame:
    """What the parameters mean in the field's units, prior beside posterior, with their effective
    draws and R-hat.
    """
    chains = len(sampled.values)
    rows, values = [], []

    def add(name, stand, prior, posterior, meaning):
        tails = [(1 - level) / 2, 0.5, (1 + level) / 2]
        before, after = np.quantile(prior, tails), np.quantile(posterior, tails)
        rows.append(
            {
                "name": name,
                "stand": stand,
                "prior_low": before[0],
                "prior_median": before[1],
                "prior_high": before[2],
                "posterior_low": after[0],
                "posterior_median": after[1],
                "posterior_high": after[2],
                "what_it_means": meaning,
            }
        )
        values.append(posterior.reshape(chains, -1))

    for unit, before, after in zip(data.units, prior_states, states, strict=True):
        stand, species = unit.stand, data.species[unit.species_index]
        if unit.basis == "establishment":
            if species.has_grass_stage:
                add(
                    "grass_stage_median_years",
                    stand,
                    before.delays.median_grass_years,
                    after.delays.median_grass_years,
                    "median length of the grass stage in this stand [years]",
                )
            if after.delays.emergence is not None:
                add(
                    "release_after_openings",
                    stand,
                    before.delays.emergence.rho,
                    after.delays.emergence.rho,
                    "chance of leaving the grass stage just after an opening against other years: 0"
                    " none, positive faster [log factor on the hazard]",
                )
            add(
                "years_to_breast_height",
                stand,
                before.delays.years_to_breast_height,
                after.delays.years_to_breast_height,
                "mean seasons from the start of the stem to 1.37 m [years]",
            )
            add(
                "early_growth_factor",
                stand,
                before.early_growth,
                after.early_growth,
                "early growth against the profile's: positive means slower, so more rings missed"
                " [standard deviations of the prior]",
            )
            add(
                "counting_factor",
                stand,
                before.counting,
                after.counting,
                "false or absent rings against the profile's [standard deviations of the prior]",
            )
        if len(unit.removal_m):
            assumed, taken = (
                1 - np.prod(1 - state.removed_shares, axis=1) for state in (before, after)
            )
            add(
                "share_removed",
                stand,
                assumed,
                taken,
                "share of the stems in reach that recorded cuts took, all cuts together",
            )
        if unit.has_plots or any(node.dbh_class >= 0 for tree in unit.trees for node in tree.nodes):
            add(
                "dbh_growth_cm_per_year",
                stand,
                before.growth,
                after.growth,
                "diameter growth of young stems at breast height [cm/year]",
            )
            add(
                "dbh_asymptote_cm",
                stand,
                before.asymptote,
                after.asymptote,
                "diameter towards which stems grow [cm]",
            )
            add(
                "dbh_scatter",
                stand,
                before.scatter,
                after.scatter,
                "spread of diameter at one age [log scale]",
            )
        if unit.has_plots:
            add(
                "plot_dispersion",
                stand,
                before.plot_dispersion,
                after.plot_dispersion,
                "likeness of plots: small means clumped (gamma shape), one for the survey",
            )
        if len(unit.count_value) and unit.basis == "establishment":
            for stage, name in enumerate(STAGES):
                if np.any(unit.count_stage == stage):
                    add(
                        f"stage_factor_{name}",
                        stand,
                        before.stage_factor[:, stage],
                        after.stage_factor[:, stage],
                        f"{name} counts against what the history expects: mast years, search,"
                        " clumping [factor]",
                    )
    if not rows:
        return pd.DataFrame(
            columns=[
                "name",
                "stand",
                "prior_low",
                "prior_median",
                "prior_high",
                "posterior_low",
                "posterior_median",
                "posterior_high",
                "ess",
                "rhat",
                "what_it_means",
            ]
        )
    ess, rhat = _summarise(np.stack(values, axis=-1))
    table = pd.DataFrame(rows)
    table.insert(8, "ess", ess)
    table.insert(9, "rhat", rhat)
    return table
