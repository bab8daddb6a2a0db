"""Core evidence held to sources outside the project: published formulas and numbers, and
general-purpose statistics libraries.
"""

import numpy as np
import pandas as pd
import pytest
from first_passage import seasons_pmf
from scipy import stats

from standage.evidence import geometry, grass_stage_pmf, height, height_growth_pmf, ring_count
from standage.evidence.centre import (
    _NUMBERS,
    ARC_READING_SD_MM,
    missing_rings_pmf,
    read_centres,
)
from standage.profiles import load_profile

LONGLEAF = load_profile("longleaf-pine")


# Arc geometry: R = L^2/(8h) + h/2 (Duncan 1989, New Zealand Natural Sciences 16:31-37), worked by
# hand.
@pytest.mark.parametrize(
    ("chord", "arc_height", "radius"),
    [
        (5, 1, 3.625),
        (5, 0.5, 6.5),
        (5.15, 0.5, 6.880625),
        (10, 1, 13.0),
        (10, 2, 7.25),
        (20, 2, 26.0),
        (20, 10, 10.0),
        (12, 0.3, 60.15),
    ],
)
def test_an_arc_fits_the_radius_of_duncan_best(chord, arc_height, radius):
    radii = radius * np.linspace(0.9, 1.1, 20_001)
    fit = geometry.arc_log_fit(chord, arc_height, radii, 1e-4)
    assert radii[fit.argmax()] == pytest.approx(radius, rel=1e-4)


def test_distances_read_from_arcs_hold_the_true_one_as_often_as_they_say():
    """Distances as they are beforehand, each read once with the reader's error: rank of the truth
    among the distances that the reading leaves. Simulation from the definition, in whole.
    """
    rng = np.random.default_rng(5)
    true = 8.0 * np.exp(rng.standard_normal(4000))
    chord = np.minimum(8.0, 1.8 * true)
    arc_height = true - np.sqrt(true**2 - chord**2 / 4)
    cores = pd.DataFrame(
        {name: np.full(true.size, np.nan) for name in _NUMBERS}
        | {
            "centre": "arcs",
            "core_state": "fresh",
            "arc_chord_mm": chord + ARC_READING_SD_MM * rng.standard_normal(true.size),
            "arc_height_mm": np.maximum(
                arc_height + ARC_READING_SD_MM * rng.standard_normal(true.size), 0.01
            ),
            "inner_ring_mm": 1.0 / LONGLEAF["core.early_to_inner_ratio"],
        }
    )
    found = read_centres(cores, np.full(true.size, 60.0), LONGLEAF)
    reading_sd = np.sqrt(np.maximum(found.sigma**2 - found.tree_log_sd**2, 1e-4))
    off = np.log(geometry.distance_less_pith_mm(true, LONGLEAF["core.pith_radius_mm"])) - found.mu
    clear = true > 2 * LONGLEAF["core.pith_radius_mm"]  # nearer, the pith takes up the distance
    inside = np.abs(off[clear]) < 1.645 * reading_sd[clear]
    assert 0.86 < inside.mean() < 0.95
    assert abs(off[clear].mean()) < 0.1


def test_one_centimetre_missing_in_slow_wood_is_ten_to_twenty_years():
    # Villalba & Veblen 1997 (Ecoscience 4:534-542): a missing length of 1 cm may err by 10 to 20
    # years in slow-growing trees (0.5 to 1 mm).
    for ring_mm in (0.55, 0.75, 0.95):
        assert 10 <= 10.0 / ring_mm <= 20
        mu = np.log(geometry.distance_less_pith_mm(10.0 + 2.5, 2.5) / ring_mm)
        pmf = missing_rings_pmf(mu, 0.2, 80)
        assert 10 <= np.argmax(np.cumsum(pmf) >= 0.5) <= 20


def test_even_extrapolation_to_the_pith_overestimates():
    # Baudet, Josefsson & Ostlund 2020 (Dendrochronologia 64:125782): linear extrapolation
    # overestimated, up to threefold.
    share, seen = np.array([0.1, 0.3, 0.5, 0.7]), 120.0
    even = geometry.rings_in_missing_share(share, seen, 0.0)
    np.testing.assert_allclose(even, seen * share / (1 - share))
    slowing = geometry.rings_in_missing_share(
        share, seen, LONGLEAF["size.growth_cm_per_year"] / LONGLEAF["size.asymptote_cm"]
    )
    assert (even / slowing > 1.2).all() and (even / slowing < 4).all()
    np.testing.assert_allclose(geometry.rings_in_missing_share(share, seen, 1e-9), even, rtol=1e-5)


