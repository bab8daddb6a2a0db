"""Growth releases: each criterion to the digit, the model against sums over all its possibilities,
the stand against the same.
"""

from __future__ import annotations

import dataclasses
import re
from itertools import chain as joined
from itertools import combinations, product
from types import SimpleNamespace
from typing import get_args

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, multivariate_normal

from standage.choices import ReleaseCriterion
from standage.commands.cli import main
from standage.figures.disturbance import plot_disturbance_chronology, plot_ring_panel
from standage.findings import disturbances
from standage.findings.disturbances import TREE_RELEASES, episodes, tree_release_table
from standage.findings.releases import RELEASES, chronology_table, release_table
from standage.growth import common_growth as shared
from standage.growth import release_model, stand_disturbance
from standage.growth.dated_events import OPENING, WEAKENING, effect_chance, events_on_axis
from standage.growth.growth_changes import MODEL, growth_changes, ring_years
from standage.growth.release_criteria import (
    CRITERIA,
    FOLLOWING,
    Criterion,
    found_changes,
    growth_change,
    growth_loss,
    peaks,
    smallest_change,
)
from standage.growth.release_loops import NoiseGrid, StepPrior, chain
from standage.growth.release_model import (
    changes_of_trees,
    classified,
    design,
    log_widths,
    prior_probabilities,
    regression,
)
from standage.growth.stand_disturbance import (
    KnownEvent,
    drawn_disturbances,
    year_chances,
    year_evidence,
)
from standage.growth.tree_series import model_series, tree_series
from standage.prose.disturbance import event_year_columns

MEANS, MEDIANS = CRITERIA["percent_change_means"], CRITERIA["percent_change_medians"]
SUSTAINED, INCREASE = CRITERIA["sustained"], CRITERIA["absolute_increase"]


def stepped(before: float, after: float, length: int = 10) -> np.ndarray:
    return np.array([[before] * length + [after] * length])


def with_increase(least: float) -> Criterion:
    return Criterion(
        "absolute_increase", 10, "mean", False, least, None, "preceding", 10, "Fraver & White 2005"
    )


# ------------------------------------------------------------------------------
# criteria


@pytest.mark.parametrize(
    ("before", "after", "percent"),
    [(1.0, 1.5, 50.0), (1.0, 1.25, 25.0), (1.0, 2.0, 100.0), (0.2, 0.4, 100.0)],
)
@pytest.mark.parametrize("criterion", [MEANS, MEDIANS])
def test_percent_growth_change_is_that_of_the_definition(before, after, percent, criterion):
    change = growth_change(stepped(before, after), criterion)[0]
    assert np.flatnonzero(np.isfinite(change)).tolist() == [
        9
    ]  # both windows are complete in one year only
    assert change[9] == pytest.approx(percent)


def test_absolute_and_relative_increase_disagree_on_slow_trees():
    assert growth_change(stepped(1.0, 1.5), INCREASE)[0, 9] == pytest.approx(0.50)
    assert growth_change(stepped(0.2, 0.4), INCREASE)[0, 9] == pytest.approx(0.20)
    years = np.arange(1900, 1920)
    assert len(found_changes(stepped(0.2, 0.4), years, MEANS)) == 1
    assert len(found_changes(stepped(0.2, 0.4), years, with_increase(0.5))) == 0
    assert len(found_changes(stepped(1.0, 1.5), years, with_increase(0.5))) == 1


def test_a_year_late_the_change_is_smaller():
    widths = np.array([[1.0] * 10 + [1.5] * 10 + [1.5]])
    change = growth_change(widths, MEANS)[0]
    assert change[10] == pytest.approx(100 * (1.5 - 1.05) / 1.05) and change[10] < change[9]


def test_twenty_five_per_cent_exactly_is_a_release_and_less_is_not():
    years = np.arange(1900, 1920)
    assert found_changes(stepped(1.0, 1.25), years, MEANS)["kind"].tolist() == ["release"]
    assert found_changes(stepped(0.7, 0.875), years, MEANS)["kind"].tolist() == [
        "release"
    ]  # not exact in binary
    assert found_changes(stepped(1.0, 1.2499), years, MEANS).empty
    assert not found_changes(stepped(1.0, 1.49), years, MEANS)["major"].item()
    assert found_changes(stepped(1.0, 1.5), years, MEANS)["major"].item()


def test_a_sustained_release_needs_fifteen_years_on_either_side():
    years = np.arange(1900, 1930)
    table = found_changes(stepped(1.0, 2.0, 15), years, SUSTAINED)
    assert table[["kind", "year", "first_year", "major"]].values.tolist() == [
        ["release", 1914, 1915, True]
    ]
    assert not found_changes(stepped(1.0, 1.7, 15), years, SUSTAINED)["major"].item()
    assert found_changes(stepped(1.0, 2.0, 14), years[:28], SUSTAINED).empty
    brief = np.array([[1.0] * 15 + [2.0] * 6 + [1.0] * 15])
    assert found_changes(brief, np.arange(1900, 1936), SUSTAINED).empty


@pytest.mark.parametrize(("after", "kinds"), [(1.5, ["release"]), (1.499, [])])
def test_fifty_per_cent_sustained_exactly_is_a_release_and_less_is_not(after, kinds):
    assert (
        found_changes(stepped(1.0, after, 15), np.arange(1900, 1930), SUSTAINED)["kind"].tolist()
        == kinds
    )


