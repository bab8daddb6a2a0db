"""What the draws say of one unit: a species in a stand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

CORING_HEIGHT = "coring height"


@dataclass(frozen=True)
class Unit:
    """A species in a stand.

    basis: what its years are years of, `establishment` or `coring height`. season: the growing
    season begun last at the survey. area_ha: area of its plots (NaN without plots). [ha]
    """

    stand: str
    species: str
    basis: str
    has_plots: bool
    season: int
    area_ha: float

    @property
    def name(self) -> str:
        """Stand and species, as the draws are labelled."""
        return f"{self.stand}, {self.species}"

    @property
    def amounts(self) -> str:
        """What amounts of stems are amounts of."""
        return "per hectare" if self.has_plots else "among sampled trees"


@dataclass(frozen=True, eq=False)
class UnitDraws:
    """Arrays of one unit, by draw.

    Attributes
    ----------
    unit : the species and stand.
    years : calendar years of the axis that all units share. (year,)
    living : living stems by year of establishment; 0 after the unit's season. (draw, year)
        [stems/ha/year, or sampled stems/year]
    past_emerging : share of them that has passed breast height. (draw, year)
    grass_share : share of them that is in the grass stage. (draw, year)
    size_curve : median diameter by seasons since breast height. (draw, season) [cm]
    delays : chance of each number of growing seasons in the `grass` stage, of `height` growth from
        there to breast height, and of both, `breast_height`, at the stand's own pace. (draw,
        season)
    stems_by_diameter : stems that plots like these would list. (draw, diameter class)
    stems_listed : stems that they do list. (diameter class,)
    diameter_edges_cm : edges of the classes, the last one infinite. (diameter class + 1,) [cm]
    stage_counts : plants counted by stage beside those the model expects, a row a stage.
    log_counts : log probability of the stage counts (draw,), or (0,) without counts.
    prior_living, prior_delays : `living` and `delays` before the survey; draws of their own.
    """

    unit: Unit
    years: np.ndarray
    living: np.ndarray
    past_emerging: np.ndarray
    grass_share: np.ndarray
    size_curve: np.ndarray
    delays: Mapping[str, np.ndarray]
    stems_by_diameter: np.ndarray
    stems_listed: np.ndarray
    diameter_edges_cm: np.ndarray
    stage_counts: pd.DataFrame
    log_counts: np.ndarray
    prior_living: np.ndarray
    prior_delays: Mapping[str, np.ndarray]

    @property
    def own_years(self) -> np.ndarray:
        """Calendar years up to the unit's season. (own year,)"""
        return self.years[self.years <= self.unit.season]

    @property
    def living_rate(self) -> np.ndarray:
        """Living stems by year of establishment up to the unit's season. (draw, own year)
        [stems/ha/year, or sampled stems/year]
        """
        return np.asarray(self.living, dtype=float)[:, : len(self.own_years)]

    @property
    def share_past_emerging(self) -> np.ndarray:
        """Share of the living that has passed breast height. (draw, own year)

        Under basis `coring height` every stem counts: the process is arrival of stems at the height
        of the core.
        """
        if self.unit.basis == CORING_HEIGHT:
            return np.ones((len(self.living), len(self.own_years)))
        return np.asarray(self.past_emerging, dtype=float)[:, : len(self.own_years)]

    @property
    def share_in_grass_stage(self) -> np.ndarray:
        """Share of the living that is in the grass stage. (draw, own year)"""
        return np.asarray(self.grass_share, dtype=float)[:, : len(self.own_years)]

    @property
    def stems_past_emerging(self) -> np.ndarray:
        """Living stems past the emerging stage: what every stem share is a share of. (draw, own
        year)
        """
        return self.living_rate * self.share_past_emerging
