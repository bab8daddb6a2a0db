"""How the answer leans on the prior: weights against exact normal answers, quadrature and fits with
the prior really moved.
"""

from __future__ import annotations

import copy
import dataclasses
import json
import math
import re
from functools import cache
from pathlib import Path

import arviz
import numpy as np
import pandas as pd
import pytest
from fake_posterior import changed, fake_posterior
from random_stand_data import random_parameters, random_stand_data
from reference_likelihood import UnitReading
from scipy.special import logsumexp
from scipy.stats import nbinom, norm

from standage.findings import Findings
from standage.findings.followed_unit import TREES_BY_SIZE
from standage.findings.prior_sensitivity import (
    COUNT_POWERS,
    LEANS,
    LEAST_LEARNT,
    PRIOR_SENSITIVITY,
    STAGE_COUNTS,
    SURPRISE,
    leaning,
    stems_change,
    surprise,
)
from standage.findings.pulse_limit import unit_limit
from standage.findings.reweighting import (
    cumulative_distance,
    error_of_change,
    highest_k,
    power_sensitivity,
    smoothed_weights,
    weighted_median,
    with_likelihood_weakened,
    with_prior_moved,
)
from standage.profiles import load_profile, models_folder
from standage.prose.sensitivity import sensitivity_columns, sensitivity_sentences
from standage.prose.summary import full_summary
from standage.results.table_files import json_rows
from standage.results.written_tables import as_written
from standage.simulate.surveys import small_survey
from standage.stand.build import build_stands
from standage.stand.count_likelihood import log_counts, log_negative_binomials
from standage.stand.parameters import pack
from standage.stand.posterior import load_posterior
from standage.stand.prior_components import GRASS_STAGE_LONGER, PriorComponent
from standage.stand.states import unit_state
from standage.survey.reading import read_survey

# ------------------------------------------------------------------------------
# exact: one normal mean


def normal_posterior(
    draws: int, *, seen: float, noise_variance: float, seed: int = 1
) -> tuple[np.ndarray, float, float]:
    """Draws of z ~ N(0, 1) seen once with noise, and the mean and variance of its posterior."""
    variance = noise_variance / (1 + noise_variance)
    mean = seen / (1 + noise_variance)
    return (
        mean + math.sqrt(variance) * np.random.default_rng(seed).standard_normal(draws),
        mean,
        variance,
    )


@pytest.mark.parametrize(("noise_variance", "by"), [(0.25, 1.0), (1.0, -1.0), (4.0, 0.8)])
def test_a_moved_prior_moves_the_mean_by_its_share_of_the_information(noise_variance, by):
    z, mean, variance = normal_posterior(40_000, seen=0.7, noise_variance=noise_variance)
    weights = with_prior_moved(z[:, None], np.array([by]))
    assert weights.share == 1 and weights.pareto_k < 0.7
    error = error_of_change(z, weights.values, chains=4)
    assert 0 < error < 0.03
    assert weights.values @ z - z.mean() == pytest.approx(by * variance, abs=4 * error)
    assert weights.values @ (z - weights.values @ z) ** 2 == pytest.approx(variance, rel=0.05)


def test_the_error_of_a_change_is_that_seen_over_repetitions():
    by, changes, told = np.array([0.9]), [], []
    for seed in range(200):
        z, _, _ = normal_posterior(500, seen=0.0, noise_variance=2.0, seed=seed)
        weights = with_prior_moved(z[:, None], by)
        changes.append(weights.values @ z - z.mean())
        told.append(error_of_change(z, weights.values, chains=2))
    assert np.mean(told) == pytest.approx(
        np.std(changes), rel=0.2
    )  # 200 repetitions know an sd within 5 % (one standard error)


def test_a_change_too_far_is_scaled_up_from_a_part_of_it():
    z, _, variance = normal_posterior(2000, seen=0.0, noise_variance=8.0)
    too_far = smoothed_weights(6.0 * z)
    assert too_far.pareto_k > highest_k(len(z))
    weights = with_prior_moved(z[:, None], np.array([6.0]))
    assert weights.share < 1 and weights.pareto_k <= highest_k(len(z))
    error = error_of_change(z, weights.values, chains=4) / weights.share
    assert (weights.values @ z - z.mean()) / weights.share == pytest.approx(
        6.0 * variance, abs=4 * error
    )


