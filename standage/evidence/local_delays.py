"""The delays of stands and of their region from stems of known age alone, exact up to a grid.

The law, its priors and the likelihood are those of docs/the-model.md, sections 3 and 6. Four
numbers describe a stand: log median and log spread of the grass stage, log mean years to breast
height, log dispersion. The two spreads are the species', so given the region's four numbers stands
know nothing of each other: sums over a grid, one stand at a time, give every marginal.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from standage.evidence.arrays import Floats
from standage.evidence.delays import (
    COMMON_LOADING,
    HEIGHT_CLASS_CM,
    LEAST_TOTAL,
    RING_DIFFERENCE_ERROR,
    Pace,
    SpeciesDelays,
    dispersion_at_pace,
    grass_stage_pmf,
    height_growth_pmf,
    height_share,
    species_delays,
)
from standage.evidence.known_age import (
    AT_MOST,
    EXACTLY,
    HEIGHT_OF_AGE,
    HEIGHT_OF_STEM,
    LONGER,
    RING_DIFFERENCE,
    KnownAge,
)
from standage.profiles import Profile

REGION = ""  # name of the region among its stands
Axes = tuple[Floats, ...]

REACH = 4.5  # of the first grid on either side [prior standard deviations]
COARSE = (31, 9, 25, 9)  # points of the grids that find where the mass is
FINE = (61, 13, 41, 13)
MOST_NARROWED = 8  # coarse grids at most
MUCH = 0.75  # a grid whose mass lies within this share of it is made narrower
NEGLIGIBLE = 1e-7  # of the largest probability along an axis: what a narrower grid leaves out
BEYOND = 2  # points that it takes in beyond that
SHARED_NODES = 9  # of the quadrature over what both delays of a stand have in common


@dataclass(frozen=True)
class Belief:
    """What is believed of the four numbers of a stand, or of the region's middle stand.

    axes : log median, log spread, log years, log dispersion at the profile's pace; each (point,),
        evenly spaced.
    probability : of each cell, sum 1. (median, spread, years, dispersion)
    """

    axes: Axes
    probability: Floats

    def marginal(self, axis: int) -> Floats:
        """Probability along one axis. (point,)"""
        return self.probability.sum(axis=tuple(other for other in range(4) if other != axis))

    def moments(self, axis: int) -> tuple[float, float]:
        """Mean and standard deviation along one axis. [log units]"""
        weight, points = self.marginal(axis), self.axes[axis]
        mean = float(weight @ points)
        return mean, float(np.sqrt(weight @ (points - mean) ** 2))

    def drawn(self, draws: int, generator: np.random.Generator) -> Floats:
        """Drawn median, spread, years, and dispersion at the profile's pace, spread evenly over
        their cells. (draw, 4)
        """
        running = np.cumsum(self.probability.ravel())
        cells = np.searchsorted(running, generator.uniform(0.0, running[-1], draws))
        cells = np.minimum(cells, self.probability.size - 1)
        places = np.unravel_index(cells, self.probability.shape)
        columns = []
        for points, place in zip(self.axes, places, strict=True):
            width = points[1] - points[0] if len(points) > 1 else 0.0
            columns.append(points[place] + width * generator.uniform(-0.5, 0.5, draws))
        return np.exp(np.column_stack(columns))


@dataclass(frozen=True)
class LocalDelays:
    """Delays given the stems of known age.

    middle : the stand in the middle of the region. another : a stand of the region without stems of
    known age. stands : each stand that has some. before : any stand, before the survey.
    """

    middle: Belief
    another: Belief
    stands: Mapping[str, Belief]
    before: Belief


def local_delays(known: Mapping[str, KnownAge], profile: Profile) -> LocalDelays:
    """Delays of each stand in `known` and of their region. known: by stand, at least a row each."""
    law = species_delays(profile)
    axes = dict.fromkeys((REGION, *known), _first_axes(law, COARSE))
    for _ in range(MOST_NARROWED):
        ends = _ends(_beliefs(known, profile, law, axes))
        enough = not any(_much_narrower(axes[name], ends[name]) for name in axes)
        axes = {name: _evenly(each, FINE if enough else COARSE) for name, each in ends.items()}
        if enough:
            break
    found = _beliefs(known, profile, law, axes)
    middle = found.pop(REGION)
    wide = _first_axes(law, FINE)
    before = Belief(wide, _prior(law, wide))
    return LocalDelays(
        middle,
        _another_stand(middle, wide, law),
        found,
        _another_stand(before, wide, law),
    )


def _reach(pace: Pace) -> float:
    return math.hypot(pace.species_log_sd, pace.stand_log_sd)


def _first_axes(law: SpeciesDelays, points: tuple[int, ...]) -> Axes:
    middles = [
        (law.grass_median.log_years, _reach(law.grass_median)),
        (law.log_grass_spread, law.grass_spread_log_sd),
        (law.to_breast_height.log_years, _reach(law.to_breast_height)),
        (law.log_dispersion, law.dispersion_log_sd),
    ]
    axes = []
    for axis, ((middle, sd), count) in enumerate(zip(middles, points, strict=True)):
        if axis < 2 and not law.has_grass_stage:
            axes.append(np.zeros(1))
        else:
            axes.append(np.linspace(middle - REACH * sd, middle + REACH * sd, count))
    return tuple(axes)


def _ends(beliefs: Mapping[str, Belief]) -> dict[str, list[tuple[float, float]]]:
    """Where each belief has mass, along each axis; the spreads are the species', so alike."""
    return {
        name: [_end(belief.axes[axis], belief.marginal(axis)) for axis in range(len(belief.axes))]
        for name, belief in beliefs.items()
    }


