"""A few surveys of `tests/studies/damaged_surveys.py`: refused in words, or read as they were meant
and accounted for; and that its verdict sees what would be wrong.
"""

import dataclasses
import io
import re
from collections import Counter

import pandas as pd
import pytest
from studies.damaged_surveys import judge_survey, one_check, write_files
from studies.damages import Slip, valid_surveys
from studies.second_reading import Fault, numbers_meant

from standage.survey.cells.cell_values import UNREAD_CLASS
from standage.survey.reading import read_survey
from standage.survey.readings import HEADING, Reading


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


def hidden_class(survey):
    """A known word, left out as one that nobody knows."""
    first = survey.trees[survey.trees["crown_class"] != ""].iloc[0]
    told = Reading("trees.csv", first["row"], "crown_class", first["crown_class"], "", UNREAD_CLASS)
    classes = survey.trees["crown_class"].where(survey.trees["row"] != first["row"], "")
    survey = with_table(survey, "trees", crown_class=classes)
    return dataclasses.replace(survey, readings=(*survey.readings, told))


def swapped_heading(survey):
    told = Reading("trees.csv", 1, "tree", "dbh_cm", "tree", HEADING)
    return dataclasses.replace(survey, readings=(*survey.readings, told))


WRONG = [lost_stem, lost_count, other_number, other_tree, unnamed_blank]


@pytest.mark.parametrize("wrong", [*WRONG, hidden_class, swapped_heading])
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


def with_column(files, table, name, cells):
    """A table with one more column."""
    lines = files[f"{table}.csv"].decode().splitlines()
    cells = [name, *cells(pd.read_csv(io.StringIO("\n".join(lines)), dtype=str))]
    text = "\n".join(f"{line},{cell}" for line, cell in zip(lines, cells, strict=True))
    return files | {f"{table}.csv": f"{text}\n".encode()}


def test_a_column_by_which_rows_are_found_says_what_is_listed(small, tmp_path):
    survey, _ = small
    plot_of = dict(zip(survey.trees["tree"], survey.trees["plot"], strict=True))
    files = dict(valid_surveys()["small-1"])
    right = with_column(files, "cores", "plot", lambda cores: cores["tree"].map(plot_of))
    wrong = with_column(files, "cores", "plot", lambda cores: ["elsewhere"] * len(cores))
    path = write_files(right, tmp_path / "right")
    read = read_survey(path)
    judge_survey(read, path, survey)
    with pytest.raises(Fault, match="which is of"):
        judge_survey(read, write_files(wrong, tmp_path / "wrong"), survey)


def test_a_heading_in_another_unit_is_read_in_it(small, tmp_path):
    survey, _ = small
    files = dict(valid_surveys()["small-1"])
    trees = pd.read_csv(io.BytesIO(files["trees.csv"]), dtype=str, keep_default_na=False)
    inches = (trees["dbh_cm"].astype(float) / 2.54).map("{:.3f}".format)
    trees = trees.assign(dbh_cm=inches).rename(columns={"dbh_cm": "DBH (in)"})
    files["trees.csv"] = trees.to_csv(index=False).encode()
    path = write_files(files, tmp_path)
    read = read_survey(path)
    judge_survey(read, path, survey)
    as_cm = [
        dataclasses.replace(each, as_read="dbh_cm") if each.column == "dbh_cm" else each
        for each in read.readings
    ]
    with pytest.raises(Fault, match="read in"):
        wrong = with_table(read, "trees", dbh_cm=read.trees["dbh_cm"] / 2.54)
        judge_survey(dataclasses.replace(wrong, readings=tuple(as_cm)), path, survey)


@pytest.mark.parametrize(
    ("cell", "meant", "not_meant"),
    [("12 in", 30.48, 12), ("38,1", 38.1, 3.81), ("1,250", 1250, 125), ("6'2\"", 187.96, 62)],
)
def test_what_a_person_takes_a_cell_for(cell, meant, not_meant):
    read = {round(value, 6) for value in numbers_meant(cell, "cm", "")}
    assert meant in read and not_meant not in read
