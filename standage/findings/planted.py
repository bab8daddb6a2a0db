"""Whether a pulse's trees may have been planted by people who wrote nothing down.

Planted trees began in one year and soon started a stem, so that they reach the height of the cores
within few years of each other; natural pulses last from one seed crop to decades and wait in the
grass stage, each plant for itself. Where positions are known, rows are more regular than chance.
Mathematics: docs/the-model.md, section 10.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import logsumexp
from scipy.stats import norm

from standage.evidence.delays import grass_stage_pmf, height_growth_pmf, height_share
from standage.findings.events_on_record import events_of
from standage.findings.recruitment_shapes import stem_likelihoods
from standage.findings.stages_at_event import growth_of
from standage.findings.stems import CORING_HEIGHT, dated_by_core, dated_years

if TYPE_CHECKING:
    from standage.findings.findings import Findings
    from standage.findings.pulses import Burst
    from standage.profiles import Profile
    from standage.stand.posterior import Posterior

# before looking: of stands called natural, which is also what a blank is read as, and of others or
# with a planting on record (assumptions)
NATURAL_PRIOR, OTHER_PRIOR = 0.2, 0.5
MAY_BE_PLANTED = 0.33  # probability from which it is said (docs/validation.md, Pulses)
LENGTHS = (1, 2, 3, 5, 7, 10, 14, 20, 30)  # of natural pulses, even on a log scale (assumption)
# planted stock starts its stem sooner than natural plants: median and log-sd of its grass stage
# (Haywood 2000, New Forests 19:279-290: log-sd 0.25 and 0.57 in two treatments) [years, log units]
STOCK_MEDIANS, STOCK_LOG_SD = (1.0, 2.0, 3.0), 0.4
SHARES = (0.2, 0.35, 0.5, 0.65, 0.8, 0.95)  # of the window's cored trees that are of the burst
LONGEST_DELAY = 45  # from establishment to the core that is followed [years]
# cored trees that reach their core's height from so long before a pulse's start to so long after
# its end are looked at: what it holds, and what it has to be told from [years]
BEFORE, AFTER = 2, 20
HEIGHT_STEP = 10.0  # coring heights within it are taken for alike [cm]
FEWEST_TREES = 5  # from which a spread of years says anything (assumption)
PACES, DRAWS = 12, 250  # delays tried for the stand; draws behind a tree's likelihood
FEWEST_PLACED = 8  # stems of a pulse in a plot from which spacing is looked at (assumption)
# rows: planting spots stray by a tenth of their distance, and 40 to 100 % still stand; natural
# trees by chance or, as often, none nearer than a quarter of the mean spacing (assumptions)
STRAY, LEAST_STANDING, NEAREST = 0.1, 0.4, 0.25
PATTERNS = 200  # simulated of each


@dataclass(frozen=True)
class Planting:
    """What speaks for it that a pulse was planted.

    Attributes
    ----------
    probability : that it was; NaN where nothing can be told.
    spacing_ratio : mean distance to the nearest neighbour over that expected of places by chance
        (Clark & Evans 1954, Ecology 35:445-453); above 1 regular; NaN without positions.
    spacing_by_chance : share of patterns by chance that are as regular.
    """

    probability: float
    spacing_ratio: float = np.nan
    spacing_by_chance: float = np.nan


def planting(findings: Findings, number: int, burst: Burst) -> Planting:
    """Whether the trees of a pulse may have been planted."""
    posterior, scan = findings.posterior, findings.scans[number]
    unit = posterior.units[number]
    if unit.basis == CORING_HEIGHT:
        return Planting(np.nan)
    start, end = (
        float(np.median(scan.years[edge][burst.there])) for edge in (burst.start, burst.end)
    )
    ages = spread_factor(posterior, number, findings.profiles[unit.species], start, end)
    ratio, by_chance, rows = _spacing(posterior, number, start, end)
    if np.isnan(ages) and np.isnan(ratio):
        return Planting(np.nan)
    prior = OTHER_PRIOR if _planting_likely(posterior, unit.stand) else NATURAL_PRIOR
    odds = np.log(prior / (1 - prior)) + np.nan_to_num(ages) + rows
    return Planting(float(1 / (1 + np.exp(-odds))), ratio, by_chance)


def _planting_likely(posterior: Posterior, stand: str) -> bool:
    survey = posterior.survey
    origin = survey.stands.loc[survey.stands["stand"] == stand, "origin"].iloc[0]
    planted = events_of(survey, stand)["kind"] == "planting"
    return bool(origin not in ("", "natural") or planted.any())


def spread_factor(
    posterior: Posterior, number: int, profile: Profile, start: float, end: float
) -> float:
    """Log of the Bayes factor of planting in one year against a natural pulse, by the years in
    which cored trees reached the height of their cores; NaN with too few.

    start, end: the pulse's median years.
    """
    trees, _ = dated_years(posterior, number)
    heights = trees["coring_height_cm"].to_numpy(dtype=float)
    used = dated_by_core(posterior, trees) & np.isfinite(heights)
    columns = trees.index.to_numpy()[used]
    arrived = np.asarray(posterior.year_at_core)[:, columns].astype(float)
    arrived[arrived < 0] = np.nan
    first, last = int(start) - BEFORE, int(end) + AFTER
    if not len(columns):
        return np.nan
    middle = np.nanmedian(arrived, axis=0)
    near = (middle >= first) & (middle <= last)
    if near.sum() < FEWEST_TREES:
        return np.nan
    classes = HEIGHT_STEP * np.round(np.clip(heights[used][near], 0, 137.0) / HEIGHT_STEP)
    kept = np.linspace(0, len(arrived) - 1, min(DRAWS, len(arrived))).astype(int)
    delays = posterior.unit(number).delays
    grass = np.asarray(delays["grass"], dtype=float)
    growth, dispersion = growth_of(delays["height"])
    living = posterior.unit(number).living_rate
    axis = int(posterior.years[0])
    likelihood = np.zeros((near.sum(), last - first + 1))
    columns_of = np.clip(np.arange(first, last + 1) - axis, 0, living.shape[1] - 1)
    for height in np.unique(classes):
        share = height_share(profile, height)
        delay = _to_core(grass[kept], growth[kept] * share, dispersion[kept])
        rate = _arrivals(living[kept], delay)
        same = classes == height
        held = stem_likelihoods(arrived[np.ix_(kept, np.flatnonzero(near)[same])], rate, axis)
        likelihood[same] = held[:, columns_of]
    likelihood /= np.maximum(likelihood.sum(axis=1, keepdims=True), np.finfo(float).tiny)
    tried = kept[np.linspace(0, len(kept) - 1, min(PACES, len(kept))).astype(int)]
    natural = _log_evidence(
        likelihood, classes, profile, grass[tried], growth[tried], dispersion[tried], LENGTHS
    )
    stock = [grass[tried]]
    if profile.has_grass_stage:
        stock = [
            grass_stage_pmf(median, STOCK_LOG_SD, grass.shape[1] - 1)[None].repeat(len(tried), 0)
            for median in STOCK_MEDIANS
        ]
    planted = [
        _log_evidence(likelihood, classes, profile, each, growth[tried], dispersion[tried], (1,))
        for each in stock
    ]
    return float(logsumexp(planted) - np.log(len(planted)) - natural)


def _to_core(grass: np.ndarray, growth: np.ndarray, dispersion: np.ndarray) -> np.ndarray:
    """Pmf of the seasons from establishment to the core. (draw, season)

    grass : (draw, season). growth, dispersion : (draw,) mean seasons of height growth to the core,
        and their variance over it.
    """
    below = np.zeros((len(grass), LONGEST_DELAY + 1))
    below[:, 0] = 1.0
    if growth.max() > 0:
        below = height_growth_pmf(growth, dispersion, LONGEST_DELAY)
    delay = np.zeros_like(below)
    for season in range(min(grass.shape[1], LONGEST_DELAY + 1)):
        delay[:, season:] += grass[:, [season]] * below[:, : LONGEST_DELAY + 1 - season]
    return delay / delay.sum(axis=1, keepdims=True)


def _arrivals(living: np.ndarray, delay: np.ndarray) -> np.ndarray:
    """Living stems by the year in which they reached the core's height. (draw, year)"""
    rate = delay[:, [0]] * living
    for season in range(1, delay.shape[1]):
        rate[:, season:] += delay[:, [season]] * living[:, :-season]
    return np.maximum(rate, np.finfo(float).tiny)


