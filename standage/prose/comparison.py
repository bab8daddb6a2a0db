"""A comparison in sentences: what is told apart and by how much, what can't be, and what can't even
be asked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from standage.findings.claim import Claim
from standage.findings.claims_of_pairs import COMMUNITIES, claims_in_words
from standage.findings.communities import WELL_KNOWN_SPREAD
from standage.findings.comparison import MOST_STANDS_BY_PAIR
from standage.findings.comparison_measures import (
    AGE_STRUCTURE_DISTANCE,
    SHARE_IN_CLASS,
    SHARED_PULSE,
    STEMS_IN_CLASS,
)
from standage.findings.differences import COMMUNITY_AND_STAND, EVERYTHING, STAND, Obstacle
from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.grammar import capital, counted
from standage.prose.wording import percent, probability_words

WORDS = {
    "median_establishment_year": "the median year of their stems",
    "half_span_years": "the shortest span of years that holds half of their stems",
    "stems_per_ha": "their stems per hectare",
    "number_of_pulses": "their number of pulses",
    "latest_pulse_start": "the start of their latest pulse",
    "years_since_latest_pulse": "the years since their latest pulse ended",
    "share_in_grass_stage": "the share of their plants in the grass stage",
    AGE_STRUCTURE_DISTANCE: "their age structures",
    SHARED_PULSE: "their pulses",
}
TOLD = {  # sentence, word where the first has more, word where it has less
    "median_establishment_year": (
        "the median stem of {first} established {by} than that of {second}",
        "later",
        "earlier",
    ),
    "half_span_years": (
        "half of the stems of {first} came within a span {by} than those of {second}",
        "longer",
        "shorter",
    ),
    "stems_per_ha": ("{first} has {by} stems per hectare than {second}", "more", "fewer"),
    "latest_pulse_start": (
        "the latest pulse of {first} began {by} than that of {second}",
        "later",
        "earlier",
    ),
    "years_since_latest_pulse": (
        "at its survey the latest pulse of {first} had been over for {by} than that of {second}",
        "more",
        "less",
    ),
    "share_in_grass_stage": (
        "of the plants of {first} {by} are in the grass stage than of those of {second}",
        "more",
        "fewer",
    ),
    SHARE_IN_CLASS: (
        "of the stems of {first} {by} established {span} than of those of {second}",
        "more",
        "fewer",
    ),
    STEMS_IN_CLASS: ("{first} has {by} stems per hectare {span} than {second}", "more", "fewer"),
}


def comparison_columns(table: pd.DataFrame) -> dict[str, list[str]]:
    """The English column of comparison.csv."""
    return {"words": [comparison_words(row) for row in table.to_dict("records")]}


def distinct_sentences(table: pd.DataFrame) -> list[str]:
    """Rows of the comparison as sentences, each once."""
    return list(dict.fromkeys(comparison_words(row) for row in table.to_dict("records")))


def comparison_words(row: Row) -> str:
    """One row of the comparison as a sentence."""
    pair = f"{row['first']} and {row['second']}"
    obstacle = row["obstacle"]
    if isinstance(obstacle, Obstacle) and obstacle.reason == "too many stands":
        return (
            f"The {row['first']} of {row['species']} are not compared pair by pair: that is done"
            f" with {MOST_STANDS_BY_PAIR} at most. Put those to be compared into a survey of their"
            " own."
        )
    if isinstance(obstacle, Obstacle):
        what = "" if row["measure"] == EVERYTHING else f" by {_measure_words(row)}"
        return f"{pair} can't be compared{what}: {_obstacle_words(obstacle, row)}."
    if row["measure"] == SHARED_PULSE:
        sentence = _shared_words(row)
    elif row["measure"] == AGE_STRUCTURE_DISTANCE:
        sentence = _distance_words(row)
    else:
        sentence = _difference_words(row, pair)
    return " ".join([sentence, *_cautions(row)])


def _obstacle_words(obstacle: Obstacle, row: Row) -> str:
    """Why two can't be compared, to follow a colon."""
    names = " and ".join(obstacle.stands)
    if row["kind"] == COMMUNITY_AND_STAND and row["measure"] == EVERYTHING:
        return _left_out_words(obstacle, row)
    match obstacle.reason:
        case "other profile":
            return (
                "their results rest on different profiles of the species, and their dates differ by"
                " what these assume"
            )
        case "no coring heights" if row["measure"] == EVERYTHING:
            return (
                f"no coring height is recorded in {names}: its years are those of reaching the"
                " core, not of establishment"
            )
        case "no coring heights":
            return "coring heights are not recorded"
        case "no plots":
            return (
                f"no plots in {names}, so nothing per hectare and no plants of the grass stage are"
                " known there"
            )
        case "other stems":
            listed, sampled = obstacle.stands
            return (
                f"in {listed} all stems of plots were listed and in {sampled} single trees sampled;"
                " these are not the same stems"
            )
        case "no grass stage":
            return "the species has no grass stage"
        case "not searched":
            return f"plants in the grass stage were not searched for in {names}"
        case "no pulse" if row["measure"] == SHARED_PULSE:
            return f"no pulse can be told in {names}"
        case "no pulse":
            return f"no pulse can be told in {names}, which is not proof that there was none"
        case "no common years":
            return "the two have no years in common that they speak about"
        case "too many stands":
            return "they are too many"


