"""What a result can't tell of each stand, and why: the same list for the summary, the report and
verdict.json.

A question stands here where the survey leaves it open, however well the chains agree; whether they
agree is another matter, and the verdict's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.findings.stems import CORING_HEIGHT, MOSTLY, SAMPLED
from standage.grammar import counted
from standage.prose.measures import Measures
from standage.prose.wording import rounded

WIDE_RATIO = 5.0  # an amount known no better than fivefold is not told as a number (assumption)
WIDE_YEARS = 60.0  # nor a year known no better than two generations of people (assumption)
# an interval that begins so near the first year considered is cut off by it (assumption)
EDGE_YEARS = 10
AGREED = 0.8  # share of draws that must agree on a span of years before it is told (assumption)

HEIGHTS, AMOUNTS, OLDEST, SPAN, STEADY = (
    "Years of establishment",
    "Stems per hectare",
    "The year of the oldest tree",
    "Which years hold half of the stems",
    "Whether recruitment was steady",
)
MANY, MANY_GRASS = (
    f"How many {what} are alive, to better than fivefold"
    for what in ("stems", "plants without a stem")
)
WHEN = "When the stems came"
METRIC_ALONE = Measures()


@dataclass(frozen=True)
class Untold:
    """One question that stays open. what: the question as a heading. why: the reason, going on
    after a colon.
    """

    what: str
    why: str

    def __str__(self) -> str:
        return f"{self.what}: {self.why}"


def reach_assumed(row: Mapping) -> bool:
    """Whether most dated trees of a unit are dated by cores of which it isn't known how far from
    the pith they ended.

    Their rings missed are assumed, from the rings seen: cores alike in length then make trees alike
    in age. row: the unit's row of the summary table.
    """
    return row["trees_reach_unknown"] > MOSTLY * row["trees_dated"]


def why_reach(row: Mapping) -> str:
    """The same in words."""
    return (
        f"{int(row['trees_reach_unknown'])} of {counted(int(row['trees_dated']), 'tree')} dated by"
        " core have neither the pith nor its distance recorded, so that ages are mostly assumed;"
        " what is known is that a tree is no younger than its rings seen"
    )


def untold(row: Mapping, pulses: pd.DataFrame, measures: Measures = METRIC_ALONE) -> list[Untold]:
    """What can't be told of one unit. row: its row of the summary table. pulses: its rows of the
    table of pulses. measures: of amounts.
    """
    left = []
    if row["basis"] == CORING_HEIGHT:
        left.append(
            Untold(
                HEIGHTS,
                "no coring height is recorded, so years are those of reaching the height of the"
                " core.",
            )
        )
    if row["amounts"] == SAMPLED:
        left.append(Untold(AMOUNTS, "there are no plots."))
    for name, what in (("stems_per_ha", MANY), ("grass_stage_per_ha", MANY_GRASS)):
        low, middle, high = (float(row[f"{name}_{point}"]) for point in ("low", "median", "high"))
        if too_wide(low, high):
            left.append(
                Untold(
                    what,
                    f"{measures.density(low, middle, high)}, for the plots are too few, or differ"
                    " too much.",
                )
            )
    if reach_assumed(row):
        left += [Untold(what, f"{why_reach(row)}.") for what in (OLDEST, WHEN)]
    else:
        left += _open_years(row)
    if pulses.empty:
        left.append(
            Untold(STEADY, "a short pulse could be hidden by what isn't known of the dates.")
        )
    return left


def oldest_before(row: Mapping) -> bool:
    """Whether the oldest tree may have come before all years considered, so that only the end of
    its interval is known.
    """
    return bool(
        pd.notna(row["oldest_year_low"])
        and row["oldest_year_low"] - row["years_from"] <= EDGE_YEARS
    )


def _open_years(row: Mapping) -> list[Untold]:
    left = []
    first, last = row["oldest_year_low"], row["oldest_year_high"]
    if pd.isna(first):
        left.append(Untold(OLDEST, "no tree could be dated."))
    elif oldest_before(row):
        left.append(
            Untold(
                OLDEST,
                f"it is known only to be {last} or before; years before {row['years_from']} were"
                " not considered.",
            )
        )
    elif last - first > WIDE_YEARS:
        left.append(
            Untold(OLDEST, f"it is known only to within some {rounded(last - first)} years.")
        )
    if not row["trees_dated"]:
        left.append(
            Untold(
                WHEN,
                "no tree is dated by its core; years rest on sizes and the species profile alone.",
            )
        )
    elif pd.notna(row["half_span_agreed"]) and row["half_span_agreed"] < AGREED:
        left.append(Untold(SPAN, "several spans would do."))
    return left


def too_wide(low: float, high: float) -> bool:
    """Whether an amount is known too badly to be told as a number."""
    return bool(np.isfinite(high)) and high > WIDE_RATIO * max(low, 1e-9) and high >= 1


def cannot_tell(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, str]]:
    """All of it as records `stand`, `species`, `what`, `why`, for verdict.json. tables: those of a
    result.
    """
    pulses, records = tables["pulses"], []
    for row in tables["stand_summary"].to_dict("records"):
        own = pulses[(pulses["stand"] == row["stand"]) & (pulses["species"] == row["species"])]
        records += [
            {"stand": row["stand"], "species": row["species"], "what": each.what, "why": each.why}
            for each in untold(row, own)
        ]
    return records