def test_the_smallest_absolute_increase_is_a_share_of_the_spread_of_all_changes():
    """Worked by hand: 21 rings of two 1-to-2 steps' series give changes 1.0 and 0.9 each; one flat
    series gives 0 and 0.
    """
    criterion = dataclasses.replace(CRITERIA["absolute_increase"], spreads=1.25)
    widths = np.array([[1.0] * 10 + [2.0] * 11, [1.0] * 10 + [2.0] * 11, [1.0] * 21])
    changes = [
        1.0,
        0.9,
        1.0,
        0.9,
        0.0,
        0.0,
    ]  # at the tenth and the eleventh ring: 2 - 1, and 2 - 1.1
    mean = sum(changes) / 6
    spread = (sum((change - mean) ** 2 for change in changes) / 5) ** 0.5
    assert smallest_change(widths, criterion) == pytest.approx(
        1.25 * spread
    ) and 1.25 * spread == pytest.approx(0.6158, abs=1e-4)
    assert found_changes(widths, np.arange(1900, 1921), criterion)[
        ["series", "year"]
    ].values.tolist() == [[0, 1909], [1, 1909]]
    assert (
        smallest_change(widths[:, :11], criterion) == np.inf
    )  # no window is complete: nothing to measure a change by


def test_the_year_of_a_release_and_its_first_ring():
    years = np.arange(1900, 1920)
    following = Criterion(
        "percent_change_means",
        10,
        "mean",
        True,
        25.0,
        50.0,
        FOLLOWING,
        10,
        "the same, the other way to count",
    )
    one, other = (
        found_changes(stepped(1.0, 1.5), years, MEANS),
        found_changes(stepped(1.0, 1.5), years, following),
    )
    assert (one["year"].item(), one["first_year"].item()) == (1909, 1910)
    assert (other["year"].item(), other["first_year"].item()) == (1910, 1910)
    assert other[["before_mm", "after_mm"]].values.tolist() == [[1.0, 1.5]]


def test_medians_do_not_see_one_wide_ring():
    widths = np.full((1, 30), 1.0)
    widths[0, 15] = 6.0
    assert found_changes(widths, np.arange(1900, 1930), MEDIANS).empty
    assert "release" in found_changes(widths, np.arange(1900, 1930), MEANS)["kind"].tolist()


def test_absent_rings_count_as_nought():
    assert growth_change(stepped(0.0, 1.0), MEANS)[0, 9] == np.inf
    assert growth_loss(stepped(1.0, 0.0), MEANS)[0, 9] == np.inf
    assert np.isnan(growth_change(stepped(0.0, 0.0), MEANS)[0, 9])
    half = np.array([[0.0, 1.0] * 5 + [1.0] * 10])
    assert growth_change(half, MEANS)[0, 9] == pytest.approx(100.0)
    assert found_changes(stepped(0.0, 1.0), np.arange(20), MEANS)["kind"].tolist() == ["release"]


def test_what_can_not_be_ring_widths_is_refused():
    for wrong in (np.array([[1.0, -0.1]]), np.array([1.0, 2.0]), np.array([[1.0, np.inf]])):
        with pytest.raises(ValueError, match="ring widths"):
            growth_change(wrong, MEANS)
    with pytest.raises(ValueError, match="there is no release criterion 'biggest'"):
        growth_changes(small_survey(1, cut=None), criterion="biggest")


def test_the_command_offers_every_criterion_and_the_model_first():
    assert (MODEL, *CRITERIA) == get_args(ReleaseCriterion)
    (option,) = (
        option for option in main.commands["run"].params if option.name == "release_criterion"
    )
    authors = [name for rule in CRITERIA.values() for name in re.findall(r"[A-Z]\w+", rule.source)]
    assert option.default == MODEL and all(name in option.help for name in authors)


def test_a_criterion_of_ones_own_is_used_and_recorded_whole():
    survey = small_survey(1)
    loose, strict = (
        growth_changes(survey, criterion=with_increase(least)) for least in (0.3, 50.0)
    )
    assert (
        loose.released.any()
        and not strict.released.any()
        and strict.criterion == "absolute_increase"
    )
    assert strict.recorded_criterion["least"] == 50.0 and Criterion(
        **strict.recorded_criterion
    ) == with_increase(50.0)
    assert growth_changes(survey, criterion="sustained").recorded_criterion == "sustained"


def test_peaks_are_the_greatest_of_each_run_and_far_enough_apart():
    row = np.array([[0, 30, 40, 40, 0, 26, 0, 0, 0, 50, 24.9, np.nan, 25]], dtype=float)
    assert np.flatnonzero(peaks(row, 25, 0)[0]).tolist() == [
        2,
        5,
        9,
        12,
    ]  # the first of equals; a missing year ends a run
    assert np.flatnonzero(peaks(row, 25, 4)[0]).tolist() == [2, 9]
    assert np.flatnonzero(peaks(row, 25, 3)[0]).tolist() == [2, 5, 9, 12]


def test_a_recovery_soon_after_a_suppression_is_no_release():
    years = np.arange(1900, 1950)
    widths = np.array([[2.0] * 20 + [0.5] * 8 + [2.0] * 22])
    assert found_changes(widths, years, MEANS)["kind"].tolist() == ["suppression", "recovery"]
    beyond = np.array([[2.0] * 20 + [0.5] * 8 + [4.0] * 22])
    assert found_changes(beyond, years, MEANS)["kind"].tolist() == ["suppression", "release"]
    late = np.array([[2.0] * 20 + [0.5] * 14 + [2.0] * 16])
    assert found_changes(late, years, MEANS)["kind"].tolist() == ["suppression", "release"]


@pytest.mark.parametrize("criterion", CRITERIA.values(), ids=CRITERIA)
@pytest.mark.parametrize(("low", "kind"), [(8, "recovery"), (9, "recovery"), (20, "release")])
def test_how_long_a_low_was_is_measured_on_noisy_rings_whatever_the_window(criterion, low, kind):
    """Windows of 15 years date the ends of a low of 9 anywhere within 20 years; what counts is how
    long growth was low.
    """
    level = np.array([2.0] * 40 + [0.6] * low + [2.0] * (40 - low))
    widths = level * np.exp(0.15 * np.random.default_rng(1).standard_normal((100, 80)))
    found = found_changes(widths, np.arange(1880, 1960), criterion)
    rises = found[(found["kind"] != "suppression") & found["year"].between(1915, 1945 + low)]
    assert (rises["kind"] == kind).sum() >= 90 and (rises["kind"] != kind).sum() <= 10


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.05, 5), min_size=25, max_size=60), st.floats(0.1, 20))
def test_relative_criteria_do_not_depend_on_the_unit(widths, factor):
    row = np.array([widths])
    for criterion in (MEANS, MEDIANS, SUSTAINED):
        assert np.allclose(
            growth_change(row, criterion), growth_change(row * factor, criterion), equal_nan=True
        )
        back = growth_loss(row[:, ::-1], criterion)[:, ::-1]  # read backwards a gain is a loss
        there = growth_change(row, criterion)
        assert np.allclose(there[:, :-1], back[:, 1:], equal_nan=True)


