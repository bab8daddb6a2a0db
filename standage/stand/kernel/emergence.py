"""Emergence that depends on the calendar year: a unit with openings on record, and the derivatives
(docs/the-model.md, section 11).

Only plants of some years of establishment were in the grass stage in a season of openness. Those
are the `exposed` years; for each of them Q is kept by seasons since establishment, `(exposed,
season)`. All other years have the delays of section 3.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from standage.compiled import Floats, Integers, compiled_loop, compiled_part
from standage.stand.kernel.convolution import delayed, delayed_adjoint
from standage.stand.kernel.delays import DelayValues, GrassValues
from standage.stand.kernel.distributions import normal_cdf
from standage.stand.kernel.inputs import EMERGING, GRASS, OpeningInputs
from standage.stand.kernel.rates import Rates

LEAST_TAIL = 1e-300  # of a grass stage, in a logarithm


class OpeningValues(NamedTuple):
    """What openings do under given parameters.

    Attributes
    ----------
    rho : log factor on the cumulative hazard of starting a stem in a season of full openness.
    excess : (year,) exp(rho o) - 1.
    tail : (season,) P(G > d).
    step : (season,) log[P(G > d)/P(G > d - 1)].
    total : probability that the tails were scaled by.
    """

    rho: float
    excess: Floats
    tail: Floats
    step: Floats
    total: float


@compiled_part
def no_opening() -> OpeningValues:
    """What openings do where there are none."""
    return OpeningValues(0.0, np.zeros(0), np.zeros(0), np.zeros(0), 1.0)


@compiled_part
def opening_values(
    z: float, openings: OpeningInputs, delays: DelayValues, longest: int
) -> OpeningValues:
    """At the standard normal factor of rho, and the grass stage at the stand's own pace; longest:
    seasons of that at most.
    """
    openness = openings.openness
    rho = openings.release_mean + openings.release_sd * z
    excess = np.empty(len(openness))
    for y in range(len(excess)):
        excess[y] = math.expm1(rho * openness[y])
    tail = np.empty(longest + 1)
    step = np.empty(longest + 1)
    total = tails_of_grass_stage(delays, tail, step)
    return OpeningValues(rho, excess, tail, step, total)


@compiled_loop
def tails_of_grass_stage(delays: DelayValues, tail: Floats, step: Floats) -> float:
    """Fills P(G > d) and log[P(G > d)/P(G > d - 1)], d = 0..longest; the last, and the step at 0,
    are left 0. Returns the normaliser.
    """
    longest = len(tail) - 1
    log_median = delays.log_median
    spread = delays.spread
    beyond = normal_cdf(-(math.log(longest + 0.5) - log_median) / spread)
    total = max(normal_cdf(-(math.log(0.5) - log_median) / spread) - beyond, LEAST_TAIL)
    tail[longest] = 0.0
    step[0] = 0.0
    step[longest] = 0.0
    for d in range(longest):
        tail[d] = (normal_cdf(-(math.log(d + 0.5) - log_median) / spread) - beyond) / total
        if d > 0:
            step[d] = math.log(max(tail[d], LEAST_TAIL)) - math.log(max(tail[d - 1], LEAST_TAIL))
    return total


@compiled_loop
def staying(exposed: Integers, excess: Floats, tail: Floats, step: Floats, stays: Floats) -> None:
    """Fills Q of the exposed years, `stays` (exposed, season); excess, tail and step as in
    `OpeningValues`. Seasons after the survey are left as they are.
    """
    last = len(excess) - 1
    longest = len(tail) - 1
    for row in range(len(exposed)):
        t = exposed[row]
        stays[row, 0] = 1.0
        added = 0.0
        for d in range(1, min(longest - 1, last - t) + 1):
            added += excess[t + d] * step[d]
            stays[row, d] = tail[d] * math.exp(added)


@compiled_part
def stems_begun(
    living: Floats, exposed: Integers, grass: Floats, stays: Floats, begun: Floats
) -> None:
    """Stems by the season in which they start, `begun` (year,)."""
    last = len(living) - 1
    longest = len(grass) - 1
    delayed(_without(living, exposed), grass, begun, last)
    for row in range(len(exposed)):
        t = exposed[row]
        for d in range(1, min(longest, last - t) + 1):
            begun[t + d] += living[t] * (stays[row, d - 1] - stays[row, d])


@compiled_part
def stems_begun_adjoint(rates: Rates, bars: Rates, exposed: Integers) -> None:
    """Adds to the bars of living stems, of the grass stage and of Q what those of the stems begun
    mean for them.
    """
    living = rates.living
    stays = rates.stays
    begun_bar = bars.begun
    living_bar = bars.living
    stays_bar = bars.stays
    last = len(living) - 1
    longest = len(rates.grass) - 1
    plain_bar = np.zeros(last + 1)
    delayed_adjoint(_without(living, exposed), rates.grass, begun_bar, plain_bar, bars.grass, last)
    for row in range(len(exposed)):
        plain_bar[exposed[row]] = 0.0
    for y in range(last + 1):
        living_bar[y] += plain_bar[y]
    for row in range(len(exposed)):
        t = exposed[row]
        for d in range(1, min(longest, last - t) + 1):
            living_bar[t] += begun_bar[t + d] * (stays[row, d - 1] - stays[row, d])
            stays_bar[row, d - 1] += begun_bar[t + d] * living[t]
            stays_bar[row, d] -= begun_bar[t + d] * living[t]


@compiled_part
def stages_of_exposed(
    exposed: Integers, stays: Floats, growth: Floats, share: Floats, past: Floats
) -> None:
    """Puts P(grass), P(emerging) and P(D_b <= age) of the exposed years into `share` (3, age) and
    `past` (age,); growth (season,): pmf of the seasons of growth to breast height.
    """
    last = len(past) - 1
    longest = stays.shape[1] - 1
    grown = _running_sum(growth)
    for row in range(len(exposed)):
        a = last - exposed[row]
        past[a] = 0.0
        for d in range(1, min(longest, a) + 1):
            past[a] += (stays[row, d - 1] - stays[row, d]) * grown[min(a - d, len(grown) - 1)]
        share[GRASS, a] = stays[row, a] if a < longest else 0.0
        share[EMERGING, a] = 1.0 - share[GRASS, a] - past[a]


@compiled_part
def stages_of_exposed_adjoint(
    exposed: Integers,
    stays: Floats,
    growth: Floats,
    share_bar: Floats,
    stays_bar: Floats,
    growth_bar: Floats,
) -> None:
    """Takes the exposed years out of share_bar (3, age) and adds what they mean to stays_bar and
    growth_bar.
    """
    last = share_bar.shape[1] - 1
    longest = stays.shape[1] - 1
    grown = _running_sum(growth)
    grown_bar = np.zeros(len(grown))
    for row in range(len(exposed)):
        a = last - exposed[row]
        past_bar = -share_bar[EMERGING, a]
        if a < longest:
            stays_bar[row, a] += share_bar[GRASS, a] - share_bar[EMERGING, a]
        for d in range(1, min(longest, a) + 1):
            k = min(a - d, len(grown) - 1)
            stays_bar[row, d - 1] += past_bar * grown[k]
            stays_bar[row, d] -= past_bar * grown[k]
            grown_bar[k] += past_bar * (stays[row, d - 1] - stays[row, d])
        share_bar[GRASS, a] = 0.0
        share_bar[EMERGING, a] = 0.0
    running = 0.0
    for k in range(len(grown) - 1, -1, -1):
        running += grown_bar[k]
        growth_bar[k] += running


@compiled_part
def staying_adjoint(
    openings: OpeningInputs,
    values: OpeningValues,
    delays: DelayValues,
    grass: GrassValues,
    stays: Floats,
    stays_bar: Floats,
) -> tuple[tuple[float, float], float]:
    """Derivatives of sum(stays_bar x stays): with respect to the log median and log spread of the
    grass stage, and to rho.
    """
    excess = values.excess
    step = values.step
    openness = openings.openness
    exposed = openings.exposed
    last = len(excess) - 1
    longest = len(step) - 1
    step_bar = np.zeros(longest + 1)
    log_tail_bar = np.zeros(longest + 1)
    rho_bar = 0.0
    for row in range(len(exposed)):
        t = exposed[row]
        running = 0.0
        for d in range(min(longest - 1, last - t), 0, -1):
            pushed = stays_bar[row, d] * stays[row, d]
            log_tail_bar[d] += pushed
            running += pushed
            step_bar[d] += running * excess[t + d]
            rho_bar += running * step[d] * openness[t + d] * (excess[t + d] + 1.0)
    for d in range(1, longest):
        log_tail_bar[d] += step_bar[d]
        log_tail_bar[d - 1] -= step_bar[d]
    return _tails_adjoint(values, delays, grass.density, log_tail_bar), rho_bar


@compiled_loop
def _tails_adjoint(
    values: OpeningValues, delays: DelayValues, density: Floats, log_tail_bar: Floats
) -> tuple[float, float]:
    """Derivatives with respect to log median and log spread of what has derivative log_tail_bar
    (season,) with respect to the logs of the tails.
    """
    tails = values.tail
    longest = len(tails) - 1
    spread = delays.spread
    # slopes of a tail before it is scaled, with the log median and the log spread: pdf/w and pdf z
    slope_first = density[0]
    slope_last = density[longest]
    z_first = (math.log(0.5) - delays.log_median) / spread
    z_last = (math.log(longest + 0.5) - delays.log_median) / spread
    median_bar = 0.0
    log_spread_bar = 0.0
    for d in range(1, longest):
        tail = tails[d]
        if log_tail_bar[d] == 0.0 or tail < LEAST_TAIL:
            continue
        z = (math.log(d + 0.5) - delays.log_median) / spread
        weight = log_tail_bar[d] / (values.total * tail)
        median_bar += (
            weight * (density[d] - slope_last - tail * (slope_first - slope_last)) / spread
        )
        log_spread_bar += weight * (
            density[d] * z
            - slope_last * z_last
            - tail * (slope_first * z_first - slope_last * z_last)
        )
    return median_bar, log_spread_bar


@compiled_part
def _running_sum(values: Floats) -> Floats:
    out = np.empty(len(values))
    total = 0.0
    for k in range(len(values)):
        total += values[k]
        out[k] = total
    return out


@compiled_part
def _without(living: Floats, exposed: Integers) -> Floats:
    """Living stems (year,), 0 in the exposed years."""
    rest = living.copy()
    for row in range(len(exposed)):
        rest[exposed[row]] = 0.0
    return rest
