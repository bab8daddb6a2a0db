"""Distributions and special functions of one number that compiled loops need."""

from __future__ import annotations

import math

from standage.compiled import Floats, compiled, compiled_loop

# the factors of cores are held within the nodes of their splines
HELD_WITHIN = 3.9


@compiled_loop
def normal_cdf(z: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


@compiled_loop
def normal_pdf(z: float) -> float:
    """Standard normal density."""
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


@compiled_loop
def mills_ratio(z: float) -> float:
    """Upper tail of the standard normal over its density, z >= 0; beyond 25 the asymptotic series
    (Abramowitz & Stegun 26.2.12), right to 1e-12.
    """
    if z < 25.0:
        return normal_cdf(-z) / normal_pdf(z)
    inverse = 1.0 / (z * z)
    series = 1.0 - inverse * (1.0 - 3.0 * inverse * (1.0 - 5.0 * inverse * (1.0 - 7.0 * inverse)))
    return series / z


@compiled
def digamma(x: float) -> float:
    """Derivative of log gamma for x > 0: upward recurrence, then the asymptotic series (Abramowitz
    & Stegun 6.3.18).
    """
    total = 0.0
    while x < 10.0:
        total -= 1.0 / x
        x += 1.0
    inverse = 1.0 / (x * x)
    series = inverse * (
        1 / 12
        - inverse * (1 / 120 - inverse * (1 / 252 - inverse * (1 / 240 - inverse * (1 / 132))))
    )
    return total + math.log(x) - 0.5 / x - series


@compiled
def t4_row(value: float, location: Floats, scale: float, cdf: Floats, pdf: Floats) -> None:
    """Student-t with 4 degrees of freedom at a value, for every year's location: fills `cdf` and
    `pdf`, all (year,).

    Its distribution function is algebraic, 1/2 + (3/4) q (1 - q^2/3), q = t/sqrt(4 + t^2). The
    density is that of t, not divided by the scale.
    """
    inverse = 1.0 / scale
    for y in range(len(location)):
        t = (value - location[y]) * inverse
        squared = 4.0 + t * t
        over = 1.0 / math.sqrt(squared)
        q = t * over
        cdf[y] = 0.5 + 0.75 * q * (1.0 - q * q * (1.0 / 3.0))
        pdf[y] = 12.0 * over * over * over * over * over


@compiled
def bspline_weights(position: float, weights: Floats, slopes: Floats) -> int:
    """Uniform cubic B-splines centred at -5 ... 5: fills the 4 weights and slopes that are not
    zero, returns the first node.

    The position is held within [-3.9, 3.9]; outside, slopes are zero and the prior alone pulls it
    back.
    """
    held = min(max(position, -HELD_WITHIN), HELD_WITHIN)
    cell = int(math.floor(held))
    f = held - cell
    g = 1.0 - f
    weights[0] = g * g * g / 6.0
    weights[1] = (3.0 * f * f * f - 6.0 * f * f + 4.0) / 6.0
    weights[2] = (3.0 * g * g * g - 6.0 * g * g + 4.0) / 6.0
    weights[3] = f * f * f / 6.0
    inside = 1.0 if held == position else 0.0
    slopes[0] = -inside * g * g / 2.0
    slopes[1] = inside * (3.0 * f * f - 4.0 * f) / 2.0
    slopes[2] = -inside * (3.0 * g * g - 4.0 * g) / 2.0
    slopes[3] = inside * f * f / 2.0
    return cell - 1 + 5