# ------------------------------------------------------------------------------
# one tree


def sets_apart(sites: int, spacing: int) -> list[tuple[int, ...]]:
    every = joined.from_iterable(combinations(range(sites), number) for number in range(sites + 1))
    return [
        chosen
        for chosen in every
        if all(b - a >= spacing for a, b in zip(chosen, chosen[1:], strict=False))
    ]


@pytest.mark.slow
def test_the_chain_draws_from_the_sum_over_all_possibilities():
    """Each set of steps, phi and sigma weighed by the density of the series, its covariance written
    out here.
    """
    rng = np.random.default_rng(4)
    length, phis, sigmas = 15, np.array([0.0, 0.5]), np.array([0.15, 0.4])
    series = np.where(np.arange(length) >= 8, 0.9, 0.0) + rng.normal(0, 0.2, length)
    columns, precision, places = design(length)
    assert places.tolist() == list(range(3, 13))
    age, odds = np.arange(1, length + 1), 0.15 / 0.85  # often enough for most sets to be visited
    trend = np.stack([np.log(age / 20), age / 100, np.exp(-age / 10)])
    trend -= trend.mean(axis=1, keepdims=True)
    lag = np.abs(np.subtract.outer(age, age))
    base = 1.5**2 + sum(
        sd**2 * np.outer(row, row) for sd, row in zip((0.5, 1.0, 0.7), trend, strict=True)
    )
    logs, chosen_sets = [], sets_apart(len(places), 3)
    for chosen, phi, sigma in product(chosen_sets, phis, sigmas):
        level = sum(
            (0.36 * np.outer(age > places[site], age > places[site]) for site in chosen),
            np.zeros((length, length)),
        )
        noise = sigma**2 / (1 - phi**2) * phi**lag
        density = multivariate_normal(np.zeros(length), base + level + noise).logpdf(
            series - series.mean()
        )
        logs.append(density + len(chosen) * np.log(odds))
    weights = np.exp(np.array(logs) - max(logs)).reshape(len(chosen_sets), 2, 2)
    weights /= weights.sum()
    holds = np.array([[site in chosen for chosen in chosen_sets] for site in range(len(places))])
    step = holds @ weights.sum(axis=(1, 2))

    sizes, noise = np.zeros((20_000, len(places))), np.zeros((20_000, 2), dtype=np.int64)
    chain(
        regression(series, columns, precision, fixed=columns.shape[1] - len(places), phis=phis),
        NoiseGrid(phis, sigmas),
        StepPrior(np.log(odds), 3),
        500,
        np.random.default_rng(1),
        sizes,
        noise,
    )
    assert step.max() > 0.3  # a case worth looking at
    assert np.abs((sizes != 0).mean(axis=0) - step).max() < 0.02
    assert (noise[:, 0] == 1).mean() == pytest.approx(weights[:, 1].sum(), abs=0.02)
    assert (noise[:, 1] == 1).mean() == pytest.approx(weights[:, :, 1].sum(), abs=0.02)


def release_years(
    level: list[tuple[int, float]], length: int = 60, asked: float = np.log(1.25)
) -> tuple[list[int], list[int]]:
    _, _, places = design(length)
    sizes = np.zeros((1, len(places)))
    for year, size in level:
        sizes[0, year - places[0]] = size
    released, suppressed, _ = classified(sizes, places, length, asked)
    return np.flatnonzero(released[0]).tolist(), np.flatnonzero(suppressed[0]).tolist()


@pytest.mark.slow
def test_which_steps_are_releases_and_which_suppressions():
    assert release_years([(30, 0.4)]) == ([30], [])
    assert release_years([(30, 0.2)]) == ([], [])
    assert release_years([(30, 0.4), (36, -0.4)]) == (
        [],
        [36],
    )  # growth did not stay up for ten years
    assert release_years([(30, 0.4), (41, -0.4)]) == ([30], [41])
    assert release_years([(25, -0.5), (33, 0.5)]) == ([], [25])  # a recovery
    assert release_years([(25, -0.5), (33, 0.9)]) == ([33], [25])  # more than one
    assert release_years([(20, -0.5), (33, 0.5)]) == ([33], [20])
    assert release_years([(30, 0.15), (33, 0.15)]) == (
        [30],
        [],
    )  # a rise in two steps is one release
    assert release_years([(3, 0.6)]) == ([], []) and release_years([(57, 0.6)]) == (
        [],
        [],
    )  # too near the ends


def noisy(rng, length: int, *, phi: float = 0.4, sd: float = 0.22) -> np.ndarray:
    noise = np.zeros(length)
    for year in range(1, length):
        noise[year] = phi * noise[year - 1] + rng.normal(0, sd)
    return noise


@pytest.mark.slow
def test_a_doubling_is_dated_and_trends_are_not():
    rng = np.random.default_rng(2)
    year = np.arange(150)
    step = [np.where(year >= 80, np.log(2), 0.0) - 0.004 * year + noisy(rng, 150) for _ in range(8)]
    trends = [-0.8 * np.exp(-year / 8) - 0.01 * year + noisy(rng, 150) for _ in range(4)]
    trends += [0.5 * np.sin(year / 35) + noisy(rng, 150) for _ in range(4)]
    found = changes_of_trees(step + trends, np.random.default_rng(3), draws=200)
    near = np.array([tree.released.mean(axis=0)[78:83].sum() for tree in found[:8]])
    assert (near > 0.5).sum() >= 6
    assert (
        np.mean([tree.released.mean(axis=0).sum() for tree in found[8:]]) < 0.5
    )  # a tree in 150 years; the prior expects 0.9
    assert np.mean([tree.change[tree.released].mean() for tree in found[:8]]) == pytest.approx(
        np.log(2), abs=0.2
    )


