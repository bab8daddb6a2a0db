"""Rings missed between the innermost ring seen and the pith: one log-normal a core, by kind of
centre.

Whatever the evidence, the outcome is the same three numbers a core: the rings missed are a
log-normal in whole rings with log mean `mu + loading x gamma` and log-sd `sigma`, gamma the
early-growth factor of the stand. Positive gamma is slower early growth, so more rings in the same
distance. It is written as a probability of the rings given the reading, never as a density of the
distance given the rings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtr, softmax

from standage.evidence import geometry
from standage.evidence.height import normal_nodes
from standage.profiles import Profile

ARC_READING_SD_MM = 0.3
"""Reading error of chord and of arc height. Assumed: a third of a millimetre is what a scale under
a lens gives.
"""
MISSING_MM_SD_SHARE, MISSING_MM_SD_MM = 0.2, 1.0
"""Error of an estimated distance where none is given: 20 % and 1 mm. Assumed."""
MISSING_RINGS_SD_SHARE, MISSING_RINGS_SD_RINGS = 0.2, 1.0
"""Error of the reader's own number of rings missed where none is given: 20 % and 1 ring. Assumed.
"""
NO_RINGS_SD = 0.5
"""The same where the reader says that none was missed. Assumed: who sees the first ring is seldom
off by more than one.
"""
FEWEST_RINGS = 0.3
"""Stands for "no ring missed" on the log scale: it rounds to 0. Assumed."""
INNER_RINGS_SHARE = 0.6
"""Share of the tree-to-tree spread of early growth left once the innermost rings are measured.
Assumed.
"""
ARC_DISTANCE_MM, ARC_DISTANCE_LOG_SD, ARC_MEASURED_LOG_SD = 8.0, 0.7, 1.0
"""Distance to the pith where arcs are seen: median, log-sd where they are not measured, and before
they are measured, wider so that the reading speaks. Assumed.
"""
ARC_RADII_MM = np.exp(np.linspace(np.log(0.5), np.log(150.0), 300))
"""Radii by which a measured arc is read: beyond both ends no arc is seen in a core."""
EXTRAPOLATION_LOG_SD_PER_MM, EXTRAPOLATION_LOG_SD = 0.015, 0.6
"""How much the early growth that a core did not reach differs from that of the rings by which it is
judged: log-sd a millimetre of distance, and at most. Assumed.
"""
SHARE_MISSING = {"straight": 0.3, "rotten": 0.5}
SHARE_MISSING_LOG_ODDS_SD = 1.0
"""Share of the radius missed where the diameter is blank, or both the core length and the distance
to the pith: median, sd of its log-odds. Assumed.
"""
SHARE_TO_RINGS_LOG_SD = 0.65
"""How far the rings in a missing share of the radius differ from those of the profile's median
growth curve. Assumed: extrapolation was off by up to factor of three (Baudet, Josefsson & Ostlund
2020); taken as the 95 % point, log(3)/1.645 = 0.67.
"""
SMALLEST_LOG_SD = 0.01


@dataclass(frozen=True)
class CentreEvidence:
    """Rings missed by each core: `mu`, `sigma`, `loading`, `tree_log_sd`, each `(core,)`.

    `tree_log_sd` is the part of sigma that two cores of one tree share, `pith_share` the
    probability that the core reached the pith though nobody says so; the log-normal is of those
    that did not. Cores that hold the pith have mu = -inf and sigma = loading = 0.
    """

    mu: NDArray[np.float64]
    sigma: NDArray[np.float64]
    loading: NDArray[np.float64]
    tree_log_sd: NDArray[np.float64]
    pith_share: NDArray[np.float64]


def missing_rings_pmf(
    mu: ArrayLike, sigma: ArrayLike, longest: int, pith_share: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """P(m = k) for k = 0 ... longest rings missed: `Phi((log(k + 1/2) - mu)/sigma) - Phi((log(k -
    1/2) - mu)/sigma)`.

    `mu` and `sigma` broadcast to `(...)`; the result is `(..., longest + 1)`. mu = -inf means that
    no ring was missed; with probability `pith_share` `(...)` none was, whatever mu.

    >>> missing_rings_pmf(np.log(4), 0.4, 8).round(2)
    array([0.  , 0.01, 0.11, 0.25, 0.25, 0.17, 0.1 , 0.05, 0.03])
    """
    mu, sigma = np.broadcast_arrays(np.asarray(mu, float), np.asarray(sigma, float))
    exact = np.isneginf(mu)
    safe_mu, safe_sigma = (
        np.where(exact, 0.0, mu),
        np.where(exact, 1.0, np.maximum(sigma, SMALLEST_LOG_SD)),
    )
    z = (np.log(np.arange(longest + 1) + 0.5) - safe_mu[..., None]) / safe_sigma[..., None]
    # Differences are taken in the nearer tail, so that far tails keep their relative precision.
    tail = ndtr(-np.abs(z))
    pmf = np.empty(z.shape)
    pmf[..., 0] = np.where(z[..., 0] < 0, tail[..., 0], 1.0 - tail[..., 0])
    low, high, low_tail, high_tail = z[..., :-1], z[..., 1:], tail[..., :-1], tail[..., 1:]
    pmf[..., 1:] = np.where(
        high <= 0,
        high_tail - low_tail,
        np.where(low >= 0, low_tail - high_tail, 1.0 - low_tail - high_tail),
    )
    pmf[exact] = 0.0
    pmf[..., 0] = np.where(exact, 1.0, pmf[..., 0])
    pith = np.asarray(pith_share, float)[..., None]
    pmf = (1.0 - pith) * pmf
    pmf[..., :1] += pith
    return pmf


def read_centres(
    table: pd.DataFrame, visible_rings: NDArray[np.float64], profile: Profile
) -> CentreEvidence:
    """The centre evidence of each row of `table`: the columns of cores.csv, and `dbh_cm` of the
    tree.

    `visible_rings` `(core,)` are the rings from the last to the innermost seen, NaN where none can
    be read.
    """
    column = {name: table[name].to_numpy(float) for name in _NUMBERS}
    centre = table["centre"].to_numpy(object)
    reader_says, distance_known = (
        ~np.isnan(column["rings_to_pith"]),
        ~np.isnan(column["pith_distance_mm"]),
    )
    inner_known = ~np.isnan(column["inner_ring_mm"])
    arc_measured = (centre == "arcs") & (column["arc_chord_mm"] > 0) & (column["arc_height_mm"] > 0)
    by_share_kind = (centre == "straight") | (centre == "rotten")
    diameter_known = ~(np.isnan(column["dbh_cm"]) & np.isnan(column["diameter_at_core_cm"]))
    length_known = ~np.isnan(column["core_length_mm"]) & diameter_known
    # how growth slowed in the rest of the core says more than the profile's early growth
    held_against_radius = by_share_kind & diameter_known & ~inner_known & ~np.isnan(visible_rings)

    distance = _estimated_distance(column, profile)
    by_share = _from_share_of_radius(table, column, centre, visible_rings, distance, profile)
    by_distance = _from_distance(*distance, inner_known, column, profile)
    # From weakest to strongest evidence; what comes later replaces what came before.
    choices = [
        (np.ones(len(table), bool), _unknown(len(table), profile)),
        (
            length_known & (centre == "unknown") & ~np.isnan(by_share.mu),
            _maybe_pith(by_share, profile),
        ),
        (
            centre == "arcs",
            _from_distance(*_unmeasured_arc(len(table)), inner_known, column, profile),
        ),
        (by_share_kind & ~np.isnan(by_share.mu), by_share),
        (
            arc_measured,
            _from_distance(*_arc_distance(column, profile), inner_known, column, profile),
        ),
        (distance_known & ~held_against_radius, by_distance),
        (reader_says, _readers_own(column)),
        (centre == "pith", _pith(len(table))),
        (at_least(table), _pith(len(table))),  # no number of rings is assumed further in
    ]
    parts = [
        np.select(
            [use for use, _ in reversed(choices)],
            [getattr(found, name) for _, found in reversed(choices)],
        )
        for name in _PARTS
    ]
    return CentreEvidence(*parts)


_PARTS = ("mu", "sigma", "loading", "tree_log_sd", "pith_share")
_NUMBERS = (
    "arc_chord_mm",
    "arc_height_mm",
    "pith_distance_mm",
    "pith_distance_mm_sd",
    "rings_to_pith",
    "rings_to_pith_sd",
    "inner_ring_mm",
    "core_length_mm",
    "diameter_at_core_cm",
    "bark_mm",
    "height_cm",
    "dbh_cm",
)


def at_least(cores: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows of cores.csv give a least number of rings only, `(core,)`."""
    if "at_least" not in cores.columns:
        return np.zeros(len(cores), bool)
    return (cores["at_least"] == "yes").to_numpy(dtype=bool)


