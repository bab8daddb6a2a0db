"""Gross errors of counts: their law by loops, whom they can touch, and what several cores of a tree
say of them.
"""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

from standage.evidence import date_trees, evidence_over_years, read_cores
from standage.evidence.gross_errors import GROSS_SHARE, gross_shares
from standage.evidence.participation import participation, profiles_of
from standage.profiles import load_profile
from standage.stand.build import build_stands
from standage.survey.reading import read_survey

LONGLEAF = load_profile("longleaf-pine")
YEARS = np.arange(1600, 2024)
COLUMNS = ("core", "tree", "height_cm", "dating", "first_ring_year", "last_ring_year", "ring_count")


def survey_of(folder, *cores):
    """Cores at 1.37 m with the pith in them, each of a tree of its own unless it names one."""
    folder.mkdir(exist_ok=True)
    rows = [
        {"core": f"c{n}", "tree": f"t{n}", "height_cm": 137, "outer_ring": "complete"} | core
        for n, core in enumerate(cores)
    ]
    cores = pd.DataFrame(rows).assign(centre="pith")
    trees = pd.DataFrame({"tree": cores["tree"].unique(), "stand": "a", "dbh_cm": 40})
    cores.to_csv(folder / "cores.csv", index=False)
    trees.assign(species="longleaf-pine").to_csv(folder / "trees.csv", index=False)
    (folder / "stands.csv").write_text("stand,survey_date\na,2023-06-15\n")
    return read_survey(folder)


def counted(rings, **more):
    return {"dating": "counted", "ring_count": rings, "last_ring_year": 2022} | more


def crossdated(first, **more):
    return {"dating": "crossdated", "first_ring_year": first, "last_ring_year": 2022} | more


def readings_of(survey):
    return read_cores(survey, "a", "longleaf-pine", LONGLEAF)


def law_by_hand():
    """P(true less counted rings = shift) of a gross error, as docs/evidence.md words it."""
    law = {}
    sizes = range(5, 101)
    fall = sum(math.exp(-size / 15) for size in sizes)
    for sign, side in ((1, 0.6), (-1, 0.4)):
        for size in sizes:
            law[sign * size] = 0.9 * side * (5 / 9) * math.exp(-size / 15) / fall
        for decade, share in ((10, 0.8), (20, 0.2)):
            law[sign * decade] += 0.9 * side * (4 / 9) * share
    for shift in range(-100, 101):
        law[shift] = law.get(shift, 0.0) + 0.1 / 201
    return law


def test_a_count_is_a_mixture_of_its_usual_and_its_gross_errors(tmp_path):
    readings = readings_of(survey_of(tmp_path / "one", counted(90)))
    usual = dataclasses.replace(readings, gross_share=np.zeros(1))
    wide = np.arange(1400, 2224)
    without = evidence_over_years(usual, 0, wide, LONGLEAF)
    expected = (1 - 0.03) * without
    for shift, chance in law_by_hand().items():
        # so many true rings more than counted: so many years earlier
        expected += 0.03 * chance * np.roll(without, -shift)
    expected[wide > readings.reached_by[0]] = 0.0
    found = evidence_over_years(readings, 0, wide, LONGLEAF)
    # of label errors the one shift stands for all of a core, wherever its usual error puts it
    assert sum(law_by_hand().values()) == pytest.approx(1)
    np.testing.assert_allclose(found, expected, atol=2e-5)
    right = evidence_over_years(readings, 0, wide, LONGLEAF, right=True)
    np.testing.assert_allclose(right, (1 - 0.03) * without, atol=1e-12)


def test_only_counts_are_doubted(tmp_path):
    """What is crossdated, wholly or down to its secure part, is as certain as it was."""
    partly = crossdated(1900, crossdated_back_to_year=1930)
    survey = survey_of(tmp_path, counted(90), crossdated(1900), partly)
    readings = readings_of(survey)
    assert readings.gross_share.tolist() == [GROSS_SHARE, 0.0, 0.0]
    certain = evidence_over_years(readings, 1, YEARS, LONGLEAF)
    assert YEARS[certain > 0].tolist() == [1900]
    part = dataclasses.replace(readings, gross_share=np.zeros(3))
    np.testing.assert_array_equal(
        evidence_over_years(readings, 2, YEARS, LONGLEAF),
        evidence_over_years(part, 2, YEARS, LONGLEAF),
    )
    unread = gross_shares(pd.Series(["counted", ""]), np.array([False, True]))
    assert unread.tolist() == [0.0, GROSS_SHARE]


