"""What two stands are compared by, one number a draw, and what each needs to be comparable at
all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from standage.findings.compared_stands import ComparedStand
from standage.findings.intervals import shortest_span

AGE_STRUCTURE_DISTANCE = "age_structure_distance"
SHARED_PULSE = "shared_pulse"
SHARE_IN_CLASS = "share_in_class"
STEMS_IN_CLASS = "stems_per_ha_in_class"


@dataclass(frozen=True)
class Measure:
    """One thing compared.

    Attributes
    ----------
    name, unit : as in the table.
    words : the measure in a sentence.
    scale : `year`, `amount` or `share`: how stands of a community scatter in it (by factors of the
        years before the survey, by factors, by odds).
    of_shape : depends on which stems were sampled, so that stems listed in plots and trees picked
        otherwise don't compare.
    per_hectare : needs plots.
    by_calendar : shifts with the years below the core, so that it can't be told apart where coring
        heights are unknown.
    of_draws : (history, last year) to (draw,), NaN in draws that don't have it; only stems
        established up to the last year count.
    claims : whether stands can be told apart by it at all: that no pulse is told is no proof of
        none.
    """

    name: str
    unit: str
    words: str
    scale: str
    of_shape: bool
    per_hectare: bool
    by_calendar: bool
    of_draws: Callable[[ComparedStand, int], np.ndarray]
    claims: bool = True


def median_year(stems: np.ndarray, years: np.ndarray) -> np.ndarray:
    """Year by which half of the stems had established; a year's stems come evenly through it.
    (draw,) NaN without stems
    """
    held = np.concatenate([np.zeros((len(stems), 1)), np.cumsum(stems, axis=1)], axis=1)
    half = held[:, -1:] / 2
    place = np.clip((held < half).sum(axis=1) - 1, 0, len(years) - 1)
    draws = np.arange(len(stems))
    inside = stems[draws, place]
    part = (half[:, 0] - held[draws, place]) / np.where(inside > 0, inside, 1)
    return np.where(held[:, -1] > 0, years[place] + part, np.nan)


def in_class(
    history: ComparedStand, first: int, last: int, season: int, *, share: bool
) -> np.ndarray:
    """Stems that established from first to last, per hectare or as a share of all up to the season.
    (draw,)
    """
    years, stems = history.up_to(season)
    held = stems[:, (years >= first) & (years <= last)].sum(axis=1)
    if not share:
        return held
    total = stems.sum(axis=1)
    return held / np.where(total > 0, total, np.nan)


def _median(history: ComparedStand, season: int) -> np.ndarray:
    years, stems = history.up_to(season)
    return median_year(stems, years)


def _half_span(history: ComparedStand, season: int) -> np.ndarray:
    years, stems = history.up_to(season)
    first, last = shortest_span(stems, years, 0.5)
    return last - first + 1


def _latest(edges: np.ndarray) -> np.ndarray:
    """The latest of the pulses there in each draw. (draw,)"""
    return np.where(
        np.isfinite(edges).any(axis=0),
        np.max(np.nan_to_num(edges, nan=-np.inf), axis=0, initial=-np.inf),
        np.nan,
    )


MEASURES = (
    Measure(
        "median_establishment_year",
        "calendar year",
        "the median year of their stems",
        "year",
        True,
        False,
        True,
        _median,
    ),
    Measure(
        "half_span_years",
        "years",
        "the shortest span of years that holds half of their stems",
        "amount",
        True,
        False,
        False,
        _half_span,
    ),
    Measure(
        "stems_per_ha",
        "stems/ha",
        "their stems per hectare",
        "amount",
        True,
        True,
        False,
        lambda history, season: history.up_to(season)[1].sum(axis=1),
    ),
    Measure(
        "number_of_pulses",
        "pulses",
        "their number of pulses",
        "amount",
        False,
        False,
        False,
        lambda history, season: history.possible,
        claims=False,
    ),
    Measure(
        "latest_pulse_start",
        "calendar year",
        "the start of their latest pulse",
        "year",
        False,
        False,
        True,
        lambda history, season: _latest(history.starts),
    ),
    Measure(
        "years_since_latest_pulse",
        "years",
        "the years since their latest pulse ended",
        "year",
        False,
        False,
        True,
        lambda history, season: history.season - _latest(history.ends),
    ),
    Measure(
        "share_in_grass_stage",
        "share of plants",
        "the share of their plants in the grass stage",
        "share",
        False,
        True,
        False,
        lambda history, season: history.grass,
    ),
)


def not_comparable(measure: Measure, first: ComparedStand, second: ComparedStand) -> str:
    """Why two stands can't be compared by a measure; blank where they can."""
    without_plots = list(
        dict.fromkeys(history.name for history in (first, second) if not history.has_plots)
    )
    if measure.per_hectare and without_plots:
        return (
            f"no plots in {' and '.join(without_plots)}, so nothing per hectare and no plants of"
            " the grass stage are known there"
        )
    if measure.of_shape and len(without_plots) == 1:
        listed = first.name if second.name == without_plots[0] else second.name
        return (
            f"in {listed} all stems of plots were listed and in {without_plots[0]} single trees"
            " sampled; these are not the same stems"
        )
    if measure.name == "share_in_grass_stage":
        unsearched = list(
            dict.fromkeys(history.name for history in (first, second) if not history.searched)
        )
        if np.isnan(first.grass).all() or np.isnan(second.grass).all():
            return (
                "the species has no grass stage"
                if first.basis == second.basis == "establishment"
                else "coring heights are not recorded"
            )
        if unsearched:
            return f"plants in the grass stage were not searched for in {' and '.join(unsearched)}"
    if measure.name in ("latest_pulse_start", "years_since_latest_pulse"):
        without = list(
            dict.fromkeys(history.name for history in (first, second) if not len(history.starts))
        )
        if without:
            return (
                f"no pulse can be told in {' and '.join(without)}, which is not proof that there"
                " was none"
            )
    return ""
