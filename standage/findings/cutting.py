"""Whether cutting by size could have left what looks like a pulse, recruitment being steady.

A cut takes the large of an age, or the small; a pulse takes neither. The histories are held against
what is known of each stem, its diameter included: docs/the-model.md, section 10.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logsumexp, stdtr

from standage.findings.events_on_record import CUTS, Event, stand_events
from standage.findings.recruitment_shapes import (
    LENGTHS,
    RecordStems,
    log_evidence,
    log_trends,
    raised_histories,
    trends,
)

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# probability from which it is said that cutting may have left a pulse (docs/validation.md, Pulses)
CUTTING_WOULD_DO = 0.5
# cuts nobody recorded: in every fifth year, all below or all above a diameter (assumption)
EVERY = 5  # [years]
LIMITS_CM = (10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
SHARES = (0.5, 0.7, 0.9)  # that it took of the stems in reach (assumption)
DELAYS = 6  # points of the law of seasons to breast height
TAIL_DEGREES = 4  # of Student's t for diameters (docs/the-model.md, section 5)


@dataclass(frozen=True)
class Growth:
    """How stems of a unit grew: of the posterior's mean.

    median_dbh_cm : by seasons since breast height. [cm]
    scatter : of the diameters of an age. [log units]
    delays : seasons from establishment to breast height, alike in probability.
    """

    median_dbh_cm: np.ndarray
    scatter: float
    delays: np.ndarray

    def median_after(self, seasons: np.ndarray) -> np.ndarray:
        """Median diameter so many seasons after breast height; 0 before. [cm]"""
        last = len(self.median_dbh_cm) - 1
        return np.where(seasons >= 0, self.median_dbh_cm[np.clip(seasons, 0, last)], 0.0)


@dataclass(frozen=True)
class CutInReach:
    """Chance of having been in reach of a cut, by year of establishment.

    stems : of each stem, by its diameter today. (stem, year)
    all_of_year : of all that established in a year. (year,)
    """

    stems: np.ndarray
    all_of_year: np.ndarray


def cutting_probability(findings: Findings, number: int, start: float, end: float) -> float:
    """Probability that cutting left a pulse rather than recruitment, each as likely beforehand; NaN
    where it can't be told.

    start, end : years one of which the pulse has to be in.
    """
    unit = findings.posterior.units[number]
    known = findings.records[number] if unit.has_plots else None
    if known is None or not known.enough:
        return np.nan
    pulse = pulse_evidence(known, start - known.first, end - known.first)
    events = stand_events(findings.posterior.survey, unit.stand)
    cuts = [event for event in events if event.kind in CUTS]
    cut = cut_evidence(known, growth_of_unit(findings, number), unit.season, cuts)
    return float(expit(cut - pulse))


def may_be_left_by_cutting(probability: float, on_record: bool) -> bool:
    """Whether cutting is said beside a pulse: where it would do or, that not being known, where a
    cut is on record.
    """
    return on_record if np.isnan(probability) else probability >= CUTTING_WOULD_DO


def growth_of_unit(findings: Findings, number: int) -> Growth:
    """Growth as the posterior has it, on average."""
    posterior, unit = findings.posterior, findings.posterior.units[number]
    laws = posterior.delay_posterior[number]
    grass, height = (
        np.asarray(laws[name], dtype=float).mean(axis=0) for name in ("grass", "height")
    )
    held = np.cumsum(np.convolve(grass, height))
    points = (np.arange(DELAYS) + 0.5) / DELAYS
    found = posterior.parameters.loc[posterior.parameters["name"] == "dbh_scatter"]
    known = len(found) == len(posterior.units)  # a row a unit
    usual = findings.profiles[unit.species]["size.scatter"]
    return Growth(
        np.asarray(posterior.size_curve[number], dtype=float).mean(axis=0),
        float(found["posterior_median"].iloc[number] if known else usual),
        np.searchsorted(held / held[-1], points),
    )


def pulse_evidence(known: RecordStems, start: float, end: float) -> float:
    """Log evidence of a pulse that shares a year with `start` to `end` (places in the record),
    among pulses anywhere in it; -inf without any.
    """
    histories = raised_histories(known.years)
    _, raised = log_evidence(known.likelihood, known.worth, known.weight, histories)
    length = histories.last - histories.first + 1
    pulses = (histories.last < known.years - 1) & (length <= max(LENGTHS))
    own = pulses & (histories.first <= end) & (histories.last >= start)
    return float(logsumexp(raised[own]) - np.log(pulses.sum())) if own.any() else -np.inf


def cut_evidence(
    known: RecordStems, growth: Growth, season: int, events: Sequence[Event] = ()
) -> float:
    """Log evidence of steady recruitment, with a trend, and one cut: of those on record, else of
    any.

    season : of the survey. events : cuts on record.
    """
    trend, weight = trends(known.years), known.weight
    whole = known.likelihood @ trend.T
    listed = trend @ weight
    found = []
    for reach in _cuts(known, growth, season, events):
        taken = (known.likelihood * reach.stems) @ trend.T
        listed_taken = trend @ (weight * reach.all_of_year)
        for share in SHARES:
            left = np.maximum(whole - share * taken, np.finfo(float).tiny)
            found.append(
                known.worth @ np.log(left)
                - known.worth.sum() * np.log(listed - share * listed_taken)
            )
    return float(logsumexp(np.array(found) + log_trends()) - np.log(len(found)))


def _cuts(
    known: RecordStems, growth: Growth, season: int, events: Sequence[Event]
) -> Iterator[CutInReach]:
    """The cuts looked at: those on record in each of their years, by the sizes recorded; else any
    year and limit.
    """
    both_sides = [(0.0, limit) for limit in LIMITS_CM] + [(limit, np.inf) for limit in LIMITS_CM]
    if not events:
        years = range(known.first + 2 * EVERY, season - EVERY + 1, EVERY)
        for year in years:
            for sizes in both_sides:
                yield in_reach(known, growth, season, year, sizes)
    for event in events:
        low, high = event.smallest_cut_cm, event.largest_cut_cm
        recorded = np.isfinite(low) or np.isfinite(high)
        sizes_of = [(np.nan_to_num(low), high if np.isfinite(high) else np.inf)]
        for year in np.unique(np.linspace(event.first, event.last, 5).round().astype(int)):
            for sizes in sizes_of if recorded else both_sides:
                yield in_reach(known, growth, season, int(year), sizes)


def in_reach(
    known: RecordStems, growth: Growth, season: int, year: int, sizes: tuple[float, float]
) -> CutInReach:
    """Reach of a cut of a year, from one diameter to below another [cm].

    A stem that is larger or smaller than the median of its age has always been so, in the same
    proportion.
    """
    established = known.first + np.arange(known.years)
    stems = np.zeros(known.likelihood.shape)
    everyone = np.zeros(known.years)
    low, high = sizes
    for delay in growth.delays:
        then = growth.median_after(year - established - delay)
        now = growth.median_after(season - established - delay)
        there = then > 0
        # diameters today of the stems that had just the limits then
        with np.errstate(divide="ignore", invalid="ignore"):
            grown = np.where(there, now / then, np.nan)
            # of a stem without a diameter as much is known as of any
            stems += (
                there
                & (known.dbh_cm[:, None] >= low * grown)
                & (known.dbh_cm[:, None] < (high * grown if np.isfinite(high) else np.inf))
            )
            everyone += np.where(
                there,
                _below(high, then, growth.scatter) - _below(low, then, growth.scatter),
                0.0,
            )
    everyone /= len(growth.delays)
    stems = np.where(np.isfinite(known.dbh_cm)[:, None], stems / len(growth.delays), everyone)
    return CutInReach(stems, everyone)


def _below(limit: float, median: np.ndarray, scatter: float) -> np.ndarray:
    """Share of the stems of a median that are below a diameter."""
    if not limit > 0:
        return np.zeros(len(median))
    if not np.isfinite(limit):
        return np.ones(len(median))
    with np.errstate(divide="ignore"):
        share: np.ndarray = stdtr(TAIL_DEGREES, (np.log(limit) - np.log(median)) / scatter)
    return share
