"""Coordinates in which the posterior is near a standard normal, so that the sampler can take long
steps.

A unit's own parameters meet those of another unit only through what the survey and the species
share. The matrix of second derivatives therefore has a block a unit, and a border for what is
shared; neither the derivatives nor the change of coordinates touch the rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from standage.compiled import Floats, Integers, compiled
from standage.stand.data import StandData
from standage.stand.kernel.convolution import add_scaled, inner
from standage.stand.kernel.log_density import Kernel
from standage.stand.parameters import layout

# priors are unit normal and knots hang together, so no direction is wider than about three
SMALLEST_CURVATURE = 0.1
HESSIAN_STEP = 1e-5  # a step to one side is exact enough for a scale


@dataclass(frozen=True)
class Whitening:
    """x = center + z @ W, with W upper triangular and zero between units.

    Attributes
    ----------
    center : (parameter,)
    rows : (entry,) rows of W one after another, each from the diagonal to its end.
    ends : (parameter,) where each row's entries end: the end of the unit's block, or of the vector
        for what is shared.
    """

    center: Floats
    rows: Floats
    ends: Integers


@compiled
def from_whitened(center: Floats, rows: Floats, ends: Integers, z: Floats) -> Floats:
    """Parameters of whitened coordinates, both (parameter,), without a threaded library that would
    fight over the cores with the chains.
    """
    x = center.copy()
    start = 0
    for j in range(len(z)):
        end = start + ends[j] - j
        add_scaled(x[j : ends[j]], z[j], rows[start:end])
        start = end
    return x


@compiled
def to_whitened(rows: Floats, ends: Integers, gradient: Floats) -> Floats:
    """Derivative with respect to z of what has derivative `gradient` with respect to x."""
    out = np.empty(len(gradient))
    start = 0
    for j in range(len(gradient)):
        end = start + ends[j] - j
        out[j] = inner(rows[start:end], gradient[j : ends[j]])
        start = end
    return out


def whitening(kernel: Kernel, data: StandData, points: np.ndarray) -> Whitening:
    """Whitened coordinates round `points` (point, parameter), from the curvature of the log density
    there, averaged.

    The curvature at the mode alone is a poor guide: the mode lies away from where the posterior
    holds its mass (docs/the-model.md, section 7, says what was measured).
    """
    blocks = unit_blocks(data)
    border, own = _curvature(kernel, blocks, points)
    shared = blocks[0][0]
    # curvature = U U' with U upper triangular keeps the zeros between units; W is its inverse
    left = border[:, :shared]
    of_units = []
    for (start, end), block in zip(blocks, own, strict=True):
        inverse = _inverse_factor(block)
        beside = border[:, start:end] @ inverse.T
        left = left - beside @ beside.T
        border[:, start:end] = beside @ inverse
        of_units.append(inverse[np.triu_indices(end - start)])
    inverse = _inverse_factor(left)
    border = np.hstack([inverse, -inverse @ border[:, shared:]])
    ends = np.full(kernel.size, kernel.size)
    for start, end in blocks:
        ends[start:end] = end
    rows = np.concatenate([*(row[j:] for j, row in enumerate(border)), *of_units])
    return Whitening(points.mean(axis=0), rows, ends)


def _inverse_factor(curvature: np.ndarray) -> np.ndarray:
    """Inverse of the upper triangular U, where U U' is the curvature of a unit's own parameters, or
    of the shared ones with the units' averaged over, raised to the least that is taken for true.
    """
    size = len(curvature)
    lowest = np.linalg.eigvalsh(curvature)[0]
    if lowest < SMALLEST_CURVATURE:
        curvature = curvature + (SMALLEST_CURVATURE - lowest) * np.eye(size)
    # the library factors from the other end, hence the turning
    upper = cholesky(curvature[::-1, ::-1], lower=True)[::-1, ::-1]
    return solve_triangular(upper, np.eye(size))


def unit_blocks(data: StandData) -> list[tuple[int, int]]:
    """First and end index of each unit's own parameters in the flat vector; what comes before all
    of them is shared.
    """
    whole = layout(data)
    starts = [min(offsets.values()) for offsets in whole.unit_offsets]
    return [
        (start, start + sum(sizes.values()))
        for start, sizes in zip(starts, whole.unit_sizes, strict=True)
    ]


def _curvature(
    kernel: Kernel, blocks: list[tuple[int, int]], points: np.ndarray
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Minus the second derivatives, averaged over the points: the rows of what is shared (shared,
    parameter), and a block (own, own) a unit. By differences of the gradient; one step serves a
    parameter of every unit.
    """
    size = kernel.size
    shared = blocks[0][0]
    border = np.zeros((shared, size))
    own = [np.zeros((end - start, end - start)) for start, end in blocks]
    for point in points:
        here = kernel(point)[1]

        def slope(indices: list[int], point: np.ndarray = point, here: np.ndarray = here) -> Floats:
            step = np.zeros(size)
            step[indices] = HESSIAN_STEP
            return (here - kernel(point + step)[1]) / (HESSIAN_STEP * len(points))

        for i in range(shared):
            border[i] += slope([i])
        for k in range(max(end - start for start, end in blocks)):
            change = slope([start + k for start, end in blocks if start + k < end])
            for (start, end), block in zip(blocks, own, strict=True):
                if start + k < end:
                    block[k] += change[start:end]
    border[:, :shared] = (border[:, :shared] + border[:, :shared].T) / 2
    return border, [(block + block.T) / 2 for block in own]
