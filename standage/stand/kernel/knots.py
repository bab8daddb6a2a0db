"""Processes between their knots, and the prior of all parameters."""

from __future__ import annotations

import math

from standage.compiled import Booleans, Floats, compiled, compiled_loop


@compiled_loop
def smooth_weight(years: float, spacing: int, count: int) -> tuple[int, float, float]:
    """Knot to the left, weight of the next one (smooth: 3 f^2 - 2 f^3 of the share f of the way),
    and the weight's slope by knots; 0 beyond the ends.

    years : after the first of `count` knots.
    """
    last = (count - 1) * spacing
    inside = 1.0
    if not (years > 0.0 and years < last):  # written so that not-a-number lands on the first knot
        inside = 0.0
        years = float(last) if years >= last else 0.0
    knot = min(int(years / spacing), count - 2)
    f = years / spacing - knot
    return knot, f * f * (3.0 - 2.0 * f), inside * 6.0 * f * (1.0 - f)


@compiled_loop
def between_knots(knots: Floats, spacing: int, first: float, out: Floats) -> None:
    """Fills `out` (year,): a process between its knots (knot,), `first`, `first` + 1, ... years
    after the first of them.
    """
    for i in range(len(out)):
        knot, f, _ = smooth_weight(i + first, spacing, len(knots))
        out[i] = (1.0 - f) * knots[knot] + f * knots[knot + 1]


@compiled_loop
def between_knots_adjoint(
    knots: Floats, spacing: int, first: float, bar: Floats, knots_bar: Floats
) -> float:
    """Adds to knots_bar (knot,) what `bar` (year,), the derivative with respect to the process,
    means; returns the derivative with respect to `first`.
    """
    first_bar = 0.0
    for i in range(len(bar)):
        knot, f, slope = smooth_weight(i + first, spacing, len(knots))
        knots_bar[knot] += (1.0 - f) * bar[i]
        knots_bar[knot + 1] += f * bar[i]
        first_bar += slope * (knots[knot + 1] - knots[knot]) * bar[i]
    return first_bar / spacing


@compiled
def standard_normal_and_knots(
    x: Floats, gradient: Floats, is_knot_start: Booleans, rho_of: Floats
) -> float:
    """Log prior; adds its derivative to `gradient`. Every entry is standard normal, knots a unit
    Ornstein-Uhlenbeck chain; all arrays (parameter,), rho 0 means independent.
    """
    total = -0.5 * len(x) * math.log(2.0 * math.pi)
    for i in range(len(x)):
        rho = rho_of[i]
        if rho == 0.0 or is_knot_start[i]:
            total -= 0.5 * x[i] * x[i]
            gradient[i] -= x[i]
        else:
            variance = 1.0 - rho * rho
            residual = x[i] - rho * x[i - 1]
            total -= 0.5 * (residual * residual / variance + math.log(variance))
            gradient[i] -= residual / variance
            gradient[i - 1] += rho * residual / variance
    return total
