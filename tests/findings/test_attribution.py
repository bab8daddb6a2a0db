"""Pulses and events: lags, chance, explanations, recurrence, and where a pulse's stems stood when
an event came.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from fake_posterior import changed, fake_posterior, one_unit, with_tables
from first_passage import seasons_cdf, seasons_pmf

from standage.findings import Findings
from standage.findings.attribution import (
    bayes_factor,
    chance_as_close,
    claim_of,
    mostly,
    none_on_record,
)
from standage.findings.event_lags import LONGEST_LAG, SEED_CROP_INTERVAL, usual_lags
from standage.findings.events_on_record import LAG_WINDOW, Event, event_years_by_rings, stand_events
from standage.findings.stages_at_event import (
    StageShares,
    StemHistories,
    stage_shares,
    stem_histories,
)
from standage.profiles import load_profile
from standage.prose.attribution import (
    attribution_columns,
    attribution_words,
    lag_words,
    near_events,
    pulse_sentences,
)
from standage.stand.unit_draws import Unit

POINTS = ("_low", "_median", "_high")


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=200)


@pytest.fixture(scope="module")
def findings(posterior):
    return Findings(posterior)


@pytest.fixture(scope="module")
def table(findings):
    return in_words(findings.attribution)


def attribution(posterior) -> pd.DataFrame:
    return in_words(Findings(posterior).attribution)


def in_words(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(**attribution_columns(table))


def with_events(*rows, draws=100):
    """The invented posterior with other events: (event, stand, kind, first, last, ended)."""
    names = ("event", "stand", "kind", "first_year", "last_year", "ended_year")
    events = pd.DataFrame([dict(zip(names, row, strict=True)) for row in rows], columns=list(names))
    return with_tables(fake_posterior(draws=draws), events=events)


def row_of(table, event, stand="Fern Flat"):
    (row,) = table[(table["stand"] == stand) & (table["event"] == event)].to_dict("records")
    return row


# the table


def test_each_pulse_has_a_row_for_each_event_of_its_stand_and_one_for_none(
    posterior, findings, table
):
    found = findings.pulses
    assert len(found) == 2
    for pulse in found.itertuples():
        events = set(
            posterior.survey.events.loc[
                posterior.survey.events["stand"].isin([pulse.stand, ""]), "event"
            ]
        )
        own = table[(table["stand"] == pulse.stand) & (table["pulse"] == pulse.pulse)]
        assert sorted(own["event"]) == sorted(events | {""})


def test_lags_are_those_of_the_pulse_table(findings, table):
    """The pulse began in 1930 in nearly all draws, and the cut in 1926, 1927 or 1928, each as
    likely: 2 to 4 years, and half as wide again on either side.
    """
    found = findings.pulses.set_index("stand").loc["Fern Flat"]
    assert found["start_low"] == found["start_high"] == 1930
    cut = row_of(table, "cut")
    assert [cut[f"lag_years{point}"] for point in POINTS] == [1, 3, 5]
    assert cut["probability_began_within_5"] > 0.95 and cut["probability_before"] < 0.05
    later = row_of(table, "fires end")
    assert (
        later["lag_years_median"] == -15
        and later["probability_before"] > 0.95
        and later["probability_began_within_20"] < 0.05
    )


def test_probabilities_nest_and_none_on_record_has_the_row_without_event(table):
    told = table[table["event"] != ""]
    within = told[[f"probability_began_within_{span}" for span in (5, 10, 20)]].to_numpy()
    assert (np.diff(within, axis=1) >= 0).all() and (
        within[:, 2] + told["probability_before"] <= 1 + 1e-12
    ).all()
    none = table["probability_none_on_record"]
    assert (
        none[table["event"] == ""].between(0, 1).all() and none[table["event"] != ""].isna().all()
    )
    assert told["chance_as_close"].between(0, 1).all()


def test_periods_and_uncertain_years_are_told_apart(table):
    assert row_of(table, "cut")["timing"] == "uncertain year" and pd.isna(
        row_of(table, "cut")["event_ended_year"]
    )
    fires = row_of(table, "fires end", "Old Field")
    assert fires["timing"] == "period" and fires["event_ended_year"] == 1980
    assert fires["probability_during"] > 0.99 and np.isnan(
        row_of(table, "cut")["probability_during"]
    )
    assert (
        "began in 1945 and ended in 1980" in fires["words"]
        and "one year in 1926-1928" in row_of(table, "cut")["words"]
    )


def test_a_period_is_told_from_its_beginning_and_by_its_reach():
    """A pulse 25 years after turpentining began and five after it ended lies within the ten years
    after it.
    """
    row = {
        "event": "boxing",
        "kind": "turpentining",
        "timing": "period",
        "event_first_year": 1905,
        "event_last_year": 1905,
    }
    row |= {
        "event_ended_year": 1925,
        "lag_years_low": 25,
        "lag_years_median": 25,
        "lag_years_high": 25,
        "probability_before": 0.0,
    }
    row |= {
        "probability_began_within_10": 0.0,
        "probability_in_reach": 1.0,
        "chance_as_close": 0.13,
        "basis": "establishment",
    }
    words = attribution_words(
        row
        | {
            "share_after_median": np.nan,
            "share_waiting_high": np.nan,
            "prior_share_waiting_high": np.nan,
        }
    )
    assert words.startswith(
        "The pulse began 25 years after the beginning of the turpentining that began in 1905 and"
        " ended in 1925; chance alone brings an event so near in 13 of 100 cases; "
    )
    assert (
        "in its years or within 10 after them is virtually certain (more than 99 %)" in words
        and "less than 1 %" not in words
    )


def test_the_same_seed_gives_the_same_table(posterior, table):
    pd.testing.assert_frame_equal(table, attribution(posterior))


def test_without_events_nothing_is_told_and_a_pulse_still_has_its_row():
    found = attribution(with_events())
    assert len(found) == 2 and (found["event"] == "").all()
    assert (
        found["probability_none_on_record"].isna().all()
        and found["words"].str.startswith("No event of this stand is on record").all()
    )


def test_years_of_an_event_that_the_rings_sharpen_are_used(posterior):
    def lags(chances: dict[int, float]) -> tuple[float, float]:
        findings = Findings(posterior)
        findings.event_chances = {("Fern Flat", "cut"): pd.Series(chances)}
        cut = row_of(findings.attribution, "cut")
        return cut["lag_years_low"], cut["lag_years_median"]

    assert lags({1928: 0.97, 1927: 0.03}) == (2, 2)
    assert lags({1700: 1.0})[1] == 3


def test_event_years_by_rings_ask_what_was_likelier_beforehand():
    def told(places, chance):
        events = SimpleNamespace(names=("storm",), chance=lambda name: chance)
        drawn = SimpleNamespace(event_index=np.array(places)[:, None])
        return {"A": SimpleNamespace(years=np.arange(1900, 1910), events=events, drawn=drawn)}

    changes = SimpleNamespace(openings=told([2, 2, 2, 5], 0.8), weakenings=told([7, 7, 7, 7], 0.3))
    assert event_years_by_rings(changes)["A", "storm"].to_dict() == {1902: 0.75, 1905: 0.25}
    changes = SimpleNamespace(openings=told([2, 2, 2, 5], 0.1), weakenings=told([7, 7, 7, 7], 0.3))
    assert event_years_by_rings(changes)["A", "storm"].to_dict() == {1907: 1.0}


# chance, usual lags, none on record


def event(kind, *, opens=False):
    return Event("e", kind, 1900, 1900, np.nan, np.nan, np.nan, opens)


def test_none_on_record_has_the_odds_that_can_be_worked_out_by_hand():
    """One seed crop a year before a pulse, in 110 years: (1/2)(1/2) against (1/2)(1/110) is 55 to
    1. Beside a second event whose usual lags lie elsewhere, half of that.
    """
    lags = usual_lags(event("seed-crop"), None)
    near, far = (lags.density(np.full(50, lag), np.zeros(50)) for lag in (1.0, -5.0))
    assert none_on_record([near], 110) == pytest.approx(1 / 56)
    assert none_on_record([near, far], 110) == pytest.approx(1 / 28.5)
    assert none_on_record([far], 110) == 1.0 and np.isnan(none_on_record([], 110))
    # a period that went on for 4 more years: one of its five years is a year before the pulse,
    # one the same year and one two before
    period = lags.density(np.full(50, 3.0), np.full(50, 4.0))
    assert period == pytest.approx(np.full(50, 1 / 5))


def test_usual_lags_wait_for_a_seed_crop_and_reach_back_by_the_grass_stage():
    bare = usual_lags(event("fire"), None)
    assert bare.first == 0 and bare.chance.sum() == pytest.approx(1)
    at = [
        float(bare.density(np.full(1, lag), np.zeros(1))[0]) for lag in (-1, 0, 6, LONGEST_LAG + 1)
    ]
    assert at[0] == at[3] == 0 and at[1] / at[2] == pytest.approx(math.exp(6 / SEED_CROP_INTERVAL))
    # every plant three seasons in the grass stage: those standing there have waited one, two, three
    grass = np.array([0.0, 0.0, 0.0, 1.0])
    opened = usual_lags(event("logging", opens=True), grass)
    assert opened.first == -3 and opened.chance.sum() == pytest.approx(1)
    assert opened.chance[:3] == pytest.approx([1 / 6] * 3)
    assert usual_lags(event("logging"), grass).first == 0


def test_stated_none_on_record_comes_true_as_often_as_stated():
    """Pulses that begin at a usual lag after one of three openings, or with none, half of the time
    each, their starts known to a few years: 30 % means 30 %.
    """
    rng = np.random.default_rng(11)
    lags = usual_lags(event("storm", opens=True), np.array([0.0, 0.1, 0.2, 0.3, 0.2, 0.1, 0.1]))
    span, true, stated = 200, [], []
    for _ in range(3000):
        events = rng.integers(0, span, 3)
        none = rng.random() < 0.5
        after = lags.first + rng.choice(len(lags.chance), p=lags.chance)
        start = rng.integers(0, span) if none else events[rng.integers(3)] + after
        spread = rng.uniform(0.5, 4)
        draws = np.rint(start + rng.normal(0, spread) + rng.normal(0, spread, 200))
        chances = [lags.density(draws - each, np.zeros(200)) for each in events]
        stated.append(none_on_record(chances, span))
        true.append(none)
    stated, true = np.array(stated), np.array(true)
    for low, high in ((0, 0.2), (0.2, 0.3), (0.3, 0.5), (0.5, 0.8), (0.8, 1.01)):
        inside = (stated >= low) & (stated < high)
        error = np.sqrt(0.25 / inside.sum())
        assert (
            inside.sum() > 100 and abs(true[inside].mean() - stated[inside].mean()) < 3.5 * error
        ), (low, high, inside.sum())


def test_chance_as_close_is_that_of_events_thrown_at_random():
    """Of three events, single years or periods of six more, the share of records in which one lies
    within 4 years of a pulse.
    """
    rng = np.random.default_rng(5)
    years = rng.integers(1900, 2000, (40000, 3))
    for longer, lag in ((0, 4.0), (0, -4.0), (6, 10.0)):
        since = 1950 - years
        away = np.maximum(np.maximum(-since, since - longer), 0)
        stated = chance_as_close(np.full(9, lag), np.full(9, longer), 3, 100)
        assert stated == pytest.approx(np.mean((away <= 4).any(axis=1)), abs=0.01)
    assert chance_as_close(np.zeros(9), np.zeros(9), 1, 100) == pytest.approx(1 / 100)


# recurring events


def events_of(*rows):
    table = pd.DataFrame(rows, columns=["event", "kind", "first_year", "last_year"]).assign(
        stand="", ended_year=np.nan
    )
    return {event.name: event for event in stand_events(SimpleNamespace(events=table), "A")}


def test_three_events_nearer_than_twice_the_lag_window_recur_and_two_do_not():
    every_third = [(f"f{year}", "fire", year, year) for year in range(1950, 1960, 3)]
    events = events_of(
        *every_third,
        ("old fire", "fire", 1900, 1902),
        ("cut", "logging", 1951, 1951),
        ("cut 2", "logging", 1958, 1958),
    )
    assert {name for name, event in events.items() if event.recurring} == {
        "f1950",
        "f1953",
        "f1956",
        "f1959",
    }
    for apart, recurring in ((2 * LAG_WINDOW, False), (2 * LAG_WINDOW - 1, True)):
        storms = events_of(
            *[(f"{k}", "storm", 1900 + apart * k, 1900 + apart * k) for k in range(4)]
        )
        assert [event.recurring for event in storms.values()] == [recurring] * 4


def test_recurring_events_are_refused_in_words_and_leave_the_others_alone():
    fires = [
        (f"fire {year}", "Fern Flat", "fire", year, year, np.nan) for year in range(1921, 1940, 3)
    ]
    cut = ("cut", "Fern Flat", "logging", 1926.0, 1928.0, np.nan)
    found = attribution(with_events(*fires, cut))
    refused = found[found["kind"] == "fire"]
    assert len(refused) == 7
    assert (
        refused[
            [
                "lag_years_median",
                "probability_began_within_10",
                "chance_as_close",
                "bayes_factor",
            ]
        ]
        .isna()
        .all(axis=None)
    )
    assert (
        refused["words"].str.contains("can't be tied").all()
        and refused["words"].str.contains("fires less than 20 years apart").all()
    )
    alone = attribution(with_events(cut))
    for event, name in (("cut", "chance_as_close"), ("", "probability_none_on_record")):
        assert row_of(found, event)[name] == pytest.approx(row_of(alone, event)[name], abs=0.01)
    said = pulse_sentences(found[found["stand"] == "Fern Flat"].to_dict("records"), "the pulse")
    assert (
        said[0].startswith("The pulse began")
        and "logging" in said[0]
        and "fires less than 20 years apart" in said[-1]
    )


def test_where_all_events_recur_no_probability_is_given():
    fires = [(f"fire {year}", "", "fire", year, year, np.nan) for year in range(1921, 1940, 3)]
    found = attribution(with_events(*fires))
    assert found["probability_none_on_record"].isna().all()
    said = pulse_sentences(found[found["stand"] == "Fern Flat"].to_dict("records"), "the pulse")
    assert said[0].startswith("No event on record can be tied to the pulse")


# where the stems stood


def test_stages_at_an_event_by_hand():
    """Event in 1920: germinated then or later, without a stem, with one, past breast height; the
    last is outside the pulse.
    """
    histories = StemHistories(
        established=np.array([[1920.0, 1915, 1915, 1900, 1919, np.nan]]),
        emerged=np.array([[1925.0, 1921, 1920, 1905, 1930, np.nan]]),
        breast_height=np.array([[1930.0, 1926, 1921, 1920, 1936, np.nan]]),
    )
    inside = np.array([[True, True, True, True, False, True]])
    shares = stage_shares(histories, np.array([2.0, 1, 1, 1, 1, 1]), inside, np.array([1920.0]))
    assert (shares.after[0], shares.waiting[0], shares.emerging[0]) == (2 / 5, 1 / 5, 1 / 5)
    assert np.isnan(
        stage_shares(histories, np.ones(6), np.zeros((1, 6), bool), np.array([1920.0])).waiting[0]
    )


def one_stem(*, cored, years_to_core, grass, height, draws=20000):
    """A posterior of one stem established in 1900, with certain delays given as pmfs."""
    trees = pd.DataFrame(
        [
            {
                "unit": 0,
                "status": "live",
                "in_process": True,
                "cored": cored,
                "coring_height_cm": 40.0 if cored else np.nan,
                "plot": "",
                "dbh_cm": 20.0,
            }
        ]
    )
    delays = {"grass": np.tile(grass, (draws, 1)), "height": np.tile(height, (draws, 1))}
    delays["breast_height"] = delays["height"]
    return one_unit(
        Unit("A", "longleaf-pine", "establishment", False, 1900 + years_to_core, math.nan),
        years=np.arange(1850, 1950),
        trees=trees,
        delays=delays,
        establishment_year=np.full((draws, 1), 1900),
        year_at_core=np.full((draws, 1), 1900 + years_to_core if cored else -1),
    )


def height_growth(mean, dispersion):
    return seasons_pmf(np.arange(200), mean, dispersion)


@pytest.mark.parametrize("cored", [True, False])
def test_the_grass_stage_of_a_stem_has_its_exact_conditional(cored):
    """Against the closed form: P(g) P(B = d - g) for a core, P(g) P(B <= d - g) for a stem listed d
    seasons later.
    """
    from standage.evidence.delays import height_share

    profile = load_profile("longleaf-pine")
    dispersion, mean, d = 0.9, 3.0, 9
    grass = np.array([0, 0.1, 0.2, 0.3, 0.2, 0.1, 0.05, 0.03, 0.02])
    posterior = one_stem(
        cored=cored, years_to_core=d, grass=grass, height=height_growth(mean, dispersion)
    )
    kept = np.arange(len(posterior.establishment_year))
    _, told, _ = stem_histories(posterior, 0, kept, profile, np.random.default_rng(3))
    g = np.arange(len(grass))
    share = height_share(profile, 40.0)
    growth = (
        seasons_pmf(d - g, mean * share, dispersion)
        if cored
        else seasons_cdf(d - g, mean, dispersion)
    )
    expected = grass * growth / (grass * growth).sum()
    drawn = np.bincount((told.emerged[:, 0] - 1900).astype(int), minlength=len(g)) / len(kept)
    assert np.abs(drawn - expected).max() < 0.012
    if cored:
        increment = told.breast_height[:, 0] - (1900 + d)
        assert increment.min() >= 0
        assert increment.mean() == pytest.approx(mean * (1 - share), rel=0.03)
    else:
        assert (told.breast_height[:, 0] <= 1900 + d).all() and (
            told.breast_height >= told.emerged
        ).all()


def test_the_prior_takes_the_arrival_and_its_own_delays():
    profile = load_profile("longleaf-pine")
    grass = np.array([0, 0, 0, 0.5, 0, 0, 0, 0.5])
    height = height_growth(2.0, 0.9)
    posterior = one_stem(cored=True, years_to_core=30, grass=grass, height=height)
    _, _, prior = stem_histories(posterior, 0, np.arange(20000), profile, np.random.default_rng(3))
    stage = prior.emerged[:, 0] - prior.established[:, 0]
    assert set(stage) == {3, 7} and np.mean(stage == 3) == pytest.approx(0.5, abs=0.015)
    assert (prior.emerged[:, 0] <= 1930).all() and (prior.established[:, 0] < 1930).all()


def test_shares_beside_the_prior_and_none_without_a_grass_stage(table):
    cut = row_of(table, "cut")
    assert (
        0
        <= cut["share_waiting_low"]
        <= cut["share_waiting_median"]
        <= cut["share_waiting_high"]
        < cut["share_after_median"]
        <= 1
    )
    assert cut["prior_share_waiting_high"] > cut["share_waiting_high"]
    field = row_of(table, "fires end", "Old Field")
    assert (
        np.isnan(field["share_waiting_median"])
        and np.isnan(field["bayes_factor"])
        and field["claim"] == "nothing"
    )
    assert field["share_after_median"] > 0.9


def shares(waiting, after):
    return StageShares(np.array(waiting), np.zeros(len(waiting)), np.array(after))


def test_bayes_factor_is_posterior_over_prior_odds():
    told = shares([0.6] * 90 + [0.1] * 10, [0.4] * 90 + [0.9] * 10)
    assumed = shares([0.6] * 50 + [0.1] * 50, [0.4] * 50 + [0.9] * 50)
    assert mostly(told) == (0.9, 0.1)
    assert bayes_factor(mostly(told), mostly(assumed), 100) == pytest.approx((90.5 / 10.5) / 1.0)
    assert bayes_factor(mostly(told), mostly(told), 100) == pytest.approx(1.0)
    assert np.isnan(bayes_factor((0.0, 0.0), (0.5, 0.5), 100))
    assert np.isnan(mostly(shares([np.nan], [np.nan]))[0])


@pytest.mark.parametrize(
    ("told", "factor", "claim"),
    [
        ((0.95, 0.01), 3.0, "waiting"),
        ((0.95, 0.01), 2.99, "nothing"),  # the prior said so already
        ((0.6, 0.1), 50.0, "nothing"),  # the survey speaks for it, and not enough
        ((0.01, 0.95), 1 / 3, "germinated after"),
        ((0.01, 0.95), 0.4, "nothing"),
        ((0.0, 0.0), np.nan, "nothing"),
    ],
)
def test_under_a_bayes_factor_of_three_nothing_is_claimed(told, factor, claim):
    assert claim_of(told, factor) == claim


def test_waiting_plants_let_go_at_once_show_as_waiting():
    """Stems that all germinated five years before the cut and reached their cores three years after
    it.
    """
    posterior = with_events(("cut", "Fern Flat", "logging", 1935.0, 1935.0, np.nan), draws=200)
    ours = (posterior.trees["unit"] == 0).to_numpy()
    posterior.establishment_year[:, ours] = 1931
    posterior.year_at_core[:, ours & posterior.trees["cored"].to_numpy()] = 1938
    five_seasons = [
        {**one.delays, "grass": np.tile(np.eye(31)[5], (200, 1))} for one in posterior.by_unit
    ]
    posterior = changed(posterior, delays=five_seasons)
    cut = row_of(attribution(posterior), "cut")
    assert cut["share_waiting_median"] > 0.9 and cut["share_after_high"] == 0


# words


def test_a_cut_is_offered_as_the_other_explanation(table):
    posterior = with_events(
        ("cut", "Fern Flat", "logging", 1926.0, 1928.0, np.nan),
        ("gale", "Fern Flat", "storm", 1901.0, 1901.0, np.nan),
    )
    (
        posterior.survey.events["removed_dbh_low_cm"],
        posterior.survey.events["removed_dbh_high_cm"],
    ) = (
        30.0,
        np.nan,
    )
    found = attribution(posterior)
    assert (
        row_of(found, "cut")["other_explanation"]
        == "the cut took stems from 30 cm up, which can leave the same picture"
    )
    assert (
        row_of(found, "gale")["other_explanation"] == ""
        and "not recorded" in row_of(table, "cut")["other_explanation"]
    )
    assert "which can leave the same picture." in row_of(found, "cut")["words"]


def test_an_event_after_a_pulse_is_near_it_while_half_of_its_stems_may_be_seedlings():
    """By the stems' stages in the fit, and by no fixed number of years."""
    row = {"event": "cut", "lag_years_median": -6.0, "share_emerging_high": 0.1}
    assert near_events([{**row, "share_waiting_high": 0.45}])
    assert not near_events([{**row, "share_waiting_high": 0.35}])
    assert near_events([{**row, "share_waiting_high": np.nan, "share_emerging_high": 0.5}])
    after = {**row, "lag_years_median": 12.0, "share_waiting_high": 0.0}
    assert near_events([after]) and not near_events([after | {"lag_years_median": 41.0}])


