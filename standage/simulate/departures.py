"""Ways in which a simulated stand, or the people who survey it, can depart from what the stand
model takes for granted.

A `Departures` goes with the stand's `LifeHistory`, so that it is at hand wherever plants are grown,
cores are chosen and rings are read. Its default departs in nothing and then draws no random number.
Each field is one wrong assumption; how large each is made is invented, to be clearly more than the
model allows for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from standage.profiles import Profile

GrassShape = Literal["log-normal", "gamma", "geometric", "bimodal"]
GRASS_SHAPES: tuple[GrassShape, ...] = get_args(GrassShape)
_GAMMA_SHAPE, _GAMMA_MEDIAN = (
    2.0,
    1.678347,
)  # median of a gamma of shape 2 and scale 1 (solves (1 + x) e^-x = 1/2)
# the two medians of a bimodal grass stage are the stand's, divided and multiplied by this
_MODES_APART = 2.0
_MODE_LOG_SD = 0.15
# stems that would have started this long before or after an opening start with it instead
_RELEASE_REACH_YEARS = 10
_RELEASED_SHARE = 0.8
_INNER_RINGS = 20  # false rings are laid in the rings nearest to the pith
_ROT_AT_SIXTY, _MOST_ROT = (
    0.15,
    0.7,
)  # share rotten at age 60, rising with the square of age up to the most
# scatter of sizes that goes with age is the profile's at so many years since breast height, and
# within so many times of it at any age
_SCATTER_AT_YEARS, _MOST_SCATTER_CHANGE = 50.0, 2.5
# planted stock starts its stem sooner than natural plants (Haywood 2000, New Forests 19:279-290)
PLANTED_GRASS_MEDIAN_YEARS = 2.0


@dataclass(frozen=True)
class Departures:
    """What is true of a stand or survey although the model assumes otherwise. Shares are fractions
    of one, factors 1 = no departure.

    grass_shape: distribution of the grass stage, same median, one of `GRASS_SHAPES`.
    grass_years_longer: seasons on top for every plant. openings: years after which most plants that
    would have started their stem in the ten years before or after start it together. release_tries:
    with it openings hold back and gather nothing; in the first, second, ... season after one each
    plant without a stem has so many chances to start it, where it would have one.
    seedling_hazard_factor: early deaths against the profile's. crop_factor: the seedlings of the
    year before the survey against the usual. missing_distance_factor: distances to the pith as read
    (arcs, circles, rings judged missing) against the true ones. false_inner_share: false rings
    among the 20 rings nearest the pith that counts take for years. absent_overtopped_share: rings
    of overtopped stems absent from the core, which counts leave out. rot_by_age: old stems are
    rotten more often than their diameter tells; a sound neighbour is cored and nothing written
    down, unless rot_written_down. vigour: correlation of each of grass stage, height growth, growth
    next to the pith and later diameter with one number of the tree's own: quick starters stay
    ahead. scatter_power: power of the years since breast height with which the scatter of sizes
    goes. planted_share: share of the listed stems planted in `planted_in`, which nobody wrote down.
    picked_old: how much cored stems are chosen for looking old and large, 0 = by lot, 2 = nearly
    always the oldest.
    """

    grass_shape: GrassShape = "log-normal"
    grass_years_longer: int = 0
    openings: tuple[int, ...] = ()
    release_tries: tuple[int, ...] = ()
    seedling_hazard_factor: float = 1.0
    crop_factor: float = 1.0
    missing_distance_factor: float = 1.0
    false_inner_share: float = 0.0
    absent_overtopped_share: float = 0.0
    rot_by_age: bool = False
    rot_written_down: bool = False
    vigour: float = 0.0
    scatter_power: float = 0.0
    planted_share: float = 0.0
    planted_in: int = 1985
    picked_old: float = 0.0

    def __post_init__(self) -> None:
        if self.grass_shape not in GRASS_SHAPES:
            raise ValueError(
                f"grass_shape must be one of {', '.join(GRASS_SHAPES)}, not {self.grass_shape!r}"
            )
        for name in ("false_inner_share", "absent_overtopped_share", "planted_share"):
            if not 0 <= getattr(self, name) < 1:
                raise ValueError(f"{name} is a share from 0 to below 1, not {getattr(self, name)}")
        if not 0 <= self.vigour <= 1:
            raise ValueError(f"vigour is a correlation from 0 to 1, not {self.vigour}")


def grass_waiting_years(
    rng: np.random.Generator, shape: GrassShape, median: float, log_sd: float, plants: int
) -> np.ndarray:
    """Waiting times without a stem, not yet rounded, shape (plant,); all shapes have the same
    median. [years]
    """
    if shape == "gamma":
        return median / _GAMMA_MEDIAN * rng.gamma(_GAMMA_SHAPE, size=plants)
    if shape == "geometric":  # every season the same chance to start the stem
        return 0.5 + (median - 0.5) / math.log(2) * rng.exponential(size=plants)
    if shape == "bimodal":
        side = np.where(rng.random(plants) < 0.5, math.log(_MODES_APART), -math.log(_MODES_APART))
        return median * np.exp(side + _MODE_LOG_SD * rng.standard_normal(plants))
    return median * np.exp(log_sd * rng.standard_normal(plants))


def released_together(
    rng: np.random.Generator,
    departures: Departures,
    established: np.ndarray,
    grass_years: np.ndarray,
) -> np.ndarray:
    """Grass stages `(plant,)` once openings have held back and released their plants, shape
    (plant,). [growing seasons]
    """
    grass_years = grass_years.copy()
    for opening in departures.openings:
        near = np.abs(established + grass_years - opening) <= _RELEASE_REACH_YEARS
        released = (
            near & (established <= opening) & (rng.random(len(established)) < _RELEASED_SHARE)
        )
        grass_years[released] = opening + 1 - established[released]
    return grass_years


def hastened(
    rng: np.random.Generator,
    departures: Departures,
    established: np.ndarray,
    grass_years: np.ndarray,
    others: np.ndarray,
) -> np.ndarray:
    """Grass stages `(plant,)` once openings have given the waiting plants more chances, shape
    (plant,). [growing seasons]

    others: grass stages of a great many plants of the stand without openings: how many that waited
    so long start in their next season.
    """
    grass_years = grass_years.copy()
    for opening in departures.openings:
        for season, tries in enumerate(departures.release_tries, start=opening + 1):
            for waited in range(1, int(others.max()) + 1):
                here = np.flatnonzero((established + waited == season) & (grass_years > waited))
                still = others >= waited
                chance = (others == waited).sum() / max(still.sum(), 1)
                starts = rng.binomial(tries - 1, chance, size=len(here)) > 0
                grass_years[here[starts]] = waited
    return grass_years


def early_survival(departures: Departures, profile: Profile, years: np.ndarray) -> np.ndarray:
    """Factor on the living by year of establishment, `years` ending at the survey's season, shape
    (year,).
    """
    age = (years[-1] - years).astype(float)
    decline = profile["survival.seedling_decline_years"]
    suffered = profile["survival.seedling_hazard_per_year"] * decline * -np.expm1(-age / decline)
    factor = np.exp(-(departures.seedling_hazard_factor - 1) * suffered)
    factor[-2] *= departures.crop_factor
    return factor


def by_vigour(
    rng: np.random.Generator, departures: Departures, vigour: np.ndarray, drawn: np.ndarray
) -> np.ndarray:
    """Places `(plant,)` at which to take numbers drawn without regard to vigour, so that the more
    vigorous have the larger ones: their distribution stays as it is.
    """
    correlation = departures.vigour
    score = correlation * vigour + math.sqrt(1 - correlation**2) * rng.standard_normal(len(vigour))
    places = np.empty(len(vigour), dtype=int)
    places[np.argsort(score)] = np.argsort(drawn, kind="stable")
    return places


def scatter_factor(departures: Departures, seasons: np.ndarray) -> np.ndarray:
    """Scatter of sizes against the profile's by seasons since breast height, shape (plant,)."""
    return np.clip(
        ((np.clip(seasons, 0, None) + 1.0) / _SCATTER_AT_YEARS) ** departures.scatter_power,
        1 / _MOST_SCATTER_CHANGE,
        _MOST_SCATTER_CHANGE,
    )


