"""The findings against closed forms, slow plain loops and an invented posterior whose truth is
known.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from fake_posterior import BURST, SEASON, YEARS, changed, fake_posterior, with_tables
from hypothesis import given, settings
from hypothesis import strategies as st

from standage.findings import Findings
from standage.findings.cohorts import cohort_table
from standage.findings.intervals import (
    credible_points,
    fullest_span,
    interval_columns,
    shortest_span,
    typical_span,
)
from standage.findings.local_ratio import (
    WINDOWS,
    excess_in_errors,
    held_in_windows,
    inside_and_background,
    scan_unit,
    smallest_telling_rate,
    steady_shape,
)
from standage.findings.pulse_limit import (
    ASSUMED_LIMIT,
    LEAST_LIMIT,
    ReportingLimit,
    limit_table,
    reporting_limit,
    unit_limit,
)
from standage.findings.pulses import _part_of_delays, best_score, find_bursts, running_mean


def three(name: str) -> list[str]:
    return [f"{name}_low", f"{name}_median", f"{name}_high"]


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior()


@pytest.fixture(scope="module")
def findings(posterior):
    return Findings(posterior)


@pytest.fixture(scope="module")
def scans(findings):
    return findings.scans


def with_limits(posterior, table: pd.DataFrame) -> Findings:
    """Findings whose pulses are reported by a table of limits in place of the package's own."""
    findings = Findings(posterior)
    findings.limits = [
        unit_limit(posterior, number, table) for number in range(len(posterior.units))
    ]
    return findings


@pytest.fixture(scope="module")
def found(posterior):
    # not tied to the simulated limits of the day
    return with_limits(posterior, limit_table()[:0]).pulses


def full_census(posterior):
    """The posterior with plots over the whole of Fern Flat."""
    stands = posterior.survey.stands
    stands.loc[stands["stand"] == "Fern Flat", "area_ha"] = 0.8
    return posterior


# intervals


def test_the_points_of_a_level():
    draws = np.arange(101.0)
    assert credible_points(draws, 0.9).tolist() == pytest.approx([5, 50, 95])
    assert credible_points(draws, 0.5).tolist() == pytest.approx([25, 50, 75])


def test_missing_draws_are_left_out_and_an_empty_column_stays_blank():
    draws = np.array([[1.0, np.nan], [np.nan, np.nan], [3.0, np.nan]])
    points = credible_points(draws, 0.9)
    assert points[1, 0] == 2
    assert np.isnan(points[:, 1]).all()


@pytest.mark.parametrize("level", [0, 1, 1.5, -0.1])
def test_a_level_that_is_no_probability_is_refused(level):
    with pytest.raises(ValueError, match="credible level"):
        credible_points(np.ones(3), level)


def test_years_are_whole():
    assert interval_columns("year", np.array([1900.0, 1901.0]), 0.9, whole=True)["year_median"] in (
        1900,
        1901,
    )


amounts = st.lists(st.integers(0, 20), min_size=1, max_size=25).filter(any)


@given(amounts, st.sampled_from([0.1, 0.5, 0.8, 1.0]))
@settings(max_examples=150, deadline=None)
def test_the_shortest_span_is_the_shortest(stems, share):
    stems = np.array(stems, dtype=float)
    years = np.arange(1900, 1900 + len(stems))
    holds = [
        (end - start, start)
        for start in range(len(stems))
        for end in range(start + 1, len(stems) + 1)
        if stems[start:end].sum() >= share * stems.sum() - 1e-9
    ]
    first, last = shortest_span(stems[None], years, share)
    assert last[0] - first[0] + 1 == min(holds)[0]
    inside = stems[(years >= first[0]) & (years <= last[0])].sum()
    assert inside >= share * stems.sum() - 1e-9


def test_no_stems_have_no_span():
    first, last = shortest_span(np.zeros((1, 5)), np.arange(5), 0.5)
    assert np.isnan(first[0]) and np.isnan(last[0])


def test_the_fullest_span_holds_most():
    stems = np.array([[1.0, 0, 5, 4, 0, 2]])
    first, share = fullest_span(stems, np.arange(1900, 1906), 2)
    assert first[0] == 1902 and share[0] == 9 / 12


