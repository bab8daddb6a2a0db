"""nutpie's No-U-Turn sampler (Hoffman & Gelman 2014, Journal of Machine Learning Research
15:1593-1623) in whitened coordinates.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from itertools import count
from threading import Semaphore
from typing import Any

import numpy as np

from standage.errors import StandageError
from standage.processors import processors
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
# draws of a chain after which it is first asked whether they are enough, and by how much they have
# grown when it is asked again, at least and at most (assumption)
FIRST_ASKED = 500
LEAST_GROWTH, MOST_GROWTH = 1.1, 1.5
DOING = "sampling the stand model"

# of the draws so far (chain, held draw, parameter): how many of a chain will do, as far as can be
# seen; no more than there are if these do
DrawsNeeded = Callable[[np.ndarray], float]


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

    def in_fixed_order(self, held: int) -> np.ndarray:
        """So many first draws of each chain, chains in the order of what they drew first: sums over
        chains in another order differ in a last digit.
        """
        return self.values[np.argsort(self.values[:, 0, 0]), :held]

    def in_order(self, came: np.ndarray, draws: int) -> np.ndarray:
        """The values of the first `draws` of each chain, in the library's order, where chains began
        in the order of threads; `came` (chain, draw, 2) is what it was given with each draw.
        """
        slot, number = np.moveaxis(came.astype(int), -1, 0)
        if not np.all(number == np.arange(self.tune + 1, self.tune + draws + 1)):
            raise AssertionError(
                "the sampler's library gave draws in another order than it held them"
            )
        values = self.values[:, : draws // self.every]
        in_place = np.array_equal(slot[:, 0], np.arange(len(slot)))
        return values if in_place else values[slot[:, 0]]


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
    needed: DrawsNeeded | None = None,
) -> Draws:
    """One run of at most `draws` a chain, each `every`-th held; it ends as soon as `needed` finds
    enough. What is asked for is asked of the same draws however fast the chains go, so that the
    same seed gives the same draws. Raises `StandageError` if a chain can't go on.
    """
    import nutpie

    began = time.perf_counter()
    held = HeldDraws(coordinates, chains, draws, tune, every)
    # all chains go at once, so that they can be compared, and no more work than there are cores
    # (the system shares out all it has in a sixth less time than chains that wait for each other)
    all_cores = cores >= min(chains, processors())
    at_work = nullcontext() if all_cores else Semaphore(cores)
    sampler = nutpie.sample(
        _library_model(kernel, coordinates, held, at_work),
        draws=draws,
        tune=tune,
        chains=chains,
        cores=chains,
        seed=seed,
        progress_bar=False,
        save_warmup=False,
        low_rank_modified_mass_matrix=False,
        target_accept=TARGET_ACCEPTANCE,
        maxdepth=depth,
        blocking=False,
    )
    trace, made = _waited_for(sampler, held, draws, needed, progress)
    if progress is not None:
        progress(1.0, DOING)
    stats = trace.sample_stats.isel(draw=slice(made))
    return Draws(
        held.in_order(trace.posterior["came"].to_numpy()[:, :made], made),
        int(stats["diverging"].sum()),
        float(stats["n_steps"].mean()),
        time.perf_counter() - began,
        chains * made,
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


def _library_model(
    kernel: Kernel, coordinates: Whitening, held: HeldDraws, at_work: AbstractContextManager[Any]
) -> Any:
    """The density in whitened coordinates as nutpie takes it."""
    from nutpie.compiled_pyfunc import from_pyfunc

    center, rows, ends = coordinates.center, coordinates.rows, coordinates.ends

    def make_logp() -> Callable[[np.ndarray], tuple[float, np.ndarray]]:
        def whitened(z: np.ndarray) -> tuple[float, np.ndarray]:
            with at_work:
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


def _waited_for(
    sampler: Any, held: HeldDraws, draws: int, needed: DrawsNeeded | None, progress: Progress | None
) -> tuple[Any, int]:
    """The library's trace, and of how many draws a chain. Raises `StandageError`."""
    shown = 0.0
    asked = draws if needed is None else min(draws, _held_whole(FIRST_ASKED, held.every))
    expected = min(draws, 2 * asked)
    trace = None
    try:
        while trace is None:
            trace = _ended(sampler)
            # the library may not have put away the last one
            there = draws if trace is not None else min(held.seen) - held.tune - 1
            while needed is not None and asked <= there and asked < draws:
                will_do = needed(held.in_fixed_order(asked // held.every))
                if will_do <= asked:
                    return trace or sampler.abort(), asked
                within = min(max(will_do, LEAST_GROWTH * asked), MOST_GROWTH * asked)
                expected = int(min(draws, max(within, will_do)))
                asked = min(draws, _held_whole(within, held.every))
            if progress is not None:
                whole = len(held.seen) * (held.tune + expected)
                shown = max(shown, min(0.99, sum(held.seen) / whole))
                progress(shown, DOING)
    except BaseException:
        sampler.cancel()
        raise
    return trace, draws


def _ended(sampler: Any) -> Any:
    """The trace of chains that ended, None while they go on. Raises `StandageError`."""
    try:
        return sampler.wait(timeout=0.1)
    except TimeoutError:
        return None
    except RuntimeError as problem:  # what nutpie raises when a chain can't go on
        raise StandageError(
            f"The sampler stopped ({problem}). Run again with another --seed."
            " That is no fault of the survey."
        ) from problem


def _held_whole(draws: float, every: int) -> int:
    """So many draws or a few more, the last of which is held."""
    return -(-math.ceil(draws) // every) * every
