"""Increment cores of simulated trees, read as a person with a lens and a scale reads them.

A core is told in physical terms. The tree grew at its own rate next to the pith, then slower or
faster as its radius requires. The borer missed the pith by some millimetres, or the wood there was
gone; the rings between are not in the core. What the reader saw of the rest is written down, with
the errors of a scale (0.2 mm), of a sheet of circles (a fifth of the distance) and of a count.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from standage.simulate.departures import miscounted_rings
from standage.simulate.life import LifeHistory
from standage.years import growing_season

Centre = Literal["pith", "arcs", "circles", "estimate", "straight", "rotten", "hollow", "unknown"]
Dating = Literal["crossdated", "partly", "counted"]
CENTRES: tuple[Centre, ...] = get_args(Centre)
_SCALE_ERROR_MM = 0.2
_CIRCLES_ERROR_LOG = 0.2
# the scatter of size at an age has heavy tails; beyond these a stem would not be believed, let
# alone read (assumed) [mm a ring]
_LEAST_MEAN_RING_MM, _MOST_MEAN_RING_MM = 0.15, 25.0
_LEAST_READABLE_ARC_MM = 0.5  # an arc flatter than this is passed over for the next ring outwards
# inner rings farther from the pith than this look straight in a 5 mm core
_STRAIGHT_BEYOND_MM = 15.0
_FIRST_GROWING_MONTH, _LAST_GROWING_MONTH = 3, 9


@dataclass(frozen=True)
class CoredStem:
    """One stem where it is cored: first ring there, last season it lived, diameter, whether others
    stand over it.
    """

    tree: str
    dbh_cm: float
    height_cm: float
    first_ring_year: int
    last_season: int
    early_growth_mm: float
    overtopped: bool = False


@dataclass(frozen=True)
class Reading:
    """How a core is read: what of its centre, how dated, when taken."""

    centre: Centre
    dating: Dating
    core_date: pd.Timestamp
    live: bool = True
    height_recorded: bool = True
    outer_known: bool = True
    outer_lost: bool = False


def read_core(
    rng: np.random.Generator, life: LifeHistory, stem: CoredStem, reading: Reading, name: str
) -> tuple[dict, dict] | None:
    """One row of `cores.csv` and its truth, or None where the stem is too young at this height to
    give a ring.

    `centre` `circles` and `estimate` are cores with arcs whose reader used concentric circles, or
    judged the rings missed; `hollow` is a rotten core without one readable ring. A centre that the
    stem is too thin for becomes the nearest that it can have.
    """
    growing = (
        reading.live and _FIRST_GROWING_MONTH <= reading.core_date.month <= _LAST_GROWING_MONTH
    )
    last_ring = growing_season(reading.core_date.date()) if reading.live else stem.last_season
    last_complete = last_ring - 1 if growing else last_ring
    rings = last_complete - stem.first_ring_year + 1
    if rings < 3:
        return None
    radius_mm = _cored_radius_mm(rng, life, stem)
    if not _LEAST_MEAN_RING_MM <= (radius_mm - life.pith_radius_mm) / rings <= _MOST_MEAN_RING_MM:
        return None
    radii = _ring_radii_mm(life, stem.early_growth_mm, radius_mm, rings)
    centre, missed, off_mm = _missed(rng, life, reading.centre, radii)

    row: dict = {
        "core": name,
        "tree": stem.tree,
        "height_cm": stem.height_cm if reading.height_recorded else math.nan,
    }
    row |= {"core_date": reading.core_date, "core_state": "dry" if rng.random() < 0.8 else "fresh"}
    row["centre"] = {"circles": "arcs", "estimate": "arcs", "hollow": "rotten"}.get(centre, centre)
    shrinkage = 1 - life.dry_shrinkage_share if row["core_state"] == "dry" else 1.0
    row |= _centre_readings(rng, centre, missed, radii, off_mm, stem, life, shrinkage)
    innermost = stem.first_ring_year + missed
    if centre != "hollow":
        row |= _dates(rng, life, stem, innermost, last_complete, last_ring, growing, reading)
    row["reader"] = "A" if rng.random() < 0.6 else "B"
    truth = {
        "core": name,
        "tree": stem.tree,
        "height_cm": stem.height_cm,
        "year_at_core_height": stem.first_ring_year,
        "innermost_ring_year": innermost,
        "missed_rings": missed,
        "missed_mm": round(float(radii[missed]), 2),
    }
    return row, truth


def draw_early_growth_mm(rng: np.random.Generator, life: LifeHistory, trees: int) -> np.ndarray:
    """Yearly radial growth next to the pith, tree by tree, shape (tree,). [mm]"""
    return life.early_growth_mm_per_year * np.exp(
        life.early_growth_log_sd * rng.standard_normal(trees)
    )


def diameter_at_height_cm(life: LifeHistory, dbh_cm: float, height_cm: float) -> float:
    """Diameter over bark at a height: more than dbh below breast height, less above. [cm]"""
    return dbh_cm * (1 + life.taper_per_m * (137 - height_cm) / 100)


def _cored_radius_mm(rng: np.random.Generator, life: LifeHistory, stem: CoredStem) -> float:
    diameter_mm = 10 * diameter_at_height_cm(life, stem.dbh_cm, stem.height_cm)
    wood_mm = diameter_mm * (1 - 2 * life.bark_share_of_diameter) / 2
    return max(
        wood_mm * math.exp(life.eccentricity_log_sd * rng.standard_normal()),
        life.pith_radius_mm + 6.0,
    )


def _ring_radii_mm(life: LifeHistory, early_mm: float, radius_mm: float, rings: int) -> np.ndarray:
    """Distance from the centre of the pith to the outside of ring k = 0 (the pith) to `rings`,
    shape (rings + 1,). [mm]

    Even growth at the early rate through the juvenile wood, a third of the radius at most; from
    there a steady fall (or rise) of ring width that brings the last ring to the bark.
    """
    wood_mm = radius_mm - life.pith_radius_mm
    juvenile_mm = min(30.0, wood_mm / 3)
    juvenile_rings = max(round(juvenile_mm / early_mm), 1)
    if juvenile_rings > 0.7 * rings:  # a stem that thick cannot have grown that slowly
        juvenile_rings = max(int(0.7 * rings), 1)
        early_mm = juvenile_mm / juvenile_rings
    juvenile = life.pith_radius_mm + early_mm * np.arange(juvenile_rings + 1)
    outer_rings, outer_mm = rings - juvenile_rings, radius_mm - juvenile[-1]
    share = np.arange(1, outer_rings + 1) / outer_rings
    fall = _fall(early_mm * outer_rings / outer_mm)
    outer = juvenile[-1] + outer_mm * (
        share if abs(fall) < 1e-6 else np.expm1(-fall * share) / math.expm1(-fall)
    )
    return np.concatenate([juvenile, outer])


def _fall(start_over_mean: float) -> float:
    """Exponent f of a ring width falling as exp(-f share) that starts at this many times its mean;
    f is held between -0.7 and 2.5.
    """
    low, high = (
        -0.7,
        2.5,
    )  # inner rings half as wide to twelve times as wide as the outermost: assumed
    for _ in range(50):
        middle = (low + high) / 2
        start = 1.0 if abs(middle) < 1e-9 else middle / -math.expm1(-middle)
        low, high = (middle, high) if start < start_over_mean else (low, middle)
    return (low + high) / 2


def _missed(
    rng: np.random.Generator, life: LifeHistory, centre: str, radii: np.ndarray
) -> tuple[str, int, float]:
    """The centre the core turned out to have, the rings it misses, and how far its line passes from
    the pith. [mm]
    """
    rings, radius_mm, pith_mm = len(radii) - 1, float(radii[-1]), float(radii[0])
    if centre == "unknown":
        # one draw says both whether the pith was reached and, if not, by how much it was missed
        chance = ndtr(rng.standard_normal())
        if chance < life.unknown_pith_share:
            return "unknown", 0, 0.0
        off = ndtri((chance - life.unknown_pith_share) / (1 - life.unknown_pith_share))
        slower = life.usual_early_growth_mm_per_year / life.early_growth_mm_per_year
        missed = round(
            life.unknown_missing_rings_median
            * slower
            * math.exp(life.unknown_missing_rings_log_sd * off)
        )
        return (
            ("unknown", missed, float(radii[missed])) if missed <= rings - 2 else ("pith", 0, 0.0)
        )
    if centre in ("rotten", "hollow"):
        off_mm = radius_mm * rng.uniform(0.15, 0.75)
    elif centre == "straight":
        off_mm = radius_mm * rng.uniform(0.15, 0.6)
        centre = "straight" if off_mm > _STRAIGHT_BEYOND_MM else "arcs"
    else:
        off_mm = pith_mm + 6.0 * math.exp(0.7 * rng.standard_normal())
    if centre == "pith" or off_mm > 0.75 * radius_mm:
        return "pith", 0, 0.0
    see_from = off_mm + (_LEAST_READABLE_ARC_MM if centre == "arcs" else 0.0)
    missed = int(
        np.searchsorted(radii, see_from)
    )  # the first ring whose whole width lies outside that distance
    return (centre, missed, off_mm) if missed <= rings - 2 else ("pith", 0, 0.0)


def _centre_readings(
    rng: np.random.Generator,
    centre: str,
    missed: int,
    radii: np.ndarray,
    off_mm: float,
    stem: CoredStem,
    life: LifeHistory,
    shrinkage: float,
) -> dict:
    edge_mm = float(radii[missed])
    read = life.departures.missing_distance_factor
    row: dict = {}
    if centre == "arcs":
        chord, height = 2 * math.sqrt(edge_mm**2 - off_mm**2) * read, (edge_mm - off_mm) * read
        row["arc_chord_mm"] = round(max(chord + _SCALE_ERROR_MM * rng.standard_normal(), 1.0), 1)
        row["arc_height_mm"] = round(
            min(
                max(height + _SCALE_ERROR_MM * rng.standard_normal(), 0.2), row["arc_chord_mm"] / 2
            ),
            1,
        )
    elif centre == "circles":
        row["pith_distance_mm"] = round(
            max(edge_mm * read * math.exp(_CIRCLES_ERROR_LOG * rng.standard_normal()), 0.5), 1
        )
        if rng.random() < 0.5:
            row["pith_distance_mm_sd"] = round(
                max(_CIRCLES_ERROR_LOG * row["pith_distance_mm"], 0.1), 1
            )
    elif centre == "estimate":
        row["rings_to_pith"] = max(
            round(missed * read * math.exp(max(0.25, 1 / max(missed, 2)) * rng.standard_normal())),
            1,
        )
        row["rings_to_pith_sd"] = round(max(0.25 * row["rings_to_pith"], 1.0), 1)
    if centre in ("straight", "rotten", "hollow"):
        row["core_length_mm"] = round((float(radii[-1]) - edge_mm) * shrinkage, 0)
        if rng.random() < 0.7:
            measured = diameter_at_height_cm(life, stem.dbh_cm, stem.height_cm) * math.exp(
                0.02 * rng.standard_normal()
            )
            row["diameter_at_core_cm"] = round(measured, 1)
            if rng.random() < 0.4:
                row["bark_mm"] = round(
                    10
                    * measured
                    * life.bark_share_of_diameter
                    * math.exp(0.1 * rng.standard_normal()),
                    0,
                )
    if centre not in ("hollow", "pith", "unknown") and rng.random() < 0.3:
        seen = np.diff(radii)[missed : missed + 8]
        row["inner_ring_mm"] = round(
            float(seen.mean()) * math.exp(0.05 * rng.standard_normal()) * shrinkage, 2
        )
    return row


def _dates(
    rng: np.random.Generator,
    life: LifeHistory,
    stem: CoredStem,
    innermost: int,
    last_complete: int,
    last_ring: int,
    growing: bool,
    reading: Reading,
) -> dict:
    missed = innermost - stem.first_ring_year
    if reading.dating == "counted":
        outer = ("partial" if growing else "complete") if reading.outer_known else "unknown"
        rings = last_complete - innermost + 1
        row: dict = {"dating": "counted", "outer_ring": outer}
        own_sd = reading.live and rng.random() < 0.15
        scale = math.hypot(life.reader_sd_rings, life.reader_sd_share * rings)
        if own_sd:
            scale = row["count_sd"] = max(round(scale * 1.5, 1), 0.5)
        wrong = miscounted_rings(rng, life.departures, rings, missed, stem.overtopped)
        row["ring_count"] = max(rings - _count_error(rng, life, rings, scale) + wrong, 1)
        return row | ({} if reading.live else {"last_ring_year": last_ring})
    row = {
        "dating": "crossdated",
        "outer_ring": "partial" if growing else "complete",
        "last_ring_year": last_ring,
    }
    if reading.outer_lost and last_complete - innermost > 30:
        row |= {"outer_ring": "lost", "last_ring_year": last_complete - int(rng.integers(2, 15))}
    row["first_ring_year"] = innermost
    if reading.dating == "partly":
        counted = round((last_complete - innermost) * rng.uniform(0.1, 0.4))
        if counted >= 3:
            scale = math.hypot(life.reader_sd_rings, life.reader_sd_share * counted)
            secure = innermost + counted
            row["crossdated_back_to_year"] = secure
            wrong = miscounted_rings(rng, life.departures, counted, missed, stem.overtopped)
            row["first_ring_year"] = min(
                innermost + _count_error(rng, life, counted, scale) - wrong, secure - 1
            )
    return row


def _count_error(rng: np.random.Generator, life: LifeHistory, rings: int, scale: float) -> int:
    """True rings less those counted: the stand's bias and the reader's slips, heavy-tailed.
    [rings]
    """
    return round(rings * life.counting_bias_share + scale * float(rng.standard_t(4)))