def test_of_two_bursts_the_typical_span_is_one_and_not_what_lies_between():
    first = np.array([1941.0] * 45 + [2011.0] * 40 + [1941.0] * 15)
    last = np.array([1948.0] * 45 + [2018.0] * 40 + [2018.0] * 15)
    assert typical_span(first, last) == (1941, 1948, 0.45)
    assert typical_span(np.full(9, 1900.0), np.full(9, 1905.0)) == (1900, 1905, 1.0)
    assert np.isnan(typical_span(np.array([np.nan]), np.array([np.nan]))).all()


# cohorts


def test_cohort_columns_are_the_documented_ones(posterior):
    expected = [
        "stand",
        "species",
        "first_year",
        "last_year",
        *three("stems_per_ha"),
        *three("share"),
        *three("basal_area_m2_ha"),
    ]
    assert (
        list(Findings(posterior).cohorts)[:16] == [*expected, *three("seedling_stages_per_ha")][:16]
    )
    assert list(Findings(posterior).cohorts)[-2:] == ["basis", "amounts"]


def test_cohorts_of_a_full_census_add_up_to_what_is_listed():
    one_draw = full_census(fake_posterior(draws=1))
    table = Findings(one_draw).cohorts.groupby("stand", sort=False)
    rest = (one_draw.unit(0).living * (1 - one_draw.unit(0).past_emerging)).sum()
    of_stand = table.get_group("Fern Flat")
    assert of_stand["stems_per_ha_median"].sum() == pytest.approx(60 / 0.8)
    assert of_stand["seedling_stages_per_ha_median"].sum() == pytest.approx(rest)
    assert of_stand["share_median"].sum() == pytest.approx(1)
    listed = one_draw.trees[one_draw.trees["unit"] == 0]
    basal_area = (np.pi / 4 * (listed["dbh_cm"] / 100) ** 2).sum() / 0.8
    assert of_stand["basal_area_m2_ha_median"].sum() == pytest.approx(basal_area)
    summary = Findings(one_draw).stand_summary
    assert summary["basal_area_m2_ha"].iloc[0] == pytest.approx(basal_area)


def test_classes_begin_at_multiples_and_end_at_the_survey(posterior):
    table = cohort_table(Findings(posterior), class_years=25)
    one = table[table["stand"] == "Fern Flat"]
    assert (one["first_year"] % 25 == 0).all()
    assert one["last_year"].iloc[-1] == SEASON
    with pytest.raises(ValueError, match="at least 1 year"):
        cohort_table(Findings(posterior), class_years=0)


def test_nested_plots_count_a_stem_by_the_area_that_listed_its_size():
    posterior = fake_posterior(draws=2)
    plots = posterior.survey.plots
    first = plots["plot"] == "F-p1"
    plots.loc[first, ["min_dbh_cm", "max_dbh_cm"]] = 5.0, 20.0
    plots.loc[(plots["stand"] == "Fern Flat") & ~first, "min_dbh_cm"] = 20.0
    listed = posterior.trees[posterior.trees["unit"] == 0]
    area = np.where(listed["dbh_cm"] < 20, 0.2, 0.6)
    basal_area = (np.pi / 4 * (listed["dbh_cm"] / 100) ** 2 / area).sum()
    assert Findings(posterior).stand_summary["basal_area_m2_ha"].iloc[0] == pytest.approx(
        basal_area
    )


def test_without_plots_nothing_is_per_hectare(posterior, scans):
    tables = {
        "cohorts": Findings(posterior).cohorts,
        "rate": Findings(posterior).rate,
        "stand_summary": Findings(posterior).stand_summary,
    }
    for name, table in tables.items():
        ridge = table[table["stand"] == "Stony Ridge"]
        per_hectare = [column for column in table if "per_ha" in column or "m2_ha" in column]
        assert per_hectare and ridge[per_hectare].isna().all().all(), name
        assert (ridge["amounts"] == "among sampled trees").all()
        assert (ridge["basis"] == "coring height").all()
    assert tables["cohorts"].query("stand == 'Stony Ridge'")["share_median"].sum() == pytest.approx(
        1, abs=0.05
    )


# trees


def test_tree_columns_are_the_documented_ones(posterior):
    head = [
        "stand",
        "tree",
        "species",
        "plot",
        "basis",
        *three("establishment_year"),
        *three("age"),
        "innermost_ring_year",
    ]
    middle = [
        *three("rings_added_centre"),
        "coring_height_cm",
        *three("coring_height_year"),
        *three("years_below_core"),
    ]
    tail = ["sd_count", "sd_centre", "sd_height", "sd_grass", "sd_total", "left_out_reason", "note"]
    expected = [*head, *middle, *tail]
    assert list(Findings(posterior).tree_dates)[: len(expected)] == expected


