"""Stems listed in plots, or all that were sampled, and stems without a usable core: their log
likelihood and its derivatives (docs/the-model.md, section 6).
"""

from __future__ import annotations

import math

from standage.compiled import Floats, Integers, compiled_loop
from standage.stand.kernel.convolution import add_difference, add_scaled, inner_difference
from standage.stand.kernel.distributions import digamma
from standage.stand.kernel.inputs import BREAST_HEIGHT, CountInputs, ParameterIndex
from standage.stand.kernel.rates import Rates
from standage.stand.parameters import PLOT_DISPERSION, PLOT_DISPERSION_LOG_SD

# a likelihood below this is held here, so that a start far off still has a finite log density
SMALLEST = 1e-300


@compiled_loop
def all_stems(arrival: Floats, arrival_bar: Floats) -> float:
    """Log likelihood of how many stems there are where all were sampled, but for the stems
    themselves; arrival (year,) at the commonest coring height.
    """
    total = 0.0
    for y in range(len(arrival)):
        total -= arrival[y]
        arrival_bar[y] -= 1.0
    return total


@compiled_loop
def stems_in_plots(
    x: Floats,
    gradient: Floats,
    index: ParameterIndex,
    counts: CountInputs,
    rates: Rates,
    bars: Rates,
) -> float:
    """Log likelihood of the stems listed in each plot: gamma-Poisson. Adds to `gradient` and
    `bars`.
    """
    phi = PLOT_DISPERSION * math.exp(PLOT_DISPERSION_LOG_SD * x[index.plot_dispersion])
    phi_bar = 0.0
    logp = 0.0
    for j in range(len(counts.plots)):
        area = counts.plots[j, 0]
        stems = counts.plots[j, 1]
        low = counts.plot_classes[j, 0]
        high = counts.plot_classes[j, 1]
        together = phi + area * stems_in_class(rates, low, high)
        logp += (
            phi * math.log(phi)
            - math.lgamma(phi)
            + math.lgamma(phi + stems)
            - (phi + stems) * math.log(together)
        )
        logp += stems * math.log(area)
        phi_bar += (
            math.log(phi)
            + 1.0
            - digamma(phi)
            + digamma(phi + stems)
            - math.log(together)
            - (phi + stems) / together
        )
        stems_in_class_adjoint(rates, bars, low, high, -(phi + stems) / together * area)
    gradient[index.plot_dispersion] += PLOT_DISPERSION_LOG_SD * phi * phi_bar
    return logp


@compiled_loop
def stems_without_core(uncored: Integers, rates: Rates, bars: Rates) -> float:
    """Log likelihood of the diameters of stems without a usable core (class, 2); adds to `bars`."""
    logp = 0.0
    for j in range(len(uncored)):
        c = uncored[j, 0]
        stems = uncored[j, 1]
        total = stems_in_class(rates, c, c + 1)
        logp += stems * math.log(max(total, SMALLEST))
        if total > SMALLEST:
            stems_in_class_adjoint(rates, bars, c, c + 1, stems / total)
    return logp


@compiled_loop
def stems_in_class(rates: Rates, low: int, high: int) -> float:
    """Stems between two class edges."""
    return inner_difference(rates.arrival[BREAST_HEIGHT], rates.cdf[high], rates.cdf[low])


@compiled_loop
def stems_in_class_adjoint(rates: Rates, bars: Rates, low: int, high: int, weight: float) -> None:
    """Adds to `bars` what a derivative `weight` with respect to those stems means."""
    add_difference(bars.arrival[BREAST_HEIGHT], weight, rates.cdf[high], rates.cdf[low])
    add_scaled(bars.cdf[high], weight, rates.arrival[BREAST_HEIGHT])
    add_scaled(bars.cdf[low], -weight, rates.arrival[BREAST_HEIGHT])
