"""One stand and species in sentences: when its stems came, what preceded its pulses, what stands
there, and what isn't known.

The printed summary and the report take the same sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from standage.findings.cannot_tell import (
    reach_assumed,
    too_wide,
)
from standage.findings.claim import Claim
from standage.findings.events_on_record import Event
from standage.findings.regeneration import ESTABLISHED_SEEDLINGS
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.findings.unit_findings import UnitFindings
from standage.grammar import capital, counted, listed
from standage.prose.attribution import NO_PROOF, begun_words, near_events, pulse_sentences
from standage.prose.cannot_tell import open_question_sentence, reach_words
from standage.prose.measures import Measures
from standage.prose.wording import (
    NOT_KNOWN,
    either_words,
    percent,
    probability_words,
    share_words,
    year_words,
)
from standage.prose.young_cohort import young_sentences

STAGE_WORDS = {
    "germinant": "germinants",
    "grass": "grass-stage",
    "emerging": "emerging",
    ESTABLISHED_SEEDLINGS: "grass-stage and emerging together",
}
HARDLY_ANY = 0.005  # share of stems below which an age isn't worth naming (assumption)


@dataclass(frozen=True)
class UnitStatement:
    """Sentences about a unit: `timing`, when its stems came; `preceded`, what went before its
    pulses, empty where there is none; `composition`, what stands there by age and amount;
    `unknown`, what the survey leaves open.
    """

    title: str
    timing: tuple[str, ...]
    preceded: tuple[str, ...]
    composition: tuple[str, ...]
    unknown: tuple[str, ...]


def unit_statement(unit: UnitFindings, measures: Measures) -> UnitStatement:
    """The sentences about one unit."""
    events = [events_sentence(unit.events)] if unit.events else []
    has_pulse = len(unit.pulses) > 0
    if not has_pulse and events:
        events = [f"{events[0]} Without a pulse there is nothing to be tied to that."]
    preceded = [measures.beside_cm(sentence) for sentence in _preceded(unit.attribution)]
    return UnitStatement(
        title=unit.name,
        timing=(
            *_structure(unit),
            *_shape(unit),
            *_pulses(unit),
            *(() if has_pulse else events),
        ),
        preceded=(*events, *preceded) if has_pulse else (),
        composition=(
            *_oldest(unit),
            *_ages(unit),
            *_amounts(unit, measures),
            *young_sentences(unit.claims, measures),
        ),
        unknown=(
            *(open_question_sentence(asked, measures) for asked in unit.open_questions),
            *_unknown_of_events(unit.attribution),
        ),
    )


def events_sentence(events: Sequence[Event]) -> str:
    """The events on record in one sentence; what recurs as one."""
    parts = []
    for kind in dict.fromkeys(event.kind for event in events if event.recurring):
        years = [event for event in events if event.recurring and event.kind == kind]
        parts.append(
            f"{kind.replace('-', ' ')} again and again from {years[0].first} to {years[-1].last}"
        )
    for event in (event for event in events if not event.recurring):
        when = begun_words(event.first, event.last)
        if event.timing == "period":
            when = f"begun {when} and ended in {event.ended:.0f}"
        parts.append(f"{event.kind.replace('-', ' ')} {when}")
    return f"On record: {'; '.join(parts)}."


def never_known(attribution: pd.DataFrame) -> list[str]:
    """What no survey of this kind can tell, once for all units.

    attribution: the table of pulses and events.
    """
    sentences = ["How many plants established: only those alive today are seen."]
    if (attribution["event"] != "").any():
        sentences.append("What caused a pulse: dates tell what came before it, not why.")
    return sentences


def _barely_known(claim: Claim | None) -> bool:
    """Whether an amount is claimed no better than fivefold, or not at all."""
    return claim is None or too_wide(claim.low, claim.high)


def _structure(unit: UnitFindings) -> list[str]:
    """Even-aged, two-aged or uneven-aged, and the years between which most stems established."""
    claim = unit.claim("structure")
    first, last = (unit.claim("middle span", end) for end in ("first", "last"))
    if claim is None or first is None or last is None:
        return [f"When the stems came {NOT_KNOWN}."]
    verb = "reached the height of the cores" if _at_core(unit) else "established"
    whose = claim.population
    return [
        f"{capital(whose)} are {claim.category}: {probability_words(claim.probability)}. The"
        f" middle 80 % of them {verb} from {year_words(*first.interval)} to"
        f" {year_words(*last.interval)}."
    ]


def _ages(unit: UnitFindings) -> list[str]:
    shares = unit.claims_of("share over age")
    over = [
        f"{share_words(*claim.interval)} are over {claim.subject} years old"
        for claim in shares
        if claim.estimate >= HARDLY_ANY
    ]
    if over:
        return [f"Of {shares[0].population} {listed(over)}."]
    if not shares:
        return []
    none = all(claim.high == 0 for claim in shares)
    few = "None" if none else "Hardly any"
    return [
        f"{few} of {shares[0].population} {'is' if none else 'are'} over"
        f" {shares[0].subject} years old."
    ]


def _amounts(unit: UnitFindings, measures: Measures) -> list[str]:
    if unit.summary["amounts"] == SAMPLED:
        return ["There are no plots: all of this is about the sampled trees, not about a hectare."]
    sentences = []
    stems, area = unit.claim("stems"), unit.claim("basal area")
    if stems is not None and not _barely_known(stems):
        amount = (
            f"{measures.density(*stems.interval)}, all of them listed"
            if stems.low == stems.high
            else measures.stems_between(*stems.interval)
        )
        basal_area = f"; basal area {measures.basal_area(area.estimate)}" if area else ""
        sentences.append(f"Of {stems.population}: {amount}{basal_area}.")
    return [*sentences, *_cohorts(unit, measures), *_regeneration(unit, measures)]


def _cohorts(unit: UnitFindings, measures: Measures) -> list[str]:
    """Stems and basal area of each pulse."""
    return [
        f"Of {stems.subject} stand {measures.stems_between(*stems.interval)}, basal area"
        f" {measures.basal_area_between(*area.interval)}."
        for stems in unit.claims_of("cohort stems")
        for area in unit.claims_of("cohort basal area", stems.subject)
        if not _barely_known(stems)
    ]


def _regeneration(unit: UnitFindings, measures: Measures) -> list[str]:
    stages = [
        f"{STAGE_WORDS[claim.subject]} {measures.density(*claim.interval)}"
        for claim in unit.claims_of("regeneration")
        if claim.estimate > 0.5 and not _barely_known(claim)
    ]
    stocking = unit.claim("stocking")
    if not stages or stocking is None:
        return []
    wanted = measures.density(*[float(stocking.subject)] * 3)
    return [
        f"Regeneration: {'; '.join(stages)}. A stocking of {wanted} without germinants is"
        f" {stocking.category}: {probability_words(stocking.probability)}."
    ]


def _oldest(unit: UnitFindings) -> list[str]:
    """The oldest cored tree, as a least age of the stand."""
    row = unit.summary
    if reach_assumed(row):
        reach = reach_words(int(row["trees_reach_unknown"]), int(row["trees_dated"]))
        return [f"How old the trees are {NOT_KNOWN}: {reach}."]
    claim = unit.claim("minimum age")
    if claim is None:
        return []
    what = "passed the height of its core" if _at_core(unit) else "established"
    season = unit.last_season
    years = [
        (season + 1 - age.high, season + 1 - age.low, age.probability)
        for age in unit.claims_of("one of two ages")
    ]
    year = year_words(*(season + 1 - age for age in reversed(claim.interval)))
    if years:
        year = either_words(years)
    return [
        f"The oldest cored tree, {claim.subject}, {what} {year}; the stand is at least"
        f" {claim.low:.0f} years old ({percent(claim.probability)})."
    ]


def _at_core(unit: UnitFindings) -> bool:
    """Whether a unit's years are those of reaching the height of the core."""
    return bool(unit.summary["basis"] == CORING_HEIGHT)


