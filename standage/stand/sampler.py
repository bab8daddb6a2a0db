"""Draws from the posterior: the compiled log density, its whitened coordinates, and nutpie's
No-U-Turn sampler (Hoffman & Gelman 2014).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
from scipy.optimize import minimize

from standage.errors import StandageError
from standage.stand.data import StandData
from standage.stand.kernel.log_density import Kernel
from standage.stand.whitening import Whitening, from_whitened, to_whitened, whitening

Progress = Callable[[float, str], None]  # share done (0 to 1), what is being done

# a short run round the mode shows where the posterior holds its mass; the curvature there whitens
# the coordinates of the run that counts
PILOT_TUNE, PILOT_DRAWS = 40, 16
PILOT_DEPTH, DEPTH = (
    6,
    10,
    # most doublings of a trajectory: the pilot, in coordinates that fit badly, would spend a fifth
    # of all gradients
)
PILOT_POINTS = 16  # where the curvature is averaged
# at 0.8 some runs step over the narrow places where a knot turns from nothing to a burst, and
# diverge
TARGET_ACCEPTANCE = 0.9
PILOT_SHARE = 0.2  # of the work of a run of the usual length, for telling the time left


@dataclass(frozen=True)
class Draws:
    """Parameter vectors `(chain, draw, parameter)` and what the sampler says of itself.

    `made` counts the draws before any thinning; `coordinates` are those the chains walked in.
    """

    values: np.ndarray
    divergences: int
    steps_per_draw: float
    seconds: float
    made: int
    coordinates: Whitening


def find_mode(kernel: Kernel, start: np.ndarray, steps: int = 300) -> np.ndarray:
    """A high point of the density to start the chains from. It need not be the mode to the last
    digit.
    """

    def downhill(x: np.ndarray) -> tuple[float, np.ndarray]:
        logp, gradient = kernel(x)
        return -logp, -gradient

    return minimize(
        downhill, start, jac=True, method="L-BFGS-B", options={"maxiter": steps, "maxcor": 20}
    ).x


def sample(
    data: StandData,
    *,
    seed: int,
    draws: int = 1000,
    tune: int = 200,
    chains: int = 4,
    cores: int = 2,
    every: int = 1,
    progress: Progress | None = None,
) -> Draws:
    """Run the chains and hold each `every`-th draw. Raises `StandageError` if the density has no
    finite start.
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

    pilot = _chains(
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
    final = _chains(
        kernel,
        whitening(kernel, data, points),
        seed=seed + 1,
        draws=draws,
        tune=tune,
        chains=chains,
        cores=cores,
        every=every,
        progress=told(PILOT_SHARE, 1.0),
    )
    return replace(final, seconds=time.perf_counter() - began)


def sample_again(
    data: StandData,
    sampled: Draws,
    *,
    seed: int,
    tune: int = 200,
    cores: int = 2,
    progress: Progress | None = None,
) -> Draws:
    """As many chains again, in the same coordinates from other starts, beside those at hand;
    thinned to as many draws in all.
    """
    chains, held, _ = sampled.values.shape
    draws = sampled.made // chains
    more = _chains(
        Kernel(data),
        sampled.coordinates,
        seed=seed + 2,
        draws=draws,
        tune=tune,
        chains=chains,
        cores=cores,
        every=draws // held,
        progress=progress,
    )
    return replace(
        sampled,
        values=np.concatenate([sampled.values[:, ::2], more.values[:, ::2]]),
        divergences=sampled.divergences + more.divergences,
        steps_per_draw=(sampled.steps_per_draw + more.steps_per_draw) / 2,
        seconds=sampled.seconds + more.seconds,
        made=sampled.made + more.made,
    )


def _chains(
    kernel: Kernel,
    coordinates: Whitening,
    *,
    seed: int,
    draws: int,
    tune: int,
    chains: int,
    cores: int,
    progress: Progress | None,
    every: int = 1,
    depth: int = DEPTH,
) -> Draws:
    """One run of the No-U-Turn sampler in whitened coordinates.

    Draws are put where they belong as they come: those of many stands, held by the library and
    then copied, would be in memory three times.
    """
    import nutpie
    from nutpie.compiled_pyfunc import from_pyfunc

    began = time.perf_counter()
    center, rows, ends = coordinates.center, coordinates.rows, coordinates.ends
    values = np.empty((chains, draws // every, kernel.size))
    seen = [0] * chains
    slots = count()

    def make_logp() -> Callable[[np.ndarray], tuple[float, np.ndarray]]:
        def whitened(z: np.ndarray) -> tuple[float, np.ndarray]:
            logp, gradient = kernel(from_whitened(center, rows, ends, z))
            return logp, to_whitened(rows, ends, gradient)

        return whitened

    # the library calls each chain 0
    def make_expand(
        seed1: int, seed2: int, chain: int
    ) -> Callable[[np.ndarray], dict[str, np.ndarray]]:
        slot = -1

        def expand(z: np.ndarray) -> dict[str, np.ndarray]:
            nonlocal slot
            if slot < 0:
                slot = next(slots)
            held, left = divmod(seen[slot] - tune + 1, every)
            if held > 0 and left == 0 and held <= values.shape[1]:
                values[slot, held - 1] = from_whitened(center, rows, ends, z)
            seen[slot] += 1
            return {"came": np.array([slot, seen[slot]], dtype=float)}

        return expand

    def initial(chain_seed: int) -> np.ndarray:
        # chains start apart, each from its own seed, so that the order of threads makes no
        # difference
        return np.random.default_rng(chain_seed).standard_normal(kernel.size)

    model = from_pyfunc(
        kernel.size,
        make_logp,
        make_expand,
        [np.dtype("float64")],
        [(2,)],
        ["came"],
        make_initial_point_fn=initial,
    )
    sampler = nutpie.sample(
        model,
        draws=draws,
        tune=tune,
        chains=chains,
        cores=min(cores, chains),
        seed=seed,
        progress_bar=False,
        save_warmup=False,
        low_rank_modified_mass_matrix=False,
        target_accept=TARGET_ACCEPTANCE,
        maxdepth=depth,
        blocking=False,
    )
    total = chains * (draws + tune)
    try:
        while True:
            try:
                trace = sampler.wait(timeout=0.25)
                break
            except TimeoutError:
                if progress is not None:
                    progress(min(1.0, sum(seen) / total), "sampling the stand model")
    except RuntimeError as problem:  # what nutpie raises when a chain can't go on
        raise StandageError(
            f"The sampler stopped ({problem}). Run again with another --seed."
            " That is no fault of the survey."
        ) from problem
    except BaseException:
        sampler.cancel()
        raise
    if progress is not None:
        progress(1.0, "sampling the stand model")
    slot, number = np.moveaxis(trace.posterior["came"].to_numpy().astype(int), -1, 0)
    if not np.all(number == np.arange(tune + 1, tune + draws + 1)):
        raise AssertionError("the sampler's library gave draws in another order than it held them")
    if not np.array_equal(slot[:, 0], np.arange(chains)):  # chains start in the order of threads
        values = values[slot[:, 0]]
    stats = trace.sample_stats
    return Draws(
        values,
        int(stats["diverging"].sum()),
        float(stats["n_steps"].mean()),
        time.perf_counter() - began,
        chains * draws,
        coordinates,
    )
