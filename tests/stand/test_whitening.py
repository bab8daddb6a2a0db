"""Whitened coordinates: the curvature that skips zeros against the plain one, and the change of
coordinates against dense algebra.
"""

from __future__ import annotations

import numpy as np
import pytest
from random_stand_data import random_parameters, random_stand_data

from standage.stand.kernel.log_density import Kernel
from standage.stand.parameters import SPECIES_NAMES, pack
from standage.stand.sampler import find_mode
from standage.stand.whitening import (
    from_whitened,
    to_whitened,
    unit_blocks,
    whitening,
)


@pytest.fixture(scope="module")
def two_units():
    """Two stands of two species, their kernel, and four points not far apart."""
    data = random_stand_data(
        107, (("establishment", True), ("establishment", False)), (True, False)
    )
    points = np.array([pack(random_parameters(seed, data, 0.3), data) for seed in range(4)])
    return data, Kernel(data), points


def plain_curvature(kernel, points):
    """Minus the mean matrix of second derivatives, one parameter at a time."""
    total = np.zeros((kernel.size, kernel.size))
    for point in points:
        for i in range(kernel.size):
            step = np.zeros(kernel.size)
            step[i] = 1e-4
            total[i] += (kernel(point - step)[1] - kernel(point + step)[1]) / 2e-4
    return (total + total.T) / (2 * len(points))


def dense(found):
    """The rows as a matrix, (parameter, parameter)."""
    out, start = np.zeros((len(found.ends),) * 2), 0
    for j, end in enumerate(found.ends):
        out[j, j:end] = found.rows[start : start + end - j]
        start += end - j
    assert start == len(found.rows)
    return out


def test_units_follow_what_is_shared_without_a_gap(two_units):
    data, kernel, _ = two_units
    blocks = unit_blocks(data)
    assert [start for start, _ in blocks[1:]] + [kernel.size] == [end for _, end in blocks]
    assert blocks[0][0] == 2 + len(SPECIES_NAMES) * len(data.species)


def test_coordinates_turn_the_mean_curvature_into_the_identity(two_units, monkeypatch):
    """Rows W = U^-1 of curvature U U' make W curvature W' the identity."""
    data, kernel, _ = two_units
    monkeypatch.setattr("standage.stand.whitening.SMALLEST_CURVATURE", 0.01)
    mode = find_mode(kernel, np.zeros(kernel.size))  # where the curvature is that of a hill
    points = mode + 0.05 * np.random.default_rng(1).standard_normal((4, kernel.size))
    curvature = plain_curvature(kernel, points)
    assert (
        np.abs(
            curvature[unit_blocks(data)[0][0] : unit_blocks(data)[0][1], unit_blocks(data)[1][0] :]
        ).max()
        == 0
    )
    assert np.linalg.eigvalsh(curvature)[0] > 0.01  # nothing was added
    found = whitening(kernel, data, points)
    identity = dense(found) @ curvature @ dense(found).T
    assert (
        np.abs(identity - np.eye(kernel.size)).max() < 2e-3
    )  # the error of differences to one side
    assert np.allclose(found.center, points.mean(axis=0))


def test_a_curvature_below_the_least_is_raised_to_it(two_units, monkeypatch):
    """By itself in each unit, and in what is shared."""
    data, kernel, points = two_units
    monkeypatch.setattr("standage.stand.whitening.SMALLEST_CURVATURE", 3.0)
    rows = dense(whitening(kernel, data, points))
    blocks = unit_blocks(data)
    for start, end in [(0, blocks[0][0]), *blocks]:
        widest = np.linalg.svd(rows[start:end, start:end], compute_uv=False)[0]
        assert widest == pytest.approx(1 / np.sqrt(3.0), rel=1e-6)


def test_compiled_changes_of_coordinates_are_the_dense_ones(two_units):
    data, kernel, points = two_units
    found = whitening(kernel, data, points)
    rng = np.random.default_rng(1)
    z, gradient = rng.standard_normal((2, kernel.size))
    rows = dense(found)
    outward = from_whitened(found.center, found.rows, found.ends, z)
    assert np.allclose(outward, found.center + z @ rows, rtol=0, atol=1e-12)
    inward = to_whitened(found.rows, found.ends, gradient)
    assert np.allclose(inward, rows @ gradient, rtol=0, atol=1e-12)
    assert np.any(found.ends < kernel.size) and np.all(
        found.ends[: unit_blocks(data)[0][0]] == kernel.size
    )
