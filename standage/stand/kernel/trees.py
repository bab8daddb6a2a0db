"""The cored stems of a unit: messages down each tree's chain of heights, and the derivative back up
(docs/the-model.md, section 4).

Years are shifted by `pad` years of zeros on either side, so that no sum has to stop at the ends.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from standage.compiled import Floats, Integers, compiled_loop, compiled_part
from standage.stand.data import FACTOR_NODES
from standage.stand.kernel.convolution import (
    add_difference,
    add_four,
    add_scaled,
    add_shifted,
    copy_into,
    inner,
    inner_four,
    reach_of,
)
from standage.stand.kernel.distributions import bspline_weights
from standage.stand.kernel.inputs import (
    NODE_BAND,
    NODE_CLASS,
    NODE_OFFSET,
    NODE_ON_COUNTING,
    NODE_ON_EARLY,
    NODE_SEGMENT,
    NODE_START,
    ParameterIndex,
    TreeInputs,
)
from standage.stand.kernel.plots import SMALLEST
from standage.stand.kernel.rates import Rates

FACTOR_COUNT = len(FACTOR_NODES)
TOP_CLASS, TOP_SEGMENT, TOP_START, TOP_END = range(4)  # columns of `TreeInputs.tops`
FIRST, END = range(2)  # rows of `Chain.years`
MESSAGE, FACTOR, PRODUCT, BY_EARLY, BY_COUNTING = range(5)  # of `Chain.values`
MESSAGE_BAR, PRODUCT_BAR = range(2)  # of `Chain.bars`
EARLY, COUNTING = range(2)  # of `CoreFactors`
WEIGHTS, SLOPES = range(2)


class CoreFactors(NamedTuple):
    """Splines at the early-growth and the counting factor.

    Attributes
    ----------
    first : (factor,) first node of the four whose spline is not zero.
    splines : (factor, 2, 4) their weights and slopes.
    """

    first: Integers
    splines: Floats


class Chain(NamedTuple):
    """Room for one tree at a time, by node and year. Few arrays, since each costs where it is
    handed on.

    Attributes
    ----------
    pad : years before the first of the axis.
    reach : (segment,) entries of an increment's pmf that are followed.
    years : (2, node) first and end year in which a message can be other than zero and is needed.
    values : (5, node, year) what comes from above; what the node says; both together; slopes of
        what the node says with the early-growth and the counting factor.
    bars : (2, year) of message and product of the node in hand.
    rows : (8 year,) evidence at four nodes of the early-growth factor, then the same with slopes.
    """

    pad: int
    reach: Integers
    years: Integers
    values: Floats
    bars: Floats
    rows: Floats


class Tops(NamedTuple):
    """What the diameter alone says at the node below, for each of `TreeInputs.tops`: probability of
    the class by year of breast height, the message made of it, and the derivative with respect to
    that; each (top, year).
    """

    in_class: Floats
    message: Floats
    message_bar: Floats


@compiled_part
def cored_stems(
    x: Floats,
    gradient: Floats,
    index: ParameterIndex,
    trees: TreeInputs,
    rates: Rates,
    bars: Rates,
) -> float:
    """Log likelihood of the cored stems; adds to `gradient` and `bars`."""
    nodes = trees.nodes
    evidence = trees.evidence
    cdf = rates.cdf
    increment = rates.increment
    factors = core_factors(x[index.early_growth], x[index.counting])
    chain = room_for_chain(trees.most_nodes, rates)
    tops = shared_tops(trees, chain, rates)
    no_top = np.zeros(0)
    bar = np.zeros(2)
    logp = 0.0
    for tree in range(len(trees.height)):
        own = nodes[trees.first_node[tree] : trees.first_node[tree + 1]]
        shared = trees.top[tree]
        message = tops.message[shared] if shared >= 0 else no_top
        message_bar = tops.message_bar[shared] if shared >= 0 else no_top
        years_of_interest(own, chain, rates.living.size)
        messages_down(own, evidence, factors, chain, message, increment, cdf)
        h = trees.height[tree]
        total = meet_arrivals(len(own) - 1, chain, rates.arrival[h], bars.arrival[h])
        logp += math.log(max(total, SMALLEST))
        if total > SMALLEST:
            messages_up(own, chain, message_bar, increment, cdf, bars, bar)
    shared_tops_adjoint(trees, chain, tops, rates, bars)
    gradient[index.early_growth] += bar[EARLY]
    gradient[index.counting] += bar[COUNTING]
    return logp


@compiled_part
def core_factors(early_growth: float, counting: float) -> CoreFactors:
    """Splines at the two factors."""
    first = np.empty(2, np.int64)
    splines = np.empty((2, 2, 4))
    first[EARLY] = bspline_weights(early_growth, splines[EARLY, WEIGHTS], splines[EARLY, SLOPES])
    first[COUNTING] = bspline_weights(
        counting, splines[COUNTING, WEIGHTS], splines[COUNTING, SLOPES]
    )
    return CoreFactors(first, splines)


@compiled_part
def room_for_chain(most_nodes: int, rates: Rates) -> Chain:
    """Zeros for trees of so many nodes, and the reach of each segment."""
    n_segments, n_seasons = rates.increment.shape
    pad = n_seasons + 4
    width = rates.living.size + 2 * pad
    reach = np.zeros(n_segments, np.int64)
    for s in range(n_segments):
        reach[s] = reach_of(rates.increment[s])
    return Chain(
        pad,
        reach,
        np.zeros((2, most_nodes), np.int64),
        np.zeros((5, most_nodes, width)),
        np.zeros((2, width)),
        np.zeros(8 * width),
    )


@compiled_part
def shared_tops(trees: TreeInputs, chain: Chain, rates: Rates) -> Tops:
    """Messages of diameters alone, worked out once for all trees that begin with one."""
    n = rates.living.size
    pad = chain.pad
    rows = trees.tops
    shape = (len(rows), n + 2 * pad)
    tops = Tops(np.zeros(shape), np.zeros(shape), np.zeros(shape))
    for t in range(len(rows)):
        c = rows[t, TOP_CLASS]
        s = rows[t, TOP_SEGMENT]
        low = rows[t, TOP_START] + pad
        high = rows[t, TOP_END] + pad
        in_class = tops.in_class[t]
        add_difference(in_class[pad : n + pad], 1.0, rates.cdf[c + 1], rates.cdf[c])
        add_shifted(tops.message[t, low:high], rates.increment[s, : chain.reach[s]], in_class, low)
    return tops


@compiled_part
def shared_tops_adjoint(
    trees: TreeInputs, chain: Chain, tops: Tops, rates: Rates, bars: Rates
) -> None:
    """Adds to `bars` what the derivatives with respect to the tops' messages mean."""
    pad = chain.pad
    rows = trees.tops
    in_class_bar = np.zeros(rates.living.size)
    for t in range(len(rows)):
        c = rows[t, TOP_CLASS]
        s = rows[t, TOP_SEGMENT]
        low = rows[t, TOP_START] + pad
        high = rows[t, TOP_END] + pad
        far = chain.reach[s]
        message_bar = tops.message_bar[t]
        in_class_bar[:] = 0.0
        for e in range(0, far, 4):
            inner_four(
                message_bar[low:high], tops.in_class[t], low + e, 1, bars.increment[s, :far], e
            )
            add_four(in_class_bar, rates.increment[s, :far], e, message_bar, pad - e, -1)
        add_scaled(bars.cdf[c + 1], 1.0, in_class_bar)
        add_scaled(bars.cdf[c], -1.0, in_class_bar)


