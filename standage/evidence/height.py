"""Delays averaged over all that a profile is unsure of, for dating trees before any stand model has
been fitted; and the heights they are asked for.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standage.evidence.delays import (
    COMMON_LOADING,
    dispersion_at_pace,
    grass_stage_pmf,
    height_growth_pmf,
    height_share,
    species_delays,
)
from standage.profiles import Profile

HEIGHT_STEP_CM = 5.0
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


def _averaged_growth_pmf(
    profile: Profile, share: float, shared_factor: ArrayLike, own_log_sd: float
) -> NDArray[np.float64]:
    """Pmf of the seasons for a share of the height growth, averaged over its own normal factor and
    that of the dispersion, at given shared log factors `(...)`.
    """
    nodes, weights = normal_nodes(QUADRATURE_NODES)
    delays = species_delays(profile)
    scale = np.asarray(shared_factor, float)[..., None] + own_log_sd * nodes
    log_years = delays.to_breast_height.log_years + scale[..., None]
    log_dispersion = delays.log_dispersion + delays.dispersion_log_sd * nodes
    dispersion = dispersion_at_pace(delays, log_dispersion, log_years)
    pmf = height_growth_pmf(share * np.exp(log_years), dispersion, delays.longest_growth)
    return np.einsum("...nwk,n,w->...k", pmf, weights, weights)


def height_growth_pmf_prior(
    profile: Profile, lower_cm: float, upper_cm: float
) -> NDArray[np.float64]:
    """Pmf of the seasons from `lower_cm` to `upper_cm`, `(k,)`, averaged over what the profile is
    unsure of.
    """
    share = height_share(profile, upper_cm) - height_share(profile, lower_cm)
    pace = species_delays(profile).to_breast_height
    spread = math.hypot(pace.species_log_sd, pace.stand_log_sd)
    return _averaged_growth_pmf(profile, max(share, 0.0), 0.0, spread)


def grass_stage_pmf_prior(
    profile: Profile, shared_z: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Pmf of G averaged over species and stand factors: `(g,)`, or `(..., g)` at given values of
    the factor shared with height growth.
    """
    delays = species_delays(profile)
    shared = np.zeros(()) if shared_z is None else np.asarray(shared_z, float)
    if not profile.has_grass_stage:
        pmf = np.zeros((*shared.shape, delays.longest_grass + 1))
        pmf[..., 0] = 1.0
        return pmf
    pace = delays.grass_median
    common = pace.stand_log_sd * COMMON_LOADING
    own = math.hypot(pace.species_log_sd, pace.stand_log_sd if shared_z is None else common)
    nodes, weights = normal_nodes(QUADRATURE_NODES)
    offset = pace.log_years + common * shared
    median = np.exp(offset[..., None, None] + own * nodes[:, None])
    log_sd = np.exp(delays.log_grass_spread + delays.grass_spread_log_sd * nodes)
    pmf = grass_stage_pmf(median, log_sd, delays.longest_grass)
    return np.einsum("...mwg,m,w->...g", pmf, weights, weights)


def delay_pmf_prior(profile: Profile, height_cm: float) -> NDArray[np.float64]:
    """Pmf `(k,)` of the seasons from establishment to the first ring at `height_cm`, before any
    data of the stand.

    Averages `docs/the-model.md`, section 3, over the species and stand factors, with the factor
    that holds back seedlings and saplings alike kept common to both parts.

    >>> from standage.profiles import load_profile
    >>> pmf = delay_pmf_prior(load_profile("longleaf-pine"), 30)
    >>> int(pmf.cumsum().searchsorted(0.5))  # median [seasons]
    6
    """
    nodes, weights = normal_nodes(QUADRATURE_NODES)
    grass = grass_stage_pmf_prior(profile, nodes)
    pace = species_delays(profile).to_breast_height
    common = pace.stand_log_sd * COMMON_LOADING
    growth = _averaged_growth_pmf(
        profile,
        height_share(profile, height_cm),
        common * nodes,
        math.hypot(pace.species_log_sd, common),
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
