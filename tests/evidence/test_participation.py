"""Who takes part: what `participation` says of each stem and core is what the stand model makes of
it, and cores that can't all be right date nobody.
"""

import functools

import numpy as np
import pandas as pd
import pytest
from hopeless_surveys import SURVEYS, cores_of, of, trees_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from standage.errors import StandageError, SurveyError
from standage.evidence import date_trees
from standage.evidence.participation import AT_ODDS, participation, profiles_of
from standage.simulate.surveys import small_survey
from standage.stand.build import build_stands
from standage.survey.accounted import ALONE, IN_HISTORY, LEFT_OUT, TALLIED
from standage.survey.reading import read_survey

DEMO = "demo/longleaf-survey"
CERTAIN = {"dating": "crossdated", "centre": "arcs", "last_ring_year": 2020}


def read(made, folder):
    return read_survey(made.write(folder))


def held_to_the_model(survey, built=None):
    """Asserts that each stem and core is what the model made of it; returns the participation.
    built: the model's data, where they are at hand.
    """
    taking_part = participation(survey, profiles_of(survey))
    built = built or build_stands(survey)
    stems = taking_part.stems.set_index("tree")
    assert sorted(stem.tree for stem in built.stems) == sorted(
        stems.index[stems["part"] != TALLIED]
    )
    used = {tree.tree for unit in built.data.units for tree in unit.trees}
    for stem in built.stems:
        told = stems.loc[stem.tree]
        assert stem.in_process == (told["part"] == IN_HISTORY), stem
        assert stem.left_out_reason == told["reason"], stem
        assert bool(stem.left_out_reason) == (told["part"] == LEFT_OUT), stem
        dated = stem.chain is not None or stem.basis == "planted"
        if not stem.in_process:
            assert dated == (told["part"] == ALONE), stem
    listed = sum(len(unit.trees) + int(unit.uncored_count.sum()) for unit in built.data.units)
    assert listed == (stems["part"] == IN_HISTORY).sum()
    cores = taking_part.cores
    trees = set(cores.loc[cores["part"] == IN_HISTORY, "tree"])
    assert trees == used
    return taking_part


@pytest.mark.slow
def test_of_the_demo_the_model_takes_what_is_said():
    stems = held_to_the_model(read_survey(DEMO)).stems
    assert dict(stems["part"].value_counts()) == {
        IN_HISTORY: 764,
        TALLIED: 124,
        ALONE: 23,
        LEFT_OUT: 7,
    }


@functools.cache
def tables():
    return {
        name: frame.astype(object).where(frame.notna(), None)
        for name, frame in small_survey(4, stems=40, cores=14).tables.items()
    }


CELLS = {
    "trees": {
        "species": ["longleaf-pine", "loblolly-pine", "oak"],
        "plot": [None, "keep"],
        "status": ["live", "dead", "stump"],
        "origin": ["natural", "planted"],
        "planted_year": [None, 1950],
        "dbh_cm": [None, "keep"],
    },
    "cores": {
        "height_cm": [None, 5, 30, 137],
        "first_ring_year": [None, 1700, 1900, 1990],
        "last_ring_year": [None, 1985],
        "ring_count": [None, 40],
        "centre": ["pith", "rotten", "unknown", "straight", "arcs"],
        "dating": ["counted", "crossdated"],
        "outer_ring": ["lost", "complete", "unknown"],
        "tree": ["first"],
    },
    "counts": {
        "species": ["longleaf-pine", "loblolly-pine", "oak", None],
        "stage": ["germinant", "grass", "emerging", "sapling"],
        "count": [0, 3],
    },
}


def damaged(data, folder):
    """A small survey with cells of trees, cores and counts changed; None where it is refused."""
    changed = {name: frame.copy() for name, frame in tables().items()}
    for _ in range(data.draw(st.integers(1, 25))):
        name = data.draw(st.sampled_from(["trees", "trees", "cores", "counts"]))
        column = data.draw(st.sampled_from(sorted(CELLS[name])))
        cell = data.draw(st.sampled_from(CELLS[name][column]))
        frame = changed[name]
        row = data.draw(st.integers(0, len(frame) - 1))
        if column not in frame:
            frame[column] = None
        if cell == "first":
            cell = changed["trees"]["tree"].iat[0]
        if cell != "keep":
            frame.loc[frame.index[row], column] = cell
    for name, frame in changed.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    try:
        return read_survey(folder)
    except SurveyError:
        return None


@pytest.mark.slow
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_of_damaged_surveys_the_model_takes_what_is_said(data, tmp_path_factory):
    survey = damaged(data, tmp_path_factory.mktemp("damaged"))
    if survey is None:
        return
    try:
        taking_part = held_to_the_model(survey)
    except StandageError:
        return
    stems = taking_part.stems
    assert len(stems) == len(survey.trees) and len(taking_part.cores) == len(survey.cores)
    assert stems.loc[stems["part"] == LEFT_OUT, "reason"].ne("").all()
    ages = date_trees(survey).set_index("tree")
    undated = ages[ages["establishment_year_median"].isna()]
    assert undated["left_out_reason"].ne("").all()


