"""Plants counted by stage, judged ages and sections: their log likelihood and its derivatives
(docs/the-model.md, section 6).
"""

from __future__ import annotations

import math

import numpy as np

from standage.compiled import compiled
from standage.evidence.height import RING_DIFFERENCE_ERROR
from standage.stand.kernel.pieces import add_scaled, digamma, inner
from standage.stand.kernel.trees import SMALLEST

# the stage that is counted by size; germinant, grass and emerging (0, 1, 2) are told by age
SAPLING = 3


@compiled
def stages_at_survey(
    x,
    gradient,
    i_count,
    i_stage,
    stage_scale,
    count_rows,
    count_values,
    section_rows,
    has_grass,
    living,
    arrival_at_breast,
    cdf,
    share,
    grass,
    growth_pmf,
    living_bar,
    arrival_bar_at_breast,
    cdf_bar,
    share_bar,
    grass_bar,
    growth_pmf_bar,
):
    """Log likelihood of counts and sections; adds to `gradient` and to the `bar` arrays.

    count_rows (row, 4): stage, class edge below which a sapling is, first and last judged age (-1:
    none). count_values (row, 2): area [ha], plants. section_rows (row, 3): what it tells, its
    value, the height it is at. share (3, age): P(germinant), P(grass), P(emerging). grass,
    growth_pmf (height, seasons): delays.
    """
    n = len(living)
    last = n - 1
    longest_grass = len(grass) - 1
    density_of_stage = np.full(3, -1.0)
    density_of_sapling = np.full(cdf.shape[0], -1.0)
    stage_density_bar = np.zeros(3)
    sapling_density_bar = np.zeros(cdf.shape[0])
    phi = math.exp(0.8 * x[i_count])
    phi_bar = 0.0
    logp = 0.0
    for j in range(len(count_values)):
        stage = count_rows[j, 0]
        below = count_rows[j, 1]
        area = count_values[j, 0]
        value = count_values[j, 1]
        if stage == SAPLING:
            if density_of_sapling[below] < 0.0:
                density_of_sapling[below] = max(inner(arrival_at_breast, cdf[below]), SMALLEST)
            density = density_of_sapling[below]
        else:
            if density_of_stage[stage] < 0.0:
                total = 0.0
                for a in range(n):
                    total += living[last - a] * share[stage, a]
                density_of_stage[stage] = max(total, SMALLEST)
            density = density_of_stage[stage]
        mean = area * density * math.exp(stage_scale * x[i_stage + stage])
        logp += math.lgamma(value + phi) - math.lgamma(phi) - math.lgamma(value + 1.0)
        logp += phi * (math.log(phi) - math.log(phi + mean))
        if value > 0:
            logp += value * (math.log(mean) - math.log(phi + mean))
        phi_bar += (
            digamma(value + phi)
            - digamma(phi)
            + math.log(phi)
            + 1.0
            - math.log(phi + mean)
            - (phi + value) / (phi + mean)
        )
        mean_times_bar = value - (phi + value) * mean / (phi + mean)
        gradient[i_stage + stage] += stage_scale * mean_times_bar
        density_bar = mean_times_bar / density
        youngest = max(count_rows[j, 2], 0)
        oldest = min(count_rows[j, 3], last)
        if count_rows[j, 3] >= 0 and value > 0 and stage != SAPLING:
            inside = 0.0
            for a in range(youngest, oldest + 1):
                inside += living[last - a] * share[stage, a]
            logp += value * (math.log(max(inside, SMALLEST)) - math.log(density))
            density_bar -= value / density
            if inside > SMALLEST:
                for a in range(youngest, oldest + 1):
                    living_bar[last - a] += value / inside * share[stage, a]
                    share_bar[stage, a] += value / inside * living[last - a]
        if stage == SAPLING:
            sapling_density_bar[below] += density_bar
        else:
            stage_density_bar[stage] += density_bar
    gradient[i_count] += 0.8 * phi * phi_bar

    for below in range(cdf.shape[0]):
        if density_of_sapling[below] >= 0.0:
            add_scaled(arrival_bar_at_breast, sapling_density_bar[below], cdf[below])
            add_scaled(cdf_bar[below], sapling_density_bar[below], arrival_at_breast)
    for stage in range(3):
        if density_of_stage[stage] >= 0.0:
            for a in range(n):
                living_bar[last - a] += stage_density_bar[stage] * share[stage, a]
                share_bar[stage, a] += stage_density_bar[stage] * living[last - a]

    for j in range(len(section_rows)):
        kind = section_rows[j, 0]
        value = section_rows[j, 1]
        total = 0.0
        if kind == 3:
            h = section_rows[j, 2]
            total = ring_difference(
                value, has_grass, grass, growth_pmf[h], grass_bar, growth_pmf_bar[h]
            )
        elif has_grass:
            for g in range(longest_grass + 1):
                if (
                    (kind == 0 and g == value)
                    or (kind == 1 and g > value)
                    or (kind == 2 and g <= value)
                ):
                    total += grass[g]
            total = max(total, SMALLEST)
            for g in range(longest_grass + 1):
                if (
                    (kind == 0 and g == value)
                    or (kind == 1 and g > value)
                    or (kind == 2 and g <= value)
                ):
                    grass_bar[g] += 1.0 / total
        else:
            total = 1.0
        logp += math.log(total)
    return logp


