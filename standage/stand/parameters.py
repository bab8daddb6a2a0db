"""The parameters of the stand model: their names, order and places in one flat vector."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standage.stand.data import StandData

# Spacing of the knots and correlation length of the processes: docs/the-model.md, sections 2 and 5
# [years]
PULSE_SPACING, PULSE_LENGTH = 4, 8.0
TREND_SPACING, TREND_LENGTH = 16, 50.0
EPOCH_SPACING, EPOCH_LENGTH = 25, 50.0
# the pulse and trend processes reach this far beyond the axis on both sides, since they move with
# the delay [years]
MARGIN_YEARS = 20

# Priors of what no species profile speaks of (assumptions, docs/the-model.md, sections 2 and 6)
LISTED_STEMS = 150.0  # per hectare, median
SAMPLED_STEMS = 50.0  # where there are no plots, median
LEVEL_SD = 1.75  # of the log of either
BEGINNING, BEGINNING_LOG_SD = 200.0, 0.8  # of the stand, before the survey [years]
BEGINNING_STEEPNESS = 10.0  # of the stems older than that: power of age
ACTIVITY, ACTIVITY_SD = -2.5, 0.7
PULSE_SCALE, PULSE_SCALE_LOG_SD = 2.0, 0.25
TREND_SCALE, TREND_SCALE_LOG_SD = 0.3, 0.35
PLOT_DISPERSION, PLOT_DISPERSION_LOG_SD = 4.0, 0.8
COUNT_DISPERSION_LOG_SD = 0.8  # round 1
LATE_GROWTH = 0.05  # of the growth of a young stem, which no stem falls below (section 5)
SLOPE_YEARS = 100.0  # a survivorship slope is one over a century [years]
EARLY_YEARS = 10.0  # losses that early survivorship scales fade over these [years]

SURVEY_NAMES = ("plot_dispersion", "count_dispersion")
SPECIES_NAMES = (
    *("grass_median", "grass_spread", "height_years", "height_spread"),
    *("growth", "asymptote", "scatter"),
)
UNIT_NAMES = (
    "level",
    "activity",
    "pulse_scale",
    "trend_scale",
    "shared_pace",
    "grass_pace",
    "height_pace",
    "growth_pace",
    "site_asymptote",
    "early_growth",
    "counting",
    "slope",
    "early",
    "beginning",
)
KNOT_NAMES = (
    ("pulse_knots", PULSE_SPACING, PULSE_LENGTH),
    ("trend_knots", TREND_SPACING, TREND_LENGTH),
    ("epoch_knots", EPOCH_SPACING, EPOCH_LENGTH),
)


def knot_count(n_years: int, name: str, spacing: int) -> int:
    """Knots needed so that the last one is at or after the last year of the axis, and of the
    margins where there are any.
    """
    margins = 0 if name == "epoch_knots" else 2 * MARGIN_YEARS
    return math.ceil((n_years - 1 + margins) / spacing) + 1


@dataclass(frozen=True)
class Layout:
    """Where each parameter stands in the flat vector: `offsets[name]` for single ones,
    `unit_offsets[unit][name]` for a unit's.
    """

    size: int
    offsets: dict[str, int]
    unit_offsets: tuple[dict[str, int], ...]
    unit_sizes: tuple[dict[str, int], ...]
    n_species: int


def layout(data: StandData) -> Layout:
    """Order: survey, species by species, then unit by unit (single values, stage factors, removals,
    knots).
    """
    offsets = {name: place for place, name in enumerate(SURVEY_NAMES)}
    place = len(SURVEY_NAMES)
    for name in SPECIES_NAMES:
        offsets[name] = place
        place += len(data.species)
    unit_offsets, unit_sizes = [], []
    for unit in data.units:
        sizes = dict.fromkeys(UNIT_NAMES, 1) | {"stage_factor": 4, "removal": len(unit.removal_m)}
        sizes |= {name: knot_count(data.n_years, name, spacing) for name, spacing, _ in KNOT_NAMES}
        starts = {}
        for name, size in sizes.items():
            starts[name] = place
            place += size
        unit_offsets.append(starts)
        unit_sizes.append(sizes)
    return Layout(place, offsets, tuple(unit_offsets), tuple(unit_sizes), len(data.species))


def pack(parameters: dict, data: StandData) -> np.ndarray:
    """Dictionary of named parameters to the flat vector."""
    places = layout(data)
    vector = np.zeros(places.size)
    for name in SURVEY_NAMES:
        vector[places.offsets[name]] = parameters[name]
    for name in SPECIES_NAMES:
        vector[places.offsets[name] : places.offsets[name] + places.n_species] = parameters[name]
    for unit, (starts, sizes) in enumerate(
        zip(places.unit_offsets, places.unit_sizes, strict=True)
    ):
        for name, start in starts.items():
            vector[start : start + sizes[name]] = parameters[name][unit]
    return vector


def of_unit(draws: np.ndarray, data: StandData, which: int) -> dict[str, np.ndarray]:
    """Named parameters that unit `which` depends on, of draws `(draw, parameter)`: `(draw,)` where
    it has one of the name, else `(draw, number)`.
    """
    whole = layout(data)
    species = data.units[which].species_index
    found = {name: draws[:, whole.offsets[name]] for name in SURVEY_NAMES}
    found |= {name: draws[:, whole.offsets[name] + species] for name in SPECIES_NAMES}
    starts, sizes = whole.unit_offsets[which], whole.unit_sizes[which]
    for name, start in starts.items():
        several = name not in UNIT_NAMES
        found[name] = draws[:, start : start + sizes[name]] if several else draws[:, start]
    return found


def unpack(vector: np.ndarray, data: StandData) -> dict:
    """Flat vector, or draws of it with shape `(..., parameter)`, to a dictionary of named
    parameters.
    """
    places = layout(data)
    vector = np.asarray(vector)
    parameters: dict[str, np.ndarray | list[np.ndarray]] = {
        name: vector[..., places.offsets[name]] for name in SURVEY_NAMES
    }
    for name in SPECIES_NAMES:
        parameters[name] = vector[
            ..., places.offsets[name] : places.offsets[name] + places.n_species
        ]
    for name in UNIT_NAMES:
        parameters[name] = np.stack(
            [vector[..., starts[name]] for starts in places.unit_offsets], axis=-1
        )
    parameters["stage_factor"] = np.stack(
        [
            vector[..., starts["stage_factor"] : starts["stage_factor"] + 4]
            for starts in places.unit_offsets
        ],
        axis=-2,
    )
    for name in ("removal", *(knots[0] for knots in KNOT_NAMES)):
        parameters[name] = [
            vector[..., starts[name] : starts[name] + sizes[name]]
            for starts, sizes in zip(places.unit_offsets, places.unit_sizes, strict=True)
        ]
    return parameters
