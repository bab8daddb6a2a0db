"""What each picture of a report shows, in words, for those who don't see it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from standage.findings.cannot_tell import AGREED
from standage.findings.intervals import Interval
from standage.findings.model_checks import DELAYS
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.findings.unit_findings import UnitFindings, unit_name
from standage.grammar import counted
from standage.prose.wording import NOT_KNOWN, percent, probability_words, rounded, year_words

PULSE_SHADE = "Shaded: the pulse, pale as early and as late as it may reach."


def strips_text(stand_summary: pd.DataFrame) -> str:
    """The histograms of all stands on one axis: when half of the stems of each came."""
    spans = []
    for row in stand_summary.to_dict("records"):
        known = pd.notna(row["half_span_first"]) and row["half_span_agreed"] >= AGREED
        span = f"{row['half_span_first']} to {row['half_span_last']}" if known else NOT_KNOWN
        spans.append(f"{row['stand']}: {span}")
    return (
        "Histograms of the stands' stems by ten years of establishment, on one axis. Half of the"
        f" stems came in: {'; '.join(spans)}."
    )


def pair_text(first: str, second: str) -> str:
    """Two age structures on one axis."""
    return f"Share of the stems by ten years of establishment, {first} upward, {second} downward."


def distances_text(pairs: pd.DataFrame) -> str:
    """How far apart pairs lie: the most different and the most alike. pairs: in that order."""
    most, least = (
        f"{row['first']} and {row['second']}, {row['difference_median']:.0f} years"
        for row in (pairs.iloc[0], pairs.iloc[-1])
    )
    return (
        f"Distances of the age structures of {counted(len(pairs), 'pair')} of stands, with"
        f" intervals. Most different: {most}; most alike: {least}."
    )


def cored_with_year(unit: UnitFindings) -> int:
    """Living cored trees that have a year of the kind that the picture shows."""
    trees = unit.trees[(unit.trees["basis"] == "cored") & (unit.trees["status"] == "live")]
    at_core = unit.summary["basis"] == CORING_HEIGHT
    name = "coring_height_year" if at_core else "establishment_year"
    return int(trees[f"{name}_median"].notna().sum())


def event_key(events: pd.DataFrame) -> str:
    """What the marks of these events below a time axis are; blank without events."""
    ended = events["ended_year"].astype(float)
    period = ended.notna() & (ended > events["last_year"])
    unsure = events["first_year"] < events["last_year"]
    marks = {
        "triangle, the year": (~period & ~unsure).any(),
        "line between stops, one of these years": unsure.any(),
        "grey bar, how long it lasted": period.any(),
    }
    parts = [words for words, drawn in marks.items() if drawn]
    return f"Events: {'; '.join(parts)}." if parts else ""


def age_caption(unit: UnitFindings, events: pd.DataFrame) -> str:
    """What to see in the picture of age classes, and what of it is data."""
    row = unit.summary
    plots = f" ({counted(int(row['plots']), 'plot')})" if row["plots"] else ""
    pulse = f" {PULSE_SHADE}" if len(unit.pulses) else ""
    limit = row["diameter_limit_cm"]
    stems = f", stems of {limit:g} cm and more" if limit > 0 else ""  # NaN without plots
    return (
        f"Age classes of ten years{stems}. Bars and the intervals on them are the model's,"
        " ticks the data:"
        f" {counted(cored_with_year(unit), 'cored tree')}{plots}.{pulse} Hollow bars have no"
        " ticks and rest on sizes. Old classes are low also because trees died."
        f" {event_key(events)}"
    ).strip()


def cohorts_text(unit: UnitFindings) -> str:
    """The histogram of age classes: its range and its three largest classes."""
    cohorts = unit.cohorts
    sampled = unit.summary["amounts"] == SAMPLED
    name = "share" if sampled else "stems_per_ha"
    largest = (
        cohorts.sort_values(f"{name}_median", ascending=False, kind="stable")
        .head(3)
        .sort_values("first_year")
    )
    parts = []
    for cohort in largest.to_dict("records"):
        low, middle, high = Interval.of(cohort, name)
        amount = (
            f"{percent(middle)} of the stems ({percent(low)} to {percent(high)})"
            if sampled
            else f"{rounded(middle)} stems per hectare ({rounded(low)} to {rounded(high)})"
        )
        parts.append(f"{int(cohort['first_year'])} to {int(cohort['last_year'])}: {amount}")
    span = f"{int(cohorts['first_year'].min())} to {int(cohorts['last_year'].max())}"
    return (
        f"Histogram of the living stems of {unit.name} by class of years, {span}. The largest"
        f" classes are {'; '.join(parts)}."
    )


def rate_text(unit: UnitFindings, undated: list[int]) -> str:
    """The curve of establishment: its range, its pulses, and the centuries without a dated tree."""
    at_core = unit.summary["basis"] == CORING_HEIGHT
    what = "arrival at the height of the core" if at_core else "establishment"
    years = unit.rate["year"]
    sentences = [
        f"Curve of the living stems of {unit.name} by year of {what}, {int(years.min())} to"
        f" {int(years.max())}."
    ]
    for pulse in unit.pulses.to_dict("records"):
        sentences.append(
            f"Pulse {pulse['pulse']} began {year_words(*Interval.of(pulse, 'start'))}:"
            f" {probability_words(pulse['probability'])}."
        )
    if unit.pulses.empty:
        sentences.append("No pulse stands out.")
    if undated:
        centuries = ", ".join(map(str, undated))
        sentences.append(f"No cored tree is dated in the centuries that begin in {centuries}.")
    return " ".join(sentences)


def size_age_text(unit: UnitFindings) -> str:
    return (
        f"Scatter of diameter against age for the cored trees of {unit.name}, with the median the"
        " model fits."
    )


def lags_text(unit: UnitFindings) -> str:
    """Each pulse and event: years between."""
    events = unit.attribution[
        (unit.attribution["event"] != "") & unit.attribution["lag_years_median"].notna()
    ]
    parts = [
        f"pulse {lag['pulse']} began {lag['lag_years_low']:.0f} to {lag['lag_years_high']:.0f}"
        f" years after the beginning of {lag['event']} ({str(lag['kind']).replace('-', ' ')})"
        for lag in events.to_dict("records")
    ]
    return (
        f"Pulses of {unit.name} and events on record (negative years: the pulse came first):"
        f" {'; '.join(parts) if parts else 'no event can be tied to a pulse'}."
    )


def trees_text(unit: UnitFindings, dated: pd.DataFrame) -> str:
    """The picture of all dated trees: how many, from when to when, how well known."""
    cored = dated["basis"] == "cored"
    established = dated["establishment_year_median"].notna().any()
    name = "establishment_year" if established else "coring_height_year"
    low, middle, high = (
        dated[f"{name}_{point}"].astype(float) for point in ("low", "median", "high")
    )
    sentence = (
        f"Dates of {counted(len(dated), 'tree')} of {unit.name}, {cored.sum()} of them cored, from"
        f" {middle.min():.0f} to {middle.max():.0f}."
    )
    width = float(np.nanmedian((high - low)[cored])) if cored.any() else np.nan
    if not np.isfinite(width):
        return sentence
    return f"{sentence} The interval of a cored tree is typically {width:.0f} years wide."


def diameters_text(check: pd.DataFrame) -> str:
    """How many classes of diameter lie outside what the model expects. check: rows of one unit."""
    outside = (check["observed"] < check["predicted_low"]) | (
        check["observed"] > check["predicted_high"]
    )
    return (
        f"Stems listed by diameter class in {_name(check)} against those the model"
        f" expects: {outside.sum()} of {len(check)} classes lie outside the interval."
    )


def counts_text(check: pd.DataFrame) -> str:
    """Plants counted by stage beside those expected. check: rows of one unit."""
    parts = [
        f"{row['stage']}: {row['observed']:.0f} counted, {row['predicted_low']:.0f} to"
        f" {row['predicted_high']:.0f} expected"
        for row in check.to_dict("records")
    ]
    return f"{_name(check)}: {'; '.join(parts)}."


def delay_text(delay: pd.DataFrame) -> str:
    """The commonest length of a delay before and after the data. delay: rows of one unit and
    delay.
    """
    before, after = (
        delay.loc[delay[f"{when}_median"].astype(float).idxmax(), "years"]
        for when in ("prior", "posterior")
    )
    return (
        f"{_name(delay)}, {DELAYS[delay['delay'].iloc[0]]}: commonest length {before:.0f} years"
        f" before the data and {after:.0f} given the data."
    )


def _name(table: pd.DataFrame) -> str:
    """Of the unit that a table is about."""
    return unit_name(str(table["stand"].iloc[0]), str(table["species"].iloc[0]))


def rings_text(rings: pd.DataFrame) -> str:
    """rings: rows of one stand."""
    trees = counted(rings["tree"].nunique(), "tree")
    return (
        f"Ring widths of {trees} of {rings['stand'].iloc[0]}, {int(rings['year'].min())} to"
        f" {int(rings['year'].max())}, with the years in which growth changed for long."
    )


def chronology_text(chronology: pd.DataFrame) -> str:
    """The year most likely to have seen an opening. chronology: rows of one stand."""
    stand = chronology["stand"].iloc[0]
    sentence = f"Shares of trees in {stand} that grew faster or more slowly for long, by year."
    chance = chronology["probability_disturbed"].astype(float)
    if not chance.notna().any():
        return sentence
    most = chronology.loc[chance.idxmax()]
    return (
        f"{sentence} The year most likely to have seen an opening is {int(most['year'])}:"
        f" {probability_words(float(most['probability_disturbed']))}."
    )
