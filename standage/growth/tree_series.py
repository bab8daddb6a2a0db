"""From the rings of cores to one series a tree, and to the log widths that the model of releases is
given.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.growth.common_growth import LEAST_SHARED, CommonGrowth, common_growth, weather
from standage.growth.release_model import SHORTEST_SERIES, log_widths
from standage.survey.survey import Survey


@dataclass(frozen=True)
class TreeSeries:
    """One ring series a tree.

    trees, stands, species : (tree,) names. cores : (tree,) how many cores are in the series.
    years : (year,) consecutive calendar years of all series together.
    widths : (tree, year) ring widths, NaN outside a series, 0 for a ring absent in all its cores.
        [mm]
    left_out : reasons, one for each tree or core that has rings and no part in a series.
    """

    trees: tuple[str, ...]
    stands: tuple[str, ...]
    species: tuple[str, ...]
    cores: tuple[int, ...]
    years: np.ndarray
    widths: np.ndarray
    left_out: tuple[str, ...] = ()

    def of_stand(self, stand: str) -> np.ndarray:
        """Places of the trees of a stand. (tree,) int"""
        return np.flatnonzero(np.array(self.stands, dtype=object) == stand)


def core_widths(ring_widths: pd.DataFrame) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Names, consecutive years and widths (core, year) of a table of rings, NaN outside a core."""
    if ring_widths.empty:
        return [], np.zeros(0, dtype=int), np.zeros((0, 0))
    numbers, names = pd.factorize(ring_widths["core"])
    year = ring_widths["year"].to_numpy(dtype=float).astype(int)
    years = np.arange(year.min(), year.max() + 1)
    widths = np.full((len(names), len(years)), np.nan)
    widths[numbers, year - years[0]] = ring_widths["width_mm"].to_numpy(dtype=float)
    return [str(name) for name in names], years, widths


def tree_series(survey: Survey) -> TreeSeries:
    """The series of all trees whose cores have rings, in the order of trees.csv.

    Cores of one tree are averaged ring by ring after each was brought to the level of the longest
    by the ratio of their sums where both have rings; a mean of cores that begin in different years
    would otherwise step where one begins.
    """
    names, years, widths = core_widths(survey.ring_widths)
    tree_of = dict(zip(survey.cores["core"], survey.cores["tree"], strict=True))
    by_tree: dict[str, list[int]] = {}
    for number, core in enumerate(names):
        by_tree.setdefault(tree_of[core], []).append(number)
    rows, cores, dated = [], [], []
    left_out: list[str] = []
    for tree in survey.trees.itertuples():
        of_tree = by_tree.get(tree.tree, [])
        if not of_tree:
            continue
        series, used, reasons = _joined(widths[of_tree], [names[number] for number in of_tree])
        left_out += reasons
        if np.isfinite(series).sum() < SHORTEST_SERIES or not (series > 0).any():
            left_out.append(
                f"tree {tree.tree}: fewer than {SHORTEST_SERIES} rings, too few to tell a lasting"
                " change"
            )
            continue
        rows.append(series)
        cores.append(used)
        dated.append(tree)
    return TreeSeries(
        tuple(tree.tree for tree in dated),
        tuple(tree.stand for tree in dated),
        tuple(tree.species for tree in dated),
        tuple(cores),
        years,
        np.stack(rows) if rows else np.zeros((0, len(years))),
        tuple(left_out),
    )


def _joined(widths: np.ndarray, names: list[str]) -> tuple[np.ndarray, int, list[str]]:
    """Mean series of the cores of a tree, how many are in it, and why others are not."""
    longest = int(np.argmax(np.isfinite(widths).sum(axis=1)))
    kept, reasons = [widths[longest]], []
    for number, row in enumerate(widths):
        if number == longest:
            continue
        shared = np.isfinite(row) & np.isfinite(widths[longest])
        total = row[shared].sum()
        if shared.sum() < LEAST_SHARED or total <= 0 or widths[longest][shared].sum() <= 0:
            reasons.append(
                f"core {names[number]}: shares fewer than {LEAST_SHARED} grown rings with the"
                " longest core of its tree"
            )
            continue
        kept.append(row * widths[longest][shared].sum() / total)
    stacked = np.stack(kept)
    there = np.isfinite(stacked)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (
            np.where(there, stacked, 0).sum(axis=0)
            / np.where(there.any(axis=0), there.sum(axis=0), np.nan),
            len(kept),
            reasons,
        )


@dataclass(frozen=True)
class ModelSeries:
    """What the model of releases is given.

    logs : one (year,) array a tree [log width]. first : (tree,) place on the common axis where each
        begins.
    common : by stand and species, what its trees do together; empty where nothing is taken out.
    """

    logs: list[np.ndarray]
    first: np.ndarray
    common: dict[tuple[str, str], CommonGrowth]

    def of_stand(self, stand: str) -> list[CommonGrowth]:
        return [common for (where, _), common in self.common.items() if where == stand]


def model_series(
    series: TreeSeries,
    generator: np.random.Generator,
    *,
    controls: Collection[str] = (),
    remove_common: bool = True,
) -> ModelSeries:
    """Log widths of each tree, without what the trees of a stand and species have in common but for
    lasting steps, see `standage.growth.common_growth`.

    generator : of the chains that look for lasting steps of common curves. controls : stands that
    nothing on record opened, whose weather is that of the others too. remove_common : False leaves
    the common part in.
    """
    first = np.array([int(np.flatnonzero(np.isfinite(row))[0]) for row in series.widths], dtype=int)
    logs = [log_widths(row[np.isfinite(row)]) for row in series.widths]
    if not remove_common:
        return ModelSeries(logs, first, {})
    groups: dict[tuple[str, str], list[int]] = {}
    for tree, group in enumerate(zip(series.stands, series.species, strict=True)):
        groups.setdefault(group, []).append(tree)
    laid_out = {
        group: _on_axis(logs, first, members, series.widths.shape[1])
        for group, members in groups.items()
    }
    species_of = [species for _, species in groups]
    of_controls = {
        group: weather(of_group, generator)
        for group, of_group in laid_out.items()
        if group[0] in controls and species_of.count(group[1]) > 1
    }
    common = {}
    for group, members in groups.items():
        others = [
            of_group
            for other, of_group in of_controls.items()
            if other[0] != group[0] and other[1] == group[1]
        ]
        common[group] = common_growth(laid_out[group], generator, _mean_of_known(others))
        for tree, taken_out in zip(members, common[group].taken_out, strict=True):
            logs[tree] = logs[tree] - taken_out[first[tree] : first[tree] + len(logs[tree])]
    return ModelSeries(logs, first, common)


def _on_axis(
    logs: list[np.ndarray], first: np.ndarray, members: list[int], length: int
) -> np.ndarray:
    """Log widths of some trees on the common axis, NaN outside their series. (tree, year)"""
    result = np.full((len(members), length), np.nan)
    for row, tree in enumerate(members):
        result[row, first[tree] : first[tree] + len(logs[tree])] = logs[tree]
    return result


def _mean_of_known(curves: list[np.ndarray]) -> np.ndarray | None:
    """Mean of the curves that are known in each year, NaN where none is. None without curves."""
    if not curves:
        return None
    stacked = np.stack(curves)
    number = np.isfinite(stacked).sum(axis=0)
    return np.where(number > 0, np.nansum(stacked, axis=0) / np.maximum(number, 1), np.nan)
