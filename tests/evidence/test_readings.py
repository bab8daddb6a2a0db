"""Several readings of a core: what they do to its date, and how far readers agree."""

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from standage.commands.cli import main
from standage.evidence import date_trees, evidence_over_years, read_cores
from standage.evidence.account import account
from standage.evidence.reader_agreement import (
    PRIOR_READINGS,
    all_readings,
    far_apart,
    reader_agreement,
    readers,
)
from standage.evidence.ring_count import WOOD_SHARE, readings_shift_pmf, shift_pmf
from standage.profiles import load_profile
from standage.survey.reading import read_survey

LONGLEAF = load_profile("longleaf-pine")
YEARS = np.arange(1700, 2024)
SHIFTS = np.arange(-400, 401)


def survey_of(folder, counts, further, dating="counted"):
    """Trees cored at 1.37 m with the pith in the core. counts: rings by core. further: rows `core,
    reader,ring_count,blind`.
    """
    folder.mkdir(exist_ok=True)
    (folder / "stands.csv").write_text("stand,survey_date\na,2023-06-15\n")
    names = [f"c{place}" for place in range(len(counts))]
    (folder / "trees.csv").write_text(
        "tree,stand,species,dbh_cm\n" + "".join(f"t{n},a,longleaf-pine,40\n" for n in names)
    )
    (folder / "cores.csv").write_text(
        "core,tree,height_cm,ring_count,last_ring_year,centre,reader,dating\n"
        + "".join(
            f"{n},t{n},137,{c},2022,pith,A,{dating}\n" for n, c in zip(names, counts, strict=True)
        )
    )
    if further:
        (folder / "core_readings.csv").write_text(
            "\n".join(["core,reader,ring_count,blind", *further]) + "\n"
        )
    return read_survey(folder)


def evidence(survey):
    found = evidence_over_years(
        read_cores(survey, "a", "longleaf-pine", LONGLEAF), 0, YEARS, LONGLEAF
    )
    return found / found.sum()


def sd(pmf, values):
    mean = pmf @ values
    return np.sqrt(pmf @ (values - mean) ** 2)


def test_readings_average_the_eye_and_not_the_wood():
    """Many readings leave the error of the wood alone, which is Student's t of its own scale."""
    part = 1.5 * np.sqrt(WOOD_SHARE)
    none, scale = np.zeros(1), np.sqrt(1 - WOOD_SHARE) * 1.5
    once, twice, often = (
        sd(readings_shift_pmf(none, part, scale, np.zeros(more), SHIFTS)[0], SHIFTS)
        for more in (0, 1, 200)
    )
    wood = sd(shift_pmf(none, np.array([part]), SHIFTS)[0], SHIFTS)
    single = sd(shift_pmf(none, np.array([1.5]), SHIFTS)[0], SHIFTS)
    assert once == pytest.approx(single, rel=0.03)
    assert wood == pytest.approx(often, rel=0.02) and often < twice < once


def test_which_reading_is_the_cores_own_makes_no_difference(tmp_path):
    one = evidence(survey_of(tmp_path / "one", [80], ["c0,B,83,yes"]))
    other = evidence(survey_of(tmp_path / "other", [83], ["c0,B,80,yes"]))
    # but for the error of a count, which grows with it
    assert np.abs(one - other).sum() < 0.05
    assert YEARS @ one == pytest.approx(2022 - 81.5 + 1, abs=0.3)


def test_a_reading_of_another_core_leaves_two_humps_and_never_the_middle(tmp_path):
    found = evidence(survey_of(tmp_path / "far", [76], ["c0,B,102,yes"]))
    alone = evidence(survey_of(tmp_path / "one", [76], []))
    humps = {year: found[2022 - count + 1 == YEARS][0] for year, count in ((1, 76), (2, 102))}
    assert min(humps.values()) > 20 * found[YEARS == 2022 - 89 + 1][0]
    assert sd(found, YEARS) > 2.5 * sd(alone, YEARS)


def test_agreeing_readings_narrow_a_date_alike_in_both_ways_of_dating(tmp_path):
    once = survey_of(tmp_path / "once", [90], [])
    thrice = survey_of(tmp_path / "thrice", [90], ["c0,B,90,yes", "c0,C,90,no"])
    assert sd(evidence(thrice), YEARS) < 0.9 * sd(evidence(once), YEARS)
    before, after = (date_trees(each)["sd_count"].iloc[0] for each in (once, thrice))
    assert after < 0.9 * before
    at_core = date_trees(thrice)["coring_height_year_median"].iloc[0]
    assert at_core == pytest.approx(YEARS[np.argmax(np.cumsum(evidence(thrice)) > 0.5)], abs=1)


def test_crossdated_years_are_not_averaged_with_counts(tmp_path):
    further = ["c0,B,95,yes"]
    alone = survey_of(tmp_path / "alone", [90], [], "crossdated")
    held = survey_of(tmp_path / "held", [90], further, "crossdated")
    np.testing.assert_array_equal(evidence(alone), evidence(held))
    words = [str(each) for each in account(held).tallies]
    assert any("further readings: 1 listed = 1 left out" in each for each in words)
    assert not any("further readings" in str(each) for each in account(alone).tallies)


def test_agreement_of_readers_is_what_a_hand_works_out(tmp_path):
    survey = survey_of(
        tmp_path, [50, 60, 70], ["c0,B,51,yes", "c1,B,62,no", "c2,B,70,yes", "c2,C,90,yes"]
    )
    found = all_readings(survey, {"longleaf-pine": LONGLEAF})
    table = reader_agreement(found).set_index(["reader", "other_reader"])
    ab = table.loc[("A", "B")]
    assert ab["pairs"] == 3 and ab["blind_pairs"] == 2
    assert ab["mean_difference_rings"] == -1.0  # A sees 1, 2 and 0 rings fewer
    assert ab["sd_difference_rings"] == 1.0
    assert ab["share_identical"] == pytest.approx(1 / 3) and ab["share_within_2"] == 1.0
    assert table.loc[("all", "all"), "pairs"] == 5
    # A of c0, c1, c2 less the mean of the others: -1, -2, -10
    lean = readers(found).set_index("reader").loc["A", "lean_rings"]
    assert lean == pytest.approx(-13 / (3 + PRIOR_READINGS))
    assert far_apart(found) == [("c2", 20.0)]


def test_ages_prints_the_agreement_and_writes_it(tmp_path):
    survey_of(tmp_path / "s", [50, 60], ["c0,B,51,yes", "c1,B,90,no"])
    out = tmp_path / "ages.csv"
    done = CliRunner().invoke(main, ["ages", str(tmp_path / "s"), "--csv", str(out)])
    assert done.exit_code == 0, done.output
    assert "To read once more" in done.output and "c1 (30 rings apart)" in done.output
    table = pd.read_csv(tmp_path / "ages-readers.csv")
    assert table["pairs"].tolist() == [2]
    survey_of(tmp_path / "bare", [50, 60], [])
    done = CliRunner().invoke(
        main, ["ages", str(tmp_path / "bare"), "--csv", str(tmp_path / "b.csv")]
    )
    assert "Readings of the same core" not in done.output
    assert not (tmp_path / "b-readers.csv").exists()
