"""The level of a unit: how many stems there are, on which its process is scaled
(docs/the-model.md, section 2).
"""

from __future__ import annotations

import math

from standage.compiled import Floats, compiled_loop
from standage.stand.kernel.convolution import inner
from standage.stand.kernel.inputs import ListedInputs, ParameterIndex
from standage.stand.kernel.plots import stems_in_class, stems_in_class_adjoint
from standage.stand.kernel.rates import Rates
from standage.stand.parameters import LEVEL_SD

# a history that lists next to nothing is held here, so that its level is finite [stems]
FEWEST_LISTED = 1e-100


@compiled_loop
def stems_expected(x: Floats, index: ParameterIndex, listed: ListedInputs) -> float:
    """Stems listed per hectare, or sampled without plots."""
    return math.exp(listed.log_stems + LEVEL_SD * x[index.level])


@compiled_loop
def stems_of(listed: ListedInputs, reference: int, rates: Rates) -> float:
    """Stems listed per hectare, all plots together, or sampled, of rates at any level; reference:
    height at which stems are sampled.
    """
    total = 0.0
    if listed.by_plots:
        for j in range(len(listed.shares)):
            low, high = listed.classes[j, 0], listed.classes[j, 1]
            total += listed.shares[j] * stems_in_class(rates, low, high)
    else:
        for arrived in rates.arrival[reference]:
            total += arrived
    return total


@compiled_loop
def set_level(
    x: Floats, index: ParameterIndex, listed: ListedInputs, reference: int, rates: Rates
) -> None:
    """Scales the amounts among the rates, which are at level 0, to the stems expected."""
    at_level_0 = max(stems_of(listed, reference, rates), FEWEST_LISTED)
    times = stems_expected(x, index, listed) / at_level_0
    for y in range(len(rates.living)):
        rates.living[y] *= times
        rates.begun[y] *= times
        for h in range(len(rates.arrival)):
            rates.arrival[h, y] *= times


@compiled_loop
def level_adjoint(
    x: Floats,
    gradient: Floats,
    index: ParameterIndex,
    listed: ListedInputs,
    reference: int,
    rates: Rates,
    bars: Rates,
) -> None:
    """Adds to `gradient` what the bars of the amounts mean for the level, and to `bars` what that
    means for the shape of the history: all amounts are in proportion, and what they are divided by
    is itself one of them.
    """
    level_bar = inner(bars.living, rates.living) + inner(bars.begun, rates.begun)
    for h in range(len(rates.arrival)):
        level_bar += inner(bars.arrival[h], rates.arrival[h])
    gradient[index.level] += LEVEL_SD * level_bar
    each = -level_bar / stems_expected(x, index, listed)
    if listed.by_plots:
        for j in range(len(listed.shares)):
            low, high = listed.classes[j, 0], listed.classes[j, 1]
            stems_in_class_adjoint(rates, bars, low, high, each * listed.shares[j])
    else:
        for y in range(len(rates.living)):
            bars.arrival[reference, y] += each