def _log_evidence(
    likelihood: np.ndarray,
    heights: np.ndarray,
    profile: Profile,
    grass: np.ndarray,
    growth: np.ndarray,
    dispersion: np.ndarray,
    lengths: tuple[int, ...],
) -> float:
    """Log of the mean likelihood of a burst of one of these lengths in an even background, over its
    first year, its share of the trees and the delays.

    likelihood : (tree, year) in the window. heights : (tree,) of the cores [cm].
    grass, growth, dispersion : (draw, ...) as in `_to_core`, growth to breast height.
    """
    trees, years = likelihood.shape
    starts = np.arange(-LONGEST_DELAY, years)
    later = np.arange(years) - starts[:, None]
    classes = np.unique(heights)
    delays = {
        height: _to_core(grass, growth * height_share(profile, height), dispersion)
        for height in classes
    }
    shares = np.array(SHARES)[:, None, None]
    logs = []
    for draw in range(len(grass)):
        for length in lengths:
            chances, inside = np.zeros((len(starts), trees)), np.ones(len(starts))
            for height in classes:
                reached = np.convolve(delays[height][draw], np.full(length, 1 / length))
                there = (later >= 0) & (later < len(reached))
                density = np.where(there, reached[np.clip(later, 0, len(reached) - 1)], 0.0)
                same = heights == height
                chances[:, same] = density @ likelihood[same].T
                inside = np.minimum(inside, density.sum(axis=1))
            one = np.log((1 - shares) / years + shares * chances).sum(axis=2)
            # a burst that mostly lies outside is none of this window's
            logs.append(np.where(inside > 0.5, one, -np.inf))
    return float(logsumexp(logs) - np.log(np.size(logs)))


