"""Distributions and matrices of the PyMC statement as symbolic expressions: processes between
knots, delays, splines, Student's t.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytensor.tensor as pt

from standage.stand.data import FACTOR_NODES

SMALLEST_PROBABILITY = 1e-300  # keeps a logarithm finite where a draw makes the data impossible


def between_knots(knots: Any, spacing: int, years: Any, count: int, *, smooth: bool) -> Any:
    """A process between its `count` knots, `years` after the first knot, shape of `years`: level
    beyond the ends.

    Linear in the share f of the way from knot to knot, or smooth: in 3 f^2 - 2 f^3.
    """
    position = pt.clip(pt.as_tensor_variable(years) / spacing, 0, count - 1)
    weights = pt.clip(1 - pt.abs(position[:, None] - np.arange(count)[None, :]), 0, 1)
    if smooth:
        weights = weights**2 * (3 - 2 * weights)
    return pt.dot(weights, knots)


def standard_normal_cdf(value: Any) -> Any:
    """Phi."""
    return 0.5 * pt.erfc(-value / math.sqrt(2))


def student_t4_cdf(value: Any) -> Any:
    """Distribution function of Student's t with 4 degrees of freedom, which has a closed form."""
    sine = value / pt.sqrt(4 + value**2)
    return 0.5 + sine * (3 - sine**2) / 4


def grass_stage_pmf(log_median: Any, log_spread: Any, longest: int) -> Any:
    """P(G = g), g = 0 .. longest: a discretised log-normal cut at both ends, shape `(longest +
    1,)`. From docs/the-model.md and not from `evidence.delays`, which it is held against.
    """
    below = standard_normal_cdf(
        (np.log(np.arange(longest + 1) + 0.5) - log_median) / pt.exp(log_spread)
    )
    return pt.concatenate([[0.0], (below[1:] - below[:-1]) / (below[-1] - below[0])])


def first_passage_pmf(mean: Any, dispersion: Any, longest: int) -> Any:
    """P(k), k = 0 .. longest, of an inverse Gaussian of variance `dispersion` times the mean in
    whole seasons, shape `(longest + 1,)`.

    The second term of its distribution function is written with erfcx, which is exp(b^2/2) times
    an integral that would vanish where exp(2 mean/dispersion) overflows.
    """
    seasons = np.arange(longest + 1) + 0.5
    width = pt.sqrt(dispersion * seasons)
    ahead, behind = (seasons - mean) / width, (seasons + mean) / width
    later = 0.5 * pt.exp(-(ahead**2) / 2) * pt.erfcx(behind / math.sqrt(2))
    passed = standard_normal_cdf(ahead) + later
    return pt.concatenate([passed[:1], passed[1:] - passed[:-1]])


def toeplitz(pmf: Any, longest: int, n_years: int) -> Any:
    """Matrix whose entry `(i, j)` is P(i - j): it delays what stands at year j to year i. Shape
    `(year, year)`.
    """
    lag = np.arange(n_years)[:, None] - np.arange(n_years)[None, :]
    padded = pt.concatenate([pmf, [0.0]])
    return padded[np.where((lag >= 0) & (lag <= longest), lag, longest + 1)]


def spline_weights(factor: Any) -> Any:
    """Weights of the uniform cubic B-splines centred at the factor nodes, shape `(node,)`."""
    distance = pt.abs(pt.clip(factor, -3.9, 3.9) - FACTOR_NODES)
    middle = 2 / 3 - distance**2 + distance**3 / 2
    flank = pt.clip(2 - distance, 0, 2) ** 3 / 6
    return pt.switch(distance < 1, middle, flank)


def floored_log(value: Any) -> Any:
    """Logarithm of a probability, finite where it underflows."""
    return pt.log(pt.maximum(value, SMALLEST_PROBABILITY))
