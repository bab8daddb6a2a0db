"""What the stand model is given: a survey reduced to arrays on a yearly axis, without any parameter
in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.profiles import Profile

BREAST_HEIGHT_CM = 137.0  # 1.37 m, the height of `dbh_cm`; common practice, no source
FACTOR_NODES = np.arange(
    -5.0, 6.0
)  # nodes of the cubic B-splines of the early-growth and the counting factor
STAGES = ("germinant", "grass", "emerging", "sapling")


@dataclass(frozen=True)
class SpeciesData:
    """A species of the survey that has a profile."""

    key: str
    profile: Profile
    has_grass_stage: bool


@dataclass(frozen=True)
class RightReading:
    """Of the evidence of a node, the part in which the reading of one of its cores is not grossly
    off: on the same scale, in a band of years of its own.
    """

    core: str
    evidence: np.ndarray
    band_start: int


@dataclass(frozen=True)
class Node:
    """One height of a tree at which something is known about the year its first ring there was
    laid.

    `evidence` has shape `(11, 11, band)`: likelihood over years `band_start ... band_start + band -
    1` of the axis at the nodes of the early-growth factor and the counting factor; an axis on which
    the core does not depend has length 1. `dbh_class` is -1 unless the node is breast height and
    the stem has a diameter. `right` has an entry for each core whose reading may be grossly off.
    """

    height_cm: float
    dbh_class: int
    evidence: np.ndarray | None
    band_start: int
    loads_gamma: bool
    loads_delta: bool
    right: tuple[RightReading, ...] = ()


@dataclass(frozen=True)
class TreeChain:
    """The nodes of one tree by descending height; the lowest comes last."""

    nodes: tuple[Node, ...]
    tree: str = ""


@dataclass(frozen=True)
class UnitData:
    """A species in a stand: counts, diameters and cores as arrays. Shapes are given in
    docs/the-model.md.
    """

    stand: str
    species_index: int
    basis: str  # "establishment" or "coring height"
    season_index: int
    has_plots: bool
    plot_area_ha: np.ndarray
    plot_class_low: np.ndarray
    plot_class_high: np.ndarray
    plot_stems: np.ndarray
    removal_shape: np.ndarray
    removal_m: np.ndarray
    removal_sd: np.ndarray
    reference_height_cm: float
    uncored_class: np.ndarray
    uncored_count: np.ndarray
    trees: tuple[TreeChain, ...]
    count_stage: np.ndarray
    count_area_ha: np.ndarray
    count_value: np.ndarray
    count_class_low: np.ndarray
    count_age_low: np.ndarray
    count_age_high: np.ndarray
    stage_factor_scale: float
    section_kind: np.ndarray
    section_value: np.ndarray
    section_height_cm: np.ndarray


@dataclass(frozen=True)
class StandData:
    """All units of a survey on one axis of years `first_year ... first_year + n_years - 1`."""

    n_years: int
    first_year: int
    units: tuple[UnitData, ...]
    species: tuple[SpeciesData, ...]
    class_edges_cm: np.ndarray

    @property
    def years(self) -> np.ndarray:
        """Calendar years of the axis, shape `(year,)`."""
        return np.arange(self.first_year, self.first_year + self.n_years)
