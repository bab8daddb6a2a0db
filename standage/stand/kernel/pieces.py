"""Small compiled pieces of the log density: each returns values together with what its derivative
needs.
"""

from __future__ import annotations

import math

import numpy as np

from standage.compiled import compiled

NEGLIGIBLE = 1e-11  # tail of a delay's pmf that is not followed


@compiled
def add_scaled(out, weight, source):
    """out += weight x source. Slices indexed from zero, so that the loop runs in vector
    registers.
    """
    for i in range(len(out)):
        out[i] += weight * source[i]


@compiled
def inner(left, right):
    """Sum of left x right."""
    total = 0.0
    for i in range(len(left)):
        total += left[i] * right[i]
    return total


@compiled
def add_four(out, weights, first, source, shift, step):
    """out[i] += sum over j = 0..3 of weights[first + j] x source[shift + j step + i]; weights
    beyond their end count as 0.

    Four at a time, because one sum at a time waits for memory. `source` must reach as far as the
    four slices, whatever the weights.
    """
    length = len(out)
    last = len(weights) - first
    w0 = weights[first]
    w1 = weights[first + 1] if last > 1 else 0.0
    w2 = weights[first + 2] if last > 2 else 0.0
    w3 = weights[first + 3] if last > 3 else 0.0
    s0 = source[shift : shift + length]
    s1 = source[shift + step : shift + step + length]
    s2 = source[shift + 2 * step : shift + 2 * step + length]
    s3 = source[shift + 3 * step : shift + 3 * step + length]
    for i in range(length):
        out[i] += w0 * s0[i] + w1 * s1[i] + w2 * s2[i] + w3 * s3[i]


@compiled
def inner_four(left, source, shift, step, out, first):
    """out[first + j] += sum over i of left[i] x source[shift + j step + i], for j = 0..3 as far as
    `out` goes.
    """
    length = len(left)
    s0 = source[shift : shift + length]
    s1 = source[shift + step : shift + step + length]
    s2 = source[shift + 2 * step : shift + 2 * step + length]
    s3 = source[shift + 3 * step : shift + 3 * step + length]
    t0 = 0.0
    t1 = 0.0
    t2 = 0.0
    t3 = 0.0
    for i in range(length):
        t0 += left[i] * s0[i]
        t1 += left[i] * s1[i]
        t2 += left[i] * s2[i]
        t3 += left[i] * s3[i]
    last = len(out) - first
    out[first] += t0
    if last > 1:
        out[first + 1] += t1
    if last > 2:
        out[first + 2] += t2
    if last > 3:
        out[first + 3] += t3


@compiled
def reach_of(pmf):
    """How many entries of a pmf, from 0, hold more than is worth following."""
    end = len(pmf)
    while end > 1 and pmf[end - 1] < NEGLIGIBLE:
        end -= 1
    return end


@compiled
def place_between_knots(years, spacing, count):
    """Knot to the left, weight of the next one (smooth in the place: 3 f^2 - 2 f^3), and the
    weight's slope by knots; 0 beyond the ends.
    """
    last = (count - 1) * spacing
    inside = 1.0
    if not (years > 0.0 and years < last):  # written so that not-a-number lands on the first knot
        inside = 0.0
        years = float(last) if years >= last else 0.0
    knot = min(int(years / spacing), count - 2)
    f = years / spacing - knot
    return knot, f * f * (3.0 - 2.0 * f), inside * 6.0 * f * (1.0 - f)


@compiled
def normal_cdf(z):
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


@compiled
def normal_pdf(z):
    """Standard normal density."""
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


@compiled
def digamma(x):
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
def t4_cdf_and_pdf(t):
    """Student-t with 4 degrees of freedom: its distribution function is algebraic, 1/2 + (3/4) q (1
    - q^2/3), q = t/sqrt(4 + t^2).
    """
    squared = 4.0 + t * t
    root = math.sqrt(squared)
    q = t / root
    return 0.5 + 0.75 * q * (1.0 - q * q / 3.0), 12.0 / (squared * squared * root)


@compiled
def t4_row(log_edge, median_log, scatter, cdf, pdf):
    """`t4_cdf_and_pdf` at a class edge for every year: fills `cdf` and `pdf`, shape of `median_log`
    (year,).
    """
    inverse = 1.0 / scatter
    for y in range(len(median_log)):
        t = (log_edge - median_log[y]) * inverse
        squared = 4.0 + t * t
        over = 1.0 / math.sqrt(squared)
        q = t * over
        cdf[y] = 0.5 + 0.75 * q * (1.0 - q * q * (1.0 / 3.0))
        pdf[y] = 12.0 * over * over * over * over * over


@compiled
def bspline_weights(position, weights, slopes):
    """Uniform cubic B-splines centred at -5 ... 5: fills the 4 weights and slopes that are not
    zero, returns the first node.

    The position is held within [-3.9, 3.9]; outside, slopes are zero and the prior alone pulls it
    back.
    """
    held = min(max(position, -3.9), 3.9)
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