def test_results_depend_on_the_seed_and_not_on_threads():
    rng = np.random.default_rng(5)
    series = [noisy(rng, 60) + np.where(np.arange(60) > 30, 0.5, 0) for _ in range(3)]
    one, two = (
        changes_of_trees(series, np.random.default_rng(1), draws=100, threads=1),
        changes_of_trees(series, np.random.default_rng(1), draws=100, threads=3),
    )
    assert all(
        np.array_equal(a.released, b.released) and np.array_equal(a.change, b.change)
        for a, b in zip(one, two, strict=True)
    )
    other = changes_of_trees(series, np.random.default_rng(2), draws=100)
    assert any(not np.array_equal(a.released, b.released) for a, b in zip(one, other, strict=True))


def test_without_data_the_prior_is_what_the_rules_make_of_it():
    release, suppression = prior_probabilities()
    assert (
        0.003 < release < release_model.STEP_RATE / 2
        and 0.003 < suppression < release_model.STEP_RATE / 2
    )
    assert prior_probabilities(1.0)[0] < release


def test_series_that_can_not_be_fitted_are_refused():
    with pytest.raises(ValueError, match="at least 20 years"):
        changes_of_trees([np.zeros(19)], np.random.default_rng(1))
    with pytest.raises(ValueError, match="no gaps"):
        changes_of_trees([np.append(np.zeros(30), np.nan)], np.random.default_rng(1))
    with pytest.raises(ValueError, match="absent rings"):
        log_widths(np.zeros(30))


def test_absent_rings_and_outliers_stay_near_their_neighbours():
    widths = np.exp(np.random.default_rng(1).normal(0, 0.1, 40))
    widths[20] = 0
    logs = log_widths(widths)
    assert (
        np.isfinite(logs).all()
        and -0.5 < logs[20] < np.median(logs[18:23])
        and logs[20] > np.log(widths[widths > 0].min() / 2)
    )
    assert np.allclose(np.delete(logs, 20)[:15], np.log(widths[:15]), atol=0.2)


# ------------------------------------------------------------------------------
# common growth


def slow_climate(rng, length: int, sd: float = 0.25, phi: float = 0.85) -> np.ndarray:
    return noisy(rng, length, phi=phi, sd=sd * np.sqrt(1 - phi**2))


def test_a_lasting_step_common_to_all_trees_is_kept_and_slow_climate_and_a_bad_year_are_not():
    rng = np.random.default_rng(6)
    climate, step = slow_climate(rng, 120), np.where(np.arange(120) >= 70, 0.9, 0.0)
    climate[20] -= 1.0
    logs = climate + step + rng.normal(0, 0.1, (12, 120)) - 0.004 * np.arange(120)
    cleaned = (logs - shared.common_growth(logs, rng).taken_out).mean(axis=0)
    assert cleaned[75:95].mean() - cleaned[45:65].mean() == pytest.approx(0.9, abs=0.25)
    ordinary = np.delete(np.arange(60), 20)
    slow = [
        values[ordinary] - np.polyval(np.polyfit(ordinary, values[ordinary], 1), ordinary)
        for values in (logs.mean(axis=0), cleaned)
    ]
    assert slow[0].std() > 0.15 and slow[1].std() < 0.3 * slow[0].std()
    assert abs(cleaned[20] - cleaned[15:20].mean()) < 0.15


def test_one_tree_has_nothing_in_common_and_trees_without_anything_in_common_hardly_anything():
    rng = np.random.default_rng(7)
    assert not shared.common_growth(rng.normal(0, 1, (1, 60)), rng).taken_out.any()
    assert shared.common_growth(rng.normal(0, 1, (10, 300)), rng).taken_out.std() < 0.1


def test_the_common_part_of_a_tree_is_what_the_others_tell_shrunk_by_their_number():
    """Trees that share all of a signal but for noise of known size: v_c/(v_c + v_o/n) of the mean
    of the others.
    """
    rng = np.random.default_rng(8)
    signal, own = rng.normal(0, 1, 4000), rng.normal(0, 0.7, (5, 4000))
    told = shared.common_to_others(signal + own)
    expected = (signal + own[1:].mean(axis=0)) * 1 / (1 + 0.49 / 4)
    assert np.abs(told[0] - expected).max() < 0.1


def test_trees_that_share_few_years_lose_their_common_swings_only():
    rng = np.random.default_rng(9)
    logs = np.full((3, 47), np.nan)
    for tree, first in enumerate((0, 0, 30)):
        logs[tree, first : first + (15 if tree < 2 else 17)] = rng.normal(
            0, 0.1, 15 if tree < 2 else 17
        )
    logs[:2, 7] -= 1
    logs[:2, 8:] += 0.7
    common = shared.common_growth(logs, rng).taken_out
    assert np.isfinite(common).all() and not common[2, 30:].any()
    assert common[0, 7] < -0.3 and abs(common[0, 10:14].mean()) < 0.1


def test_trends_and_the_common_curve_are_told_apart():
    """Trees that begin in different years, with trends of their own, under a sine that all
    share.
    """
    year = np.arange(150)
    sine = 0.3 * np.sin(year / 6)
    logs = np.array(
        [
            np.where(year >= first, sine + first / 50 - 0.01 * (year - first), np.nan)
            for first in (0, 10, 30, 45, 60)
        ]
    )
    trends, curve = shared.trends_and_curve(logs)
    assert np.corrcoef(curve, sine)[0, 1] > 0.95 and not trends[4, :60].any()
    assert np.nanmax(np.abs(logs - trends - curve)) < 0.2


