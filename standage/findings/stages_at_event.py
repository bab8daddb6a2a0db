"""Where the stems of a pulse stood when an event came: not germinated yet, in the grass stage, with
a stem, past breast height.

A burst of arrivals at the height of the cores can be a burst of germination or many waiting plants
let go at once. The posterior has for each stem an establishment year and, if cored, the year at the
core; how the seasons between them were split into grass stage and height growth is drawn here from
its exact conditional. Beside it stands what the arrivals would say with the profile's delays alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

from standage.evidence.delays import height_growth_drawn, height_growth_pmf, height_share
from standage.findings.stems import dated_years, stems_per_hectare_each
from standage.profiles import Profile
from standage.stand.posterior import Posterior

LEAST_VARIANCE = 1e-3  # of delays that hardly differ from draw to draw, so that they can be drawn


@dataclass(frozen=True)
class StemHistories:
    """Calendar years of each stem by draw, `(draw, stem)`; NaN in a draw without a year.

    Attributes
    ----------
    established : first growing season.
    emerged : first season with a stem: a plant is in the grass stage while the year is before it.
    breast_height : season in which the stem passed breast height.
    """

    established: np.ndarray
    emerged: np.ndarray
    breast_height: np.ndarray


@dataclass(frozen=True)
class StageShares:
    """Shares of a pulse's stems by where they stood in an event's year, `(draw,)`; with those past
    breast height they sum to 1.
    """

    waiting: np.ndarray
    emerging: np.ndarray
    after: np.ndarray


def stem_histories(
    posterior: Posterior,
    number: int,
    kept: np.ndarray,
    profile: Profile,
    generator: np.random.Generator,
) -> tuple[np.ndarray, StemHistories, StemHistories]:
    """What each listed stem of a unit went through: posterior, and with the profile's delays alone.

    Parameters
    ----------
    posterior : the posterior of a survey. number : of a unit with basis `establishment`.
    kept : (draw,) which draws are wanted.
    profile : of the unit's species.

    Returns
    -------
    weights : (stem,) how many stems each stands for, in proportion.
    posterior : the grass stage `G` of a stem that reached its core `d` seasons after establishment
        is drawn from `P(G = g) P(B(core) = d - g)`, that of a stem dated by size from `P(G = g)
        P(B(137 cm) <= S - t - g)`: it is past breast height.
    prior : the same arrivals at core or breast height, but delays from the prior and a history
        without bursts, so that a stem established its delay before its arrival. What stand and
        survey taught about delays and bursts is not in it.
    """
    trees, years = dated_years(posterior, number)
    unit = posterior.units[number]
    established = years[kept]
    at_core = np.asarray(posterior.year_at_core)[np.ix_(kept, trees.index.to_numpy())].astype(float)
    at_core[at_core < 0] = np.nan
    heights = np.where(
        trees["cored"].to_numpy().astype(bool),
        trees["coring_height_cm"].to_numpy(dtype=float),
        np.nan,
    )
    # one prior draw for all stems of a draw: they share a stand
    chosen = generator.integers(len(posterior.unit(number).prior_delays["grass"]), size=len(kept))
    fitted = _pace(posterior.unit(number).delays, kept)
    prior = _pace(posterior.unit(number).prior_delays, chosen)
    grass, mean, spread = fitted.grass, fitted.growth, fitted.dispersion
    longest = int(np.nanmax(unit.season - established, initial=0))

    @cache
    def growth(share: float) -> np.ndarray:
        return height_growth_pmf(mean * share, spread, longest)

    grown_by = np.cumsum(growth(1.0), axis=1)
    histories = np.full((6, *established.shape), np.nan)
    for stem, height in enumerate(heights):
        began = established[:, stem]
        share = min(height_share(profile, height), 1.0) if np.isfinite(height) else 1.0
        if np.isfinite(height):
            emerged, arrived = _split(began, at_core[:, stem], grass, growth(share), generator)
        else:
            emerged, arrived = _grown(began, unit.season, grass, grown_by, generator)
        breast_height = arrived + _growth(mean * (1 - share), spread, generator)
        histories[:3, :, stem] = began, emerged, breast_height
        histories[3:, :, stem] = _by_prior(arrived, share, prior, generator)
    weights = (
        stems_per_hectare_each(posterior, trees, unit.stand)
        if unit.has_plots
        else np.ones(len(trees))
    )
    weights = weights if np.isfinite(weights).all() else np.ones(len(trees))
    return weights, StemHistories(*histories[:3]), StemHistories(*histories[3:])


@dataclass(frozen=True)
class _Pace:
    """Delays of a unit for chosen draws.

    grass : (draw, seasons) pmf of the grass stage. growth, dispersion : (draw,) mean seasons from
        emergence to breast height, and their variance over it.
    """

    grass: np.ndarray
    growth: np.ndarray
    dispersion: np.ndarray


def _pace(delays: Mapping[str, np.ndarray], chosen: np.ndarray) -> _Pace:
    """The pace in chosen draws of the posterior or prior whose `delays` are given."""
    grass = np.asarray(delays["grass"], dtype=float)[chosen]
    return _Pace(grass, *growth_of(delays["height"][chosen]))


def _by_prior(
    arrived: np.ndarray,
    share: float,
    prior: _Pace,
    generator: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Years of establishment, emergence and breast height of a stem that arrived at its core's
    height, a share of the way to breast height, in these years. Each (draw,)
    """
    emerged = arrived - _growth(prior.growth * share, prior.dispersion, generator)
    cumulative = np.cumsum(prior.grass, axis=1)
    target = generator.random((len(arrived), 1)) * cumulative[:, -1:]
    began = emerged - (target > cumulative).sum(axis=1)
    further = _growth(prior.growth * (1 - share), prior.dispersion, generator)
    return began, emerged, arrived + further


