"""Claims: what they rest on, and how they are held to the truth."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
from fake_findings import fake_findings
from fake_posterior import fake_posterior

from standage.findings import Findings
from standage.findings.age_structure import Structures
from standage.findings.claim import KINDS, SCORES, Claim
from standage.findings.claims import MANY_YEARS, _most_stems
from standage.findings.disturbances import is_named
from standage.findings.intervals import Interval
from standage.findings.old_trees import chances_over
from standage.findings.result_tables import result_table
from standage.prose.measures import Measures
from standage.prose.short_statement import short_statement


def of(findings, kind: str, subject: str = "", stand: str = "Fern Flat") -> Claim:
    (found,) = (
        claim
        for claim in findings.claims
        if (claim.kind, claim.subject, claim.stand) == (kind, subject, stand)
    )
    return found


def test_every_claim_is_in_the_table_and_states_a_probability(findings):
    table = findings.tables["claims"]
    assert len(table) == len(findings.claims) > 40
    assert set(table["kind"]) <= set(KINDS) and set(table["scored"]) <= set(SCORES)
    scored = table["scored"] != "none"
    assert table.loc[scored, "probability"].between(0, 1).all()
    numbers = table["scored"].isin(["inside", "at least"])
    assert table.loc[numbers, ["low", "estimate", "high"]].notna().all(axis=None)
    assert (table.loc[numbers, "low"] <= table.loc[numbers, "high"]).all()
    assert (table.loc[table["scored"] == "category", "category"] != "").all()


def test_a_claim_rests_on_columns_that_its_table_has(findings):
    for claim in findings.claims:
        columns = set(result_table(claim.table).found)
        for named in filter(None, claim.columns.split(", ")):
            assert any(
                column == named or (named.endswith("*") and column.startswith(named[:-1]))
                for column in columns
            ), (claim.kind, named)


def test_a_claim_has_the_numbers_of_the_row_it_rests_on(findings):
    row = findings.stand_summary.set_index("stand").loc["Fern Flat"]
    for kind, subject, name in (
        ("share over age", "100", "share_over_100_years"),
        ("basal area over age", "150", "basal_area_share_over_150_years"),
        ("middle span", "first", "middle_span_first"),
        ("stems", "", "stems_per_ha"),
        ("regeneration", "grass", "grass_per_ha"),
        ("regeneration", "established seedlings", "established_seedlings_per_ha"),
    ):
        assert of(findings, kind, subject).interval == pytest.approx(Interval.of(row, name))
    oldest = of(findings, "minimum age", row["oldest_cored_tree"])
    assert oldest.estimate == 2019 - row["oldest_cored_year_median"] + 1
    assert oldest.low == 2019 - row["oldest_cored_year_high"] + 1


def test_an_age_and_a_stocking_of_ones_choice():
    posterior = fake_posterior(draws=60)
    chosen = Findings(posterior, age_over=80, stocking_per_ha=20)
    assert of(chosen, "share over age", "80").estimate > of(chosen, "share over age", "100").low
    assert of(chosen, "stocking", "20").category == "reached"
    assert of(Findings(posterior), "stocking", "740").category == "not reached"


def test_how_claims_are_held_to_the_truth(findings):
    share = of(findings, "share over age", "100")
    assert share.holds(share.estimate) and not share.holds(share.high + 0.01)
    oldest = next(claim for claim in findings.claims if claim.kind == "minimum age")
    assert oldest.holds(oldest.high + 50) and not oldest.holds(oldest.low - 1)
    structure = of(findings, "structure")
    assert structure.holds("uneven-aged") and not structure.holds("even-aged")
    pulse = of(findings, "pulse", "1")
    assert pulse.holds(True) and not pulse.holds(False)
    with pytest.raises(ValueError, match="isn't scored"):
        next(claim for claim in findings.claims if claim.kind == "open").holds(True)


def test_without_plots_nothing_is_claimed_of_a_hectare_or_of_trees_not_sampled(findings):
    ridge = [claim for claim in findings.claims if claim.stand == "Stony Ridge"]
    assert not {"stems", "basal area", "regeneration", "stocking"} & {c.kind for c in ridge}
    about = {claim.population for claim in ridge if claim.scored != "none"}
    assert about == {"the 25 trees sampled", "the cored trees"}
    years = findings.populations[2].drawn
    over = np.mean(2019 - years + 1 > 100, axis=1)
    low, _, high = np.quantile(over, [0.05, 0.5, 0.95])
    claim = of(findings, "share over age", "100", "Stony Ridge")
    assert (claim.low, claim.high) == pytest.approx((low, high))


def test_a_claim_of_two_words_holds_where_either_is_true(findings):
    structure = replace(of(findings, "structure"), category="two-aged or uneven-aged")
    assert structure.holds("uneven-aged") and structure.holds("two-aged")
    assert not structure.holds("even-aged")


def test_a_structure_that_another_rivals_is_not_claimed_alone(findings, monkeypatch):
    chances = Structures(0.02, 0.53, 0.45)
    monkeypatch.setattr("standage.findings.claims.age_structure", lambda _: chances)
    fresh = fake_findings()
    claim = of(fresh, "structure")
    assert claim.category == "two-aged or uneven-aged"
    assert claim.probability == pytest.approx(0.98)


def test_old_stems_are_counted_draw_by_draw(findings):
    claim = of(findings, "old stems", "120")
    _, age, _ = chances_over(findings, 0, ())
    low, middle, high = np.quantile((age > 120).sum(axis=1), [0.05, 0.5, 0.95])
    assert (claim.low, claim.estimate, claim.high) == pytest.approx((low, middle, high), abs=0.6)
    assert claim.population == f"the {age.shape[1]} living stems listed and dated"


@pytest.mark.parametrize(
    ("chance", "said"), [(0.7, True), (0.2, True), (0.05, False), (np.nan, True)]
)
def test_a_pulse_that_cutting_would_leave_may_be_its_effect(chance, said):
    fresh = fake_findings()
    fresh.pulses = fresh.pulses.assign(probability_cut=chance)  # a cut is on record
    quantity = of(fresh, "pulse", "1").quantity
    assert quantity.endswith("or the effect of cutting certain sizes") == said


def test_a_name_that_holds_what_parts_names_is_found_whole():
    names = "cut of 1920; second entry; fire"
    assert is_named("cut of 1920; second entry", names) and is_named("fire", names)
    assert not is_named("second", names) and not is_named("cut", names)


def test_no_stands_are_compared_for_what_is_said_of_one():
    fresh = fake_findings()
    for unit in fresh.units:
        assert short_statement(fresh, unit, Measures()).headline
    assert not {"comparison", "claims_of_pairs", "claims"} & set(vars(fresh))


@pytest.mark.parametrize(("years", "claimed"), [(MANY_YEARS, 1), (MANY_YEARS + 1, 0)])
def test_most_stems_of_many_years_are_not_claimed(years, claimed):
    names = ("first", "last", "probability")
    told = dict(zip(names, (1900, 1900 + years - 1, 0.9), strict=True))
    unit = SimpleNamespace(summary={f"most_stems_{name}": told[name] for name in names})
    of = partial(Claim, stand="a", species="longleaf-pine")
    assert len(list(_most_stems(of, SimpleNamespace(name="stems"), unit))) == claimed
