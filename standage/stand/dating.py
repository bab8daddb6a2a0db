"""Each stem's years, drawn from their exact discrete conditionals given the parameters
(docs/the-model.md, section 7).

Nothing latent is ever walked by the sampler: for every kept draw of the parameters, the year of the
first ring at the lowest node is drawn from what the chain of nodes says, then the establishment
year given it.
"""

from __future__ import annotations

import numpy as np

from standage.compiled import compiled
from standage.stand.data import BREAST_HEIGHT_CM, TreeChain
from standage.stand.kernel.pieces import bspline_weights, reach_of
from standage.stand.packing import height_share
from standage.stand.states import Delays


@compiled
def pick(weights, low, high, uniform):
    """Index in low..high-1 drawn with probability proportional to the weights; -1 if they are all
    zero.
    """
    total = 0.0
    for y in range(low, high):
        total += weights[y]
    if not total > 0.0:
        return -1
    target = uniform * total
    running = 0.0
    for y in range(low, high):
        running += weights[y]
        if running >= target and weights[y] > 0.0:
            return y
    return -1


@compiled
def draw_establishment(living, delay, arrival_year, uniform, weights):
    """Establishment year given the year of arrival: proportional to living(t) k(y - t)."""
    low = max(0, arrival_year - len(delay) + 1)
    for t in range(low, arrival_year + 1):
        weights[t] = living[t] * delay[arrival_year - t]
    return pick(weights, low, arrival_year + 1, uniform)


@compiled
def draw_all_established(living, delay, arrival_year, uniforms, out_year):
    """`draw_establishment` for every draw and stem: arrays `(draw, year)`, `(draw, k)`, `(draw,
    stem)`; -1 for none.
    """
    weights = np.zeros(living.shape[1])
    for d in range(living.shape[0]):
        for stem in range(arrival_year.shape[1]):
            out_year[d, stem] = -1
            if arrival_year[d, stem] >= 0:
                out_year[d, stem] = draw_establishment(
                    living[d], delay[d], arrival_year[d, stem], uniforms[d, stem], weights
                )


@compiled
def draw_through_openings(
    living, begun, growth, excess, tail, step, arrival_year, uniforms, out_year
):
    """Years of establishment given arrival at a height: first the season in which the stem started,
    then the year before it.

    living, begun, excess (draw, year); growth (draw, k): pmf of the seasons from the start to the
    height; arrival_year, out_year (draw, stem), -1 for none; uniforms (draw, stem, 2).
    """
    n_draws, n = living.shape
    longest = tail.shape[1] - 1
    weights = np.zeros(n)
    for d in range(n_draws):
        for stem in range(arrival_year.shape[1]):
            arrived = arrival_year[d, stem]
            out_year[d, stem] = -1
            if arrived < 0:
                continue
            low = max(0, arrived - growth.shape[1] + 1)
            for s in range(low, arrived + 1):
                weights[s] = begun[d, s] * growth[d, arrived - s]
            started = pick(weights, low, arrived + 1, uniforms[d, stem, 0])
            if started < 0:
                continue
            low = max(0, started - longest)
            for t in range(low, started):
                added = 0.0
                for s in range(t + 1, started):
                    added += excess[d, s] * step[d, s - t]
                waited = started - t
                leaves = tail[d, waited - 1] * np.exp(added) - tail[d, waited] * np.exp(
                    added + excess[d, started] * step[d, waited]
                )
                weights[t] = living[d, t] * leaves
            out_year[d, stem] = pick(weights, low, started, uniforms[d, stem, 1])


def established(
    living: np.ndarray,
    delays: Delays,
    height_cm: float,
    arrival_year: np.ndarray,
    uniforms: np.ndarray,
    begun: np.ndarray | None,
    generator: np.random.Generator,
) -> np.ndarray:
    """Indices on the axis of the establishment years of stems that arrived at a height in
    `arrival_year` `(draw, stem)`; -1 for none.

    uniforms (draw, stem). begun (draw, year): stems of `living` by the season in which they start;
    needed where openings count, and worked out here if None.
    """
    out = np.empty(arrival_year.shape, dtype=np.int64)
    living = np.ascontiguousarray(living)
    if delays.emergence is None:
        draw_all_established(
            living, np.ascontiguousarray(delays.to_height(height_cm)), arrival_year, uniforms, out
        )
        return out
    begun = delays.begun(living) if begun is None else begun
    growth = np.ascontiguousarray(delays.growth(height_share(delays.profile, height_cm)))
    twice = np.stack([uniforms, generator.random(uniforms.shape)], axis=-1)
    emergence = delays.emergence
    draw_through_openings(
        living, begun, growth, emergence.excess, *emergence.tails, arrival_year, twice, out
    )
    return out