def test_rings_in_the_missing_share_invert_the_growth_curve():
    slowing, seen = 0.01, 90.0
    missed = np.array([3.0, 20.0, 75.0])
    share = np.expm1(-slowing * missed) / np.expm1(-slowing * (missed + seen))
    np.testing.assert_allclose(
        geometry.rings_in_missing_share(share, seen, slowing), missed, rtol=1e-10
    )


# Distributions against scipy.
def test_missing_rings_are_a_lognormal_in_whole_rings():
    pmf = missing_rings_pmf(np.log(9.0), 0.6, 400)
    edges = np.r_[0.0, np.arange(401) + 0.5]
    np.testing.assert_allclose(pmf, np.diff(stats.lognorm(0.6, scale=9.0).cdf(edges)), atol=1e-14)
    assert pmf.sum() == pytest.approx(1, abs=1e-8)
    far = missing_rings_pmf(np.log(2.0), 0.1, 40)
    exact = stats.norm.sf(np.log(19.5), np.log(2.0), 0.1) - stats.norm.sf(
        np.log(20.5), np.log(2.0), 0.1
    )
    assert far[20] == pytest.approx(exact, rel=1e-9) and far[20] > 0


def test_grass_stage_is_a_truncated_lognormal():
    pmf = grass_stage_pmf(5.0, 0.5, 30)
    law = stats.lognorm(0.5, scale=5.0)
    expected = np.diff(law.cdf(np.arange(31) + 0.5)) / (law.cdf(30.5) - law.cdf(0.5))
    np.testing.assert_allclose(pmf, np.r_[0.0, expected], atol=1e-14)


def test_height_growth_is_an_inverse_gaussian_and_its_steps_add_up_but_for_their_rounding():
    """Rounding twice in place of once adds a twelfth of a season squared to the variance, and to
    no season more than 3 % in probability.
    """
    dispersion, longest = 1.7, 60
    low, step, high = (height_growth_pmf(mean, dispersion, longest) for mean in (1.3, 2.9, 4.2))
    np.testing.assert_allclose(
        high,
        seasons_pmf(np.arange(longest + 1), 4.2, dispersion),
        atol=1e-13,
    )
    both = np.convolve(low, step)[: longest + 1]
    np.testing.assert_allclose(both, high, atol=0.03)
    seasons = np.arange(longest + 1)
    assert both @ seasons == pytest.approx(high @ seasons, abs=0.05)
    np.testing.assert_allclose(height_growth_pmf(0.0, 1.7, 5), [1, 0, 0, 0, 0, 0], atol=1e-15)


def test_student_t_and_counting_shift_against_scipy():
    grid = np.linspace(-30, 30, 301)
    np.testing.assert_allclose(ring_count.student_t4_cdf(grid), stats.t(4).cdf(grid), atol=1e-13)
    shifts = np.arange(-40, 41)
    pmf = ring_count.shift_pmf(np.array(1.4), np.array(2.2), shifts)
    law = stats.t(4, loc=1.4, scale=2.2)
    np.testing.assert_allclose(pmf, law.cdf(shifts + 0.5) - law.cdf(shifts - 0.5), atol=1e-13)


def test_delay_to_a_height_against_draws():
    rng = np.random.default_rng(11)
    draws, p = 40_000, LONGLEAF
    shared, own_g, own_h, species_g, species_w, species_h = rng.standard_normal((6, draws))
    median = p["grass_stage.median_years"] * np.exp(
        p["grass_stage.median_log_sd"] * species_g
        + p["grass_stage.between_stand_log_sd"] * (shared + own_g) / np.sqrt(2)
    )
    within = p["grass_stage.within_stand_log_sd"] * np.exp(
        p["grass_stage.within_log_sd"] * species_w
    )
    lowest, highest = (
        stats.norm.cdf((np.log(e) - np.log(median)) / within)
        for e in (0.5, p["grass_stage.longest_years"] + 0.5)
    )
    seasons = np.exp(
        np.log(median) + within * stats.norm.ppf(lowest + rng.random(draws) * (highest - lowest))
    )
    grass = np.floor(seasons + 0.5).astype(int)
    share = (
        (100 - p["grass_stage.emergence_height_cm"]) / (137 - p["grass_stage.emergence_height_cm"])
    ) ** p["height_growth.exponent"]
    mean = (
        share
        * p["height_growth.years_to_breast_height"]
        * np.exp(
            p["height_growth.years_log_sd"] * species_h
            + p["height_growth.between_stand_log_sd"] * (shared + own_h) / np.sqrt(2)
        )
    )
    dispersion = p["height_growth.dispersion"] * np.exp(
        p["height_growth.dispersion_log_sd"] * rng.standard_normal(draws)
    )
    slower = mean / share / p["height_growth.years_to_breast_height"]
    dispersion /= ((1 + slower**4) / 2) ** 0.25
    delay = grass + np.floor(rng.wald(mean, mean**2 / dispersion) + 0.5)
    pmf = height.delay_pmf_prior(LONGLEAF, 100.0)
    expected = pmf @ np.arange(pmf.size)
    assert pmf.sum() == pytest.approx(1, abs=3e-5)
    assert delay.mean() == pytest.approx(expected, abs=4 * delay.std() / np.sqrt(draws))
    cdf = np.cumsum(pmf)
    for seasons in (3, 6, 10, 20):
        assert np.mean(delay <= seasons) == pytest.approx(
            cdf[seasons], abs=4 * 0.5 / np.sqrt(draws)
        )