def test_a_change_of_stems_is_scaled_in_logarithms_and_none_of_none():
    assert stems_change(100.0, 110.0, 2.0) == pytest.approx(21.0)
    assert stems_change(100.0, 80.0, 1.0) == pytest.approx(-20.0)
    assert stems_change(0.0, 0.0, 3.0) == 0.0
    assert math.isnan(stems_change(math.nan, math.nan, 1.0))


def test_what_no_weights_can_say_is_not_said():
    heavy = np.random.default_rng(3).standard_cauchy(1000) * 30
    assert with_prior_moved(heavy[:, None], np.array([1.0])) is None
    assert with_likelihood_weakened(-heavy, (0.0, 0.8)) is None


def test_few_draws_bear_less():
    assert highest_k(4000) == 0.7
    assert highest_k(500) == pytest.approx(1 - 1 / math.log10(500)) and highest_k(500) < 0.7


def exact_distance(mean: float, variance: float, of: np.ndarray, weight: np.ndarray) -> float:
    """The distance between the draws' distribution and a normal, by the formula, on a fine grid
    between the outermost draws.
    """
    grid = np.linspace(of.min(), of.max(), 20_001)
    p, q = norm.cdf(grid, *weight), norm.cdf(grid, mean, math.sqrt(variance))
    m = (p + q) / 2
    gap = np.trapezoid(p * np.log2(p / m) + q * np.log2(q / m), grid)
    return math.sqrt(gap / np.trapezoid(p + q, grid))


def test_the_distance_is_that_between_two_normal_distributions():
    z, mean, variance = normal_posterior(40_000, seen=0.7, noise_variance=1.0)
    weights = with_prior_moved(z[:, None], np.array([1.0]))
    expected = exact_distance(mean + variance, variance, z, (mean, math.sqrt(variance)))
    assert cumulative_distance(z, weights.values) == pytest.approx(expected, rel=0.03)
    assert cumulative_distance(z, np.full(len(z), 1 / len(z))) == pytest.approx(0, abs=1e-6)


def test_sensitivity_to_a_power_is_the_exact_one_of_a_normal_prior():
    """Prior to the power a: precision a + 1/v, so mean and variance are known for each a."""
    z, mean, variance = normal_posterior(40_000, seen=3.0, noise_variance=1.0)
    found = power_sensitivity(z, -0.5 * z**2)
    exact = []
    for power in (0.99, 1.01):
        scaled = 1 / (power + 1.0)
        sides = [(side * 3.0 * scaled, side * mean, side * z) for side in (1, -1)]
        exact.append(
            max(
                exact_distance(m, scaled, draws, (plain, math.sqrt(variance)))
                for m, plain, draws in sides
            )
        )
    expected = sum(exact) / (2 * math.log2(1.01))
    assert found == pytest.approx(expected, rel=0.1) and found > 0.05


def test_sensitivity_to_a_power_agrees_with_arviz():
    z, _, _ = normal_posterior(4000, seen=2.0, noise_variance=0.5)
    data = arviz.from_dict(posterior={"z": z.reshape(4, -1)})
    data.add_groups(log_prior={"z": norm.logpdf(z).reshape(4, -1)})
    theirs = float(arviz.psens(data, component="prior", var_names=["z"]))
    assert power_sensitivity(z, norm.logpdf(z)) == pytest.approx(theirs, rel=0.05)


def test_what_does_not_matter_is_not_felt():
    rng = np.random.default_rng(5)
    z, other = rng.standard_normal((2, 4000))
    assert power_sensitivity(other, -0.5 * z**2) < 0.05
    assert power_sensitivity(np.full(4000, 1900.0), -0.5 * z**2) == 0


def test_surprise_is_standard_normal_where_prior_and_data_agree():
    """Truth from the prior, data from the truth: the score over many surveys; and far off where the
    truth is not from the prior.
    """
    rng = np.random.default_rng(8)
    scores, off = [], []
    for _ in range(400):
        noise_variance = float(rng.uniform(0.1, 3))
        for truth, kept in ((rng.standard_normal(), scores), (6.0, off)):
            seen = truth + math.sqrt(noise_variance) * rng.standard_normal()
            z, _, _ = normal_posterior(
                2000, seen=seen, noise_variance=noise_variance, seed=int(rng.integers(2**31))
            )
            kept.append(surprise(z))
    assert np.std(scores) == pytest.approx(1, abs=0.12) and abs(np.mean(scores)) < 0.2
    assert np.mean(np.abs(scores) > 1.96) == pytest.approx(0.05, abs=0.035)
    assert np.median(off) > 3
    assert abs(surprise(rng.standard_normal(1000))) < 1  # nothing learnt, nothing to disagree about