@pytest.mark.parametrize(
    ("low", "middle", "high", "said"),
    [
        (1, 4, 9, "about 4 years after the storm of 1921 (1 to 9 years)"),
        (
            -2,
            1,
            5,
            "about 1 year after the storm of 1921 (2 years before to 5 after)",
        ),
        (-9, -4, -1, "about 4 years before the storm of 1921 (1 to 9 years)"),
        (
            -1,
            0,
            0,
            "about in the year of the storm of 1921 (1 year before to the same year)",
        ),
        (0, 0, 0, "in the year of the storm of 1921"),
        (3, 3, 3, "3 years after the storm of 1921"),
    ],
)
def test_lags_are_said_plainly(low, middle, high, said):
    event = {"kind": "storm", "timing": "year", "event_first_year": 1921, "event_last_year": 1921}
    assert (
        lag_words(
            event | {"lag_years_low": low, "lag_years_median": middle, "lag_years_high": high}
        )
        == said
    )


def test_every_row_has_words_without_blanks(table):
    assert table["words"].str.endswith(".").all()
    assert not table["words"].str.contains("nan|None|<NA>").any()


def sentences_with(*events) -> list[str]:
    """Those about the pulse of 1930 to 1939."""
    found = attribution(with_events(*events))
    return pulse_sentences(found[found["stand"] == "Fern Flat"].to_dict("records"), "the pulse")