@compiled
def years_looked_at(starts, stops, longest, n):
    """First and end year at each node in which a tree's message can be other than zero and is
    needed by the node below.
    """
    n_nodes = len(starts)
    first_year = np.zeros(n_nodes, np.int64)
    end_year = np.zeros(n_nodes, np.int64)
    low = 0
    high = n
    for k in range(n_nodes):
        if k > 0:
            low = max(0, low - longest + 1)
        if stops[k] > starts[k]:
            low = max(low, starts[k])
            high = min(high, stops[k])
        first_year[k] = low
        end_year[k] = max(low, high)
    for k in range(n_nodes - 2, -1, -1):
        first_year[k] = max(first_year[k], first_year[k + 1])
        end_year[k] = max(first_year[k], min(end_year[k], end_year[k + 1] + longest - 1))
    return first_year, end_year


@compiled
def draw_chain(
    arrival,
    increments,
    sizes,
    gamma,
    delta,
    starts,
    stops,
    offsets,
    loads,
    evidence,
    has_size,
    core_node,
    uniforms,
    out_core,
    out_lowest,
):
    """Years of one tree for every draw: `out_core` at the lowest core, `out_lowest` at the lowest
    node; arrays `(draw,)`.

    `increments` `(draw, segment, k)`: pmf of the seasons from node k + 1 up to node k. `sizes`
    `(draw, year)`: probability of the stem's diameter by year of breast height, used at the node
    whose `has_size` is 1.
    """
    n_draws, n = arrival.shape
    n_nodes = len(starts)
    products = np.zeros((n_nodes, n))
    message = np.zeros(n)
    weights = np.zeros(n)
    gamma_weights = np.empty(4)
    delta_weights = np.empty(4)
    slopes = np.empty(4)
    first_year, end_year = years_looked_at(starts, stops, increments.shape[2], n)
    for d in range(n_draws):
        gamma_first = bspline_weights(gamma[d], gamma_weights, slopes)
        delta_first = bspline_weights(delta[d], delta_weights, slopes)
        for k in range(n_nodes):
            has_band = stops[k] > starts[k]
            low = first_year[k]
            high = end_year[k]
            if k == 0:
                message[low:high] = 1.0
            else:
                far = reach_of(increments[d, k - 1])
                for y in range(low, high):
                    total = 0.0
                    for e in range(max(0, first_year[k - 1] - y), min(far, end_year[k - 1] - y)):
                        total += increments[d, k - 1, e] * products[k - 1, y + e]
                    message[y] = total
            if has_band:
                band = stops[k] - starts[k]
                n_delta = 11 if loads[k, 1] == 1 else 1
                for y in range(low, high):
                    products[k, y] = 0.0
                for a in range(4 if loads[k, 0] == 1 else 1):
                    row = gamma_first + a if loads[k, 0] == 1 else 0
                    for b in range(4 if loads[k, 1] == 1 else 1):
                        column = delta_first + b if loads[k, 1] == 1 else 0
                        weight = (gamma_weights[a] if loads[k, 0] == 1 else 1.0) * (
                            delta_weights[b] if loads[k, 1] == 1 else 1.0
                        )
                        base = offsets[k] + (row * n_delta + column) * band - starts[k]
                        for y in range(low, high):
                            products[k, y] += weight * evidence[base + y]
                for y in range(low, high):
                    products[k, y] *= message[y]
            else:
                for y in range(low, high):
                    products[k, y] = message[y]
            if has_size[k] == 1:
                for y in range(low, high):
                    products[k, y] *= sizes[d, y]
        bottom = n_nodes - 1
        for y in range(first_year[bottom], end_year[bottom]):
            weights[y] = arrival[d, y] * products[bottom, y]
        lowest = pick(weights, first_year[bottom], end_year[bottom], uniforms[d, 0])
        out_core[d] = -1
        out_lowest[d] = lowest
        if lowest < 0:
            continue
        at_core = lowest
        if (
            core_node < bottom
            # cored above breast height: the lowest node is the diameter's, one step further up is
            # the core's
        ):
            for y in range(n):
                weights[y] = 0.0
            for e in range(
                max(0, first_year[bottom - 1] - lowest),
                min(increments.shape[2], end_year[bottom - 1] - lowest),
            ):
                weights[lowest + e] = (
                    increments[d, bottom - 1, e] * products[bottom - 1, lowest + e]
                )
            at_core = pick(weights, 0, n, uniforms[d, 2])
        out_core[d] = at_core


