"""Cored stems that differ from others of their size are named; a draw by chance is not."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from scipy.stats import mannwhitneyu
from statsmodels.stats.contingency_tables import StratifiedTable

from standage.stand.choice_of_cores import (
    CROWN_RANKS,
    choice_notes,
    difference_within_sizes,
    log_distance_to_next,
)


def stand(rng: np.random.Generator, picked: bool) -> tuple[pd.DataFrame, str, set[str]]:
    """150 stems of like diameters in five crown classes; 40 cored, by chance or by crown."""
    classes = np.array(["suppressed", "intermediate", "codominant", "dominant"])
    number = rng.integers(0, 4, 150)
    stems = stems_of(rng, 150).assign(crown_class=classes[number])
    weight = np.where(number >= 2, 4.0, 1.0) if picked else np.ones(150)
    cored = rng.choice(stems["tree"], 40, replace=False, p=weight / weight.sum())
    return stems, "pine", set(cored)


def stems_of(rng: np.random.Generator, number: int) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "tree": [f"t{tree}" for tree in range(number)],
            "plot": "p",
            "species": "pine",
            "status": "live",
            "dbh_cm": rng.uniform(10, 50, number),
            "crown_class": None,
            "x_m": rng.uniform(0, 50, number),
            "y_m": rng.uniform(0, 50, number),
        }
    )


def test_picked_crowns_are_named_and_a_draw_by_chance_is_not():
    """By chance one in a hundred is named, of crowns and of distances: at most 9 of 200 surveys
    (binomial, 98 %).
    """
    rng = np.random.default_rng(3)
    by_chance = sum(bool(choice_notes("a stand", *stand(rng, picked=False))) for _ in range(200))
    picked = [choice_notes("a stand", *stand(rng, picked=True)) for _ in range(40)]
    assert by_chance <= 9
    assert sum(bool(notes) for notes in picked) >= 32
    note = next(notes for notes in picked if notes)[0]
    assert re.search(r"stand 0\.[4-9] crown classes higher .* decades older than said", note)


def test_cored_stems_that_stand_free_are_named():
    """Cored ones have their next stem, of any species, some twice as far off as the rest."""
    rng = np.random.default_rng(7)
    stems = stems_of(rng, 150)
    distance = log_distance_to_next(stems)
    free = set(stems["tree"][np.argsort(-distance)[:60:2]])
    (note,) = choice_notes("a stand", stems, "pine", free)
    assert "times as far from the next stem" in note and "decades older than said" in note
    (note,) = choice_notes("a stand", stems, "pine", set(stems["tree"][np.argsort(distance)[:40]]))
    assert "stand 0." in note and "decades younger than said" in note


def test_the_next_stem_is_a_live_one_of_the_same_plot():
    stems = stems_of(np.random.default_rng(1), 5).assign(
        x_m=[0, 3, 1, 0, np.nan], y_m=[0, 4, 0, 0.5, 0], plot=list("pppqp")
    )
    stems.loc[1, "species"], stems.loc[2, "status"] = "oak", "dead"
    found = np.exp(log_distance_to_next(stems))
    assert found[:2] == pytest.approx(5) and np.isnan(found[2:]).all()


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
    _, chance = difference_within_sizes(dbh, rank, cored)
    assert chance == pytest.approx(StratifiedTable(tables).test_null_odds().pvalue)


def test_one_class_of_size_is_the_rank_sum_test():
    """One stratum with untied ranks: Wilcoxon's rank-sum test, normal approximation (scipy)."""
    rng = np.random.default_rng(6)
    rank = rng.permutation(30).astype(float)
    cored = np.arange(30) < 12
    _, chance = difference_within_sizes(np.full(30, 25.0), rank, cored)
    expected = mannwhitneyu(
        rank[cored], rank[~cored], method="asymptotic", use_continuity=False
    ).pvalue
    assert chance == pytest.approx(expected)


def test_too_few_to_compare_say_nothing():
    none = difference_within_sizes(
        np.array([20.0, 21, 22]), np.array([0.0, 1, 3]), np.array([1, 0, 1]) > 0
    )
    assert np.isnan(none[0]) and none[1] == 1
    unknown = difference_within_sizes(np.full(40, 20.0), np.full(40, np.nan), np.arange(40) < 20)
    assert unknown[1] == 1
