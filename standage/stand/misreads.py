"""How probably each counted core of a tree is grossly misread, given all else that is known of the
tree (docs/the-model.md, section 7).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from standage.compiled import Floats, Integers, compiled
from standage.evidence.delays import height_share
from standage.stand.data import TreeChain
from standage.stand.dating import (
    ChainInputs,
    Recruits,
    chain_inputs,
    fill_products,
    growth_between_nodes,
    years_of_interest,
)


@compiled
def chances_at_core(
    increments: Floats,
    sizes: Floats,
    factors: Floats,
    chain: ChainInputs,
    year: Integers,
    out: Floats,
) -> None:
    """Fills what the nodes from the highest to the lowest core say together of the year at that
    core, `out` (draw,), for the year of each draw; arrays as in `draw_chain`.
    """
    n_nodes = len(chain.start)
    n = 1
    for k in range(n_nodes):
        n = max(n, chain.stop[k])
    for d in range(len(year)):
        n = max(n, year[d] + 1)
    n = max(n, sizes.shape[1])
    product = np.zeros((n_nodes, n))
    message = np.zeros(n)
    years = np.zeros((2, n_nodes), np.int64)
    years_of_interest(chain.start, chain.stop, increments.shape[2], n, years)
    for d in range(len(year)):
        out[d] = 0.0
        if year[d] >= 0:
            own = sizes[min(d, len(sizes) - 1)]
            fill_products(
                increments[d], own, factors[d], chain, chain.core, years, product, message
            )
            out[d] = product[chain.core, year[d]]


def chances_misread(
    chain: TreeChain, recruits: Recruits, sizes: np.ndarray | None, year_at_core: np.ndarray
) -> dict[str, np.ndarray]:
    """Probability that a core is grossly misread given each draw and its year at the lowest core,
    by name of the core, `(draw,)`; NaN in a draw without a year. Cores that can't be are left out.

    year_at_core : (draw,) index on the axis, -1 for none. sizes : as in `chain_years`.
    """
    if not any(node.right for node in chain.nodes):
        return {}
    shares = [height_share(recruits.delays.profile, node.height_cm) for node in chain.nodes]
    increments = growth_between_nodes(recruits.delays, shares, len(year_at_core))
    own = np.zeros((1, 1)) if sizes is None else np.ascontiguousarray(sizes)
    factors = np.stack([recruits.early_growth, recruits.counting], axis=1)
    year = np.ascontiguousarray(year_at_core, dtype=np.int64)

    def weights(of: TreeChain) -> np.ndarray:
        out = np.empty(len(year))
        inputs = chain_inputs(of, has_size=sizes is not None)
        chances_at_core(increments, own, factors, inputs, year, out)
        return out

    total = weights(chain)
    found = {}
    for place, node in enumerate(chain.nodes):
        for each in node.right:
            only = replace(node, evidence=each.evidence, band_start=each.band_start)
            nodes = (*chain.nodes[:place], only, *chain.nodes[place + 1 :])
            right = weights(replace(chain, nodes=nodes))
            share = np.divide(right, total, out=np.full(len(year), np.nan), where=total > 0)
            found[each.core] = 1.0 - np.minimum(share, 1.0)
    return found
