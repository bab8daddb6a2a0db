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
    """x = center + z @ rows.

    Attributes
    ----------
    center : (parameter,)
    rows : (parameter, parameter), upper triangular.
    ends : (parameter,) where each row's entries end: the end of the unit's block, or of the vector
        for what is shared.
    """

    center: np.ndarray
    rows: np.ndarray
    ends: np.ndarray

    def outward(self, z: np.ndarray) -> np.ndarray:
        """Parameters of whitened coordinates, `(..., parameter)`."""
        return self.center + z @ self.rows


@compiled
def from_whitened(center: Floats, rows: Floats, ends: Integers, z: Floats) -> Floats:
    """`Whitening.outward` of one vector, without a threaded library that would fight over the cores
    with the chains.
    """
    x = center.copy()
    for j in range(len(z)):
        add_scaled(x[j : ends[j]], z[j], rows[j, j : ends[j]])
    return x


@compiled
def to_whitened(rows: Floats, ends: Integers, gradient: Floats) -> Floats:
    """Derivative with respect to z of what has derivative `gradient` with respect to x."""
    out = np.empty(len(gradient))
    for j in range(len(gradient)):
        out[j] = inner(rows[j, j : ends[j]], gradient[j : ends[j]])
    return out


def whitening(kernel: Kernel, data: StandData, points: np.ndarray) -> Whitening:
    """Whitened coordinates round `points` (point, parameter), from the curvature of the log density
    there, averaged.

    The curvature at the mode alone is a poor guide: the mode lies away from where the posterior
    holds its mass (docs/the-model.md, section 7, says what was measured).
    """
    blocks = unit_blocks(data)
    curvature = np.mean([_curvature(kernel, blocks, point) for point in points], axis=0)
    lowest = np.linalg.eigvalsh(curvature)[0]
    if lowest < SMALLEST_CURVATURE:
        curvature = curvature + (SMALLEST_CURVATURE - lowest) * np.eye(kernel.size)
    # curvature = U U' with U upper triangular keeps the zeros between units; the library factors
    # from the other end, hence the turning
    upper = cholesky(curvature[::-1, ::-1], lower=True)[::-1, ::-1]
    rows = solve_triangular(upper, np.eye(kernel.size))
    ends = np.full(kernel.size, kernel.size)
    for start, end in blocks:
        ends[start:end] = end
    return Whitening(points.mean(axis=0), np.ascontiguousarray(rows), ends)


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


def _curvature(kernel: Kernel, blocks: list[tuple[int, int]], point: np.ndarray) -> np.ndarray:
    """Minus the second derivatives, by differences of the gradient; one step serves a parameter of
    every unit.
    """
    size = kernel.size
    shared = blocks[0][0]
    curvature = np.zeros((size, size))
    here = kernel(point)[1]

    def slope(indices: list[int]) -> np.ndarray:
        step = np.zeros(size)
        step[indices] = HESSIAN_STEP
        return (here - kernel(point + step)[1]) / HESSIAN_STEP

    for i in range(shared):
        curvature[i] = slope([i])
    for k in range(max(end - start for start, end in blocks)):
        change = slope([start + k for start, end in blocks if start + k < end])
        for start, end in blocks:
            if start + k < end:
                curvature[start + k, start:end] = change[start:end]
    for start, end in blocks:
        curvature[start:end, :shared] = curvature[:shared, start:end].T
    return (curvature + curvature.T) / 2
