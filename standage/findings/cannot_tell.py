"""What a survey leaves open of a unit, and why: the same questions for the summary, the report and
verdict.json.

A question is open where the survey doesn't answer it, however well the chains agree; whether they
agree is another matter, and the verdict's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.findings.stems import CORING_HEIGHT, MOSTLY, SAMPLED
from standage.findings.young_cohort import SURE_OF_YOUNG

WIDE_RATIO = 5.0  # an amount known no better than fivefold is not given as a number (assumption)
# of the share of a pulse's stems that waited for an event: how wide an interval still says
# something of it (assumption)
WIDEST_SHARE = 0.5
AGREED = 0.8  # share of draws that must agree on a span of years before it is given (assumption)

Question = Literal[
    "years of establishment",
    "amounts",
    "stems",
    "grass stage",
    "oldest tree",
    "when",
    "half span",
    "steady",
    "young cohort",
    "waiting",
]
Reason = Literal[
    "no coring height",
    "no plots",
    "plots differ",
    "reach assumed",
    "no tree dated",
    "sizes alone",
    "spans disagree",
    "hidden by dates",
    "seedlings unsure",
    "delays too wide",
]


@dataclass(frozen=True)
class OpenQuestion:
    """A question that a survey leaves open, with what it rests on where that is a number.

    interval : of the amount. [stems/ha or plants/ha]
    assumed, dated : trees dated by core whose reach is assumed, and all that are.
    """

    question: Question
    reason: Reason
    interval: Interval = Interval(math.nan, math.nan, math.nan)
    assumed: int = 0
    dated: int = 0


def open_questions(
    row: Row, pulses: pd.DataFrame, attribution: pd.DataFrame
) -> tuple[OpenQuestion, ...]:
    """What is left open of one unit. row: its row of the summary table. pulses, attribution: its
    own.
    """
    found = []
    if row["basis"] == CORING_HEIGHT:
        found.append(OpenQuestion("years of establishment", "no coring height"))
    if row["amounts"] == SAMPLED:
        found.append(OpenQuestion("amounts", "no plots"))
    stems, grass = (Interval.of(row, f"{name}_per_ha") for name in ("stems", "grass"))
    if too_wide(stems.low, stems.high):
        found.append(OpenQuestion("stems", "plots differ", stems))
    if too_wide(grass.low, grass.high):
        found.append(OpenQuestion("grass stage", "plots differ", grass))
    if reach_assumed(row):
        assumed, dated = int(row["trees_reach_unknown"]), int(row["trees_dated"])
        questions: tuple[Question, ...] = ("oldest tree", "when")
        found += [
            OpenQuestion(question, "reach assumed", assumed=assumed, dated=dated)
            for question in questions
        ]
    else:
        found += _open_years(row)
    if pulses.empty:
        found.append(OpenQuestion("steady", "hidden by dates"))
    if 1 - SURE_OF_YOUNG < row["probability_young_cohort"] < SURE_OF_YOUNG:
        found.append(OpenQuestion("young cohort", "seedlings unsure"))
    if any(_waited_unknown(rows) for _, rows in attribution.groupby("pulse")):
        found.append(OpenQuestion("waiting", "delays too wide"))
    return tuple(found)


def _waited_unknown(rows: pd.DataFrame) -> bool:
    """Whether it isn't known how many stems of a pulse waited for the nearest event. rows: the
    pulse's of the attribution table.
    """
    near = rows["lag_years_median"].astype(float).abs().sort_values().index[:1]
    waited = Interval.of(rows.loc[near[0]], "share_waiting")
    return waited.known and waited.width > WIDEST_SHARE


def _open_years(row: Row) -> list[OpenQuestion]:
    found = []
    if not row["oldest_cored_tree"]:
        found.append(OpenQuestion("oldest tree", "no tree dated"))
    if not row["trees_dated"]:
        found.append(OpenQuestion("when", "sizes alone"))
    elif (
        pd.notna(row["half_span_agreed"])
        and row["half_span_agreed"] < AGREED
        # which of the 20 years of an even-aged stand hold half is no question
        and not row["probability_even_aged"] >= AGREED
    ):
        found.append(OpenQuestion("half span", "spans disagree"))
    return found


def reach_assumed(row: Row) -> bool:
    """Whether most dated trees of a unit are dated by cores of which it isn't known how far from
    the pith they ended.

    Their rings missed are assumed, from the rings seen: cores alike in length then make trees alike
    in age. row: the unit's row of the summary table.
    """
    return bool(row["trees_reach_unknown"] > MOSTLY * row["trees_dated"])


def too_wide(low: float, high: float) -> bool:
    """Whether an amount is known too badly to be given as a number."""
    return bool(np.isfinite(high)) and high > WIDE_RATIO * max(low, 1e-9) and high >= 1
