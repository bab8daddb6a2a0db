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
    AFTER,
    LENGTHS,
    RecordStems,
    log_evidence,
    log_trends,
    raised_histories,
    trends,
)

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# probability from which cutting is named beside a pulse: the pulse's own, which stands with it, is
# of both (common practice, no source)
CUTTING_NAMED = 0.1
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


@dataclass(frozen=True)
class Evidence:
    """Log evidence of what may have left the stems of a unit's record.

    steady, cut : steady recruitment, without a cut and with one.
    pulses : a pulse in steady recruitment, by its years. (pulse,)
    pulse_first, pulse_last : these years, ends included. (pulse,)
    first, last : years of the record.
    """

    steady: float
    cut: float
    pulses: np.ndarray
    pulse_first: np.ndarray
    pulse_last: np.ndarray
    first: int
    last: int

    def pulse(self, start: float, end: float) -> float:
        """Of a pulse that shares a year with `start` to `end`, among pulses anywhere; -inf without
        any.
        """
        own = (self.pulse_first <= end) & (self.pulse_last >= start)
        return float(logsumexp(self.pulses[own]) - np.log(len(own))) if own.any() else -np.inf

    def probability_cut(self, start: float, end: float) -> float:
        """Of a cut rather than such a pulse; NaN where steady recruitment alone would do as well
        as either.
        """
        pulse = self.pulse(start, end)
        return np.nan if max(self.cut, pulse) <= self.steady else float(expit(self.cut - pulse))


def cutting_probability(findings: Findings, number: int, start: float, end: float) -> float:
    """Probability that cutting left the pulse of the years `start` to `end` rather than
    recruitment, each as likely beforehand; NaN where it can't be told.
    """
    evidence = findings.cutting[number]
    if evidence is None or start < evidence.first or end > evidence.last - AFTER:
        return np.nan
    return evidence.probability_cut(start, end)


def cutting_evidence(findings: Findings, number: int) -> Evidence | None:
    """The evidence of a unit; None without plots and where shapes can't be told."""
    unit = findings.posterior.units[number]
    known = findings.records[number] if unit.has_plots else None
    if known is None or not known.enough:
        return None
    events = stand_events(findings.posterior.survey, unit.stand)
    cuts = [event for event in events if event.kind in CUTS]
    return evidence_of(known, growth_of_unit(findings, number), unit.season, cuts)


def may_be_left_by_cutting(probability: float, on_record: bool) -> bool:
    """Whether cutting is named beside a pulse: unless it is improbable or, that not being known,
    where a cut is on record.
    """
    return on_record if np.isnan(probability) else probability >= CUTTING_NAMED


def growth_of_unit(findings: Findings, number: int) -> Growth:
    """Growth as the posterior has it, on average."""
    posterior, unit = findings.posterior, findings.posterior.units[number]
    laws = posterior.unit(number).delays
    grass, height = (
        np.asarray(laws[name], dtype=float).mean(axis=0) for name in ("grass", "height")
    )
    held = np.cumsum(np.convolve(grass, height))
    points = (np.arange(DELAYS) + 0.5) / DELAYS
    names = posterior.parameters["name"]
    # the rows of a unit begin with this one; species of a stand have no column
    own = (names == "stand_beginning_years").cumsum() == number + 1
    scatter = posterior.parameters.loc[own & (names == "dbh_scatter"), "posterior_median"]
    usual = findings.profiles[unit.species]["size.scatter"]
    return Growth(
        np.asarray(posterior.unit(number).size_curve, dtype=float).mean(axis=0),
        float(scatter.iloc[0] if len(scatter) else usual),
        np.searchsorted(held / held[-1], points),
    )


def evidence_of(
    known: RecordStems, growth: Growth, season: int, events: Sequence[Event] = ()
) -> Evidence:
    """The evidence of stems; arguments as for `cut_evidence`."""
    histories = raised_histories(known.years)
    steady, raised = log_evidence(known.likelihood, known.worth, known.weight, histories)
    length = histories.last - histories.first + 1
    pulses = (histories.last < known.years - 1) & (length <= max(LENGTHS))
    return Evidence(
        steady,
        cut_evidence(known, growth, season, events),
        raised[pulses],
        known.first + histories.first[pulses],
        known.first + histories.last[pulses],
        known.first,
        known.first + known.years - 1,
    )


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
    """The cuts looked at: those on record in five of their years, by the sizes recorded; else any
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
        last = max(event.last, np.nan_to_num(event.ended))
        for year in np.unique(np.linspace(event.first, last, 5).round().astype(int)):
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