def test_leaning_in_words():
    assert leaning(0.01, 5.0) == "no"
    assert leaning(0.2, 0.5) == "dates lean on the prior"
    assert leaning(0.2, -2.5) == "prior and data disagree"


def test_weighted_median():
    values = np.sort(np.random.default_rng(1).normal(size=2001))
    assert weighted_median(values, np.full(2001, 1 / 2001)) == pytest.approx(
        np.median(values), abs=1e-12
    )
    assert weighted_median(np.array([1.0, 2.0, 9.0]), np.array([0.0, 0.0, 1.0])) == pytest.approx(
        9, abs=1e-9
    )


# ------------------------------------------------------------------------------
# exact: the stage counts


@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_counts_with_their_factor_integrated_out_agree_with_a_fine_grid(scale):
    mean = np.array([[0.02, 0.3], [4.0, 60.0], [1e-6, 1e-5], [500.0, 9000.0]])
    dispersion = np.array([0.4, 1.0, 3.0, 9.0])
    counts = [[3.0, 0.0, 7.0], [22.0]]
    found = log_negative_binomials(mean, counts, dispersion, scale)

    z = np.arange(-30, 30, 0.005)[
        :, None
    ]  # a smooth integrand that vanishes at both ends: the sum over a grid is exact
    for draw, phi in enumerate(dispersion):
        logs = norm.logpdf(z[:, 0])
        for group, m in zip(counts, mean[draw], strict=True):
            logs = logs + nbinom.logpmf(group, phi, phi / (phi + m * np.exp(scale * z))).sum(axis=1)
        assert found[draw] == pytest.approx(logsumexp(logs) + math.log(0.005), abs=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "grass"), [(201, True), (202, False)])
def test_log_counts_agree_with_the_plain_loops(seed, grass):
    """The loops, written from the model page alone, with each stage's factor summed over a grid."""
    data = random_stand_data(seed, (("establishment", True),), (grass,))
    parameters = random_parameters(seed + 1, data)
    found = log_counts(data, 0, unit_state(pack(parameters, data)[None, :], data, 0))
    grid = np.arange(-9, 9.01, 0.1)
    expected = 0.0
    for stage in np.unique(data.units[0].count_stage):
        only = data.units[0].count_stage == stage
        unit = dataclasses.replace(
            data.units[0],
            **{
                name: getattr(data.units[0], name)[only]
                for name in vars(data.units[0])
                if name.startswith("count_")
            },
        )
        reading = UnitReading(
            copy.deepcopy(parameters), dataclasses.replace(data, units=(unit,)), 0
        )
        logs = []
        for z in grid:
            reading.parameters["stage_factor"][0][stage] = z
            logs.append(reading.log_counts() + norm.logpdf(z))
        expected += logsumexp(logs) + math.log(0.1)
    assert len(data.units[0].count_stage) >= 2
    assert found[0] == pytest.approx(expected, abs=1e-5)


# ------------------------------------------------------------------------------
# the table


def two_factors(posterior, seed: int = 4):
    """Gives the invented posterior two factors: one that decides whether the burst is there, one
    that moves every date by three years.
    """
    rng = np.random.default_rng(seed)
    draws = len(posterior.unit(0).living)
    factors = rng.standard_normal((draws, 2))
    years = np.asarray(posterior.years)
    gone = factors[:, 0] > 1.0
    flat = 0.25 * np.exp(-(2020 - years) / 110)
    first, *others = (one.living for one in posterior.by_unit)
    living = [np.where(gone[:, None], flat, first), *others]
    delay = np.rint(3.0 * factors[:, 1]).astype(np.int32)[:, None]
    established = posterior.establishment_year
    burst = PriorComponent(
        "recorded cuts",
        "the cuts took more",
        1.0,
        "prior standard deviations",
        (0,),
        (1.0,),
        (1.0,),
    )
    delays = PriorComponent(
        "grass stage", "the grass stage lasts longer", 2.0, "years", (1,), (1.0,), (1.0,)
    )
    return changed(
        posterior,
        living=living,
        establishment_year=np.where(established >= 0, established - delay, -1),
        draws=factors.reshape(2, -1, 2),
        prior_components=[[burst, delays], [delays], [delays]],
        log_counts=[np.zeros(draws), np.zeros(0), np.zeros(0)],
    )