@compiled_loop
def years_of_interest(nodes: Integers, chain: Chain, n: int) -> None:
    """Fills first and end year of each node of a tree: where its message can be other than zero,
    and is needed by the node below.

    nodes : (node, 7) of the tree, as in `TreeInputs`. n : years of the axis.
    """
    pad = chain.pad
    reach = chain.reach
    first = chain.years[FIRST]
    end = chain.years[END]
    low = pad
    high = n + pad
    for k in range(len(nodes)):
        if k > 0:
            low = max(pad, low - reach[nodes[k, NODE_SEGMENT]] + 1)
        if nodes[k, NODE_BAND] > 0:
            start = nodes[k, NODE_START] + pad
            low = max(low, start)
            high = min(high, start + nodes[k, NODE_BAND])
        first[k] = low
        end[k] = max(high, low)
    for k in range(len(nodes) - 2, -1, -1):
        far = reach[nodes[k + 1, NODE_SEGMENT]]
        first[k] = max(first[k], first[k + 1])
        end[k] = max(first[k], min(end[k], end[k + 1] + far - 1))


@compiled_loop
def messages_down(
    nodes: Integers,
    evidence: Floats,
    factors: CoreFactors,
    chain: Chain,
    top_message: Floats,
    increment: Floats,
    cdf: Floats,
) -> None:
    """Fills message, factor and product of each node of a tree, from the highest down.

    top_message : (year,) that of the second node, where it was worked out before; empty elsewhere.
    """
    pad = chain.pad
    values = chain.values
    for k in range(1 if len(top_message) > 0 else 0, len(nodes)):
        low = chain.years[FIRST, k]
        high = chain.years[END, k]
        message = values[MESSAGE, k, low:high]
        factor = values[FACTOR, k, low:high]
        if k == 0:
            message[:] = 1.0
        elif k == 1 and len(top_message) > 0:
            copy_into(message, top_message[low:high])
        else:
            _descend(
                k, chain, increment[nodes[k, NODE_SEGMENT]], chain.reach[nodes[k, NODE_SEGMENT]]
            )
        if nodes[k, NODE_BAND] == 0:
            factor[:] = 1.0
        else:
            evidence_at(nodes[k], k, evidence, factors, chain)
        c = nodes[k, NODE_CLASS]
        product = values[PRODUCT, k, low:high]
        if c >= 0:
            _in_class(product, message, factor, cdf[c, low - pad :], cdf[c + 1, low - pad :])
        else:
            _times(product, message, factor)


