"""A few surveys of `tests/studies/damaged_surveys.py`: refused in words, or read as they were meant
and accounted for; and that its verdict sees what would be wrong.
"""

import dataclasses
import re
from collections import Counter

import pytest
from studies.damaged_surveys import judge_survey, one_check, write_files
from studies.damages import Slip, valid_surveys
from studies.second_reading import Fault, numbers_meant

from standage.survey.reading import read_survey


@pytest.mark.parametrize("number", [12, pytest.param(36, marks=pytest.mark.slow)])
def test_damaged_surveys_are_refused_in_words_or_read_as_they_were_meant(number):
    done = [one_check(3, each) for each in range(number)]
    assert not [each["fault"] for each in done if each["fault"]]
    outcomes = Counter(each["outcome"] for each in done)
    assert outcomes["accepted"] > number // 6 and outcomes["refused"] > number // 3
    assert sum(each["same"] for each in done) > number // 15


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    path = write_files(valid_surveys()["small-1"], tmp_path_factory.mktemp("small"))
    return read_survey(path), path


def with_table(survey, name, **columns):
    return dataclasses.replace(survey, **{name: getattr(survey, name).assign(**columns)})


def lost_stem(survey):
    return dataclasses.replace(survey, trees=survey.trees.iloc[:-1])


def lost_count(survey):
    return dataclasses.replace(survey, counts=survey.counts.iloc[1:])


def other_number(survey):
    thickest = survey.trees["dbh_cm"].max()
    dbh_cm = survey.trees["dbh_cm"].replace(thickest, thickest / 10)
    return with_table(survey, "trees", dbh_cm=dbh_cm)


def other_tree(survey):
    return with_table(survey, "cores", tree=survey.cores["tree"].iloc[0])


def unnamed_blank(survey):
    return with_table(survey, "cores", height_cm=float("nan"))


@pytest.mark.parametrize("wrong", [lost_stem, lost_count, other_number, other_tree, unnamed_blank])
def test_a_survey_that_says_other_than_its_files_is_found(small, wrong):
    survey, path = small
    judge_survey(survey, path, survey, (Slip(same=True),))
    with pytest.raises(Fault):
        judge_survey(wrong(survey), path, survey)


def test_a_survey_that_is_not_the_one_that_was_meant_is_found(small, tmp_path):
    survey, _ = small
    files = dict(valid_surveys()["small-1"])
    meant = f"{survey.trees['dbh_cm'].max():g}"
    files["trees.csv"] = files["trees.csv"].replace(meant.encode(), b"84.1")
    assert files != valid_surveys()["small-1"] and meant != "84.1"
    path = write_files(files, tmp_path)
    with pytest.raises(Fault, match=rf"84\.1.*, meant .*{re.escape(meant)}"):
        judge_survey(read_survey(path), path, survey, (Slip(same=True),))


@pytest.mark.parametrize(
    ("cell", "meant", "not_meant"),
    [("12 in", 30.48, 12), ("38,1", 38.1, 3.81), ("1,250", 1250, 125), ("6'2\"", 187.96, 62)],
)
def test_what_a_person_takes_a_cell_for(cell, meant, not_meant):
    read = {round(value, 6) for value in numbers_meant(cell, "cm", "")}
    assert meant in read and not_meant not in read