def _shape(unit: UnitFindings) -> list[str]:
    """A rise or fall that lasted, with its year; other shapes are told with the pulses."""
    shape, year = unit.claim("shape"), unit.claim("change year")
    if shape is None or year is None:
        return []
    verb = "rose" if shape.category == "rise" else "fell"
    return [
        f"Recruitment {verb} {year_words(*year.interval)}, more than deaths explain, and stayed so"
        f" as far as the record goes: {probability_words(shape.probability)}."
    ]


def _pulses(unit: UnitFindings) -> list[str]:
    pulses = unit.pulses.to_dict("records")
    if not pulses:
        return [
            "No recruitment pulse stands out from steady recruitment; that is not proof that there"
            " was none."
        ]
    burst = (
        "burst of arrivals at the height of the cores" if _at_core(unit) else "recruitment pulse"
    )
    sentences = []
    for pulse in pulses:
        which = str(pulse["pulse"])
        there, share = unit.claim("pulse", which), unit.claim("pulse share", which)
        years = unit.claims_of("pulse years", which)
        if there is None or share is None:
            continue
        start, end = (claim.interval for claim in years)
        name = f"A {burst}" if len(pulses) == 1 else f"Pulse {which}, a {burst},"
        sentences.append(
            f"{name} is {probability_words(there.probability)}. It began {year_words(*start)}, and"
            f" ended {year_words(*end)}. Its share is {share_words(*share.interval)}; it rests on"
            f" {counted(int(pulse['dated_stems']), 'cored tree')} dated to it."
        )
        sentences += [
            f"Its trees may have been planted ({percent(planted.probability)})."
            for planted in unit.claims_of("planted", which)
        ]
        sentences += [
            "If either a pulse or, recruitment being steady, cutting by size left it, a pulse is"
            f" {probability_words(rather.probability)}."
            for rather in unit.claims_of("pulse rather than cutting", which)
        ]
    return sentences


def _preceded(attribution: pd.DataFrame) -> list[str]:
    """The events on record that are near each pulse."""
    if attribution.empty:
        return []
    by_pulse = [rows.to_dict("records") for _, rows in attribution.groupby("pulse", sort=True)]
    sentences = []
    for rows in by_pulse:
        pulse = "the pulse" if len(by_pulse) == 1 else f"pulse {rows[0]['pulse']}"
        sentences += pulse_sentences(rows, pulse)
    if any(near_events(rows) for rows in by_pulse):
        sentences.append(NO_PROOF)
    return list(dict.fromkeys(sentences))


def _unknown_of_events(attribution: pd.DataFrame) -> list[str]:
    if attribution.empty:
        return []
    events = attribution[attribution["event"] != ""]
    if events.empty:
        return ["What went before the pulses: no event of this stand is on record."]
    sentences = []
    untied = events[events["lag_years_median"].isna()]
    if len(untied):
        kinds = listed(sorted({str(kind).replace("-", " ") for kind in untied["kind"]}))
        sentences.append(
            f"Whether a pulse followed one of the events of the kind {kinds}: they can't be told"
            " apart, or lie before all dates."
        )
    near = near_events(events.to_dict("records"))
    if any(row["claim"] == "nothing" and pd.notna(row["bayes_factor"]) for row in near):
        sentences.append(
            "Whether the stems of a pulse were waiting as seedlings when the event came, or"
            " germinated after it."
        )
    return sentences
