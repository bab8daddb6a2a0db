"""The cored stems of a unit: messages down each tree's chain of heights, and the derivative back up
(docs/the-model.md, section 4).
"""

from __future__ import annotations

import math

import numpy as np

from standage.compiled import compiled
from standage.stand.data import FACTOR_NODES
from standage.stand.kernel.pieces import add_four, bspline_weights, inner, inner_four

NODES = len(FACTOR_NODES)
# a likelihood below this is held here, so that a start far off still has a finite log density
SMALLEST = 1e-300


@compiled
def cored_stems(
    early_growth,
    counting,
    node_ints,
    node_of_tree,
    tree_height,
    top_of_tree,
    tops,
    evidence,
    max_nodes,
    increment,
    reach,
    arrival,
    cdf,
    arrival_bar,
    cdf_bar,
    increment_bar,
):
    """Log likelihood of the cored stems and its derivatives with respect to the early-growth and
    the counting factor.

    increment (segment, seasons): pmf of the height increment, followed for `reach` (segment,)
    entries. arrival (height, year), cdf (edge, year). Adds to arrival_bar, cdf_bar, increment_bar.
    Node rows as `packing.pack_unit` lays them out.

    Most trees begin with their diameter alone and go down to a core. What that says is the same for
    all trees of a diameter class cored at one height: it is worked out once for each of `tops`
    (top, 4), diameter class, segment, first and end year; `top_of_tree` (tree,) says which is a
    tree's, -1 for none.
    """
    n = arrival.shape[1]
    pad = (
        increment.shape[1] + 4
    )  # years of zeros on either side, so that no sum has to stop at the ends
    width = n + 2 * pad
    gamma_weights = np.empty(4)
    gamma_slopes = np.empty(4)
    delta_weights = np.empty(4)
    delta_slopes = np.empty(4)
    gamma_first = bspline_weights(early_growth, gamma_weights, gamma_slopes)
    delta_first = bspline_weights(counting, delta_weights, delta_slopes)
    # these are indexed by year + pad
    message = np.zeros((max_nodes, width))
    factor = np.zeros((max_nodes, width))
    by_gamma = np.zeros((max_nodes, width))  # slope of the factor with the early-growth factor
    by_delta = np.zeros((max_nodes, width))
    product = np.zeros((max_nodes, width))
    message_bar = np.zeros(width)
    product_bar = np.zeros(width)
    rows = np.zeros(
        8 * width
    )  # the evidence at four nodes of gamma after the sum over delta, then the same with slopes
    first_year = np.zeros(max_nodes, np.int64)
    end_year = np.zeros(max_nodes, np.int64)
    logp = 0.0
    early_growth_bar = 0.0
    counting_bar = 0.0
    in_class = np.zeros((len(tops), width))
    top_message = np.zeros((len(tops), width))
    top_message_bar = np.zeros((len(tops), width))
    for t in range(len(tops)):
        c = tops[t, 0]
        s = tops[t, 1]
        low = tops[t, 2] + pad
        high = tops[t, 3] + pad
        far = reach[s]
        _difference(in_class[t, pad : n + pad], cdf[c + 1], cdf[c])
        for e in range(0, far, 4):
            add_four(top_message[t, low:high], increment[s, :far], e, in_class[t], low + e, 1)
    for tree in range(len(tree_height)):
        top = node_of_tree[tree]
        count = node_of_tree[tree + 1] - top
        low = pad
        high = n + pad
        for k in range(count):  # where each message can be other than zero
            if k > 0:
                low = max(pad, low - reach[node_ints[top + k, 6]] + 1)
            band = node_ints[top + k, 2]
            if band > 0:
                low = max(low, node_ints[top + k, 1] + pad)
                high = min(high, node_ints[top + k, 1] + band + pad)
            first_year[k] = low
            end_year[k] = max(high, low)
        for k in range(count - 2, -1, -1):  # where it is needed by the node below
            first_year[k] = max(first_year[k], first_year[k + 1])
            end_year[k] = max(
                first_year[k],
                min(end_year[k], end_year[k + 1] + reach[node_ints[top + k + 1, 6]] - 1),
            )
        shared = top_of_tree[tree]
        for k in range(1 if shared >= 0 else 0, count):
            node = top + k
            low = first_year[k]
            high = end_year[k]
            if k == 0:
                message[k, low:high] = 1.0
            elif k == 1 and shared >= 0:
                message[k, low:high] = top_message[shared, low:high]
            else:
                s = node_ints[node, 6]
                far = reach[s]
                # zeros round what the sum reads of the node above
                product[k - 1, low : max(low, first_year[k - 1])] = 0.0
                product[k - 1, end_year[k - 1] : max(high + far + 3, end_year[k - 1])] = 0.0
                message[k, low:high] = 0.0
                for e in range(0, far, 4):
                    add_four(
                        message[k, low:high], increment[s, :far], e, product[k - 1], low + e, 1
                    )
            band = node_ints[node, 2]
            if band == 0:
                factor[k, low:high] = 1.0
            else:
                _evidence_at(
                    evidence,
                    node_ints[node, 3] - node_ints[node, 1] - pad + low,
                    band,
                    node_ints[node, 4] == 1,
                    node_ints[node, 5] == 1,
                    gamma_first,
                    gamma_weights,
                    gamma_slopes,
                    delta_first,
                    delta_weights,
                    delta_slopes,
                    factor[k, low:high],
                    by_gamma[k, low:high],
                    by_delta[k, low:high],
                    rows,
                )
            c = node_ints[node, 0]
            if c >= 0:
                _in_class(
                    product[k, low:high],
                    message[k, low:high],
                    factor[k, low:high],
                    cdf[c, low - pad :],
                    cdf[c + 1, low - pad :],
                )
            else:
                _times(product[k, low:high], message[k, low:high], factor[k, low:high])
        bottom = count - 1
        low = first_year[bottom]
        high = end_year[bottom]
        h = tree_height[tree]
        total = inner(product[bottom, low:high], arrival[h, low - pad :])
        logp += math.log(max(total, SMALLEST))
        if total <= SMALLEST:
            continue
        _scaled(
            arrival_bar[h, low - pad :],
            1.0 / total,
            product[bottom, low:high],
            product_bar[low:high],
            arrival[h, low - pad :],
        )
        for k in range(bottom, 0 if shared >= 0 else -1, -1):
            node = top + k
            low = first_year[k]
            high = end_year[k]
            c = node_ints[node, 0]
            if c >= 0:
                _in_class_adjoint(
                    product_bar[low:high],
                    message[k, low:high],
                    factor[k, low:high],
                    cdf[c, low - pad :],
                    cdf[c + 1, low - pad :],
                    cdf_bar[c, low - pad :],
                    cdf_bar[c + 1, low - pad :],
                )
            if node_ints[node, 2] > 0 and (node_ints[node, 4] == 1 or node_ints[node, 5] == 1):
                _times(message_bar[low:high], product_bar[low:high], message[k, low:high])
                if node_ints[node, 4] == 1:
                    early_growth_bar += inner(message_bar[low:high], by_gamma[k, low:high])
                if node_ints[node, 5] == 1:
                    counting_bar += inner(message_bar[low:high], by_delta[k, low:high])
            if k == 1 and shared >= 0:
                _add_product(
                    top_message_bar[shared, low:high], product_bar[low:high], factor[k, low:high]
                )
            elif k > 0:
                _times(message_bar[low:high], product_bar[low:high], factor[k, low:high])
                s = node_ints[node, 6]
                far = reach[s]
                above_low = first_year[k - 1]
                above_high = end_year[k - 1]
                message_bar[above_low - far - 3 : low] = 0.0
                message_bar[high : max(high, above_high)] = 0.0
                product_bar[above_low:above_high] = 0.0
                for e in range(0, far, 4):
                    inner_four(
                        message_bar[low:high], product[k - 1], low + e, 1, increment_bar[s, :far], e
                    )
                    add_four(
                        product_bar[above_low:above_high],
                        increment[s, :far],
                        e,
                        message_bar,
                        above_low - e,
                        -1,
                    )
    in_class_bar = np.zeros(n)
    for t in range(len(tops)):
        c = tops[t, 0]
        s = tops[t, 1]
        low = tops[t, 2] + pad
        high = tops[t, 3] + pad
        far = reach[s]
        in_class_bar[:] = 0.0
        for e in range(0, far, 4):
            inner_four(
                top_message_bar[t, low:high], in_class[t], low + e, 1, increment_bar[s, :far], e
            )
            add_four(in_class_bar, increment[s, :far], e, top_message_bar[t], pad - e, -1)
        _add_difference(cdf_bar[c + 1], cdf_bar[c], in_class_bar)
    return logp, early_growth_bar, counting_bar


