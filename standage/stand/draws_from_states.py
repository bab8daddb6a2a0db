"""A unit's states by draw as the plain arrays that a posterior keeps, in single precision as its
file has them.
"""

from __future__ import annotations

import numpy as np

from standage.stand.count_likelihood import counts_used, log_counts
from standage.stand.data import BREAST_HEIGHT_CM, StandData
from standage.stand.expected import DIAMETER_EDGES, Expected
from standage.stand.parameters import SPECIES_NAMES, SURVEY_NAMES, layout
from standage.stand.states import Delays, UnitState
from standage.stand.unit_draws import Unit, UnitDraws


def unit_of(data: StandData, which: int) -> Unit:
    """Unit `which` of the model's data, without its arrays."""
    unit = data.units[which]
    return Unit(
        stand=unit.stand,
        species=data.species[unit.species_index].key,
        basis=unit.basis,
        has_plots=unit.has_plots,
        season=int(data.first_year + unit.season_index),
        area_ha=float(unit.plot_area_ha.sum()) if unit.has_plots else float("nan"),
    )


def draws_of_unit(
    data: StandData, which: int, state: UnitState, prior_state: UnitState, expected: Expected
) -> UnitDraws:
    """What the draws say of unit `which`; `prior_state` is of draws from the prior."""
    unit = data.units[which]
    ages = np.arange(unit.season_index + 1)
    past = state.delays.past_emerging_by_age(ages)
    in_grass = np.maximum(1.0 - state.delays.stem_begun_by_age(ages), 0.0)
    in_grass[:, ages >= state.delays.grass.shape[1]] = 0.0
    in_grass[:, 0] = 0.0 if unit.basis == "coring height" else 1.0
    return UnitDraws(
        unit=unit_of(data, which),
        years=data.years,
        living=_on_axis(state.living, data.n_years),
        past_emerging=_on_axis(past[:, ::-1], data.n_years),
        grass_share=_on_axis(in_grass[:, ::-1], data.n_years),
        size_curve=np.exp(state.median_size_log[:, ::-1]).astype(np.float32),
        delays=_delay_pmfs(state.delays),
        stems_by_diameter=expected.stems_by_diameter,
        stems_listed=expected.stems_listed,
        diameter_edges_cm=DIAMETER_EDGES,
        stage_counts=expected.stage_counts,
        log_counts=log_counts(data, which, state) if counts_used(data, which) else np.zeros(0),
        prior_living=_on_axis(prior_state.living, data.n_years),
        prior_delays=_delay_pmfs(prior_state.delays),
    )


def parameter_names(data: StandData) -> list[str]:
    """The parameters by name, in the order in which they are sampled: `name`, `name (species)` or
    `name (stand, species)`, numbered where a unit has several.
    """
    places = layout(data)
    keys = [species.key for species in data.species]
    names = [*SURVEY_NAMES, *(f"{name} ({key})" for name in SPECIES_NAMES for key in keys)]
    for which, sizes in enumerate(places.unit_sizes):
        whose = unit_of(data, which).name
        for name, size in sizes.items():
            numbers = [""] if size == 1 else [f" {number + 1}" for number in range(size)]
            names += [f"{name}{number} ({whose})" for number in numbers]
    return names


# more than ever stood on a hectare, and little enough for sums in single precision: a draw of a
# prior without bounds may lie beyond [stems/ha]
LARGEST_AMOUNT = 1e30


def _on_axis(values: np.ndarray, n_years: int) -> np.ndarray:
    """Values `(draw, year)` up to a unit's season, with zeros for the years of the common axis
    after it.
    """
    out = np.zeros((len(values), n_years), dtype=np.float32)
    out[:, : values.shape[1]] = np.minimum(values, LARGEST_AMOUNT)
    return out


def _delay_pmfs(delays: Delays) -> dict[str, np.ndarray]:
    pmfs = {
        "grass": delays.grass,
        "height": delays.growth(1.0),
        "breast_height": delays.to_height(BREAST_HEIGHT_CM),
    }
    return {name: pmf.astype(np.float32) for name, pmf in pmfs.items()}