@compiled
def ring_difference(difference, has_grass, grass, growth, grass_bar, growth_bar):
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
def shares_by_age_adjoint(grass, growth_pmf, has_grass, share_bar, grass_bar, growth_pmf_bar):
    """Back from shares by age to the delays; running sums from the oldest age down."""
    n = share_bar.shape[1]
    last = n - 1
    longest_grass = len(grass) - 1
    longest_height = len(growth_pmf) - 1
    past_bar = np.zeros(n)
    running = 0.0
    for a in range(last, 0, -1):
        running -= share_bar[2, a]
        past_bar[a] = running  # derivative with respect to the pmf of the delay to breast height
    past_bar[0] = running
    if has_grass:
        for g in range(min(longest_grass, last) + 1):
            for k in range(min(longest_height, last - g) + 1):
                grass_bar[g] += past_bar[g + k] * growth_pmf[k]
                growth_pmf_bar[k] += past_bar[g + k] * grass[g]
        running = 0.0
        for a in range(
            min(longest_grass - 1, last), -1, -1
        ):  # P(G > a) = 1 - sum of the pmf up to a
            if a > 0:
                running -= share_bar[1, a] - share_bar[2, a]
            grass_bar[a] += running
    else:
        for k in range(min(longest_height, last) + 1):
            growth_pmf_bar[k] += past_bar[k]


@compiled
def shares_by_age(grass, growth_pmf, has_grass, n):
    """P(germinant), P(grass), P(emerging) by age, shape (3, age), and P(D_b <= a), shape (age,)."""
    last = n - 1
    longest_grass = len(grass) - 1
    longest_height = len(growth_pmf) - 1
    share = np.zeros((3, n))
    past = np.zeros(n)
    if has_grass:
        for g in range(min(longest_grass, last) + 1):
            for k in range(min(longest_height, last - g) + 1):
                past[g + k] += grass[g] * growth_pmf[k]
    else:
        for k in range(min(longest_height, last) + 1):
            past[k] = growth_pmf[k]
    for a in range(1, n):
        past[a] += past[a - 1]
    share[0, 0] = 1.0
    rest = 1.0
    for a in range(n):
        beyond = 0.0
        if has_grass:
            if a <= longest_grass:
                rest -= grass[a]
            beyond = max(rest, 0.0) if a < longest_grass else 0.0
        if a > 0:
            share[1, a] = beyond
            share[2, a] = 1.0 - beyond - past[a]
    return share, past
