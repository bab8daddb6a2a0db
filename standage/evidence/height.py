"""Delays between establishment and the first ring at a height: seasons without a stem, then seasons
of height growth.

`docs/the-model.md`, section 3, states both distributions. This module holds them as plain arrays:
at given parameters, and averaged over everything the profile is unsure of, for dating trees before
any stand model has been fitted.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from standage.profiles import Profile

BREAST_HEIGHT_CM = 137.0
HEIGHT_STEP_CM = 5.0
RING_DIFFERENCE_ERROR = (0.6, 0.17, 0.03)
"""Probability that the difference of two ring counts on cut wood is right, off by 1 and by 2 rings
either way. Assumed: most counts of a few rings on a whole section repeat.
"""
QUADRATURE_NODES = 9
"""Gauss-Hermite nodes for one normal factor; the delay's mean changes by less than 0.001 years
beyond this.
"""


def normal_nodes(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gauss-Hermite nodes and weights for a standard normal factor, each `(count,)`; the weights
    sum to 1.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, weights / weights.sum()


def round_height_cm(height_cm: ArrayLike) -> NDArray[np.float64]:
    """Heights to the nearest 5 cm, halves upward; blank heights (NaN) stay blank. [cm]"""
    return np.floor(np.asarray(height_cm, float) / HEIGHT_STEP_CM + 0.5) * HEIGHT_STEP_CM


def emergence_node_cm(profile: Profile) -> float:
    """The lowest height a delay is stated for: emergence height rounded up to 5 cm, 0 without a
    grass stage. [cm]
    """
    if not profile.has_grass_stage:
        return 0.0
    return float(
        np.ceil(profile["grass_stage.emergence_height_cm"] / HEIGHT_STEP_CM) * HEIGHT_STEP_CM
    )


def grass_stage_pmf(median: ArrayLike, log_sd: ArrayLike, longest: int) -> NDArray[np.float64]:
    """P(G = g) for g = 0 ... longest seasons without a stem: a log-normal in whole seasons, none at
    0, cut off at `longest`.

    `median` and `log_sd` broadcast to a shape `(...)`; the result is `(..., longest + 1)` and sums
    to 1 along the last axis.
    """
    median, log_sd = np.broadcast_arrays(np.asarray(median, float), np.asarray(log_sd, float))
    edges = np.log(np.arange(longest + 1) + 0.5)
    below = ndtr((edges - np.log(median)[..., None]) / log_sd[..., None])
    pmf = np.zeros(below.shape)
    pmf[..., 1:] = np.diff(below, axis=-1) / (below[..., -1:] - below[..., :1])
    return pmf


def height_growth_pmf(mean: ArrayLike, dispersion: float, longest: int) -> NDArray[np.float64]:
    """P(B = k) for k = 0 ... longest seasons of height growth: negative binomial of given mean and
    variance = dispersion x mean.

    `mean` has any shape `(...)`; the result is `(..., longest + 1)`. It is not rescaled for what
    lies beyond `longest`, so that the pmfs of successive heights convolve to one another exactly.
    """
    mean = np.asarray(mean, float)
    shape, success = mean / (dispersion - 1.0), 1.0 / dispersion
    pmf = np.empty((*mean.shape, longest + 1))
    pmf[..., 0] = success**shape
    for seasons in range(1, longest + 1):
        pmf[..., seasons] = (
            pmf[..., seasons - 1] * (1.0 - success) * (shape + seasons - 1) / seasons
        )
    return pmf


def relative_height(profile: Profile, height_cm: ArrayLike) -> NDArray[np.float64]:
    """Mean seasons of growth from emergence to `height_cm` as a share of those to breast height; 0
    at emergence height and below.
    """
    start = profile["grass_stage.emergence_height_cm"] if profile.has_grass_stage else 0.0
    above = np.maximum((np.asarray(height_cm, float) - start) / (BREAST_HEIGHT_CM - start), 0.0)
    return above ** profile["height_growth.exponent"]


def _averaged_growth_pmf(
    profile: Profile, share: float, shared_factor: ArrayLike, own_log_sd: float
) -> NDArray[np.float64]:
    """Pmf of the seasons for a share of the height growth, averaged over its own normal factor, at
    given shared log factors `(...)`.
    """
    nodes, weights = normal_nodes(QUADRATURE_NODES)
    scale = np.asarray(shared_factor, float)[..., None] + own_log_sd * nodes
    mean = share * profile["height_growth.years_to_breast_height"] * np.exp(scale)
    pmf = height_growth_pmf(
        mean,
        profile["height_growth.dispersion"],
        int(profile["height_growth.longest_height_years"]),
    )
    return np.einsum("...nk,n->...k", pmf, weights)


def height_growth_pmf_prior(
    profile: Profile, lower_cm: float, upper_cm: float
) -> NDArray[np.float64]:
    """Pmf of the seasons from `lower_cm` to `upper_cm`, `(k,)`, averaged over what the profile is
    unsure of.
    """
    share = float(relative_height(profile, upper_cm) - relative_height(profile, lower_cm))
    spread = np.hypot(
        profile["height_growth.years_log_sd"], profile["height_growth.between_stand_log_sd"]
    )
    return _averaged_growth_pmf(profile, max(share, 0.0), 0.0, float(spread))


def grass_stage_pmf_prior(
    profile: Profile, shared_z: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Pmf of G averaged over species and stand factors: `(g,)`, or `(..., g)` at given values of
    the factor shared with height growth.
    """
    longest = int(profile["grass_stage.longest_years"])
    shared = np.zeros(()) if shared_z is None else np.asarray(shared_z, float)
    if not profile.has_grass_stage:
        pmf = np.zeros((*shared.shape, longest + 1))
        pmf[..., 0] = 1.0
        return pmf
    between = profile["grass_stage.between_stand_log_sd"]
    own = np.hypot(
        profile["grass_stage.median_log_sd"],
        between if shared_z is None else between / np.sqrt(2.0),
    )
    nodes, weights = normal_nodes(QUADRATURE_NODES)
    offset = np.zeros(()) if shared_z is None else between / np.sqrt(2.0) * shared
    median = profile["grass_stage.median_years"] * np.exp(
        offset[..., None, None] + own * nodes[:, None]
    )
    log_sd = profile["grass_stage.within_stand_log_sd"] * np.exp(
        profile["grass_stage.within_log_sd"] * nodes
    )
    return np.einsum("...mwg,m,w->...g", grass_stage_pmf(median, log_sd, longest), weights, weights)


