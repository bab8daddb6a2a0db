"""Plane geometry of an increment core: how far the pith lies from the innermost ring seen.

Lengths in millimetres unless the name says otherwise. Blank readings are NaN and stay NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

BREAST_HEIGHT_CM = 137.0
SMALLEST_DISTANCE_MM = 0.3
"""Distances to the pith are held at or above this: a core that came nearer is one whose pith was
seen. Assumed.
"""
SMALLEST_SHARE_MISSING = 0.02
"""A core cannot be judged to have missed less of the radius than this from lengths alone. Assumed.
"""


def arc_log_fit(
    chord_mm: ArrayLike, arc_height_mm: ArrayLike, radius_mm: ArrayLike, reading_sd_mm: float
) -> NDArray[np.float64]:
    """Log-likelihood of a reading of chord and arc height at a radius, but for a constant; the
    three broadcast. `reading_sd_mm` is the error of both lengths. Without error it is greatest at
    `L^2/(8h) + h/2` (Duncan 1989).

    A chord longer than the circle's diameter is held against the reading of the chord.
    """
    chord, height = np.asarray(chord_mm, float), np.asarray(arc_height_mm, float)
    radius = np.asarray(radius_mm, float)
    true_height = radius - np.sqrt(np.maximum(radius**2 - chord**2 / 4.0, 0.0))
    height_sd = reading_sd_mm * np.hypot(1.0, chord / (4.0 * radius))
    too_long = np.maximum(chord - 2.0 * radius, 0.0) / reading_sd_mm
    return -0.5 * (((height - true_height) / height_sd) ** 2 + too_long**2) - np.log(height_sd)


def distance_less_pith_mm(distance_mm: ArrayLike, pith_radius_mm: float) -> NDArray[np.float64]:
    """Wood between a ring and the pith's own edge, at least `SMALLEST_DISTANCE_MM`: the pith is not
    made of rings. [mm]
    """
    return np.maximum(np.asarray(distance_mm, float) - pith_radius_mm, SMALLEST_DISTANCE_MM)


def diameter_at_height_cm(
    dbh_cm: ArrayLike, height_cm: ArrayLike, taper_per_m: float
) -> NDArray[np.float64]:
    """Diameter over bark at a height, from that at breast height and a straight taper; blank
    heights count as breast height. [cm]
    """
    height = np.asarray(height_cm, float)
    metres_above = np.where(np.isnan(height), 0.0, (height - BREAST_HEIGHT_CM) / 100.0)
    return np.asarray(dbh_cm, float) * (1.0 - taper_per_m * metres_above)


def radius_under_bark_mm(
    diameter_cm: ArrayLike, bark_mm: ArrayLike, bark_share: float
) -> NDArray[np.float64]:
    """Half the diameter less the bark of one side, measured or, where blank, `bark_share` of the
    diameter. [mm]
    """
    diameter, bark = np.asarray(diameter_cm, float) * 10.0, np.asarray(bark_mm, float)
    return diameter / 2.0 - np.where(np.isnan(bark), bark_share * diameter, bark)


def length_in_the_tree_mm(
    core_length_mm: ArrayLike, dry: ArrayLike, shrinkage_share: float
) -> NDArray[np.float64]:
    """Length of a core as it was in the tree: dry cores have lost `shrinkage_share` of it. [mm]"""
    length = np.asarray(core_length_mm, float)
    return np.where(np.asarray(dry, bool), length / (1.0 - shrinkage_share), length)


def share_of_radius_missing(
    length_mm: ArrayLike,
    radius_mm: ArrayLike,
    pith_radius_mm: float,
    eccentricity_log_sd: float,
    nodes: ArrayLike,
) -> NDArray[np.float64]:
    """Share of the radius that the core missed, `(core, node)`, at standard normal `nodes` of the
    stem's eccentricity.

    The cored radius differs from half the diameter by a log-normal factor. Shares are held within
    `SMALLEST_SHARE_MISSING` of 0 and 1: a core longer than half the diameter has missed little, not
    less than nothing.
    """
    radius = (
        np.asarray(radius_mm, float)[..., None]
        * np.exp(eccentricity_log_sd * np.asarray(nodes, float))
        - pith_radius_mm
    )
    share = 1.0 - np.asarray(length_mm, float)[..., None] / np.maximum(radius, SMALLEST_DISTANCE_MM)
    return np.clip(share, SMALLEST_SHARE_MISSING, 1.0 - SMALLEST_SHARE_MISSING)


def share_of_radius_within(
    log_distance_mm: ArrayLike, log_sd: ArrayLike, radius_mm: ArrayLike, nodes: ArrayLike
) -> NDArray[np.float64]:
    """Share of the radius that lies within a distance of the pith, `(core, node)`, at standard
    normal `nodes` of the error of their ratio; held as in `share_of_radius_missing`.
    """
    radius = np.maximum(np.asarray(radius_mm, float), SMALLEST_DISTANCE_MM)
    log_share = np.asarray(log_distance_mm, float) - np.log(radius)
    share = np.exp(
        log_share[..., None] + np.asarray(log_sd, float)[..., None] * np.asarray(nodes, float)
    )
    return np.clip(share, SMALLEST_SHARE_MISSING, 1.0 - SMALLEST_SHARE_MISSING)


def rings_in_missing_share(
    share: ArrayLike, visible_rings: ArrayLike, slowing_per_year: float
) -> NDArray[np.float64]:
    """Rings in the missing share of a radius that grew as `1 - exp(-c age)`, given the rings seen
    in the rest.

    Solving `(1 - e^(-c m))/(1 - e^(-c (m + n))) = share` for m gives `log[(1 - share e^(-c n))/(1 -
    share)]/c`. With c = 0, even growth, it is n times the odds of the share; growth that slows with
    age puts fewer rings near the pith (constant-rate extrapolation overestimates: Rozas 2003;
    Baudet, Josefsson & Ostlund 2020).
    """
    share, rings = np.asarray(share, float), np.asarray(visible_rings, float)
    if slowing_per_year == 0:
        return rings * share / (1.0 - share)
    return (
        np.log((1.0 - share * np.exp(-slowing_per_year * rings)) / (1.0 - share)) / slowing_per_year
    )