@compiled_loop
def _descend(k: int, chain: Chain, increment: Floats, far: int) -> None:
    """Fills the message of node k from the product of the node above it; increment (season,) of the
    segment between, followed for `far` entries.
    """
    low = chain.years[FIRST, k]
    high = chain.years[END, k]
    start = chain.years[FIRST, k - 1]
    stop = chain.years[END, k - 1]
    above = chain.values[PRODUCT, k - 1]
    # zeros round what the sum reads of the node above
    above[low : max(low, start)] = 0.0
    above[stop : max(high + far + 3, stop)] = 0.0
    message = chain.values[MESSAGE, k, low:high]
    message[:] = 0.0
    add_shifted(message, increment[:far], above, low)


@compiled_loop
def meet_arrivals(bottom: int, chain: Chain, arrival: Floats, arrival_bar: Floats) -> float:
    """Sum over years of arrivals (year,) at the lowest node times its product. Fills the derivative
    of its log with respect to the product and adds that with respect to the arrivals, unless the
    sum is next to nothing.
    """
    low = chain.years[FIRST, bottom]
    high = chain.years[END, bottom]
    product = chain.values[PRODUCT, bottom, low:high]
    there = arrival[low - chain.pad :]
    total = inner(product, there)
    if total > SMALLEST:
        add_scaled(arrival_bar[low - chain.pad : high - chain.pad], 1.0 / total, product)
        product_bar = chain.bars[PRODUCT_BAR, low:high]
        for i in range(len(product_bar)):
            product_bar[i] = there[i] / total
    return total


@compiled_loop
def messages_up(
    nodes: Integers,
    chain: Chain,
    top_bar: Floats,
    increment: Floats,
    cdf: Floats,
    bars: Rates,
    bar: Floats,
) -> None:
    """Takes the derivative with respect to the lowest product up the chain of a tree: adds to
    `bars`, to top_bar (year,), and to bar (factor,), the derivatives with respect to the
    early-growth and the counting factor.
    """
    pad = chain.pad
    values = chain.values
    for k in range(len(nodes) - 1, 0 if len(top_bar) > 0 else -1, -1):
        low = chain.years[FIRST, k]
        high = chain.years[END, k]
        message = values[MESSAGE, k, low:high]
        factor = values[FACTOR, k, low:high]
        product_bar = chain.bars[PRODUCT_BAR, low:high]
        c = nodes[k, NODE_CLASS]
        if c >= 0:
            _in_class_adjoint(
                product_bar,
                message,
                factor,
                cdf[c, low - pad :],
                cdf[c + 1, low - pad :],
                bars.cdf[c, low - pad :],
                bars.cdf[c + 1, low - pad :],
            )
        if nodes[k, NODE_ON_EARLY] == 1:
            bar[EARLY] += _inner_three(product_bar, message, values[BY_EARLY, k, low:high])
        if nodes[k, NODE_ON_COUNTING] == 1:
            bar[COUNTING] += _inner_three(product_bar, message, values[BY_COUNTING, k, low:high])
        if k == 1 and len(top_bar) > 0:
            _add_product(top_bar[low:high], product_bar, factor)
        elif k > 0:
            s = nodes[k, NODE_SEGMENT]
            far = chain.reach[s]
            _ascend(k, chain, increment[s, :far], bars.increment[s, :far])


