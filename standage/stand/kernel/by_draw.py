"""The forward pass for many draws at once, from which tables and dates are made."""

from __future__ import annotations

from standage.compiled import Floats, compiled
from standage.stand.kernel.convolution import copy_into
from standage.stand.kernel.diameters import median_sizes
from standage.stand.kernel.inputs import (
    DelayInputs,
    ListedInputs,
    ParameterIndex,
    ProcessInputs,
    SizeInputs,
)
from standage.stand.kernel.log_density import forward_pass

SCATTER, GROWTH, ASYMPTOTE = range(3)  # rows of `of_sizes`


@compiled
def rates_by_draw(
    draws: Floats,
    index: ParameterIndex,
    process: ProcessInputs,
    delays: DelayInputs,
    sizes: SizeInputs,
    listed: ListedInputs,
    living: Floats,
    log_median: Floats,
    of_sizes: Floats,
) -> None:
    """Fills living stems and log median diameters, both (draw, year), and scatter, growth and
    asymptote, `of_sizes` (3, draw), of draws (draw, parameter).
    """
    for d in range(len(draws)):
        x = draws[d]
        forward = forward_pass(x, index, process, delays, sizes, listed)
        copy_into(living[d], forward.rates.living)
        found = median_sizes(x, sizes, index, process.last)
        copy_into(log_median[d], found.log_median)
        of_sizes[SCATTER, d] = found.scatter
        of_sizes[GROWTH, d] = found.growth
        of_sizes[ASYMPTOTE, d] = found.asymptote
