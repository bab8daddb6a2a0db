"""How far two age structures lie apart, and how far those of equal stands would seem to, surveyed
as these were.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class AgeStructureDistance:
    """Distances in years.

    Attributes
    ----------
    draws : (draw,) distance of the two structures.
    chance : (draw,) distance at which two stands of the same age structure would be drawn, known as
        well as these two are.
    probability_beyond_chance : that the estimates lie farther apart than those of such stands.
    """

    draws: np.ndarray
    chance: np.ndarray
    probability_beyond_chance: float


def age_structure_distance(
    first: np.ndarray, second: np.ndarray, *, seed: int = 0
) -> AgeStructureDistance:
    """Wasserstein distance between two age structures: by how many years the stems of one must be
    moved, on average, to give the other.

    In one dimension it is the area between the cumulative shares. It's never 0 where anything is
    unknown, so it is set beside chance. Let D be the difference of the cumulative shares. If the
    stands were alike, D drawn from the posterior would scatter round its mean, and the mean round
    0, both with the covariance of the posterior (which holds for a normal posterior under a flat
    prior; real priors draw the means together, so that the claim errs on the side of no
    difference). The difference of two draws of D scatters twice as well: it is what chance alone
    gives for a draw, and over the square root of 2 what it gives for the mean.

    Parameters
    ----------
    first, second : (draw, year) stems by year over the same consecutive years, draws paired.
    seed : of the order in which draws are set against each other.

    Source of the distance: Ramdas, Garcia Trillos & Cuturi 2017, Entropy 19:47 (citation from
    memory).
    """
    apart = cumulative_share(first) - cumulative_share(second)
    known = np.isfinite(apart).all(axis=1)
    apart = apart[known]
    if len(apart) < 2:
        nothing = np.full(len(first), np.nan)
        return AgeStructureDistance(nothing, nothing, np.nan)
    order = np.random.default_rng(seed).permutation(len(apart))
    scatter = np.abs(apart[order] - apart[np.roll(order, 1)]).sum(axis=1)
    between_means = np.abs(apart.mean(axis=0)).sum()
    return AgeStructureDistance(
        np.abs(apart).sum(axis=1), scatter, float(np.mean(between_means > scatter / np.sqrt(2)))
    )


def cumulative_share(stems: np.ndarray) -> np.ndarray:
    """Share of the stems that established up to the end of each year. (draw, year), NaN in a draw
    without stems
    """
    held = np.cumsum(stems, axis=1)
    return held / np.where(held[:, -1:] > 0, held[:, -1:], np.nan)