def two_cores_of_one_tree(first, other, **more):
    trees = trees_of()
    one = cores_of(trees, chosen=[11], **CERTAIN)[0] | {"first_ring_year": first} | more
    cores = [
        one,
        one | {"core": "other", "first_ring_year": other},
        *cores_of(trees, chosen=[2, 6]),
    ]
    return of(trees=trees, cores=cores)


def test_run_and_ages_agree_that_cores_contradict_each_other(tmp_path):
    """Both once dated such a tree otherwise: by each other's far tails."""
    survey = read(two_cores_of_one_tree(1832, 1950), tmp_path)
    taking_part = held_to_the_model(survey)
    tree = taking_part.stems.set_index("tree").loc["a-t12"]
    assert tree["set_aside"] == AT_ODDS and tree["part"] == IN_HISTORY  # by its size
    assert (taking_part.cores.loc[taking_part.cores["tree"] == "a-t12", "part"] == LEFT_OUT).all()
    built = build_stands(survey)
    stem = next(stem for stem in built.stems if stem.tree == "a-t12")
    assert stem.chain is None and "contradict" in stem.note
    assert any("a-t12" in note and "contradict" in note for note in built.notes)
    ages = date_trees(survey).set_index("tree").loc["a-t12"]
    assert pd.isna(ages["establishment_year_median"]) and "contradict" in ages["left_out_reason"]


@pytest.mark.parametrize("apart", [0, 1, 3, 8, 15])
def test_cores_that_missed_the_pith_by_little_may_differ_by_some_rings(tmp_path, apart):
    """Arcs seen and not measured leave years open: sister cores differ by 2 rings in the middle,
    some by 15 and more (cores of the same trees, counted side by side).
    """
    survey = read(two_cores_of_one_tree(1900, 1900 + apart), tmp_path)
    assert held_to_the_model(survey).stems["set_aside"].eq("").all()


def test_two_piths_of_certain_years_at_one_height_can_not_both_be_right(tmp_path):
    survey = read(two_cores_of_one_tree(1900, 1903, centre="pith"), tmp_path)
    assert (held_to_the_model(survey).stems["set_aside"] == AT_ODDS).sum() == 1


def test_an_upper_core_that_is_older_than_the_pith_below_it_is_at_odds_with_it(tmp_path):
    made = two_cores_of_one_tree(1900, 1890, centre="pith")
    made.tables["cores"].loc[1, "height_cm"] = 137
    taking_part = held_to_the_model(read(made, tmp_path))
    assert (taking_part.stems["set_aside"] == AT_ODDS).sum() == 1


@pytest.mark.parametrize("height", [30, None])
@pytest.mark.parametrize("turned", [False, True])
def test_the_innermost_ring_of_a_tree_is_that_of_the_core_that_goes_back_furthest(
    tmp_path, height, turned
):
    """Of several cores at one height, or at none recorded, not of the one that was listed last."""
    years = (1900, 1906)[:: -1 if turned else 1]
    survey = read(two_cores_of_one_tree(*years, height_cm=height), tmp_path)
    ages = date_trees(survey).set_index("tree")
    assert ages.loc["a-t12", "innermost_ring_year"] == 1900
    built = {stem.tree: stem for stem in build_stands(survey).stems}
    assert built["a-t12"].innermost_ring_year == 1900


def test_of_cores_at_two_heights_the_lowest_counts(tmp_path):
    made = two_cores_of_one_tree(1906, 1900)
    made.tables["cores"].loc[1, "height_cm"] = 137
    ages = date_trees(read(made, tmp_path)).set_index("tree")
    assert ages.loc["a-t12", "innermost_ring_year"] == 1906


def test_notes_of_all_cores_of_a_tree_reach_its_row(tmp_path):
    made = two_cores_of_one_tree(1900, 1903)
    made.tables["cores"].loc[0, "last_ring_year"] = 2001
    made.tables["cores"].loc[1, "last_ring_year"] = 2005
    note = date_trees(read(made, tmp_path)).set_index("tree").loc["a-t12", "note"]
    first = made.tables["cores"].loc[0, "core"]
    assert note.count("outer rings are missing") == 2 and first in note and "core other" in note


def test_dates_are_blank_where_the_cores_are_at_odds_and_only_there(tmp_path):
    survey = read(SURVEYS["two cores of a tree forty years apart"](), tmp_path)
    ages = date_trees(survey)
    aside = participation(survey, profiles_of(survey)).stems["set_aside"] != ""
    np.testing.assert_array_equal(
        ages["coring_height_year_median"].isna().to_numpy(), aside.to_numpy()
    )