def chain_years(
    chain: TreeChain,
    living: np.ndarray,
    arrival: np.ndarray,
    delays: Delays,
    sizes: np.ndarray | None,
    gamma: np.ndarray,
    delta: np.ndarray,
    generator: np.random.Generator,
    begun: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Indices on the axis of (first ring at the lowest core, establishment) by draw; -1 where there
    is none.

    `living`, `arrival` (at the lowest node's height) `(draw, year)` up to the survey season;
    `sizes` `(draw, year)` or None; `begun` as for `established`.
    """
    n_draws, n = living.shape
    nodes = chain.nodes
    profile = delays.profile
    parts = [
        (
            np.zeros(0)
            if node.evidence is None
            else np.ascontiguousarray(node.evidence, dtype=float).ravel()
        )
        for node in nodes
    ]
    offsets = np.concatenate([[0], np.cumsum([part.size for part in parts])])[:-1].astype(np.int64)
    starts = np.array([node.band_start for node in nodes], dtype=np.int64)
    lengths = np.array(
        [0 if node.evidence is None else node.evidence.shape[2] for node in nodes], dtype=np.int64
    )
    loads = np.array([[node.loads_gamma, node.loads_delta] for node in nodes], dtype=np.int64)
    has_size = np.array(
        [int(node.dbh_class >= 0 and sizes is not None) for node in nodes], dtype=np.int64
    )
    segments = [
        delays.growth(
            height_share(profile, upper.height_cm) - height_share(profile, lower.height_cm)
        )
        for upper, lower in zip(nodes, nodes[1:], strict=False)
    ]
    increments = np.stack(segments, axis=1) if segments else np.zeros((n_draws, 1, 1))
    with_core = [k for k, node in enumerate(nodes) if node.evidence is not None]
    out_core = np.empty(n_draws, dtype=np.int64)
    out_lowest = np.empty(n_draws, dtype=np.int64)
    uniforms = generator.random((n_draws, 3))
    draw_chain(
        np.ascontiguousarray(arrival),
        np.ascontiguousarray(increments),
        np.ascontiguousarray(sizes) if sizes is not None else np.zeros((1, 1)),
        np.ascontiguousarray(gamma),
        np.ascontiguousarray(delta),
        starts,
        starts + lengths,
        offsets,
        loads,
        np.concatenate(parts),
        has_size,
        with_core[-1],
        uniforms,
        out_core,
        out_lowest,
    )
    years = established(
        living, delays, nodes[-1].height_cm, out_lowest[:, None], uniforms[:, 1:2], begun, generator
    )
    return out_core, years[:, 0]


@compiled
def draw_by_size(arrival, sizes, uniforms, out_year):
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
            out_year[d, stem] = -1
            if total > 0.0:
                out_year[d, stem] = min(
                    np.searchsorted(cumulative, uniforms[d, stem] * total), n - 1
                )


def size_years(
    living: np.ndarray,
    delays: Delays,
    arrival: np.ndarray,
    sizes: np.ndarray,
    n_stems: int,
    generator,
) -> np.ndarray:
    """Indices on the axis of the establishment years of `n_stems` stems of one diameter class,
    `(draw, stem)`.
    """
    at_breast_height = np.empty((len(living), n_stems), dtype=np.int64)
    uniforms = generator.random((len(living), n_stems, 2))
    draw_by_size(
        np.ascontiguousarray(arrival),
        np.ascontiguousarray(sizes),
        np.ascontiguousarray(uniforms[:, :, 0]),
        at_breast_height,
    )
    return established(
        living, delays, BREAST_HEIGHT_CM, at_breast_height, uniforms[:, :, 1], None, generator
    )