def _spacing(
    posterior: Posterior, number: int, start: float, end: float
) -> tuple[float, float, float]:
    """Ratio of Clark & Evans of a pulse's stems, how often chance gives as regular a pattern, and
    the log Bayes factor of rows; the median plot's. NaN, NaN, 0 without positions.
    """
    trees, years = dated_years(posterior, number)
    inside = ((years >= start) & (years <= end)).mean(axis=0) > 0.5
    survey = posterior.survey
    placed = survey.trees.set_index("tree").reindex(trees["tree"][inside])
    area = survey.plots.set_index("plot")["area_m2"]
    generator = np.random.default_rng([posterior.seed, number, 91])
    found = []
    for plot, stems in placed.dropna(subset=["x_m", "y_m"]).groupby("plot"):
        if plot != "" and len(stems) >= FEWEST_PLACED:
            places = stems[["x_m", "y_m"]].to_numpy(dtype=float)
            found.append(rows_factor(places, float(area[plot]), generator))
    if not found:
        return np.nan, np.nan, 0.0
    ratio, by_chance, factor = np.array(found).T
    return float(np.median(ratio)), float(np.median(by_chance)), float(factor.sum())


def rows_factor(
    places: np.ndarray, area_m2: float, generator: np.random.Generator
) -> tuple[float, float, float]:
    """Ratio of Clark & Evans, the share of patterns by chance that are as regular, and the log
    Bayes factor of rows against natural places, from simulated plots of one area and number.

    places : (stem, 2) [m].
    """
    count, side = len(places), np.sqrt(area_m2)
    ratio = nearest_ratio(places, area_m2)
    chance, apart, rows = (
        np.array([
            nearest_ratio(make(count, generator) * side, area_m2) for _ in range(PATTERNS)
        ])
        for make in (_by_chance, _apart, _in_rows)
    )  # fmt: skip
    natural, planted = (
        logsumexp([norm.logpdf(ratio, each.mean(), each.std()) for each in kinds])
        - np.log(len(kinds))
        for kinds in ((chance, apart), (rows,))
    )
    return ratio, float(np.mean(chance >= ratio)), float(planted - natural)


def nearest_ratio(places: np.ndarray, area_m2: float) -> float:
    """Mean distance to the nearest neighbour over that expected in places by chance, 1/(2
    sqrt(density)); edges are left as they are. places : (stem, 2) [m]
    """
    nearest = cKDTree(places).query(places, k=2)[0][:, 1]
    return float(nearest.mean() * 2 * np.sqrt(len(places) / area_m2))


def _by_chance(count: int, generator: np.random.Generator) -> np.ndarray:
    return generator.random((count, 2))


def _apart(count: int, generator: np.random.Generator) -> np.ndarray:
    """Places by chance, none nearer to another than `NEAREST` of the mean spacing."""
    least, found = NEAREST / np.sqrt(count), generator.random((1, 2))
    while len(found) < count:
        new = generator.random(2)
        if np.hypot(*(found - new).T).min() >= least:
            found = np.vstack([found, new])
    return found


def _in_rows(count: int, generator: np.random.Generator) -> np.ndarray:
    """A square of planting spots, of which some have died."""
    spots = int(np.ceil(np.sqrt(count / generator.uniform(LEAST_STANDING, 1.0))))
    across, along = np.meshgrid(*[(np.arange(spots) + 0.5) / spots] * 2)
    grid = np.column_stack([across.ravel(), along.ravel()])
    standing = generator.permutation(len(grid))[:count]
    return grid[standing] + generator.normal(0, STRAY / spots, (count, 2))
