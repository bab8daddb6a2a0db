"""What a unit's result says, for those who read nothing else: when, how sure, what preceded it, and what can't be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from standage.findings.attribution_words import event_name, lag_words
from standage.findings.stand_summary import EVEN_AGED_SHARE
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.report.measures import Measures
from standage.spoken import AGREED, NOT_CHANCE, WIDE_RATIO, WIDE_YEARS, sayable
from standage.words import UNSAYABLE, counted, listed, percent, probability_words, year_words


@dataclass(frozen=True)
class Answer:
    """A unit's answer in sentences under its four questions; `preceded` is empty where no pulse stands out."""

    title: str
    when: tuple[str, ...]
    preceded: tuple[str, ...]
    not_told: tuple[str, ...]


def unit_answer(row: pd.Series, tables: Mapping[str, pd.DataFrame], measures: Measures) -> Answer:
    """row: the unit's row of the summary table. tables: those of the result."""
    pulses = rows_of(tables["pulses"], row)
    attribution = rows_of(tables.get("attribution"), row)
    return Answer(
        title=unit_name(row),
        when=(_span(row), *_pulses(row, pulses), _oldest(row), *_stems(row, measures)),
        preceded=tuple(_preceded(pulses, attribution)),
        not_told=tuple(_not_told(row, pulses, attribution)),
    )


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
    return tuple(
        float(pd.to_numeric(row[f"{name}_{point}"], errors="coerce")) if pd.notna(row[f"{name}_{point}"]) else float("nan")
        for point in ("low", "median", "high")
    )


def _stems(row, measures: Measures) -> list[str]:
    if row["amounts"] == SAMPLED:
        return ["There are no plots: everything said here is about the sampled trees, not about a hectare."]
    low, middle, high = points(row, "stems_per_ha")
    if high > WIDE_RATIO * max(low, 1e-9):
        return [f"How many stems are alive is known only to lie between {sayable(low)} and {sayable(high)} per hectare."]
    area = f", with {measures.basal_area(row['basal_area_m2_ha'])} of basal area" if pd.notna(row["basal_area_m2_ha"]) else ""
    return [f"Alive today are about {measures.stems(middle)}, between {sayable(low)} and {sayable(high)}{area}."]


def _span(row) -> str:
    if pd.isna(row["half_span_first"]):
        return f"When the stems came {UNSAYABLE}."
    share = points(row, "share_in_20_years")[1]
    if share >= EVEN_AGED_SHARE:
        first = int(row["densest_20_years_first"])
        return f"The stand is even-aged: {percent(share)} of the living stems came within the 20 years from {first}."
    if row["half_span_agreed"] < AGREED:
        years = points(row, "half_span_years")
        return f"Half of the living stems came within {years[0]:.0f} to {years[2]:.0f} years, but which years these are can't be told well."
    years = points(row, "half_span_years")[1]
    if years > WIDE_YEARS:
        return f"Stems of many ages stand together: no span of years shorter than about {years:.0f} holds half of those alive."
    return f"Half of the living stems came between {int(row['half_span_first'])} and {int(row['half_span_last'])}."


def _oldest(row) -> str:
    verb = "reached the height of its core" if row["basis"] == CORING_HEIGHT else "established"
    return f"The oldest tree that is dated {verb} {year_words(*points(row, 'oldest_year'))}."


def _pulses(row, pulses: pd.DataFrame) -> list[str]:
    if pulses.empty:
        return ["No recruitment pulse stands out from steady recruitment; this is not proof that there was none."]
    burst = "burst of arrivals at the height of the cores" if row["basis"] == CORING_HEIGHT else "pulse of recruitment"
    told = []
    for pulse in pulses.to_dict("records"):
        name = f"A {burst}" if len(pulses) == 1 else f"Pulse {pulse['pulse']}, a {burst},"
        share = f"{percent(points(pulse, 'share')[0])} to {percent(points(pulse, 'share')[2])} of the living stems"
        rests = f"it rests on {counted(int(pulse['dated_stems']), 'cored tree')} dated to it"
        told.append(
            f"{name} is {probability_words(pulse['probability'])}. It began {year_words(*points(pulse, 'start'))}, and ended "
            f"{year_words(*points(pulse, 'end'))}; it holds {share}, and {rests}."
        )
    return told


