"""The tables of the study of pulses on made-up rows, and its aids: surveys with known pulses, the
oracle, the plain process.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from studies import pulse_departures
from studies.pulse_departures import _straightened, jobs, shares
from studies.pulse_oracle import (
    BREAST_HEIGHT_CM,
    growth_pmf,
    oracle_statistic,
    stem_likelihoods,
    window_log_ratios,
)
from studies.pulse_surveys import known_survey, survey_with_stems
from studies.pulse_tables import (
    centre_table,
    conservative_quantile,
    cut_table,
    departure_table,
    false_pulse_table,
    limit_row,
    markdown,
    power_table,
    score_table,
    told_apart,
)
from studies.pulses import limit_jobs, power_jobs, verify_jobs

import standage.stand.fit as fit_module
from standage import read_survey
from standage.findings.pulse_limit import LEAST_LIMIT
from standage.simulate.plants import grow
from standage.stand.build import build_stands

# limits


def test_a_new_value_passes_the_conservative_quantile_no_more_often_than_said():
    rng = np.random.default_rng(1)
    passed = [rng.random() > conservative_quantile(rng.random(79)) for _ in range(20_000)]
    assert np.mean(passed) == pytest.approx(0.025, abs=0.004)


def test_too_few_values_give_the_largest():
    assert conservative_quantile(np.arange(38.0)) == 37.0
    assert conservative_quantile(np.arange(39.0)) == 38.0
    assert conservative_quantile(np.arange(79.0)) == 77.0


def test_the_limit_is_never_rounded_down_and_never_less_likely_than_not():
    rows = pd.DataFrame(
        {
            "listed_stems": np.linspace(40, 240, 100),
            "best_score": [0.1] * 48 + [0.62345] * 50 + [0.9] * 2,
        }
    )
    (row,) = limit_row(rows).to_dict("records")
    assert row == {"limit": 0.9, "simulated_surveys": 100, "fewest_stems": 40, "most_stems": 240}
    rows.loc[98:, "best_score"] = 0.1
    assert limit_row(rows)["limit"].item() == 0.624
    assert limit_row(rows.assign(best_score=0.2))["limit"].item() == LEAST_LIMIT
    table = score_table(rows)
    assert table["surveys"].tolist() == [34, 33, 33] and table["point_97.5"].tolist() == [
        0.1,
        0.62345,
        0.62345,
    ]


# false pulses


LIMITS = pd.DataFrame(
    [(0.8, 99, 60, 300)], columns=["limit", "simulated_surveys", "fewest_stems", "most_stems"]
)


def fresh(kind: str, scores: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"kind": kind, "listed_stems": 100, "best_score": scores})


@pytest.mark.parametrize(("false", "holds"), [(12, True), (13, False)])
def test_twelve_false_pulses_in_400_are_allowed_and_thirteen_are_not(false, holds):
    table = false_pulse_table(fresh("null", [0.8] * false + [0.79] * (400 - false)), LIMITS).iloc[0]
    assert table["false_pulses"] == false and table["allowed"] == 12 and table["holds"] == holds
    assert table["standard_error"] == pytest.approx(np.sqrt(0.03 * 0.97 / 400), rel=0.07)


def test_clumped_plots_are_counted_apart():
    table = false_pulse_table(
        pd.concat([fresh("null", [0.1] * 40), fresh("clumped plots", [0.9] * 5 + [0.2] * 45)]),
        LIMITS,
    )
    assert (
        table["kind"].tolist() == ["null", "clumped plots"]
        and table["holds"].all()
        and table["false_pulses"].tolist() == [0, 5]
    )


def test_pulses_that_cuts_leave_are_counted():
    rows = pd.concat([fresh("cut", [0.9] * 7 + [0.1]), fresh("null", [0.9] * 2)])
    assert cut_table(rows, LIMITS).to_dict("records") == [
        {"kind": "cut", "surveys": 8, "with_pulse": 7}
    ]


# power


def pulse(start: int, end: int, low: int = 0, high: int = 0) -> dict:
    return {
        "start_median": start,
        "end_median": end,
        "centre_low": low,
        "centre_median": (low + high) / 2,
        "centre_high": high,
    }


def test_every_true_pulse_needs_a_reported_one_to_itself():
    pair = [[1900, 1909], [1935, 1944]]
    assert told_apart(pair, [pulse(1940, 1946), pulse(1898, 1905)])
    assert not told_apart(pair, [pulse(1895, 1950)])
    assert not told_apart(pair, [pulse(1898, 1905), pulse(1906, 1912)])
    assert told_apart(
        pair, [pulse(1898, 1940), pulse(1903, 1908)]
    )  # the wide one is the second's, the narrow one the first's


def power_rows(told: int, surveys: int, oracle: list[float]) -> pd.DataFrame:
    reported = [[pulse(1900, 1908, 1901, 1907)]] * told + [[pulse(1850, 1860)]] * (surveys - told)
    return pd.DataFrame(
        {
            "scenario": "20 cored",
            "true_pulses": [[[1900, 1909]]] * surveys,
            "reported_pulses": reported,
            "oracle": oracle,
        }
    )


@pytest.mark.parametrize(
    ("told", "oracle_told", "holds"),
    [(18, 19, True), (17, 17, False), (18, 20, True), (18, 20.5, True), (17, 20, False)],
)
def test_power_is_held_to_what_is_asked_and_to_the_best_possible(told, oracle_told, holds):
    nulls = pd.DataFrame({"scenario": "20 cored", "oracle": np.linspace(-2, 1, 60)})
    rows = power_rows(told, 20, [2.0] * int(oracle_told) + [0.0] * (20 - int(oracle_told)))
    row = power_table(rows, nulls).iloc[0]
    assert (
        row["told"] == told / 20
        and row["best_possible"] == int(oracle_told) / 20
        and row["false_beside"] == (20 - told) / 20
    )
    assert row["holds"] == holds


def test_the_oracle_alone_can_make_power_fail():
    nulls = pd.DataFrame({"scenario": "12 cored", "oracle": np.linspace(-2, 1, 60)})
    rows = power_rows(10, 20, [2.0] * 13 + [0.0] * 7).assign(scenario="12 cored")
    assert not power_table(rows, nulls)["holds"].any()
    assert power_table(rows.assign(oracle=[2.0] * 11 + [0.0] * 9), nulls)["holds"].all()


def test_centres_are_counted_where_one_pulse_meets_one():
    rows = pd.DataFrame(
        {
            "scenario": "35 years apart",
            "true_pulses": [[[1900, 1909], [1935, 1944]]] * 3,
            "reported_pulses": [
                [
                    pulse(1900, 1909, 1903, 1904),
                    pulse(1936, 1940, 1930, 1936),
                ],  # held by the half year; missed
                [pulse(1890, 1950, 1904, 1905)],  # one over both says nothing of either
                [
                    pulse(1900, 1903, 1904, 1905),
                    pulse(1906, 1909, 1904, 1905),
                ],  # one in two parts neither
            ],
        }
    )
    table = centre_table(rows).set_index("scenario")
    assert (
        table.loc["all", "pulses"] == 2
        and table.loc["all", "covered"] == 0.5
        and not table.loc["all", "holds"]
    )


def test_flattening_shows_as_a_negative_bias():
    flat = [{"window": "10 years", "truth": 0.3, "low": 0.1, "median": 0.15, "high": 0.25}]
    true = [{"window": "10 years", "truth": 0.3, "low": 0.2, "median": 0.3, "high": 0.4}]
    rows = pd.DataFrame(
        {
            "process": ["plain"] * 4 + ["package"] * 4,
            "pulse_years": 4,
            "windows": [flat] * 4 + [true] * 4,
        }
    )
    table = departure_table(rows).set_index("process")
    assert (
        table.loc["plain", "log_bias"] == pytest.approx(np.log(0.5))
        and table.loc["plain", "covered"] == 0
    )
    assert (
        table.loc["package", "log_bias"] == pytest.approx(0)
        and table.loc["package", "covered"] == 1
    )


@pytest.mark.slow
def test_the_plain_process_is_fitted_and_put_away_again(monkeypatch):
    monkeypatch.setattr(
        pulse_departures, "SHORT_FIT", {"chains": 2, "cores": 1, "tune": 30, "draws": 30}
    )
    job = next(job for job in jobs("plain", 1) if job["pulse_years"] == 10) | {"stems": 40}
    before = fit_module.sample
    windows = pulse_departures.work(job)["windows"]
    assert [row["window"] for row in windows] == ["10 years", "20 years", "quiet 20 years"]
    assert all(
        0 <= row["low"] <= row["median"] <= row["high"] <= 1 and 0 < row["truth"] < 1
        for row in windows
    )
    assert fit_module.sample is before


def test_a_table_as_markdown():
    table = pd.DataFrame({"kind": ["null"], "share": [0.25], "needed": [None], "holds": [False]})
    assert markdown(table).splitlines() == [
        "| kind | share | needed | holds |",
        "|---|---|---|---|",
        "| null | 0.25 |  | NO |",
    ]


# jobs and aids


def test_jobs_are_all_different_and_seeds_are_not_shared_between_steps():
    steps = [limit_jobs(12), verify_jobs(80), power_jobs(4)]
    for listed in steps:
        assert len({repr(job) for job in listed}) == len(listed)
    seeds = [{job["seed"] for job in listed} for listed in steps]
    assert not (seeds[0] & seeds[1] or seeds[1] & seeds[2] or seeds[0] & seeds[2])
    designs = {(job["stems"], job["share_cored"]) for job in steps[1]}
    assert len(designs) > 80 and all(
        60 <= stems <= 300 and 0.15 <= share <= 0.7 for stems, share in designs
    )


@pytest.fixture(scope="module")
def known():
    job = {
        "seed": 3,
        "species": "longleaf-pine",
        "share_cored": 0.5,
        "living_in_pulse": 40,
        "pulses": [[1915, 1924, 5.0]],
    }
    return survey_with_stems(job, cored=20, living=40)


@pytest.mark.slow
def test_the_pulse_holds_the_stems_asked_for_and_five_times_the_background(known):
    listed, cored = known.stems_in(1915, 1924)
    assert 18 <= cored <= 22 and 34 <= listed <= 46
    rate = pd.Series(
        known.history.before_cuts_per_ha() / known.quiet_per_ha, index=known.history.years
    )
    assert rate.loc[1915:1924].to_numpy() == pytest.approx(5) and rate.drop(
        range(1915, 1925)
    ).to_numpy() == pytest.approx(1)


def test_a_null_has_the_background_and_the_cores_of_its_scenario(known):
    job = {
        "seed": 3,
        "species": "longleaf-pine",
        "share_cored": 0.5,
        "living_in_pulse": 40,
        "pulses": [[1915, 1924, 5.0]],
    }
    null = known_survey(job | {"pulses_left_out": True})
    with_it = known_survey(job)
    np.testing.assert_allclose(null.history.background_per_ha, with_it.quiet_per_ha)
    assert null.history.design.cores == with_it.history.design.cores


@pytest.fixture(scope="module")
def built(known, tmp_path_factory):
    return build_stands(read_survey(known.simulated.write(tmp_path_factory.mktemp("known"))))


@pytest.mark.slow
def test_the_oracle_dates_stems_without_bias(known, built):
    likelihoods = stem_likelihoods(known, built)
    years = built.data.years[: likelihoods.shape[1]]
    rate = np.interp(years, known.history.years, known.history.background_per_ha)
    chance = likelihoods * rate / (likelihoods @ rate)[:, None]
    stems = [stem for stem in built.stems if stem.in_process and not stem.left_out_reason]
    true = known.simulated.truth["trees"].set_index("tree")["establishment_year"].astype(float)
    rank = [(chance[k] * (years < true[stem.tree])).sum() for k, stem in enumerate(stems)]
    # stems share a reader's bias and early growth, which the oracle does not know: ranks of one
    # survey stray together
    assert np.mean(rank) == pytest.approx(0.5, abs=0.15)
    assert np.std(rank) == pytest.approx(12**-0.5, abs=0.06)


def test_the_oracle_finds_the_pulse_where_it_is(known, built):
    ratios = window_log_ratios(known, built, times=5.0, length=10)
    assert abs(built.data.first_year + int(ratios.argmax()) - 1915) <= 6
    assert oracle_statistic(known, built) > 2
    # one times the background is no pulse at all
    np.testing.assert_allclose(window_log_ratios(known, built, times=1.0, length=10), 0, atol=1e-12)


@pytest.mark.parametrize("dispersion", [0.4, 1.0, 2.5])
def test_the_oracle_knows_the_law_of_height_growth_however_narrow(known, dispersion):
    """Mean and spread of 4,000 simulated plants at breast height, to five standard errors."""
    life = dataclasses.replace(known.history.life, height_dispersion=dispersion)
    chances = growth_pmf(
        dataclasses.replace(known, history=dataclasses.replace(known.history, life=life)),
        float(life.mean_seasons_to(BREAST_HEIGHT_CM)),
    )
    years = np.array([1900])
    plants = grow(np.random.default_rng(3), life, years, np.array([4000.0]))
    passed = plants.years_below(BREAST_HEIGHT_CM) - plants.grass_years
    seasons = np.arange(len(chances))
    mean = chances @ seasons
    assert chances.sum() == pytest.approx(1, abs=0.01)
    assert passed.mean() == pytest.approx(mean, abs=5 * np.sqrt(dispersion * mean / len(plants)))
    assert passed.var() == pytest.approx(chances @ seasons**2 - mean**2, rel=0.15)


def of_mean_one(living):
    """Logs of (draw, year), each draw's less their mean: the level makes up for the rest."""
    log_rate = np.log(living)
    return log_rate - log_rate.mean(axis=1, keepdims=True)


