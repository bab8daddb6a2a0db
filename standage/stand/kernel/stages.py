"""Plants counted by stage, judged ages and sections: their log likelihood and its derivatives
(docs/the-model.md, section 6).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from standage.compiled import Floats, Integers, compiled, compiled_loop, compiled_part
from standage.evidence.delays import RING_DIFFERENCE_ERROR
from standage.stand.kernel.convolution import add_scaled, inner
from standage.stand.kernel.distributions import digamma
from standage.stand.kernel.inputs import (
    BREAST_HEIGHT,
    EMERGING,
    GERMINANT,
    GRASS,
    OUT_OF_GRASS,
    RINGS_TO_HEIGHT,
    SAPLING,
    STILL_IN_GRASS,
    TALL_SINCE_FIRST,
    CountInputs,
    DelayInputs,
    ParameterIndex,
)
from standage.stand.kernel.plots import SMALLEST
from standage.stand.kernel.rates import Rates
from standage.stand.parameters import COUNT_DISPERSION_LOG_SD


class Shares(NamedTuple):
    """Where plants stand at the survey by age, or the derivative with respect to that.

    Attributes
    ----------
    share : (3, age) probability of germinant, grass and emerging.
    plants : (3,) plants in these stages; below 0 where nobody asked.
    saplings : (edge,) plants past breast height below a class edge; below 0 where nobody asked.
    """

    share: Floats
    plants: Floats
    saplings: Floats


@compiled_part
def stages_at_survey(
    x: Floats,
    gradient: Floats,
    index: ParameterIndex,
    delays: DelayInputs,
    counts: CountInputs,
    rates: Rates,
    bars: Rates,
) -> float:
    """Log likelihood of counts and sections; adds to `gradient` and `bars`."""
    n = len(rates.living)
    n_edges = len(rates.cdf)
    has_grass = delays.species.has_grass_stage
    growth = rates.growth[BREAST_HEIGHT]
    growth_bar = bars.growth[BREAST_HEIGHT]
    share, past = shares_by_age(rates.grass, growth, has_grass, n)
    shares = Shares(share, np.full(3, -1.0), np.full(n_edges, -1.0))
    share_bars = Shares(np.zeros((3, n)), np.zeros(3), np.zeros(n_edges))
    logp = counted(x, gradient, index, counts, rates, bars, shares, share_bars)
    plants_adjoint(rates, bars, shares, share_bars)
    logp += sections(counts.sections, has_grass, rates, bars)
    shares_by_age_adjoint(rates.grass, growth, has_grass, share_bars.share, bars.grass, growth_bar)
    return logp


@compiled_loop
def counted(
    x: Floats,
    gradient: Floats,
    index: ParameterIndex,
    counts: CountInputs,
    rates: Rates,
    bars: Rates,
    shares: Shares,
    share_bars: Shares,
) -> float:
    """Log likelihood of the counts; fills the plants asked for, and adds to all that is a
    derivative.
    """
    phi = math.exp(COUNT_DISPERSION_LOG_SD * x[index.count_dispersion])
    phi_bar = 0.0
    logp = 0.0
    for j in range(len(counts.stages)):
        row = counts.stages[j]
        stage = row[0]
        value = counts.plants[j, 1]
        factor = index.stage_factor + stage
        density = plants_in_stage(rates, shares, stage, row[1])
        mean = counts.plants[j, 0] * density * math.exp(counts.stage_log_sd * x[factor])
        together = phi + mean
        logp += math.lgamma(value + phi) - math.lgamma(phi) - math.lgamma(value + 1.0)
        logp += phi * (math.log(phi) - math.log(together))
        if value > 0:
            logp += value * (math.log(mean) - math.log(together))
        phi_bar += (
            digamma(value + phi)
            - digamma(phi)
            + math.log(phi)
            + 1.0
            - math.log(together)
            - (phi + value) / together
        )
        log_mean_bar = value - (phi + value) * mean / together
        gradient[factor] += counts.stage_log_sd * log_mean_bar
        density_bar = log_mean_bar / density
        if row[3] >= 0 and value > 0 and stage != SAPLING:
            logp += judged_ages(row, value, rates, bars, shares, share_bars)
            density_bar -= value / density
        if stage == SAPLING:
            share_bars.saplings[row[1]] += density_bar
        else:
            share_bars.plants[stage] += density_bar
    gradient[index.count_dispersion] += COUNT_DISPERSION_LOG_SD * phi * phi_bar
    return logp


@compiled_loop
def plants_in_stage(rates: Rates, shares: Shares, stage: int, below: int) -> float:
    """Plants in a stage; saplings below a class edge. Worked out once and kept in `shares`."""
    if stage == SAPLING:
        if shares.saplings[below] < 0.0:
            total = inner(rates.arrival[BREAST_HEIGHT], rates.cdf[below])
            shares.saplings[below] = max(total, SMALLEST)
        return shares.saplings[below]
    if shares.plants[stage] < 0.0:
        living = rates.living
        share = shares.share[stage]
        total = 0.0
        for a in range(len(living)):
            total += living[len(living) - 1 - a] * share[a]
        shares.plants[stage] = max(total, SMALLEST)
    return shares.plants[stage]


@compiled_loop
def judged_ages(
    row: Integers, value: float, rates: Rates, bars: Rates, shares: Shares, share_bars: Shares
) -> float:
    """Log probability that `value` plants of a stage have the ages they were judged to have; adds
    to the bars, but for what the plants in the whole stage mean.
    """
    stage = row[0]
    living = rates.living
    share = shares.share[stage]
    last = len(living) - 1
    youngest = max(row[2], 0)
    oldest = min(row[3], last)
    inside = 0.0
    for a in range(youngest, oldest + 1):
        inside += living[last - a] * share[a]
    if inside > SMALLEST:
        living_bar = bars.living
        share_bar = share_bars.share[stage]
        for a in range(youngest, oldest + 1):
            living_bar[last - a] += value / inside * share[a]
            share_bar[a] += value / inside * living[last - a]
    return value * (math.log(max(inside, SMALLEST)) - math.log(shares.plants[stage]))


@compiled_loop
def plants_adjoint(rates: Rates, bars: Rates, shares: Shares, share_bars: Shares) -> None:
    """Adds to the bars of rates and of shares by age what those of plants in a stage mean."""
    living = rates.living
    living_bar = bars.living
    last = len(living) - 1
    for below in range(len(shares.saplings)):
        if shares.saplings[below] >= 0.0:
            bar = share_bars.saplings[below]
            add_scaled(bars.arrival[BREAST_HEIGHT], bar, rates.cdf[below])
            add_scaled(bars.cdf[below], bar, rates.arrival[BREAST_HEIGHT])
    for stage in range(len(shares.plants)):
        if shares.plants[stage] >= 0.0:
            bar = share_bars.plants[stage]
            share = shares.share[stage]
            share_bar = share_bars.share[stage]
            for a in range(last + 1):
                living_bar[last - a] += bar * share[a]
                share_bar[a] += bar * living[last - a]


@compiled_part
def sections(rows: Integers, has_grass: bool, rates: Rates, bars: Rates) -> float:
    """Log likelihood of sections (section, 4); adds to the bars of the two delays."""
    logp = 0.0
    longest_grass = len(rates.grass) - 1
    for j in range(len(rows)):
        shown = rows[j, 0]
        value = rows[j, 1]
        if shown == RINGS_TO_HEIGHT:
            h = rows[j, 2]
            probability = ring_difference(
                value, has_grass, rates.grass, rates.growth[h], bars.grass, bars.growth[h]
            )
            logp += math.log(probability)
        elif shown > RINGS_TO_HEIGHT:
            h, above = rows[j, 2], rows[j, 3]
            logp += math.log(
                height_class(
                    value,
                    has_grass and shown == TALL_SINCE_FIRST,
                    rates.grass,
                    rates.growth[h],
                    rates.growth[above],
                    bars.grass,
                    bars.growth[h],
                    bars.growth[above],
                )
            )
        elif has_grass and shown == STILL_IN_GRASS:
            start = min(value, longest_grass) + 1
            logp += log_sum(rates.grass[start:], bars.grass[start:])
        elif has_grass:
            end = min(value, longest_grass) + 1
            start = 0 if shown == OUT_OF_GRASS else min(value, longest_grass + 1)
            logp += log_sum(rates.grass[start:end], bars.grass[start:end])
    return logp


@compiled
def ring_difference(
    difference: int,
    has_grass: bool,
    grass: Floats,
    growth: Floats,
    grass_bar: Floats,
    growth_bar: Floats,
) -> float:
    """Probability of the rings at the ground less those at a height: seasons of the grass stage
    that show as rings, seasons of height growth, and the error of the counts. Adds the
    derivative of its logarithm to the bars of the two pmfs, grass (g,) and growth (k,).
    """
    n_visible = len(grass) if has_grass else 1
    visible = np.ones(n_visible)
    if has_grass:
        running = 0.0
        for v in range(n_visible - 1, -1, -1):
            running += grass[v] / (v + 1.0)
            visible[v] = running
    most = len(RING_DIFFERENCE_ERROR) - 1
    total = 0.0
    for v in range(n_visible):
        for e in range(-most, most + 1):
            k = difference - v - e
            if 0 <= k < len(growth):
                total += visible[v] * RING_DIFFERENCE_ERROR[abs(e)] * growth[k]
    total = max(total, SMALLEST)
    running = 0.0
    for v in range(n_visible):
        for e in range(-most, most + 1):
            k = difference - v - e
            if 0 <= k < len(growth):
                running += RING_DIFFERENCE_ERROR[abs(e)] * growth[k]
                growth_bar[k] += visible[v] * RING_DIFFERENCE_ERROR[abs(e)] / total
        if has_grass:
            grass_bar[v] += running / (v + 1.0) / total
    return total


@compiled
def height_class(
    seasons: int,
    waits: bool,
    grass: Floats,
    growth: Floats,
    further: Floats,
    grass_bar: Floats,
    growth_bar: Floats,
    further_bar: Floats,
) -> float:
    """Probability that a plant has passed one height and not yet the next after so many seasons:
    of its life where it waits in the grass stage first, else of its stem. Adds the derivative of
    its logarithm to the bars of the pmfs, grass (g,), growth and further (k,), those of the delays
    to the two heights.
    """
    n_waits = min(len(grass) - 1, seasons) + 1 if waits else 1
    passed = np.zeros(n_waits)  # of a plant that waited so long
    for g in range(n_waits):
        for k in range(min(len(growth) - 1, seasons - g) + 1):
            passed[g] += growth[k] - further[k]
    total = 0.0
    for g in range(n_waits):
        total += passed[g] * (grass[g] if waits else 1.0)
    total = max(total, SMALLEST)
    for g in range(n_waits):
        share = (grass[g] if waits else 1.0) / total
        if waits:
            grass_bar[g] += passed[g] / total
        for k in range(min(len(growth) - 1, seasons - g) + 1):
            growth_bar[k] += share
            further_bar[k] -= share
    return total


@compiled_loop
def log_sum(pmf: Floats, pmf_bar: Floats) -> float:
    """Log of the sum of probabilities; adds its derivative to pmf_bar, same shape."""
    total = 0.0
    for k in range(len(pmf)):
        total += pmf[k]
    total = max(total, SMALLEST)
    for k in range(len(pmf)):
        pmf_bar[k] += 1.0 / total
    return math.log(total)


@compiled_part
def shares_by_age_adjoint(
    grass: Floats,
    growth: Floats,
    has_grass: bool,
    share_bar: Floats,
    grass_bar: Floats,
    growth_bar: Floats,
) -> None:
    """Back from shares by age to the delays; running sums from the oldest age down."""
    n = share_bar.shape[1]
    last = n - 1
    longest_grass = len(grass) - 1
    longest_growth = len(growth) - 1
    past_bar = np.zeros(n)
    running = 0.0
    for a in range(last, 0, -1):
        running -= share_bar[EMERGING, a]
        past_bar[a] = running  # derivative with respect to the pmf of the delay to breast height
    past_bar[0] = running
    if has_grass:
        for g in range(min(longest_grass, last) + 1):
            for k in range(min(longest_growth, last - g) + 1):
                grass_bar[g] += past_bar[g + k] * growth[k]
                growth_bar[k] += past_bar[g + k] * grass[g]
        running = 0.0
        for a in range(
            min(longest_grass - 1, last), -1, -1
        ):  # P(G > a) = 1 - sum of the pmf up to a
            if a > 0:
                running -= share_bar[GRASS, a] - share_bar[EMERGING, a]
            grass_bar[a] += running
    else:
        for k in range(min(longest_growth, last) + 1):
            growth_bar[k] += past_bar[k]


@compiled_part
def shares_by_age(grass: Floats, growth: Floats, has_grass: bool, n: int) -> tuple[Floats, Floats]:
    """P(germinant), P(grass), P(emerging) by age, shape (3, age), and P(D_b <= a), shape (age,)."""
    last = n - 1
    longest_grass = len(grass) - 1
    longest_growth = len(growth) - 1
    share = np.zeros((3, n))
    past = np.zeros(n)
    if has_grass:
        for g in range(min(longest_grass, last) + 1):
            for k in range(min(longest_growth, last - g) + 1):
                past[g + k] += grass[g] * growth[k]
    else:
        for k in range(min(longest_growth, last) + 1):
            past[k] = growth[k]
    for a in range(1, n):
        past[a] += past[a - 1]
    share[GERMINANT, 0] = 1.0
    rest = 1.0
    for a in range(n):
        beyond = 0.0
        if has_grass:
            if a <= longest_grass:
                rest -= grass[a]
            beyond = max(rest, 0.0) if a < longest_grass else 0.0
        if a > 0:
            share[GRASS, a] = beyond
            share[EMERGING, a] = 1.0 - beyond - past[a]
    return share, past