@compiled
def grass_stage(log_median, spread, pmf, edge_cdf, edge_pdf):
    """Pmf of the grass stage on 0..longest (0 has none); edges at g + 0.5 are kept for the
    derivative. Returns the normaliser.
    """
    longest = len(pmf) - 1
    for g in range(longest + 1):
        z = (math.log(g + 0.5) - log_median) / spread
        edge_cdf[g] = normal_cdf(z)
        edge_pdf[g] = normal_pdf(z)
    total = max(
        edge_cdf[longest] - edge_cdf[0], 1e-300
    )  # so far out that no length is possible: no likelihood, but no division by 0
    pmf[0] = 0.0
    for g in range(1, longest + 1):
        pmf[g] = (edge_cdf[g] - edge_cdf[g - 1]) / total
    return total


@compiled
def grass_stage_adjoint(log_median, spread, pmf, pmf_bar, edge_pdf, total):
    """Derivative of sum(pmf_bar x pmf) with respect to the log median and to the log of the
    spread.
    """
    longest = len(pmf) - 1
    mean_bar = 0.0
    for g in range(1, longest + 1):
        mean_bar += pmf_bar[g] * pmf[g]
    median_bar = 0.0
    log_spread_bar = 0.0
    for g in range(longest + 1):
        weight = 0.0
        if g >= 1:
            weight += pmf_bar[g]
        if g < longest:
            weight -= pmf_bar[g + 1]
        if g == longest:
            weight -= mean_bar
        if g == 0:
            weight += mean_bar
        z = (math.log(g + 0.5) - log_median) / spread
        edge_bar = weight * edge_pdf[g] / total
        median_bar -= edge_bar / spread
        log_spread_bar -= edge_bar * z
    return median_bar, log_spread_bar


@compiled
def height_growth(r, p, pmf):
    """Negative binomial pmf with shape r and success probability p; r = 0 is certainty of zero
    seasons.
    """
    pmf[0] = math.exp(r * math.log(p))
    for k in range(1, len(pmf)):
        pmf[k] = pmf[k - 1] * (1.0 - p) * (r + k - 1.0) / k


@compiled
def height_growth_adjoint(r, p, pmf, pmf_bar):
    """Derivative of sum(pmf_bar x pmf) with respect to r; the digammas of the textbook form
    telescope into a sum.
    """
    if r == 0.0:
        return 0.0
    log_p = math.log(p)
    series = 0.0
    total = pmf_bar[0] * pmf[0] * log_p
    for k in range(1, len(pmf)):
        series += 1.0 / (r + k - 1.0)
        total += pmf_bar[k] * pmf[k] * (log_p + series)
    return total


@compiled
def delayed(source, pmf, out, last):
    """out(y) = sum_k pmf(k) source(y - k) for y = 0..last."""
    reach = min(reach_of(pmf), last + 1)
    pad = reach + 3
    padded = np.zeros(pad + last + 1)  # so that no sum has to stop at the first year
    padded[pad:] = source[: last + 1]
    out[: last + 1] = 0.0
    for k in range(0, reach, 4):
        add_four(out[: last + 1], pmf[:reach], k, padded, pad - k, -1)


@compiled
def delayed_by_draw(source, pmf, out):
    """`delayed` for every draw: arrays `(draw, year)`, `(draw, k)`, `(draw, year)`."""
    for d in range(source.shape[0]):
        delayed(source[d], pmf[d], out[d], source.shape[1] - 1)


@compiled
def in_class_by_draw(median_log, scatter, log_low, log_high, out):
    """Probability of a diameter between two class edges, `(draw, year)`; minus infinity and
    infinity are open ends.
    """
    for d in range(median_log.shape[0]):
        for y in range(median_log.shape[1]):
            above = 1.0
            if not math.isinf(log_high):
                above, _ = t4_cdf_and_pdf((log_high - median_log[d, y]) / scatter[d])
            below = 0.0
            if not math.isinf(log_low):
                below, _ = t4_cdf_and_pdf((log_low - median_log[d, y]) / scatter[d])
            out[d, y] = above - below


@compiled
def delayed_adjoint(source, pmf, out_bar, source_bar, pmf_bar, last):
    """Adds to source_bar and pmf_bar what out_bar means for them."""
    reach = min(reach_of(pmf), last + 1)
    pad = reach + 3
    padded = np.zeros(pad + last + 1)
    padded[pad:] = source[: last + 1]
    after = np.zeros(last + 1 + pad)
    after[: last + 1] = out_bar[: last + 1]
    for k in range(0, reach, 4):
        inner_four(out_bar[: last + 1], padded, pad - k, -1, pmf_bar[:reach], k)
        add_four(source_bar[: last + 1], pmf[:reach], k, after, k, 1)


@compiled
def standard_normal_and_knots(x, gradient, is_knot_start, rho_of):
    """Priors: every entry standard normal, knots a unit Ornstein-Uhlenbeck chain (rho 0 means
    independent).
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