def test_the_plain_process_is_a_straight_line_of_the_log_rate(built):
    from standage.stand.parameters import layout
    from standage.stand.states import unit_state

    shift, factor = _straightened(built.data)
    places = layout(built.data)
    start, size = places.unit_offsets[0]["pulse_knots"], places.unit_sizes[0]["pulse_knots"]
    z = np.zeros((3, places.size))
    z[1, start : start + size] = np.random.default_rng(1).normal(size=size)
    z[2] = 3 * z[1]
    none, once, thrice = of_mean_one(unit_state(shift + factor * z, built.data, 0).living)
    np.testing.assert_allclose(thrice - none, 3 * (once - none), atol=0.02)
    assert np.ptp(once - none) > 1
    none, once, thrice = of_mean_one(unit_state(z, built.data, 0).living)  # the package's own not
    assert np.abs(thrice - none - 3 * (once - none)).max() > 0.5


def test_shares_of_a_posterior_that_knows_the_truth(known):
    from types import SimpleNamespace

    rate = known.history.before_cuts_per_ha()
    unit = SimpleNamespace(living=np.tile(rate, (5, 1)) * np.arange(1, 6)[:, None])
    sure = SimpleNamespace(unit=[unit].__getitem__, years=known.history.years)
    told = shares(sure, known, (1915, 1924))
    assert told["low"] == pytest.approx(told["truth"]) and told["high"] == pytest.approx(
        told["truth"]
    )
    assert [job["seed"] for job in jobs("package", 3)] == [job["seed"] for job in jobs("plain", 3)]
