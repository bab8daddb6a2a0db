"""A species in a stand as it is made ready for the model, and its stems."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.evidence.core import CoreReadings
from standage.evidence.participation import AT_ODDS
from standage.evidence.tree_ages import record_words
from standage.profiles import Profile
from standage.stand.chains import chain_heights, known_alive_chain, tree_chain
from standage.stand.data import TreeChain
from standage.survey.accounted import IN_HISTORY

# up to a diameter, the width of its classes: well under the scatter of size at one age. [cm]
CLASS_WIDTHS_CM = ((20.0, 2.0), (40.0, 4.0), (np.inf, 8.0))


@dataclass(frozen=True)
class DatedStem:
    """A stem to be dated after sampling.

    unit : index of its unit, -1 where the species has too few stems there for one. basis : cored,
    size or planted. in_process : whether it counts in the likelihood. dbh_class : -1 without a
    diameter. coring_height_cm, innermost_ring_year : of the lowest core; NaN where not recorded.
    chain : None for stems dated by their size class alone. cored : whether cores are in it.
    """

    tree: str
    stand: str
    species: str
    plot: str
    unit: int
    status: str
    basis: str
    in_process: bool
    dbh_cm: float
    dbh_class: int
    coring_height_cm: float
    innermost_ring_year: float
    chain: TreeChain | None
    cored: bool
    planted_year: float
    left_out_reason: str
    note: str


@dataclass(frozen=True, eq=False)
class Group:
    """A species in a stand.

    stems : its rows of trees, with `natural`. taking_part : what becomes of each, a row a stem, see
    `standage.evidence.participation`. readings : of its cores. has_plots : whether the stand has
    plots with stems listed in them. number : of its unit, -1 without a history of its own.
    """

    stand: str
    species: str
    profile: Profile
    stems: pd.DataFrame
    taking_part: pd.DataFrame
    readings: CoreReadings
    has_plots: bool
    at_coring_height: bool
    commonest_height_cm: float
    number: int


def class_edges(largest_cm: float, limits_cm: np.ndarray) -> np.ndarray:
    """Edges of the diameter classes, from 0 to infinity, so that every limit of a plot is one.
    [cm]
    """
    inner = [0.0]
    while inner[-1] < largest_cm:
        inner.append(
            inner[-1] + next(width for up_to, width in CLASS_WIDTHS_CM if inner[-1] < up_to)
        )
    return np.unique(np.concatenate([inner, limits_cm[limits_cm > 0], [np.inf]]))


def dated_stems(group: Group, years: np.ndarray, edges: np.ndarray) -> list[DatedStem]:
    """What dates each stem of a group."""
    readings = group.readings
    usable = np.asarray(readings.readable, dtype=bool)
    heights = chain_heights(readings, group.at_coring_height, group.commonest_height_cm)
    rows_of = _rows_of(np.asarray(readings.tree)[usable], np.flatnonzero(usable))
    none = np.zeros(0, dtype=int)
    found = []
    for row, taking in zip(group.stems.itertuples(), group.taking_part.itertuples(), strict=True):
        rows = rows_of.get(row.tree, none)
        c = _dbh_class(edges, row.dbh_cm)
        chain, reason, set_aside = None, taking.reason, taking.set_aside
        if len(rows) and not set_aside:
            with_size = row.natural and not group.at_coring_height
            chain = tree_chain(
                row.tree, rows, readings, heights, years, group.profile, c if with_size else -1
            )
            # agreement to the last digit of what a likelihood can hold
            set_aside = "" if chain is not None else AT_ODDS
        cored = chain is not None
        planted_year = row.planted_year if row.origin == "planted" else np.nan
        basis = "cored" if cored else "size"
        if np.isfinite(planted_year):
            basis = "planted"
        by_size = c >= 0 and not group.at_coring_height
        counted = taking.part == IN_HISTORY and (cored or by_size)
        if not cored and counted and by_size:
            chain = known_alive_chain(row.tree, row.alive_in_year, years, c)
        if not counted and chain is None and basis != "planted":
            reason = reason or set_aside
        # the lowest core, of one height the one that goes back furthest
        lowest = rows[np.lexsort((readings.innermost_year[rows], readings.height_cm[rows]))][:1]
        found.append(
            DatedStem(
                tree=row.tree,
                stand=group.stand,
                species=group.species,
                plot=row.plot,
                unit=group.number,
                status=row.status,
                basis=basis,
                in_process=counted,
                dbh_cm=float(row.dbh_cm),
                dbh_class=c,
                coring_height_cm=_first(readings.height_cm[lowest]),
                innermost_ring_year=_first(readings.innermost_year[lowest]),
                chain=chain,
                cored=cored,
                planted_year=float(planted_year),
                left_out_reason=reason,
                note="; ".join(
                    filter(
                        None,
                        (
                            f"{set_aside}: dated without them" if set_aside and not reason else "",
                            taking.misread if chain is not None else "",
                            record_words(row.alive_in_year, row.alive_source),
                        ),
                    )
                ),
            )
        )
    return found


def _rows_of(trees: np.ndarray, rows: np.ndarray) -> Mapping[str, np.ndarray]:
    """Rows of the readings by tree, in their order."""
    found: dict[str, list[int]] = {}
    for tree, row in zip(trees, rows, strict=True):
        found.setdefault(tree, []).append(row)
    return {tree: np.array(of_tree, dtype=int) for tree, of_tree in found.items()}


def _dbh_class(edges: np.ndarray, dbh_cm: float) -> int:
    return -1 if not np.isfinite(dbh_cm) else int(np.searchsorted(edges, dbh_cm, side="right") - 1)


def _first(values: np.ndarray) -> float:
    return float(values[0]) if len(values) else np.nan