def test_every_tree_of_the_survey_has_its_row_in_order(posterior):
    table = Findings(posterior).tree_dates
    assert table["tree"].tolist() == posterior.survey.trees["tree"].tolist()
    oak = table[table["tree"] == "F-oak"].iloc[0]
    assert "no profile" in oak["left_out_reason"] and pd.isna(oak["establishment_year_median"])


@pytest.mark.parametrize(
    ("survey_date", "completed"), [("2020-06-15", 2019), ("2020-11-15", 2020), ("2021-01-20", 2020)]
)
def test_age_counts_completed_seasons(survey_date, completed):
    posterior = fake_posterior(draws=5)
    posterior.survey.stands["survey_date"] = pd.Timestamp(survey_date)
    posterior.establishment_year[:, 0] = 2000
    assert Findings(posterior).tree_dates["age_median"].iloc[0] == completed - 2000 + 1


def test_a_dead_tree_is_as_old_as_it_got():
    posterior = fake_posterior(draws=5)
    posterior.trees.loc[[0, 3], "status"] = "dead"
    posterior.establishment_year[:, [0, 3]] = 1900
    posterior.survey.trees.loc[0, "death_year"] = 1990.0
    posterior.survey.cores.loc[posterior.survey.cores["tree"] == "F4", "last_ring_year"] = np.nan
    table = Findings(posterior).tree_dates
    assert table["age_median"].iloc[0] == 91
    assert pd.isna(table["age_median"].iloc[3])
    summary = Findings(posterior).stand_summary
    assert summary["listed_stems"].iloc[0] == 58


def test_steps_of_the_core_alone_are_merged_by_tree(posterior):
    ages = pd.DataFrame(
        {
            "tree": ["F4", "F1"],
            "sd_count": [1.5, 0.5],
            "sd_centre": [3.0, 0.0],
            "rings_added_centre_median": [4.0, 0.0],
        }
    )
    findings = Findings(posterior)
    findings.ages = ages.reindex(columns=findings.ages.columns)
    table = findings.tree_dates.set_index("tree")
    assert table.loc["F4", "sd_count"] == 1.5 and table.loc["F1", "sd_centre"] == 0
    assert table.loc["F4", "rings_added_centre_median"] == 4
    assert pd.isna(table.loc["F2", "sd_count"])
    drawn = posterior.establishment_year[:, 3]
    assert table.loc["F4", "sd_total"] == pytest.approx(drawn.std())


def test_a_tree_without_coring_height_is_dated_at_coring_height_only(posterior):
    ridge = Findings(posterior).tree_dates.query("stand == 'Stony Ridge'")
    assert ridge["establishment_year_median"].isna().all() and ridge["age_median"].isna().all()
    assert ridge["coring_height_year_median"].notna().all()
    assert ridge["note"].str.contains("coring height only").all()


# the local ratio


def slow_background(rate: np.ndarray, centre: int, width: int) -> tuple[float, float]:
    first = centre - width // 2
    window = range(first, first + width)
    if window[0] < 0 or window[-1] >= len(rate):
        return np.nan, np.nan
    older = [rate[year] for year in range(len(rate)) if 5 <= window[0] - year <= 25]
    younger = [rate[year] for year in range(len(rate)) if 5 <= year - window[-1] <= 25]
    if len(younger) < 5:
        return np.nan, np.nan
    sides = [
        np.mean(sorted(side)[: max(1, int(0.6 * len(side) + 0.5))])
        for side in (older, younger)
        if side
    ]
    return float(np.mean([rate[year] for year in window])), float(max(sides))


@pytest.mark.parametrize("width", WINDOWS)
@pytest.mark.parametrize("years", [12, 60, 150])
def test_the_sliding_window_agrees_with_the_plain_loop(width, years):
    rate = np.random.default_rng(years).gamma(0.7, size=(3, years))
    rate[1] = 1.0  # ties
    inside, background = inside_and_background(rate, width)
    for draw in range(3):
        slow = np.array([slow_background(rate[draw], centre, width) for centre in range(years)])
        np.testing.assert_allclose(inside[draw], slow[:, 0], rtol=1e-12)
        np.testing.assert_allclose(background[draw], slow[:, 1], rtol=1e-12)


