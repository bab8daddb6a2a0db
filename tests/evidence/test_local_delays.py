"""Delays from stems of known age alone: closed forms, a published table, known truth."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, norm

from standage.evidence import local_delays as grid
from standage.evidence.delays import height_share
from standage.evidence.known_age import (
    AT_MOST,
    EXACTLY,
    HEIGHT_OF_AGE,
    HEIGHT_OF_STEM,
    LONGER,
    RING_DIFFERENCE,
    KnownAge,
)
from standage.evidence.local_delays import local_delays
from standage.evidence.years_to_height import years_to_height
from standage.profiles import load_profile
from standage.stand.kernel.stages import ring_difference


def profile_with(key="longleaf-pine", **numbers):
    """A shipped profile with numbers changed; `table__name=value`."""
    profile = load_profile(key)
    changed = dict(profile.numbers)
    for name, value in numbers.items():
        key = name.replace("__", ".")
        changed[key] = replace(changed[key], value=value)
    return replace(profile, numbers=changed)


def stems(*rows):
    """(kind, seasons, height) each."""
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return KnownAge(table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2])


def exactly(seasons):
    return stems(*((EXACTLY, value, 0.0) for value in seasons))


def test_stands_are_pooled_as_normal_means_are():
    """Long grass stages lose nothing to whole seasons: log-normal data with known spread and known
    variance between stands, for which the region's mean has a closed form.
    """
    within, between, wrong, median = 0.2, 0.3, 0.5, 14.0
    profile = profile_with(
        grass_stage__median_years=median,
        grass_stage__median_log_sd=wrong,
        grass_stage__between_stand_log_sd=between,
        grass_stage__within_stand_log_sd=within,
        grass_stage__within_log_sd=0.01,
        grass_stage__longest_years=80,
    )
    generator = np.random.default_rng(5)
    means = {"a": np.log(18.0), "b": np.log(22.0), "c": np.log(15.0)}
    counts = {"a": 4, "b": 12, "c": 1}
    data = {
        name: np.rint(np.exp(mean + within * generator.standard_normal(counts[name])))
        for name, mean in means.items()
    }
    found = local_delays({name: exactly(seasons) for name, seasons in data.items()}, profile)

    precision, weighted = 1 / wrong**2, np.log(median) / wrong**2
    for seasons in data.values():
        variance = between**2 + within**2 / len(seasons)
        precision += 1 / variance
        weighted += np.log(seasons).mean() / variance
    mean, sd = found.middle.moments(0)
    assert mean == pytest.approx(weighted / precision, abs=0.01)
    assert sd == pytest.approx(precision**-0.5, rel=0.03)
    # a stand: its own mean against what the others say of the region
    others = [name for name in data if name != "c"]
    precision, weighted = 1 / wrong**2, np.log(median) / wrong**2
    for name in others:
        variance = between**2 + within**2 / len(data[name])
        precision += 1 / variance
        weighted += np.log(data[name]).mean() / variance
    ahead, spread = weighted / precision, between**2 + 1 / precision
    own = within**2 / len(data["c"])
    expected = (ahead / spread + np.log(data["c"]).mean() / own) / (1 / spread + 1 / own)
    mean, sd = found.stands["c"].moments(0)
    assert mean == pytest.approx(expected, abs=0.01)
    assert sd == pytest.approx((1 / spread + 1 / own) ** -0.5, rel=0.03)
    # another stand of the region: its uncertainty and the difference between stands
    assert found.another.moments(0)[1] == pytest.approx(
        np.hypot(found.middle.moments(0)[1], between), rel=0.02
    )


def test_published_shares_give_the_median_that_was_computed_from_them():
    """Haywood 2000 (New Forests 19:279-290): 17 % of planted checks out of the grass stage after 3
    seasons, 87 % after 5. By hand: log 3.5 - m = z(0.17) w and log 5.5 - m = z(0.87) w.
    """
    spread = np.log(5.5 / 3.5) / (norm.ppf(0.87) - norm.ppf(0.17))
    median = np.exp(np.log(3.5) - norm.ppf(0.17) * spread)
    rows = []
    for seasons, out in ((3, 170), (5, 870)):
        rows += [(AT_MOST, seasons, 0)] * out + [(LONGER, seasons, 0)] * (1000 - out)
    profile = profile_with(
        grass_stage__within_log_sd=1.0,
        grass_stage__median_log_sd=1.0,
        grass_stage__between_stand_log_sd=1.0,
    )
    found = local_delays({"checks": stems(*rows)}, profile).stands["checks"]
    assert np.exp(found.moments(0)[0]) == pytest.approx(median, rel=0.01)
    assert np.exp(found.moments(1)[0]) == pytest.approx(spread, rel=0.05)
    assert median == pytest.approx(4.3, abs=0.05)  # as the shipped profile's reason says


def at_pace(profile, dispersion, years):
    """Variance over mean in a stand of such years, of what it is at the profile's."""
    slower = years / profile["height_growth.years_to_breast_height"]
    return dispersion / (0.5 + 0.5 * slower**4) ** 0.25


