"""One stand in sentences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fake_findings import fake_findings

from standage.findings.claims import unit_claims
from standage.findings.events_on_record import Event
from standage.findings.intervals import Interval
from standage.prose.cautions import cautions
from standage.prose.measures import Measures
from standage.prose.unit_statement import events_sentence, unit_statement
from standage.prose.wording import probability_words


@pytest.fixture(scope="module")
def unit():
    return fake_findings().units[0]


def timing(unit, units: str = "metric") -> str:
    return " ".join(unit_statement(unit, Measures(units)).timing)


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


def test_what_is_unknown_of_amounts_has_acres_beside_it_where_asked(unit):
    grass = {"low": 25.0, "median": 70.0, "high": 200.0}
    summary = {
        **unit.summary,
        **{f"grass_per_ha_{end}": amount for end, amount in grass.items()},
    }
    unknown = unit_statement(replace(unit, summary=summary), Measures("us")).unknown
    (sentence,) = (each for each in unknown if "grass-stage seedlings" in each)
    assert "25 to 200 per hectare (10 to 81 per acre)" in sentence


def test_of_the_oldest_trees_only_a_cored_one_is_named(unit):
    """Never the oldest of all: stems without core are dated by their size."""
    cored = unit.trees[(unit.trees["basis"] == "cored") & (unit.trees["status"] == "live")]
    oldest = cored.sort_values("establishment_year_median").iloc[0]
    statement = unit_statement(unit, Measures())
    (sentence,) = (each for each in statement.composition if "ldest" in each)
    assert sentence.startswith(f"The oldest cored tree, {oldest['tree']}, established ")
    ends = f"({oldest['establishment_year_low']} to {oldest['establishment_year_high']})"
    assert ends in sentence
    assert sentence.endswith(f"; the stand is at least {oldest['age_low']} years old (95 %).")
    summary = {**unit.summary, "oldest_cored_tree": ""}
    claims = tuple(claim for claim in unit.claims if claim.kind != "minimum age")
    bare = unit_statement(replace(unit, claims=claims, summary=summary), Measures())
    assert not any("ldest" in sentence for sentence in bare.composition)
    assert any(sentence.startswith("How old the stand is") for sentence in bare.unknown)


def test_stems_and_basal_area_of_a_pulse_are_given(unit):
    (stems,) = unit.claims_of("cohort stems")
    known = replace(stems, interval=Interval(90, 130, 200))
    claims = tuple(known if claim is stems else claim for claim in unit.claims)
    composition = unit_statement(replace(unit, claims=claims), Measures()).composition
    (sentence,) = (each for each in composition if each.startswith(f"Of {stems.subject} stand"))
    assert "about 130 stems per hectare (90 to 200), basal area about" in sentence


def test_sentences_are_rendered_from_claims_and_change_with_them(unit):
    """No number is taken from elsewhere: another claim is another sentence."""

    def other(claim):
        if claim.kind == "structure":
            return replace(claim, category="two-aged", probability=0.7)
        if claim.kind == "share over age" and claim.subject == "100":
            return replace(claim, interval=Interval(0.51, 0.52, 0.53))
        return claim

    changed = replace(unit, claims=tuple(map(other, unit.claims)))
    statement = unit_statement(changed, Measures())
    assert "are two-aged: likely (70 %)" in statement.timing[0]
    assert any("52 % (51 to 53 %) are over 100 years old" in each for each in statement.composition)


@pytest.mark.parametrize(
    ("chance", "on_record", "said"),
    [(0.05, True, True), (0.05, False, False), (0.7, False, True), (np.nan, True, False)],
)
def test_how_probably_cutting_left_a_pulse_stands_beside_it(unit, chance, on_record, said):
    findings = fake_findings()
    other = replace(
        unit,
        events=unit.events if on_record else (),
        pulses=unit.pulses.assign(probability_cut=chance, probability_planted=0.4),
    )
    other = replace(other, claims=unit_claims(findings, 0, other))
    words = timing(other)
    left = f"cutting by size left it, a pulse is {probability_words(1 - chance)}"
    assert (left in words) == said
    assert "If either" not in words or said
    assert "Its trees may have been planted (40 %)" in words


def test_a_limit_for_patches_is_a_caution():
    findings = fake_findings()
    assert not any("plots differ" in each for each in cautions(findings))
    findings.pulses = findings.pulses.iloc[:0]  # a pulse that isn't reported for it has no row
    findings.limits = [replace(findings.limits[0], plots_differ=True), *findings.limits[1:]]
    (caution,) = [each for each in cautions(findings) if "plots differ" in each]
    assert caution.startswith(f"{findings.units[0].name}: ")