def test_the_steady_shape_is_seedlings_and_nothing_else():
    age = SEASON - YEARS
    steady = 0.3 * (1 + 50 * np.exp(-age / 3))
    level = np.exp(np.random.default_rng(2).normal(size=(200, 1)))
    shape = steady_shape(steady * level)
    assert shape[age > 40].max() == 1
    assert shape[-1] == pytest.approx(51, rel=1e-4)


def test_the_smallest_telling_rate_is_one_stem_in_twenty_years_of_the_sample(posterior):
    rate = smallest_telling_rate(posterior, 0)
    assert rate[0] == pytest.approx(1 / (20 * 0.8))
    assert rate[-1] > 10 * rate[0]  # the youngest are seen in the seedling subplot only
    assert (smallest_telling_rate(posterior, 2) == 1 / 20).all()


def test_four_units_are_scanned_in_about_a_second():
    rate = np.random.default_rng(3).gamma(1.0, size=(1000, 350))
    inside_and_background(rate[:2], 10)  # compiled before the clock starts
    begun = time.process_time()
    for width in WINDOWS:
        inside_and_background(rate, width)
    assert (
        4 * (time.process_time() - begun) < 3
    )  # three times the time taken where this was written


# pulses


def test_the_burst_is_found_where_it_is(found):
    flat = found[found["stand"] == "Fern Flat"]
    assert len(flat) == 1
    pulse = flat.iloc[0]
    assert abs(pulse["start_median"] - BURST[0]) <= 1 and abs(pulse["end_median"] - BURST[1]) <= 1
    assert BURST[0] <= pulse["centre_median"] <= BURST[1]
    assert pulse["probability"] > 0.99
    assert pulse["start_low"] <= pulse["start_median"] <= pulse["start_high"]
    assert pulse["plots_with_it"] == 4 and 0.25 <= pulse["largest_plot_share"] < 0.6


def test_the_excess_is_the_burst_above_its_background(posterior, found):
    pulse = found[found["stand"] == "Fern Flat"].iloc[0]
    inside = (BURST[0] <= YEARS) & (BURST[1] >= YEARS)
    age = SEASON - YEARS
    truth = (3.0 * np.exp(-age / 110))[inside].sum()
    assert pulse["stems_per_ha_low"] < truth < pulse["stems_per_ha_high"]


def test_what_a_centre_shares_with_the_delays_is_told():
    """Centres that move with both delays and with as much of their own: half of the variance is
    shared. Delays of one mass a draw.
    """
    rng = np.random.default_rng(3)
    grass, growth = rng.integers(3, 12, (2, 4000))
    own = rng.normal(0, np.hypot(grass.std(), growth.std()), 4000)
    delays = {
        "grass": np.eye(13)[grass],
        "height": np.eye(13)[growth],
        "breast_height": np.eye(13)[grass],
    }
    kept, there = np.arange(4000), np.ones(4000, dtype=bool)
    assert _part_of_delays(1930.0 - grass - growth + own, delays, kept, there) == pytest.approx(
        0.5, abs=0.05
    )  # standard error 0.011
    assert _part_of_delays(1930.0 - grass - growth, delays, kept, there) == pytest.approx(1)
    assert _part_of_delays(1930.0 - grass, {"height": delays["height"]}, kept, there) < 0.01
    assert np.isnan(_part_of_delays(np.full(4000, 1930.0), delays, kept, there))
    for few, too_few in ((49, True), (50, False)):
        assert (
            np.isnan(_part_of_delays(1930.0 - grass, delays, kept, np.arange(4000) < few))
            == too_few
        )


def test_a_burst_that_moves_with_the_grass_stage_shares_its_centre(posterior):
    rng = np.random.default_rng(4)
    first, *others = (one.living for one in posterior.by_unit)
    shift = rng.integers(-2, 3, len(first))
    rolled = np.stack([np.roll(rate, -by) for rate, by in zip(first, shift, strict=True)])
    delays = []
    for number, one in enumerate(posterior.by_unit):
        seasons = 6 + (shift if number == 0 else rng.integers(-2, 3, len(shift)))
        delays.append({**one.delays, "grass": np.eye(12)[seasons]})
    moved = changed(posterior, living=[rolled, *others], delays=delays)
    parts = with_limits(moved, limit_table()[:0]).pulses.set_index("stand")["shared_part_of_centre"]
    before = with_limits(posterior, limit_table()[:0]).pulses.set_index("stand")[
        "shared_part_of_centre"
    ]
    assert parts["Fern Flat"] > 0.8 and before["Fern Flat"] < 0.1