def test_an_event_long_after_a_pulse_is_not_named_with_it():
    """Nor one long before: a thinning of 1987 has nothing to say about a pulse of 1930."""
    thinning = ("thin", "Fern Flat", "thinning", 1987.0, 1987.0, np.nan)
    clearing = ("clear", "Fern Flat", "logging", 1850.0, 1850.0, np.nan)
    cut = ("cut", "Fern Flat", "logging", 1927.0, 1927.0, np.nan)
    assert sentences_with(thinning) == [
        "No event on record can be tied to the pulse: none is near it."
    ]
    named = " ".join(sentences_with(cut, thinning, clearing))
    assert "logging of 1927" in named and "1987" not in named and "1850" not in named


def test_a_pulse_may_precede_the_event_that_let_its_seedlings_go():
    """Advance regeneration: the event lies within the grass stage after the pulse's beginning."""
    storm = ("gale", "Fern Flat", "storm", 1938.0, 1938.0, np.nan)
    first, *rest = sentences_with(storm)
    assert "8 years before the storm of 1938" in first and "an event so near" in first
    assert any("seedlings" in sentence or "grass stage" in sentence for sentence in rest)


def test_what_is_said_of_an_event_is_what_was_measured():
    """How long after, how often chance comes as close, what else is near; that it explains anything
    is said nowhere.
    """
    cut = ("cut", "Fern Flat", "logging", 1927.0, 1927.0, np.nan)
    fire = ("fires end", "", "fire-exclusion", 1924.0, 1924.0, 1980.0)
    found = attribution(with_events(cut, fire))
    first, *others = sentences_with(cut, fire)
    (second,) = (each for each in others if each.startswith("Also near"))
    chance = 100 * row_of(found, "cut")["chance_as_close"]
    assert first.startswith("The pulse began about 3 years after the logging of 1927") or (
        first.startswith("The pulse began 3 years after the logging of 1927")
    )
    assert f"chance alone brings an event so near in {chance:.0f} of 100 cases" in first
    assert second.startswith("Also near: it began") and "fire exclusion" in second
    words = " ".join([*sentences_with(cut, fire), *found["words"]])
    assert "explain" not in words


