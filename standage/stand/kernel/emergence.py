"""Emergence that depends on the calendar year: a unit with openings on record, and the derivatives
(docs/the-model.md, section 11).

Only plants of some years of establishment were in the grass stage in a season of openness. Those
are the `exposed` years; for each of them Q is kept by seasons since establishment, `(exposed,
season)`. All other years have the delays of section 3.
"""

from __future__ import annotations

import math

import numpy as np

from standage.compiled import compiled
from standage.stand.kernel.pieces import delayed, delayed_adjoint, normal_cdf

LEAST_TAIL = 1e-300  # of a grass stage, in a logarithm


@compiled
def tails_of_grass_stage(log_median, spread, tail, step):
    """Fills P(G > d) and log[P(G > d)/P(G > d - 1)], d = 0..longest; the last, and the step at 0,
    are left 0. Returns the normaliser.
    """
    longest = len(tail) - 1
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


@compiled
def staying(exposed, excess, tail, step, last, stays):
    """Q of the exposed years, `stays` (exposed, season); excess (year,) is exp(rho o) - 1. Seasons
    after the survey are left 0.
    """
    longest = len(tail) - 1
    for row in range(len(exposed)):
        t = exposed[row]
        stays[row, 0] = 1.0
        added = 0.0
        for d in range(1, min(longest - 1, last - t) + 1):
            added += excess[t + d] * step[d]
            stays[row, d] = tail[d] * math.exp(added)


@compiled
def stems_begun(living, exposed, grass, stays, begun):
    """Stems by the season in which they start, `begun` (year,)."""
    last = len(living) - 1
    longest = len(grass) - 1
    delayed(_without(living, exposed), grass, begun, last)
    for row in range(len(exposed)):
        t = exposed[row]
        for d in range(1, min(longest, last - t) + 1):
            begun[t + d] += living[t] * (stays[row, d - 1] - stays[row, d])


@compiled
def stems_begun_adjoint(living, exposed, grass, stays, begun_bar, living_bar, grass_bar, stays_bar):
    """Adds to living_bar, grass_bar and stays_bar what begun_bar means for them."""
    last = len(living) - 1
    longest = len(grass) - 1
    plain_bar = np.zeros(last + 1)
    delayed_adjoint(_without(living, exposed), grass, begun_bar, plain_bar, grass_bar, last)
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


@compiled
def stages_of_exposed(exposed, stays, growth_pmf, share, past):
    """Puts P(grass), P(emerging) and P(D_b <= age) of the exposed years into `share` (3, age) and
    `past` (age,).
    """
    last = len(past) - 1
    longest = stays.shape[1] - 1
    grown = np.cumsum(growth_pmf)
    for row in range(len(exposed)):
        a = last - exposed[row]
        past[a] = 0.0
        for d in range(1, min(longest, a) + 1):
            past[a] += (stays[row, d - 1] - stays[row, d]) * grown[min(a - d, len(grown) - 1)]
        share[1, a] = stays[row, a] if a < longest else 0.0
        share[2, a] = 1.0 - share[1, a] - past[a]


@compiled
def stages_of_exposed_adjoint(exposed, stays, growth_pmf, share_bar, stays_bar, growth_pmf_bar):
    """Takes the exposed years out of share_bar (3, age) and adds what they mean to stays_bar and
    growth_pmf_bar.
    """
    last = share_bar.shape[1] - 1
    longest = stays.shape[1] - 1
    grown = np.cumsum(growth_pmf)
    grown_bar = np.zeros(len(grown))
    for row in range(len(exposed)):
        a = last - exposed[row]
        past_bar = -share_bar[2, a]
        if a < longest:
            stays_bar[row, a] += share_bar[1, a] - share_bar[2, a]
        for d in range(1, min(longest, a) + 1):
            k = min(a - d, len(grown) - 1)
            stays_bar[row, d - 1] += past_bar * grown[k]
            stays_bar[row, d] -= past_bar * grown[k]
            grown_bar[k] += past_bar * (stays[row, d - 1] - stays[row, d])
        share_bar[1, a] = 0.0
        share_bar[2, a] = 0.0
    running = 0.0
    for k in range(len(grown) - 1, -1, -1):
        running += grown_bar[k]
        growth_pmf_bar[k] += running


@compiled
def staying_adjoint(
    exposed,
    rho,
    openness,
    excess,
    log_median,
    spread,
    tail,
    step,
    total,
    edge_pdf,
    stays,
    stays_bar,
):
    """Derivatives of sum(stays_bar x stays) with respect to the log median and log spread of the
    grass stage, and to rho.

    edge_pdf (season,): standard normal density at the edges of the grass stage, as
    `kernel_pieces.grass_stage` leaves it.
    """
    last = len(excess) - 1
    longest = len(tail) - 1
    log_tail_bar = np.zeros(longest + 1)
    step_bar = np.zeros(longest + 1)
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
    # slopes of a tail before it is scaled, with the log median and the log spread: pdf/w and pdf z
    slope_first = edge_pdf[0]
    slope_last = edge_pdf[longest]
    z_first = (math.log(0.5) - log_median) / spread
    z_last = (math.log(longest + 0.5) - log_median) / spread
    median_bar = 0.0
    log_spread_bar = 0.0
    for d in range(1, longest):
        if log_tail_bar[d] == 0.0 or tail[d] < LEAST_TAIL:
            continue
        z = (math.log(d + 0.5) - log_median) / spread
        weight = log_tail_bar[d] / (total * tail[d])
        median_bar += (
            weight * (edge_pdf[d] - slope_last - tail[d] * (slope_first - slope_last)) / spread
        )
        log_spread_bar += weight * (
            edge_pdf[d] * z
            - slope_last * z_last
            - tail[d] * (slope_first * z_first - slope_last * z_last)
        )
    return median_bar, log_spread_bar, rho_bar


@compiled
def _without(living, exposed):
    rest = living.copy()
    for row in range(len(exposed)):
        rest[exposed[row]] = 0.0
    return rest
