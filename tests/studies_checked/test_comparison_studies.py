"""The arithmetic of the studies on pooling and unequal effort, on rows made up so that the answer
is known.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from studies import comparison_studies as studies

from standage.profiles import load_profile
from standage.survey.reading import read_survey


def trees(
    setting: str, *, ratio: float, off: float = 5.0, coverage: float = 0.92, surveys: int = 10
) -> pd.DataFrame:
    """Trees of the small stand: intervals of 20 years by itself and `ratio` times that with
    neighbours, there `off` years wrong, not 5.
    """
    rows = []
    for survey in range(surveys):
        for fit, width, wrong in (
            ("by itself", 20.0, 5.0),
            ("with neighbours", 20.0 * ratio * (1 + 0.01 * (survey % 2)), off),
        ):
            for tree in range(50):
                sign = 1 if tree % 2 else -1
                rows.append(
                    {
                        "setting": setting,
                        "survey": survey,
                        "fit": fit,
                        "by": "core" if tree % 4 < 2 else "size",
                        "width": width,
                        "hit": int(tree < 50 * coverage),
                        "mass": 0.92,
                        "rank": (tree + 0.5) / 50,
                        "error": sign * wrong,
                    }
                )
    return pd.DataFrame(rows)


def life(setting: str, ratio: float, surveys: int = 10) -> pd.DataFrame:
    rows = []
    for survey in range(surveys):
        rows.append(
            {
                "setting": setting,
                "survey": survey,
                "fit": "by itself",
                "name": "n",
                "hit": 1,
                "width": 1.0,
            }
        )
        rows.append(
            {
                "setting": setting,
                "survey": survey,
                "fit": "with neighbours",
                "name": "n",
                "hit": 1,
                "width": ratio,
            }
        )
    return pd.DataFrame(rows)


def holds(stems: pd.DataFrame, parameters: pd.DataFrame) -> list[bool]:
    return studies.pooling_verdict(stems, parameters)["holds"].tolist()


def test_gain_is_a_ratio_of_widths_and_a_difference_of_errors():
    (row,) = studies.pooled_gain(trees("alike", ratio=0.8, off=7.0), ["setting"]).to_dict("records")
    assert row["width_ratio"] == pytest.approx(0.804, abs=0.001) and row["surveys"] == 10
    assert row["width_ratio_low"] < row["width_ratio"] < row["width_ratio_high"] < 0.81
    assert row["further_off"] == pytest.approx(2.0) and row["further_off_se"] == pytest.approx(
        0.0, abs=1e-12
    )


def test_a_gain_that_holds_the_truth_holds_and_either_alone_does_not():
    assert holds(trees("alike", ratio=0.8), life("alike", 0.8)) == [True, True, True]
    assert holds(trees("alike", ratio=1.0), life("alike", 0.8)) == [True, False, True]
    assert holds(trees("alike", ratio=0.8), life("alike", 1.1)) == [False, True, True]
    assert holds(trees("alike", ratio=0.5, coverage=0.7), life("alike", 0.8)) == [True, True, False]
    assert len(holds(trees("sections next door", ratio=0.8), life("sections next door", 0.8))) == 4


def test_a_stand_that_is_dragged_along_is_found():
    assert holds(trees("differs", ratio=0.9, off=5.5), life("differs", 0.9)) == [True, True, True]
    assert holds(trees("differs", ratio=0.9, off=8.0), life("differs", 0.9)) == [False, False, True]
    assert holds(trees("differs", ratio=0.9, coverage=0.6), life("differs", 0.9)) == [
        True,
        True,
        False,
    ]


def test_one_survey_proves_nothing():
    assert not any(holds(trees("alike", ratio=0.8, surveys=1), life("alike", 0.8, surveys=1)))


def pairs(hits: list[int], told_apart: list[int]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "setting": "unequal effort",
            "measure": "stems_per_ha",
            "survey": range(len(hits)),
            "hit": hits,
            "told_apart": told_apart,
            "difference": 0.0,
            "width": 1.0,
        }
    )


def test_equal_stands_come_out_equal_where_nearly_all_intervals_hold_nothing():
    (row,) = studies.effort_table(pairs([1] * 92 + [0] * 8, [0] * 92 + [1] * 8)).to_dict("records")
    assert (
        row["coverage"] == pytest.approx(0.92)
        and row["told_apart"] == pytest.approx(0.08)
        and row["holds"]
    )
    assert not studies.effort_table(pairs([1] * 75 + [0] * 25, [0] * 100))["holds"].any()
    assert not studies.effort_table(pairs([1] * 100, [0] * 75 + [1] * 25))["holds"].any()
    assert not studies.effort_table(pairs([math.nan] * 40, [1] * 40))[
        "holds"
    ].any()  # a distance is judged by what it tells apart
    assert studies.effort_table(pairs([math.nan] * 40, [0] * 40))["holds"].all()


def test_the_stand_that_differs_stands_where_it_is_said_to():
    from standage.simulate.life import draw_life_histories

    profile = load_profile("longleaf-pine")
    lives = draw_life_histories(
        profile, np.random.default_rng(1), stands=4, first_year=1850, last_year=2024
    )
    moved = studies.apart(lives[0], lives[1:], profile, 2.0)
    middle = np.exp(np.mean([np.log(life.grass_median_years) for life in lives[1:]]))
    assert math.log(moved.grass_median_years / middle) == pytest.approx(
        2 * profile["grass_stage.between_stand_log_sd"]
    )
    assert moved.growth_cm_per_year < min(life.growth_cm_per_year for life in lives[1:]) * 1.5
    assert moved.asymptote_cm == lives[0].asymptote_cm


@pytest.mark.parametrize("setting", studies.SETTINGS["pooling"])
def test_the_small_stand_is_the_same_survey_by_itself(setting, tmp_path):
    simulated = studies.neighbours(3, setting)
    alone = studies.only(simulated, "a")
    whole, part = (
        read_survey(simulated.write(tmp_path / "whole")),
        read_survey(alone.write(tmp_path / "part")),
    )
    assert list(part.stands["stand"]) == ["a"] and len(whole.stands) == 4
    trees = set(whole.trees.loc[whole.trees["stand"] == "a", "tree"])
    assert (
        set(part.trees["tree"]) == trees
        and set(part.cores["tree"]) == set(whole.cores["tree"]) & trees
    )
    assert len(part.cores) <= studies.SMALL_CORES + 3 < len(whole.cores) and len(part.counts) < len(
        whole.counts
    )
    sections = whole.known_age_stems["stand"].value_counts().to_dict()
    assert sections == (
        dict.fromkeys("bcd", studies.SECTIONS) if setting == "sections next door" else {}
    )
    judged = studies.true_of(simulated.truth["trees"], "a")
    assert set(judged.loc[judged["establishment_year"].notna(), "stand"]) == {"a"}


def test_a_pair_of_equal_truth_is_surveyed_as_it_is_said_to(tmp_path):
    simulated = studies.pair(2, "unequal effort")
    living = simulated.truth["living"]
    first, second = (
        living.loc[living["stand"] == stand, "living_per_ha"].to_numpy() for stand in "ab"
    )
    assert (first == second).all() and first.sum() > 0
    trees, cores = simulated.tables["trees"], simulated.tables["cores"]
    of = cores["tree"].map(trees.set_index("tree")["stand"])
    assert (
        trees.loc[trees["stand"] == "a", "dbh_cm"].min()
        < 10
        <= trees.loc[trees["stand"] == "b", "dbh_cm"].min()
    )
    assert (of == "b").sum() <= 23 < 50 < (of == "a").sum()
    raw = {row["what"]: row["difference"] for row in studies.raw_differences(simulated)}
    assert set(raw) == {"listed stems per ha", "median innermost ring year"} and all(
        math.isfinite(value) for value in raw.values()
    )


def test_measures_are_judged_by_whether_the_interval_holds_nothing():
    table = pd.DataFrame(
        {
            "kind": ["stand", "stand", "stand", "stand", "community"],
            "told_apart": ["no", "yes", "not compared", "no", "no"],
            "measure": [
                "stems_per_ha",
                "share_in_class",
                "latest_pulse_start",
                "age_structure_distance",
                "stems_per_ha",
            ],
            "class_first_year": [np.nan, 1900, np.nan, np.nan, np.nan],
            "difference_low": [-3, 0.1, np.nan, 2, -1],
            "difference_median": [1, 0.2, np.nan, 4, 0],
            "difference_high": [5, 0.4, np.nan, 9, 1],
        }
    )
    rows = studies.measure_outcomes(table)
    assert [row["measure"] for row in rows] == [
        "stems_per_ha",
        "share_in_class, by class",
        "age_structure_distance",
    ]
    assert [row["told_apart"] for row in rows] == [0, 1, 0] and [
        row["hit"] for row in rows[:2]
    ] == [1, 0]
    assert math.isnan(rows[2]["hit"]) and rows[0]["width"] == 8
