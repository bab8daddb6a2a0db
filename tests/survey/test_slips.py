"""Slips in one cell that only the other stems and cores show."""

from __future__ import annotations

import pandas as pd
import pytest
from good_survey import write_survey

from standage.survey.reading import read_survey

SUPPRESSED = ["9.1", "10.4", "11.2", "12.8", "13.5", "14.0", "15.1"]


def survey_of(folder, cores, diameters=SUPPRESSED):
    folder.mkdir()
    (folder / "stands.csv").write_text("stand,survey_date\nA,2022-06-01\n")
    (folder / "plots.csv").write_text("plot,stand,area_m2,min_dbh_cm\nP,A,2000,5\n")
    stems = [f"d{n},A,P,longleaf-pine,{40 + n},dominant\n" for n in range(6)]
    stems += [f"s{n},A,P,longleaf-pine,{dbh},suppressed\n" for n, dbh in enumerate(diameters)]
    header = "tree,stand,plot,species,dbh_cm,crown_class\n"
    (folder / "trees.csv").write_text(header + "".join(stems))
    header = "core,tree,height_cm,ring_count,centre,pith_distance_mm,rings_to_pith\n"
    (folder / "cores.csv").write_text(header + "".join(f"{each}\n" for each in cores))
    return read_survey(folder)


def warned(survey, column):
    return [each.row for each in survey.warnings if each.column == column]


@pytest.mark.parametrize(
    ("distance", "rings", "looks_wrong"),
    [("11", "70", True), ("100", "6", True), ("11", "7", False), ("1", "1", False)],
)
def test_rings_to_the_pith_are_held_to_the_distance_beside_them(
    tmp_path, distance, rings, looks_wrong
):
    survey = survey_of(tmp_path / "s", [f"c,d1,30,85,unknown,{distance},{rings}"])
    assert warned(survey, "rings_to_pith") == ([2] if looks_wrong else [])


def test_a_lost_decimal_mark_shows_among_stems_of_the_crown_class(tmp_path):
    core = ["c,d1,30,85,pith,,"]
    assert not warned(survey_of(tmp_path / "a", core), "dbh_cm")
    slips = [*SUPPRESSED[:-2], "117", "104"]
    assert warned(survey_of(tmp_path / "b", core, slips), "dbh_cm") == [13, 14]


CLASSES = [(5, "", 13), (3, 13, 25), (1, 25, "")]
"""Count, and the limits of a class of root collars. [plants, mm]"""


def test_classes_of_a_stage_on_one_subplot_are_one_search(tmp_path):
    folder = write_survey(tmp_path / "s")
    plot = pd.read_csv(folder / "plots.csv")["plot"][0]
    rows = [f"{plot},{sub},grass,4,{n},{low},{high}" for sub in (1, 2) for n, low, high in CLASSES]
    header = "plot,subplot,stage,area_m2,count,collar_low_mm,collar_high_mm"
    (folder / "counts.csv").write_text("\n".join([header, *rows]))
    counts = read_survey(folder).counts
    assert counts["count"].tolist() == [9, 9] and counts["area_m2"].sum() == 8


def test_classes_without_their_limits_are_asked_about(tmp_path):
    folder = write_survey(tmp_path / "s")
    plot = pd.read_csv(folder / "plots.csv")["plot"][0]
    rows = [f"{plot},{sub},grass,4,{n}" for sub in (1, 2) for n in (5, 3)]
    (folder / "counts.csv").write_text("\n".join(["plot,subplot,stage,area_m2,count", *rows]))
    survey = read_survey(folder)
    assert warned(survey, "subplot") == [3, 5]


def test_a_remark_that_coring_failed_asks_for_its_outcome(tmp_path):
    for outcome, rows in (("", [2]), ("no_sound_wood", [])):
        folder = tmp_path / f"s{outcome}"
        survey_of(folder, ["c,d1,30,85,pith,,"])
        trees = pd.read_csv(folder / "trees.csv", dtype=str)
        trees["note"], trees["core_outcome"] = "", ""
        trees.loc[0, ["note", "core_outcome"]] = ["rotten, no count", outcome]
        trees.to_csv(folder / "trees.csv", index=False)
        assert warned(read_survey(folder), "note") == rows


@pytest.mark.parametrize(("repeated", "looks_wrong"), [("41", False), ("16.2", False), ("9", True)])
def test_a_diameter_beside_a_core_is_held_to_its_tree(tmp_path, repeated, looks_wrong):
    folder = tmp_path / "s"
    survey_of(folder, ["c,d1,30,85,pith,,"])  # a stem of 41 cm, or 16.1 in
    cores = pd.read_csv(folder / "cores.csv", dtype=str).assign(dbh_cm=repeated)
    cores.to_csv(folder / "cores.csv", index=False)
    survey = read_survey(folder)
    assert warned(survey, "dbh_cm") == ([2] if looks_wrong else [])
    assert "dbh_cm" not in survey.cores
