"""What is followed of a unit while assumptions are moved, and what it comes to under weights of the
draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.findings.local_ratio import Scan
from standage.findings.pulses import Burst
from standage.findings.reweighting import weighted_median
from standage.findings.stems import completed_season, dated_years
from standage.stand.posterior import Posterior

OLD_AGE = 100  # years; the share of stems past it is followed
# a pulse may move so far with the dates and be the same one (assumption: the longest delay changed
# is 2 years)
NEAR_YEARS = 5
CORED_TREES, TREES_BY_SIZE = "cored trees", "trees dated by size"


@dataclass(frozen=True)
class FollowedPulse:
    """A reported pulse by kept draw: which windows near its own stand out `(draw, window)`, whether
    its own does, its centre year.
    """

    near: np.ndarray
    there: np.ndarray
    centre: np.ndarray
    limit: float


@dataclass(frozen=True)
class FollowedUnit:
    """What is followed of a unit, by draw.

    Attributes
    ----------
    trees : `cored trees`, or `trees dated by size` where there is no cored one.
    years, dated : (draw, tree) year of each of them, 0 where a draw has none, and whether it has
        one.
    mean_year : (draw,) their mean.
    order, stems : indices of the draws by number of stems past the emerging stage, and these
        numbers in order; blank without plots.
    old_share : (draw,) share of stems older than `OLD_AGE`.
    kept : draws that were scanned for pulses. pulses : those reported.
    """

    trees: str
    years: np.ndarray
    dated: np.ndarray
    mean_year: np.ndarray
    order: np.ndarray
    stems: np.ndarray
    old_share: np.ndarray
    kept: np.ndarray
    pulses: tuple[FollowedPulse, ...]

    @property
    def limits(self) -> np.ndarray:
        """The score from which each pulse is reported. (pulse,)"""
        return np.array([pulse.limit for pulse in self.pulses])


@dataclass(frozen=True)
class Outcome:
    """The same under one set of weights: years by tree, median stems per hectare, mean share, each
    pulse's probability and centre.
    """

    years: np.ndarray
    stems: float
    old_share: float
    probability: np.ndarray
    centre: np.ndarray


def followed_unit(
    posterior: Posterior, number: int, scan: Scan, bursts: list[Burst], limit: float
) -> FollowedUnit:
    """What is followed of one unit. limit: the score from which its pulses are reported."""
    one, unit = posterior.unit(number), posterior.units[number]
    trees, years = dated_years(posterior, number, in_process=False)
    cored = trees["cored"].to_numpy().astype(bool)
    years = years[:, cored] if cored.any() else years
    dated = np.isfinite(years)
    stems = one.stems_past_emerging
    total = stems.sum(axis=1)
    age = completed_season(posterior.survey, unit.stand) - one.own_years + 1
    order = np.argsort(total, kind="stable")
    return FollowedUnit(
        trees=CORED_TREES if cored.any() else TREES_BY_SIZE,
        years=np.where(dated, years, 0.0),
        dated=dated,
        mean_year=np.where(dated, years, 0.0).sum(axis=1) / np.maximum(dated.sum(axis=1), 1),
        order=order,
        stems=total[order] if unit.has_plots else np.full(len(total), np.nan),
        old_share=stems[:, age > OLD_AGE].sum(axis=1) / np.maximum(total, np.finfo(float).tiny),
        kept=scan.kept,
        pulses=tuple(
            _followed_pulse(scan, burst, [o.place for o in bursts if o is not burst], limit)
            for burst in bursts
        ),
    )


def _followed_pulse(scan: Scan, burst: Burst, others: list[int], limit: float) -> FollowedPulse:
    places = np.arange(
        max(burst.place - NEAR_YEARS, 0), min(burst.place + NEAR_YEARS + 1, len(scan.years))
    )
    own = np.array(
        [all(abs(place - burst.place) < abs(place - other) for other in others) for place in places]
    )
    allowed = (own & scan.supported(burst.width)[places]) | (places == burst.place)
    on_axis = np.arange(len(scan.years))
    inside = (on_axis >= burst.start[:, None]) & (on_axis <= burst.end[:, None])
    excess = (
        np.maximum(scan.settled - scan.background[burst.width][:, burst.place][:, None], 0)
        * scan.shape
        * inside
    )
    held = excess.sum(axis=1)
    centre = excess @ scan.years / np.where(held > 0, held, np.nan)
    there = burst.there & np.isfinite(centre)
    near = scan.stands_out[burst.width][:, places[allowed]]
    return FollowedPulse(
        near.astype(float), there.astype(float), np.where(there, centre, 0.0), limit
    )


def outcome(followed: FollowedUnit, weights: np.ndarray) -> Outcome:
    """What the draws say under weights, (draw,)."""
    present = weights @ followed.dated
    among_kept = weights[followed.kept] / weights[followed.kept].sum()
    there = [among_kept @ pulse.there for pulse in followed.pulses]
    return Outcome(
        years=(weights @ followed.years) / np.where(present > 0, present, np.nan),
        stems=(
            weighted_median(followed.stems, weights[followed.order])
            if np.isfinite(followed.stems).all()
            else np.nan
        ),
        old_share=float(weights @ followed.old_share),
        probability=np.array([float((among_kept @ pulse.near).max()) for pulse in followed.pulses]),
        centre=np.array(
            [
                among_kept @ pulse.centre / held if held > 0 else np.nan
                for pulse, held in zip(followed.pulses, there, strict=True)
            ]
        ),
    )
