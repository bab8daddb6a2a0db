"""What is claimed of stands, or communities, side by side: who has more or is later, by how much,
which share a pulse, whose age structures differ.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
import pandas as pd

from standage.findings.claim import Claim
from standage.findings.comparison import COMPARISON
from standage.findings.comparison_measures import AGE_STRUCTURE_DISTANCE, SHARED_PULSE
from standage.findings.differences import NO, NOT_COMPARED, STAND, YES
from standage.findings.intervals import Interval
from standage.findings.most_different import MOST_PAIRS, distances, extremes
from standage.findings.schema import Row

SUMMARY_MEASURES = ("median_establishment_year", "stems_per_ha", "half_span_years")
# differences that somebody would act on
ACTED_ON = (*SUMMARY_MEASURES, "latest_pulse_start", "share_in_grass_stage")
# probability left that the strongest of all pairs, as told in the summary, is none (assumption)
FALSELY_TOLD = 0.05
SHARED_IN_SUMMARY = 0.8  # probability from which a shared pulse is told in the summary (assumption)
LIKELIER = 0.5  # probability from which a shared pulse is claimed, below that there is none
BY_CHANCE_IN_SUMMARY = 0.5  # and most that chance may give of it (assumption)
COMMUNITIES = "communities"  # of whom it is claimed that none can be told apart
OF_BOTH = "the stems or plants of both"


def pair_claims(table: pd.DataFrame, level: float) -> tuple[Claim, ...]:
    """All claims: those of the sentences, then those of the pairs shown in tables.

    table : `comparison`.
    """
    found = claims_in_words(table, level)
    stands = table[table["kind"] == STAND]
    shown = _pairs_shown(stands)
    for row in shown.to_dict("records"):
        if row["measure"] in ACTED_ON and row["told_apart"] == YES:
            found += _difference(row, level)
        elif row["measure"] == SHARED_PULSE and pd.notna(row["probability_shared"]):
            found.append(_shared(row))
        elif row["measure"] == AGE_STRUCTURE_DISTANCE and pd.notna(row["difference_median"]):
            found += _distance(row, level)
    return tuple(dict.fromkeys(found))


def claims_in_words(table: pd.DataFrame, level: float) -> list[Claim]:
    """Those of the sentences, in their order: of stands only what can be told apart, then of
    communities the surest difference.

    Of many pairs some look different by chance, so a measure is claimed of its surest pair, and
    only where that pair would be as sure as `FALSELY_TOLD` among so many.
    """
    stands, others = table[table["kind"] == STAND], table[table["kind"] != STAND]
    told, alike = [], []
    for name in SUMMARY_MEASURES:
        rows = stands[(stands["measure"] == name) & stands["told_apart"].isin([YES, NO])]
        row = _surest(rows)
        if row is not None:
            apart = int((rows["told_apart"] == YES).sum())
            told.append([*_difference(row, level), *_number_of_pairs(row, apart, len(rows))])
        elif len(rows):
            alike.append(_of_none(rows, name, "can't be told apart"))
    told = told[:1] + _shared_pulses(stands) + told[1:]
    found = [claim for claims in told[:3] for claim in claims]
    if not found and alike:
        found = alike
    elif not found and len(stands) and (stands["told_apart"] == NOT_COMPARED).all():
        found = [_of_none(stands, "", NOT_COMPARED)]
    return [*found, *_of_communities(others, level)]


def _pairs_shown(stands: pd.DataFrame) -> pd.DataFrame:
    """Rows of the pairs of which tables tell: of many the most different and the most alike."""
    by_pair = ["first", "second", "species"]
    if stands.groupby(by_pair, sort=False).ngroups <= MOST_PAIRS:
        return stands
    chosen = extremes(distances(stands))[by_pair]
    return chosen.merge(stands, on=by_pair, how="left")


def _surest(rows: pd.DataFrame) -> Row | None:
    """Of the pairs that are told apart surely enough among so many, that which is farthest apart;
    None without one.
    """
    if rows.empty:
        return None
    greater = rows["probability_greater"].astype(float)
    sign = np.maximum(greater, 1 - greater - rows["probability_equal"].astype(float))
    surety = sign * rows["probability_both"].astype(float)
    sure = rows[surety >= 1 - FALSELY_TOLD / len(rows)]
    if sure.empty:
        return None
    farthest = int(sure["difference_median"].astype(float).abs().to_numpy().argmax())
    return sure.to_dict("records")[farthest]


def _of(row: Row, stand: str, other: str) -> partial[Claim]:
    """What all claims from a row of the comparison have in common."""
    return partial(
        Claim,
        stand=stand,
        species=str(row["species"]),
        subject=other,
        population=OF_BOTH,
        table=COMPARISON.name,
        rows=", ".join(f"{each} {row[each]}" for each in ("kind", "measure", "first", "second")),
        basis=str(row["basis"]),
    )


def _difference(row: Row, level: float) -> list[Claim]:
    """Who has more or is later, and by how much; the stand of the claim is the one that has."""
    low, middle, high = Interval.of(row, "difference")
    greater = float(row["probability_greater"])
    more = middle >= 0
    first, second = str(row["first"]), str(row["second"])
    of = _of(row, first, second) if more else _of(row, second, first)
    sign = greater if more else 1 - greater - float(row["probability_equal"])
    measure = str(row["measure"])
    return [
        of(
            kind="greater", quantity="that it has more or is later", category=measure,
            probability=sign * float(row["probability_both"]), scored="event",
            columns="probability_greater, probability_equal, probability_both",
        ),
        of(
            kind="difference", quantity="how much more or later", category=measure,
            probability=level * float(row["probability_both"]), scored="inside",
            columns="difference_*, probability_both", unit=str(row["unit"]),
            interval=Interval(low, middle, high) if more else Interval(-high, -middle, -low),
        ),
    ]  # fmt: skip


def _number_of_pairs(row: Row, number: int, of_all: int) -> Iterator[Claim]:
    """Of how many pairs the like can be said, where there are several."""
    if of_all > 1:
        yield _of(row, "", "")(
            kind="pairs", quantity="pairs of stands of which it can be told, of those compared",
            rows="",
            category=str(row["measure"]), probability=np.nan, scored="none", columns="told_apart",
            unit="pairs", interval=Interval(np.nan, number, of_all),
        )  # fmt: skip


def _shared(row: Row) -> Claim:
    """That they share a pulse, or that they share none: whichever is likelier."""
    shared = float(row["probability_shared"])
    none = "" if shared >= LIKELIER else "no "
    return _of(row, str(row["first"]), str(row["second"]))(
        kind="no shared pulse" if none else "shared pulse",
        quantity=f"that {none or 'a '}pulse of each began within few years of the other;"
        " estimate: shared by chance",
        probability=1 - shared if none else shared, scored="event", category=SHARED_PULSE,
        columns="probability_shared, chance_shared", unit="probability",
        interval=Interval(np.nan, float(row["chance_shared"]), np.nan),
    )  # fmt: skip


def _distance(row: Row, level: float) -> list[Claim]:
    """Not scored: a distance is over 0 wherever anything is unknown, also between stands alike."""
    of = partial(_of(row, str(row["first"]), str(row["second"])), category=AGE_STRUCTURE_DISTANCE)
    return [
        of(
            kind="age structures differ", quantity="that they differ by more than chance gives",
            probability=float(row["probability_greater"]), scored="none",
            columns="probability_greater",
        ),
        of(
            kind="difference", quantity="years between the age structures", probability=level,
            scored="none", columns="difference_*", unit="years",
            interval=Interval.of(row, "difference"),
        ),
    ]  # fmt: skip


def _shared_pulses(stands: pd.DataFrame) -> list[list[Claim]]:
    """The pair that shares a pulse most surely, set against chance."""
    compared = stands[(stands["measure"] == SHARED_PULSE) & stands["told_apart"].isin([YES, NO])]
    rows = compared[compared["told_apart"] == NO]
    rows = rows[
        (rows["probability_shared"] >= SHARED_IN_SUMMARY)
        & (rows["chance_shared"] <= BY_CHANCE_IN_SUMMARY)
    ]
    if rows.empty:
        return []
    above = (rows["probability_shared"] - rows["chance_shared"]).astype(float)
    row = rows.to_dict("records")[int(above.to_numpy().argmax())]
    return [[_shared(row), *_number_of_pairs(row, len(rows), len(compared))]]


def _of_communities(table: pd.DataFrame, level: float) -> list[Claim]:
    """The surest difference of a community from another or from a single stand, or that none can be
    told.
    """
    rows = table[table["measure"].isin(SUMMARY_MEASURES) & table["told_apart"].isin([YES, NO])]
    if rows.empty:
        return []
    apart = rows[rows["told_apart"] == YES]
    if apart.empty:
        return [_of_none(rows, COMMUNITIES, "can't be told apart")]
    greater = apart["probability_greater"].astype(float)
    sign = np.maximum(greater, 1 - greater - apart["probability_equal"].astype(float))
    return _difference(apart.to_dict("records")[int(sign.to_numpy().argmax())], level)


def _of_none(rows: pd.DataFrame, subject: str, reason: str) -> Claim:
    """That none of these rows tells two apart."""
    return Claim(
        stand="", species=str(rows["species"].iloc[0]), kind="not told apart", subject=subject,
        population=OF_BOTH, quantity="", category=reason, probability=np.nan, scored="none",
        table=COMPARISON.name, columns="told_apart",
    )  # fmt: skip
