"""The result in few words: from claims, and no more words than a screen holds."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

import pytest
from fake_findings import fake_findings

from standage.findings.intervals import Interval
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.prose.measures import Measures
from standage.prose.short_statement import NO_CAUSE, short_statement, stocking_note
from standage.prose.summary import full_summary, summary
from standage.prose.wording import shown_percent

ONE_STAND, FOUR_STANDS = 200, 500  # words asked for at most


def words(text: str) -> int:
    return len(text.split())


def test_a_summary_of_one_stand_has_at_most_200_words_and_of_four_500(findings):
    """Also where all that can be said of one stand is: a pulse after an event, a young cohort, an
    oldest tree of one of two ages, and a question left open; the others have a pulse after an
    event.
    """
    assert words(full_summary(findings)) > 2 * words(summary(findings))
    unit, *_ = findings.units
    oldest = unit.claim("minimum age")
    young = partial(replace, oldest, subject="")
    added = (
        *of_a_young_cohort(young),
        replace(oldest, kind="one of two ages", interval=Interval(100, 106, 115)),
        replace(oldest, kind="one of two ages", interval=Interval(78, 82, 85)),
        replace(oldest, kind="count in doubt", probability=0.22),
        replace(oldest, kind="next oldest"),
    )
    full = replace(unit, summary={**unit.summary, "probability_young_cohort": 0.5})
    of_unit = [each for each in findings.claims_of(unit) if each.kind != "no young cohort"]
    for others, most in ((0, ONE_STAND), (3, FOUR_STANDS)):
        names = [f"Stand {number}" for number in range(others)]
        other = fake_findings()
        other.units = (full, *(replace(unit, summary={**unit.summary, "stand": n}) for n in names))
        same = (replace(each, stand=name) for name in names for each in of_unit)
        other.claims_of_units = (*of_unit, *added, *same)
        text = summary(other)
        assert text.count("A young cohort") == text.count("either 100 to") == 1
        assert text.count("Not known: ") == 1 and text.count("over half the") == 1 + others
        assert most / 2 < words(text) <= most
    for unit in findings.units:
        alone = fake_findings()
        alone.units = (unit,)
        assert words(summary(alone)) <= ONE_STAND


def test_what_holds_for_all_stands_is_said_once(findings):
    unit, *_ = findings.units
    other = fake_findings()
    other.units, other.claims_of_units = (unit, unit), tuple(findings.claims_of(unit))
    text = summary(other)
    for words_of_all in ("Longleaf pine, surveyed in", "of 5 cm and more", "per hectare", NO_CAUSE):
        assert text.count(words_of_all) == 1
    other.units = (unit,)
    assert f"{unit.stand}, longleaf pine." in summary(other)
    assert "stems of 5 cm and more established" in summary(other) and NO_CAUSE in summary(other)


def test_the_headline_is_the_claims_of_structure_pulse_and_regeneration(findings):
    unit = findings.units[0]
    claims = {claim.kind: claim for claim in findings.claims_of(unit)}
    headline = short_statement(findings, unit, Measures()).headline
    structure, stocking = claims["structure"], claims["stocking"]
    assert headline.startswith(structure.category.capitalize())
    assert f"({shown_percent(structure.probability)})" in headline
    start, end = (claim.interval for claim in unit.claims_of("pulse years", "1"))
    assert start.low == start.high and end.low == end.high
    years = f"begun in {start.low:.0f}, ended in {end.low:.0f}."
    assert f"A recruitment pulse (> 99 %), {years}" in headline
    by_cutting = with_claims(
        findings, unit, pulse={"category": "pulse or the effect of cutting certain sizes"}
    )
    cut = ", or the effect of cutting certain sizes (together > 99 %)"
    headline_of_cut = short_statement(by_cutting, unit, Measures()).headline
    assert f"A recruitment pulse{cut}, {years}" in headline_of_cut
    verb = "reach" if stocking.category == "reached" else "short of"
    assert re.search(
        rf"Established seedlings: [\d.]+ to [\d.]+ per hectare, {verb}"
        rf" the customary {float(stocking.subject):g} \({shown_percent(stocking.probability)}\)\.",
        headline,
    )


def test_a_lasting_change_stands_where_no_pulse_does(findings):
    unit = findings.units[0]
    structure, *_ = unit.claims_of("structure")
    fall = {"category": "fall", "probability": 0.81, "subject": "fall"}
    shape = replace(structure, kind="shape", **fall)
    other = fake_findings()
    other.claims_of_units = (
        structure,
        shape,
        replace(shape, kind="change year", interval=Interval(1940, 1950, 1960)),
    )
    headline = short_statement(other, unit, Measures()).headline
    said = "No recruitment pulse stands out; recruitment fell about 1950 and stayed low (81 %)."
    assert said in headline


def test_the_yardstick_of_seedlings_is_named_as_one(findings):
    assert "740 seedlings per hectare: by common practice" in stocking_note(findings)
    asked = fake_findings()
    asked.stocking_per_ha = 500.0
    assert stocking_note(asked) == "500 seedlings per hectare: the stocking asked for."
    headline = short_statement(asked, findings.units[0], Measures()).headline
    assert "the wanted 500" in headline


def test_lags_have_their_intervals_and_chance_is_no_probability_of_cause(findings):
    statement = short_statement(findings, findings.units[0], Measures())
    assert re.search(
        r"Logging of one year in 1926-1928: the pulse began about \d+ years? after it"
        r" \(.+\); chance as near: (fewer than )?\d+ of 100\."
        r" Dates can't say what causes",
        " ".join(statement.more),
    )


def test_seedlings_whose_counts_the_ages_contradict_are_doubtful(findings):
    other = fake_findings()
    grade = findings.fit_grade
    for stand, doubtful in (("Fern Flat", True), ("Old Field", False)):
        other.fit_grade = replace(grade, contradicted=(f"{stand}: grass",))
        headline = short_statement(other, findings.units[0], Measures()).headline
        assert ("; doubtful, as counts and ages disagree)" in headline) is doubtful


def test_a_claim_that_says_otherwise_makes_another_sentence(findings):
    unit = findings.units[0]
    other = fake_findings()
    other.claims_of_units = tuple(
        replace(claim, category="two-aged", probability=0.7) if claim.kind == "structure" else claim
        for claim in findings.claims
        if claim.kind not in ("pulse", "pulse years", "pulse share")
    )
    headline = short_statement(other, unit, Measures()).headline
    most = unit.claim("most stems")
    assert headline.startswith(
        "Two-aged, likely (70 %): over half the stems of 5 cm and more established in"
        f" {most.subject.replace(' to ', '-')} ({shown_percent(most.probability)}). No recruitment"
        " pulse stands out."
    )


def test_few_lines_of_what_is_not_known_and_acres_where_asked(findings):
    for unit in findings.units:
        statement = short_statement(findings, unit, Measures("us"))
        assert len(statement.unknown) <= 3
        assert not re.search(r"\bnan\b", f"{statement.headline} {statement.more}")
    assert "per acre" in short_statement(findings, findings.units[0], Measures("us")).headline


def test_what_stands_there_has_its_basal_area(findings):
    unit = findings.units[0]
    area = unit.claim("basal area")
    standing = short_statement(findings, unit, Measures()).more[-1]
    assert standing.endswith(f" over 100 years; basal area {Measures().basal_area(area.estimate)}.")


def with_claims(findings, unit, **changed):
    """Findings of which the claims of some kinds are others. changed: fields by kind."""
    other = fake_findings()
    other.claims_of_units = tuple(
        replace(claim, **changed.get(claim.kind, {})) for claim in findings.claims_of(unit)
    )
    return other


def test_of_two_structures_that_may_both_be_none_is_claimed_alone(findings):
    unit = findings.units[0]
    both = {"category": "two-aged or uneven-aged", "probability": 0.97}
    other = with_claims(findings, unit, structure=both)
    headline = short_statement(other, unit, Measures()).headline
    assert headline.startswith("Two-aged or uneven-aged (97 %; which isn't known): over half")


@pytest.mark.parametrize(("probability", "asked"), [(0.97, False), (0.7, True)])
def test_how_many_seedlings_is_no_question_where_the_stocking_is_plain(
    findings, probability, asked
):
    summary = {**findings.units[0].summary, "grass_per_ha_low": 1.0}
    summary |= {"grass_per_ha_median": 10.0, "grass_per_ha_high": 100.0}
    unit = replace(findings.units[0], summary=summary)
    other = with_claims(findings, unit, stocking={"probability": probability})
    statement = short_statement(other, unit, Measures())
    assert any("grass-stage seedlings" in each for each in statement.questions) is asked
    assert len(statement.questions) == len(statement.unknown)


def test_many_open_questions_are_all_named_in_three_lines(findings):
    summary = {**findings.units[0].summary, "basis": CORING_HEIGHT, "amounts": SAMPLED}
    summary |= {"half_span_agreed": 0.1, "probability_even_aged": 0.0, "oldest_cored_tree": ""}
    unit = replace(findings.units[0], summary=summary, pulses=findings.units[0].pulses.iloc[:0])
    other = fake_findings()
    other.claims_of_units = ()
    statement = short_statement(other, unit, Measures())
    assert len(statement.questions) > 3 and len(statement.unknown) == 3
    named = " ".join(statement.unknown).lower()
    assert all(question.lower() in named for question in statement.questions)


def test_a_young_cohort_is_named_with_its_years_and_plants(findings):
    unit = findings.units[0]
    structure = unit.claim("structure")
    young = partial(replace, structure, population="all living plants", subject="")
    other = fake_findings()
    other.claims_of_units = (structure, *of_a_young_cohort(young))
    assert (
        "A young cohort (93 %), mostly too small to core, begun between 2007 and 2013, ended"
        " between 2017 and 2022; seedlings and saplings: 91 to 660 per hectare."
    ) in short_statement(other, unit, Measures()).headline
    other.claims_of_units = (young(kind="no young cohort", probability=0.96),)
    assert "No young cohort (96 %)." in short_statement(other, unit, Measures()).headline
    other.claims_of_units = (structure,)
    assert "young cohort" not in short_statement(other, unit, Measures()).headline


def of_a_young_cohort(young):
    """The claims about one. young: what makes a claim."""
    return (
        young(kind="young cohort", probability=0.93),
        young(kind="young years", subject="first", interval=Interval(2007, 2011, 2013)),
        young(kind="young years", subject="last", interval=Interval(2017, 2020, 2022)),
        young(kind="young plants", interval=Interval(91, 200, 660)),
    )


def test_whether_a_young_cohort_is_there_is_said_or_open(findings):
    unit = findings.units[0]
    for chance, asked in ((0.05, False), (0.5, True), (0.95, False)):
        summary = {**unit.summary, "probability_young_cohort": chance}
        questions = {each.question for each in replace(unit, summary=summary).open_questions}
        assert ("young cohort" in questions) is asked


def test_a_count_in_doubt_stands_beside_the_oldest_tree(findings):
    unit = findings.units[0]
    oldest = unit.claim("minimum age")
    doubt = replace(oldest, kind="count in doubt", probability=0.22, scored="none")
    other = fake_findings()
    other.claims_of_units = (oldest, doubt)
    *_, said = short_statement(other, unit, Measures()).more
    assert f": {oldest.subject}, " in said
    assert said.endswith("); its ring count may be off by 5 years or more (22 %).")
    either = replace(oldest, kind="one of two ages", scored="inside", probability=0.74)
    other.claims_of_units = (
        oldest,
        replace(either, interval=Interval(100, 106, 115)),
        replace(either, interval=Interval(78, 82, 85), probability=0.19),
        doubt,
        replace(oldest, kind="next oldest", subject="b", interval=Interval(80, 85, 91)),
    )
    assert (
        short_statement(other, unit, Measures())
        .more[-1]
        .endswith(
            f": {oldest.subject}, either 100 to 115 years (74 %) or 78 to 85 (19 %); its ring count"
            " is in doubt; next b, about 85 years (80 to 91)."
        )
    )
    other.claims_of_units = (oldest,)
    assert "ring count" not in short_statement(other, unit, Measures()).more[-1]


def test_how_many_waited_stands_beside_the_event(findings):
    unit = findings.units[0]
    lag, *_ = unit.claims_of("before pulse")
    waited = replace(lag, kind="waiting at event", interval=Interval(0.05, 0.2, 0.4), unit="share")
    other = fake_findings()
    other.claims_of_units = (waited,)
    said, *_ = short_statement(other, unit, Measures()).more
    assert " Of its stems 20 % (5 to 40 %) waited in the grass stage then." in said
    other.claims_of_units = (replace(waited, interval=Interval(0.0, 0.01, 0.05)),)
    assert "waited" not in short_statement(other, unit, Measures()).more[0]
