"""One stand in sentences."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from fake_findings import fake_findings

from standage.findings.events_on_record import Event
from standage.prose.measures import Measures
from standage.prose.unit_statement import events_sentence, unit_statement


@pytest.fixture(scope="module")
def unit():
    return fake_findings().units[0]


def timing(unit, units: str = "metric") -> str:
    return " ".join(unit_statement(unit, Measures(units)).timing)


def test_ten_years_with_many_stems_are_named_though_they_are_no_pulse(unit):
    cohorts = unit.cohorts.copy()
    recent = cohorts["first_year"] == cohorts["first_year"].max()
    for point, share in (("low", 0.19), ("median", 0.43), ("high", 0.67)):
        cohorts.loc[recent, f"share_{point}"] = share
    first, last = cohorts.loc[recent, ["first_year", "last_year"]].iloc[0]
    words = timing(replace(unit, cohorts=cohorts))
    named = f"The share of the years {first} to {last} is 43 % (19 to 67 %); no cored tree"
    assert named in words
    pulse = unit.pulses.iloc[0]  # which has its own sentence
    assert f"The share of the years {int(pulse['start_median'])}" not in words


def test_events_on_record_are_told_with_and_without_a_pulse(unit):
    fires = [
        Event(f"f{year}", "fire", year, year, np.nan, np.nan, np.nan, recurring=True)
        for year in (1990, 1993, 1996)
    ]
    events = (
        Event("e1", "turpentining", 1906, 1909, 1915.0, np.nan, np.nan),
        Event("e2", "storm", 1965, 1965, np.nan, np.nan, np.nan),
        *fires,
    )
    recorded = (
        "On record: fire again and again from 1990 to 1996; turpentining begun in some year from"
        " 1906 to 1909 and ended in 1915; storm in 1965."
    )
    assert events_sentence(events) == recorded
    with_pulse = unit_statement(replace(unit, events=events), Measures())
    assert with_pulse.preceded[0] == recorded
    quiet = replace(unit, events=events, pulses=unit.pulses[:0])
    without = unit_statement(quiet, Measures())
    assert without.preceded == () and without.timing[-1].startswith(recorded)
    assert "Without a pulse" in without.timing[-1]
    bare = unit_statement(replace(unit, events=()), Measures())
    assert bare.preceded == with_pulse.preceded[1:]


def test_the_extra_stems_of_a_pulse_have_acres_beside_them_where_asked(unit):
    assert re.search(
        r"[\d.]+ to [\d.]+ per hectare \([\d.]+ to [\d.]+ per acre\) more than the years"
        r" around it",
        timing(unit, "us"),
    )


def test_what_is_unknown_of_amounts_has_acres_beside_it_where_asked(unit):
    grass = {"low": 25.0, "median": 70.0, "high": 200.0}
    summary = {
        **unit.summary,
        **{f"grass_stage_per_ha_{end}": amount for end, amount in grass.items()},
    }
    unknown = unit_statement(replace(unit, summary=summary), Measures("us")).unknown
    (sentence,) = (each for each in unknown if "without a stem" in each)
    assert "25 to 200 per hectare (10 to 81 per acre)" in sentence


def test_of_the_oldest_trees_only_a_cored_one_is_named(unit):
    """Never the oldest of all: stems without core are dated by their size."""
    cored = unit.trees[(unit.trees["basis"] == "cored") & (unit.trees["status"] == "live")]
    oldest = cored.sort_values("establishment_year_median").iloc[0]
    statement = unit_statement(unit, Measures())
    (sentence,) = (each for each in statement.composition if "ldest" in each)
    assert sentence.startswith(f"The oldest cored tree, {oldest['tree']}, established ")
    ends = f"({oldest['establishment_year_low']} to {oldest['establishment_year_high']})"
    assert ends in sentence and sentence.endswith("; the stand is at least that old.")
    uncored = unit.trees.assign(basis="size")
    summary = {**unit.summary, "oldest_cored_tree": ""}
    bare = unit_statement(replace(unit, trees=uncored, summary=summary), Measures())
    assert not any("ldest" in sentence for sentence in bare.composition)
    assert any(sentence.startswith("How old the stand is") for sentence in bare.unknown)