@compiled_loop
def _ascend(k: int, chain: Chain, increment: Floats, increment_bar: Floats) -> None:
    """Replaces the derivative with respect to the product of node k by that of the node above, and
    adds that with respect to the increment (season,) between.
    """
    low = chain.years[FIRST, k]
    high = chain.years[END, k]
    start = chain.years[FIRST, k - 1]
    stop = chain.years[END, k - 1]
    message_bar = chain.bars[MESSAGE_BAR]
    product_bar = chain.bars[PRODUCT_BAR]
    above = chain.values[PRODUCT, k - 1]
    _times(message_bar[low:high], product_bar[low:high], chain.values[FACTOR, k, low:high])
    message_bar[start - len(increment) - 3 : low] = 0.0
    message_bar[high : max(high, stop)] = 0.0
    product_bar[start:stop] = 0.0
    for e in range(0, len(increment), 4):
        inner_four(message_bar[low:high], above, low + e, 1, increment_bar, e)
        add_four(product_bar[start:stop], increment, e, message_bar, start - e, -1)


@compiled_loop
def evidence_at(
    node: Integers, k: int, evidence: Floats, factors: CoreFactors, chain: Chain
) -> None:
    """Fills the factor of node k of a chain from its evidence between the nodes of the two factors,
    and its slopes with them.
    """
    low = chain.years[FIRST, k]
    high = chain.years[END, k]
    length = high - low
    band = node[NODE_BAND]
    start = node[NODE_OFFSET] - node[NODE_START] - chain.pad + low
    factor = chain.values[FACTOR, k, low:high]
    by_early = chain.values[BY_EARLY, k, low:high]
    by_counting = chain.values[BY_COUNTING, k, low:high]
    early = factors.splines[EARLY]
    if node[NODE_ON_EARLY] == 1 and node[NODE_ON_COUNTING] == 1:
        rows = chain.rows[: 8 * length]
        _between_counting_nodes(evidence, start, band, factors, rows)
        _between(factor, by_early, early, rows, 0, length)
        by_counting[:] = 0.0
        add_four(by_counting, early[WEIGHTS], 0, rows, 4 * length, length)
    elif node[NODE_ON_EARLY] == 1:
        start += factors.first[EARLY] * band
        _between(factor, by_early, early, evidence, start, band)
    elif node[NODE_ON_COUNTING] == 1:
        start += factors.first[COUNTING] * band
        _between(factor, by_counting, factors.splines[COUNTING], evidence, start, band)
    else:
        copy_into(factor, evidence[start : start + length])


@compiled_loop
def _between(
    value: Floats, slope: Floats, splines: Floats, source: Floats, start: int, step: int
) -> None:
    """Fills value and slope (year,) from four rows of `source`, `step` apart; splines (2, 4)."""
    value[:] = 0.0
    slope[:] = 0.0
    add_four(value, splines[WEIGHTS], 0, source, start, step)
    add_four(slope, splines[SLOPES], 0, source, start, step)


@compiled_loop
def _between_counting_nodes(
    evidence: Floats, start: int, band: int, factors: CoreFactors, rows: Floats
) -> None:
    """Fills `rows` (8 year,): the evidence at four nodes of the early-growth factor, between the
    nodes of the counting factor; then its slopes with that.
    """
    length = len(rows) // 8
    counting = factors.splines[COUNTING]
    for a in range(4):
        node = (factors.first[EARLY] + a) * FACTOR_COUNT + factors.first[COUNTING]
        value = rows[a * length : (a + 1) * length]
        slope = rows[(4 + a) * length : (5 + a) * length]
        _between(value, slope, counting, evidence, start + node * band, band)


@compiled_loop
def _add_product(out: Floats, left: Floats, right: Floats) -> None:
    for i in range(len(out)):
        out[i] += left[i] * right[i]


@compiled_loop
def _times(out: Floats, left: Floats, right: Floats) -> None:
    for i in range(len(out)):
        out[i] = left[i] * right[i]


@compiled_loop
def _inner_three(first: Floats, second: Floats, third: Floats) -> float:
    total = 0.0
    for i in range(len(first)):
        total += first[i] * second[i] * third[i]
    return total


@compiled_loop
def _in_class(out: Floats, message: Floats, factor: Floats, below: Floats, above: Floats) -> None:
    for i in range(len(out)):
        out[i] = message[i] * factor[i] * (above[i] - below[i])


@compiled_loop
def _in_class_adjoint(
    product_bar: Floats,
    message: Floats,
    factor: Floats,
    below: Floats,
    above: Floats,
    below_bar: Floats,
    above_bar: Floats,
) -> None:
    """Takes the class probability into `product_bar` and adds what the edges' distribution
    functions are owed.
    """
    for i in range(len(product_bar)):
        pushed = product_bar[i] * message[i] * factor[i]
        above_bar[i] += pushed
        below_bar[i] -= pushed
        product_bar[i] *= above[i] - below[i]
