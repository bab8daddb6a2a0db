"""The difference of two stands, or communities, by one measure; and what keeps two from being
compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from standage.findings.compared_stands import ComparedStand
from standage.findings.comparison_measures import Measure, in_class
from standage.findings.intervals import interval_columns
from standage.findings.stems import CORING_HEIGHT, PER_HECTARE, SAMPLED

# classes that hold less in both stands, at their high points, are not worth a row (assumption)
LEAST_CLASS_SHARE = 0.01
# probability of the likelier sign from which two are told apart: a 90 % interval that leaves out 0
# (assumption)
SURELY = 0.95
STAND, COMMUNITY, COMMUNITY_AND_STAND = "stand", "community", "community and stand"
YES, NO, NOT_COMPARED, NOT_ASSESSED = "yes", "no", "not compared", "not assessed"
EVERYTHING = "all"  # the measure of a row about two that can't be compared at all

Row = dict[str, Any]  # of the comparison, by column


@dataclass(frozen=True)
class Obstacle:
    """Why two can't be compared, by a measure or at all. stands: those concerned.

    `no plots`, `no coring heights`, `not searched` (for plants in the grass stage) and `no pulse`
    are so in the stands named; in the first of two stands of `other stems` all stems of plots were
    listed, in the second single trees sampled; `too many stands` are compared by community alone.
    """

    reason: Literal[
        "other profile",
        "no plots",
        "other stems",
        "no coring heights",
        "no grass stage",
        "not searched",
        "no pulse",
        "no common years",
        "too many stands",
    ]
    stands: tuple[str, ...] = ()


def not_on_one_footing(first: ComparedStand, second: ComparedStand) -> Obstacle | None:
    """Why nothing of two stands of a species can be compared; None where something can."""
    if first.profile != second.profile:
        return Obstacle("other profile", (first.name, second.name))
    if first.basis != second.basis:
        without = first.name if first.basis == CORING_HEIGHT else second.name
        return Obstacle("no coring heights", (without,))
    return None


def not_comparable(
    measure: Measure, first: ComparedStand, second: ComparedStand
) -> Obstacle | None:
    """Why two stands can't be compared by a measure; None where they can."""
    pair = (first, second)
    without_plots = _names(stand for stand in pair if not stand.has_plots)
    if measure.per_hectare and without_plots:
        return Obstacle("no plots", without_plots)
    if measure.of_shape and len(without_plots) == 1:
        listed = first.name if second.name == without_plots[0] else second.name
        return Obstacle("other stems", (listed, *without_plots))
    if measure.name == "share_in_grass_stage":
        if np.isnan(first.grass).all() or np.isnan(second.grass).all():
            whole = first.basis == second.basis == "establishment"
            return Obstacle("no grass stage" if whole else "no coring heights")
        unsearched = _names(stand for stand in pair if not stand.searched)
        if unsearched:
            return Obstacle("not searched", unsearched)
    if measure.name in ("latest_pulse_start", "years_since_latest_pulse"):
        without = _names(stand for stand in pair if not len(stand.starts))
        if without:
            return Obstacle("no pulse", without)
    return None


def _names(stands: Iterable[ComparedStand]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(stand.name for stand in stands))


def refused(obstacle: Obstacle) -> Row:
    """Columns of a row that says that nothing was compared."""
    return {"told_apart": NOT_COMPARED, "obstacle": obstacle}


def pair_columns(kind: str, first: ComparedStand, second: ComparedStand) -> Row:
    """What a row is about."""
    return {
        "kind": kind,
        "first": first.name,
        "second": second.name,
        "species": first.species,
        "basis": first.basis if first.basis == second.basis else "",
        "amounts": PER_HECTARE if first.has_plots and second.has_plots else SAMPLED,
    }


def difference_columns(
    first: np.ndarray, second: np.ndarray, level: float, *, claims: bool = True
) -> Row:
    """First less second: interval, probability of each sign, and whether they are told apart.
    Shapes (draw,), NaN where one is missing.
    """
    both = np.isfinite(first) & np.isfinite(second)
    if not both.any():
        return {"told_apart": NO, "probability_both": 0.0}
    difference = (first - second)[both]
    greater, equal = float(np.mean(difference > 0)), float(np.mean(difference == 0))
    apart = YES if max(greater, 1 - greater - equal) * both.mean() >= SURELY else NO
    return {
        "first_median": float(np.nanmedian(first)),
        "second_median": float(np.nanmedian(second)),
        **interval_columns("difference", difference, level),
        "probability_greater": greater,
        "probability_equal": equal,
        "probability_both": float(both.mean()),
        "told_apart": apart if claims else NOT_ASSESSED,
    }


def classes_worth_showing(
    stands: Sequence[ComparedStand], season: int, class_years: int
) -> list[tuple[int, int]]:
    """Classes of years, oldest first, that may hold a share of some stand worth a row and in which
    some stand has a stem dated by core; the last ends with the earlier survey. None where
    `class_years` is 0.
    """
    if not class_years:
        return []
    oldest = min(int(stand.years[0]) for stand in stands) // class_years * class_years
    shown = []
    for begin in range(oldest, season + 1, class_years):
        end = min(begin + class_years - 1, season)
        if not any(stand.dates_any(begin, end) for stand in stands):
            continue
        shares = [in_class(stand, begin, end, season, share=True) for stand in stands]
        largest = max(float(np.quantile(np.nan_to_num(share), 0.95)) for share in shares)
        if largest >= LEAST_CLASS_SHARE:
            shown.append((begin, end))
    return shown
