"""From trees to the stand: in which years it was disturbed, from the changes of its trees and
from what is known of its history.

A disturbance of year d lets each tree answer with a chance s, in year d or one of the three
after it. Against trees that change each for itself, at the rate the model of one tree assumes,
a year's evidence is

    evidence(d) = integral over s of prod over trees [
        s sum_l lag(l) p(d + l)/p0 + (1 - s)(1 - sum_l p(d + l))/(1 - sum_l p0) ]

with p the tree's probability of a change in a year and p0 its prior. Years of disturbances not
on record, and the years and traces of events that are, are then drawn together, so that one
burst of releases is never spent twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from standage.compiled import compiled
from standage.growth.common_growth import CommonGrowth
from standage.growth.release_loops import weighed_index
from standage.growth.release_model import (
    COMMON_STEP_SD,
    DRAWS,
    LEAST_COMMON_RISE,
    prior_probabilities,
)

# chance that a tree answers an opening in its year, and 1, 2, 3 years later (assumption)
RELEASE_LAGS = np.array([0.3, 0.3, 0.2, 0.2])
SUPPRESSION_LAGS = np.array([0.5, 0.3, 0.2])  # a loss of crown or roots shows sooner (assumption)
# prior chance that a year has a disturbance that trees answered and nobody put on record: once a
# century (assumption)
RATE = 0.01
# between two disturbances that rings can tell apart [years] (assumption; more than the longest lag)
APART = 5
BURN_IN = 100  # draws before those that count
# chance that an opening is one that trees answer at all: light cuts in open woodland mostly are not
# (assumption)
VISIBLE = 0.5
SHARES = (np.arange(24) + 0.5) / 24  # of trees at risk that answer; all alike likely (assumption)


@dataclass(frozen=True)
class KnownEvent:
    """An event as far as it could have changed growth: indices of its first and last possible
    year on the axis, and the chance that it was of the kind looked for (that it opened the
    canopy, or that it weakened trees).
    """

    first: int
    last: int
    chance: float


@dataclass(frozen=True)
class DrawnDisturbances:
    """Draws of a stand's disturbances.

    unrecorded : (draw, year) bool, a disturbance that is on no record.
    event_index : (draw, event) index of the year in which each event began.
    event_happened : (draw, event) bool, whether it was of the kind looked for.
    event_seen : (draw, event) bool, whether trees answered it.
    """

    unrecorded: np.ndarray
    event_index: np.ndarray
    event_happened: np.ndarray
    event_seen: np.ndarray

    def disturbed(self) -> np.ndarray:
        """Whether the stand was disturbed in each year, on record or not. (draw, year)"""
        result = self.unrecorded.copy()
        rows = np.arange(len(result))
        for event in range(self.event_index.shape[1]):
            result[rows, self.event_index[:, event]] |= self.event_happened[:, event]
        return result


def year_evidence(
    probability: np.ndarray, prior: float, at_risk: np.ndarray, lags: np.ndarray, *, draws: int
) -> np.ndarray:
    """Log of how much likelier the trees' changes are if the stand was disturbed in each year.
    (year,)

    probability : (tree, year) chance that a change of the tree began in the year. prior : the same
        before any ring was seen.
    at_risk : (tree, year) bool; a tree says nothing about years in which no change of it could be
        told. draws : behind each probability,
    which is never taken as known better than from so many.
    """
    known = np.where(at_risk, (probability * draws + prior) / (draws + 1), prior)
    ratio = _lagged(known, prior, lags) / prior
    some = _lagged(known, prior, np.ones(len(lags)))
    none = np.maximum(1 - some, 1 / (draws + 1)) / (1 - len(lags) * prior)
    terms = np.stack([np.log(share * ratio + (1 - share) * none).sum(axis=0) for share in SHARES])
    highest = terms.max(axis=0)
    return highest + np.log(np.exp(terms - highest).mean(axis=0))


def _lagged(probability: np.ndarray, prior: float, lags: np.ndarray) -> np.ndarray:
    """Probability of a change some years after each, weighed by the chances of the lags; the prior
    stands for the years after the last. (..., year)
    """
    length = probability.shape[-1]
    after = np.full((*probability.shape[:-1], len(lags) - 1), prior)
    padded = np.concatenate([probability, after], axis=-1)
    lagged: np.ndarray = sum(
        weight * padded[..., lag : lag + length] for lag, weight in enumerate(lags)
    )
    return lagged


def with_common_rise(evidence: np.ndarray, common: Sequence[CommonGrowth]) -> np.ndarray:
    """Log evidence of an opening that some trees answered, each for itself, or, as likely before,
    all together. (year,)

    A rise of one tree in four is drowned in its own noise; the mean curve of all has little of it.
    common : one a species of the stand; the curve of any may show the opening.
    """
    prior, _ = prior_probabilities(LEAST_COMMON_RISE, COMMON_STEP_SD)
    known = []
    for curve in common:
        if not curve.at_risk.any():
            continue
        rising = np.where(curve.at_risk, (curve.rising * DRAWS + prior) / (DRAWS + 1), prior)
        ratio = _lagged(rising, prior, RELEASE_LAGS) / prior
        known.append(np.log(np.maximum(ratio, 1e-300)))
    if not known:
        return evidence
    together = logsumexp(known, axis=0) - np.log(len(known))
    result = np.logaddexp(evidence, together) - np.log(2)
    told = np.any([curve.at_risk for curve in common], axis=0)
    return np.where(told, result, evidence)


def drawn_disturbances(
    evidence: np.ndarray,
    events: Sequence[KnownEvent],
    generator: np.random.Generator,
    *,
    draws: int = 1000,
) -> DrawnDisturbances:
    """Draws of disturbances on record and not, given the evidence of each year. (year,)

    An event's years are equally likely beforehand. Raises ValueError where an event's range leaves
    the axis.
    """
    evidence = np.ascontiguousarray(evidence, dtype=float)
    for event in events:
        if not 0 <= event.first <= event.last < len(evidence):
            raise ValueError(
                f"the range {event.first}-{event.last} of an event leaves the axis of"
                f" {len(evidence)} years"
            )
    known = _Events(
        np.array([event.first for event in events], dtype=np.int64),
        np.array([event.last for event in events], dtype=np.int64),
        np.array([event.chance for event in events], dtype=float),
    )
    drawn = _Drawn(
        np.zeros((draws, len(evidence)), dtype=np.bool_),
        np.zeros((draws, len(events)), dtype=np.int64),
        np.zeros((draws, len(events)), dtype=np.bool_),
        np.zeros((draws, len(events)), dtype=np.bool_),
    )
    _draw(evidence, known, _Prior(RATE, VISIBLE, APART), BURN_IN, generator, drawn)
    return DrawnDisturbances(*drawn)


def year_chances(evidence: np.ndarray) -> np.ndarray:
    """Chance of an unrecorded disturbance in each year where nothing is on record, exactly.
    (year,)
    """
    evidence = np.ascontiguousarray(evidence, dtype=float)
    length = len(evidence)
    logs = evidence + np.log(RATE / (1 - RATE))
    blocked = np.zeros(length, dtype=np.bool_)
    forward, backward = np.zeros(length + 1), np.zeros(length + 1)
    _sums(logs, blocked, APART, forward, backward)
    before = forward[np.maximum(np.arange(length) - APART + 1, 0)]
    after = backward[np.minimum(np.arange(length) + APART, length)]
    return np.exp(before + logs + after - forward[length])


class _Events(NamedTuple):
    """Events on record as arrays `(event,)`, see `KnownEvent`."""

    first: np.ndarray
    last: np.ndarray
    chance: np.ndarray


class _Prior(NamedTuple):
    """What is assumed of disturbances: `RATE`, `VISIBLE`, `APART`."""

    rate: float
    visible: float
    apart: int


class _Drawn(NamedTuple):
    """Arrays to fill, those of `DrawnDisturbances`."""

    unrecorded: np.ndarray
    event_index: np.ndarray
    event_happened: np.ndarray
    event_seen: np.ndarray


@compiled
def _sums(
    logs: np.ndarray, blocked: np.ndarray, apart: int, forward: np.ndarray, backward: np.ndarray
) -> None:
    """Log sums over all sets of years at least `apart` from each other: of those before year t,
    and of those from year t on.
    """
    length = len(logs)
    forward[0] = 0.0
    for year in range(length):
        forward[year + 1] = forward[year]
        if not blocked[year]:
            forward[year + 1] = np.logaddexp(
                forward[year], logs[year] + forward[max(year - apart + 1, 0)]
            )
    backward[length] = 0.0
    for year in range(length - 1, -1, -1):
        backward[year] = backward[year + 1]
        if not blocked[year]:
            backward[year] = np.logaddexp(
                backward[year + 1], logs[year] + backward[min(year + apart, length)]
            )


@compiled
def _draw(
    evidence: np.ndarray,
    events: _Events,
    prior: _Prior,
    burn_in: int,
    generator: np.random.Generator,
    drawn: _Drawn,
) -> None:
    """Each event in turn given the others, unrecorded disturbances summed out; then those, exactly,
    given the events.
    """
    length, number = len(evidence), len(events.first)
    logs = evidence + np.log(prior.rate / (1 - prior.rate))
    now, there, shown = (
        events.first.copy(),
        np.zeros(number, dtype=np.bool_),
        np.zeros(number, dtype=np.bool_),
    )
    forward, backward = np.zeros(length + 1), np.zeros(length + 1)
    blocked = np.zeros(length, dtype=np.bool_)
    for sweep in range(burn_in + drawn.unrecorded.shape[0]):
        for event in range(number):
            _block(now, shown, event, prior.apart, blocked)
            _sums(logs, blocked, prior.apart, forward, backward)
            first, chance = events.first[event], events.chance[event]
            years = events.last[event] - first + 1
            weights = np.empty(years + 1)
            quiet = 1 - chance * prior.visible
            # the last index stands for an event that left no trace, in whichever year
            weights[years] = np.log(max(quiet, 1e-300)) + forward[length]
            for option in range(years):
                year = first + option
                total = np.log(max(chance * prior.visible, 1e-300) / years)
                if _taken(now, shown, event, prior.apart, year):
                    # another event explains the rings of these years already
                    total += forward[length]
                else:
                    total += (
                        evidence[year]
                        + forward[max(year - prior.apart + 1, 0)]
                        + backward[min(year + prior.apart, length)]
                    )
                weights[option] = total
            index = weighed_index(weights, generator)
            shown[event] = index < years
            now[event] = first + (index if index < years else generator.integers(0, years))
            unseen = chance * (1 - prior.visible) / max(quiet, 1e-300)
            there[event] = shown[event] or generator.random() < unseen
        if sweep < burn_in:
            continue
        draw = sweep - burn_in
        drawn.event_index[draw], drawn.event_happened[draw] = now, there
        drawn.event_seen[draw] = shown
        _block(now, shown, -1, prior.apart, blocked)
        _sums(logs, blocked, prior.apart, forward, backward)
        _draw_unrecorded(forward, prior.apart, generator, drawn.unrecorded[draw])


@compiled
def _draw_unrecorded(
    forward: np.ndarray, apart: int, generator: np.random.Generator, unrecorded: np.ndarray
) -> None:
    """Marks drawn years (year,), from the last to the first. forward: see `_sums`."""
    end = len(unrecorded)
    while end > 0:
        if np.log(generator.random()) < forward[end - 1] - forward[end]:
            end -= 1
        else:
            unrecorded[end - 1] = True
            end = max(end - apart, 0)


@compiled
def _block(now: np.ndarray, shown: np.ndarray, but: int, apart: int, blocked: np.ndarray) -> None:
    """Years too near to an event that trees answered for another disturbance to be told from it."""
    blocked[:] = False
    for event in range(len(now)):
        if event != but and shown[event]:
            blocked[max(now[event] - apart + 1, 0) : now[event] + apart] = True


@compiled
def _taken(now: np.ndarray, shown: np.ndarray, but: int, apart: int, year: int) -> bool:
    for event in range(len(now)):  # noqa: SIM110 - a compiled loop
        if event != but and shown[event] and abs(now[event] - year) < apart:
            return True
    return False
