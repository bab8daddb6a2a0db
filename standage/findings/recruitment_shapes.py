"""Steady, a change to a lasting level, or a pulse: which history of recruitment the dated stems
speak for, with probabilities that add up.

Histories of each shape are held against the stems' dates (docs/the-model.md, section 10). Where the
record ends, nobody knows whether what rose there has stayed: such histories are counted as such.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.special import logsumexp

from standage.findings.stems import dated_by_core, dated_years

if TYPE_CHECKING:
    from standage.findings.findings import Findings
    from standage.findings.local_ratio import Scan
    from standage.stand.posterior import Posterior

Shape = Literal["steady", "rise", "fall", "pulse", "unseen"]
SHAPES: tuple[Shape, ...] = ("steady", "rise", "fall", "pulse", "unseen")
# before looking (assumption); a rise and a fall are alike
PRIOR = {"steady": 0.4, "rise": 0.125, "fall": 0.125, "pulse": 0.25, "unseen": 0.1}
RATIOS = (2.0, 3.0, 5.0, 8.0)  # of the higher level to the lower; less counts as steady
LENGTHS = (4, 6, 10, 14, 20, 28, 40)  # of pulses [years]
EVERY = 2  # a change is looked for in every second year
# a level has to be seen for so long to be a lasting one, and a pulse's end needs so many years
# after it (assumption) [years]
LASTING, AFTER = 20, 10
SLOPES = np.linspace(-1.5, 1.5, 7)  # trends that are none of these changes [log units a century]
SLOPE_SD = 0.7  # of their prior, beside mortality
# share of the stems that may be younger, and older, than the record
TAIL = 0.05
SEEN = 0.7  # share of a year's stems that must have reached the list for it to be in the record
FEWEST_DATED = 10  # with fewer dated stems nothing is told (common practice, no source)
ROUNDS = 4  # in which stems' likelihoods settle


def stem_likelihoods(years: np.ndarray, living: np.ndarray, first: int) -> np.ndarray:
    """What is known of each stem's year by itself, its history taken out; each adds up to 1.

    A stem's year in a draw is drawn from living x likelihood, so that the drawn years over the
    draws' mean of living / (its sum) give the likelihood back.

    years : drawn years, NaN in a draw without one. (draw, stem)
    living : by year of an axis that begins in `first`. (draw, year)
    Returns (stem, year).
    """
    draws, stems = years.shape
    rate = living / living.sum(axis=1, keepdims=True)
    held = np.zeros((stems, living.shape[1]))
    draw, stem = np.nonzero(np.isfinite(years))
    index = np.clip(years[draw, stem] - first, 0, living.shape[1] - 1).astype(int)
    np.add.at(held, (stem, index), 1.0 / draws)
    likelihood = np.ones_like(held) / held.shape[1]
    for _ in range(ROUNDS):
        total = np.maximum(likelihood @ rate.T, np.finfo(float).tiny)
        expected = (1 / total) @ rate / draws
        likelihood = held / np.maximum(expected, np.finfo(float).tiny)
        likelihood /= np.maximum(likelihood.sum(axis=1, keepdims=True), np.finfo(float).tiny)
    return likelihood


@dataclass(frozen=True)
class Histories:
    """Histories with one raised level, from place `first` to `last` of the record, ends included.

    shape : of each. (history,)
    prior : adds up to 1, steady recruitment (without a raised level) left out. (history,)
    """

    first: np.ndarray
    last: np.ndarray
    shape: np.ndarray
    prior: np.ndarray


def raised_histories(years: int) -> Histories:
    """Every history with one raised level in a record of so many years."""
    found: list[tuple[int, int, Shape]] = []
    end = years - 1
    for first in range(2, years - 1, EVERY):  # raised from there to the end of the record
        lasting = years - first >= LASTING and first >= LASTING / 2
        found.append((first, end, "rise" if lasting else "unseen"))
    for last in range(2, years - 1, EVERY):  # from the record's first year
        seen = end - last >= LASTING
        longest = last + 1 > max(LENGTHS)
        found.append((0, last, "fall" if seen and longest else "pulse" if seen else "unseen"))
    for length in LENGTHS:
        for first in range(2, years - length - 1, EVERY):
            last = first + length - 1
            found.append((first, last, "pulse" if end - last >= AFTER else "unseen"))
    starts, ends = (np.array([each[place] for each in found], dtype=int) for place in (0, 1))
    shape = np.array([each[2] for each in found])
    prior = np.zeros(len(found))
    for name in SHAPES[1:]:
        same = shape == name
        prior[same] = PRIOR[name] / max(same.sum(), 1)
    return Histories(starts, ends, shape, prior)


@dataclass(frozen=True)
class Record:
    """The years in which what is known of stems is nearly all there is to know: places on the axis.

    weight : how many of a steady recruitment's stems would be on the list, by year. (year,)
    """

    first: int
    last: int
    weight: np.ndarray

    @property
    def years(self) -> int:
        return self.last - self.first + 1


def record_of(
    posterior: Posterior, number: int, scan: Scan, drawn: np.ndarray, hazard: float
) -> Record:
    """The record of a unit. drawn: years of its stems. (draw, stem)"""
    unit = posterior.units[number]
    axis = scan.years
    known = drawn[np.isfinite(drawn)]
    low, high = np.quantile(known, [TAIL, 1 - TAIL]) if len(known) else (axis[0], axis[-1])
    first = int(np.clip(np.floor(low) - axis[0], 0, len(axis) - 1))
    last, weight = len(axis) - 1, scan.shape * np.exp(hazard * (axis - axis[-1]))
    if unit.has_plots:
        listed = share_listed(posterior, number)
        weight = weight * np.maximum(listed, 1e-6)
        seen = np.flatnonzero(listed >= SEEN)
        last = int(seen[-1]) if len(seen) else 0
    else:
        last = int(np.clip(np.ceil(high) - axis[0], 0, len(axis) - 1))
    return Record(first, last, weight)


def share_listed(posterior: Posterior, number: int) -> np.ndarray:
    """Share of each year's living that is as thick as the plots list. (year,)"""
    unit = posterior.units[number]
    past = posterior.unit(number).share_past_emerging.mean(axis=0)
    plots = posterior.survey.plots
    least = plots.loc[plots["stand"] == unit.stand, "min_dbh_cm"].max()
    curve = np.asarray(posterior.unit(number).size_curve, dtype=float).mean(axis=0)
    seasons = int(np.argmax(curve >= least)) if (curve >= least).any() else len(past) - 1
    if not np.isfinite(least) or seasons == 0:
        return past
    listed = np.zeros(len(past))
    listed[: len(past) - seasons] = past[seasons:]
    return listed