def _left_out_words(obstacle: Obstacle, row: Row) -> str:
    """Why a stand is no part of its community's mean, and what becomes of that."""
    without = {
        "no coring heights": "coring heights are not recorded",
        "other profile": "another profile of the species",
        "no plots": "no plots",
    }[obstacle.reason]
    if row["first_estimated"]:
        return f"{without}, so that it is left out of the mean of {row['first']}"
    return f"{without}, so that {row['first']} is not estimated"


def _measure_words(row: Row) -> str:
    span = f"from {row['class_first_year']} to {row['class_last_year']}"
    if row["measure"] == SHARE_IN_CLASS:
        return f"the share of their stems that established {span}"
    if row["measure"] == STEMS_IN_CLASS:
        return f"their stems per hectare that established {span}"
    return WORDS[row["measure"]]


def _difference_words(row: Row, pair: str) -> str:
    if pd.isna(row["difference_median"]):
        return f"{pair} can't be told apart by {_measure_words(row)}: no draw has it in both."
    low, middle, high = Interval.of(row, "difference")
    if row["measure"] == "number_of_pulses":
        pulses = (counted(round(row[f"{side}_median"]), "pulse") for side in ("first", "second"))
        return f"{pair} show {' and '.join(pulses)}."
    if row["told_apart"] == "no":
        return (
            f"{pair} can't be told apart by {_measure_words(row)}: for {row['first']} it is"
            f" {range_words(row)}."
        )
    greater = middle >= 0
    low, middle, high = (low, middle, high) if greater else (-high, -middle, -low)
    template, more, less = TOLD[row["measure"]]
    by = f"{number_words(middle, row)} {unit_words(row)}".removesuffix(" stems/ha")
    span = f"from {row['class_first_year']} to {row['class_last_year']}"
    sentence = template.format(
        first=row["first"], second=row["second"], by=f"{by} {more if greater else less}", span=span
    )
    between = f"(between {number_words(low, row)} and {number_words(high, row)})"
    begins = (
        sentence if template.startswith("{first}") else capital(sentence)
    )  # a stand keeps its own capitals
    return f"{begins} {between}: {probability_words(sign_probability(row))}."


def range_words(row: Row) -> str:
    """The interval of a difference without a sign: `between 35 years earlier and 12 years
    later`.
    """
    low, high = float(row["difference_low"]), float(row["difference_high"])
    _, more, less = TOLD[row["measure"]]
    unit = unit_words(row).replace("stems/ha", "stems per hectare")
    if low < 0 < high:
        return (
            f"between {number_words(-low, row)} {unit} {less} and {number_words(high, row)} {more}"
        )
    near, far = sorted((abs(low), abs(high)))
    return (
        f"between {number_words(near, row)} and {number_words(far, row)} {unit}"
        f" {more if high > 0 else less}"
    )


def sign_probability(row: Row) -> float:
    """Probability that the difference has the sign of its median."""
    greater = float(row["probability_greater"])
    return (
        greater
        if float(row["difference_median"]) >= 0
        else 1 - greater - float(row["probability_equal"])
    )


def number_words(number: float, row: Row) -> str:
    """A difference as it is said: whole years, per cent to a half, amounts to two digits."""
    if row["unit"].startswith("share"):
        number = 100 * number
        text = f"{number:.0f}" if abs(number) >= 10 else f"{number:.1f}"
    elif row["unit"] == "stems/ha":
        places = 1 - int(np.floor(np.log10(max(abs(number), 0.01))))
        text = f"{round(number, places):.{max(places, 0)}f}"
    else:
        text = f"{number:.0f}"
    return text.removeprefix("-") if float(text) == 0 else text


def unit_words(row: Row) -> str:
    return (
        "percentage points"
        if row["unit"].startswith("share")
        else "years"
        if row["unit"] == "calendar year"
        else row["unit"]
    )


def _distance_words(row: Row) -> str:
    """Sentence about the distance of two age structures, against chance."""
    names = f"The age structures of {row['first']} and {row['second']}"
    if not np.isfinite(row["difference_median"]):
        return f"{names} can't be told apart: one of them is not known."
    chance = f"two stands alike would lie up to {row['chance_high']:.0f} years apart by chance"
    apart = (
        f"{row['difference_median']:.0f} years apart (between {row['difference_low']:.0f} and"
        f" {row['difference_high']:.0f})"
    )
    told = row["told_apart"] == "yes"
    return (
        f"{names} lie {apart}; {chance}."
        if told
        else f"{names} can't be told apart: they lie {apart}, and {chance}."
    )


