"""The forward pass for many draws at once, from which tables and dates are made."""

from __future__ import annotations

from standage.compiled import Floats, compiled
from standage.stand.kernel.convolution import copy_into
from standage.stand.kernel.delays import delay_factors, delay_values, years_moved
from standage.stand.kernel.diameters import median_sizes
from standage.stand.kernel.establishment import establishment
from standage.stand.kernel.inputs import DelayInputs, ParameterIndex, ProcessInputs, SizeInputs

SCATTER, GROWTH, ASYMPTOTE = range(3)  # rows of `of_sizes`


@compiled
def rates_by_draw(
    draws: Floats,
    index: ParameterIndex,
    process: ProcessInputs,
    delays: DelayInputs,
    sizes: SizeInputs,
    living: Floats,
    log_median: Floats,
    of_sizes: Floats,
) -> None:
    """Fills living stems and log median diameters, both (draw, year), and scatter, growth and
    asymptote, `of_sizes` (3, draw), of draws (draw, parameter).
    """
    for d in range(len(draws)):
        x = draws[d]
        values = delay_values(delays.species, delay_factors(x, index))
        establishment(x, process, index, years_moved(delays, values), living[d])
        found = median_sizes(x, sizes, index, process.last)
        copy_into(log_median[d], found.log_median)
        of_sizes[SCATTER, d] = found.scatter
        of_sizes[GROWTH, d] = found.growth
        of_sizes[ASYMPTOTE, d] = found.asymptote
