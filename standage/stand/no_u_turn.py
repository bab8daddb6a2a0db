"""nutpie's No-U-Turn sampler (Hoffman & Gelman 2014, Journal of Machine Learning Research
15:1593-1623) in whitened coordinates.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from itertools import count
from typing import Any

import numpy as np

from standage.errors import StandageError
from standage.stand.draws import Draws, Progress
from standage.stand.kernel.log_density import Kernel
from standage.stand.whitening import Whitening, from_whitened, to_whitened

DEPTH = 10  # most doublings of a trajectory
# at 0.8 some runs step over the narrow places where a knot turns from nothing to a burst, and
# diverge
TARGET_ACCEPTANCE = 0.9
# A start is brought nearer to the centre while its log density lies further below that of the
# centre than this, besides 1 a parameter: a standard normal lies below by half of that
# (assumption). A chain that starts beyond everything believable never moves
FAR_BELOW = 650.0
MOST_HALVINGS = 10
DOING = "sampling the stand model"


class HeldDraws:
    """Draws put where they belong as they come: those of many stands, held by the library and then
    copied, would be in memory three times.

    Attributes
    ----------
    values : (chain, held draw, parameter), chains in the order in which they started.
    seen : steps of each chain so far, tuning included.
    """

    def __init__(self, coordinates: Whitening, chains: int, draws: int, tune: int, every: int):
        self.coordinates, self.tune, self.every = coordinates, tune, every
        self.values = np.empty((chains, draws // every, len(coordinates.center)))
        self.seen = [0] * chains
        self._slots = count()

    def of_chain(
        self, seed1: int, seed2: int, chain: int
    ) -> Callable[[np.ndarray], dict[str, np.ndarray]]:
        """What the library calls with each draw of a chain; it calls each chain 0."""
        slot = -1

        def hold(z: np.ndarray) -> dict[str, np.ndarray]:
            nonlocal slot
            if slot < 0:
                slot = next(self._slots)
            held, left = divmod(self.seen[slot] - self.tune + 1, self.every)
            if held > 0 and left == 0 and held <= self.values.shape[1]:
                where = self.coordinates
                self.values[slot, held - 1] = from_whitened(where.center, where.rows, where.ends, z)
            self.seen[slot] += 1
            return {"came": np.array([slot, self.seen[slot]], dtype=float)}

        return hold

    def in_order(self, came: np.ndarray, draws: int) -> np.ndarray:
        """The values, chains in the library's order, which started in the order of threads; `came`
        (chain, draw, 2) is what it was given with each draw.
        """
        slot, number = np.moveaxis(came.astype(int), -1, 0)
        if not np.all(number == np.arange(self.tune + 1, self.tune + draws + 1)):
            raise AssertionError(
                "the sampler's library gave draws in another order than it held them"
            )
        in_place = np.array_equal(slot[:, 0], np.arange(len(slot)))
        return self.values if in_place else self.values[slot[:, 0]]


def no_u_turn(
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
    """One run, each `every`-th draw held. Raises `StandageError` if a chain can't go on."""
    import nutpie

    began = time.perf_counter()
    held = HeldDraws(coordinates, chains, draws, tune, every)
    sampler = nutpie.sample(
        _library_model(kernel, coordinates, held),
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
    trace = _waited_for(sampler, held, chains * (draws + tune), progress)
    stats = trace.sample_stats
    return Draws(
        held.in_order(trace.posterior["came"].to_numpy(), draws),
        int(stats["diverging"].sum()),
        float(stats["n_steps"].mean()),
        time.perf_counter() - began,
        chains * draws,
        coordinates,
    )


def start_of_chain(kernel: Kernel, coordinates: Whitening, seed: int) -> np.ndarray:
    """Whitened coordinates `(parameter,)` from which the chain with this seed starts.

    Chains start apart, each from its own seed, so that the order of threads makes no difference.
    """
    center, rows, ends = coordinates.center, coordinates.rows, coordinates.ends
    z = np.random.default_rng(seed).standard_normal(kernel.size)
    lowest = kernel(center)[0] - kernel.size - FAR_BELOW
    for _ in range(MOST_HALVINGS):
        if kernel(from_whitened(center, rows, ends, z))[0] >= lowest:
            break
        z = z / 2
    return z


def _library_model(kernel: Kernel, coordinates: Whitening, held: HeldDraws) -> Any:
    """The density in whitened coordinates as nutpie takes it."""
    from nutpie.compiled_pyfunc import from_pyfunc

    center, rows, ends = coordinates.center, coordinates.rows, coordinates.ends

    def make_logp() -> Callable[[np.ndarray], tuple[float, np.ndarray]]:
        def whitened(z: np.ndarray) -> tuple[float, np.ndarray]:
            logp, gradient = kernel(from_whitened(center, rows, ends, z))
            return logp, to_whitened(rows, ends, gradient)

        return whitened

    return from_pyfunc(
        kernel.size,
        make_logp,
        held.of_chain,
        [np.dtype("float64")],
        [(2,)],
        ["came"],
        make_initial_point_fn=lambda seed: start_of_chain(kernel, coordinates, seed),
    )


def _waited_for(sampler: Any, held: HeldDraws, total: int, progress: Progress | None) -> Any:
    """The library's trace, once it is there. Raises `StandageError`."""
    try:
        while True:
            try:
                trace = sampler.wait(timeout=0.25)
                break
            except TimeoutError:
                if progress is not None:
                    progress(min(1.0, sum(held.seen) / total), DOING)
    except RuntimeError as problem:  # what nutpie raises when a chain can't go on
        raise StandageError(
            f"The sampler stopped ({problem}). Run again with another --seed."
            " That is no fault of the survey."
        ) from problem
    except BaseException:
        sampler.cancel()
        raise
    if progress is not None:
        progress(1.0, DOING)
    return trace
