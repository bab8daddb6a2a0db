"""releases.csv: a stand year by year, its trees at risk, the shares that changed, and how likely it
was disturbed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.intervals import interval_columns
from standage.growth.growth_changes import GrowthChanges
from standage.growth.stand_disturbance import year_chances

# a change counts for a year if it began within so many years of it: a tree's year is known no
# better [years]
NEAR_YEARS = 1
CHANGED_TREES = 0.5  # trees expected to have changed, from which a year gets a row in releases.csv
WORTH_A_ROW = 0.1  # probability from which a year without a released tree is kept in releases.csv
BETA_DRAWS = 400  # of a share, at least [draws]

AT_RISK = "share of trees at risk"
DISTURBED = "that the canopy was opened, or trees lost vigour, from rings and events on record"
RINGS_ALONE = "the same from the rings alone"
RELEASES = schema.ResultTable(
    "releases",
    "a stand and year of lasting change in growth, or in which a disturbance is not unlikely",
    (
        *schema.STAND,
        *schema.year("year", "first ring of the new growth, or of the disturbance"),
        *schema.whole("trees_at_risk", "trees", "with rings enough on both sides"),
        *schema.number(
            "share_released share_suppressed",
            AT_RISK,
            "growing faster, or more slowly, from then on, give or take a year",
            interval=True,
        ),
        *schema.probability("probability_disturbed", DISTURBED),
        *schema.probability("probability_disturbed_rings", RINGS_ALONE),
        *schema.probability("probability_suppressed", DISTURBED),
        *schema.probability("probability_suppressed_rings", RINGS_ALONE),
        *schema.number(
            "released_trees suppressed_trees",
            "trees",
            "expected number whose change began then",
        ),
        *schema.number(
            "released_elsewhere suppressed_elsewhere",
            AT_RISK,
            "the same in other stands: if as common, think of weather",
        ),
        *schema.text(
            "criterion",
            "`change_point` (the model), or a published criterion",
        ),
    ),
)


def chronology_table(changes: GrowthChanges, *, seed: int, level: float) -> pd.DataFrame:
    """Every year of every stand with rings: trees at risk, shares that changed, and how likely the
    stand was disturbed.

    Parameters
    ----------
    changes : those of all trees.
    seed : of the draws of shares.
    level : probability of the intervals.

    Returns
    -------
    A row a stand and year. A share's interval holds both what is not known
    of each tree and that so few trees stand for all: for each draw of the trees' changes a draw
    from Beta(1/2 + changed, 1/2 + not).
    """
    tables = [_chronology_of_stand(changes, stand, seed, level) for stand in changes.stands]
    return RELEASES.frame(pd.concat(tables, ignore_index=True) if tables else ())


def release_table(chronology: pd.DataFrame) -> pd.DataFrame:
    """releases.csv: the rows of `chronology_table` with growth releases or suppressions, or a stand
    likely disturbed.

    A year is kept where half a tree or more is expected to have changed in it, or a probability is
    0.1 or more.
    """
    likely = _largest(chronology, "probability_disturbed", "probability_suppressed") >= WORTH_A_ROW
    changed = _largest(chronology, "released_trees", "suppressed_trees") >= CHANGED_TREES
    return chronology[likely | changed].reset_index(drop=True)


def _largest(table: pd.DataFrame, *names: str) -> pd.Series:
    return table[list(names)].astype(float).max(axis=1).fillna(0)


def _chronology_of_stand(
    changes: GrowthChanges, stand: str, seed: int, level: float
) -> pd.DataFrame:
    members = changes.series.of_stand(stand)
    others = np.setdiff1d(np.arange(len(changes.series.trees)), members)
    years = changes.openings[stand].years if changes.openings else changes.series.years
    start = int(changes.series.years[0] - years[0])
    inner = slice(start, start + len(changes.series.years))
    at_risk = np.zeros(len(years))
    at_risk[inner] = changes.at_risk[members].sum(axis=0)
    table: dict[str, Any] = {
        "stand": stand,
        "year": years,
        "trees_at_risk": at_risk,
        "criterion": changes.criterion,
    }
    generator = np.random.default_rng(seed)
    kinds = (
        ("released", changes.released, changes.openings),
        ("suppressed", changes.suppressed, changes.weakenings),
    )
    for name, drawn, histories in kinds:
        near = _near(drawn[:, members] & changes.at_risk[members])
        shares = np.full((max(len(near), BETA_DRAWS), len(years)), np.nan)
        shares[:, inner] = _shares(near, changes.at_risk[members], generator, len(shares))
        table |= interval_columns(f"share_{name}", shares, level)
        expected = np.full(len(years), np.nan)
        expected[inner] = drawn[:, members].mean(axis=0).sum(axis=0)
        table[f"{name}_trees"] = expected
        table[f"{name}_elsewhere"] = np.full(len(years), np.nan)
        if len(others):
            table[f"{name}_elsewhere"][inner] = _mean_share(
                drawn[:, others], changes.at_risk[others]
            )
        column = "probability_disturbed" if name == "released" else "probability_suppressed"
        table[column] = histories[stand].drawn.disturbed().mean(axis=0) if histories else np.nan
        table[f"{column}_rings"] = year_chances(histories[stand].evidence) if histories else np.nan
    return pd.DataFrame(table)


def _near(drawn: np.ndarray, reach: int = NEAR_YEARS) -> np.ndarray:
    """Whether one began within `reach` years of each year. (draw, tree, year)"""
    result = drawn.copy()
    for away in range(1, reach + 1):
        result[..., away:] |= drawn[..., :-away]
        result[..., :-away] |= drawn[..., away:]
    return result


def _shares(
    near: np.ndarray, at_risk: np.ndarray, generator: np.random.Generator, number: int
) -> np.ndarray:
    """Drawn shares of trees at risk. (number, year), NaN where no tree is at risk"""
    trees = at_risk.sum(axis=0)
    changed = (near & at_risk).sum(axis=1)[np.arange(number) % len(near)]
    drawn = generator.beta(0.5 + changed, 0.5 + trees - changed)
    return np.where(trees > 0, drawn, np.nan)


def _mean_share(drawn: np.ndarray, at_risk: np.ndarray) -> np.ndarray:
    trees = at_risk.sum(axis=0)
    return np.where(
        trees > 0, (_near(drawn) & at_risk).mean(axis=0).sum(axis=0) / np.maximum(trees, 1), np.nan
    )