def stage_shares(
    histories: StemHistories, weights: np.ndarray, inside: np.ndarray, event_year: np.ndarray
) -> StageShares:
    """Shares of the stems `inside` a pulse `(draw, stem)` by where they stood in the event's year
    `(draw,)`.

    A plant whose first season is the event's year or later germinated after it; one that germinated
    before is waiting if it has no stem in the event's year. NaN in draws without a stem inside.
    """
    year = event_year[:, None]
    known = inside & np.isfinite(histories.emerged)
    total = known @ weights
    total = np.where(total > 0, total, np.nan)
    before = histories.established < year
    waiting = before & (histories.emerged > year)
    emerging = before & (histories.emerged <= year) & (histories.breast_height > year)
    return StageShares(
        *(
            (known & those) @ weights / total
            for those in (waiting, emerging, histories.established >= year)
        )
    )


def growth_of(height: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the seasons from emergence to breast height and their variance over it, from their
    pmf `(draw, k)`; a twelfth of the variance is that of the rounding to whole seasons. (draw,)
    """
    pmf = np.asarray(height, dtype=float)
    pmf = pmf / pmf.sum(axis=1, keepdims=True)
    seasons = np.arange(pmf.shape[1])
    mean = pmf @ seasons
    variance = pmf @ seasons**2 - mean**2
    return mean, np.maximum(variance - 1 / 12, LEAST_VARIANCE) / np.maximum(mean, LEAST_VARIANCE)


def _growth(mean: np.ndarray, dispersion: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """Drawn seasons of height growth by their mean, 0 where that is 0. (draw,)"""
    return height_growth_drawn(mean, dispersion, generator).astype(float)


def _split(
    began: np.ndarray,
    arrived: np.ndarray,
    grass: np.ndarray,
    growth: np.ndarray,
    generator: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """First season with a stem and season of arrival of a cored stem, given its drawn years. Each
    (draw,); growth: (draw, season) pmf of the growth to its core.
    """
    known = np.isfinite(began) & np.isfinite(arrived)
    delay = np.where(known, arrived - began, 0).astype(int)
    stage = _waited(delay, grass, growth, generator)
    return np.where(known, began + stage, np.nan), np.where(known, arrived, np.nan)


def _grown(
    began: np.ndarray,
    season: int,
    grass: np.ndarray,
    grown_by: np.ndarray,
    generator: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """First season with a stem, and season of breast height, of a stem dated by its size. Each
    (draw,); grown_by: (draw, season) distribution function of the growth to breast height.
    """
    known = np.isfinite(began)
    seasons = np.where(known, season - began, 0).astype(int)
    stage = _waited(seasons, grass, grown_by, generator)
    most = np.maximum(seasons - stage, 0)
    target = (
        generator.random(len(began)) * np.take_along_axis(grown_by, most[:, None], axis=1)[:, 0]
    )
    grew = np.minimum((grown_by < target[:, None]).sum(axis=1), most)
    emerged = np.where(known, began + stage, np.nan)
    return emerged, emerged + grew


def _waited(
    seasons: np.ndarray, grass: np.ndarray, rest: np.ndarray, generator: np.random.Generator
) -> np.ndarray:
    """Drawn seasons in the grass stage out of so many. (draw,) grass, rest: (draw, season)
    probability of each number there, and of those left over.
    """
    left = seasons[:, None] - np.arange(grass.shape[1])
    possible = left >= 0
    of_rest = np.take_along_axis(rest, np.where(possible, left, 0), axis=1)
    return _drawn(np.where(possible, grass * of_rest, 0.0), grass * possible, generator)


def _drawn(weights: np.ndarray, fallback: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """A column by draw, in proportion to the weights; to the fallback where they are all zero, and
    0 where that is, too.
    """
    weights = np.where(weights.sum(axis=1, keepdims=True) > 0, weights, fallback)
    held = np.cumsum(weights, axis=1)
    target = generator.random(len(weights)) * held[:, -1]
    return np.where(held[:, -1] > 0, (held <= target[:, None]).sum(axis=1), 0)