@pytest.mark.parametrize("key", ["longleaf-pine", "generic-conifer"])
def test_rings_between_two_heights_have_the_likelihood_of_the_stand_model(key):
    profile = load_profile(key)
    law = grid.species_delays(profile)
    axes = grid._first_axes(law, (3, 3, 3, 3))
    shares = []
    for seasons in (2, 6):
        rows = stems((RING_DIFFERENCE, seasons, 60))
        shares.append(grid._likelihood(rows, profile, law, axes))
    for place in ((0, 0, 1, 2), (-1, -1, 2, 0)):
        median, spread, years, dispersion = (
            np.exp(points[at]) for points, at in zip(axes, place, strict=True)
        )
        grass = (
            grid.grass_stage_pmf(median, spread, law.longest_grass)
            if law.has_grass_stage
            else np.ones(1)
        )
        growth = grid.height_growth_pmf(
            years * height_share(profile, 60.0),
            at_pace(profile, dispersion, years),
            law.longest_growth,
        )
        for seasons, share in zip((2, 6), shares, strict=True):
            here, first = (
                ring_difference(
                    seasons,
                    law.has_grass_stage,
                    grass,
                    growth,
                    np.zeros_like(grass),
                    np.zeros_like(growth),
                ),
                share[place],
            )
            best = np.unravel_index(share.argmax(), share.shape)
            top = [np.exp(points[at]) for points, at in zip(axes, best, strict=True)]
            grass_top = (
                grid.grass_stage_pmf(top[0], top[1], law.longest_grass)
                if law.has_grass_stage
                else np.ones(1)
            )
            growth_top = grid.height_growth_pmf(
                top[2] * height_share(profile, 60.0),
                at_pace(profile, top[3], top[2]),
                law.longest_growth,
            )
            largest = ring_difference(
                seasons,
                law.has_grass_stage,
                grass_top,
                growth_top,
                np.zeros_like(grass_top),
                np.zeros_like(growth_top),
            )
            assert first == pytest.approx(here / largest, rel=1e-9)


@pytest.mark.parametrize(
    "kind, height", [(HEIGHT_OF_AGE, 50), (HEIGHT_OF_AGE, 0), (HEIGHT_OF_STEM, 50)]
)
def test_heights_of_known_age_have_the_likelihood_that_drawn_plants_have(kind, height):
    """Plants drawn one by one: how many are of the class so many seasons on."""
    profile = load_profile("longleaf-pine")
    law = grid.species_delays(profile)
    axes = tuple(np.log([value, 1.1 * value]) for value in (5.5, 0.5, 2.5, 1.2))
    found = grid._likelihood(stems((kind, 8, height)), profile, law, axes)
    generator, plants = np.random.default_rng(3), 200_000
    shares = np.zeros(2)
    for place, factor in enumerate((1.0, 1.1)):
        grass = np.rint(5.5 * np.exp(0.5 * generator.standard_normal(plants)))
        waited = np.clip(grass, 1, 30) if kind == HEIGHT_OF_AGE else 0
        mean = [2.5 * factor * height_share(profile, each) for each in (height, height + 25.0)]
        # the second passage comes after the first: increments are independent
        dispersion = at_pace(profile, 1.2, 2.5 * factor)
        shape = [each**2 / dispersion for each in mean]
        first = np.floor(generator.wald(mean[0], shape[0], plants) + 0.5) if height else 0.0
        second = np.floor(generator.wald(mean[1], shape[1], plants) + 0.5)
        shares[place] = np.mean(waited + first <= 8) - np.mean(waited + second <= 8)
    ratio = found[0, 0, 1, 0] / found[0, 0, 0, 0]
    assert ratio == pytest.approx(shares[1] / shares[0], rel=0.04)