def test_what_a_stand_shares_with_others_is_their_weather_by_a_slope_of_0_to_1():
    weather = np.random.default_rng(11).normal(0, 0.2, 40)
    apart = weather - weather.mean()
    for slope, kept in ((0.5, 0.5), (1.7, 1.0), (-0.5, 0.0)):
        assert np.allclose(shared.shared_weather(slope * weather, weather), kept * apart)
    few = np.where(np.arange(40) < 19, weather, np.nan)
    assert not shared.shared_weather(weather, few).any()
    some = np.where(np.arange(40) < 30, weather, np.nan)
    told = shared.shared_weather(weather, some)
    assert not told[30:].any() and np.allclose(told[:30], weather[:30] - weather[:30].mean())


def test_an_opening_is_one_that_some_trees_answered_or_all_together_each_as_likely():
    """By hand: the mean of the two likelihood ratios; nothing is added where no common curve can
    tell.
    """
    prior, _ = prior_probabilities(release_model.LEAST_COMMON_RISE, release_model.COMMON_STEP_SD)
    rising, at_risk = np.zeros(12), np.arange(12) >= 3
    rising[8] = 0.5
    curve = shared.CommonGrowth(np.zeros((2, 12)), rising, at_risk)
    alone = np.full(12, np.log(0.2))
    together = stand_disturbance.with_common_rise(alone, [curve])
    draws = release_model.DRAWS
    high, low = (0.5 * draws + prior) / (draws + 1) / prior, 1 / (draws + 1)
    assert together[8] == pytest.approx(np.log(0.5 * (0.2 + 0.3 * high + 0.7 * low)))
    assert together[7] == pytest.approx(np.log(0.5 * (0.2 + 0.3 * high + 0.7 * low)))
    assert together[4] == pytest.approx(np.log(0.5 * (0.2 + low)))
    assert (together[:3] == alone[:3]).all()
    assert (stand_disturbance.with_common_rise(alone, []) == alone).all()


def thinning_trial(rng: np.random.Generator) -> SimpleNamespace:
    """A control and a heavily thinned stand of pines 25 years old under one weather, 13 trees each:
    nine in ten of the thinned grow by some 60 % more for ten years from 1990. A shape of thinning
    trials; the numbers are invented.
    """
    years = np.arange(1965, 2013)
    weather = noisy(rng, len(years), phi=0.3, sd=0.15)
    begun = np.clip((years - 1989) / 3, 0, 1) * np.where(years > 2000, 0.7, 1.0)
    rings, stems = [], []
    for stand in ("control", "thinned"):
        for number in range(13):
            answers = 0.47 * (stand == "thinned") * (rng.random() < 0.9)
            age = years - 1964
            logs = rng.normal(0.7, 0.3) - 0.8 * np.exp(-age / 8) - age / rng.uniform(60, 150)
            logs = logs + noisy(rng, len(years), phi=0.4, sd=0.2) + weather + answers * begun
            name = f"{stand}-{number + 1}"
            rings.append(pd.DataFrame({"core": name, "year": years, "width_mm": np.exp(logs)}))
            stems.append((name, stand, "longleaf-pine"))
    names = [name for name, *_ in stems]
    event = {
        "event": "cut",
        "stand": "thinned",
        "kind": "thinning",
        "first_year": 1990.0,
        "last_year": 1990.0,
        "ended_year": np.nan,
        "opens_canopy": "",
        "source": "record",
    }
    return SimpleNamespace(
        ring_widths=pd.concat(rings, ignore_index=True),
        cores=pd.DataFrame({"core": names, "tree": names}),
        trees=pd.DataFrame(stems, columns=["tree", "stand", "species"]),
        events=pd.DataFrame([event]),
    )


@pytest.mark.slow
def test_where_most_trees_grow_more_after_a_thinning_the_opening_is_told_and_none_of_its_control():
    """Seven of eight trials of seeds fixed beforehand; trees asked each for itself told one."""
    seen = []
    for seed in range(8):
        trial = thinning_trial(np.random.default_rng([1990, seed]))
        changes = growth_changes(trial, seed=seed, draws=200)
        opened = disturbances.disturbance_table(changes, seed=1, level=0.9)
        assert "control" not in set(opened.loc[opened["kind"] == "opening", "stand"])
        seen.append(changes.openings["thinned"].drawn.event_seen.mean())
    assert sum(chance > 0.5 for chance in seen) >= 6


@pytest.mark.slow
def test_slow_climate_alone_makes_no_opening_and_a_cut_under_it_is_found():
    quiet, cut = small_survey(21, cut=None), small_survey(21, gain=3.0)
    climate = slow_climate(np.random.default_rng(14), 160, sd=0.3)
    for one in (quiet, cut):
        one.ring_widths["width_mm"] *= np.exp(climate[one.ring_widths["year"].astype(int) - 1840])
    before = (
        growth_changes(quiet, draws=100, remove_common=False)
        .openings["North"]
        .drawn.disturbed()
        .mean(axis=0)
    )
    after = growth_changes(quiet, draws=100).openings["North"].drawn.disturbed().mean(axis=0)
    assert before.max() > 0.5 and after.sum() < 0.5 * before.sum() and after.max() < 0.2
    found = disturbance_table(growth_changes(cut, draws=100)).query("kind == 'opening'")
    assert found["year_median"].between(1924, 1926).any()


# ------------------------------------------------------------------------------
# stand


def all_histories(length: int, apart: int) -> list[tuple[int, ...]]:
    return sets_apart(length, apart)


def test_chances_of_unrecorded_disturbances_are_sums_over_all_histories():
    evidence = np.random.default_rng(8).normal(1.5, 2.5, 12)
    odds = np.log(stand_disturbance.RATE / (1 - stand_disturbance.RATE))
    histories = all_histories(12, stand_disturbance.APART)
    weights = np.array(
        [np.exp(sum(evidence[year] + odds for year in history)) for history in histories]
    )
    exact = [
        weights[[year in history for history in histories]].sum() / weights.sum()
        for year in range(12)
    ]
    assert np.allclose(year_chances(evidence), exact)
    drawn = drawn_disturbances(evidence, [], np.random.default_rng(1), draws=20_000).unrecorded
    assert np.abs(drawn.mean(axis=0) - exact).max() < 0.015