def _end(points: Floats, share: Floats) -> tuple[float, float]:
    held = np.flatnonzero(share > NEGLIGIBLE * share.max())
    low, high = max(held[0] - BEYOND, 0), min(held[-1] + BEYOND, len(points) - 1)
    return float(points[low]), float(points[high])


def _much_narrower(axes: Axes, ends: list[tuple[float, float]]) -> bool:
    return any(
        high - low < MUCH * (points[-1] - points[0])
        for (low, high), points in zip(ends, axes, strict=True)
    )


def _evenly(ends: list[tuple[float, float]], counts: tuple[int, ...]) -> Axes:
    return tuple(
        np.linspace(low, high, count if high > low else 1)
        for (low, high), count in zip(ends, counts, strict=True)
    )


def _beliefs(
    known: Mapping[str, KnownAge], profile: Profile, law: SpeciesDelays, axes: Mapping[str, Axes]
) -> dict[str, Belief]:
    """Sums over grids: likelihoods of stands carried to the region, and back to each stand.

    axes: of `REGION` and of each stand; those of the two spreads are the region's.
    """
    region = axes[REGION]
    own = {stand: (axes[stand][0], region[1], axes[stand][2], region[3]) for stand in known}
    likelihoods = {
        stand: _likelihood(rows, profile, law, own[stand]) for stand, rows in known.items()
    }
    upward = {
        stand: _to_region(likelihood, law, own[stand], region)
        for stand, likelihood in likelihoods.items()
    }
    prior = _prior(law, region)
    beliefs = {REGION: Belief(region, _normal(prior * _product(upward.values(), prior.shape)))}
    for stand, likelihood in likelihoods.items():
        others = [each for name, each in upward.items() if name != stand]
        rest = prior * _product(others, prior.shape)
        beliefs[stand] = Belief(
            own[stand], _normal(likelihood * _to_stand(rest, law, region, own[stand]))
        )
    return beliefs


def _product(arrays: Iterable[Floats], shape: tuple[int, ...]) -> Floats:
    total = np.ones(shape)
    for each in arrays:
        total *= each / max(each.max(), LEAST_TOTAL)
    return total


def _normal(weights: Floats) -> Floats:
    return weights / weights.sum()


def _prior(law: SpeciesDelays, axes: Axes) -> Floats:
    """Of the region's four numbers, up to a factor; the shape of the grid."""
    parts = [
        (law.grass_median.log_years, law.grass_median.species_log_sd),
        (law.log_grass_spread, law.grass_spread_log_sd),
        (law.to_breast_height.log_years, law.to_breast_height.species_log_sd),
        (law.log_dispersion, law.dispersion_log_sd),
    ]
    grid = np.ones(())
    for points, (centre, sd) in zip(axes, parts, strict=True):
        one = np.ones(1) if len(points) == 1 else _cells(points, np.array([centre]), sd)[0]
        grid = np.multiply.outer(grid, one)
    return _normal(grid)


def _likelihood(rows: KnownAge, profile: Profile, law: SpeciesDelays, axes: Axes) -> Floats:
    """Of a stand's stems of known age, the largest 1; the shape of the grid."""
    median, spread, years = (np.exp(points) for points in axes[:3])
    dispersion = dispersion_at_pace(law, axes[3], axes[2][:, None])  # (years, dispersion)
    shape = tuple(len(points) for points in axes)
    if law.has_grass_stage:
        grass = grass_stage_pmf(median[:, None], spread[None, :], law.longest_grass)
    else:
        grass = np.ones((1, 1, 1))
    log_likelihood = _log_grass(rows, grass)[:, :, None, None] * np.ones(shape)
    shown = np.arange(grass.shape[-1]) + 1.0
    # seasons of the grass stage that show as rings at the ground: any number of them alike
    visible = np.cumsum((grass / shown)[..., ::-1], axis=-1)[..., ::-1]
    upper = rows.kind == RING_DIFFERENCE
    pairs = np.column_stack([rows.height_cm[upper], rows.seasons[upper]])
    different, often = np.unique(pairs, axis=0, return_counts=True)
    for (height, seasons), number in zip(different, often, strict=True):
        mean = years[:, None] * height_share(profile, height)
        growth = height_growth_pmf(mean, dispersion, law.longest_growth)
        rest = _with_error(growth, int(seasons), visible.shape[-1])
        chance = np.tensordot(visible, rest, axes=([-1], [-1]))
        log_likelihood += number * np.log(np.maximum(chance, LEAST_TOTAL))
    tall = np.isin(rows.kind, (HEIGHT_OF_AGE, HEIGHT_OF_STEM))
    classes = np.column_stack([rows.kind[tall], rows.height_cm[tall], rows.seasons[tall]])
    different, often = np.unique(classes, axis=0, return_counts=True)
    for (kind, height, seasons), number in zip(different, often, strict=True):
        waits = grass if kind == HEIGHT_OF_AGE else np.ones((1, 1, 1))
        passed = [
            np.cumsum(
                height_growth_pmf(
                    years[:, None] * height_share(profile, each),
                    dispersion,
                    law.longest_growth,
                ),
                axis=-1,
            )
            for each in (height, height + HEIGHT_CLASS_CM)
        ]
        waited = np.arange(min(int(seasons), waits.shape[-1] - 1) + 1)
        grown = np.minimum(int(seasons) - waited, law.longest_growth)
        between = (passed[0] - passed[1])[..., grown]
        chance = np.tensordot(waits[..., waited], between, axes=([-1], [-1]))
        log_likelihood += number * np.log(np.maximum(chance, LEAST_TOTAL))
    return np.exp(log_likelihood - log_likelihood.max())