@compiled
def _evidence_at(
    evidence,
    place,
    band,
    many_gamma,
    many_delta,
    gamma_first,
    gamma_weights,
    gamma_slopes,
    delta_first,
    delta_weights,
    delta_slopes,
    factor,
    by_gamma,
    by_delta,
    rows,
):
    """A node's evidence between the nodes of the two factors, and its slopes with them, on the
    years of `factor`.
    """
    length = len(factor)
    if not many_gamma and not many_delta:
        factor[:] = evidence[place : place + length]
        return
    factor[:] = 0.0
    if many_gamma != many_delta:
        if many_gamma:
            by_gamma[:] = 0.0
            add_four(factor, gamma_weights, 0, evidence, place + gamma_first * band, band)
            add_four(by_gamma, gamma_slopes, 0, evidence, place + gamma_first * band, band)
        else:
            by_delta[:] = 0.0
            add_four(factor, delta_weights, 0, evidence, place + delta_first * band, band)
            add_four(by_delta, delta_slopes, 0, evidence, place + delta_first * band, band)
        return
    by_gamma[:] = 0.0
    by_delta[:] = 0.0
    rows[: 8 * length] = 0.0
    for a in range(4):
        start = place + ((gamma_first + a) * NODES + delta_first) * band
        add_four(rows[a * length : (a + 1) * length], delta_weights, 0, evidence, start, band)
        add_four(rows[(4 + a) * length : (5 + a) * length], delta_slopes, 0, evidence, start, band)
    add_four(factor, gamma_weights, 0, rows, 0, length)
    add_four(by_gamma, gamma_slopes, 0, rows, 0, length)
    add_four(by_delta, gamma_weights, 0, rows, 4 * length, length)


