"""Loops over years that run in vector registers: sums of products, and delays as convolutions."""

from __future__ import annotations

import numpy as np

from standage.compiled import Floats, compiled, compiled_loop

NEGLIGIBLE = 1e-11  # tail of a delay's pmf that is not followed


@compiled_loop
def copy_into(out: Floats, source: Floats) -> None:
    """The first entries of `out` become those of `source`."""
    for i in range(len(source)):
        out[i] = source[i]


@compiled
def add_scaled(out: Floats, weight: float, source: Floats) -> None:
    """out += weight x source. Slices indexed from zero, so that the loop runs in vector
    registers.
    """
    for i in range(len(out)):
        out[i] += weight * source[i]


@compiled
def inner(left: Floats, right: Floats) -> float:
    """Sum of left x right."""
    total = 0.0
    for i in range(len(left)):
        total += left[i] * right[i]
    return total


@compiled_loop
def inner_difference(weights: Floats, above: Floats, below: Floats) -> float:
    """Sum of weights x (above - below)."""
    total = 0.0
    for i in range(len(weights)):
        total += weights[i] * (above[i] - below[i])
    return total


@compiled_loop
def add_difference(out: Floats, weight: float, above: Floats, below: Floats) -> None:
    """out += weight x (above - below)."""
    for i in range(len(out)):
        out[i] += weight * (above[i] - below[i])


@compiled_loop
def add_four(
    out: Floats, weights: Floats, first: int, source: Floats, shift: int, step: int
) -> None:
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


@compiled_loop
def inner_four(
    left: Floats, source: Floats, shift: int, step: int, out: Floats, first: int
) -> None:
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


@compiled_loop
def add_shifted(out: Floats, weights: Floats, source: Floats, first: int) -> None:
    """out[i] += sum over e of weights[e] x source[first + e + i]. `source` must reach three entries
    beyond the last.
    """
    for e in range(0, len(weights), 4):
        add_four(out, weights, e, source, first + e, 1)


@compiled_loop
def reach_of(pmf: Floats) -> int:
    """How many entries of a pmf, from 0, hold more than is worth following."""
    end = len(pmf)
    while end > 1 and pmf[end - 1] < NEGLIGIBLE:
        end -= 1
    return end


@compiled
def delayed(source: Floats, pmf: Floats, out: Floats, last: int) -> None:
    """out(y) = sum_k pmf(k) source(y - k) for y = 0..last."""
    reach = min(reach_of(pmf), last + 1)
    pad = reach + 3
    padded = np.zeros(pad + last + 1)  # so that no sum has to stop at the first year
    copy_into(padded[pad:], source[: last + 1])
    out[: last + 1] = 0.0
    for k in range(0, reach, 4):
        add_four(out[: last + 1], pmf[:reach], k, padded, pad - k, -1)


@compiled
def delayed_adjoint(
    source: Floats, pmf: Floats, out_bar: Floats, source_bar: Floats, pmf_bar: Floats, last: int
) -> None:
    """Adds to source_bar and pmf_bar what out_bar means for them."""
    reach = min(reach_of(pmf), last + 1)
    pad = reach + 3
    padded = np.zeros(pad + last + 1)
    copy_into(padded[pad:], source[: last + 1])
    after = np.zeros(last + 1 + pad)
    copy_into(after, out_bar[: last + 1])
    for k in range(0, reach, 4):
        inner_four(out_bar[: last + 1], padded, pad - k, -1, pmf_bar[:reach], k)
        add_four(source_bar[: last + 1], pmf[:reach], k, after, k, 1)


@compiled
def delayed_by_draw(source: Floats, pmf: Floats, out: Floats) -> None:
    """`delayed` for every draw: arrays `(draw, year)`, `(draw, k)`, `(draw, year)`."""
    for d in range(source.shape[0]):
        delayed(source[d], pmf[d], out[d], source.shape[1] - 1)
