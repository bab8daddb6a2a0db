"""What a result rests on besides the wood: assumptions that move dates or pulses, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from standage.findings.prior_sensitivity import DISAGREE, STAGE_COUNTS, WORTH_TELLING_YEARS
from standage.findings.schema import Row
from standage.grammar import listed

# dates that move by less stay; a change known less well than this is given with its Monte Carlo
# error [years]
SMALLEST_MOVE = 0.1
LEAST_STEMS = 0.05  # of a change in their number that is worth a clause, as a share (assumption)
WITHOUT_COUNTS = (
    "What leaving the stage counts out altogether would do can't be told without another fit: run"
    " the survey without counts.csv."
)
# how far dates are off where the trees' own grass stage is so much longer than the profile's, and
# the standard error: of simulated longleaf surveys (docs/validation.md, Wrong assumptions) [years]
GRASS_YEARS_LONGER, DATES_TOO_LATE, DATES_ERROR = 3, 2.0, 0.6
GRASS_STAGE_OFF = (
    "These rows move the profile, not the trees. Where simulated trees stood in the grass stage"
    f" {GRASS_YEARS_LONGER} years longer than the profile gives, cored longleaf pines were dated"
    f" {DATES_TOO_LATE:.0f} years too late (standard error {DATES_ERROR}); were it shorter, dates"
    " would be too early."
)
SHARES = {0.5: "half", 0.25: "a quarter", 0.125: "an eighth"}


def sensitivity_columns(table: pd.DataFrame) -> dict[str, list[str]]:
    """The English columns of prior_sensitivity.csv."""
    rows = table.to_dict("records")
    return {
        "what_is_changed": [changed_words(row) for row in rows],
        "words": [sensitivity_words(row) for row in rows],
    }


def changed_words(row: Row) -> str:
    """What is assumed instead, to follow "if"."""
    change = float(row["change"])
    match row["component"]:
        case "grass stage":
            return f"the profile gave the grass stage {change:g} years more"
        case "height growth":
            years = "1 year" if change == 1 else f"{change:g} years"
            return f"the profile gave stems {years} more to breast height"
        case "survivorship slope":
            return f"the profile left {change:.2g} times fewer stems after a century of age"
        case "early survivorship":
            return f"the profile had {change:.2g} times fewer seedlings to each grown stem"
        case "recorded cuts":
            cuts = "the recorded cut was" if row["parts"] == 1 else "the recorded cuts were"
            return f"{cuts} assumed to take more, by one standard deviation"
        case "early growth":
            return f"the profile had the rings next to the pith {-change:.0f} % narrower"
        case "size growth":
            return f"the profile had young stems grow {change:.0f} % faster in diameter"
        case "stage counts" if change <= -100:
            return "the counts of seedling stages were left out"
        case "stage counts":
            return f"the counts of seedling stages weighed {-change:.0f} % less"
        case other:
            raise ValueError(f"no words for the assumption {other!r}")


def sensitivity_words(row: Row) -> str:
    """A row as a sentence."""
    of_counts, changed = row["component"] == STAGE_COUNTS, changed_words(row)
    if np.isnan(row["pareto_k"]):
        another = f"What would be if {changed} can't be told without another fit."
        return WITHOUT_COUNTS if of_counts else another
    if of_counts and row["change"] <= -100:
        return _effect("Without the stage counts", row)
    words = _effect(f"If {changed}", row)
    if of_counts:
        return f"{words} {WITHOUT_COUNTS}"
    part = float(row["share_of_change_tried"])
    if part < 1:
        words += f" (Scaled up from {SHARES[part]} of the change, the most that the draws bear.)"
    return words


def _effect(condition: str, row: Row) -> str:
    moved, error = row["establishment_years_change"], row["establishment_years_error"]
    if not np.isfinite(moved):
        dates = "no tree is dated"
    elif abs(moved) < max(SMALLEST_MOVE, 2 * min(error, SMALLEST_MOVE)):
        dates = f"the dates of {row['trees']} would stay"
    else:
        give_or_take = f" (give or take {2 * error:.1f})" if error > SMALLEST_MOVE else ""
        way = "earlier" if moved < 0 else "later"
        dates = f"{row['trees']} would date {abs(moved):.1f} years {way}{give_or_take}"
    parts = [f"{condition}, {dates}"]
    change, before = row["stems_per_ha_change"], row["stems_per_ha_before"]
    if before > 0 and np.isfinite(change) and abs(change) >= LEAST_STEMS * before:
        parts.append(
            f"there would be {100 * abs(change) / before:.0f} % {'fewer' if change < 0 else 'more'}"
            " stems past the emerging stage"
        )
    lost, pulses = row["pulses_lost"], row["pulses_reported"]
    if pulses == 1:
        fate = "would not be told" if lost else "would stay"
        parts.append(f"the pulse around {row['first_pulse_centre']:.0f} {fate}")
    elif pulses:
        parts.append(
            f"{lost} of {pulses} pulses would not be told"
            if lost
            else f"all {pulses} pulses would stay"
        )
    return "; ".join(parts) + "."


def sensitivity_sentences(table: pd.DataFrame) -> list[str]:
    """Where assumptions matter: dates that move by more than a year, pulses that would be lost.

    table: `prior_sensitivity`.
    """
    table = table.assign(changed=[changed_words(row) for row in table.to_dict("records")])
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
    by_change = moved.groupby(["changed", "trees"], sort=False)
    parts = [_dates_moved_by(str(what), str(of), rows) for (what, of), rows in by_change]
    if not parts:
        return []
    return [f"The dates rest not only on the wood but also on what is assumed: {'; '.join(parts)}."]


def _dates_moved_by(changed: str, trees: str, rows: pd.DataFrame) -> str:
    """One assumption: how many years the cored trees of which stands would move, or those dated by
    size where none is cored.
    """
    years = rows["establishment_years_change"].astype(float)
    least, most = years.abs().min(), years.abs().max()
    span = f"{most:.1f}" if most - least < 0.5 else f"{least:.1f} to {most:.1f}"
    way = "earlier" if (years < 0).all() else "later" if (years > 0).all() else "earlier or later"
    stands = listed(list(dict.fromkeys(rows["stand"])))
    return f"if {changed}, the {trees} of {stands} would date {span} years {way}"


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
        for changed, of_one in rows.groupby("changed", sort=False)
    ]
    return [f"Pulses rest on assumptions too: {'; '.join(parts)}."] if parts else []


def _pulses_lost_by(changed: str, rows: pd.DataFrame) -> str:
    parts = []
    for row in rows.to_dict("records"):
        some = f"{row['pulses_lost']} of the {row['pulses_reported']} pulses"
        parts.append(f"{'the pulse' if row['pulses_reported'] == 1 else some} of {row['stand']}")
    return f"if {changed}, {listed(parts)} would fall below the limit"