def test_steady_recruitment_has_no_pulse(found):
    assert "Stony Ridge" not in found["stand"].tolist()


def test_the_prior_alone_never_reports(posterior):
    empty = changed(posterior, living=[one.prior_living for one in posterior.by_unit])
    assert Findings(empty).pulses.empty
    assert list(Findings(empty).pulses) == list(Findings(posterior).pulses)


def test_a_ratio_that_the_prior_held_already_is_not_supported(posterior):
    table = Findings(fake_posterior()).rate
    in_burst = table[(table["stand"] == "Fern Flat") & table["year"].between(1933, 1936)]
    assert (in_burst["supported"] == "yes").all() and (in_burst["pulse_score"] > 0.99).all()
    quiet = table[(table["stand"] == "Fern Flat") & table["year"].between(1850, 1900)]
    assert (quiet["supported"] == "no").all()


def burst_posterior(
    bursts: list[tuple[int, int]], *, height: float = 12.0, between: float = 1.0, draws: int = 200
):
    """One unit without plots with rectangular bursts, smoothed as a process with knots would;
    `between`: height in between.
    """
    posterior = fake_posterior(draws=draws)
    rng = np.random.default_rng(7)
    rate = np.full(len(YEARS), 0.3)
    rate[(bursts[0][0] <= YEARS) & (bursts[-1][1] >= YEARS)] *= between
    height /= between
    for first, last in bursts:
        rate[(first <= YEARS) & (last >= YEARS)] *= height
    smooth = running_mean(rate[None], 5)[0]
    living = smooth * np.exp(rng.normal(0, 0.15, (draws, 1)))
    # every stem is cored and dated to the year, as many in a year as the rate has it
    at = YEARS[np.searchsorted(np.cumsum(smooth), np.arange(0.5, smooth.sum()))]
    like = posterior.trees[posterior.trees["unit"] == 2].iloc[[0] * len(at)].reset_index(drop=True)
    stems = {
        "trees": like.assign(unit=0),
        "year_at_core": np.tile(at, (draws, 1)),
        "establishment_year": np.tile(at, (draws, 1)),
    }
    own = {
        "units": posterior.units[2:],
        "living": [living],
        "prior_living": [posterior.unit(2).prior_living],
        **stems,
    }
    return changed(posterior, **own)


def starts_of(posterior) -> list[tuple[int, int]]:
    scan = scan_unit(posterior, 0)
    bursts = find_bursts(scan, ReportingLimit(0.95, "assumed"))
    return sorted(
        (int(YEARS[int(np.median(burst.start))]), int(YEARS[int(np.median(burst.end))]))
        for burst in bursts
    )


@pytest.mark.parametrize(
    "bursts",
    [
        [(1900, 1904)],
        [(1900, 1911)],
        [(1890, 1914)],
        [(1880, 1889), (1905, 1912)],
        [(1850, 1856), (1950, 1970)],
    ],
)
def test_bursts_are_told_apart_with_their_edges(bursts):
    found = starts_of(burst_posterior(bursts))
    assert len(found) == len(bursts)
    np.testing.assert_allclose(
        found, bursts, atol=1
    )  # a burst no longer than the smoothing widens by a year at each edge


@pytest.mark.parametrize("between", [1.0, 3.2, 4.0])
def test_two_reported_pulses_share_no_year(between):
    """Between close bursts the rate need not come down to the background: the older one's edges ran
    on through the younger.
    """
    scan = scan_unit(burst_posterior([(1880, 1889), (1905, 1912)], between=between), 0)
    older, younger = sorted(
        find_bursts(scan, ReportingLimit(0.95, "assumed")), key=lambda burst: burst.start.mean()
    )
    assert older.end.max() < younger.start.min()
    assert (
        np.abs(YEARS[older.start] - 1880).max() <= 2
        and np.abs(YEARS[younger.end] - 1912).max() <= 2
    )
    assert (YEARS[older.end] >= 1888).all() and (YEARS[younger.start] <= 1906).all()


def test_one_burst_with_a_shoulder_is_one():
    assert len(starts_of(burst_posterior([(1900, 1909), (1903, 1905)], height=4.0))) == 1


