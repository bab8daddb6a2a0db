"""What a result rests on besides the wood: assumptions that move dates or pulses, in words."""

from __future__ import annotations

import pandas as pd

from standage.findings.prior_sensitivity import DISAGREE, STAGE_COUNTS, WORTH_TELLING_YEARS
from standage.grammar import listed


def sensitivity_sentences(table: pd.DataFrame) -> list[str]:
    """Where assumptions matter: dates that move by more than a year, pulses that would be lost.

    table: `prior_sensitivity`.
    """
    moved = table[table["establishment_years_change"].astype(float).abs() > WORTH_TELLING_YEARS]
    counts_moved = ((moved["component"] == STAGE_COUNTS) & (moved["change"] > -100)).any()
    return [
        *_dates_moved(moved),
        *_disagreements(table[table["leaning"] == DISAGREE]),
        *_pulses_lost(table[table["pulses_lost"].fillna(0) > 0]),
        *(
            [
                "What leaving the seedling counts out altogether would do can only be seen by"
                " running the survey without them."
            ]
            if counts_moved
            else []
        ),
    ]


def _dates_moved(moved: pd.DataFrame) -> list[str]:
    by_change = moved.groupby("what_is_changed", sort=False)
    parts = [_dates_moved_by(str(changed), rows) for changed, rows in by_change]
    if not parts:
        return []
    return [f"The dates rest not only on the wood but also on what is assumed: {'; '.join(parts)}."]


def _dates_moved_by(changed: str, rows: pd.DataFrame) -> str:
    """One assumption: how many years the cored trees of which stands would move."""
    years = rows["establishment_years_change"].astype(float)
    least, most = years.abs().min(), years.abs().max()
    span = f"{most:.1f}" if most - least < 0.5 else f"{least:.1f} to {most:.1f}"
    way = "earlier" if (years < 0).all() else "later" if (years > 0).all() else "earlier or later"
    stands = listed(list(dict.fromkeys(rows["stand"])))
    return f"if {changed}, the cored trees of {stands} date {span} years {way}"


def _disagreements(rows: pd.DataFrame) -> list[str]:
    parts = [
        f"{what} ({listed(list(dict.fromkeys(of_one['stand'])))})"
        for what, of_one in rows.groupby("component", sort=False)
    ]
    if not parts:
        return []
    return [
        f"Survey and species profile disagree about: {listed(parts)}. Look for the reason before"
        " believing either."
    ]


def _pulses_lost(rows: pd.DataFrame) -> list[str]:
    parts = [
        _pulses_lost_by(str(changed), of_one)
        for changed, of_one in rows.groupby("what_is_changed", sort=False)
    ]
    return [f"Pulses rest on assumptions too: {'; '.join(parts)}."] if parts else []


def _pulses_lost_by(changed: str, rows: pd.DataFrame) -> str:
    parts = []
    for row in rows.to_dict("records"):
        some = f"{row['pulses_lost']} of the {row['pulses_reported']} pulses"
        parts.append(f"{'the pulse' if row['pulses_reported'] == 1 else some} of {row['stand']}")
    return f"if {changed}, {listed(parts)} would fall below the limit"
