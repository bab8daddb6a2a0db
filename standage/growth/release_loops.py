"""The compiled loops of the release model: the chain that draws steps."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from standage.compiled import compiled

FARTHEST_SHIFT = 8  # that a step moves in one proposal of the chain [years]
FARTHEST_PAIR = 12  # between two steps that come and go together in one proposal [years]


class Regression(NamedTuple):
    """Log widths of a tree, regressed on level, trend and all possible steps; whitened by each phi
    of the grid.

    gram : (phi, column, column). cross : (phi, column). squares : (phi,) of the log widths.
    precision : (column,) of the prior. fixed : columns before those of the steps. length : years.
    """

    gram: np.ndarray
    cross: np.ndarray
    squares: np.ndarray
    precision: np.ndarray
    fixed: int
    length: int


class NoiseGrid(NamedTuple):
    """Values that phi and sigma may have, each equally likely. (phi,), (sigma,)"""

    phis: np.ndarray
    sigmas: np.ndarray


class StepPrior(NamedTuple):
    """log_odds : that a year holds a step. spacing : between two steps, at least. [years]"""

    log_odds: float
    spacing: int


class _Equations(NamedTuple):
    """Normal equations under one phi and sigma. variance : sigma squared."""

    gram: np.ndarray
    cross: np.ndarray
    precision: np.ndarray
    variance: float


class _Factor(NamedTuple):
    """Cholesky factor of a posterior precision, and the right side solved by it."""

    lower: np.ndarray
    scaled: np.ndarray


class _State(NamedTuple):
    """Where the chain is. on : (site,) whether it holds a step. chosen : columns of the model, the
    first of so many. now, proposed : factors. work : of one more column.
    """

    on: np.ndarray
    chosen: np.ndarray
    now: _Factor
    proposed: _Factor
    work: np.ndarray


@compiled
def _factorise(equations: _Equations, chosen: np.ndarray, count: int, factor: _Factor) -> float:
    """Fills the factor of the chosen columns' posterior precision; returns the part of the log
    marginal likelihood they change.
    """
    lower, scaled = factor.lower, factor.scaled
    total = 0.0
    for row in range(count):
        a = chosen[row]
        right = equations.cross[a] / equations.variance
        for column in range(row + 1):
            value = equations.gram[a, chosen[column]] / equations.variance
            if row == column:
                value += equations.precision[a]
            for inner in range(column):
                value -= lower[row, inner] * lower[column, inner]
            if row == column:
                lower[row, row] = np.sqrt(value)
            else:
                lower[row, column] = value / lower[column, column]
        for inner in range(row):
            right -= lower[row, inner] * scaled[inner]
        scaled[row] = right / lower[row, row]
        total += (
            0.5 * np.log(equations.precision[a]) - np.log(lower[row, row]) + 0.5 * scaled[row] ** 2
        )
    return total


@compiled
def _gain(equations: _Equations, state: _State, count: int, extra: int) -> float:
    """What one more column adds to the log marginal likelihood, from the factor of the others."""
    lower, scaled, work = state.now.lower, state.now.scaled, state.work
    diagonal = equations.gram[extra, extra] / equations.variance + equations.precision[extra]
    right = equations.cross[extra] / equations.variance
    for row in range(count):
        value = equations.gram[state.chosen[row], extra] / equations.variance
        for inner in range(row):
            value -= lower[row, inner] * work[inner]
        work[row] = value / lower[row, row]
        diagonal -= work[row] ** 2
        right -= work[row] * scaled[row]
    return (
        0.5 * np.log(equations.precision[extra])
        - 0.5 * np.log(diagonal)
        + 0.5 * right**2 / diagonal
    )


@compiled
def _free(on: np.ndarray, site: int, spacing: int, ignored: int) -> bool:
    """Whether a step may stand at a site: none nearer than the spacing, but for one that is about
    to move away.
    """
    for other in range(max(site - spacing + 1, 0), min(site + spacing, len(on))):  # noqa: SIM110 - a compiled loop
        if on[other] and other != ignored:
            return False
    return True


@compiled
def _listed(on: np.ndarray, fixed: int, chosen: np.ndarray) -> int:
    count = fixed
    for site in range(len(on)):
        if on[site]:
            chosen[count] = fixed + site
            count += 1
    return count


@compiled
def weighed_index(logs: np.ndarray, generator: np.random.Generator) -> int:
    """Index drawn with probabilities proportional to exp(logs)."""
    weights = np.exp(logs - logs.max())
    target = generator.random() * weights.sum()
    for index in range(len(weights)):
        target -= weights[index]
        if target <= 0:
            return index
    return len(weights) - 1


@compiled
def _flip_sites(
    equations: _Equations,
    fixed: int,
    prior: StepPrior,
    state: _State,
    generator: np.random.Generator,
) -> float:
    """Each site in turn: a step or none. Returns the log marginal likelihood of where that ends."""
    on, chosen = state.on, state.chosen
    count = _listed(on, fixed, chosen)
    value = _factorise(equations, chosen, count, state.now)
    for site in range(len(on)):
        if on[site]:
            on[site] = False
            count = _listed(on, fixed, chosen)
            without = _factorise(equations, chosen, count, state.now)
            if generator.random() < 1 / (1 + np.exp(without - value - prior.log_odds)):
                on[site] = True
                count = _listed(on, fixed, chosen)
                _factorise(equations, chosen, count, state.now)
            else:
                value = without
        elif _free(on, site, prior.spacing, -1):
            gain = _gain(equations, state, count, fixed + site)
            if generator.random() < 1 / (1 + np.exp(-gain - prior.log_odds)):
                on[site] = True
                count = _listed(on, fixed, chosen)
                value = _factorise(equations, chosen, count, state.now)
    return value


@compiled
def _shift_steps(
    equations: _Equations,
    fixed: int,
    prior: StepPrior,
    state: _State,
    value: float,
    generator: np.random.Generator,
) -> float:
    """Steps move by up to `FARTHEST_SHIFT` years. value: log marginal likelihood; returns the new
    one.
    """
    on = state.on
    for site in range(len(on)):
        if not on[site]:
            continue
        target = site + int(generator.integers(-FARTHEST_SHIFT, FARTHEST_SHIFT + 1))
        if (
            target < 0
            or target >= len(on)
            or target == site
            or not _free(on, target, prior.spacing, site)
        ):
            continue
        on[site], on[target] = False, True
        count = _listed(on, fixed, state.chosen)
        moved = _factorise(equations, state.chosen, count, state.proposed)
        if np.log(generator.random()) < moved - value:
            value = moved
        else:
            on[site], on[target] = True, False
    return value


@compiled
def _pair_steps(
    equations: _Equations,
    fixed: int,
    prior: StepPrior,
    state: _State,
    value: float,
    generator: np.random.Generator,
) -> None:
    """Two steps at once, such as a fall and the way back, come and go together."""
    on = state.on
    for _ in range(len(on) // 5):
        first = int(generator.integers(0, len(on)))
        second = first + int(generator.integers(prior.spacing, FARTHEST_PAIR + 1))
        if second >= len(on) or on[first] != on[second]:
            continue
        both = on[first]
        if not both and not (
            _free(on, first, prior.spacing, -1) and _free(on, second, prior.spacing, -1)
        ):
            continue
        on[first], on[second] = not both, not both
        count = _listed(on, fixed, state.chosen)
        changed = _factorise(equations, state.chosen, count, state.proposed)
        odds = -2 * prior.log_odds if both else 2 * prior.log_odds
        if np.log(generator.random()) < changed - value + odds:
            value = changed
        else:
            on[first], on[second] = both, both


@compiled
def _noise_drawn(
    regression: Regression,
    grid: NoiseGrid,
    state: _State,
    count: int,
    sigma: int,
    generator: np.random.Generator,
) -> tuple[int, int]:
    """Indices of phi and sigma on their grids, drawn in turn given the steps."""
    phis, sigmas, chosen = grid.phis, grid.sigmas, state.chosen
    by_phi, by_sigma = np.empty(len(phis)), np.empty(len(sigmas))
    variance = sigmas[sigma] ** 2
    for phi in range(len(phis)):
        by_phi[phi] = (
            _factorise(_equations(regression, phi, variance), chosen, count, state.proposed)
            - 0.5 * regression.squares[phi] / variance
            + 0.5 * np.log(1 - phis[phi] ** 2)
        )
    phi = weighed_index(by_phi, generator)
    for option in range(len(sigmas)):
        variance = sigmas[option] ** 2
        by_sigma[option] = (
            _factorise(_equations(regression, phi, variance), chosen, count, state.proposed)
            - 0.5 * regression.squares[phi] / variance
            - regression.length * np.log(sigmas[option])
        )
    return phi, weighed_index(by_sigma, generator)


@compiled
def _equations(regression: Regression, phi: int, variance: float) -> _Equations:
    return _Equations(regression.gram[phi], regression.cross[phi], regression.precision, variance)


@compiled
def _draw_sizes(
    equations: _Equations,
    fixed: int,
    state: _State,
    count: int,
    generator: np.random.Generator,
    sizes: np.ndarray,
) -> None:
    """Coefficients of the chosen columns drawn from their normal distribution, by back
    substitution; those of steps go into `sizes` (step,).
    """
    _factorise(equations, state.chosen, count, state.now)
    lower, work = state.now.lower, state.work
    for row in range(count - 1, -1, -1):
        right = state.now.scaled[row] + generator.standard_normal()
        for below in range(row + 1, count):
            right -= lower[below, row] * work[below]
        work[row] = right / lower[row, row]
    for row in range(fixed, count):
        sizes[state.chosen[row] - fixed] = work[row]


@compiled
def chain(
    regression: Regression,
    grid: NoiseGrid,
    prior: StepPrior,
    burn_in: int,
    generator: np.random.Generator,
    sizes: np.ndarray,
    noise: np.ndarray,
) -> None:
    """Draws which years hold a step, phi and sigma; fills `sizes` (draw, step) with drawn steps and
    `noise` (draw, 2) with indices on the grid.
    """
    fixed, sites = regression.fixed, sizes.shape[1]
    most = fixed + sites // prior.spacing + 2
    state = _State(
        np.zeros(sites, dtype=np.bool_),
        np.arange(most),
        _Factor(np.zeros((most, most)), np.zeros(most)),
        _Factor(np.zeros((most, most)), np.zeros(most)),
        np.zeros(most),
    )
    phi, sigma = len(grid.phis) // 2, len(grid.sigmas) // 2
    for sweep in range(burn_in + sizes.shape[0]):
        equations = _equations(regression, phi, grid.sigmas[sigma] ** 2)
        value = _flip_sites(equations, fixed, prior, state, generator)
        value = _shift_steps(equations, fixed, prior, state, value, generator)
        _pair_steps(equations, fixed, prior, state, value, generator)
        count = _listed(state.on, fixed, state.chosen)
        phi, sigma = _noise_drawn(regression, grid, state, count, sigma, generator)
        if sweep >= burn_in:
            draw = sweep - burn_in
            noise[draw, 0], noise[draw, 1] = phi, sigma
            equations = _equations(regression, phi, grid.sigmas[sigma] ** 2)
            _draw_sizes(equations, fixed, state, count, generator, sizes[draw])
