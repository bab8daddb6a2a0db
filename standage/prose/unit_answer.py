"""What a unit's result says, for those who read nothing else: when, how sure, what preceded it, and
what can't be told.

The printed summary and the report say these sentences alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from standage.findings.cannot_tell import (
    AGREED,
    WIDE_YEARS,
    oldest_before,
    reach_assumed,
    too_wide,
    untold,
    why_reach,
)
from standage.findings.events_on_record import LAG_WINDOW, Event
from standage.findings.stand_summary import AGES, EVEN_AGED_SHARE
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.grammar import counted, listed
from standage.prose.attribution import NO_PROOF, begun_words, pulse_sentences
from standage.prose.measures import Measures
from standage.prose.wording import UNSAYABLE, probability_words, share_words, year_words

# probability of an explanation from which it is said that agreement in time is no proof
# (assumption)
NOT_CHANCE = 0.1
# share of the living stems from which ten years are named though no pulse is told there
# (assumption)
LARGE_GROUP = 0.2
HARDLY_ANY = 0.005  # share of stems below which an age isn't worth naming (assumption)


@dataclass(frozen=True)
class Answer:
    """A unit's answer in sentences under its questions: when its stems came and how sure that is,
    what preceded that (empty where no pulse stands out), what stands there by age and amount, what
    can't be told.
    """

    title: str
    when: tuple[str, ...]
    preceded: tuple[str, ...]
    stands_there: tuple[str, ...]
    not_told: tuple[str, ...]


def unit_answer(
    row: pd.Series,
    tables: Mapping[str, pd.DataFrame],
    measures: Measures,
    events: Sequence[Event] = (),
) -> Answer:
    """row: the unit's row of the summary table. tables: those of the result. events: those on
    record for its stand, oldest first.
    """
    pulses, trees = rows_of(tables["pulses"], row), rows_of(tables["tree_dates"], row)
    attribution = rows_of(tables.get("attribution"), row)
    recorded = [events_words(events)] if events else []
    if pulses.empty and recorded:
        recorded = [f"{recorded[0]} Without a pulse there is nothing to be tied to that."]
    return Answer(
        title=unit_name(row),
        when=(
            *_spans(row),
            *_pulses(row, pulses, measures),
            *_other_groups(row, rows_of(tables.get("cohorts"), row), pulses, trees),
            *(recorded if pulses.empty else ()),
        ),
        preceded=(
            ()
            if pulses.empty
            else (*recorded, *(measures.beside_cm(each) for each in _preceded(attribution)))
        ),
        stands_there=(*_oldest(row, trees), *_ages(row), *_amounts(row, measures)),
        not_told=tuple(_not_told(row, pulses, attribution, measures)),
    )


def events_words(events: Sequence[Event]) -> str:
    """The events on record in one sentence; what recurs as one."""
    told = []
    for kind in dict.fromkeys(event.kind for event in events if event.recurring):
        years = [event for event in events if event.recurring and event.kind == kind]
        told.append(
            f"{kind.replace('-', ' ')} again and again from {years[0].first} to {years[-1].last}"
        )
    for event in (event for event in events if not event.recurring):
        when = begun_words(event.first, event.last)
        if event.timing == "period":
            when = f"begun {when} and ended in {event.ended:.0f}"
        told.append(f"{event.kind.replace('-', ' ')} {when}")
    return f"On record: {'; '.join(told)}."


def never_told(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """What no survey of this kind can tell, said once for all units."""
    told = ["How many plants established: only those alive today are seen."]
    attribution = tables.get("attribution")
    if attribution is not None and len(attribution) and (attribution["event"] != "").any():
        told.append("What caused a pulse: dates tell what came before it, not why.")
    return told


def unit_name(row) -> str:
    """A stand and species as a heading."""
    return f"{row['stand']}, {str(row['species']).replace('-', ' ')}"


def rows_of(table: pd.DataFrame | None, row) -> pd.DataFrame:
    """The rows of a table that are about the unit of `row`; none where there is no table."""
    if table is None or table.empty:
        return pd.DataFrame()
    return table[(table["stand"] == row["stand"]) & (table["species"] == row["species"])]


def points(row, name: str) -> tuple[float, float, float]:
    """`name_low`, `_median` and `_high` as plain numbers, NaN where blank."""
    low, median, high = (
        (
            float(pd.to_numeric(row[f"{name}_{point}"], errors="coerce"))
            if pd.notna(row[f"{name}_{point}"])
            else float("nan")
        )
        for point in ("low", "median", "high")
    )
    return low, median, high


def barely_known(row, name: str) -> bool:
    """Whether an amount is known no better than fivefold."""
    low, _, high = points(row, name)
    return too_wide(low, high)


def _spans(row) -> list[str]:
    if pd.isna(row["half_span_first"]) or reach_assumed(row):
        return [f"When the stems came {UNSAYABLE}."]
    share = points(row, "share_in_20_years")
    if share[1] >= EVEN_AGED_SHARE:
        first = int(row["densest_20_years_first"])
        said = "is" if share[0] >= EVEN_AGED_SHARE else "may be"
        return [
            f"The stand {said} even-aged: the share of living stems of the 20 years from {first} is"
            f" {share_words(*share)}."
        ]
    low, middle, high = points(row, "half_span_years")
    if row["half_span_agreed"] < AGREED:
        return [
            f"Half of the living stems came within {low:.0f} to {high:.0f} years, but which years"
            " these are can't be told well."
        ]
    if middle > WIDE_YEARS:
        return [
            f"Stems of many ages stand together: no span of years shorter than about {middle:.0f}"
            " holds half of those alive."
        ]
    return [
        f"Half of the living stems came between {int(row['half_span_first'])} and"
        f" {int(row['half_span_last'])}."
    ]


def _ages(row) -> list[str]:
    if reach_assumed(row):
        return []
    over = [
        f"{share_words(*points(row, f'share_over_{age}_years'))} are over {age} years old"
        for age in AGES
        if points(row, f"share_over_{age}_years")[1] >= HARDLY_ANY
    ]
    told = [
        (
            f"Of the living stems {listed(over)}."
            if over
            else f"Hardly any living stem is over {AGES[0]} years old."
        )
    ]
    last = points(row, "last_recruitment_year")
    what = "reached the height of the cores" if row["basis"] == CORING_HEIGHT else "established"
    return (
        [*told, f"The youngest of them {what} {year_words(*last)}."] if last[1] == last[1] else told
    )


def _amounts(row, measures: Measures) -> list[str]:
    told = []
    if row["amounts"] == SAMPLED:
        told.append(
            "There are no plots: all of this is about the sampled trees, not about a hectare."
        )
    elif not barely_known(row, "stems_per_ha"):
        area = (
            "; the stems listed have a basal area of"
            f" {measures.basal_area(row['basal_area_m2_ha'])}"
            if pd.notna(row["basal_area_m2_ha"])
            else ""
        )
        told.append(
            "Alive today, past breast height, are"
            f" {measures.stems_between(*points(row, 'stems_per_ha'))}{area}."
        )
    grass = points(row, "grass_stage_per_ha")
    if grass[1] > 0.5 and not barely_known(row, "grass_stage_per_ha"):
        told.append(f"Still without a stem are {measures.stems_between(*grass, what='plants')}.")
    return told


def _oldest(row, trees: pd.DataFrame) -> list[str]:
    """The oldest tree; where its year is known badly, the oldest cored one by name, of which more
    is known.
    """
    low, middle, high = points(row, "oldest_year")
    verb = "reached the height of its core" if row["basis"] == CORING_HEIGHT else "established"
    if reach_assumed(row):
        return [f"How old the trees are {UNSAYABLE}: {why_reach(row)}."]
    if not high - low > WIDE_YEARS and not oldest_before(row):
        return [f"The oldest tree that is dated {verb} {year_words(low, middle, high)}."]
    when = f"in {high:.0f} or before" if oldest_before(row) else year_words(low, middle, high)
    told = [f"The year of the oldest tree can't be told well, cored or not: it {verb} {when}."]
    name = _year_column(row)
    if len(trees):
        cored = trees[
            (trees["basis"] == "cored")
            & (trees["status"] == "live")
            & trees[f"{name}_median"].notna()
        ]
        if len(cored):
            oldest = cored.sort_values([f"{name}_median", f"{name}_low"]).iloc[0]
            told.append(
                f"The oldest living tree that is cored, {oldest['tree']}, {verb}"
                f" {year_words(*points(oldest, name))}."
            )
    return told


def _year_column(row) -> str:
    """The column of tree_dates that holds the years a unit speaks of."""
    return "coring_height_year" if row["basis"] == CORING_HEIGHT else "establishment_year"


def _other_groups(
    row, cohorts: pd.DataFrame, pulses: pd.DataFrame, trees: pd.DataFrame
) -> list[str]:
    """Ten years that hold many of the stems and are in no pulse: that they are not called one says
    little against them.
    """
    if cohorts.empty or reach_assumed(row):
        return []
    name = _year_column(row)
    told = []
    for cohort in cohorts.to_dict("records"):
        first, last = int(cohort["first_year"]), int(cohort["last_year"])
        in_pulse = (
            len(pulses) and ((pulses["start_low"] <= last) & (pulses["end_high"] >= first)).any()
        )
        if in_pulse or not points(cohort, "share")[1] >= LARGE_GROUP:
            continue
        dated = (
            int(((trees["basis"] == "cored") & trees[f"{name}_median"].between(first, last)).sum())
            if len(trees)
            else 0
        )
        are = "is" if dated == 1 else "are"
        told.append(
            f"The share of the years {first} to {last} is {share_words(*points(cohort, 'share'))};"
            f" {counted(dated, 'cored tree')} {are} dated to them. What rests on sizes, or has"
            " hardly any years after it, is not called a pulse."
        )
    return told


def _pulses(row, pulses: pd.DataFrame, measures: Measures) -> list[str]:
    if pulses.empty:
        return [
            "No recruitment pulse stands out from steady recruitment; that is not proof that there"
            " was none."
        ]
    burst = (
        "burst of arrivals at the height of the cores"
        if row["basis"] == CORING_HEIGHT
        else "recruitment pulse"
    )
    told = []
    for pulse in pulses.to_dict("records"):
        name = f"A {burst}" if len(pulses) == 1 else f"Pulse {pulse['pulse']}, a {burst},"
        extra = points(pulse, "stems_per_ha")
        beyond = (
            f" ({measures.density(*extra)} more than the years around it would give)"
            if extra[1] == extra[1]
            else ""
        )
        told.append(
            f"{name} is {probability_words(pulse['probability'])}. It began"
            f" {year_words(*points(pulse, 'start'))}, and ended"
            f" {year_words(*points(pulse, 'end'))}. Its share of the living stems is"
            f" {share_words(*points(pulse, 'share'))}{beyond}; it rests on"
            f" {counted(int(pulse['dated_stems']), 'cored tree')} dated to it."
        )
    if (pulses["holds_if_cutting_differs"] != "not assessed").any():
        told.append(
            "Cutting is on record in this stand, and a cut can leave the same shape as a pulse."
        )
    return told


def _preceded(attribution: pd.DataFrame) -> list[str]:
    """Which event on record went before each pulse, how probably it explains it, and how often
    chance would do as well.
    """
    if attribution.empty:
        return []
    by_pulse = [rows.to_dict("records") for _, rows in attribution.groupby("pulse", sort=True)]
    told = []
    for rows in by_pulse:
        told += pulse_sentences(
            rows, "the pulse" if len(by_pulse) == 1 else f"pulse {rows[0]['pulse']}", LAG_WINDOW
        )
    if (attribution["probability_explains"][attribution["event"] != ""] >= NOT_CHANCE).any():
        told.append(NO_PROOF)
    return list(dict.fromkeys(told))


def _not_told(
    row, pulses: pd.DataFrame, attribution: pd.DataFrame, measures: Measures
) -> list[str]:
    """What a reader may look for in vain, each with the reason."""
    return [
        *(str(each) for each in untold(row, pulses, measures)),
        *_not_told_of_events(attribution),
    ]


def _not_told_of_events(attribution: pd.DataFrame) -> list[str]:
    if attribution.empty:
        return []
    events = attribution[attribution["event"] != ""]
    if events.empty:
        return ["What went before the pulses: no event of this stand is on record."]
    told = []
    untied = events[events["lag_years_median"].isna()]
    if len(untied):
        kinds = listed(sorted({str(kind).replace("-", " ") for kind in untied["kind"]}))
        told.append(
            f"Whether a pulse followed one of the events of the kind {kinds}: they can't be told"
            " apart, or lie before all dates."
        )
    unclear = events[
        (events["claim"] == "nothing")
        & (events["probability_explains"] >= NOT_CHANCE)
        & events["bayes_factor"].notna()
    ]
    if len(unclear):
        told.append(
            "Whether the stems of a pulse were waiting as seedlings when the event came, or"
            " germinated after it."
        )
    return told
