"""The delays of a unit, and arrivals at its heights (docs/the-model.md, section 3): forward, and
back from their derivatives to those of the parameters.

The distributions are those of `standage.evidence.delays`, compiled; beside each stands its
derivative.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from standage.compiled import Booleans, Floats, compiled, compiled_loop, compiled_part
from standage.evidence import delays as stated
from standage.evidence.delays import COMMON_LOADING, LEAST_TOTAL, TURN, Pace, SpeciesDelays
from standage.stand.kernel.convolution import delayed, delayed_adjoint
from standage.stand.kernel.distributions import mills_ratio, normal_cdf, normal_pdf
from standage.stand.kernel.inputs import DelayInputs, ParameterIndex
from standage.stand.kernel.rates import Rates

ahead_and_behind = compiled_loop(stated.ahead_and_behind)
log_pace = compiled_loop(stated.log_pace)
dispersion_at_pace = compiled_loop(stated.dispersion_at_pace)
grass_stage = compiled_loop(stated.grass_stage)
height_growth = compiled_loop(stated.height_growth)


class DelayFactors(NamedTuple):
    """Standard normal factors that delays depend on. The first four belong to the species, the
    others to the stand; `shared_pace` is common to both delays. Names as in `parameters`.
    """

    grass_median: float
    grass_spread: float
    height_years: float
    height_spread: float
    shared_pace: float
    grass_pace: float
    height_pace: float


class DelayValues(NamedTuple):
    """What the factors make of the delays.

    Attributes
    ----------
    log_median : of the grass stage. [log seasons]
    spread : log-sd of the grass stage within the stand.
    years : mean seasons from the start of the stem to breast height.
    dispersion : variance of the seasons of height growth over their mean.
    """

    log_median: float
    spread: float
    years: float
    dispersion: float


class GrassValues(NamedTuple):
    """What the derivative of the grass stage needs: (season,) standard normal density at its edges
    g + 1/2, and the probability between the first edge and the last.
    """

    density: Floats
    total: float


@compiled_loop
def delay_factors(x: Floats, index: ParameterIndex) -> DelayFactors:
    """The factors of a unit among all parameters (parameter,)."""
    return DelayFactors(
        x[index.grass_median],
        x[index.grass_spread],
        x[index.height_years],
        x[index.height_spread],
        x[index.shared_pace],
        x[index.grass_pace],
        x[index.height_pace],
    )


@compiled_loop
def delay_values(species: SpeciesDelays, z: DelayFactors) -> DelayValues:
    """Median, spread and mean years of a stand at its factors."""
    log_dispersion = species.log_dispersion + species.dispersion_log_sd * z.height_spread
    log_years = log_pace(species.to_breast_height, z.height_years, z.shared_pace, z.height_pace)
    return DelayValues(
        log_pace(species.grass_median, z.grass_median, z.shared_pace, z.grass_pace),
        math.exp(species.log_grass_spread + species.grass_spread_log_sd * z.grass_spread),
        math.exp(log_years),
        dispersion_at_pace(species, log_dispersion, log_years),
    )


@compiled_loop
def pace_adjoint(pace: Pace, bar: float, gradient: Floats, own: tuple[int, int, int]) -> None:
    """Adds to `gradient` (parameter,) what the derivative with respect to log years means; own:
    where the factors of species, common and stand's own pace are.
    """
    gradient[own[0]] += pace.species_log_sd * bar
    gradient[own[1]] += pace.stand_log_sd * COMMON_LOADING * bar
    gradient[own[2]] += pace.stand_log_sd * COMMON_LOADING * bar


@compiled_loop
def grass_adjoint(
    species: SpeciesDelays, bars: tuple[float, float], gradient: Floats, index: ParameterIndex
) -> None:
    """Adds what derivatives with respect to log median and log spread mean."""
    own = (index.grass_median, index.shared_pace, index.grass_pace)
    pace_adjoint(species.grass_median, bars[0], gradient, own)
    gradient[index.grass_spread] += species.grass_spread_log_sd * bars[1]


@compiled_loop
def years_adjoint(
    species: SpeciesDelays, bar: float, gradient: Floats, index: ParameterIndex
) -> None:
    """Adds what the derivative with respect to log years to breast height means."""
    own = (index.height_years, index.shared_pace, index.height_pace)
    pace_adjoint(species.to_breast_height, bar, gradient, own)


@compiled_loop
def mean_grass_years(values: DelayValues) -> float:
    """Mean of the log-normal grass stage. [seasons]"""
    return math.exp(values.log_median + 0.5 * values.spread * values.spread)


@compiled_loop
def years_moved(delays: DelayInputs, values: DelayValues) -> float:
    """How far the mean delay to the unit's commonest coring height lies from the profile's: the
    process moves with it. [years]
    """
    if delays.at_coring_height:
        return 0.0
    species = delays.species
    usual = math.exp(species.to_breast_height.log_years)
    moved = delays.shares[delays.reference] * (values.years - usual)
    if species.has_grass_stage:
        usual_spread = math.exp(2.0 * species.log_grass_spread)
        usual = math.exp(species.grass_median.log_years + 0.5 * usual_spread)
        moved += mean_grass_years(values) - usual
    return moved


@compiled_loop
def years_moved_adjoint(
    delays: DelayInputs,
    values: DelayValues,
    moved_bar: float,
    gradient: Floats,
    index: ParameterIndex,
) -> None:
    """Adds what the derivative with respect to the years moved means."""
    if delays.at_coring_height:
        return
    log_years_bar = moved_bar * delays.shares[delays.reference] * values.years
    years_adjoint(delays.species, log_years_bar, gradient, index)
    if delays.species.has_grass_stage:
        median_bar = moved_bar * mean_grass_years(values)
        bars = (median_bar, median_bar * values.spread * values.spread)
        grass_adjoint(delays.species, bars, gradient, index)


@compiled
def grass_pmf(values: DelayValues, pmf: Floats) -> GrassValues:
    """Fills the pmf of the grass stage (season,)."""
    below = np.empty(len(pmf))
    density = np.empty(len(pmf))
    for g in range(len(pmf)):
        z = (math.log(g + 0.5) - values.log_median) / values.spread
        below[g] = normal_cdf(z)
        density[g] = normal_pdf(z)
    grass_stage(below, pmf)
    return GrassValues(density, max(below[len(pmf) - 1] - below[0], LEAST_TOTAL))


@compiled
def grass_pmf_adjoint(
    values: DelayValues, grass: GrassValues, pmf: Floats, pmf_bar: Floats
) -> tuple[float, float]:
    """Derivative of sum(pmf_bar x pmf) with respect to the log median and to the log of the
    spread.
    """
    longest = len(pmf) - 1
    mean_bar = 0.0
    for g in range(1, longest + 1):
        mean_bar += pmf_bar[g] * pmf[g]
    median_bar = 0.0
    log_spread_bar = 0.0
    for g in range(longest + 1):
        weight = 0.0
        if g >= 1:
            weight += pmf_bar[g]
        if g < longest:
            weight -= pmf_bar[g + 1]
        if g == longest:
            weight -= mean_bar
        if g == 0:
            weight += mean_bar
        z = (math.log(g + 0.5) - values.log_median) / values.spread
        edge_bar = weight * grass.density[g] / grass.total
        median_bar -= edge_bar / values.spread
        log_spread_bar -= edge_bar * z
    return median_bar, log_spread_bar


@compiled
def height_growth_pmf(mean: float, dispersion: float, pmf: Floats) -> None:
    """Fills the pmf of the seasons of growth (season,)."""
    for k in range(len(pmf)):
        ahead, behind = ahead_and_behind(k + 0.5, mean, dispersion)
        pmf[k] = normal_cdf(ahead) + normal_pdf(ahead) * mills_ratio(behind)
    height_growth(pmf)


@compiled
def height_growth_adjoint(mean: float, dispersion: float, pmf_bar: Floats) -> tuple[float, float]:
    """Derivative of sum(pmf_bar x pmf) with respect to the log of the mean and to that of the
    dispersion.
    """
    log_mean_bar = 0.0
    log_dispersion_bar = 0.0
    for k in range(len(pmf_bar)):
        edge_bar = pmf_bar[k]
        if k + 1 < len(pmf_bar):
            edge_bar -= pmf_bar[k + 1]
        seasons = k + 0.5
        ahead, behind = ahead_and_behind(seasons, mean, dispersion)
        density = normal_pdf(ahead)
        drift = 2.0 * mean * density * mills_ratio(behind) / dispersion
        width = mean * density / math.sqrt(dispersion * seasons)
        log_mean_bar += edge_bar * (drift - 2.0 * width)
        log_dispersion_bar += edge_bar * (width - drift)
    return log_mean_bar, log_dispersion_bar


@compiled_loop
def height_growths(shares: Floats, values: DelayValues, pmfs: Floats) -> None:
    """Fills the pmfs (share, season) of growth over shares (share,) of years to breast height."""
    for h in range(len(shares)):
        height_growth_pmf(values.years * shares[h], values.dispersion, pmfs[h])


@compiled_loop
def height_growths_adjoint(
    species: SpeciesDelays,
    shares: Floats,
    values: DelayValues,
    pmf_bars: Floats,
    gradient: Floats,
    index: ParameterIndex,
) -> None:
    """Adds to `gradient` what pmf_bars (share, season) mean."""
    slower = math.exp(TURN * (math.log(values.years) - species.to_breast_height.log_years))
    fall = slower / (1.0 + slower)  # of the log dispersion as log years rise
    for h in range(len(shares)):
        log_years_bar, log_dispersion_bar = height_growth_adjoint(
            values.years * shares[h], values.dispersion, pmf_bars[h]
        )
        years_adjoint(species, log_years_bar - fall * log_dispersion_bar, gradient, index)
        gradient[index.height_spread] += species.dispersion_log_sd * log_dispersion_bar


@compiled_part
def arrivals(begun: Floats, growth: Floats, needed: Booleans, arrival: Floats) -> None:
    """Fills the arrivals (height, year) at the heights where they are needed, from stems begun
    (year,) and the seasons of growth (height, season).
    """
    for h in range(len(needed)):
        if needed[h]:
            delayed(begun, growth[h], arrival[h], len(begun) - 1)


@compiled_part
def arrivals_adjoint(rates: Rates, needed: Booleans, bars: Rates) -> None:
    """Adds to the bars of stems begun and of growth what those of arrivals mean for them."""
    begun = rates.begun
    growth = rates.growth
    arrival_bar = bars.arrival
    begun_bar = bars.begun
    growth_bar = bars.growth
    for h in range(len(needed)):
        if needed[h]:
            delayed_adjoint(
                begun, growth[h], arrival_bar[h], begun_bar, growth_bar[h], len(begun) - 1
            )


@compiled
def delays_by_draw(species: SpeciesDelays, factors: Floats, values: Floats) -> None:
    """`delay_values` for every draw: factors (draw, 7) as in `DelayFactors`, `values` (draw, 4) as
    in `DelayValues`.
    """
    for d in range(len(factors)):
        z = factors[d]
        found = delay_values(species, DelayFactors(z[0], z[1], z[2], z[3], z[4], z[5], z[6]))
        values[d, 0] = found.log_median
        values[d, 1] = found.spread
        values[d, 2] = found.years
        values[d, 3] = found.dispersion


@compiled
def grass_by_draw(log_median: Floats, spread: Floats, pmf: Floats) -> None:
    """Pmf of the grass stage for every draw, `pmf` (draw, season)."""
    for d in range(len(log_median)):
        grass_pmf(DelayValues(log_median[d], spread[d], 0.0, 1.0), pmf[d])


@compiled
def growth_by_draw(mean: Floats, dispersion: Floats, pmf: Floats) -> None:
    """Pmf of the seasons of height growth for every draw, `mean` and `dispersion` (draw,), `pmf`
    (draw, season).
    """
    for d in range(len(mean)):
        height_growth_pmf(mean[d], dispersion[d], pmf[d])
