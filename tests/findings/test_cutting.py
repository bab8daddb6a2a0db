"""Cut or pulse: stems whose years are known, of stands played forward by the simulator."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest
from fake_posterior import changed, fake_posterior, with_tables

from standage.findings import Findings, cutting
from standage.findings.events_on_record import Event
from standage.findings.recruitment_shapes import AFTER, RecordStems
from standage.profiles import load_profile
from standage.simulate.history import steady_recruitment
from standage.simulate.life import draw_life_histories
from standage.simulate.plants import Cut, grow, share_left, standing_after

FIRST, SEASON, LEAST_CM = 1850, 2024, 5.0
YEARS = np.arange(FIRST, 2005)
HEAVY = Cut(1960, 0.9, 20.0, np.inf)
RECORDED = Event("cut", "logging", 1960, 1960, np.nan, 20.0, np.nan, True)
PULSE = (1925, 1935)


@pytest.fixture(scope="module")
def life():
    (drawn,) = draw_life_histories(
        load_profile("longleaf-pine"), np.random.default_rng(5), stands=1,
        first_year=FIRST, last_year=SEASON,
    )  # fmt: skip
    # a period in which all grew better isn't known of a cut's stems
    return replace(drawn, epoch_log_effects=(0.0,) * len(drawn.epoch_log_effects))


def growth_of(life) -> cutting.Growth:
    """The growth that the plants are played with."""
    plants = grow(np.random.default_rng(6), life, np.array([1900]), np.array([5000.0]))
    delays = plants.years_below(137.0)
    points = (np.arange(cutting.DELAYS) + 0.5) / cutting.DELAYS
    return cutting.Growth(
        life.median_dbh_cm(np.arange(SEASON - FIRST + 1)),
        life.size_scatter,
        np.quantile(delays, points).round().astype(int),
    )


def stems(life, cuts=(), pulse=None, seed=1, number=150) -> RecordStems:
    """Listed stems, each year known."""
    rng = np.random.default_rng(seed)
    steady = steady_recruitment(
        load_profile("longleaf-pine"), FIRST, SEASON, per_ha_at_fifty=1.0
    )[: len(YEARS)]  # fmt: skip

    def listed(per_ha, those=(), plants_in_all=60_000):
        plants = grow(rng, life, YEARS, per_ha * plants_in_all / per_ha.sum())
        plants = plants.chosen(standing_after(rng, plants, those)) if those else plants
        return plants.chosen(plants.dbh_cm(SEASON) >= LEAST_CM)

    whole = listed(steady)
    weight = np.bincount(whole.establishment_year - FIRST, minlength=len(YEARS)) + 0.5
    inside = np.isin(YEARS, np.arange(*pulse)) if pulse else np.zeros(len(YEARS), bool)
    found = listed(steady * np.where(inside, 6.0, 1.0), cuts)
    found = found.chosen(rng.choice(len(found), number, replace=False))
    likelihood = (found.establishment_year[:, None] == YEARS).astype(float)
    return RecordStems(
        likelihood, np.ones(number), weight.astype(float), found.dbh_cm(SEASON), FIRST, number
    )


def test_the_share_in_reach_is_that_of_plants_played_forward(life):
    """Against the simulator, which cuts plant by plant."""
    known, growth = stems(life), growth_of(life)
    for year, low, high in ((1960, 20.0, np.inf), (1985, 0.0, 20.0), (1930, 10.0, 25.0)):
        reach = cutting.in_reach(known, growth, SEASON, year, (low, high))
        cut = Cut(year, 1.0, low, high)
        played = 1 - share_left(np.random.default_rng(3), life, YEARS, (cut,), trials=2000)
        by_decade = [
            share[:150].reshape(-1, 10).mean(axis=1) for share in (reach.all_of_year, played)
        ]
        assert np.allclose(*by_decade, atol=0.05) and by_decade[1].max() > 0.5


def test_a_stem_of_the_median_size_was_in_reach_while_the_median_was(life):
    """Closed form: no scatter in the delays, a stem of just the median diameter."""
    growth = replace(growth_of(life), delays=np.array([10]))
    known = stems(life, number=40)
    age = SEASON - YEARS - 10
    known = replace(
        known,
        likelihood=np.eye(len(YEARS)), worth=np.ones(len(YEARS)),
        dbh_cm=growth.median_after(age),
    )  # fmt: skip
    reach = cutting.in_reach(known, growth, SEASON, 1960, (0.0, 20.0))
    then = growth.median_after(1960 - YEARS - 10)
    assert np.array_equal(np.diag(reach.stems) > 0, (then > 0) & (then < 20.0))
    blank = replace(known, dbh_cm=np.full(len(YEARS), np.nan))
    unknown = cutting.in_reach(blank, growth, SEASON, 1960, (0.0, 20.0))
    assert np.allclose(unknown.stems, unknown.all_of_year)


def test_a_cut_and_a_pulse_are_told_apart(life):
    growth = growth_of(life)

    def chance(known, events=()):
        evidence = cutting.evidence_of(known, growth, SEASON, events)
        return evidence.probability_cut(-np.inf, np.inf)

    cut = stems(life, cuts=(HEAVY,))
    assert chance(cut) > 0.9 and chance(cut, [RECORDED]) > chance(cut)
    pulse = stems(life, pulse=PULSE)
    assert chance(pulse) < 0.1 and chance(pulse, [RECORDED]) < 0.1


def test_sizes_within_ages_speak_though_ages_are_alike(life):
    """A cut's gap in the ages with diameters drawn anew, as a pause in recruitment would leave."""
    known, growth = stems(life, cuts=(HEAVY,), seed=2), growth_of(life)
    year = YEARS[known.likelihood.argmax(axis=1)]
    rng = np.random.default_rng(8)
    median = growth.median_after(SEASON - year - growth.delays.mean().round().astype(int))
    anew = replace(known, dbh_cm=median * np.exp(growth.scatter * rng.standard_normal(len(year))))
    evidence = [cutting.cut_evidence(each, growth, SEASON, [RECORDED]) for each in (known, anew)]
    assert evidence[0] > evidence[1] + 2


