"""One stand and species in sentences: when its stems came, what preceded its pulses, what stands
there, and what isn't known.

The printed summary and the report take the same sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from standage.findings.cannot_tell import (
    AGREED,
    WIDE_YEARS,
    reach_assumed,
    too_wide,
)
from standage.findings.events_on_record import Event
from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.findings.stand_summary import AGES, EVEN_AGED_SHARE
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.findings.unit_findings import UnitFindings
from standage.grammar import counted, listed
from standage.prose.attribution import NO_PROOF, begun_words, near_events, pulse_sentences
from standage.prose.cannot_tell import open_question_sentence, reach_words
from standage.prose.measures import Measures
from standage.prose.wording import NOT_KNOWN, probability_words, share_words, year_words

# share of the living stems from which ten years are named though they are in no pulse (assumption)
LARGE_GROUP = 0.2
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
            *_spans(unit),
            *_pulses(unit, measures),
            *_other_groups(unit),
            *(() if has_pulse else events),
        ),
        preceded=(*events, *preceded) if has_pulse else (),
        composition=(*_oldest(unit), *_ages(unit), *_amounts(unit, measures)),
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


def _barely_known(interval: Interval) -> bool:
    """Whether an amount is known no better than fivefold."""
    return too_wide(interval.low, interval.high)


def _spans(unit: UnitFindings) -> list[str]:
    row = unit.summary
    if pd.isna(row["half_span_first"]) or reach_assumed(row):
        return [f"When the stems came {NOT_KNOWN}."]
    share = unit.interval("share_in_20_years")
    if share.median >= EVEN_AGED_SHARE:
        first = int(row["densest_20_years_first"])
        verb = "is" if share.low >= EVEN_AGED_SHARE else "may be"
        return [
            f"The stand {verb} even-aged: the share of living stems of the 20 years from {first} is"
            f" {share_words(*share)}."
        ]
    span = unit.interval("half_span_years")
    if row["half_span_agreed"] < AGREED:
        return [
            f"Half of the living stems came within {span.low:.0f} to {span.high:.0f} years, but"
            " which years these are can't be told well."
        ]
    if span.median > WIDE_YEARS:
        return [
            "Stems of many ages stand together: no span of years shorter than about"
            f" {span.median:.0f} holds half of those alive."
        ]
    return [
        f"Half of the living stems came between {int(row['half_span_first'])} and"
        f" {int(row['half_span_last'])}."
    ]


def _ages(unit: UnitFindings) -> list[str]:
    row = unit.summary
    if reach_assumed(row):
        return []
    shares = {age: unit.interval(f"share_over_{age}_years") for age in AGES}
    over = [
        f"{share_words(*share)} are over {age} years old"
        for age, share in shares.items()
        if share.median >= HARDLY_ANY
    ]
    return [
        f"Of the living stems {listed(over)}."
        if over
        else f"Hardly any living stem is over {AGES[0]} years old."
    ]


def _amounts(unit: UnitFindings, measures: Measures) -> list[str]:
    row = unit.summary
    sentences = []
    stems = unit.interval("stems_per_ha")
    if row["amounts"] == SAMPLED:
        sentences.append(
            "There are no plots: all of this is about the sampled trees, not about a hectare."
        )
    elif not _barely_known(stems):
        basal_area = (
            "; the stems listed have a basal area of"
            f" {measures.basal_area(row['basal_area_m2_ha'])}"
            if pd.notna(row["basal_area_m2_ha"])
            else ""
        )
        sentences.append(
            f"Alive today, past breast height, are {measures.stems_between(*stems)}{basal_area}."
        )
    grass = unit.interval("grass_stage_per_ha")
    if grass.median > 0.5 and not _barely_known(grass):
        amount = measures.stems_between(*grass, what="plants")
        sentences.append(f"Still without a stem are {amount}.")
    return sentences


def _oldest(unit: UnitFindings) -> list[str]:
    """The oldest cored tree, as a least age of the stand."""
    row = unit.summary
    if reach_assumed(row):
        reach = reach_words(int(row["trees_reach_unknown"]), int(row["trees_dated"]))
        return [f"How old the trees are {NOT_KNOWN}: {reach}."]
    if not row["oldest_cored_tree"]:
        return []
    verb = "reached the height of its core" if _at_core(row) else "established"
    when = year_words(*unit.interval("oldest_cored_year"))
    return [
        f"The oldest cored tree, {row['oldest_cored_tree']}, {verb} {when}; the stand is at least"
        " that old."
    ]


def _at_core(row: Row) -> bool:
    """Whether a unit's years are those of reaching the height of the core."""
    return bool(row["basis"] == CORING_HEIGHT)


def _year_column(row: Row) -> str:
    """The column of tree_dates that holds the years of a unit."""
    return "coring_height_year" if _at_core(row) else "establishment_year"


def _other_groups(unit: UnitFindings) -> list[str]:
    """Ten years that hold many of the stems and are in no pulse: that they are not called one says
    little against them.
    """
    row, pulses, trees = unit.summary, unit.pulses, unit.trees
    if reach_assumed(row):
        return []
    name = _year_column(row)
    sentences = []
    for cohort in unit.cohorts.to_dict("records"):
        first, last = int(cohort["first_year"]), int(cohort["last_year"])
        in_pulse = ((pulses["start_low"] <= last) & (pulses["end_high"] >= first)).any()
        share = Interval.of(cohort, "share")
        if in_pulse or not share.median >= LARGE_GROUP:
            continue
        in_class = trees[f"{name}_median"].between(first, last)
        dated = int(((trees["basis"] == "cored") & in_class).sum())
        verb = "is" if dated == 1 else "are"
        sentences.append(
            f"The share of the years {first} to {last} is {share_words(*share)};"
            f" {counted(dated, 'cored tree')} {verb} dated to them. What rests on sizes, or has"
            " hardly any years after it, is not called a pulse."
        )
    return sentences


def _pulses(unit: UnitFindings, measures: Measures) -> list[str]:
    pulses = unit.pulses.to_dict("records")
    if not pulses:
        return [
            "No recruitment pulse stands out from steady recruitment; that is not proof that there"
            " was none."
        ]
    burst = (
        "burst of arrivals at the height of the cores"
        if _at_core(unit.summary)
        else "recruitment pulse"
    )
    sentences = []
    for pulse in pulses:
        name = f"A {burst}" if len(pulses) == 1 else f"Pulse {pulse['pulse']}, a {burst},"
        extra = Interval.of(pulse, "stems_per_ha")
        beyond = (
            f" ({measures.density(*extra)} more than the years around it would give)"
            if extra.known
            else ""
        )
        sentences.append(
            f"{name} is {probability_words(pulse['probability'])}. It began"
            f" {year_words(*Interval.of(pulse, 'start'))}, and ended"
            f" {year_words(*Interval.of(pulse, 'end'))}. Its share of the living stems is"
            f" {share_words(*Interval.of(pulse, 'share'))}{beyond}; it rests on"
            f" {counted(int(pulse['dated_stems']), 'cored tree')} dated to it."
        )
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