def _log_grass(rows: KnownAge, grass: Floats) -> Floats:
    """Log likelihood of the rows about the grass stage. (median, spread)"""
    longest = grass.shape[-1] - 1
    total = np.zeros(grass.shape[:2])
    chances: dict[int, Callable[[int], Floats]] = {
        EXACTLY: lambda g: grass[..., g] if g <= longest else np.zeros(grass.shape[:2]),
        LONGER: lambda g: grass[..., g + 1 :].sum(axis=-1),
        AT_MOST: lambda g: grass[..., : g + 1].sum(axis=-1),
    }
    for kind, chance in chances.items():
        seasons, often = np.unique(rows.seasons[rows.kind == kind], return_counts=True)
        for value, number in zip(seasons, often, strict=True):
            total += number * np.log(np.maximum(chance(int(value)), LEAST_TOTAL))
    return total


def _with_error(growth: Floats, difference: int, visible: int) -> Floats:
    """Chance of the seasons of growth and counting errors that `difference` leaves beside each
    number of visible seasons of the grass stage. (years, dispersion, visible)
    """
    rest = np.zeros((*growth.shape[:2], visible))
    most = len(RING_DIFFERENCE_ERROR) - 1
    for seen in range(visible):
        for error in range(-most, most + 1):
            grown = difference - seen - error
            if 0 <= grown < growth.shape[-1]:
                rest[..., seen] += RING_DIFFERENCE_ERROR[abs(error)] * growth[..., grown]
    return rest


def _cells(points: Floats, centres: Floats, sd: float) -> Floats:
    """Normal probability of each cell of an axis about each centre. (centre, point)"""
    half = 0.5 * (points[1] - points[0])
    edges = np.append(points - half, points[-1] + half)
    return np.diff(ndtr((edges - centres[:, None]) / sd), axis=1)


def _between(pace: Pace, shared: float, region: Floats, points: Floats) -> Floats:
    """Chance of a stand's value given the region's and what its delays share. (region, point)"""
    if len(region) == 1:
        return np.ones((1, 1))
    sd = pace.stand_log_sd * COMMON_LOADING
    return _cells(points, region + sd * shared, sd)


def _to_region(likelihood: Floats, law: SpeciesDelays, stand: Axes, region: Axes) -> Floats:
    """A function of a stand's numbers averaged over the stands of each region."""
    total = np.zeros(tuple(map(len, region)))
    for shared, share in _shared_nodes():
        medians = _between(law.grass_median, shared, region[0], stand[0])
        years = _between(law.to_breast_height, shared, region[2], stand[2])
        total += share * np.matmul(years, np.tensordot(medians, likelihood, axes=(1, 0)))
    return total


def _to_stand(chance: Floats, law: SpeciesDelays, region: Axes, stand: Axes) -> Floats:
    """Chance of a stand's numbers, given that of its region's."""
    total = np.zeros((len(stand[0]), len(region[1]), len(stand[2]), len(region[3])))
    for shared, share in _shared_nodes():
        medians = _between(law.grass_median, shared, region[0], stand[0])
        years = _between(law.to_breast_height, shared, region[2], stand[2])
        total += share * np.matmul(years.T, np.tensordot(medians.T, chance, axes=(1, 0)))
    return total


def _shared_nodes() -> list[tuple[float, float]]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(SHARED_NODES)
    return list(zip(nodes.tolist(), (weights / weights.sum()).tolist(), strict=True))


def _another_stand(middle: Belief, wide: Axes, law: SpeciesDelays) -> Belief:
    """What is believed of a stand without evidence of its own; paces on the axes of `wide`."""
    axes = (wide[0], middle.axes[1], wide[2], middle.axes[3])
    return Belief(axes, _normal(_to_stand(middle.probability, law, middle.axes, axes)))
