"""Delays between establishment and the first ring at a height: seasons without a stem, then seasons
of height growth.

The two distributions, what they depend on, and what is unsure of them beforehand are stated here
once for the package (docs/the-model.md, section 3). `log_pace`, `dispersion_at_pace`, `grass_stage`
and `height_growth` are plain arithmetic with the seasons on the first axis: they take arrays of
many values at once, and compiled, as `standage.stand.kernel.delays` uses them, single ones.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfcx, ndtr

from standage.profiles import Profile

# How sharply a spread of seasons that rises with their mean turns, at the profile's pace, into one
# that stays (assumption)
TURN = 4.0
BREAST_HEIGHT_CM = 137.0  # 1.37 m, the height of `dbh_cm`; common practice, no source
# What holds seedlings back holds saplings back: half of the variance between stands is common to
# both delays (assumption)
COMMON_LOADING = math.sqrt(0.5)
# Probability that the difference of two ring counts on cut wood is right, off by 1 and by 2 rings
# either way: most counts of a few rings on a whole section repeat (assumption)
RING_DIFFERENCE_ERROR = (0.6, 0.17, 0.03)
# Width of the classes in which the height of a plant of known age is used: young stems grow that
# much and more in a season, so finer ones would say no more (assumption) [cm]
HEIGHT_CLASS_CM = 25.0
# so that a grass stage of no possible length has no likelihood, but no division by zero
LEAST_TOTAL = 1e-300


class Pace(NamedTuple):
    """Years that something takes in a stand, log-normal beforehand.

    Attributes
    ----------
    log_years : of the profile's value. [log years]
    species_log_sd : of what is unsure for the species. [log units]
    stand_log_sd : of the differences between stands. [log units]
    """

    log_years: float
    species_log_sd: float
    stand_log_sd: float


class SpeciesDelays(NamedTuple):
    """The delays of a species.

    Attributes
    ----------
    has_grass_stage : whether young plants wait without a stem.
    grass_median : median of the seasons without a stem within a stand.
    log_grass_spread, grass_spread_log_sd : log of the log-sd of those seasons within a stand, and
        what is unsure of it for the species. [log units]
    longest_grass : seasons without a stem that are possible at most.
    to_breast_height : mean of the seasons from the start of the stem to breast height.
    log_dispersion, dispersion_log_sd : log of the variance of the seasons of height growth over
        their mean in a stand of the profile's pace, and what is unsure of it for the species.
        [log units]
    longest_growth : seasons of height growth that are followed.
    """

    has_grass_stage: bool
    grass_median: Pace
    log_grass_spread: float
    grass_spread_log_sd: float
    longest_grass: int
    to_breast_height: Pace
    log_dispersion: float
    dispersion_log_sd: float
    longest_growth: int


def species_delays(profile: Profile) -> SpeciesDelays:
    """What a profile says of the delays of its species."""
    median = profile["grass_stage.median_years"]
    spread = profile["grass_stage.within_stand_log_sd"]
    return SpeciesDelays(
        has_grass_stage=profile.has_grass_stage,
        grass_median=Pace(
            math.log(median) if median > 0 else 0.0,
            profile["grass_stage.median_log_sd"],
            profile["grass_stage.between_stand_log_sd"],
        ),
        log_grass_spread=math.log(spread) if spread > 0 else 0.0,
        grass_spread_log_sd=profile["grass_stage.within_log_sd"],
        longest_grass=int(profile["grass_stage.longest_years"]),
        to_breast_height=Pace(
            math.log(profile["height_growth.years_to_breast_height"]),
            profile["height_growth.years_log_sd"],
            profile["height_growth.between_stand_log_sd"],
        ),
        log_dispersion=math.log(profile["height_growth.dispersion"]),
        dispersion_log_sd=profile["height_growth.dispersion_log_sd"],
        longest_growth=int(profile["height_growth.longest_height_years"]),
    )


def height_share(profile: Profile, height_cm: float) -> float:
    """Mean seasons of growth up to a height as a share of those to breast height; 0 at emergence
    height and below.
    """
    start = profile["grass_stage.emergence_height_cm"] if profile.has_grass_stage else 0.0
    if height_cm <= start:
        return 0.0
    return ((height_cm - start) / (BREAST_HEIGHT_CM - start)) ** profile["height_growth.exponent"]


def log_pace(pace: Pace, species: Any, shared: Any, own: Any) -> Any:
    """Log years at standard normal factors of the species, of the stand in common with the other
    delay, and of the stand's own.
    """
    loaded = pace.stand_log_sd * COMMON_LOADING * (shared + own)
    return pace.log_years + pace.species_log_sd * species + loaded


def dispersion_at_pace(delays: SpeciesDelays, log_dispersion: Any, log_years: Any) -> Any:
    """Variance over the mean of the seasons of height growth in a stand that takes `log_years` to
    breast height, where a stand of the profile's pace has `log_dispersion`.

    In slow stands the variance no longer rises with the mean: if it did, recruitment spread evenly
    over the years would by itself speak for slow growth (docs/validation.md).
    """
    slower = np.exp(TURN * (log_years - delays.to_breast_height.log_years))
    return np.exp(log_dispersion) / (0.5 + 0.5 * slower) ** (1.0 / TURN)


def grass_stage(below: Any, pmf: Any) -> None:
    """Fills P(G = g), g = 0 ... longest, `pmf` `(g, ...)`: a log-normal in whole seasons, none at
    0, cut off at both ends.

    below : (g, ...) distribution function of the log-normal at g + 1/2.
    """
    total = np.maximum(below[len(pmf) - 1] - below[0], LEAST_TOTAL)
    pmf[0] = 0.0
    for g in range(1, len(pmf)):
        pmf[g] = (below[g] - below[g - 1]) / total


def ahead_and_behind(seasons: Any, mean: Any, dispersion: Any) -> Any:
    """Standard normal points at which the distribution function of height growth is written: with
    density phi, F(seasons) = Phi(ahead) + phi(ahead) Mills(behind), Mills(z) = Phi(-z)/phi(z).

    Growth with drift that wavers first passes its height then: an inverse Gaussian of given mean
    and variance = dispersion x mean.
    """
    width = np.sqrt(dispersion * seasons)
    return (seasons - mean) / width, (seasons + mean) / width


def height_growth(pmf: Any) -> None:
    """Turns the distribution function at k + 1/2 seasons, k = 0 ... longest, `(k, ...)`, into
    P(B = k), in place.

    It is not rescaled for what lies beyond `longest`, so that successive heights add up.
    """
    for k in range(len(pmf) - 1, 0, -1):
        pmf[k] = np.maximum(pmf[k] - pmf[k - 1], 0.0)


def grass_stage_pmf(median: ArrayLike, log_sd: ArrayLike, longest: int) -> NDArray[np.float64]:
    """P(G = g) for g = 0 ... longest seasons without a stem.

    `median` [years] and `log_sd` broadcast to a shape `(...)`; the result is `(..., longest + 1)`
    and sums to 1 along the last axis.

    >>> grass_stage_pmf(5.5, 0.5, longest=30)[:5].round(3).tolist()
    [0.0, 0.005, 0.053, 0.126, 0.161]
    """
    median, log_sd = np.broadcast_arrays(np.asarray(median, float), np.asarray(log_sd, float))
    edges = np.log(np.arange(longest + 1) + 0.5).reshape(-1, *[1] * median.ndim)
    below = ndtr((edges - np.log(median)) / log_sd)
    pmf = np.empty(below.shape)
    grass_stage(below, pmf)
    return np.moveaxis(pmf, 0, -1)


def height_growth_pmf(mean: ArrayLike, dispersion: ArrayLike, longest: int) -> NDArray[np.float64]:
    """P(B = k) for k = 0 ... longest seasons of height growth; a mean of 0 is certainty of none.

    `mean` [seasons] and `dispersion` broadcast to a shape `(...)`; the result is
    `(..., longest + 1)`.

    >>> height_growth_pmf(2.5, 1.2, longest=30)[:4].round(3).tolist()
    [0.008, 0.312, 0.305, 0.172]
    """
    mean, dispersion = np.broadcast_arrays(np.asarray(mean, float), np.asarray(dispersion, float))
    seasons = (np.arange(longest + 1) + 0.5).reshape(-1, *[1] * mean.ndim)
    ahead, behind = ahead_and_behind(seasons, mean, dispersion)
    pmf = ndtr(ahead) + 0.5 * np.exp(-0.5 * ahead**2) * erfcx(behind / math.sqrt(2.0))
    height_growth(pmf)
    return np.moveaxis(pmf, 0, -1)


def height_growth_drawn(
    mean: NDArray[np.float64], dispersion: ArrayLike, generator: np.random.Generator
) -> NDArray[np.int64]:
    """Drawn seasons of height growth, shape of `mean`; none where that is 0."""
    grows = mean > 0
    usual = np.where(grows, mean, 1.0)
    shape = np.asarray(usual**2 / np.asarray(dispersion, float), dtype=float)
    seasons = generator.wald(usual, shape)
    return np.where(grows, np.floor(seasons + 0.5), 0).astype(np.int64)