def test_an_event_and_the_unrecorded_are_drawn_from_the_sum_over_all_histories():
    evidence = np.array([0, 0, 0, 0, 2.0, 5.0, 3.0, 0, 0, 0, 0, 4.5, 0, 0])
    event, apart, visible = (
        KnownEvent(2, 7, 0.8),
        stand_disturbance.APART,
        stand_disturbance.VISIBLE,
    )
    odds = np.log(stand_disturbance.RATE / (1 - stand_disturbance.RATE))
    years, seen, disturbed, total = np.zeros(14), 0.0, np.zeros(14), 0.0
    for history, year, state in product(
        all_histories(14, apart), range(2, 8), ("none", "hidden", "seen")
    ):
        weight = np.exp(sum(evidence[other] + odds for other in history)) / 6
        if state == "seen":
            if any(abs(other - year) < apart for other in history):
                continue
            weight *= 0.8 * visible * np.exp(evidence[year])
        else:
            weight *= 0.2 if state == "none" else 0.8 * (1 - visible)
        total += weight
        years[year] += weight
        seen += weight * (state == "seen")
        for place in {*history, *([year] if state != "none" else [])}:
            disturbed[place] += weight
    drawn = drawn_disturbances(evidence, [event], np.random.default_rng(1), draws=30_000)
    assert drawn.event_seen.mean() == pytest.approx(seen / total, abs=0.015)
    assert (
        np.abs(np.bincount(drawn.event_index[:, 0], minlength=14) / 30_000 - years / total).max()
        < 0.015
    )
    assert np.abs(drawn.disturbed().mean(axis=0) - disturbed / total).max() < 0.015


def test_years_without_trees_at_risk_carry_no_evidence():
    probability = np.full((6, 40), 0.9)
    assert np.allclose(
        year_evidence(
            probability,
            0.005,
            np.zeros((6, 40), dtype=bool),
            stand_disturbance.RELEASE_LAGS,
            draws=400,
        ),
        0,
    )


def test_one_tree_of_many_is_weak_evidence_and_many_are_strong():
    lags = stand_disturbance.RELEASE_LAGS
    at_risk = np.ones((20, 30), dtype=bool)
    one, many = np.zeros((20, 30)), np.zeros((20, 30))
    one[0, 15] = 1.0
    many[:12, 15] = 1.0
    alone = year_evidence(one, 0.006, at_risk, lags, draws=400)
    together = year_evidence(many, 0.006, at_risk, lags, draws=400)
    assert alone[13:16].max() < 1.5 and together[14] > 20
    assert np.argmax(together) in (14, 15)
    assert alone[2] < -1  # no release where trees are at risk speaks against a disturbance


def test_an_event_range_off_the_axis_is_refused():
    with pytest.raises(ValueError, match="leaves the axis"):
        drawn_disturbances(np.zeros(10), [KnownEvent(5, 10, 0.5)], np.random.default_rng(1))


def test_what_events_may_have_done():
    assert (
        effect_chance("fire", "yes", OPENING) > 0.9 and effect_chance("logging", "no", OPENING) == 0
    )
    assert (
        effect_chance("seed-crop", "", OPENING) == 0
        and effect_chance("turpentining", "", WEAKENING) > 0.5
    )
    rows = [
        ("cut", "logging", 1920, 1930, "record"),
        ("same", "logging", 1925, 1925, "release"),
        ("crop", "seed-crop", 1920, 1920, ""),
    ]
    found = events_on_axis(events(rows), np.arange(1900, 2000), OPENING)
    assert found.names == ("cut",) and (found.known[0].first, found.known[0].last) == (20, 30)


# ------------------------------------------------------------------------------
# tables


def disturbance_table(changes) -> pd.DataFrame:
    return disturbances.disturbance_table(changes, seed=1, level=0.9)


def event_table(changes, survey) -> pd.DataFrame:
    """The table of events with its column in English."""
    table = disturbances.event_year_table(changes, survey, level=0.9)
    return table.assign(**event_year_columns(table))


def events(rows) -> pd.DataFrame:
    columns = [
        "event",
        "stand",
        "kind",
        "first_year",
        "last_year",
        "ended_year",
        "opens_canopy",
        "source",
    ]
    made = [
        (name, "", kind, float(first), float(last), np.nan, "", source)
        for name, kind, first, last, source in rows
    ]
    return pd.DataFrame(made, columns=columns)


def small_survey(
    seed: int,
    *,
    trees: int = 12,
    cut: int | None = 1925,
    gain: float = 2.2,
    happened=(),
    stand: str = "North",
):
    """Trees of different ages of which four in five release within two years of the cut."""
    rng = np.random.default_rng(seed)
    rings, cores, stems = [], [], []
    for number in range(trees):
        year = np.arange(1840 + 5 * number, 2000)
        logs = 0.6 - 0.004 * (year - year[0]) + noisy(rng, len(year), sd=0.18)
        if cut and number % 5:
            logs += np.log(gain) * (year >= cut + number % 2)
        name = f"{stand}-{number + 1}"
        widths = {
            "core": f"{name}-a",
            "year": year.astype(float),
            "width_mm": np.exp(logs).round(3),
            "row": 2,
            "file": "r.csv",
        }
        rings.append(pd.DataFrame(widths))
        cores.append((f"{name}-a", name))
        stems.append((name, stand, "longleaf-pine"))
    return SimpleNamespace(
        ring_widths=pd.concat(rings, ignore_index=True),
        cores=pd.DataFrame(cores, columns=["core", "tree"]),
        trees=pd.DataFrame(stems, columns=["tree", "stand", "species"]),
        events=events(happened),
    )


HAPPENED = (
    ("cut", "logging", 1920, 1930, "record"),
    ("burn", "fire", 1960, 1960, "scar"),
    ("rings", "storm", 1924, 1928, "release"),
)


@pytest.fixture(scope="module")
def survey():
    return small_survey(1, happened=HAPPENED)


