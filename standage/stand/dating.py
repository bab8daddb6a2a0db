"""Each stem's years, drawn from their exact discrete conditionals given the parameters
(docs/the-model.md, section 7).

Nothing latent is ever walked by the sampler: for every kept draw of the parameters, the year of the
first ring at the lowest node is drawn from what the chain of nodes says, then the establishment
year given it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from standage.compiled import Booleans, Floats, Integers, compiled, compiled_loop, compiled_part
from standage.evidence.delays import height_share
from standage.stand.data import BREAST_HEIGHT_CM, FACTOR_NODES, Node, TreeChain
from standage.stand.kernel.convolution import reach_of
from standage.stand.kernel.distributions import bspline_weights
from standage.stand.states import Delays

NO_INDEX = -1  # of a year, where there is none
FACTOR_COUNT = len(FACTOR_NODES)


@dataclass(frozen=True, eq=False)
class Recruits:
    """What stems of a kind are dated with, by draw.

    Attributes
    ----------
    living : (draw, year) stems by year of establishment, up to the survey season.
    delays : from establishment to a height.
    early_growth, counting : (draw,) factors of the cores.
    """

    living: np.ndarray
    delays: Delays
    early_growth: np.ndarray
    counting: np.ndarray
    _arrivals: dict[float, np.ndarray] = field(default_factory=dict, repr=False)

    def arrival(self, height_cm: float) -> np.ndarray:
        """Stems by the year of their first ring at a height, (draw, year)."""
        if height_cm not in self._arrivals:
            self._arrivals[height_cm] = self.delays.arrival(self.living, height_cm)
        return self._arrivals[height_cm]


class ChainInputs(NamedTuple):
    """The nodes of one tree, highest first.

    Attributes
    ----------
    start, stop : (node,) first and end year of its evidence; the same where it has none.
    offset : (node,) of its evidence among all.
    on_factor : (node, 2) whether that depends on the early-growth and on the counting factor.
    has_size : (node,) whether it carries the stem's diameter.
    evidence : (entry,) all bands of likelihood, by early-growth node, counting node and year.
    core : the lowest node with a core.
    """

    start: Integers
    stop: Integers
    offset: Integers
    on_factor: Booleans
    has_size: Booleans
    evidence: Floats
    core: int


@compiled_loop
def pick(weights: Floats, low: int, high: int, uniform: float) -> int:
    """Index in low..high-1 drawn with probability proportional to the weights; -1 if they are all
    zero.
    """
    total = 0.0
    for y in range(low, high):
        total += weights[y]
    if not total > 0.0:
        return NO_INDEX
    target = uniform * total
    running = 0.0
    for y in range(low, high):
        running += weights[y]
        if running >= target and weights[y] > 0.0:
            return y
    return NO_INDEX


@compiled_loop
def draw_establishment(
    living: Floats, delay: Floats, arrival_year: int, uniform: float, weights: Floats
) -> int:
    """Establishment year given the year of arrival: proportional to living(t) k(y - t)."""
    low = max(0, arrival_year - len(delay) + 1)
    for t in range(low, arrival_year + 1):
        weights[t] = living[t] * delay[arrival_year - t]
    return pick(weights, low, arrival_year + 1, uniform)


@compiled
def draw_all_established(
    living: Floats, delay: Floats, arrival_year: Integers, uniforms: Floats, out_year: Integers
) -> None:
    """`draw_establishment` for every draw and stem: arrays `(draw, year)`, `(draw, season)`,
    `(draw, stem)`; -1 for none.
    """
    weights = np.zeros(living.shape[1])
    for d in range(living.shape[0]):
        for stem in range(arrival_year.shape[1]):
            out_year[d, stem] = NO_INDEX
            if arrival_year[d, stem] >= 0:
                out_year[d, stem] = draw_establishment(
                    living[d], delay[d], arrival_year[d, stem], uniforms[d, stem], weights
                )


def established(
    recruits: Recruits,
    height_cm: float,
    arrival_year: np.ndarray,
    uniforms: np.ndarray,
) -> np.ndarray:
    """Indices on the axis of the establishment years of stems that arrived at a height in
    `arrival_year` `(draw, stem)`; -1 for none. uniforms (draw, stem).
    """
    out = np.empty(arrival_year.shape, dtype=np.int64)
    draw_all_established(
        np.ascontiguousarray(recruits.living),
        np.ascontiguousarray(recruits.delays.to_height(height_cm)),
        np.ascontiguousarray(arrival_year),
        np.ascontiguousarray(uniforms),
        out,
    )
    return out


@compiled_loop
def years_of_interest(
    start: Integers, stop: Integers, longest: int, n: int, years: Integers
) -> None:
    """Fills first and end year of each node, `years` (2, node): where a tree's message can be other
    than zero and is needed by the node below.
    """
    first = years[0]
    end = years[1]
    low = 0
    high = n
    for k in range(len(start)):
        if k > 0:
            low = max(0, low - longest + 1)
        if stop[k] > start[k]:
            low = max(low, start[k])
            high = min(high, stop[k])
        first[k] = low
        end[k] = max(low, high)
    for k in range(len(start) - 2, -1, -1):
        first[k] = max(first[k], first[k + 1])
        end[k] = max(first[k], min(end[k], end[k + 1] + longest - 1))


@compiled_part
def evidence_between_nodes(
    chain: ChainInputs, k: int, early_growth: float, counting: float, low: int, out: Floats
) -> None:
    """Fills the evidence of node k between the nodes of the two factors, in the years from `low`
    on, `out` (year,).
    """
    weights = np.ones((2, 4))
    slopes = np.empty(4)
    first = np.zeros(2, np.int64)
    count = np.ones(2, np.int64)
    if chain.on_factor[k, 0]:
        first[0] = bspline_weights(early_growth, weights[0], slopes)
        count[0] = 4
    if chain.on_factor[k, 1]:
        first[1] = bspline_weights(counting, weights[1], slopes)
        count[1] = 4
    evidence = chain.evidence
    n_counting = FACTOR_COUNT if chain.on_factor[k, 1] else 1
    band = chain.stop[k] - chain.start[k]
    out[:] = 0.0
    for a in range(count[0]):
        for b in range(count[1]):
            node = (first[0] + a) * n_counting + first[1] + b
            base = chain.offset[k] + node * band + low - chain.start[k]
            weight = weights[0, a] * weights[1, b]
            for y in range(len(out)):
                out[y] += weight * evidence[base + y]


@compiled_loop
def descend(increment: Floats, above: Floats, start: int, stop: int, low: int, out: Floats) -> None:
    """Fills the message `out` (year,) of the years from `low` on, from the product of the node
    above (year,), which is other than zero from `start` to `stop`; increment (season,) of the
    segment.
    """
    far = reach_of(increment)
    for y in range(low, low + len(out)):
        total = 0.0
        for e in range(max(0, start - y), min(far, stop - y)):
            total += increment[e] * above[y + e]
        out[y - low] = total


@compiled_part
def fill_products(
    increments: Floats,
    sizes: Floats,
    factors: Floats,
    chain: ChainInputs,
    last: int,
    years: Integers,
    product: Floats,
    message: Floats,
) -> None:
    """Fills what the nodes down to each say together, `product` (node, year), from the highest to
    node `last`, in the `years` (2, node) of interest; arrays of one draw, as in `draw_chain`.
    """
    for k in range(last + 1):
        low = years[0, k]
        high = years[1, k]
        here = product[k, low:high]
        if chain.stop[k] > chain.start[k]:
            evidence_between_nodes(chain, k, factors[0], factors[1], low, here)
        else:
            here[:] = 1.0
        if k > 0:
            start, stop = years[0, k - 1], years[1, k - 1]
            descend(increments[k - 1], product[k - 1], start, stop, low, message[: high - low])
            for y in range(high - low):
                here[y] *= message[y]
        if chain.has_size[k]:
            for y in range(low, high):
                product[k, y] *= sizes[y]


@compiled
def draw_chain(
    arrival: Floats,
    increments: Floats,
    sizes: Floats,
    factors: Floats,
    chain: ChainInputs,
    uniforms: Floats,
    out_year: Integers,
) -> None:
    """Years of one tree for every draw, `out_year` (draw, 2): at the lowest core and at the lowest
    node; -1 for none.

    arrival (draw, year) at the lowest node. increments (draw, segment, season): pmf of the seasons
    from node k + 1 up to node k. sizes (draw, year): probability of the stem's diameter by year of
    breast height. factors (draw, 2): early growth and counting. uniforms (draw, 2).
    """
    n_draws, n = arrival.shape
    n_nodes = len(chain.start)
    bottom = n_nodes - 1
    product = np.zeros((n_nodes, n))
    message = np.zeros(n)
    weights = np.zeros(n)
    years = np.zeros((2, n_nodes), np.int64)
    years_of_interest(chain.start, chain.stop, increments.shape[2], n, years)
    for d in range(n_draws):
        own = sizes[min(d, len(sizes) - 1)]
        fill_products(increments[d], own, factors[d], chain, bottom, years, product, message)
        for y in range(years[0, bottom], years[1, bottom]):
            weights[y] = arrival[d, y] * product[bottom, y]
        lowest = pick(weights, years[0, bottom], years[1, bottom], uniforms[d, 0])
        out_year[d, 0] = lowest
        out_year[d, 1] = lowest
        if lowest >= 0 and chain.core < bottom:
            # cored above breast height: the lowest node is the diameter's, one segment further up
            # is the core's
            low = max(lowest, years[0, bottom - 1])
            high = min(lowest + increments.shape[2], years[1, bottom - 1])
            for y in range(low, high):
                weights[y] = increments[d, bottom - 1, y - lowest] * product[bottom - 1, y]
            out_year[d, 0] = pick(weights, low, high, uniforms[d, 1])


def chain_inputs(chain: TreeChain, *, has_size: bool) -> ChainInputs:
    """A tree's nodes as arrays; has_size: whether its diameter is used."""

    def column(of: list[int]) -> np.ndarray:
        return np.array(of, dtype=np.int64)

    nodes = chain.nodes
    bands = [_band(node) for node in nodes]
    start = column([node.band_start for node in nodes])
    sizes = column([0, *(band.size for band in bands)])
    return ChainInputs(
        start=start,
        stop=start + column([band.shape[2] for band in bands]),
        offset=np.cumsum(sizes)[:-1],
        on_factor=np.array([[node.loads_gamma, node.loads_delta] for node in nodes], dtype=bool),
        has_size=np.array([has_size and node.dbh_class >= 0 for node in nodes], dtype=bool),
        evidence=np.concatenate([band.ravel() for band in bands]),
        core=max(k for k, node in enumerate(nodes) if node.evidence is not None),
    )


