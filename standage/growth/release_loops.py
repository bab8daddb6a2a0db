"""The compiled loops of the release model: the chain that draws steps, and which of the drawn steps
are releases or suppressions.
"""

from __future__ import annotations

import numpy as np

from standage.compiled import compiled

LEAST_SPACING = 3  # between two steps of a tree [years]
WINDOW = 10  # a release is compared with so many years before and holds for so many after [years]
SETTLING = 3  # of the years after it, those in which a tree may still be opening its crown [years]
# rings needed on either side of a change, so that the ends of a series show none [rings]
LEAST_SIDE = 5
SUPPRESSION_BEFORE = 5  # a suppression is compared with so many years before [years]


@compiled
def classify(sizes, places, least, released, suppressed, change):
    """A release: a rise after which, once settled, every year of the window lies above every year
    of the window before.

    A recovery therefore is none: the years before a suppression are among those it is compared
    with. A rise in several steps is dated by the first that is half of what is asked. A
    suppression: all of its first `LEAST_SPACING` years below all of the years before.
    """
    length = released.shape[1]
    level = np.empty(length)
    for draw in range(sizes.shape[0]):
        level[:] = 0.0
        for step in range(len(places)):
            if sizes[draw, step] != 0.0:
                level[places[step] :] += sizes[draw, step]
        last = -WINDOW
        for step in range(len(places)):
            size = sizes[draw, step]
            place = places[step]
            if size == 0.0 or place < LEAST_SIDE or length - place < LEAST_SIDE:
                continue
            if size >= least / 2 and place - last >= LEAST_SIDE:
                highest = level[max(place - WINDOW, 0) : place].max()
                lowest = level[
                    min(place + SETTLING, length - 1) : min(place + WINDOW, length)
                ].min()
                if lowest - highest >= least and level[place] > highest:
                    released[draw, place] = True
                    change[draw, place] = lowest - highest
                    last = place
            elif size <= -least / 2:
                lowest = level[max(place - SUPPRESSION_BEFORE, 0) : place].min()
                highest = level[place : min(place + LEAST_SPACING, length)].max()
                if lowest - highest >= least:
                    suppressed[draw, place] = True
                    change[draw, place] = highest - lowest


@compiled
def _factor(gram, cross, chosen, count, variance, precision, lower, scaled):
    """Cholesky factor of the chosen columns' posterior precision; returns the part of the log
    marginal likelihood they change.
    """
    total = 0.0
    for row in range(count):
        a = chosen[row]
        right = cross[a] / variance
        for column in range(row + 1):
            value = gram[a, chosen[column]] / variance
            if row == column:
                value += precision[a]
            for inner in range(column):
                value -= lower[row, inner] * lower[column, inner]
            if row == column:
                lower[row, row] = np.sqrt(value)
            else:
                lower[row, column] = value / lower[column, column]
        for inner in range(row):
            right -= lower[row, inner] * scaled[inner]
        scaled[row] = right / lower[row, row]
        total += 0.5 * np.log(precision[a]) - np.log(lower[row, row]) + 0.5 * scaled[row] ** 2
    return total


@compiled
def _gain(gram, cross, chosen, count, variance, precision, lower, scaled, extra, work):
    """What one more column adds to the log marginal likelihood, from the factor of the others."""
    diagonal = gram[extra, extra] / variance + precision[extra]
    right = cross[extra] / variance
    for row in range(count):
        value = gram[chosen[row], extra] / variance
        for inner in range(row):
            value -= lower[row, inner] * work[inner]
        work[row] = value / lower[row, row]
        diagonal -= work[row] ** 2
        right -= work[row] * scaled[row]
    return 0.5 * np.log(precision[extra]) - 0.5 * np.log(diagonal) + 0.5 * right**2 / diagonal


@compiled
def _free(on, site, spacing, ignored):
    """Whether a step may stand at a site: none nearer than the spacing, but for one that is about
    to move away.
    """
    for other in range(max(site - spacing + 1, 0), min(site + spacing, len(on))):  # noqa: SIM110 - a compiled loop
        if on[other] and other != ignored:
            return False
    return True


@compiled
def _listed(on, fixed, chosen):
    count = fixed
    for site in range(len(on)):
        if on[site]:
            chosen[count] = fixed + site
            count += 1
    return count


@compiled
def weighed_place(logs):
    """Place drawn with probabilities proportional to exp(logs)."""
    weights = np.exp(logs - logs.max())
    target = np.random.random() * weights.sum()
    for place in range(len(weights)):
        target -= weights[place]
        if target <= 0:
            return place
    return len(weights) - 1