def test_where_recruitment_may_have_been_steady_neither_a_cut_nor_a_pulse_is_likelier(life):
    growth = growth_of(life)
    for seed in range(1, 5):
        evidence = cutting.evidence_of(stems(life, seed=seed), growth, SEASON)
        assert np.isnan(evidence.probability_cut(1925, 1935))
    steady = replace(evidence, steady=0.0, cut=-1.0, pulses=np.full(len(evidence.pulses), 9.0))
    assert steady.probability_cut(1925, 1935) < 0.5  # a pulse does better than either


def test_a_period_of_cutting_lasts_until_it_ended(life):
    """The cut of 1960, of a period on record from 1900 on."""
    known, growth = stems(life, cuts=(HEAVY,)), growth_of(life)
    begun = replace(RECORDED, first=1900, last=1900)
    lasting = replace(begun, ended=1980.0)
    found = [cutting.cut_evidence(known, growth, SEASON, [each]) for each in (begun, lasting)]
    assert found[1] > found[0] + 5


@pytest.fixture(scope="module")
def findings():
    """A unit with a burst from 1930 to 1939, the cut before it not on record."""
    posterior = fake_posterior(draws=100)
    return Findings(with_tables(posterior, events=posterior.survey.events.iloc[:0]))


def test_a_pulse_outside_the_record_or_at_its_young_end_is_left_open(findings):
    known = findings.records[0]
    last = known.first + known.years - 1
    probability = partial(cutting.cutting_probability, findings, 0)
    assert probability(1930, 1939) < 0.5
    assert np.isnan(probability(known.first - 40, known.first - 30))
    assert np.isnan(probability(known.first - 1, 1939))
    assert np.isnan(probability(last - AFTER - 4, last - AFTER + 1))
    assert np.isnan(probability(last + 1, last + 5))
    assert np.isfinite(probability(known.first, last - AFTER))
    assert np.isnan(cutting.cutting_probability(findings, 2, 1930, 1939))  # no plots


def test_the_scatter_of_diameters_is_that_of_the_unit(findings):
    """The second of three units has no sizes, and so no row."""
    rows = pd.DataFrame(
        [
            {"name": name, "stand": unit.stand, "posterior_median": value}
            for unit, names in zip(
                findings.posterior.units,
                ({"dbh_scatter": 0.31}, {}, {"dbh_scatter": 0.23}),
                strict=True,
            )
            for name, value in ({"stand_beginning_years": 80.0} | names).items()
        ]
    )
    other = Findings(changed(findings.posterior, parameters=rows))
    usual = findings.profiles["loblolly-pine"]["size.scatter"]
    found = [cutting.growth_of_unit(other, number).scatter for number in range(3)]
    assert found == [0.31, usual, 0.23]


def test_the_evidence_of_a_unit_is_worked_out_once(findings, monkeypatch):
    calls = []
    once = cutting.cut_evidence
    monkeypatch.setattr(cutting, "cut_evidence", lambda *own: calls.append(own) or once(*own))
    fresh = Findings(findings.posterior)
    for year in (1900, 1930, 1950):
        cutting.cutting_probability(fresh, 0, year, year + 9)
    assert len(calls) == 1


def test_cutting_is_named_unless_it_is_improbable_or_nothing_is_known():
    named = cutting.may_be_left_by_cutting
    assert named(cutting.CUTTING_NAMED, False) and not named(0.09, True)
    assert named(np.nan, True) and not named(np.nan, False)
