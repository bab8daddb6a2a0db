"""Draws from the posterior: the compiled log density, a start at its mode, and nutpie's No-U-Turn sampler (Hoffman & Gelman 2014)."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from standage.errors import StandageError
from standage.stand.data import StandData
from standage.stand.kernel import Kernel
from standage.stand.kernel_pieces import from_whitened, to_whitened

Progress = Callable[[float, str], None]  # share done (0 to 1), what is being done


@dataclass(frozen=True)
class Draws:
    """Parameter vectors `(chain, draw, parameter)` and what the sampler says of itself."""

    values: np.ndarray
    divergences: int
    steps_per_draw: float
    seconds: float


def find_mode(kernel: Kernel, start: np.ndarray, steps: int = 300) -> np.ndarray:
    """A high point of the density to start the chains from. It need not be the mode to the last digit."""

    def downhill(x):
        logp, gradient = kernel(x)
        return -logp, -gradient

    return minimize(downhill, start, jac=True, method="L-BFGS-B", options={"maxiter": steps, "maxcor": 20}).x


SMALLEST_CURVATURE = 0.25  # of the log density at the start; priors are unit normal, so less would mean wider than twice the prior
HESSIAN_STEP = 1e-4


def whitening(kernel: Kernel, mode: np.ndarray) -> np.ndarray:
    """Rows span the posterior near its mode at unit scale, shape `(parameter, parameter)`: x = mode + z @ rows.

    From the Hessian by central differences of the gradient. The chains walk in `z`, where the posterior is near a standard normal.
    """
    size = kernel.size
    hessian = np.empty((size, size))
    for i in range(size):
        step = np.zeros(size)
        step[i] = HESSIAN_STEP
        hessian[i] = (kernel(mode + step)[1] - kernel(mode - step)[1]) / (2 * HESSIAN_STEP)
    values, vectors = np.linalg.eigh(-(hessian + hessian.T) / 2)
    return np.ascontiguousarray((vectors / np.sqrt(np.maximum(values, SMALLEST_CURVATURE))).T)


def sample(
    data: StandData, *, seed: int, draws: int = 1000, tune: int = 300, chains: int = 4, cores: int = 2, progress: Progress | None = None
) -> Draws:
    """Run the chains. Raises `StandageError` if the density has no finite start."""
    import nutpie
    from nutpie.compiled_pyfunc import from_pyfunc

    began = time.perf_counter()
    kernel = Kernel(data)
    mode = find_mode(kernel, np.zeros(kernel.size))
    if not np.isfinite(kernel(mode)[0]):
        raise StandageError("The stand model has no finite density on this survey; run `standage check` and look at the cores it lists.")
    rows = whitening(kernel, mode)
    done = [0]

    def make_logp():
        def whitened(z):
            logp, gradient = kernel(from_whitened(mode, rows, z))
            return logp, to_whitened(rows, gradient)

        return whitened

    def make_expand(seed1, seed2, chain):
        def expand(z):
            done[0] += 1
            return {"z": z}

        return expand

    def initial(chain_seed):
        # chains start apart, each from its own seed, so that the order of threads makes no difference
        return np.random.default_rng(chain_seed).standard_normal(kernel.size)

    model = from_pyfunc(kernel.size, make_logp, make_expand, [np.dtype("float64")], [(kernel.size,)], ["z"], make_initial_point_fn=initial)
    sampler = nutpie.sample(
        model, draws=draws, tune=tune, chains=chains, cores=min(cores, chains), seed=seed, progress_bar=False,
        save_warmup=False, low_rank_modified_mass_matrix=False, target_accept=0.8, blocking=False,
    )  # fmt: skip
    total = chains * (draws + tune)
    try:
        while True:
            try:
                trace = sampler.wait(timeout=0.25)
                break
            except TimeoutError:
                if progress is not None:
                    progress(min(1.0, done[0] / total), "sampling the stand model")
    except RuntimeError as problem:  # what nutpie raises when a chain can't go on
        raise StandageError(
            f"The sampler stopped ({problem}). Run again with another --seed; if it stays, look for contradictory cores."
        ) from problem
    except BaseException:
        sampler.cancel()
        raise
    if progress is not None:
        progress(1.0, "sampling the stand model")
    values = mode + trace.posterior["z"].to_numpy() @ rows
    stats = trace.sample_stats
    return Draws(values, int(stats["diverging"].sum()), float(stats["n_steps"].mean()), time.perf_counter() - began)