@compiled
def chain(
    gram,
    cross,
    squares,
    length,
    precision,
    phis,
    sigmas,
    log_odds,
    spacing,
    burn_in,
    seed,
    sizes,
    noise,
):
    """Draws which years hold a step, phi and sigma; fills `sizes` (draw, step) with drawn steps and
    `noise` (draw, 2) with grid places.
    """
    np.random.seed(seed)
    fixed = gram.shape[1] - sizes.shape[1]
    sites = sizes.shape[1]
    most = fixed + sites // spacing + 2
    chosen = np.arange(most)
    lower, trial = np.zeros((most, most)), np.zeros((most, most))
    scaled, other, work = np.zeros(most), np.zeros(most), np.zeros(most)
    on = np.zeros(sites, dtype=np.bool_)
    phi, sigma = len(phis) // 2, len(sigmas) // 2
    by_phi, by_sigma = np.empty(len(phis)), np.empty(len(sigmas))
    for sweep in range(burn_in + sizes.shape[0]):
        g, c, variance = gram[phi], cross[phi], sigmas[sigma] ** 2
        count = _listed(on, fixed, chosen)
        value = _factor(g, c, chosen, count, variance, precision, lower, scaled)
        for site in range(sites):  # each site in turn: step or none
            if on[site]:
                on[site] = False
                count = _listed(on, fixed, chosen)
                without = _factor(g, c, chosen, count, variance, precision, lower, scaled)
                if np.random.random() < 1 / (1 + np.exp(without - value - log_odds)):
                    on[site] = True
                    count = _listed(on, fixed, chosen)
                    _factor(g, c, chosen, count, variance, precision, lower, scaled)
                else:
                    value = without
            elif _free(on, site, spacing, -1):
                gain = _gain(
                    g, c, chosen, count, variance, precision, lower, scaled, fixed + site, work
                )
                if np.random.random() < 1 / (1 + np.exp(-gain - log_odds)):
                    on[site] = True
                    count = _listed(on, fixed, chosen)
                    value = _factor(g, c, chosen, count, variance, precision, lower, scaled)
        for site in range(sites):  # steps shift by up to 8 years
            if not on[site]:
                continue
            target = site + np.random.randint(-8, 9)
            if (
                target < 0
                or target >= sites
                or target == site
                or not _free(on, target, spacing, site)
            ):
                continue
            on[site], on[target] = False, True
            count = _listed(on, fixed, chosen)
            moved = _factor(g, c, chosen, count, variance, precision, trial, other)
            if np.log(np.random.random()) < moved - value:
                value = moved
            else:
                on[site], on[target] = True, False
        for _ in range(
            sites // 5
        ):  # two steps at once, such as a fall and the way back: come and go together
            first = np.random.randint(0, sites)
            second = first + np.random.randint(spacing, 13)
            if second >= sites or on[first] != on[second]:
                continue
            both = on[first]
            if not both and not (_free(on, first, spacing, -1) and _free(on, second, spacing, -1)):
                continue
            on[first], on[second] = not both, not both
            count = _listed(on, fixed, chosen)
            changed = _factor(g, c, chosen, count, variance, precision, trial, other)
            if np.log(np.random.random()) < changed - value + (
                -2 * log_odds if both else 2 * log_odds
            ):
                value = changed
            else:
                on[first], on[second] = both, both
        count = _listed(on, fixed, chosen)
        for place in range(len(phis)):
            by_phi[place] = (
                _factor(gram[place], cross[place], chosen, count, variance, precision, trial, other)
                - 0.5 * squares[place] / variance
                + 0.5 * np.log(1 - phis[place] ** 2)
            )
        phi = weighed_place(by_phi)
        for place in range(len(sigmas)):
            v = sigmas[place] ** 2
            by_sigma[place] = (
                _factor(gram[phi], cross[phi], chosen, count, v, precision, trial, other)
                - 0.5 * squares[phi] / v
                - length * np.log(sigmas[place])
            )
        sigma = weighed_place(by_sigma)
        if sweep >= burn_in:
            draw = sweep - burn_in
            noise[draw, 0], noise[draw, 1] = phi, sigma
            _factor(
                gram[phi], cross[phi], chosen, count, sigmas[sigma] ** 2, precision, lower, scaled
            )
            for row in range(
                count - 1, -1, -1
            ):  # coefficients from their normal distribution, by back substitution
                right = scaled[row] + np.random.normal()
                for below in range(row + 1, count):
                    right -= lower[below, row] * work[below]
                work[row] = right / lower[row, row]
            for row in range(fixed, count):
                sizes[draw, chosen[row] - fixed] = work[row]
