"""Releases by a model: log ring width as an age trend, lasting steps of the level, and noise
that remembers last year (docs/disturbance.md, section 3). Every number fixed here is an assumption.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from standage.growth.classified_steps import LEAST_SPACING, WINDOW, classify
from standage.growth.release_loops import NoiseGrid, Regression, StepPrior, chain

STEP_RATE = 0.02  # prior probability that a year begins a new level: once in 50 years a tree
STEP_SD = 0.6  # of a step of log width: two in three between a fall to 55 % and a rise to 182 %
LEVEL_SD = 1.5  # of log width round the series' mean
TREND_SD = (0.5, 1.0, 0.7)  # of the coefficients on log(age/20), age/100 and exp(-age/10)
# half the length of the shortest wave of the slow trend: slower change is trend, not a step [years]
WAVE_YEARS = 40
WAVE_SD = 0.15  # of the coefficient of each wave
PHIS = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.88, 0.94])  # equally likely
SIGMAS = np.exp(np.linspace(np.log(0.05), np.log(0.9), 24))  # equally likely
LEAST_CHANGE = 0.25  # rise of growth that is a release: Nowacki & Abrams 1997
# of the mean curve of a stand's trees, where an opening is looked for in it, and the lasting rise
# from which it counts: not all trees answer, and the noise of single trees is out (assumptions)
COMMON_STEP_SD = 0.3
LEAST_COMMON_RISE = 0.10
SHORTEST_SERIES = 20  # rings below which nothing lasting can be told from noise
# single rings are pulled in to so many robust standard deviations from their neighbours
FARTHEST_OUTLIER = 3.0

DRAWS, BURN_IN = 400, 150  # of the chain of one tree [sweeps]


@dataclass(frozen=True)
class TreeChanges:
    """What the model says of one tree; arrays run over the years of its series.

    released, suppressed : (draw, year) whether a release, or a suppression, began with the ring of
        that year.
    change : (draw, year) log of growth after over growth before, of a release or a suppression; 0
        elsewhere.
    """

    released: np.ndarray
    suppressed: np.ndarray
    change: np.ndarray


def log_widths(widths: np.ndarray) -> np.ndarray:
    """Log of the widths of one series: absent rings at half its narrowest ring, single outliers
    pulled in. (year,) [log mm]

    Raises ValueError for a series without any ring that grew.
    """
    widths = np.asarray(widths, dtype=float)
    grown = widths[widths > 0]
    if not len(grown):
        raise ValueError("a series of nothing but absent rings has no growth to compare")
    return pulled_in(np.log(np.where(widths > 0, widths, grown.min() / 2)))


def pulled_in(logs: np.ndarray) -> np.ndarray:
    """Single outliers brought to `FARTHEST_OUTLIER` robust standard deviations from the median of
    the five years round them. (year,)
    """
    middle = running_median(logs, 5)
    away = logs - middle
    spread = 1.4826 * np.median(
        np.abs(away)
    )  # of a normal sample the median distance is its standard deviation over 1.4826
    reach = FARTHEST_OUTLIER * max(spread, 0.02)
    return middle + np.clip(away, -reach, reach)


def running_median(values: np.ndarray, length: int) -> np.ndarray:
    """Median of the values within `length // 2` places, fewer at the ends alike on both sides: a
    lasting step stays a step.
    """
    half = length // 2
    result = np.empty(len(values))
    for place in range(len(values)):
        reach = min(half, place, len(values) - 1 - place)
        result[place] = np.median(values[place - reach : place + reach + 1])
    return result


def changes_of_trees(
    series: list[np.ndarray],
    generator: np.random.Generator,
    *,
    draws: int = DRAWS,
    threads: int = 2,
) -> list[TreeChanges]:
    """The model fitted to each tree by itself.

    Parameters
    ----------
    series : log widths by year, one (year,) array a tree, without gaps; at least `SHORTEST_SERIES`
        years each.
    generator : each tree gets one of its own from it, by its place in the list, so that results
        don't depend on `threads`.

    Raises
    ------
    ValueError for a series that is too short or has gaps.
    """
    for each in series:
        _check_series(each)

    def one(logs: np.ndarray, own: np.random.Generator) -> TreeChanges:
        sizes, places = _drawn_steps(logs, own, draws)
        return TreeChanges(*classified(sizes, places, len(logs), float(np.log1p(LEAST_CHANGE))))

    with ThreadPoolExecutor(max(threads, 1)) as pool:
        return list(pool.map(one, series, generator.spawn(len(series))))


def mean_steps(logs: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """Mean over the draws of the level that lasting steps have brought a series to, each year.
    (year,) [log width]

    Raises ValueError for a series that is too short or has gaps.
    """
    _check_series(logs)
    sizes, places = _drawn_steps(logs, generator)
    steps = np.zeros(len(logs))
    steps[places] = sizes.mean(axis=0)
    return np.cumsum(steps)


def common_rises(logs: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """Probability that a lasting rise of the mean curve of many trees began with the ring of each
    year. (year,)

    Raises ValueError for a series that is too short or has gaps.
    """
    _check_series(logs)
    sizes, places = _drawn_steps(logs, generator, step_sd=COMMON_STEP_SD)
    released, _, _ = classified(sizes, places, len(logs), float(np.log1p(LEAST_COMMON_RISE)))
    return np.asarray(released.mean(axis=0))


def _check_series(logs: np.ndarray) -> None:
    if len(logs) < SHORTEST_SERIES or not np.isfinite(logs).all():
        raise ValueError(
            f"a series needs at least {SHORTEST_SERIES} years and no gaps; one has {len(logs)}"
        )


def trend_columns(length: int) -> np.ndarray:
    """Trend with age, counted from the first ring of the series, each column about its mean. (year,
    3)
    """
    age = np.arange(1, length + 1)
    trend = np.stack([np.log(age / 20), age / 100, np.exp(-age / 10)], axis=1)
    return trend - trend.mean(axis=0)


def design(length: int, step_sd: float = STEP_SD) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns of level, trend (in age, and slow waves) and all possible steps, their prior
    precisions, and the places of the steps.

    Returns (year, column), (column,), (step,).
    """
    age = np.arange(1, length + 1)
    places = np.arange(LEAST_SPACING, length - LEAST_SPACING + 1)
    trend = trend_columns(length)
    waves = np.cos(np.pi * (age[:, None] - 0.5) * np.arange(1, length // WAVE_YEARS + 1) / length)
    steps = (np.arange(length)[:, None] >= places[None, :]).astype(float)
    columns = np.concatenate([np.ones((length, 1)), trend, waves, steps], axis=1)
    spreads = [LEVEL_SD, *TREND_SD, *[WAVE_SD] * waves.shape[1], *[step_sd] * len(places)]
    precision = np.array(spreads) ** -2.0
    return columns, precision, places


def whitened(values: np.ndarray, phi: float) -> np.ndarray:
    """Values along the first axis less phi times those before, the first by its stationary spread:
    noise becomes independent.
    """
    result = values.copy()
    result[1:] -= phi * values[:-1]
    result[0] *= np.sqrt(1 - phi**2)
    return result


def _drawn_steps(
    logs: np.ndarray, generator: np.random.Generator, draws: int = DRAWS, step_sd: float = STEP_SD
) -> tuple[np.ndarray, np.ndarray]:
    """Sizes of drawn steps (draw, step), 0 for none, and their places."""
    columns, precision, places = design(len(logs), step_sd)
    sizes = np.zeros((draws, len(places)))
    chain(
        regression(logs, columns, precision, fixed=columns.shape[1] - len(places), phis=PHIS),
        NoiseGrid(PHIS, SIGMAS),
        StepPrior(float(np.log(STEP_RATE / (1 - STEP_RATE))), LEAST_SPACING),
        BURN_IN,
        generator,
        sizes,
        np.zeros((draws, 2), dtype=np.int64),  # places of phi and sigma on their grids
    )
    return sizes, places


def regression(
    logs: np.ndarray, columns: np.ndarray, precision: np.ndarray, *, fixed: int, phis: np.ndarray
) -> Regression:
    """Log widths regressed on the columns of `design`, of which so many are fixed, for each phi."""
    centred = logs - logs.mean()
    gram = np.empty((len(phis), columns.shape[1], columns.shape[1]))
    cross = np.empty((len(phis), columns.shape[1]))
    squares = np.empty(len(phis))
    for number, phi in enumerate(phis):
        white, grown = whitened(columns, phi), whitened(centred, phi)
        gram[number], cross[number] = white.T @ white, white.T @ grown
        squares[number] = grown @ grown
    return Regression(gram, cross, squares, precision, fixed, len(logs))


def classified(
    sizes: np.ndarray, places: np.ndarray, length: int, least: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Releases, suppressions and their size among drawn steps, by `classified_steps.classify`.
    sizes: (draw, step), 0 for none.
    """
    shape = (len(sizes), length)
    released, suppressed, change = (
        np.zeros(shape, dtype=bool),
        np.zeros(shape, dtype=bool),
        np.zeros(shape, dtype=np.float32),
    )
    classify(sizes, places, least, released, suppressed, change)
    return released, suppressed, change


@lru_cache(maxsize=8)
def prior_probabilities(
    least_change: float = LEAST_CHANGE, step_sd: float = STEP_SD
) -> tuple[float, float]:
    """Prior probability that a release, and that a suppression, begins in a year: the rules applied
    to steps of the prior.
    """
    rng = np.random.default_rng(20240607)
    length, draws = 200, 2000
    _, _, places = design(length)
    sizes = np.zeros((draws, len(places)))
    # steps too close to the one before are drawn anew, as the prior has none of them
    for draw in range(draws):
        while True:
            steps = np.flatnonzero(rng.random(len(places)) < STEP_RATE)
            if len(steps) < 2 or np.diff(steps).min() >= LEAST_SPACING:
                break
        sizes[draw, steps] = rng.normal(0, step_sd, len(steps))
    released, suppressed, _ = classified(sizes, places, length, float(np.log1p(least_change)))
    inner = slice(2 * WINDOW, length - 2 * WINDOW)
    return float(released[:, inner].mean()), float(suppressed[:, inner].mean())