@pytest.fixture(scope="module")
def changes(survey):
    return growth_changes(survey, draws=200)


@pytest.fixture(scope="module")
def chronology(changes):
    return chronology_table(changes, seed=1, level=0.9)


@pytest.mark.slow
def test_a_stand_that_was_cut_is_found_in_the_right_year(changes, chronology):
    found = disturbance_table(changes)
    opening = found[found["kind"] == "opening"].iloc[0]
    assert (
        abs(opening["year_median"] - 1925) <= 1
        and opening["probability"] > 0.95
        and opening["probability_rings"] > 0.9
    )
    assert opening["events"] == "cut" and opening["unrecorded_probability"] < 0.5
    assert opening["share_low"] < 0.75 < opening["share_high"] + 0.1
    best = chronology.loc[chronology["probability_disturbed"].astype(float).idxmax()]
    assert abs(best["year"] - 1925) <= 1 and best["trees_at_risk"] == 12


def test_an_event_of_uncertain_year_comes_out_sharper(survey, changes):
    table = event_table(changes, survey).set_index("event")
    assert (
        table.loc["cut", "year_high"] - table.loc["cut", "year_low"] < 8
        and abs(table.loc["cut", "year_median"] - 1925) <= 1
    )
    assert table.loc["cut", "seen_in_rings"] > 0.6 and table.loc["cut", "read_from"] == "releases"
    assert table.loc["burn", ["year_low", "year_high"]].tolist() == [1960, 1960]


@pytest.mark.slow
def test_an_event_known_from_releases_is_not_combined_with_the_rings(survey, changes):
    table = event_table(changes, survey).set_index("event")
    assert table.loc["rings", "read_from"] == "" and "not combined" in table.loc["rings", "note"]
    assert table.loc["rings", ["year_low", "year_median", "year_high"]].tolist() == [
        1924,
        1926,
        1928,
    ]
    without = small_survey(1, happened=HAPPENED[:2])
    other = growth_changes(without, draws=200)
    assert np.array_equal(
        other.openings["North"].drawn.disturbed(), changes.openings["North"].drawn.disturbed()
    )


@pytest.mark.slow
def test_without_releases_an_event_keeps_its_range():
    quiet = small_survey(4, cut=None, happened=HAPPENED[:1])
    table = event_table(growth_changes(quiet, draws=150), quiet)
    assert (
        table["year_high"].item() - table["year_low"].item() >= 8
        and table["seen_in_rings"].item() < 0.35
    )


def test_a_tree_at_risk_at_the_edge_of_a_disturbance_only_is_not_counted(survey):
    """Eleven series that begin in the disturbance's last years could not have shown it."""
    changes = growth_changes(survey, draws=50)
    late = changes.at_risk.copy()
    late[1:, : np.searchsorted(changes.series.years, 1928)] = False
    rows = [
        disturbances._share_that_answered(
            dataclasses.replace(changes, at_risk=at_risk),
            "North",
            changes.released,
            (1923, 1928),
            np.random.default_rng(1),
            0.9,
        )
        for at_risk in (changes.at_risk, late)
    ]
    assert [row["trees_at_risk"] for row in rows] == [12, 1]


def test_trees_at_risk_fall_back_in_time(chronology, changes):
    at_risk = chronology.set_index("year")["trees_at_risk"].astype(float)
    assert (
        at_risk.loc[1844] == 0
        and at_risk.loc[1845] == 1
        and at_risk.loc[1950] == 12
        and at_risk.loc[1996] == 0
    )
    width = (chronology["share_released_high"] - chronology["share_released_low"]).astype(float)
    assert (
        width[chronology["trees_at_risk"] == 1].median()
        > 2 * width[chronology["trees_at_risk"] == 12].median()
    )
    assert chronology.loc[chronology["trees_at_risk"] == 0, "share_released_median"].isna().all()


def test_shares_by_a_criterion_are_jeffreys_intervals(survey):
    by_rule = growth_changes(survey, criterion="sustained")
    table = chronology_table(by_rule, seed=1, level=0.9)
    row = table.loc[table["released_trees"].astype(float).idxmax()]
    place = int(row["year"]) - int(by_rule.series.years[0])
    count = int(by_rule.released[0, :, place - 1 : place + 2].any(axis=1).sum())
    assert count >= 4
    exact = beta(0.5 + count, 0.5 + row["trees_at_risk"] - count).ppf([0.05, 0.5, 0.95])
    assert np.allclose(
        [row[f"share_released{point}"] for point in ("_low", "_median", "_high")], exact, atol=0.05
    )
    assert table[["probability_disturbed", "probability_suppressed"]].isna().all().all()
    assert disturbance_table(by_rule).empty


def test_a_criterion_narrows_no_event_and_says_why(survey):
    table = event_table(growth_changes(survey, criterion="sustained"), survey).set_index("event")
    assert (
        table.loc["cut", ["year_low", "year_high"]].tolist() == [1920, 1930]
        and table.loc["cut", "read_from"] == ""
    )
    assert (
        "published criterion" in table.loc["cut", "note"]
        and "releases itself" in table.loc["rings", "note"]
    )


def test_release_table_holds_the_years_that_say_something(chronology):
    table = release_table(chronology)
    assert list(table.columns) == RELEASES.written and 0 < len(table) < len(chronology) / 3
    assert {1925, 1926} <= set(table["year"])
    assert (
        (table[["released_trees", "suppressed_trees"]].max(axis=1) >= 0.5)
        | (table[["probability_disturbed", "probability_suppressed"]].max(axis=1) >= 0.1)
    ).all()


def test_each_release_of_a_tree_has_a_row(changes):
    table = tree_release_table(changes, level=0.9)
    releases = table[(table["kind"] == "release") & table["year_median"].between(1923, 1928)]
    expected = {f"North-{number + 1}" for number in range(12) if number % 5}
    assert set(releases["tree"]) <= expected and len(releases) >= 0.7 * len(expected)
    assert releases["change_percent_median"].median() == pytest.approx(120, abs=45)
    assert (releases["year_low"] <= releases["year_high"]).all() and (
        releases["probability"] >= 0.5
    ).all()