def test_a_burst_of_less_than_half_as_many_again_is_none():
    assert starts_of(burst_posterior([(1900, 1909)], height=1.4)) == []


@pytest.mark.parametrize("later", [1.0, 2.0, 6.0])
def test_a_beginning_and_a_rise_are_no_pulse(later):
    """Nothing before 1900; from then on as many every year, or more and more."""
    posterior = burst_posterior([(1900, 2020)])
    rising = posterior.unit(0).living * np.where(YEARS < 1900, 1.0, later ** ((YEARS - 1900) / 120))
    assert starts_of(changed(posterior, living=[rising])) == []


def test_a_burst_is_none_while_the_years_after_it_are_not_known():
    assert starts_of(burst_posterior([(2012, 2016)])) == []
    assert len(starts_of(burst_posterior([(2000, 2004)]))) == 1


def test_a_burst_of_few_dated_stems_is_none():
    """Two stems where the background has a tenth of one would be chance; five are not."""
    posterior = burst_posterior([(1900, 1904)])
    inside = np.flatnonzero(
        (posterior.year_at_core[0] >= 1898) & (posterior.year_at_core[0] <= 1906)
    )
    for stems, told in ((2, 0), (6, 1)):
        kept = np.concatenate(
            [np.setdiff1d(np.arange(posterior.year_at_core.shape[1]), inside), inside[:stems]]
        )
        few = {
            name: getattr(posterior, name)[:, kept]
            for name in ("year_at_core", "establishment_year")
        }
        thinned = changed(posterior, **few, trees=posterior.trees.iloc[kept])
        assert len(starts_of(thinned)) == told


def test_stems_whose_core_ended_anywhere_or_that_have_none_date_no_burst():
    posterior = burst_posterior([(1900, 1904)])
    by_size = changed(posterior, trees=posterior.trees.assign(cored=False))
    assert starts_of(by_size) == [] and len(starts_of(posterior)) == 1
    cores = posterior.survey.cores.assign(centre="rotten", core_length_mm=np.nan)
    assert starts_of(with_tables(posterior, cores=cores)) == []


@pytest.mark.parametrize(
    ("held", "ratio", "errors"),
    [(0, 3.0, 0.0), (9, 1.0, 0.0), (16, 4.0, 2 * (16.375**0.5 - 4.375**0.5))],
)
def test_an_excess_is_counted_in_standard_errors(held, ratio, errors):
    assert excess_in_errors(np.array(float(held)), np.array(ratio)) == pytest.approx(errors)


def test_the_root_of_a_count_has_unit_variance():
    """Anscombe 1948: 2 sqrt(count + 3/8) of Poisson counts; within 3 % from a mean of 4 on."""
    for mean in (4.0, 10.0, 40.0):
        root = 2 * np.sqrt(np.random.default_rng(1).poisson(mean, 400_000) + 0.375)
        assert root.std() == pytest.approx(1, abs=0.03)


def test_stems_are_counted_in_windows_by_draw():
    stems = np.array([[1.0, 0, 2, 0, 1, 1], [0, 0, 0, 3, 0, 0]])
    np.testing.assert_array_equal(held_in_windows(stems, 5)[:, 2], [4, 3])
    np.testing.assert_array_equal(
        held_in_windows(stems, 2)[0], [1, 1, 2, 2, 1, 2]
    )  # the year before and the year


def test_a_seedling_crop_is_no_pulse_until_some_have_grown_up():
    posterior = burst_posterior([(2000, 2006)])
    posterior = changed(posterior, units=[replace(posterior.units[0], basis="establishment")])
    age = SEASON - YEARS
    posterior.survey.counts["area_m2"] = 1e6
    for years_to_grow_up, found in ((20, 0), (3, 1)):
        past = np.broadcast_to((age >= years_to_grow_up) * 1.0, posterior.unit(0).living.shape)
        assert len(starts_of(changed(posterior, past_emerging=[past]))) == found


# the reporting limit


def simulated(limit: float) -> pd.DataFrame:
    return pd.DataFrame(
        [(limit, 99, 40, 240)], columns=["limit", "simulated_surveys", "fewest_stems", "most_stems"]
    )


def test_the_packaged_limit_was_simulated():
    (row,) = limit_table().to_dict("records")
    assert list(row) == list(simulated(0.6)) and row["simulated_surveys"] >= 300
    assert LEAST_LIMIT <= row["limit"] <= ASSUMED_LIMIT