@cache
def told():
    posterior = two_factors(fake_posterior(draws=1000))
    findings = Findings(posterior)
    limits = pd.DataFrame(
        [{"fewest_stems": 50, "most_stems": 50, "limit": 0.75, "simulated_surveys": 1}]
    )
    findings.limits = [unit_limit(posterior, number, limits) for number in range(3)]
    return posterior, in_words(findings.prior_sensitivity)


def in_words(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(**sensitivity_columns(table))


def of(table: pd.DataFrame, stand: str, component: str) -> pd.Series:
    return table[(table["stand"] == stand) & (table["component"] == component)].iloc[0]


def test_a_pulse_that_rests_on_an_assumption_is_said_to_be_lost():
    """The burst is there where z < 1: in 84 % of the draws, and in half of them once the prior mean
    of z is 1.
    """
    row = of(told()[1], "Fern Flat", "recorded cuts")
    assert row["pulses_reported"] == 1 and row["pulses_lost"] == 1
    assert row["lowest_pulse_probability"] == pytest.approx(
        norm.cdf(0.0), abs=0.08
    )  # 1000 draws weighed: 4 standard errors
    assert "would not be told" in row["words"]
    kept = of(told()[1], "Fern Flat", "grass stage")
    assert kept["pulses_lost"] == 0 and kept["lowest_pulse_probability"] == pytest.approx(
        norm.cdf(1.0), abs=0.08
    )
    assert re.search(r"pulse around 19\d\d would stay", kept["words"]) and re.fullmatch(
        r"1: 0\.\d\d, 19\d\d", kept["pulses_then"]
    )


def test_dates_that_follow_an_assumption_move_with_it():
    """No data on z, each date 3 z earlier: the whole shift of one prior standard deviation arrives,
    3 years.
    """
    for stand in ("Fern Flat", "Old Field"):
        row = of(told()[1], stand, "grass stage")
        assert row["establishment_years_change"] == pytest.approx(
            -3.0, abs=max(4 * row["establishment_years_error"], 0.1)
        )
        assert row["share_followed"] == pytest.approx(1.0, abs=0.15)
        assert row["leaning"] == "dates lean on the prior" and "years earlier" in row["words"]
    unmoved = of(told()[1], "Fern Flat", "recorded cuts")
    assert (
        abs(unmoved["establishment_years_change"]) < 4 * unmoved["establishment_years_error"]
        and unmoved["leaning"] == "no"
    )
    assert pd.isna(of(told()[1], "Stony Ridge", "grass stage")["stems_per_ha_change"])


def test_counts_that_say_nothing_leave_everything_as_it_is():
    row = of(told()[1], "Fern Flat", STAGE_COUNTS)
    assert (
        row["change"] == -100
        and row["establishment_years_change"] == 0
        and row["stems_per_ha_change"] == 0
    )
    assert row["leaning"] == "" and row["words"].startswith(
        "Without the stage counts, the dates of cored trees would stay"
    )


def test_counts_too_heavy_to_be_left_out_are_weighed_less_or_not_told():
    posterior = two_factors(fake_posterior(draws=1000))
    # 1/p has Pareto k 1.6, p^-0.2 has 0.3
    heavy = -np.random.default_rng(2).standard_exponential(1000) * 1.6
    others = [one.log_counts for one in posterior.by_unit[1:]]
    counted = changed(posterior, log_counts=[heavy, *others])
    row = of(in_words(Findings(counted).prior_sensitivity), "Fern Flat", STAGE_COUNTS)
    assert (
        row["change"] == pytest.approx(-20) and "can't be told without another fit" in row["words"]
    )
    counted = changed(posterior, log_counts=[heavy * 40, *others])
    row = of(in_words(Findings(counted).prior_sensitivity), "Fern Flat", STAGE_COUNTS)
    assert (
        pd.isna(row["establishment_years_change"])
        and "can't be told without another fit" in row["words"]
    )


def test_table_has_its_columns_and_is_empty_without_parameters():
    assert list(as_written("prior_sensitivity", told()[1])) == PRIOR_SENSITIVITY.written
    empty = Findings(fake_posterior(draws=20)).prior_sensitivity
    assert list(empty.columns) == PRIOR_SENSITIVITY.found and empty.empty


def test_records_are_json_with_blanks_as_null():
    records = json_rows(as_written("prior_sensitivity", told()[1]))
    back = json.loads(json.dumps(records, allow_nan=False))
    assert len(back) == len(told()[1])
    assert next(row for row in back if row["stand"] == "Stony Ridge")["stems_per_ha_change"] is None


def test_the_summary_speaks_only_where_it_matters():
    said = " ".join(sensitivity_sentences(told()[1]))
    assert "if the profile gave the grass stage 2 years more" in said and "years earlier" in said
    assert "by one standard deviation, the pulse of Fern Flat would fall below the limit" in said
    assert "the cored trees of" in said
    uncored = told()[1].assign(trees=TREES_BY_SIZE)
    said = " ".join(sensitivity_sentences(uncored))
    assert "the trees dated by size of" in said and "cored trees" not in said
    calm = told()[1].assign(establishment_years_change=0.4, pulses_lost=0)
    assert sensitivity_sentences(calm) == [] and sensitivity_sentences(calm[:0]) == []


def test_numbers_in_the_model_page_are_those_of_the_code():
    from standage.findings import reweighting
    from standage.stand import prior_components as steps

    page = " ".join(
        (Path(__file__).parents[2] / "docs" / "the-model.md").read_text(encoding="utf-8").split()
    )
    page = page.split("## 9. What the answer owes to the prior", 1)[1]
    assert (
        f"log((med + {steps.GRASS_STAGE_LONGER:g})/med)" in page
        and f"log((years + {steps.BREAST_HEIGHT_LATER:g})/years)" in page
    )
    assert (
        f"-log({1 - steps.FIRST_RINGS_NARROWER:g})" in page
        and f"log({1 + steps.DIAMETER_FASTER:g})/growth_log_sd" in page
    )
    assert (
        f"min(1 - 1/log10(draws), {reweighting.HIGHEST_PARETO_K})" in page
        and reweighting.SHARES_TRIED == (1, 1 / 2, 1 / 4, 1 / 8)
    )
    powers = f"powers {1 - reweighting.POWER_STEP} and {1 + reweighting.POWER_STEP}"
    assert powers in page and f"From {LEANS} on the prior is felt" in page
    assert f"outside +-{SURPRISE}" in page and f"max(1 - s^2, {LEAST_LEARNT})" in page
    assert "power {1} or {2}".format(*COUNT_POWERS) in page and COUNT_POWERS[0] == 0


# ------------------------------------------------------------------------------------------------ a
# real fit


@pytest.mark.slow
def test_a_fit_carries_what_is_needed_and_keeps_it_in_its_file(simulated_fit, tmp_path):
    names = [component.name for component in simulated_fit.prior_components[0]]
    assert names == [
        "grass stage",
        "height growth",
        "survivorship slope",
        "early survivorship",
        "early growth",
        "size growth",
    ]
    counted = simulated_fit.unit(0).log_counts
    assert counted.shape == (600,) and np.ptp(counted) > 0
    simulated_fit.save(tmp_path / "posterior.nc")
    back = load_posterior(tmp_path / "posterior.nc")
    assert back.prior_components == simulated_fit.prior_components
    np.testing.assert_array_equal(back.unit(0).log_counts, counted)
    pd.testing.assert_frame_equal(
        Findings(back).prior_sensitivity,
        Findings(simulated_fit).prior_sensitivity,
        atol=1e-5,  # the file keeps rates in single precision
    )


def test_a_real_result_tells_it(simulated_fit):
    table = in_words(Findings(simulated_fit).prior_sensitivity)
    assert table["component"].tolist()[-1] == STAGE_COUNTS and len(table) == 7
    assert table["words"].str.endswith((".", ")")).all() and table["pareto_k"].notna().any()
    row = of(table, "a", "grass stage")
    assert row["establishment_years_change"] < 0 < row["share_followed"]
    assert ("gave the grass stage" in full_summary(simulated_fit)) == (
        abs(row["establishment_years_change"]) > 1
    )


def mean_of_dates(posterior) -> tuple[float, float]:
    """Mean establishment year of the cored trees and its Monte Carlo standard error."""
    years = posterior.establishment_year[:, posterior.trees["cored"].to_numpy().astype(bool)].mean(
        axis=1
    )
    chains = years.reshape(len(posterior.draws), -1)
    return float(years.mean()), float(years.std() / math.sqrt(arviz.ess(chains, method="mean")))


def change_by_weights(posterior, weights: np.ndarray) -> tuple[float, float]:
    years = posterior.establishment_year[:, posterior.trees["cored"].to_numpy().astype(bool)].mean(
        axis=1
    )
    return float(weights @ years - years.mean()), error_of_change(
        years, weights, len(posterior.draws)
    )


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::standage.profiles.UncheckedProfile")
def test_weights_agree_with_a_fit_under_another_grass_stage(simulated_folder, tmp_path):
    """Tolerance: 4 times the Monte Carlo error of the two fits and of the weights together, some 1
    year of the 2 that are moved.
    """
    from standage.stand.fit import fit_stands

    written = (models_folder() / "longleaf-pine.toml").read_text(encoding="utf-8")
    usual = load_profile("longleaf-pine")["grass_stage.median_years"]
    longer = re.sub(
        r"(?m)^median_years = \{value = [\d.]+",
        f"median_years = {{value = {usual + GRASS_STAGE_LONGER}",
        written,
        count=1,
    )
    (tmp_path / "longleaf-pine.toml").write_text(longer, encoding="utf-8")
    assert (
        load_profile("longleaf-pine", tmp_path)["grass_stage.median_years"]
        == usual + GRASS_STAGE_LONGER
    )
    settings = {"draws": 1200, "tune": 300, "chains": 2, "cores": 2}
    survey = read_survey(simulated_folder)
    usual_fit = fit_stands(survey, seed=1, **settings)
    fitted = fit_stands(survey, seed=2, profile_folder=str(tmp_path), **settings)
    (component,) = [one for one in usual_fit.prior_components[0] if one.name == "grass stage"]
    flat = usual_fit.draws.reshape(-1, usual_fit.draws.shape[-1])
    weights = with_prior_moved(flat[:, list(component.places)], np.array(component.by))
    assert weights.share == 1
    change, error = change_by_weights(usual_fit, weights.values)
    (before, error_before), (after, error_after) = (
        mean_of_dates(usual_fit),
        mean_of_dates(fitted),
    )
    allowed = 4 * math.sqrt(error**2 + error_before**2 + error_after**2)
    assert allowed < 2, (error, error_before, error_after)
    assert after - before == pytest.approx(change, abs=allowed)
    assert change < -0.5  # and it is a change worth comparing


@pytest.mark.slow
def test_weights_agree_with_a_fit_without_the_counts(tmp_path):
    """Tolerance as above. The plants without a stem are held down most by the counts, in which none
    was found.

    Weights that take the counts out have a heavy tail, so of these plants' change only the size is
    asked. The same likelihood brings the counts back into the draws without them; these weights are
    calm and hold it to the fit closely.
    """
    from standage.stand.fit import fit_stands

    survey = read_survey(small_survey(7, stems=40, cores=12).write(tmp_path / "few"))
    settings = {"draws": 500, "tune": 250, "chains": 2, "cores": 1}
    fitted = fit_stands(
        dataclasses.replace(survey, counts=survey.counts.iloc[:0]), seed=2, **settings
    )
    assert not len(fitted.unit(0).log_counts)
    for seed in (
        1,
        3,
        4,
        5,
        6,
    ):  # draws differ by processor, and some bear no weights as heavy as these; then none are used
        counted = fit_stands(survey, seed=seed, **settings)
        found = with_likelihood_weakened(counted.unit(0).log_counts, (0.0,))
        if found is not None:
            break
    assert found is not None, "choose another survey: these counts can't be taken out by weights"
    out = found[0].values
    change, error = change_by_weights(counted, out)
    (before, error_before), (after, error_after) = mean_of_dates(counted), mean_of_dates(fitted)
    assert after - before == pytest.approx(
        change, abs=4 * math.sqrt(error**2 + error_before**2 + error_after**2)
    )

    def log_seedlings(posterior):
        return np.log((posterior.unit(0).living * posterior.unit(0).grass_share).sum(axis=1))

    with_counts, without = log_seedlings(counted), log_seedlings(fitted)
    told, true = out @ with_counts - with_counts.mean(), without.mean() - with_counts.mean()
    assert 0.4 * true < told < 1.6 * true

    data = build_stands(survey).data
    back = smoothed_weights(
        log_counts(data, 0, unit_state(fitted.draws.reshape(-1, fitted.draws.shape[-1]), data, 0))
    )
    assert back.pareto_k < 0.5
    variances = [
        x.var() / arviz.ess(x.reshape(2, -1), method="mean") for x in (with_counts, without)
    ]
    error = math.sqrt(error_of_change(without, back.values, 2) ** 2 + sum(variances))
    assert 4 * error < true  # so that weights that do nothing would fail
    assert back.values @ without - without.mean() == pytest.approx(-true, abs=4 * error)