def trends(years: int) -> np.ndarray:
    """Recruitment that changes evenly, by slope. (slope, year)"""
    since = (np.arange(years) - (years - 1) / 2) / 100
    return np.exp(SLOPES[:, None] * since)


def log_trends() -> np.ndarray:
    """Log prior of each slope. (slope,)"""
    logs: np.ndarray = -0.5 * (SLOPES / SLOPE_SD) ** 2
    return logs - logsumexp(logs)


def log_evidence(
    likelihood: np.ndarray, worth: np.ndarray, weight: np.ndarray, histories: Histories
) -> tuple[float, np.ndarray]:
    """Log evidence of steady recruitment, and of each raised history, trend and ratio summed out.

    likelihood : of the stems over the record. (stem, year); worth : what each counts. (stem,)
    weight : stems that a steady recruitment would have listed. (year,)
    """
    trend = log_trends()
    steady = np.zeros(len(SLOPES))
    raised = np.zeros((len(SLOPES), len(RATIOS), len(histories.first)))
    for number, base in enumerate(trends(len(weight))):
        rows = np.vstack([likelihood * base, weight * base])
        upto = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
        total = np.maximum(upto[:, -1], np.finfo(float).tiny)
        inside = (upto[:, histories.last + 1] - upto[:, histories.first]) / total[:, None]
        steady[number] = worth @ np.log(total[:-1]) - worth.sum() * np.log(total[-1])
        for place, ratio in enumerate(RATIOS):
            gain = np.log1p((ratio - 1) * inside)
            raised[number, place] = steady[number] + worth @ gain[:-1] - worth.sum() * gain[-1]
    flat = trend[:, None, None] - np.log(len(RATIOS))
    return (
        float(logsumexp(steady + trend)),
        logsumexp(raised + flat, axis=(0, 1)),
    )


