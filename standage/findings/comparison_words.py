"""A comparison in sentences: what is told apart and by how much, what can't be, and what can't even be asked."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.findings.attribution_words import percent
from standage.findings.communities import WELL_KNOWN_SPREAD
from standage.findings.comparison_measures import AGE_STRUCTURE_DISTANCE, MEASURES, SHARE_IN_CLASS, SHARED_PULSE, STEMS_IN_CLASS

WORDS = {measure.name: measure.words for measure in MEASURES} | {AGE_STRUCTURE_DISTANCE: "their age structures"}
SUMMARY_MEASURES = ("median_establishment_year", "stems_per_ha", "half_span_years")
FALSELY_TOLD = 0.05  # probability left that the strongest of all pairs, as told in the summary, is none (assumption)
SHARED_IN_SUMMARY = 0.8  # probability from which a shared pulse is told in the summary (assumption)
BY_CHANCE_IN_SUMMARY = 0.5  # and most that chance may give of it (assumption)


def row_words(row: Mapping) -> str:
    """One row of the comparison as a sentence."""
    pair = f"{row['first']} and {row['second']}"
    if "reason" in row:
        what = "" if row["measure"] == "all" else f" by {_measure_words(row)}"
        return f"{pair} can't be compared{what}: {row['reason']}."
    if row["measure"] == SHARED_PULSE:
        sentence = _shared_words(row)
    elif row["measure"] == AGE_STRUCTURE_DISTANCE:
        sentence = _distance_words(row)
    else:
        sentence = _difference_words(row, pair)
    return " ".join([sentence, *_cautions(row)])


def _measure_words(row: Mapping) -> str:
    span = f"from {row.get('class_first_year')} to {row.get('class_last_year')}"
    if row["measure"] == SHARE_IN_CLASS:
        return f"the share of their stems that established {span}"
    if row["measure"] == STEMS_IN_CLASS:
        return f"their stems per hectare that established {span}"
    if row["measure"] == SHARED_PULSE:
        return "their pulses"
    return WORDS[row["measure"]]


def _difference_words(row: Mapping, pair: str) -> str:
    if "difference_median" not in row:
        return f"{pair} can't be told apart by {_measure_words(row)}: no draw has it in both."
    low, middle, high = (row[f"difference_{point}"] for point in ("low", "median", "high"))
    if row["told_apart"] == "no":
        return f"{pair} can't be told apart by {_measure_words(row)}: the difference is between {_amount(low, row)} and {_amount(high, row)}."
    more = "later" if row["unit"] == "calendar year" else "more"
    less = "earlier" if row["unit"] == "calendar year" else "less"
    low, middle, high = (low, middle, high) if middle >= 0 else (-high, -middle, -low)
    by = f"by {_amount(middle, row)} (between {_amount(low, row)} and {_amount(high, row)})"
    likely = max(row["probability_greater"], 1 - row["probability_greater"] - row["probability_equal"])
    sign = more if row["difference_median"] >= 0 else less
    return f"By {_measure_words(row)}, {row['first']} has {sign} than {row['second']} {by}; probability {percent(likely)}."


def _amount(number: float, row: Mapping) -> str:
    unit = row["unit"]
    if unit.startswith("share"):
        return f"{100 * number:.0f} percentage points"
    if unit == "stems/ha":
        return f"{_two_digits(number)} stems/ha"
    return f"{number:.0f} {'years' if unit == 'calendar year' else unit}"


def _two_digits(number: float) -> str:
    if number == 0:
        return "0"
    places = 1 - int(np.floor(np.log10(abs(number))))
    return f"{round(number, places):.{max(places, 0)}f}"


def _distance_words(row: Mapping) -> str:
    """Sentence about the distance of two age structures, against chance."""
    names = f"The age structures of {row['first']} and {row['second']}"
    if not np.isfinite(row["difference_median"]):
        return f"{names} can't be told apart: one of them is not known."
    chance = f"two stands alike would lie up to {row['chance_high']:.0f} years apart by chance"
    apart = f"{row['difference_median']:.0f} years apart (between {row['difference_low']:.0f} and {row['difference_high']:.0f})"
    return f"{names} lie {apart}; {chance}." if row["told_apart"] == "yes" else f"{names} can't be told apart: they lie {apart}, and {chance}."


def _shared_words(row: Mapping) -> str:
    pulses = f"Pulse {row['first_pulse']} of {row['first']} and pulse {row['second_pulse']} of {row['second']}"
    probability, chance = percent(row["probability_shared"]), percent(row["chance_shared"])
    shared = f"that a pulse of each began within {row['tolerance']} years of the other has a probability of {probability}, by chance {chance}"
    if "difference_median" not in row:
        return f"{pulses} are never both there; {shared}."
    low, middle, high = (row[f"difference_{point}"] for point in ("low", "median", "high"))
    if middle < 0:
        low, middle, high = -high, -middle, -low
    earlier = row["first"] if row["difference_median"] < 0 else row["second"]
    began = "in the same year" if round(middle) == 0 else f"{middle:.0f} years apart, that of {earlier} first"
    return f"{pulses} began {began} (between {low:.0f} and {high:.0f}); {shared}."


def _cautions(row: Mapping) -> list[str]:
    told = []
    if row["told_apart"] == "not assessed":
        told.append("Coring heights are not recorded; years are those of reaching the cores, and any difference may be one of their heights.")
    if row["measure"] == "number_of_pulses":
        told.append("Counted are those likelier than not, reported or not; in a stand with fewer cores fewer can be told.")
    if row["amounts"] == "among sampled trees" and row["measure"] in ("median_establishment_year", "half_span_years"):
        told.append("That holds of the trees sampled, and of the stands only if trees were chosen alike, without regard to size or age.")
    if "degrees_of_freedom" in row and row["degrees_of_freedom"] < WELL_KNOWN_SPREAD:
        few = " and ".join(f"{row[side]} of {_stands(row[side + '_stands'])}" for side in ("first", "second") if row[side + "_stands"] > 1)
        told.append(f"How much stands differ within a community is barely known here ({few}).")
    return told


def _stands(number: int) -> str:
    return "1 stand" if number == 1 else f"{number} stands"


def comparison_sentences(table: pd.DataFrame | None) -> list[str]:
    """The comparison for the summary: at most three sentences, of stands only, and only what can be told apart.

    table: `comparison`, or None where there is none. Of many pairs some look different by chance, so a measure is told by its surest pair,
    and only where that pair would be as sure as `FALSELY_TOLD` among so many.
    """
    if table is None or table.empty:
        return []
    stands = table[table["kind"] == "stand"]
    told, alike = [], []
    for name in SUMMARY_MEASURES:
        rows = stands[(stands["measure"] == name) & stands["told_apart"].isin(["yes", "no"])]
        if rows.empty:
            continue
        sentence = _surest(rows)
        if sentence:
            told.append(sentence)
        else:
            alike.append(WORDS[name].removeprefix("the ").replace("their stems", "stems"))
    told = told[:1] + _shared_sentences(stands) + told[1:]
    if not told and alike:
        return [f"The stands can't be told apart by {' or '.join(alike)}."]
    if not told and len(stands) and (stands["told_apart"] == "not compared").all():
        return ["The stands can't be compared with each other; comparison.csv says why."]
    return told[:3]


def _surest(rows: pd.DataFrame) -> str:
    """The pair that a measure tells apart most surely, with the number of pairs it tells apart; blank where none is sure enough."""
    greater = rows["probability_greater"].astype(float)
    surety = np.maximum(greater, 1 - greater - rows["probability_equal"].astype(float)) * rows["probability_both"].astype(float)
    sure = rows[surety >= 1 - FALSELY_TOLD / len(rows)]
    if sure.empty:
        return ""
    row = sure.iloc[int(sure["difference_median"].astype(float).abs().to_numpy().argmax())]
    first, second = (row["first"], row["second"]) if row["difference_median"] >= 0 else (row["second"], row["first"])
    low, middle, high = np.sort(np.abs(row[["difference_low", "difference_median", "difference_high"]].astype(float).to_numpy()))
    by = f"{_amount(middle, row)} (between {_two_digits(low) if row['unit'] == 'stems/ha' else f'{low:.0f}'} and "
    by += f"{_two_digits(high) if row['unit'] == 'stems/ha' else f'{high:.0f}'})"
    count = "" if len(rows) == 1 else f"; {len(sure)} of {len(rows)} pairs of stands are told apart by it"
    if row["measure"] == "median_establishment_year":
        return f"The median stem of {first} established later than that of {second}, by {by}{count}."
    if row["measure"] == "half_span_years":
        return f"Half of the stems of {first} took longer to come than those of {second}, by {by}{count}."
    return f"{first} has more stems per hectare than {second}, by {by}{count}."


def _shared_sentences(stands: pd.DataFrame) -> list[str]:
    rows = stands[(stands["measure"] == SHARED_PULSE) & (stands["told_apart"] == "no")]
    rows = rows[(rows["probability_shared"] >= SHARED_IN_SUMMARY) & (rows["chance_shared"] <= BY_CHANCE_IN_SUMMARY)]
    if rows.empty:
        return []
    row = rows.iloc[int((rows["probability_shared"] - rows["chance_shared"]).astype(float).to_numpy().argmax())]
    more = "" if len(rows) == 1 else f"; so do {len(rows) - 1} more pairs of stands"
    near = f"(probability {percent(row['probability_shared'])}, by chance {percent(row['chance_shared'])})"
    return [f"{row['first']} and {row['second']} share a pulse {near}{more}."]
