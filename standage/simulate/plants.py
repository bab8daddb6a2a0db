"""Plants of a simulated stand, played forward one by one: grass stage, height growth, diameter, and
what a cut took.

Only plants that no ordinary cause kills before the survey are drawn, so a history is stated in the
plants that later survive (`living_per_ha`); cuts remove plants that were in reach when they came,
by the diameter each had then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.simulate.departures import by_vigour, hastened, released_together, scatter_factor
from standage.simulate.life import BREAST_HEIGHT_CM, LifeHistory

_HEIGHTS_CM = np.array([*range(5, 136, 5), BREAST_HEIGHT_CM, *range(140, 301, 5)], dtype=float)
_OTHERS = 20_000  # plants that tell how many start their stem in each season
# just below what a survey may hold; only wild draws of growth and scatter together come near it
_THICKEST_CM = 240.0


@dataclass(frozen=True)
class Cut:
    """A cut that took a share of the stems between two diameters in one year. Diameters in cm,
    share between 0 and 1.
    """

    year: int
    share_removed: float
    removed_dbh_low_cm: float = 0.0
    removed_dbh_high_cm: float = np.inf


@dataclass(frozen=True)
class Plants:
    """Plants of one stand, each array of shape (plant,), `seasons_to_height` of shape (plant,
    height). `vigour` is 0 where growth early and late don't go together.
    """

    establishment_year: np.ndarray
    grass_years: np.ndarray
    seasons_to_height: np.ndarray
    log_size_scatter: np.ndarray
    vigour: np.ndarray
    life: LifeHistory

    def __len__(self) -> int:
        return len(self.establishment_year)

    def chosen(self, which: np.ndarray) -> Plants:
        """The plants of a mask or of positions."""
        return Plants(
            self.establishment_year[which],
            self.grass_years[which],
            self.seasons_to_height[which],
            self.log_size_scatter[which],
            self.vigour[which],
            self.life,
        )

    def and_also(self, others: Plants) -> Plants:
        """These plants and others after them, of one life history once the stem has started."""
        return Plants(
            np.concatenate([self.establishment_year, others.establishment_year]),
            np.concatenate([self.grass_years, others.grass_years]),
            np.concatenate([self.seasons_to_height, others.seasons_to_height]),
            np.concatenate([self.log_size_scatter, others.log_size_scatter]),
            np.concatenate([self.vigour, others.vigour]),
            self.life,
        )

    def years_below(self, height_cm: float) -> np.ndarray:
        """Growing seasons before the first ring at a height, grass stage included, shape (plant,).
        Whole steps of 5 cm, or 137.
        """
        if height_cm <= self.life.emergence_height_cm:
            return self.grass_years
        place = int(np.argmin(np.abs(_HEIGHTS_CM - height_cm)))
        return self.grass_years + self.seasons_to_height[:, place]

    def first_ring_year(self, height_cm: float) -> np.ndarray:
        """Calendar year of the ring next to the pith at a height, shape (plant,)."""
        return self.establishment_year + self.years_below(height_cm)

    def dbh_cm(self, season: int) -> np.ndarray:
        """Diameter at breast height in a season, 0 below breast height, shape (plant,). [cm]"""
        passed = self.first_ring_year(BREAST_HEIGHT_CM)
        factor = scatter_factor(self.life.departures, season - passed)
        log_rest = self.life.log_epoch_effect(passed) + factor * self.log_size_scatter
        dbh = np.minimum(self.life.median_dbh_cm(season - passed) * np.exp(log_rest), _THICKEST_CM)
        return np.where(passed <= season, dbh, 0.0)

    def stage(self, season: int, min_dbh_cm: float) -> np.ndarray:
        """`germinant`, `grass`, `emerging`, `sapling` or `tree` (at least `min_dbh_cm`) of every
        plant, shape (plant,).
        """
        age = season - self.establishment_year
        return np.select(
            [
                age == 0,
                age < self.grass_years,
                age < self.years_below(BREAST_HEIGHT_CM),
                self.dbh_cm(season) < min_dbh_cm,
            ],
            ["germinant", "grass", "emerging", "sapling"],
            "tree",
        )


def grow(
    rng: np.random.Generator, life: LifeHistory, years: np.ndarray, plants_by_year: np.ndarray
) -> Plants:
    """Play plants forward from their establishment. `years` and expected numbers `plants_by_year`
    have shape (year,).
    """
    established = np.repeat(years, rng.poisson(plants_by_year))
    return _grown(rng, life, established)


def _grown(rng: np.random.Generator, life: LifeHistory, established: np.ndarray) -> Plants:
    plants = len(established)
    passed = _seasons_to_heights(rng, life, plants)
    grass_years = life.grass_years(rng, plants)
    if life.departures.release_tries:
        grass_years = hastened(
            rng, life.departures, established, grass_years, life.grass_years(rng, _OTHERS)
        )
    else:
        grass_years = released_together(rng, life.departures, established, grass_years)
    scatter = life.log_size_scatter(rng, plants)
    vigour = np.zeros(plants)
    if life.departures.vigour:
        vigour = rng.standard_normal(plants)
        grass_years = grass_years[by_vigour(rng, life.departures, vigour, -grass_years)]
        passed = passed[by_vigour(rng, life.departures, vigour, -passed.sum(axis=1))]
        scatter = scatter[by_vigour(rng, life.departures, vigour, scatter)]
    return Plants(established, grass_years, passed, scatter, vigour, life)


def _seasons_to_heights(rng: np.random.Generator, life: LifeHistory, plants: int) -> np.ndarray:
    """Seasons until each height is passed, five centimetres at a time, each step independent of the
    last, shape (plant, height).
    """
    means = np.diff(life.mean_seasons_to(_HEIGHTS_CM), prepend=0.0)
    dispersion = life.height_dispersion
    seasons = np.zeros((plants, len(_HEIGHTS_CM)))
    for step in np.flatnonzero(means > 0):
        mean = means[step]
        if life.first_passage or dispersion <= 1:
            seasons[:, step] = rng.wald(mean, mean**2 / dispersion, plants)
        else:
            seasons[:, step] = rng.negative_binomial(
                mean / (dispersion - 1), 1 / dispersion, plants
            )
    return np.floor(seasons.cumsum(axis=1) + 0.5).astype(int)


def standing_after(rng: np.random.Generator, plants: Plants, cuts: tuple[Cut, ...]) -> np.ndarray:
    """Whether each plant was left by every cut, shape (plant,)."""
    left = np.ones(len(plants), dtype=bool)
    for cut in cuts:
        dbh = plants.dbh_cm(cut.year)
        there = plants.first_ring_year(BREAST_HEIGHT_CM) <= cut.year
        in_reach = there & (dbh >= cut.removed_dbh_low_cm) & (dbh < cut.removed_dbh_high_cm)
        left &= ~(in_reach & (rng.random(len(plants)) < cut.share_removed))
    return left


def share_left(
    rng: np.random.Generator,
    life: LifeHistory,
    years: np.ndarray,
    cuts: tuple[Cut, ...],
    *,
    trials: int = 600,
) -> np.ndarray:
    """Expected share of each establishment year's plants that the cuts left, from `trials` plants a
    year, shape (year,).
    """
    share = np.ones(len(years))
    if not cuts:
        return share
    for place in np.flatnonzero(years <= max(cut.year for cut in cuts)):
        cohort = _grown(rng, life, np.full(trials, years[place]))
        share[place] = standing_after(rng, cohort, cuts).mean()
    return share
