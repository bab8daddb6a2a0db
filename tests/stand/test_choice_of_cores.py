"""Cored stems that differ from others of their size are named; a draw by chance is not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import mannwhitneyu
from statsmodels.stats.contingency_tables import StratifiedTable

from standage.stand.choice_of_cores import CROWN_RANKS, choice_note, crown_difference


def stand(rng: np.random.Generator, picked: bool) -> tuple[pd.DataFrame, set[str]]:
    """150 stems of like diameters in five crown classes; 40 cored, by chance or by crown."""
    classes = np.array(["suppressed", "intermediate", "codominant", "dominant"])
    number = rng.integers(0, 4, 150)
    stems = pd.DataFrame(
        {
            "tree": [f"t{tree}" for tree in range(150)],
            "status": "live",
            "dbh_cm": rng.uniform(10, 50, 150),
            "crown_class": classes[number],
        }
    )
    weight = np.where(number >= 2, 4.0, 1.0) if picked else np.ones(150)
    cored = rng.choice(stems["tree"], 40, replace=False, p=weight / weight.sum())
    return stems, set(cored)


def test_picked_crowns_are_named_and_a_draw_by_chance_is_not():
    """By chance one in a hundred is named: at most 5 of 200 (binomial, 98 %)."""
    rng = np.random.default_rng(3)
    by_chance = sum(bool(choice_note("a stand", *stand(rng, picked=False))) for _ in range(200))
    picked = [choice_note("a stand", *stand(rng, picked=True)) for _ in range(40)]
    assert by_chance <= 5
    assert sum(bool(note) for note in picked) >= 32
    assert "stand higher" in next(note for note in picked if note)[0]


def test_two_classes_are_the_mantel_haenszel_test_of_tables():
    """With two crown classes the statistic is that of Cochran, Mantel and Haenszel without
    correction (statsmodels).
    """
    rng = np.random.default_rng(5)
    dbh = rng.uniform(10, 40, 90)
    cored, high = rng.random(90) < 0.4, rng.random(90) < 0.5
    rank = np.where(high, CROWN_RANKS["dominant"], CROWN_RANKS["suppressed"])
    tables = [
        np.array(
            [
                [(here & cored & high).sum(), (here & cored & ~high).sum()],
                [(here & ~cored & high).sum(), (here & ~cored & ~high).sum()],
            ]
        )
        for here in (np.floor(dbh / 10) == size for size in range(1, 4))
    ]
    _, chance = crown_difference(dbh, rank, cored)
    assert chance == pytest.approx(StratifiedTable(tables).test_null_odds().pvalue)


def test_one_class_of_size_is_the_rank_sum_test():
    """One stratum with untied ranks: Wilcoxon's rank-sum test, normal approximation (scipy)."""
    rng = np.random.default_rng(6)
    rank = rng.permutation(30).astype(float)
    cored = np.arange(30) < 12
    _, chance = crown_difference(np.full(30, 25.0), rank, cored)
    expected = mannwhitneyu(
        rank[cored], rank[~cored], method="asymptotic", use_continuity=False
    ).pvalue
    assert chance == pytest.approx(expected)


def test_too_few_to_compare_say_nothing():
    none = crown_difference(
        np.array([20.0, 21, 22]), np.array([0.0, 1, 3]), np.array([1, 0, 1]) > 0
    )
    assert np.isnan(none[0]) and none[1] == 1
    unknown = crown_difference(np.full(40, 20.0), np.full(40, np.nan), np.arange(40) < 20)
    assert unknown[1] == 1