@dataclass(frozen=True)
class RecruitmentShape:
    """How probable each shape is, and when the level changed if it did.

    chances : by shape, adding up to 1.
    change_years, change_chances : years from which the new level held, over the histories of a rise
        or fall, whichever is likelier. (history,)
    first, last : years of the record.
    """

    chances: dict[Shape, float]
    change_years: np.ndarray
    change_chances: np.ndarray
    first: int
    last: int

    @property
    def likeliest(self) -> Shape:
        return max(SHAPES, key=lambda shape: self.chances[shape])

    @property
    def may_have_stayed(self) -> bool:
        """Whether a rise that lasted, or whose end nobody saw, is likelier than a pulse."""
        return self.chances["rise"] + self.chances["unseen"] > self.chances["pulse"]

    def change_year(self, level: float) -> tuple[float, float, float]:
        """Ends and median of the year of the change; NaN without one."""
        if not len(self.change_years):
            return (np.nan,) * 3
        order = np.argsort(self.change_years)
        held = np.cumsum(self.change_chances[order])
        shares = np.array([(1 - level) / 2, 0.5, (1 + level) / 2])
        places = np.minimum(np.searchsorted(held, shares), len(held) - 1)
        low, middle, high = self.change_years[order][places].tolist()
        return low, middle, high


@dataclass(frozen=True)
class RecordStems:
    """What is known of the stems of a unit's record, each by itself.

    likelihood : of each stem's year, the history taken out. (stem, year)
    worth : the probability that it is of the record. (stem,)
    weight : stems that a steady recruitment would have listed. (year,)
    dbh_cm : diameter, NaN where there is none. (stem,) [cm]
    first : year of the record.
    dated : stems dated by core.
    """

    likelihood: np.ndarray
    worth: np.ndarray
    weight: np.ndarray
    dbh_cm: np.ndarray
    first: int
    dated: int

    @property
    def years(self) -> int:
        return len(self.weight)

    @property
    def enough(self) -> bool:
        """Whether histories can be told apart by it."""
        return self.dated >= FEWEST_DATED and self.years >= 2 * LASTING

    @property
    def shape(self) -> RecruitmentShape:
        """The shape of recruitment that all these stems speak for."""
        if not self.enough:
            return nothing_told(self.first, self.first + self.years - 1)
        return shape_of(self.likelihood, self.worth, self.weight, self.first)


def record_stems(findings: Findings, number: int) -> RecordStems:
    """The listed stems of a unit over the years of its record."""
    posterior, scan = findings.posterior, findings.scans[number]
    trees, drawn = dated_years(posterior, number)
    hazard = findings.profiles[posterior.units[number].species]["survival.adult_hazard_per_year"]
    start = int(scan.years[0])
    record = record_of(posterior, number, scan, drawn, float(hazard))
    inside = slice(record.first, record.last + 1)
    return RecordStems(
        stem_likelihoods(drawn, posterior.unit(number).living_rate, start)[:, inside],
        ((drawn >= start + record.first) & (drawn <= start + record.last)).mean(axis=0),
        record.weight[inside],
        trees["dbh_cm"].to_numpy(dtype=float),
        start + record.first,
        int(dated_by_core(posterior, trees).sum()),
    )


def nothing_told(first: int, last: int) -> RecruitmentShape:
    """Of a record too short, or of too few stems."""
    chances = dict.fromkeys(SHAPES, 0.0) | {"unseen": 1.0}
    return RecruitmentShape(chances, np.zeros(0), np.zeros(0), first, last)


def shape_of(
    likelihood: np.ndarray, worth: np.ndarray, weight: np.ndarray, first: int
) -> RecruitmentShape:
    """The shape that stems speak for; arguments as for `log_evidence`, first: year of it."""
    histories = raised_histories(len(weight))
    steady, raised = log_evidence(likelihood, worth, weight, histories)
    logs = np.concatenate([[np.log(PRIOR["steady"]) + steady], np.log(histories.prior) + raised])
    chance = np.exp(logs - logsumexp(logs))
    of = np.concatenate([["steady"], histories.shape])
    chances = {shape: float(chance[of == shape].sum()) for shape in SHAPES}
    change: Shape = "rise" if chances["rise"] >= chances["fall"] else "fall"
    same = histories.shape == change
    places = histories.first if change == "rise" else histories.last + 1
    weights = chance[1:][same]
    total = weights.sum()
    return RecruitmentShape(
        chances,
        first + places[same].astype(float) if total > 0 else np.zeros(0),
        weights / total if total > 0 else np.zeros(0),
        first,
        first + len(weight) - 1,
    )