@compiled
def _difference(out, above, below):
    for i in range(len(out)):
        out[i] = above[i] - below[i]


@compiled
def _add_difference(above_bar, below_bar, out_bar):
    for i in range(len(out_bar)):
        above_bar[i] += out_bar[i]
        below_bar[i] -= out_bar[i]


@compiled
def _add_product(out, left, right):
    for i in range(len(out)):
        out[i] += left[i] * right[i]


@compiled
def _times(out, left, right):
    for i in range(len(out)):
        out[i] = left[i] * right[i]


@compiled
def _in_class(out, message, factor, below, above):
    for i in range(len(out)):
        out[i] = message[i] * factor[i] * (above[i] - below[i])


@compiled
def _in_class_adjoint(product_bar, message, factor, below, above, below_bar, above_bar):
    """Takes the class probability into `product_bar` and adds what the edges' distribution
    functions are owed.
    """
    for i in range(len(product_bar)):
        pushed = product_bar[i] * message[i] * factor[i]
        above_bar[i] += pushed
        below_bar[i] -= pushed
        product_bar[i] *= above[i] - below[i]


@compiled
def _scaled(arrival_bar, weight, product, product_bar, arrival):
    for i in range(len(product)):
        arrival_bar[i] += weight * product[i]
        product_bar[i] = weight * arrival[i]
