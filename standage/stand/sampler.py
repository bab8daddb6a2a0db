"""Draws from the posterior: the compiled log density, its whitened coordinates, and a
No-U-Turn sampler that walks in them.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize

from standage.errors import StandageError
from standage.stand.data import StandData
from standage.stand.draws import Draws, Progress
from standage.stand.kernel.log_density import Kernel
from standage.stand.no_u_turn import DrawsNeeded, no_u_turn
from standage.stand.whitening import whitening

# a short run round the mode shows where the posterior holds its mass; the curvature there whitens
# the coordinates of the run that counts
PILOT_TUNE, PILOT_DRAWS = 40, 16
# most doublings of a trajectory: in coordinates that fit badly it would spend a fifth of all
# gradients
PILOT_DEPTH = 6
PILOT_POINTS = 16  # where the curvature is averaged
PILOT_SHARE = 0.2  # of the work of a run of the usual length, for telling the time left


def find_mode(kernel: Kernel, start: np.ndarray) -> np.ndarray:
    """A high point of the density to start the chains from. It need not be the mode to the last
    digit.
    """

    def downhill(x: np.ndarray) -> tuple[float, np.ndarray]:
        logp, gradient = kernel(x)
        return -logp, -gradient

    return minimize(
        downhill, start, jac=True, method="L-BFGS-B", options={"maxiter": 300, "maxcor": 20}
    ).x


def sample(
    data: StandData,
    *,
    seed: int,
    draws: int = 2000,
    tune: int = 200,
    chains: int = 4,
    cores: int = 2,
    every: int = 1,
    needed: DrawsNeeded | None = None,
    progress: Progress | None = None,
) -> Draws:
    """Run the chains for at most `draws` each, or until `needed` finds enough, and hold each
    `every`-th draw. Raises `StandageError` if the density has no finite start.
    """
    began = time.perf_counter()
    kernel = Kernel(data)
    mode = find_mode(kernel, np.zeros(kernel.size))
    if not np.isfinite(kernel(mode)[0]):
        raise StandageError(
            "The stand model has no finite density on this survey; run `standage check` and look at"
            " the cores it lists."
        )

    def told(start: float, end: float) -> Progress | None:
        return (
            None
            if progress is None
            else lambda share, what: progress(start + share * (end - start), what)
        )

    pilot = no_u_turn(
        kernel,
        whitening(kernel, data, mode[None]),
        seed=seed,
        draws=PILOT_DRAWS,
        tune=PILOT_TUNE,
        chains=chains,
        cores=cores,
        depth=PILOT_DEPTH,
        progress=told(0.0, PILOT_SHARE),
    )
    places = np.linspace(0, PILOT_DRAWS - 1, -(-PILOT_POINTS // chains)).astype(int)
    points = pilot.values[:, places].reshape(-1, kernel.size)
    final = no_u_turn(
        kernel,
        whitening(kernel, data, points),
        seed=seed + 1,
        draws=draws,
        tune=tune,
        chains=chains,
        cores=cores,
        every=every,
        needed=needed,
        progress=told(PILOT_SHARE, 1.0),
    )
    return replace(final, seconds=time.perf_counter() - began)