def coring_order(
    rng: np.random.Generator, departures: Departures, age: np.ndarray, dbh_cm: np.ndarray
) -> np.ndarray:
    """Places of stems in the order in which they are tried, by lot unless old-looking ones are
    picked, shape (stem,).
    """
    if not departures.picked_old or not len(age):
        return rng.permutation(len(age))
    looks = sum(
        (np.log(each) - np.log(each).mean()) / max(np.log(each).std(), 1e-9)
        for each in (age, dbh_cm)
    )
    return np.argsort(-(departures.picked_old * looks + rng.gumbel(size=len(age))))


def rotten_share(age: float) -> float:
    """Chance that a stem of this age is rotten where rot goes by age."""
    return min(_ROT_AT_SIXTY * (age / 60) ** 2, _MOST_ROT)


def miscounted_rings(
    rng: np.random.Generator, departures: Departures, counted: int, missed: int, overtopped: bool
) -> int:
    """False rings less absent rings in a count of `counted` rings, the innermost of which has
    `missed` rings inside it. [rings]
    """
    rings = 0
    if departures.false_inner_share:
        rings += int(
            rng.binomial(min(max(_INNER_RINGS - missed, 0), counted), departures.false_inner_share)
        )
    if departures.absent_overtopped_share and overtopped:
        rings -= int(rng.binomial(counted, departures.absent_overtopped_share))
    return rings