def _preceded(pulses: pd.DataFrame, attribution: pd.DataFrame) -> list[str]:
    """One sentence a pulse: which event on record went before it, how probably that explains it, and how often chance would do as well."""
    told = []
    for number, rows in attribution.groupby("pulse", sort=True) if len(attribution) else ():
        name = "the pulse" if len(pulses) == 1 else f"pulse {number}"
        events = rows[(rows["event"] != "") & rows["probability_explains"].notna()]
        none = rows[rows["event"] == ""]
        if events.empty:
            told.append(f"No event on record can be tied to {name}.")
            continue
        best = events.loc[events["probability_explains"].astype(float).idxmax()].to_dict()
        if len(none) and best["probability_explains"] <= none["probability_explains"].fillna(0).iloc[0]:
            told.append(
                f"No event on record explains {name} well: that none does is {probability_words(none['probability_explains'].iloc[0])}."
            )
            continue
        chance = f"events placed at random would come as close in {percent(best['chance_match'])} of cases"
        told.append(
            f"{name[0].upper()}{name[1:]} began {lag_words(best)}. That {event_name(best)} explains it, and not another event "
            f"or none on record, is {probability_words(best['probability_explains'])}; {chance}."
        )
        if best["claim"] == "waiting":
            told.append("Most of its stems were already there as seedlings without a stem when that happened.")
        elif best["claim"] == "germinated after":
            told.append("Most of its stems germinated after that.")
        if best["other_explanation"]:
            told.append(f"But {best['other_explanation']}.")
    if len(attribution) and (attribution["probability_explains"][attribution["event"] != ""] >= NOT_CHANCE).any():
        told.append("Agreement in time is not proof of cause.")
    return list(dict.fromkeys(told))


def _not_told(row, pulses: pd.DataFrame, attribution: pd.DataFrame) -> list[str]:
    """What a reader may look for in vain, each with the reason."""
    told = ["How many plants established: only those alive today are seen."]
    if row["basis"] == CORING_HEIGHT:
        told.append("Years of establishment: no coring height is recorded, so years are those of reaching the height of the core.")
    if row["amounts"] == SAMPLED:
        told.append("Stems per hectare: there are no plots.")
    elif (ends := points(row, "stems_per_ha"))[2] > WIDE_RATIO * max(ends[0], 1e-9):
        told.append("How many stems there are, to better than fivefold: the plots are too few or too unlike.")
    oldest = points(row, "oldest_year")
    if oldest[2] - oldest[0] > WIDE_YEARS:
        told.append(f"The year of the oldest tree: it is known only to {oldest[2] - oldest[0]:.0f} years.")
    if pd.notna(row["half_span_agreed"]) and row["half_span_agreed"] < AGREED:
        told.append("Which years hold half of the stems: several spans would do.")
    if pulses.empty:
        told.append("Whether recruitment was steady: a short pulse could be hidden by what isn't known of the dates.")
    told += _not_told_of_events(attribution)
    return told


def _not_told_of_events(attribution: pd.DataFrame) -> list[str]:
    if attribution.empty:
        return []
    events = attribution[attribution["event"] != ""]
    if events.empty:
        return ["What went before the pulses: no event of this stand is on record."]
    told = ["What caused a pulse: dates tell what came before it, not why."]
    untied = events[events["lag_years_median"].isna()]
    if len(untied):
        kinds = listed(sorted({str(kind).replace("-", " ") for kind in untied["kind"]}))
        told.append(f"Whether a pulse followed one of the events of the kind {kinds}: they can't be told apart, or lie before all dates.")
    unclear = events[(events["claim"] == "nothing") & (events["probability_explains"] >= NOT_CHANCE) & events["bayes_factor"].notna()]
    if len(unclear):
        told.append("Whether the stems of a pulse were waiting as seedlings when the event came, or germinated after it.")
    return told