def delay_pmf_prior(profile: Profile, height_cm: float) -> NDArray[np.float64]:
    """Pmf `(k,)` of the seasons from establishment to the first ring at `height_cm`, before any
    data of the stand.

    Averages `docs/the-model.md`, section 3, over the species and stand factors, with the factor
    that holds back seedlings and saplings alike kept common to both parts.
    """
    nodes, weights = normal_nodes(QUADRATURE_NODES)
    grass = grass_stage_pmf_prior(profile, nodes)
    between = profile["height_growth.between_stand_log_sd"] / np.sqrt(2.0)
    own = float(np.hypot(profile["height_growth.years_log_sd"], between))
    growth = _averaged_growth_pmf(
        profile, float(relative_height(profile, height_cm)), between * nodes, own
    )
    pmf = np.zeros(grass.shape[-1] + growth.shape[-1] - 1)
    for weight, grass_row, growth_row in zip(weights, grass, growth, strict=True):
        pmf += weight * np.convolve(grass_row, growth_row)
    return pmf


def years_already_waited_pmf(profile: Profile) -> NDArray[np.float64]:
    """Pmf `(v,)` of the seasons V between a ring seen below emergence height and the start of the
    stem.

    A core below emergence height may hold any part of the grass stage: V is uniform on 0 ... G
    (assumption E12 in `docs/evidence.md`). By symmetry it is also the pmf of the seasons from
    establishment to that ring.
    """
    grass = grass_stage_pmf_prior(profile)
    share = grass / (np.arange(grass.size) + 1.0)
    return np.cumsum(share[::-1])[::-1]


def steps(profile: Profile, heights_cm: Sequence[float]) -> tuple[NDArray[np.float64], ...]:
    """Prior pmfs of the seasons between successive heights, given in ascending order: one array
    fewer than heights.

    Raises ValueError where the heights don't ascend.
    """
    heights = np.asarray(heights_cm, float)
    if np.any(np.diff(heights) < 0):
        raise ValueError(f"heights must ascend, got {heights.tolist()} cm")
    return tuple(
        height_growth_pmf_prior(profile, low, high)
        for low, high in zip(heights[:-1], heights[1:], strict=True)
    )
