"""Which counted cores to read once more: how probably each is grossly misread, and what a sure
reading would change.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.intervals import interval_columns

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# chance from which a core is named as one to read again: of simulated counts that were right fewer
# than 1 in 20 reach it (docs/validation.md)
LIKELY_MISREAD = 0.1
# chance from which a core is among the first to read again, whatever a sure reading would bring
# (assumption)
SURELY = 0.9
LEAST_DRAWS = 5.0  # of a median: how many draws it has to rest on at least (assumption)

REREADING = schema.ResultTable(
    "rereading",
    "a counted core, those first where a sure reading would change most",
    (
        *schema.UNIT,
        *schema.whole("rank", "", "within the survey"),
        *schema.text("core tree reader", "as in `cores.csv`"),
        *schema.probability(
            "misread_probability", "that its reading is off beyond its usual error"
        ),
        *schema.year(
            "tree_year",
            "establishment, or the first ring at the core where no coring height is recorded",
            interval=True,
        ),
        *schema.year("year_if_right", "its median, were the reading right", blank="hardly so"),
        *schema.year("year_if_misread", "its median, were it misread", blank="hardly so"),
        *schema.number(
            "tree_gain_years",
            "years",
            "by which a sure reading would shrink the mean error of that year",
            blank="hardly ever right",
        ),
        *schema.number(
            "oldest_gain_years",
            "years",
            "the same of the oldest cored tree of its stand and species",
            blank="a dead tree, or hardly ever right",
        ),
    ),
    remark="Ranked by the sum of both gains. Crossdated cores have no row;"
    " [mathematics](evidence.md#gross-errors).",
)


def rereading_table(findings: Findings) -> pd.DataFrame:
    """One row a core whose reading may be grossly off."""
    posterior = findings.posterior
    misread = posterior.misread
    cores = posterior.survey.cores.set_index("core")
    trees = posterior.trees.reset_index(drop=True)
    place = pd.Series(trees.index, index=trees["tree"])
    years = _years(posterior.establishment_year, posterior.year_at_core)
    oldest = _oldest(trees, years)
    rows = []
    for core in misread:
        stem = place[cores.at[core, "tree"]]
        tree = trees.loc[stem]
        chance = misread[core].to_numpy(dtype=float)
        own = years[:, stem]
        dated = np.isfinite(own) & np.isfinite(chance)
        if not dated.any():
            continue
        chance, own = chance[dated], own[dated]
        of_stand = oldest.get((tree["stand"], tree["species"]))
        gain = np.nan
        if of_stand is not None and tree["status"] == "live":
            gain = _gain(of_stand[dated], chance)
        rows.append(
            {
                "stand": tree["stand"],
                "species": tree["species"],
                "core": core,
                "tree": tree["tree"],
                "reader": cores.at[core, "reader"],
                "misread_probability": chance.mean(),
                **interval_columns("tree_year", own, findings.level, whole=True),
                "year_if_right": _median(own, 1.0 - chance),
                "year_if_misread": _median(own, chance),
                "tree_gain_years": _gain(own, chance),
                "oldest_gain_years": gain,
            }
        )
    table = REREADING.frame(rows)
    both = table[["tree_gain_years", "oldest_gain_years"]].astype(float).sum(axis=1)
    both = both.where(table["misread_probability"] < SURELY, np.inf)
    order = both.sort_values(ascending=False, kind="stable").index
    return REREADING.frame(table.loc[order].assign(rank=np.arange(1, len(table) + 1)))


def misread_by_tree(findings: Findings) -> pd.Series:
    """By tree, the probability that the likeliest misread of its cores is grossly off."""
    misread = findings.posterior.misread
    tree = findings.survey.cores.set_index("core")["tree"]
    return misread.mean().groupby(tree.reindex(misread.columns).to_numpy()).max()


def _years(established: np.ndarray, at_core: np.ndarray) -> np.ndarray:
    """Years of establishment, those at the core where there is none; NaN for neither. (draw,
    stem)
    """
    only_core = (established < 0).all(axis=0)
    years = np.where(only_core, at_core, established).astype(float)
    return np.where(years < 0, np.nan, years)


def _oldest(trees: pd.DataFrame, years: np.ndarray) -> dict[tuple[str, str], np.ndarray]:
    """Year of the oldest cored living tree of each stand and species, (draw,)."""
    used = (trees["cored"] & (trees["status"] == "live")).to_numpy(dtype=bool)
    used = used & np.isfinite(years).any(axis=0)
    groups = trees[used].groupby(["stand", "species"]).groups
    return {key: np.nanmin(years[:, rows], axis=1) for key, rows in groups.items()}


def _median(values: np.ndarray, weights: np.ndarray) -> float:
    """The weighted median; NaN where it would rest on a few draws only."""
    if weights.sum() < LEAST_DRAWS:
        return np.nan
    order = np.argsort(values, kind="stable")
    below = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(below, below[-1] / 2)])


def _gain(years: np.ndarray, chance: np.ndarray) -> float:
    """Mean error of a year, taken at its median, less what it would be with the reading sure: that
    of the draws in which it is right.
    """
    known = np.isfinite(years)
    years, right = years[known], 1.0 - chance[known]
    if not len(years):
        return np.nan
    now = float(np.abs(years - np.median(years)).mean())
    middle = _median(years, right)
    if np.isnan(middle):  # hardly ever right: what a sure reading leaves isn't known
        return np.nan
    then = float(np.average(np.abs(years - middle), weights=right))
    return max(now - then, 0.0)