def reach_unknown(cores: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows of cores.csv tell nothing of how far from the pith they ended, `(core,)`: no
    curvature or no centre, and neither rings, nor a distance, nor a length. What they
    missed is then assumed from the rings seen (E14).
    """
    bound = at_least(cores)
    cores = cores.reindex(columns=["centre", "rings_to_pith", "pith_distance_mm", "core_length_mm"])
    told = cores[["rings_to_pith", "pith_distance_mm", "core_length_mm"]].notna().any(axis=1)
    return (cores["centre"].isin(["straight", "rotten"]) & ~told).to_numpy(dtype=bool) & ~bound


def _pith(cores: int) -> CentreEvidence:
    zero = np.zeros(cores)
    return CentreEvidence(np.full(cores, -np.inf), zero, zero, zero, zero)


def _unknown(cores: int, profile: Profile) -> CentreEvidence:
    """Nothing recorded: a share reached the pith; of the others the profile's median, its spread
    split between the stand and the core so that the total is the profile's.
    """
    spread = profile["core.unknown_missing_rings_log_sd"]
    loading = min(profile["core.early_growth_stand_log_sd"], 0.7 * spread)
    own = np.sqrt(spread**2 - loading**2)
    fill = [
        np.log(profile["core.unknown_missing_rings_median"]),
        own,
        loading,
        min(profile["core.early_growth_log_sd"], 0.7 * own),
        profile["core.unknown_pith_share"],
    ]
    return CentreEvidence(*(np.full(cores, value) for value in fill))


def _maybe_pith(found: CentreEvidence, profile: Profile) -> CentreEvidence:
    """The centre isn't recorded, but length and diameter are: the share of the radius missed speaks
    where the pith was not reached.
    """
    return replace(found, pith_share=np.full(found.mu.size, profile["core.unknown_pith_share"]))


def _readers_own(column: dict[str, NDArray[np.float64]]) -> CentreEvidence:
    rings = np.maximum(column["rings_to_pith"], FEWEST_RINGS)
    default = np.where(
        column["rings_to_pith"] > 0,
        MISSING_RINGS_SD_SHARE * column["rings_to_pith"] + MISSING_RINGS_SD_RINGS,
        NO_RINGS_SD,
    )
    sd = np.where(np.isnan(column["rings_to_pith_sd"]), default, column["rings_to_pith_sd"])
    zero = np.zeros(rings.size)
    return CentreEvidence(
        np.log(rings),
        np.maximum(np.sqrt(np.log1p((sd / rings) ** 2)), SMALLEST_LOG_SD),
        zero,
        zero,
        zero,
    )


def _unmeasured_arc(cores: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.full(cores, np.log(ARC_DISTANCE_MM)), np.full(cores, ARC_DISTANCE_LOG_SD)


def _arc_distance(
    column: dict[str, NDArray[np.float64]], profile: Profile
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log distance and log-sd from chord and arc height: the distances at which arcs are seen at
    all, each weighed by how well it fits the reading. A flat arc fits every greater distance.
    """
    beforehand = -0.5 * (np.log(ARC_RADII_MM / ARC_DISTANCE_MM) / ARC_MEASURED_LOG_SD) ** 2
    measured = (column["arc_chord_mm"] > 0) & (column["arc_height_mm"] > 0)
    fit = geometry.arc_log_fit(
        column["arc_chord_mm"][measured, None],
        column["arc_height_mm"][measured, None],
        ARC_RADII_MM,
        ARC_READING_SD_MM,
    )
    weight = softmax(beforehand + fit, axis=1)
    log_radius = np.log(
        geometry.distance_less_pith_mm(ARC_RADII_MM, profile["core.pith_radius_mm"])
    )
    log_distance, log_sd = np.full((2, measured.size), np.nan)
    log_distance[measured] = weight @ log_radius
    variance = weight @ log_radius**2 - log_distance[measured] ** 2
    log_sd[measured] = np.sqrt(np.maximum(variance, SMALLEST_LOG_SD**2))
    return log_distance, log_sd


def _estimated_distance(
    column: dict[str, NDArray[np.float64]], profile: Profile
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log distance and log-sd where the reader gives a distance to the pith (circles laid over, or
    other); the pith is taken off.
    """
    distance = geometry.distance_less_pith_mm(
        column["pith_distance_mm"], profile["core.pith_radius_mm"]
    )
    default = MISSING_MM_SD_SHARE * column["pith_distance_mm"] + MISSING_MM_SD_MM
    sd = np.where(np.isnan(column["pith_distance_mm_sd"]), default, column["pith_distance_mm_sd"])
    return np.log(distance), np.maximum(np.sqrt(np.log1p((sd / distance) ** 2)), SMALLEST_LOG_SD)


def _from_distance(
    log_distance: NDArray[np.float64],
    log_sd: NDArray[np.float64],
    inner_known: NDArray[np.bool_],
    column: dict[str, NDArray[np.float64]],
    profile: Profile,
) -> CentreEvidence:
    """Rings = distance over early growth; early growth from the innermost rings of the same core
    where measured, else the profile's.
    """
    measured = np.log(
        np.maximum(np.where(inner_known, column["inner_ring_mm"], 1.0), 0.01)
        * profile["core.early_to_inner_ratio"]
    )
    log_growth = np.where(inner_known, measured, np.log(profile["core.early_growth_mm_per_year"]))
    tree = np.hypot(
        profile["core.early_growth_log_sd"] * np.where(inner_known, INNER_RINGS_SHARE, 1.0),
        np.minimum(EXTRAPOLATION_LOG_SD_PER_MM * np.exp(log_distance), EXTRAPOLATION_LOG_SD),
    )
    loading = np.full(log_distance.size, profile["core.early_growth_stand_log_sd"])
    zero = np.zeros(log_distance.size)
    return CentreEvidence(log_distance - log_growth, np.hypot(log_sd, tree), loading, tree, zero)


def _from_share_of_radius(
    table: pd.DataFrame,
    column: dict[str, NDArray[np.float64]],
    centre: NDArray[np.object_],
    visible_rings: NDArray[np.float64],
    distance: tuple[NDArray[np.float64], NDArray[np.float64]],
    profile: Profile,
) -> CentreEvidence:
    """No curvature to see, or the centre gone: the share of the radius missed, and how growth slows
    with age, give the rings missed.
    """
    by_taper = geometry.diameter_at_height_cm(
        column["dbh_cm"], column["height_cm"], profile["core.taper_per_m"]
    )
    diameter = np.where(
        np.isnan(column["diameter_at_core_cm"]), by_taper, column["diameter_at_core_cm"]
    )
    radius = geometry.radius_under_bark_mm(
        diameter, column["bark_mm"], profile["core.bark_share_of_diameter"]
    )
    dry = table["core_state"].to_numpy(object) != "fresh"
    length = geometry.length_in_the_tree_mm(
        column["core_length_mm"], dry, profile["core.dry_shrinkage_share"]
    )
    nodes, weights = normal_nodes(5)
    eccentricity = profile["core.eccentricity_log_sd"]
    share = geometry.share_of_radius_missing(
        length, radius, profile["core.pith_radius_mm"], eccentricity, nodes
    )
    log_distance, log_sd = distance
    by_distance = geometry.share_of_radius_within(
        log_distance, np.hypot(log_sd, eccentricity), radius - profile["core.pith_radius_mm"], nodes
    )
    share = np.where(np.isnan(by_distance), share, by_distance)
    median = np.where(centre == "rotten", SHARE_MISSING["rotten"], SHARE_MISSING["straight"])
    assumed = expit(np.log(median / (1.0 - median))[:, None] + SHARE_MISSING_LOG_ODDS_SD * nodes)
    share = np.where(np.isnan(share), assumed, share)
    # The shape of the profile's curve of diameter on age: how growth slows, not how thick the stem
    # is.
    slowing = profile["size.growth_cm_per_year"] / profile["size.asymptote_cm"]
    log_rings = np.log(
        geometry.rings_in_missing_share(share, np.maximum(visible_rings, 1.0)[:, None], slowing)
    )
    mu = log_rings @ weights
    spread = np.sqrt(((log_rings - mu[:, None]) ** 2) @ weights)
    loading = np.full(mu.size, profile["core.early_growth_stand_log_sd"])
    return CentreEvidence(
        mu,
        np.hypot(spread, SHARE_TO_RINGS_LOG_SD),
        loading,
        np.full(mu.size, SHARE_TO_RINGS_LOG_SD),
        np.zeros(mu.size),
    )