def test_measured_heights_say_how_fast_stems_grew():
    profile = load_profile("longleaf-pine")
    quick, slow = (
        local_delays({"a": stems(*[(HEIGHT_OF_STEM, 3, height)] * 12)}, profile).stands["a"]
        for height in (275, 50)
    )
    assert quick.moments(2)[0] < np.log(2.5) < slow.moments(2)[0]
    assert quick.moments(2)[1] < 0.25  # 0.43 by the profile


def test_without_evidence_of_growth_it_stays_as_the_profile_has_it():
    profile = load_profile("longleaf-pine")
    known = {"a": exactly([8, 9, 8, 10, 7, 9, 8, 12])}
    found = local_delays(known, profile)
    # the region's grass stage says nothing of its growth, a stand's says a little of its own
    assert found.middle.moments(2) == pytest.approx((np.log(2.5), 0.35), abs=0.01)
    assert found.stands["a"].moments(2)[0] > np.log(2.5)
    table = years_to_height(found, known, profile).set_index(["about", "height_cm"])
    region, stand = table.loc[("region", 12)], table.loc[("stand", 12)]
    assert region["before_mean_years"] < region["mean_years"] < stand["mean_years"]
    assert table.loc["stand", "mean_years"].is_monotonic_increasing
    wide = region["mean_years_high"] / region["mean_years_low"]
    assert stand["mean_years_high"] / stand["mean_years_low"] < wide


def _drawn_set(generator, profile):
    """A region's truth drawn from the prior, and stems of two of its stands, plant by plant."""
    half = np.sqrt(0.5)
    z = generator.standard_normal(4)
    spread = profile["grass_stage.within_stand_log_sd"] * np.exp(
        profile["grass_stage.within_log_sd"] * z[1]
    )
    dispersion = profile["height_growth.dispersion"] * np.exp(
        profile["height_growth.dispersion_log_sd"] * z[3]
    )
    known, truth = {}, {}
    for name in ("a", "b"):
        shared, of_grass, of_growth = generator.standard_normal(3)
        median = profile["grass_stage.median_years"] * np.exp(
            profile["grass_stage.median_log_sd"] * z[0]
            + profile["grass_stage.between_stand_log_sd"] * half * (shared + of_grass)
        )
        years = profile["height_growth.years_to_breast_height"] * np.exp(
            profile["height_growth.years_log_sd"] * z[2]
            + profile["height_growth.between_stand_log_sd"] * half * (shared + of_growth)
        )
        truth[name] = np.log([median, years])
        rows = []
        for plant in range(14):
            grass = 0
            while not 1 <= grass <= profile["grass_stage.longest_years"]:
                grass = int(np.rint(median * np.exp(spread * generator.standard_normal())))
            age = int(generator.integers(2, 15))
            if plant < 4:
                rows.append((EXACTLY, grass, 0))
            elif plant < 9:
                rows.append((LONGER if grass > age else AT_MOST, age, 0))
            else:
                mean = years * height_share(profile, 100.0)
                shape = mean**2 / at_pace(profile, dispersion, years)
                grown = int(np.floor(generator.wald(mean, shape) + 0.5))
                error = generator.choice(5, p=[0.03, 0.17, 0.6, 0.17, 0.03]) - 2
                visible = int(generator.integers(0, grass + 1))
                rows.append((RING_DIFFERENCE, max(0, visible + grown + error), 100))
        known[name] = stems(*rows)
    return (
        known,
        truth,
        np.log(profile["grass_stage.median_years"]) + z[0] * profile["grass_stage.median_log_sd"],
    )


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say(monkeypatch):
    monkeypatch.setattr(grid, "COARSE", (31, 7, 25, 7))
    monkeypatch.setattr(grid, "FINE", (41, 9, 31, 9))
    profile, generator = load_profile("longleaf-pine"), np.random.default_rng(20)
    sets, held = 80, {"grass": 0, "growth": 0, "region": 0}
    for _ in range(sets):
        known, truth, region = _drawn_set(generator, profile)
        found = local_delays(known, profile)

        def holds(belief, axis, value):  # the interval of 90 %
            drawn = np.log(belief.drawn(1000, np.random.default_rng(0)))[:, axis]
            low, high = np.quantile(drawn, [0.05, 0.95])
            return low <= value <= high

        held["grass"] += holds(found.stands["a"], 0, truth["a"][0])
        held["growth"] += holds(found.stands["b"], 2, truth["b"][1])
        held["region"] += holds(found.middle, 0, region)
    low, high = binom.interval(0.99, sets, 0.9)
    assert all(low <= count <= high for count in held.values()), held