def test_a_criterion_finds_no_tree_in_a_survey_without_rings(survey):
    none = SimpleNamespace(**{**vars(survey), "ring_widths": survey.ring_widths[:0]})
    found = growth_changes(none, criterion="sustained")
    assert found.series.trees == () and found.released.shape == (1, 0, 0)


def test_a_survey_without_rings_gives_empty_tables_with_their_columns(survey):
    bare = SimpleNamespace(**(vars(survey) | {"ring_widths": survey.ring_widths.iloc[:0]}))
    none = growth_changes(bare)
    years = chronology_table(none, seed=1, level=0.9)
    for table in (release_table(years), years):
        assert table.empty and list(table.columns) == RELEASES.written
    trees = tree_release_table(none, level=0.9)
    assert trees.empty and list(trees.columns) == TREE_RELEASES.written
    for table in (disturbance_table(none), event_table(none, bare), ring_years(none)):
        assert table.empty and len(table.columns) >= 7


def test_cores_of_a_tree_are_brought_to_one_level(survey):
    half = survey.ring_widths[
        (survey.ring_widths["core"] == "North-1-a") & (survey.ring_widths["year"] >= 1900)
    ]
    second = half.assign(core="North-1-b", width_mm=half["width_mm"] / 2)
    short = half.head(5).assign(core="North-1-c")
    more = SimpleNamespace(
        **(
            vars(survey)
            | {
                "ring_widths": pd.concat([survey.ring_widths, second, short], ignore_index=True),
                "cores": pd.concat(
                    [
                        survey.cores,
                        pd.DataFrame({"core": ["North-1-b", "North-1-c"], "tree": "North-1"}),
                    ],
                    ignore_index=True,
                ),
            }
        )
    )
    one, two = tree_series(survey), tree_series(more)
    assert np.allclose(one.widths[0], two.widths[0], equal_nan=True)
    assert two.cores[0] == 2 and "North-1-c" in two.left_out[0]
    given = model_series(two, np.random.default_rng(1))
    assert len(given.logs) == 12 and given.first[0] == 0 and len(given.logs[0]) == 160


def test_a_tree_with_too_few_rings_is_left_out_and_said_so(survey):
    few = survey.ring_widths[
        (survey.ring_widths["core"] != "North-12-a") | (survey.ring_widths["year"] > 1985)
    ]
    series = tree_series(SimpleNamespace(**(vars(survey) | {"ring_widths": few})))
    assert len(series.trees) == 11 and "North-12" in series.left_out[0]


def test_episodes_never_share_a_year_and_come_likeliest_first():
    drawn = np.zeros((100, 40), dtype=bool)
    drawn[:60, 10], drawn[90:, 11], drawn[60:90, 13], drawn[:30, 30] = True, True, True, True
    found = episodes(drawn, 5)
    assert [round(probability, 2) for _, _, probability in found] == [1.0]
    first, last, _ = found[0]
    assert first <= 10 and last >= 13 and last - first == 4
    assert episodes(np.zeros((10, 3), dtype=bool), 5) == []


# ------------------------------------------------------------------------------
# pictures


def test_pictures_show_what_the_tables_say(survey, changes, chronology):
    ax = plot_disturbance_chronology(chronology, events=survey.events)
    heights = {
        round(bar.get_x() + bar.get_width() / 2): bar.get_height()
        for bar in ax.patches
        if hasattr(bar, "get_height")
    }
    row = chronology[chronology["year"] == 1926].iloc[0]
    assert 100 * row["share_released_median"] in [
        pytest.approx(bar.get_height()) for bar in ax.patches if hasattr(bar, "get_height")
    ]
    assert heights and ax.get_xlabel() == "Year" and ax.get_title(loc="left") == "North"
    below = " | ".join(text.get_text() for text in ax.texts)
    assert "logging, one year of 1920" in below and "fire 1960" in below
    marks = [line for line in ax.lines if line.get_marker() == "D"]
    assert max(marks[0].get_ydata()) == pytest.approx(
        100 * chronology["probability_disturbed"].astype(float).max()
    )
    (depth,) = [other for other in ax.figure.axes if other is not ax]
    assert depth.get_ylabel() == "Trees at risk" and max(depth.get_yticks()) == 12


def test_years_with_few_trees_at_risk_are_left_blank(chronology):
    thin = chronology.assign(trees_at_risk=chronology["trees_at_risk"].clip(upper=4))
    known = chronology["year"] == 1926
    thin.loc[known, "trees_at_risk"] = 5
    ax = plot_disturbance_chronology(thin)
    bars = {round(bar.get_x() + 0.5) for bar in ax.patches if hasattr(bar, "get_height")}
    assert bars == {1926}
    marked = [year for line in ax.lines if line.get_marker() == "D" for year in line.get_xdata()]
    assert set(marked) <= {1926}
    assert "fewer than 5 trees at risk are left blank" in " ".join(
        text.get_text() for text in ax.get_legend().get_texts()
    )


def test_the_ring_panel_has_a_row_a_tree(survey, changes):
    rings = ring_years(changes)
    assert len(rings) == len(survey.ring_widths)
    ax = plot_ring_panel(rings, events=survey.events)
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        f"North-{number}" for number in range(12, 0, -1)
    ]
    lines = [
        line for line in ax.lines if len(line.get_xdata()) > 60 and line.get_linestyle() == "-"
    ]
    assert len(lines) == 12


def test_pictures_by_a_criterion_name_it_and_speak_of_no_probability(survey):
    by_rule = growth_changes(survey, criterion="percent_change_medians")
    years = chronology_table(by_rule, seed=1, level=0.9)
    for ax in (plot_ring_panel(ring_years(by_rule)), plot_disturbance_chronology(years)):
        notes = " | ".join(text.get_text() for text in ax.get_legend().get_texts())
        assert (
            "percent change medians (Rubino & McCarthy 2004)" in notes
            and "probability" not in notes
        )