def _shared_words(row: Row) -> str:
    pulses = (
        f"Pulse {row['first_pulse']} of {row['first']} and pulse {row['second_pulse']} of"
        f" {row['second']}"
    )
    shared = (
        f"that a pulse of each began within {row['tolerance']} years of the other is"
        f" {probability_words(row['probability_shared'])}; "
    )
    shared += f"by chance it would be so in {percent(row['chance_shared'])} of cases"
    if pd.isna(row["difference_median"]):
        return f"{pulses} are never both there; {shared}."
    low, middle, high = Interval.of(row, "difference")
    if middle < 0:
        low, middle, high = -high, -middle, -low
    earlier = row["first"] if row["difference_median"] < 0 else row["second"]
    began = (
        "in the same year"
        if round(middle) == 0
        else f"{middle:.0f} years apart, that of {earlier} first"
    )
    return f"{pulses} began {began} (between {low:.0f} and {high:.0f}); {shared}."


def _cautions(row: Row) -> list[str]:
    told = []
    if (
        row["basis"] == "coring height"
        and row["told_apart"] == "not assessed"
        and row["measure"] != "number_of_pulses"
    ):
        told.append(
            "Coring heights are not recorded: years are those of reaching the cores, and a"
            " difference may be one of heights."
        )
    if row["measure"] == "number_of_pulses":
        told.append(
            "Which of them had more is not asked: that no pulse can be told is no proof that there"
            " was none."
        )
    if row["amounts"] == "among sampled trees" and row["measure"] in (
        "median_establishment_year",
        "half_span_years",
    ):
        told.append(
            "That holds of the trees sampled, and of the stands only if trees were chosen alike,"
            " without regard to size or age."
        )
    freedom = row["degrees_of_freedom"]
    if pd.notna(freedom) and freedom < WELL_KNOWN_SPREAD:
        sides = [side for side in ("first", "second") if row[f"{side}_stands"] > 1]
        few = " and ".join(
            f"{row[side]} of {counted(row[f'{side}_stands'], 'stand')}" for side in sides
        )
        told.append(f"How much stands differ within a community is barely known here ({few}).")
    return told


def comparison_sentences(table: pd.DataFrame, level: float) -> list[str]:
    """The comparison for the summary, from its claims: at most three sentences of stands and one of
    communities.

    table: `comparison`.
    """
    sentences = []
    claims = claims_in_words(table, level)
    none = [claim for claim in claims if claim.kind == "not told apart"]
    for number, claim in enumerate(claims):
        after = claims[number + 1 :]
        if claim.kind == "greater" and len(row := _community_row(table, claim)):
            sentences.append(comparison_words(row.to_dict("records")[0]))
        elif claim.kind == "greater":
            sentences.append(_greater_words(claim, after[0], after[1:2]))
        elif claim.kind == "shared pulse":
            sentences.append(_shared_summary(claim, after[:1]))
        elif claim is next(iter(none), None) and claim.subject != COMMUNITIES:
            sentences.append(_none_words([each for each in none if each.subject != COMMUNITIES]))
        elif claim.kind == "not told apart" and claim.subject == COMMUNITIES:
            sentences.append(
                "Communities of two and more stands can't be told apart from each other or from"
                " single stands."
            )
    return sentences


def _community_row(table: pd.DataFrame, claim: Claim) -> pd.DataFrame:
    """The row that a claim about a community rests on; none where it is about stands."""
    if claim.rows.startswith(f"kind {STAND},"):
        return table.iloc[:0]
    pair = {claim.stand, claim.subject}
    rows = table[(table["kind"] != STAND) & (table["measure"] == claim.category)]
    rows = rows[rows["species"] == claim.species]
    return rows[rows["first"].isin(pair) & rows["second"].isin(pair)]


def _none_words(claims: Sequence[Claim]) -> str:
    alike = [
        WORDS[claim.subject].removeprefix("the ").replace("their stems", "stems")
        for claim in claims
        if claim.subject
    ]
    if alike:
        return f"The stands can't be told apart by {' or '.join(alike)}."
    return "The stands can't be compared with each other; comparison.csv says why."


def _greater_words(claim: Claim, amount: Claim, pairs: Sequence[Claim]) -> str:
    """Who has more or is later, by how much, and of how many pairs the like can be told."""
    row = {"unit": amount.unit}
    low, middle, high = (number_words(point, row) for point in amount.interval)
    unit = "" if amount.unit == "stems/ha" else " years"
    sure = probability_words(claim.probability)
    by = f"by about {middle}{unit} (between {low} and {high}), {sure}"
    by += "".join(
        f"; {each.estimate:.0f} of {each.high:.0f} pairs of stands are told apart by it"
        for each in pairs
        if each.kind == "pairs"
    )
    first, second = claim.stand, claim.subject
    if claim.category == "median_establishment_year":
        return f"The median stem of {first} established later than that of {second}, {by}."
    if claim.category == "half_span_years":
        return f"Half of the stems of {first} took longer to come than those of {second}, {by}."
    return f"{first} has more stems per hectare than {second}, {by}."


def _shared_summary(claim: Claim, pairs: Sequence[Claim]) -> str:
    more = "".join(
        f"; so do {each.estimate - 1:.0f} more pairs of stands"
        for each in pairs
        if each.kind == "pairs" and each.estimate > 1
    )
    return (
        f"{claim.stand} and {claim.subject} share a pulse: {probability_words(claim.probability)};"
        f" by chance in {percent(claim.estimate)} of cases{more}."
    )