def test_a_second_reader_clears_a_count_of_the_eyes_errors_and_not_of_the_label(tmp_path):
    def chance_misread(folder):
        readings = readings_of(read_survey(folder))
        total, right = (
            evidence_over_years(readings, 0, YEARS, LONGLEAF, right=only).sum()
            for only in (False, True)
        )
        return 1 - right / total

    survey_of(tmp_path, counted(90))
    once = chance_misread(tmp_path)
    head = "core,reader,ring_count,blind\n"
    (tmp_path / "core_readings.csv").write_text(f"{head}c0,B,90,yes\n")
    agreeing = chance_misread(tmp_path)
    (tmp_path / "core_readings.csv").write_text(f"{head}c0,B,100,yes\n")
    differing = chance_misread(tmp_path)
    (tmp_path / "core_readings.csv").write_text(f"{head}c0,B,100,yes\nc0,C,100,yes\n")
    outvoted = chance_misread(tmp_path)
    assert once == pytest.approx(0.03, abs=2e-3)
    assert agreeing == pytest.approx(0.003, abs=1e-3)  # a tenth of the errors: labels
    assert 0.3 < differing < 0.7  # one of the two
    assert outvoted > 0.9


def test_counts_that_disagree_are_a_warning_and_crossdated_ones_a_refusal(tmp_path):
    both = [{"tree": "t", "height_cm": 137, "core": name} for name in ("left", "right")]
    one = counted(76) | both[0]
    survey = survey_of(tmp_path / "counts", one, counted(102) | both[1])
    row = date_trees(survey).iloc[0]
    assert "left and right disagree" in row["note"]
    # one of the two is right, and nothing says which
    assert row["coring_height_year_low"] <= 1922 and row["coring_height_year_high"] >= 1946
    sure = survey_of(tmp_path / "sure", one, crossdated(1921) | both[1])
    row = date_trees(sure).iloc[0]
    assert "left and right disagree" in row["note"]
    assert row["coring_height_year_low"] == row["coring_height_year_high"] == 1921
    exact = survey_of(tmp_path / "exact", crossdated(1947) | both[0], crossdated(1921) | both[1])
    assert "contradict" in date_trees(exact).iloc[0]["left_out_reason"]
    alike = survey_of(tmp_path / "alike", one, counted(78) | both[1])
    assert date_trees(alike).iloc[0]["note"] == ""


def test_counts_of_one_tree_cast_no_doubt_on_the_dated_cores_of_another(tmp_path):
    """Secure back to 1960, counted beyond, and further apart than counts usually are."""
    dated = [crossdated(first, tree="t", crossdated_back_to_year=1960) for first in (1900, 1922)]
    alone = date_trees(survey_of(tmp_path / "alone", *dated)).iloc[0]["note"]
    beside = survey_of(tmp_path / "beside", *dated, counted(76, tree="u"), counted(102, tree="u"))
    notes = date_trees(beside).set_index("tree")["note"]
    assert notes["t"] == alone and "disagree" not in alone
    assert "disagree" in notes["u"]


def test_run_names_both_cores_of_a_tree_as_ages_does(tmp_path):
    cores = [counted(76, tree="t"), counted(102, tree="t"), *(counted(80 + n) for n in range(9))]
    survey = survey_of(tmp_path, *cores)
    stems = participation(survey, profiles_of(survey)).stems.set_index("tree")
    assert stems.loc["t", "set_aside"] == "" and "c0 and c1 disagree" in stems.loc["t", "misread"]
    assert (stems["misread"] != "").sum() == 1
    built = build_stands(survey)
    stem = next(stem for stem in built.stems if stem.tree == "t")
    assert stem.cored and stem.chain is not None and "c0 and c1 disagree" in stem.note
    assert sum("c0 and c1 disagree" in note for note in built.notes) == 1
