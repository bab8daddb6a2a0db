"""The log density of the stand model and its gradient, compiled: what is sampled in production.

A unit (a species in a stand) of docs/the-model.md: forward from the parameters to rates (process,
delays, arrivals, diameters), their likelihood with its derivatives, then back to the parameters by
hand. `bar` in a name means derivative of the log density with respect to it. `Kernel` holds a
survey's arrays and calls this for each unit. The same density stands in `model.py` as a PyMC model
and in the tests as a slow reference.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from standage.compiled import Floats, compiled, compiled_part
from standage.stand.data import StandData
from standage.stand.kernel.convolution import add_scaled, delayed, delayed_adjoint
from standage.stand.kernel.delays import (
    DelayValues,
    GrassValues,
    arrivals,
    arrivals_adjoint,
    delay_factors,
    delay_values,
    grass_adjoint,
    grass_pmf,
    grass_pmf_adjoint,
    height_growths,
    height_growths_adjoint,
    years_moved,
    years_moved_adjoint,
)
from standage.stand.kernel.diameters import (
    SizeValues,
    class_edges,
    diameters_adjoint,
    median_sizes,
)
from standage.stand.kernel.establishment import (
    ProcessValues,
    establishment,
    establishment_adjoint,
)
from standage.stand.kernel.inputs import (
    CountInputs,
    DelayInputs,
    ListedInputs,
    ParameterIndex,
    ProcessInputs,
    SizeInputs,
    TreeInputs,
)
from standage.stand.kernel.knots import standard_normal_and_knots
from standage.stand.kernel.level import level_adjoint, set_level
from standage.stand.kernel.plots import all_stems, stems_in_plots, stems_without_core
from standage.stand.kernel.rates import Rates, no_rates
from standage.stand.kernel.stages import stages_at_survey
from standage.stand.kernel.trees import cored_stems
from standage.stand.packing import pack_priors, pack_unit


class Forward(NamedTuple):
    """All that parameters imply for a unit: the rates, and what else their derivatives need."""

    rates: Rates
    delays: DelayValues
    moved: float
    process: ProcessValues
    grass: GrassValues
    sizes: SizeValues
    densities: Floats


@compiled_part
def forward_pass(
    x: Floats,
    index: ParameterIndex,
    process: ProcessInputs,
    delays: DelayInputs,
    sizes: SizeInputs,
    listed: ListedInputs,
) -> Forward:
    """From the parameters (parameter,) to the rates."""
    rates = no_rates(process.last + 1, len(sizes.edges), delays)
    species = delays.species
    values = delay_values(species, delay_factors(x, index))
    moved = years_moved(delays, values)
    of_process = establishment(x, process, index, moved, rates.living)
    grass = GrassValues(np.zeros(0), 1.0)
    height_growths(delays.segments, values, rates.increment)
    if delays.at_coring_height:
        for h in range(len(delays.shares)):
            add_scaled(rates.arrival[h], 1.0, rates.living)
    else:
        if species.has_grass_stage:
            grass = grass_pmf(values, rates.grass)
            delayed(rates.living, rates.grass, rates.begun, process.last)
        else:
            add_scaled(rates.begun, 1.0, rates.living)
        height_growths(delays.shares, values, rates.growth)
        arrivals(rates.begun, rates.growth, delays.needed, rates.arrival)
    # without a diameter in the likelihood, none is worked out
    of_sizes = median_sizes(x, sizes, index, process.last if sizes.any_used else -1)
    densities = class_edges(sizes, of_sizes, rates.cdf)
    set_level(x, index, listed, delays.reference, rates)
    return Forward(rates, values, moved, of_process, grass, of_sizes, densities)


@compiled_part
def backward_pass(
    x: Floats,
    gradient: Floats,
    index: ParameterIndex,
    process: ProcessInputs,
    delays: DelayInputs,
    sizes: SizeInputs,
    forward: Forward,
    bars: Rates,
) -> None:
    """From derivatives with respect to the rates to those with respect to the parameters, which are
    added to `gradient` (parameter,). Changes `bars`.
    """
    rates = forward.rates
    species = delays.species
    height_growths_adjoint(
        species, delays.segments, forward.delays, bars.increment, gradient, index
    )
    if delays.at_coring_height:
        for h in range(len(delays.shares)):
            add_scaled(bars.living, 1.0, bars.arrival[h])
    else:
        arrivals_adjoint(rates, delays.needed, bars)
        height_growths_adjoint(species, delays.shares, forward.delays, bars.growth, gradient, index)
        if species.has_grass_stage:
            living_bar = np.zeros(len(rates.living))
            delayed_adjoint(
                rates.living, rates.grass, bars.begun, living_bar, bars.grass, process.last
            )
            add_scaled(bars.living, 1.0, living_bar)
            grass_bars = grass_pmf_adjoint(forward.delays, forward.grass, rates.grass, bars.grass)
            grass_adjoint(species, grass_bars, gradient, index)
        else:
            add_scaled(bars.living, 1.0, bars.begun)
    if sizes.any_used:
        diameters_adjoint(gradient, sizes, index, forward.sizes, forward.densities, bars.cdf)
    log_living_bar = bars.living
    for y in range(len(log_living_bar)):
        log_living_bar[y] *= rates.living[y]
    moved_bar = establishment_adjoint(
        x, gradient, process, index, forward.process, forward.moved, log_living_bar
    )
    years_moved_adjoint(delays, forward.delays, moved_bar, gradient, index)


@compiled
def unit_log_density(
    x: Floats,
    gradient: Floats,
    index: ParameterIndex,
    process: ProcessInputs,
    delays: DelayInputs,
    sizes: SizeInputs,
    listed: ListedInputs,
    counts: CountInputs,
    trees: TreeInputs,
) -> float:
    """Log likelihood of one unit, of parts of `UnitInputs`; adds its derivative to `gradient`, both
    (parameter,).

    Each part of the likelihood adds to `bars` its derivatives with respect to the rates, and to
    `gradient` those with respect to parameters that no rate depends on.
    """
    forward = forward_pass(x, index, process, delays, sizes, listed)
    rates = forward.rates
    bars = no_rates(process.last + 1, len(sizes.edges), delays)
    if counts.has_plots:
        total = stems_in_plots(x, gradient, index, counts, rates, bars)
    else:
        total = all_stems(rates.arrival[delays.reference], bars.arrival[delays.reference])
    total += stems_without_core(counts.uncored, rates, bars)
    total += cored_stems(x, gradient, index, trees, rates, bars)
    if not delays.at_coring_height and len(counts.stages) + len(counts.sections) > 0:
        total += stages_at_survey(x, gradient, index, delays, counts, rates, bars)
    level_adjoint(x, gradient, index, listed, delays.reference, rates, bars)
    backward_pass(x, gradient, index, process, delays, sizes, forward, bars)
    return total


class Kernel:
    """The log density of a survey, ready to be called with flat parameter vectors (see
    `parameters.layout`).

    Attributes
    ----------
    size : how many parameters there are.
    """

    def __init__(self, data: StandData) -> None:
        self._priors = pack_priors(data)
        self._units = [pack_unit(data, unit) for unit in range(len(data.units))]
        self.size = len(self._priors[0])

    def __call__(self, x: np.ndarray) -> tuple[float, np.ndarray]:
        """Log density and its gradient, shape `(parameter,)`."""
        gradient = np.zeros(self.size)
        total = standard_normal_and_knots(x, gradient, *self._priors)
        for unit in self._units:
            total += unit_log_density(x, gradient, *unit)
        return total, gradient


def log_density_and_gradient(vector: np.ndarray, data: StandData) -> tuple[float, np.ndarray]:
    """Log density (with all constants) and gradient at one parameter vector; builds the arrays anew
    each call.
    """
    return Kernel(data)(np.ascontiguousarray(vector, dtype=float))
