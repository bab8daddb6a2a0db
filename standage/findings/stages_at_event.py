"""Where the stems of a pulse stood when an event came: not germinated yet, in the grass stage, with
a stem, past breast height.

A burst of arrivals at the height of the cores can be a burst of germination or many waiting plants
let go at once. The posterior has for each stem an establishment year and, if cored, the year at the
core; how the seasons between them were split into grass stage and height growth is drawn here from
its exact conditional. Beside it stands what the arrivals would say with the profile's delays alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.findings.stems import dated_years, stems_per_hectare_each
from standage.profiles import Profile
from standage.stand.emergence import Emergence
from standage.stand.openings import openness
from standage.stand.packing import height_share


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
    posterior, number: int, kept: np.ndarray, profile: Profile, generator: np.random.Generator
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

    Where openings may have changed emergence, `P(G = g)` is that of the stem's own year of
    establishment, of the posterior's and of the prior's release.
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
    fitted, prior = posterior.delay_posterior[number], posterior.delay_prior[number]
    chosen = generator.integers(
        len(prior["grass"]), size=len(kept)
    )  # one prior draw for all stems of a draw: they share a stand
    grass = np.asarray(fitted["grass"], dtype=float)[kept]
    prior_grass = np.asarray(prior["grass"], dtype=float)[chosen]
    released = _emergence(posterior, number, fitted, grass, kept)
    prior_released = _emergence(posterior, number, prior, prior_grass, chosen)
    size = _growth_size(fitted["height"][kept], profile)
    prior_size = _growth_size(prior["height"][chosen], profile)
    result = [np.full(established.shape, np.nan) for _ in range(6)]
    for stem, height in enumerate(heights):
        share = min(height_share(profile, height), 1.0) if np.isfinite(height) else 1.0
        began = established[:, stem]
        grass_of_stem = (
            grass if released is None else released.leaving(_place(began, posterior.years))
        )
        if np.isfinite(height):
            emerged, arrived = _split(
                began, at_core[:, stem], grass_of_stem, size * share, profile, generator
            )
        else:
            emerged, arrived = _grown(began, unit.season, grass_of_stem, size, profile, generator)
        breast_height = arrived + _growth(size * (1 - share), profile, generator)
        prior_emerged = arrived - _growth(prior_size * share, profile, generator)
        waited = (
            prior_grass
            if prior_released is None
            else prior_released.waited(_place(prior_emerged, posterior.years))
        )
        cumulative = np.cumsum(waited, axis=1)
        prior_began = prior_emerged - (
            generator.random((len(kept), 1)) * cumulative[:, -1:] > cumulative
        ).sum(axis=1)
        prior_breast_height = arrived + _growth(prior_size * (1 - share), profile, generator)
        for column, values in zip(
            result,
            (began, emerged, breast_height, prior_began, prior_emerged, prior_breast_height),
            strict=True,
        ):
            column[:, stem] = values
    weights = (
        stems_per_hectare_each(posterior, trees, unit.stand)
        if unit.has_plots
        else np.ones(len(trees))
    )
    weights = weights if np.isfinite(weights).all() else np.ones(len(trees))
    return weights, StemHistories(*result[:3]), StemHistories(*result[3:])


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


def _emergence(
    posterior, number: int, delays: dict, grass: np.ndarray, chosen: np.ndarray
) -> Emergence | None:
    """Emergence under chosen draws of the posterior or prior whose `delays` are given; None where
    the stand's own pace holds.
    """
    if "release" not in delays:
        return None
    unit = posterior.units[number]
    opened = openness(posterior.survey, unit.stand, posterior.years, unit.season)
    return Emergence(opened, np.asarray(delays["release"], dtype=float)[chosen, 0], grass)


def _place(year: np.ndarray, years: np.ndarray) -> np.ndarray:
    """Place of calendar years on the axis, shape of `year`; for no year a place before it, where
    there is no opening.
    """
    return np.where(np.isfinite(year), year - years[0], -len(years)).astype(int)


def _growth_size(height: np.ndarray, profile: Profile) -> np.ndarray:
    """Negative binomial size of the seasons from emergence to breast height, from their pmf `(draw,
    k)`. (draw,)
    """
    pmf = np.asarray(height, dtype=float)
    mean = pmf @ np.arange(pmf.shape[1]) / pmf.sum(axis=1)
    return mean / (profile["height_growth.dispersion"] - 1.0)


def _growth(size: np.ndarray, profile: Profile, generator: np.random.Generator) -> np.ndarray:
    """Drawn seasons of height growth by negative binomial size, 0 where that is 0. (draw,)"""
    grows = size > 0
    drawn = generator.negative_binomial(
        np.where(grows, size, 1.0), 1 / profile["height_growth.dispersion"]
    )
    return np.where(grows, drawn, 0).astype(float)


def _growth_pmf(size: np.ndarray, seasons: int, profile: Profile) -> np.ndarray:
    """Pmf of the seasons of height growth, 0 to `seasons`. (draw, seasons + 1)"""
    p = 1 / profile["height_growth.dispersion"]
    pmf = np.empty((len(size), seasons + 1))
    pmf[:, 0] = p**size
    for k in range(1, seasons + 1):
        pmf[:, k] = pmf[:, k - 1] * (1 - p) * (size + k - 1) / k
    return pmf


def _split(began, arrived, grass, size, profile, generator):
    """First season with a stem and season of arrival of a cored stem, given its drawn years. Each
    (draw,)
    """
    known = np.isfinite(began) & np.isfinite(arrived)
    delay = np.where(known, arrived - began, 0).astype(int)
    growth = _growth_pmf(size, max(int(delay.max()), 0), profile)
    left = delay[:, None] - np.arange(grass.shape[1])
    possible = left >= 0
    weights = np.where(
        possible, grass * np.take_along_axis(growth, np.where(possible, left, 0), axis=1), 0.0
    )
    stage = _drawn(weights, grass * possible, generator)
    return np.where(known, began + stage, np.nan), np.where(known, arrived, np.nan)


def _grown(began, season, grass, size, profile, generator):
    """First season with a stem, and season of breast height, of a stem dated by its size. Each
    (draw,)
    """
    known = np.isfinite(began)
    seasons = np.where(known, season - began, 0).astype(int)
    growth = _growth_pmf(size, max(int(seasons.max()), 0), profile)
    grown_by = np.cumsum(growth, axis=1)
    left = seasons[:, None] - np.arange(grass.shape[1])
    possible = left >= 0
    weights = np.where(
        possible, grass * np.take_along_axis(grown_by, np.where(possible, left, 0), axis=1), 0.0
    )
    stage = _drawn(weights, grass * possible, generator)
    most = np.maximum(seasons - stage, 0)
    target = (
        generator.random(len(began)) * np.take_along_axis(grown_by, most[:, None], axis=1)[:, 0]
    )
    grew = np.minimum((grown_by < target[:, None]).sum(axis=1), most)
    emerged = np.where(known, began + stage, np.nan)
    return emerged, emerged + grew


def _drawn(weights, fallback, generator) -> np.ndarray:
    """A column by draw, in proportion to the weights; to the fallback where they are all zero, and
    0 where that is, too.
    """
    weights = np.where(weights.sum(axis=1, keepdims=True) > 0, weights, fallback)
    held = np.cumsum(weights, axis=1)
    target = generator.random(len(weights)) * held[:, -1]
    return np.where(held[:, -1] > 0, (held <= target[:, None]).sum(axis=1), 0)
