"""Communities as groups of stands: their mean, and how much their stands differ.

A community is more than the stands surveyed of it. Its mean is known no better than its stands
agree, and from two stands nobody knows well how much stands differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from standage.findings.compared_stands import ComparedStand

FEWEST_STANDS = 2  # that share a community before it is spoken of
# degrees of freedom below which the spread between stands is called barely known (assumption)
WELL_KNOWN_SPREAD = 5
# a share of nothing or all has no finite odds; what lies beyond is no difference anybody counts
# (assumption)
LOWEST_SHARE = 1e-4
# of amounts and odds: with two stands the tails are without end, and their exponentials overflow
LARGEST_LOG = 20.0


@dataclass(frozen=True)
class CommunityMeans:
    """What is known of communities by one measure.

    Attributes
    ----------
    mean : by community, (draw,) its mean over all its stands, surveyed or not; NaN in a draw in
        which a stand doesn't have the measure.
    spread : by community, (draw,) standard deviation between its surveyed stands, in the unit of
        the measure.
    degrees_of_freedom : of the spread between stands, one for each stand beyond the first of its
        community.
    """

    mean: dict[str, np.ndarray]
    spread: dict[str, np.ndarray]
    degrees_of_freedom: int


def shared_communities(stands: Sequence[ComparedStand]) -> dict[str, list[ComparedStand]]:
    """Communities that two or more of these stands share."""
    groups: dict[str, list[ComparedStand]] = {}
    for stand in stands:
        if stand.community:
            groups.setdefault(stand.community, []).append(stand)
    return {name: stands for name, stands in groups.items() if len(stands) >= FEWEST_STANDS}


def community_means(
    values: Mapping[str, np.ndarray], scale: str, *, axis: tuple[int, int] = (0, 0), seed: int = 0
) -> CommunityMeans:
    """Means of communities from the values of their stands.

    For each draw the stands of a community scatter normally round its mean, on a scale on which
    they can: amounts by their logarithms, shares by their log odds, years by the log odds of their
    place between the ends of the time axis. One standard deviation holds for all communities
    (assumption). Its prior is flat in its logarithm, that of the means flat, so that a mean is
    drawn from Student's t with as many degrees of freedom as there are stands beyond the first of
    each community (Gelman et al. 2013, Bayesian Data Analysis, section 3.2; from memory). With one
    community of two stands that is one: a mean hardly known, as it should be. What is unknown of
    each stand counts as scatter between stands, so that the spread errs high.

    Parameters
    ----------
    values : by community, (stand, draw) the measure.
    scale : `year`, `amount` or `share`.
    axis : first year and survey season, for years: beyond them nothing is looked for.
    seed : of the draws of spread and mean.
    """
    generator = np.random.default_rng(seed)
    on_scale = {
        name: _forward(np.asarray(of_one, dtype=float), scale, axis)
        for name, of_one in values.items()
    }
    squares, freedom = 0.0, 0.0
    for of_one in on_scale.values():
        there = np.isfinite(of_one).all(axis=0)
        deviations = np.where(there, of_one - of_one.mean(axis=0), 0.0)
        squares = squares + (deviations**2).sum(axis=0)
        freedom = freedom + there * (len(of_one) - 1)
    variance = squares / generator.chisquare(np.maximum(freedom, 1))
    mean = {}
    for name, of_one in on_scale.items():
        drawn = of_one.mean(axis=0) + np.sqrt(variance / len(of_one)) * generator.standard_normal(
            of_one.shape[1]
        )
        mean[name] = _back(drawn, scale, axis)
    spread = {
        name: np.std(np.asarray(of_one, dtype=float), axis=0, ddof=1)
        for name, of_one in values.items()
    }
    return CommunityMeans(mean, spread, sum(len(of_one) - 1 for of_one in values.values()))


def _forward(values: np.ndarray, scale: str, axis: tuple[int, int]) -> np.ndarray:
    if scale == "amount":
        return np.log(np.maximum(values, np.exp(-LARGEST_LOG)))
    first, last = axis
    shares = (values - first) / (last + 1 - first) if scale == "year" else values
    inside = np.clip(shares, LOWEST_SHARE, 1 - LOWEST_SHARE)
    return np.log(inside / (1 - inside))


def _back(values: np.ndarray, scale: str, axis: tuple[int, int]) -> np.ndarray:
    bounded = np.clip(values, -LARGEST_LOG, LARGEST_LOG)
    if scale == "amount":
        return np.exp(bounded)
    shares = 1 / (1 + np.exp(-bounded))
    first, last = axis
    return first + shares * (last + 1 - first) if scale == "year" else shares