# Ring counts.
def test_expected_years_of_a_count_follow_the_closed_form():
    # Ricker et al. 2020 (PLoS ONE 15:e0239052): each boundary advances the expected age by the
    # probability that it is annual. St. George, Ault & Torbenson 2013: one absent ring for every
    # 240 visible ones; 240 counted rings then stand for 241 years.
    mean, sd = ring_count.counting_bias(
        {"rings.false_per_100": 0.0, "rings.absent_per_100": 100 / 240, "rings.bias_sd": 0.01}
    )
    assert 240 * (1 + mean) == pytest.approx(241) and sd == 0.01
    mean, _ = ring_count.counting_bias(
        {"rings.false_per_100": 3.0, "rings.absent_per_100": 0.0, "rings.bias_sd": 0.01}
    )
    assert 200 * (1 + mean) == pytest.approx(194)
    rng = np.random.default_rng(2)
    false, absent, counted = 0.03, 0.01, 200
    annual = rng.binomial(counted, 1 - false, 50_000)
    true = annual + rng.poisson(absent * annual)
    mean, _ = ring_count.counting_bias(
        {"rings.false_per_100": 3.0, "rings.absent_per_100": 1.0, "rings.bias_sd": 0.01}
    )
    assert true.mean() == pytest.approx(counted * (1 + mean), abs=4 * true.std() / np.sqrt(50_000))


def test_a_probability_of_rings_is_not_a_density_of_distance():
    # The likelihood of a distance given m rings differs from the probability of m given the
    # distance by a factor m. Used by mistake it would add (e^(sigma^2) - 1) x mean rings: 6 years
    # at 20 rings and sigma 0.5 (closed form of the log-normal).
    median, sigma = 20.0, 0.5
    rings = np.arange(400)
    right = missing_rings_pmf(np.log(median), sigma, 399)
    assert right @ rings == pytest.approx(median * np.exp(sigma**2 / 2), abs=0.01)
    trap = right * rings / (right @ rings)
    assert trap @ rings - right @ rings == pytest.approx(
        median * np.exp(sigma**2 / 2) * np.expm1(sigma**2), abs=0.02
    )
    assert trap @ rings - right @ rings > 6


# Longleaf pine.
def test_grass_stage_of_longleaf_is_the_usual_one():
    # The Longleaf Alliance, "Life stages": one to seven years as a rule, rare instances of 20.
    pmf = height.grass_stage_pmf_prior(LONGLEAF)
    assert pmf[0] == 0
    assert 0.55 < pmf[1:8].sum() < 0.95
    assert 0.0005 < pmf[20:].sum() < 0.06


def test_no_site_index_curve_dates_longleaf_below_breast_height():
    # Carmean, Hahn & Jacobs 1989: H = 1.421 SI^0.9947 (1 - exp(-0.0269 A))^(1.1344 SI^-0.0109) feet
    # passes 4.5 feet in 1.8 to 3.1 years, since it has no grass stage; used for coring heights it
    # would make every longleaf several years too young.
    age = np.linspace(0.5, 10, 2000)
    for site in (50, 70, 90):
        curve = 1.421 * site**0.9947 * (1 - np.exp(-0.0269 * age)) ** (1.1344 * site**-0.0109)
        passed = age[np.argmax(curve >= 4.5)]
        assert passed < 3.2
        pmf = height.delay_pmf_prior(LONGLEAF, 137.0)
        assert np.argmax(np.cumsum(pmf) >= 0.5) > passed + 2


def test_species_without_a_grass_stage_wait_for_height_alone():
    loblolly = load_profile("loblolly-pine")
    np.testing.assert_array_equal(height.grass_stage_pmf_prior(loblolly)[:3], [1, 0, 0])
    np.testing.assert_allclose(height.delay_pmf_prior(loblolly, 0.0)[:2], [1, 0], atol=1e-12)
    # Loblolly seed sources passed 4.5 feet in 2.8 to 3.4 years (Kung 1986, planted): natural plants
    # take that or longer.
    pmf = height.delay_pmf_prior(loblolly, 137.0)
    assert 2 <= np.argmax(np.cumsum(pmf) >= 0.5) <= 8
