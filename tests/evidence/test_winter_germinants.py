"""Seedlings of the autumn before a winter survey begin their first growing season after it."""

import pytest

from standage.evidence.account import FIRST_SEASON_LATER, account
from standage.stand.build import build_stands
from standage.survey.reading import read_survey


def survey_of(folder, date, ages, species="longleaf-pine"):
    (folder / "stands.csv").write_text(f"stand,survey_date\na,{date}\n")
    (folder / "plots.csv").write_text("plot,stand,area_m2,min_dbh_cm\np,a,1000,5\n")
    (folder / "trees.csv").write_text(
        "tree,stand,plot,species,dbh_cm\n"
        + "".join(f"t{place},a,p,{species},{20 + place}\n" for place in range(10))
    )
    (folder / "cores.csv").write_text(
        "core,tree,height_cm,ring_count,last_ring_year,centre\nc,t0,30,60,2022,pith\n"
    )
    (folder / "counts.csv").write_text(
        "plot,stage,area_m2,count,age_low_years,age_high_years\n"
        f"p,germinant,100,9,{ages}\np,grass,100,3,,\n"
    )
    return read_survey(folder)


@pytest.mark.filterwarnings("ignore::standage.profiles.UncheckedProfile")
@pytest.mark.parametrize(
    "date, ages, species, used",
    [
        ("2024-02-29", "0,0", "longleaf-pine", False),  # cotyledons of November: season of 2024
        ("2024-03-01", "0,0", "longleaf-pine", True),  # that season has begun
        ("2023-09-30", "0,0", "longleaf-pine", True),  # in their first season
        ("2023-10-01", "0,0", "longleaf-pine", False),  # came up since it was over
        ("2024-02-29", "1,1", "longleaf-pine", True),  # of the autumn before: a season completed
        ("2024-02-29", ",", "longleaf-pine", True),
        ("2024-02-29", "0,0", "loblolly-pine", True),  # sprouts in spring: none has come up since
    ],
)
def test_the_edges_of_the_season(tmp_path, date, ages, species, used):
    survey = survey_of(tmp_path, date, ages, species)
    unit = build_stands(survey).data.units[0]
    assert (0 in unit.count_stage) == used  # 0 = germinant
    counts = next(each for each in account(survey).tallies if each.what == "stage counts")
    assert (FIRST_SEASON_LATER in counts.reasons) == (not used)


@pytest.mark.parametrize("date, asked", [("2024-02-13", True), ("2024-05-14", False)])
def test_germinants_of_no_age_are_asked_about_in_winter(tmp_path, date, asked):
    notes = build_stands(survey_of(tmp_path, date, ",")).notes
    assert any("0 in age_high_years" in note for note in notes) == asked
