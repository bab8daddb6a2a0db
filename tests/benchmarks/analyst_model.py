"""A stand's history as a good analyst would write it in PyMC in an afternoon: what `fit_speed.py`
holds standage's fit against.

Same survey, same evidence, same priors; the years of every stem are unknowns of the sampler, in
continuous time. It is written to sample well, as far as an afternoon goes: unit-scale factors
throughout, and for a cored stem the unknowns are what its core missed, so that its date is a
difference of them rather than a narrow ridge. Where it is simpler than docs/the-model.md: waiting
times are log-normal with the same mean and variance in place of discrete ones, cores of one tree do
not share its early growth, history is not moved with the delays, and sizes enter as diameters and
not as classes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pymc as pm
import pytensor.tensor as pt
from pytensor.tensor.signal import convolve1d

from standage.evidence.core import read_cores
from standage.evidence.delays import height_share
from standage.evidence.ring_count import counting_bias
from standage.profiles import Profile
from standage.stand.build import build_stands
from standage.stand.data import BREAST_HEIGHT_CM, UnitData
from standage.stand.packing import log_reference
from standage.stand.parameters import KNOT_NAMES, MARGIN_YEARS, knot_count
from standage.survey.survey import Survey

# a year known exactly is uniform within itself, standard deviation 1/sqrt(12). [years]
EXACT_SD = 0.3


@dataclass(frozen=True)
class AnalystData:
    """One stand laid out stem by stem. `(stem,)`, `(core,)` and `(step,)` arrays; a step is a
    stretch of height growth of one stem.
    """

    unit: UnitData
    profile: Profile
    first_year: int
    n_years: int
    edges_cm: np.ndarray
    dbh_cm: np.ndarray  # (stem,)
    step_stem: np.ndarray  # (step,)
    step_share: np.ndarray  # (step,) of the way from emergence to breast height
    step_above_base: (
        np.ndarray
    )  # (step,) whether the step lies above the stem's lowest height with evidence
    step_top_cm: np.ndarray  # (step,)
    core_stem: np.ndarray  # (core,)
    core_height_cm: np.ndarray
    core_is_base: np.ndarray  # whether this core dates its stem's lowest height
    ring_year: np.ndarray
    counted: np.ndarray
    reader_scale: np.ndarray
    missing_mu: np.ndarray  # -inf where the pith is in the core
    missing_sigma: np.ndarray
    missing_loading: np.ndarray


def analyst_data(survey: Survey) -> AnalystData:
    """What the model is given, from standage's own reduction of the survey. Raises ValueError where
    it holds what the model leaves out.
    """
    built = build_stands(survey)
    if len(built.data.units) != 1:
        raise ValueError("the analyst's model is of one stand and species")
    unit = built.data.units[0]
    if (
        unit.basis != "establishment"
        or not unit.has_plots
        or len(unit.removal_m)
        or len(unit.section_kind)
    ):
        raise ValueError(
            "the analyst's model needs plots and coring heights, and knows neither cuts nor"
            " sections"
        )
    if np.isfinite(unit.count_age_low).any():
        raise ValueError("the analyst's model knows no judged ages of seedlings")
    profile = built.data.species[unit.species_index].profile
    readings = read_cores(survey, unit.stand, profile.key, profile)
    usable = np.asarray(readings.readable, bool) & (readings.left_out_reason == "")
    height = np.where(np.isnan(readings.height_cm), unit.reference_height_cm, readings.height_cm)
    height = np.where(np.abs(height - BREAST_HEIGHT_CM) <= 3, BREAST_HEIGHT_CM, height)
    stems = [stem for stem in built.stems if stem.in_process]
    steps, cores = [], []
    for i, stem in enumerate(stems):
        rows = (
            np.flatnonzero((readings.tree == stem.tree) & usable)
            if stem.chain is not None
            else np.zeros(0, int)
        )
        heights = sorted({*height[rows], BREAST_HEIGHT_CM})
        below = 0.0
        for h in heights:
            share = height_share(profile, h) - height_share(profile, below)
            if share > 0:
                steps.append((i, share, below >= heights[0], h))
            below = h
        at_base = [row for row in rows if height[row] == heights[0]]
        cores += [(i, height[row], row == at_base[0], row) for row in rows]
    step_stem, share, above, top = (np.array(column) for column in zip(*steps, strict=True))
    core_stem, core_height, is_base, row = (np.array(column) for column in zip(*cores, strict=True))
    outer_mean = (readings.outer_weights[row] * readings.outer_years[row]).sum(axis=1)
    outer_variance = (readings.outer_weights[row] * readings.outer_years[row] ** 2).sum(
        axis=1
    ) - outer_mean**2
    return AnalystData(
        unit=unit,
        profile=profile,
        first_year=built.data.first_year,
        n_years=unit.season_index + 1,
        edges_cm=built.data.class_edges_cm,
        dbh_cm=np.array([stem.dbh_cm for stem in stems]),
        step_stem=step_stem,
        step_share=share,
        step_above_base=above,
        step_top_cm=top,
        core_stem=core_stem,
        core_height_cm=core_height,
        core_is_base=is_base,
        ring_year=readings.innermost_year[row] - outer_mean,
        counted=readings.counted_rings[row],
        reader_scale=np.sqrt(readings.reader_scale[row] ** 2 + outer_variance / 2),
        missing_mu=readings.centre_mu[row],
        missing_sigma=readings.centre_sigma[row],
        missing_loading=readings.centre_loading[row],
    )


def normal_cdf(value):
    return 0.5 * pt.erfc(-value / math.sqrt(2))


def t4_cdf(value):
    sine = value / pt.sqrt(4 + value**2)
    return 0.5 + sine * (3 - sine**2) / 4


def outside(value, low: float, high: float):
    """How far a value lies outside a range: soft walls, since a sampler that follows gradients
    cannot feel hard ones.
    """
    return pt.maximum(low - value, 0) + pt.maximum(value - high, 0)


def log_normal_of(mean, variance):
    """Log mean and log standard deviation of the log-normal with this mean and variance."""
    spread = pt.log1p(variance / mean**2)
    return pt.log(mean) - spread / 2, pt.sqrt(spread)


def by_knots(n_years: int, name: str, spacing: int, length: float) -> np.ndarray:
    """Matrix from independent normals to a unit Ornstein-Uhlenbeck process at every year, `(year,
    knot)`.
    """
    place = spacing * np.arange(knot_count(n_years, name, spacing))
    root = np.linalg.cholesky(np.exp(-np.abs(place[:, None] - place) / length))
    years = np.arange(n_years) + (0 if name == "epoch_knots" else MARGIN_YEARS)
    weight = np.clip(1 - np.abs(years[:, None] - place) / spacing, 0, 1)
    if name != "epoch_knots":
        weight = weight**2 * (3 - 2 * weight)
    return weight @ root


def at_date(by_year, date):
    """A yearly curve at continuous dates, straight between years; dates in years after the
    first.
    """
    date = pt.clip(date, 0, by_year.shape[0] - 1.001)
    left = pt.cast(pt.floor(date), "int64")
    return by_year[left] + (date - left) * (by_year[left + 1] - by_year[left])


def analyst_model(given: AnalystData) -> pm.Model:
    """The model. Deterministic: `log_living` (year,), `median_grass_years`,
    `years_to_breast_height`, `growth_cm_per_year`.
    """
    unit, number, n = given.unit, given.profile, given.n_years
    age = n - 1.0 - np.arange(n)
    season, half = n - 1.0, math.sqrt(0.5)
    stems = len(given.dbh_cm)
    base_core = given.core_is_base
    cored = np.unique(given.core_stem)
    uncored = np.setdiff1d(np.arange(stems), cored)
    with pm.Model() as model:

        def z(name, **shape):
            return pm.Normal(name, **shape)

        # waiting times
        shared = z("shared_pace")
        log_median = math.log(number["grass_stage.median_years"]) + number[
            "grass_stage.median_log_sd"
        ] * z("grass_median_z")
        log_median += number["grass_stage.between_stand_log_sd"] * half * (shared + z("grass_pace"))
        spread = number["grass_stage.within_stand_log_sd"] * pt.exp(
            number["grass_stage.within_log_sd"] * z("grass_spread")
        )
        years_up = number["height_growth.years_to_breast_height"] * pt.exp(
            number["height_growth.years_log_sd"] * z("height_years")
            + number["height_growth.between_stand_log_sd"] * half * (shared + z("height_pace"))
        )
        years_up = pm.Deterministic("years_to_breast_height", years_up)
        pm.Deterministic("median_grass_years", pt.exp(log_median))
        dispersion = number["height_growth.dispersion"] * pt.exp(
            number["height_growth.dispersion_log_sd"] * z("height_spread")
        )
        slower = years_up / number["height_growth.years_to_breast_height"]
        dispersion /= ((1 + slower**4) / 2) ** 0.25

        # history
        matrices = {
            name: by_knots(n, name, spacing, length) for name, spacing, length in KNOT_NAMES
        }
        process = {
            name: pt.dot(matrix, z(name, shape=matrix.shape[1]))
            for name, matrix in matrices.items()
        }
        log_shape = 0.3 * pt.exp(0.35 * z("trend_scale")) * process["trend_knots"]
        log_shape += pt.softplus(
            -2.5
            + 0.7 * z("activity")
            + 2 * pt.exp(0.25 * z("pulse_scale")) * process["pulse_knots"]
        )
        log_shape += log_reference(number, age, adult_only=False)
        log_shape += number["survival.slope_sd"] * z("slope") * age / 100 + number[
            "survival.early_sd"
        ] * z("early") * np.exp(-age / 10)
        beginning = math.log(200) + 0.8 * z("beginning")
        log_shape -= pt.softplus(10 * (np.log(age + 1) - beginning))

        # sizes
        growth = number["size.growth_cm_per_year"] * pt.exp(
            number["size.growth_log_sd"] * z("growth")
            + number["size.growth_between_stand_log_sd"] * z("growth_pace")
        )
        growth = pm.Deterministic("growth_cm_per_year", growth)
        asymptote = number["size.asymptote_cm"] * pt.exp(
            number["size.asymptote_log_sd"] * z("asymptote")
            + number["size.asymptote_between_stand_log_sd"] * z("site_asymptote")
        )
        scatter = number["size.scatter"] * pt.exp(number["size.scatter_log_sd"] * z("scatter"))
        epoch = number["size.epoch_log_sd"] * process["epoch_knots"]

        def log_size(seasons):
            grown = growth / asymptote * (seasons + 0.5)
            return pt.log(asymptote) + pt.log(-pt.expm1(-grown) + grown / 20)

        # stems listed by plot, and the level that their expected number sets (docs/the-model.md,
        # section 2), on the yearly axis. Nothing is cut off: what waits longer than the grid counts
        # at its end, or stems and numbers would contradict each other
        waits = np.arange(2 * int(number["grass_stage.longest_years"]))
        climbs = np.arange(2 * int(number["height_growth.longest_height_years"]))
        out_of_grass = pt.set_subtensor(
            normal_cdf((np.log(waits + 0.5) - log_median) / spread)[-1], 1.0
        )
        up_mean, up_sd = log_normal_of(years_up, dispersion * years_up)
        up = pt.set_subtensor(normal_cdf((np.log(climbs + 0.5) - up_mean) / up_sd)[-1], 1.0)
        grass_pmf, up_pmf = (
            pt.concatenate([out_of_grass[:1], pt.diff(out_of_grass)]),
            pt.concatenate([up[:1], pt.diff(up)]),
        )
        delay = convolve1d(grass_pmf, up_pmf, mode="full")
        size = log_size(age) + epoch

        def smaller(edge_cm):
            return (
                t4_cdf((math.log(edge_cm) - size) / scatter)
                if 0 < edge_cm < math.inf
                else float(edge_cm > 0)
            )

        low, high = given.edges_cm[unit.plot_class_low], given.edges_cm[unit.plot_class_high]

        def listed_of(arriving):
            return pt.stack(
                [pt.sum(arriving * (smaller(high[p]) - smaller(low[p]))) for p in range(len(low))]
            )

        area = np.asarray(unit.plot_area_ha)
        at_level_0 = convolve1d(pt.exp(log_shape), delay, mode="full")[:n]
        listed_at_0 = pt.dot(area / area.sum(), listed_of(at_level_0))
        log_living = pm.Deterministic(
            "log_living", log_shape + math.log(150) + 1.75 * z("level") - pt.log(listed_at_0)
        )
        living = pt.exp(log_living)
        arriving = convolve1d(living, delay, mode="full")[:n]
        listed = listed_of(arriving)

        # every stem's dates, in years after the first: evidence at its lowest height, ground below,
        # breast height above
        grass = pt.exp(log_median + spread * z("grass", shape=stems))
        step_mean, step_sd = log_normal_of(
            years_up * given.step_share, dispersion * years_up * given.step_share
        )
        step = pt.exp(step_mean + step_sd * z("steps", shape=len(given.step_stem)))

        def sum_by_stem(chosen):
            return pt.inc_subtensor(
                pt.zeros(stems)[given.step_stem[chosen]], step[chosen.nonzero()[0]]
            )

        missing = np.isfinite(given.missing_mu) & (given.missing_sigma > 0)
        log_missing = given.missing_mu[missing] + given.missing_loading[missing] * z("early_growth")
        missed = pt.set_subtensor(
            pt.zeros(len(missing))[missing.nonzero()[0]],
            pt.exp(
                log_missing + given.missing_sigma[missing] * z("missed", shape=int(missing.sum()))
            ),
        )
        bias_mean, bias_sd = counting_bias(number)
        bias = given.counted * (bias_mean + bias_sd * z("counting"))
        dated_by_core = given.ring_year - given.first_year - missed - bias
        misread = base_core & (given.reader_scale > 0)
        error = pt.set_subtensor(
            pt.zeros(len(base_core))[misread.nonzero()[0]],
            given.reader_scale[misread]
            * pm.StudentT("misread", nu=4, sigma=1, shape=int(misread.sum())),
        )
        base = pt.zeros(stems)
        base = pt.set_subtensor(
            base[given.core_stem[base_core]], (dated_by_core - error)[base_core.nonzero()[0]]
        )
        guess = season - seasons_for(given.dbh_cm[uncored], number)
        base = pt.set_subtensor(
            base[uncored], pm.Uniform("arrived", 0, season, shape=len(uncored), initval=guess)
        )
        established = base - grass - sum_by_stem(~given.step_above_base)
        breast_height = base + sum_by_stem(given.step_above_base)
        pm.Potential("history", pt.sum(at_date(log_living, established)))
        seasons = season - breast_height
        pm.Potential(
            "alive",
            -5
            * pt.sum(outside(breast_height, 0, season) ** 2 + outside(established, 0, season) ** 2),
        )
        pm.StudentT(
            "diameters",
            nu=4,
            mu=log_size(pt.maximum(seasons, 0)) + at_date(epoch, breast_height),
            sigma=scatter,
            observed=np.log(given.dbh_cm),
        )
        for k in np.flatnonzero(
            ~base_core
        ):  # further cores of a tree: what they say about the height they were taken at
            climbed = (
                (given.step_stem == given.core_stem[k])
                & given.step_above_base
                & (given.step_top_cm <= given.core_height_cm[k])
            )
            there = base[given.core_stem[k]] + pt.sum(step[climbed.nonzero()[0]])
            scale = max(float(given.reader_scale[k]), EXACT_SD)
            pm.Potential(
                f"core_{k}",
                pm.logp(pm.StudentT.dist(nu=4, mu=there, sigma=scale), dated_by_core[k]),
            )

        # numbers: listed stems by plot, plants by stage
        # the stems' own densities stand in "history" unnormalised: what is left of the plots is the
        # negative binomial without mu^count
        plot_phi, expected = 4 * pt.exp(0.8 * z("plot_dispersion")), unit.plot_area_ha * listed
        counts = pm.logp(
            pm.NegativeBinomial.dist(mu=expected, alpha=plot_phi), unit.plot_stems
        ) - unit.plot_stems * pt.log(listed)
        pm.Potential("plots", pt.sum(counts))
        if len(unit.count_value):
            by_age = (
                np.minimum(age.astype(int), len(waits) - 1),
                np.minimum(age.astype(int), len(waits) + len(climbs) - 2),
            )
            in_grass, grown = 1 - out_of_grass[by_age[0]], pt.cumsum(delay)[by_age[1]]
            older = age >= 1
            density = [
                living[-1],
                pt.sum(older * living * in_grass),
                pt.sum(older * living * (1 - in_grass - grown)),
            ]
            small = {
                c: pt.sum(arriving * smaller(given.edges_cm[c])) for c in set(unit.count_class_low)
            }
            by_row = [
                density[s] if s < 3 else small[c]
                for s, c in zip(unit.count_stage, unit.count_class_low, strict=True)
            ]
            factor = pt.exp(unit.stage_factor_scale * z("stage_factor", shape=4))[unit.count_stage]
            mean = unit.count_area_ha * pt.maximum(pt.stack(by_row), 1e-12) * factor
            pm.NegativeBinomial(
                "stages",
                mu=mean,
                alpha=pt.exp(0.8 * z("count_dispersion")),
                observed=unit.count_value.astype(int),
            )
    return model


def seasons_for(dbh_cm: np.ndarray, number: Profile) -> np.ndarray:
    """Seasons since breast height of a median stem of a diameter, as a place to start from."""
    asymptote, growth = number["size.asymptote_cm"], number["size.growth_cm_per_year"]
    return np.maximum(
        -asymptote / growth * np.log1p(-np.minimum(dbh_cm / asymptote, 0.9)) - 0.5, 1.0
    )