def _band(node: Node) -> np.ndarray:
    """Evidence (early growth, counting, year) of a node; no year where it has none."""
    if node.evidence is None:
        return np.zeros((1, 1, 0))
    return np.ascontiguousarray(node.evidence, dtype=float)


def growth_between_nodes(delays: Delays, shares: list[float], n_draws: int) -> np.ndarray:
    """Pmfs of the seasons from each node up to the one above, (draw, segment, season); shares: of
    the way to breast height at which the nodes are, highest first.
    """
    segments = [
        delays.growth(upper - lower) for upper, lower in zip(shares, shares[1:], strict=False)
    ]
    return np.ascontiguousarray(
        np.stack(segments, axis=1) if segments else np.zeros((n_draws, 1, 1))
    )


def chain_years(
    chain: TreeChain,
    recruits: Recruits,
    sizes: np.ndarray | None,
    generator: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Indices on the axis of (first ring at the lowest core, establishment) by draw; -1 where there
    is none.

    sizes : (draw, year) probability of the stem's diameter by year of breast height; None where it
    isn't used.
    """
    delays = recruits.delays
    lowest_cm = chain.nodes[-1].height_cm
    arrival = recruits.arrival(lowest_cm)
    n_draws = len(arrival)
    shares = [height_share(delays.profile, node.height_cm) for node in chain.nodes]
    increments = growth_between_nodes(delays, shares, n_draws)
    out_year = np.empty((n_draws, 2), dtype=np.int64)
    uniforms = generator.random((n_draws, 3))
    draw_chain(
        np.ascontiguousarray(arrival),
        increments,
        np.zeros((1, 1)) if sizes is None else np.ascontiguousarray(sizes),
        np.stack([recruits.early_growth, recruits.counting], axis=1),
        chain_inputs(chain, has_size=sizes is not None),
        np.ascontiguousarray(uniforms[:, [0, 2]]),
        out_year,
    )
    years = established(recruits, lowest_cm, out_year[:, 1:], uniforms[:, 1:2])
    return out_year[:, 0], years[:, 0]


@compiled
def draw_by_size(arrival: Floats, sizes: Floats, uniforms: Floats, out_year: Integers) -> None:
    """Years of breast height of stems of one diameter class, `out_year` and uniforms `(draw,
    stem)`.
    """
    n_draws, n = arrival.shape
    cumulative = np.zeros(n)
    for d in range(n_draws):
        total = 0.0
        for y in range(n):
            total += arrival[d, y] * sizes[d, y]
            cumulative[y] = total
        for stem in range(out_year.shape[1]):
            out_year[d, stem] = NO_INDEX
            if total > 0.0:
                out_year[d, stem] = min(
                    np.searchsorted(cumulative, uniforms[d, stem] * total), n - 1
                )


def size_years(
    recruits: Recruits,
    sizes: np.ndarray,
    n_stems: int,
    generator: np.random.Generator,
) -> np.ndarray:
    """Indices on the axis of the establishment years of `n_stems` stems of one diameter class,
    `(draw, stem)`; sizes `(draw, year)`: probability of it by year of breast height.
    """
    arrival = recruits.arrival(BREAST_HEIGHT_CM)
    at_breast_height = np.empty((len(arrival), n_stems), dtype=np.int64)
    uniforms = generator.random((len(arrival), n_stems, 2))
    draw_by_size(
        np.ascontiguousarray(arrival),
        np.ascontiguousarray(sizes),
        np.ascontiguousarray(uniforms[:, :, 0]),
        at_breast_height,
    )
    return established(recruits, BREAST_HEIGHT_CM, at_breast_height, uniforms[:, :, 1])