def test_without_simulations_the_limit_is_assumed_and_says_so():
    assert reporting_limit(100, simulated(0.6)[:0]) == ReportingLimit(ASSUMED_LIMIT, "assumed")


def test_a_survey_far_from_those_simulated_is_said_to_be_assumed(posterior):
    for stems in (40, 240):
        assert reporting_limit(stems, simulated(0.6)) == ReportingLimit(0.6, "simulated")
    for stems in (39, 241):
        assert reporting_limit(stems, simulated(0.6)) == ReportingLimit(ASSUMED_LIMIT, "assumed")
        assert reporting_limit(stems, simulated(0.97)) == ReportingLimit(0.97, "assumed")
    without_plots = next(
        number for number, unit in enumerate(posterior.units) if not unit.has_plots
    )
    assert unit_limit(posterior, without_plots, simulated(0.6)) == ReportingLimit(
        ASSUMED_LIMIT, "assumed"
    )


def test_a_limit_nothing_reaches_reports_nothing(posterior):
    assert with_limits(posterior, simulated(1.01)).pulses.empty


def test_the_best_score_decides_whether_anything_is_reported(posterior, scans):
    assert best_score(scans[0]) == 1.0
    best = best_score(scans[2])
    assert best < 0.95
    assert (
        with_limits(posterior, simulated(best + 0.001)).pulses.query("stand == 'Stony Ridge'").empty
    )


# the summary table


def test_the_summary_of_the_old_field_is_even_aged(posterior):
    table = Findings(posterior).stand_summary.set_index("stand")
    assert table.loc["Old Field", "share_in_20_years_median"] > 0.8
    assert table.loc["Fern Flat", "share_in_20_years_median"] < 0.6
    assert abs(table.loc["Old Field", "half_span_first"] - 1959) <= 2


def test_shares_over_an_age_are_counted_from_the_last_completed_season():
    posterior = full_census(fake_posterior(draws=2))
    # 61 seasons completed in 2019; 60: not over 60
    posterior.establishment_year[:, :60] = np.repeat([1959, 1960], [45, 15])
    row = Findings(posterior).stand_summary.iloc[0]
    assert row["share_over_60_years_median"] == 0.75
    assert (row["half_span_first"], row["half_span_last"]) == (1959, 1959)
    assert (row["span_80_first"], row["span_80_last"]) == (1959, 1960)
    assert (row["middle_span_first_median"], row["middle_span_last_median"]) == (1959, 1960)
    assert row["stems_per_ha_low"] == row["stems_per_ha_high"] == 75


def test_the_summary_tells_what_it_rests_on(posterior):
    row = Findings(posterior).stand_summary.iloc[0]
    assert (
        row["cores"]
        == 20
        == sum(
            row[f"cores_{centre}"] for centre in ("pith", "arcs", "straight", "rotten", "unknown")
        )
    )
    assert (
        row["attempts_failed"] == 1 and row["placement"] == "random" and row["listed_stems"] == 60
    )
    assert Findings(posterior).stand_summary["placement"].iloc[2] == "no plots"


def test_a_stand_where_nothing_is_dated_has_blanks():
    posterior = fake_posterior(draws=3)
    posterior.establishment_year[:] = -1
    posterior.year_at_core[:] = -1
    row = Findings(posterior).stand_summary.iloc[0]
    assert pd.isna(row["oldest_cored_year_median"]) and row["oldest_cored_tree"] == ""
    assert Findings(posterior).tree_dates["establishment_year_median"].isna().all()


# tables behind pictures


def test_model_tables(posterior):
    delay = Findings(posterior).delays
    assert set(delay["delay"]) == {"grass", "height"} and "Stony Ridge" not in set(delay["stand"])
    curve = Findings(posterior).size_curves
    flat = curve[curve["stand"] == "Fern Flat"]
    mean = sum(
        float(np.mean(posterior.unit(0).delays[stage] @ np.arange(length)))
        for stage, length in (("grass", 31), ("height", 41))
    )
    assert flat["years_to_breast_height"].iloc[0] == pytest.approx(mean)
    check = Findings(posterior).diameter_check
    assert check.groupby("stand")["observed"].sum()["Fern Flat"] == 60 and "Stony Ridge" not in set(
        check["stand"]
    )
    assert (
        Findings(posterior).count_check["stage"].tolist()
        == ["germinant", "grass", "emerging", "sapling"] * 2
    )
