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
# of classes of years: name, unit, whether a share
CLASS_MEASURES = ((SHARE_IN_CLASS, "share of stems", True), (STEMS_IN_CLASS, "stems/ha", False))


@dataclass(frozen=True)
class Measure:
    """One thing compared.

    Attributes
    ----------
    name, unit, meaning : as in the table and its reference.
    scale : `year`, `amount` or `share`: how stands of a community scatter in it (by factors of the
        years before the survey, by factors, by odds).
    of_draws : (stand, last year) to (draw,), NaN in draws that don't have it; only stems
        established up to the last year count.
    of_shape : depends on which stems were sampled, so that stems listed in plots and trees picked
        otherwise don't compare.
    per_hectare : needs plots.
    by_calendar : shifts with the years below the core, so that it can't be told apart where coring
        heights are unknown.
    claims : whether stands can be told apart by it at all: that no pulse is found is no proof of
        none.
    """

    name: str
    unit: str
    meaning: str
    scale: str
    of_draws: Callable[[ComparedStand, int], np.ndarray]
    of_shape: bool = False
    per_hectare: bool = False
    by_calendar: bool = False
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
    stand: ComparedStand, first: int, last: int, season: int, *, share: bool
) -> np.ndarray:
    """Stems that established from first to last, per hectare or as a share of all up to the season.
    (draw,)
    """
    years, stems = stand.up_to(season)
    held = stems[:, (years >= first) & (years <= last)].sum(axis=1)
    if not share:
        return held
    total = stems.sum(axis=1)
    return held / np.where(total > 0, total, np.nan)


def _median(stand: ComparedStand, season: int) -> np.ndarray:
    years, stems = stand.up_to(season)
    return median_year(stems, years)


def _half_span(stand: ComparedStand, season: int) -> np.ndarray:
    years, stems = stand.up_to(season)
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
        "year by which half of the stems had established",
        "year",
        _median,
        of_shape=True,
        by_calendar=True,
    ),
    Measure(
        "half_span_years",
        "years",
        "length of the shortest span with half of the stems",
        "amount",
        _half_span,
        of_shape=True,
    ),
    Measure(
        "stems_per_ha",
        "stems/ha",
        "stems",
        "amount",
        lambda stand, season: stand.up_to(season)[1].sum(axis=1),
        of_shape=True,
        per_hectare=True,
    ),
    Measure(
        "number_of_pulses",
        "pulses",
        "pulses likelier than not, those below their reporting limit too",
        "amount",
        lambda stand, season: stand.possible,
        claims=False,
    ),
    Measure(
        "latest_pulse_start",
        "calendar year",
        "start of the latest pulse reported",
        "year",
        lambda stand, season: _latest(stand.starts),
        by_calendar=True,
    ),
    Measure(
        "years_since_latest_pulse",
        "years",
        "from its end to the stand's own survey",
        "year",
        lambda stand, season: stand.season - _latest(stand.ends),
        by_calendar=True,
    ),
    Measure(
        "share_in_grass_stage",
        "share of plants",
        "living plants that have no stem yet",
        "share",
        lambda stand, season: stand.grass,
        per_hectare=True,
    ),
)
# those that are no number of one stand
OTHER_MEASURES = {
    SHARE_IN_CLASS: "stems that established in the class",
    STEMS_IN_CLASS: "the same per hectare",
    AGE_STRUCTURE_DISTANCE: "years by which stems of one must be moved, on average, to give the"
    " other (Wasserstein distance of the shares)",
    SHARED_PULSE: "the two pulses that began closest to each other",
}