def test_a_burst_of_arrivals_is_tied_to_nothing():
    posterior = with_events(("cut", "Fern Flat", "logging", 1926.0, 1928.0, np.nan))
    first, *others = posterior.units
    posterior = changed(posterior, units=(replace(first, basis="coring height"), *others))
    posterior.year_at_core[:, (posterior.trees["unit"] == 0).to_numpy()] = (
        posterior.establishment_year[:, (posterior.trees["unit"] == 0)]
    )
    found = attribution(posterior)
    own = found[found["stand"] == "Fern Flat"]
    assert (
        len(own) >= 2
        and own["probability_none_on_record"].isna().all()
        and own["share_after_median"].isna().all()
    )
    assert row_of(found, "cut")["lag_years_median"] == 3
    assert (
        "can't be tied" in row_of(found, "")["words"]
        and "arrival at the core's height" in row_of(found, "cut")["words"]
    )


def test_words_of_a_recurring_event_name_it():
    row = {
        "event": "f",
        "kind": "fire",
        "timing": "year",
        "event_first_year": 1921,
        "event_last_year": 1921,
        "lag_years_median": np.nan,
    }
    said = attribution_words(row | {"basis": "establishment"})
    told = "On record are fires less than 20 years apart, so that one always goes before"
    assert said == f"{told}: the pulse can't be tied to the fire of 1921."


def test_an_event_is_drawn_from_its_range_alike():
    event = Event("cut", "logging", 1921, 1924, np.nan, np.nan, np.nan)
    years, counts = np.unique(event.began(40000, np.random.default_rng(2)), return_counts=True)
    assert list(years) == [1921, 1922, 1923, 1924] and np.abs(counts / 40000 - 0.25).max() < 0.01
    assert (
        event.timing == "uncertain year"
        and Event("f", "fire", 1921, 1921, 1921.0, np.nan, np.nan).timing == "year"
    )
