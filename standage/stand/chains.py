"""The cores of one tree as the chain of nodes that the model is given."""

from __future__ import annotations

import numpy as np

from standage.evidence.core import CoreReadings, pooled_evidence_over_years
from standage.profiles import Profile
from standage.stand.data import BREAST_HEIGHT_CM, FACTOR_NODES, Node, RightReading, TreeChain

# prior standard deviations of a stand's factors that a core's band of years has to hold
WIDEST_FACTOR = 3.0
# share of a core's likelihood, summed over years, that may be cut off either end of its band
NEGLIGIBLE_EVIDENCE = 1e-5
# 135 and 140 cm are breast height to the nearest 5 cm
NEAR_BREAST_HEIGHT_CM = 3.0


def tree_chain(
    tree: str,
    rows: np.ndarray,
    readings: CoreReadings,
    heights: np.ndarray,
    years: np.ndarray,
    profile: Profile,
    dbh_class: int,
) -> TreeChain | None:
    """Cores of one tree, pooled by height, with the diameter at breast height: the chain by
    descending height. None where they leave no year.

    rows : the tree's, of readings. heights : as `chain_heights` gives them. dbh_class : -1 for
    none.
    """
    nodes = []
    for height in sorted(set(heights[rows]), reverse=True):
        at_height = rows[heights[rows] == height]
        node = _node(readings, at_height, float(height), years, profile, dbh_class)
        if node is None:
            return None
        nodes.append(node)
    if dbh_class >= 0 and all(node.height_cm != BREAST_HEIGHT_CM for node in nodes):
        nodes.append(Node(BREAST_HEIGHT_CM, dbh_class, None, 0, False, False))
    return TreeChain(tuple(sorted(nodes, key=lambda node: -node.height_cm)), tree)


def known_alive_chain(
    tree: str, alive_in_year: float, years: np.ndarray, dbh_class: int
) -> TreeChain | None:
    """A stem without a core, at breast height by a year in which it is on record as a tree. None
    where it is not, or was before the years considered.
    """
    reached = int(np.searchsorted(years, alive_in_year, side="right"))
    if not np.isfinite(alive_in_year) or reached == 0:
        return None
    evidence = np.ones((1, 1, reached))
    return TreeChain((Node(BREAST_HEIGHT_CM, dbh_class, evidence, 0, False, False),), tree)


def chain_heights(
    readings: CoreReadings, at_coring_height: bool, commonest_cm: float
) -> np.ndarray:
    """Heights used in the chains: 0 throughout where none is known, the commonest where one is
    blank. (core,) [cm]
    """
    if at_coring_height:
        return np.zeros(len(readings.height_cm))
    near = np.abs(readings.height_cm - BREAST_HEIGHT_CM) <= NEAR_BREAST_HEIGHT_CM
    known = np.where(near, BREAST_HEIGHT_CM, readings.height_cm)
    return np.where(np.isnan(readings.height_cm), commonest_cm, known)


def reference_height(at_coring_height: bool, commonest_cm: float) -> float:
    """The height whose delay the process moves with. [cm]"""
    if at_coring_height:
        return 0.0
    near = abs(commonest_cm - BREAST_HEIGHT_CM) <= NEAR_BREAST_HEIGHT_CM
    return BREAST_HEIGHT_CM if near else commonest_cm


def _node(
    readings: CoreReadings,
    rows: np.ndarray,
    height_cm: float,
    years: np.ndarray,
    profile: Profile,
    dbh_class: int,
) -> Node | None:
    """What cores of one height say of the year of their first ring; None where they leave none."""
    evidence = _of_cores(readings, rows, years, profile)
    loads_gamma = bool(
        np.any((readings.centre_loading[rows] > 0) & (readings.centre_sigma[rows] > 0))
    )
    loads_delta = bool(np.any(readings.counted_rings[rows] > 0))
    axes = (slice(None) if loads_gamma else slice(1), slice(None) if loads_delta else slice(1))
    evidence = evidence[axes]
    top = _over_factors(evidence)
    if not top.max() > 0:
        return None
    right = []
    for row in rows[readings.gross_share[rows] > 0]:
        part = _of_cores(readings, rows, years, profile, right=int(row))[axes] / top.max()
        # all of it negligible where the other cores leave the reading no chance
        low, high = _band(_over_factors(part)) if part.any() else (0, 1)
        right.append(RightReading(str(readings.core[row]), part[:, :, low:high], low))
    low, high = _band(top)
    return Node(
        height_cm,
        dbh_class if height_cm == BREAST_HEIGHT_CM else -1,
        evidence[:, :, low:high] / top.max(),
        low,
        loads_gamma,
        loads_delta,
        tuple(right),
    )


def _of_cores(
    readings: CoreReadings,
    rows: np.ndarray,
    years: np.ndarray,
    profile: Profile,
    right: int | None = None,
) -> np.ndarray:
    """Evidence of cores of one height at the nodes of the two factors, (early growth, counting,
    year). right : the core of which only the part with a reading not grossly off is taken.
    """
    nodes = (FACTOR_NODES, FACTOR_NODES)
    return pooled_evidence_over_years(
        readings, rows.tolist(), years, profile, nodes=nodes, right=right
    )


def _over_factors(evidence: np.ndarray) -> np.ndarray:
    """The largest likelihood of each year over the values of the factors looked at. (year,)"""
    inner = [
        np.abs(FACTOR_NODES) <= WIDEST_FACTOR if size > 1 else slice(None)
        for size in evidence.shape[:2]
    ]
    return evidence[inner[0]][:, inner[1]].max(axis=(0, 1))


def _band(top: np.ndarray) -> tuple[int, int]:
    """First and end year of what is not negligible."""
    below = np.cumsum(top) / top.sum()
    low = int(np.searchsorted(below, NEGLIGIBLE_EVIDENCE))
    return low, int(np.searchsorted(below, 1.0 - NEGLIGIBLE_EVIDENCE)) + 1
