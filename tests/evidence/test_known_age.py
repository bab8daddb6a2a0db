"""What stems of known age show, row by row."""

import pytest

from standage.evidence.known_age import (
    AT_MOST,
    EXACTLY,
    HEIGHT_OF_AGE,
    HEIGHT_OF_STEM,
    LONGER,
    RING_DIFFERENCE,
    known_age_of,
)
from standage.profiles import load_profile
from standage.survey.reading import read_survey

COLUMNS = "known_from,still_in_grass,age_years,grass_years,height_cm,rings_at_ground"
CASES = [
    ("tagged,yes,8,,,,", [(LONGER, 7, 0)]),
    ("tagged,no,8,,,,", [(AT_MOST, 7, 0)]),
    ("records,no,8,5,,,", [(EXACTLY, 5, 0)]),
    ("tagged,no,8,,60,,", [(HEIGHT_OF_AGE, 7, 50)]),
    ("tagged,,8,,60,,", [(HEIGHT_OF_AGE, 7, 50)]),
    ("tagged,no,8,5,160,,", [(EXACTLY, 5, 0), (HEIGHT_OF_STEM, 2, 150)]),
    ("tagged,yes,8,,8,,", [(LONGER, 7, 0)]),
    ("tagged,no,8,,8,,", [(AT_MOST, 7, 0)]),  # lower than the start of the stem says nothing more
    ("rings,no,8,,60,9,3", [(RING_DIFFERENCE, 6, 60)]),
    ("rings,no,8,,60,,", []),
]


@pytest.mark.parametrize("row, shown", CASES)
def test_each_kind_of_row_is_used_for_what_it_shows(tmp_path, row, shown):
    """Surveyed in October: the season is over, so age 8 is seven seasons after the first."""
    (tmp_path / "stands.csv").write_text("stand,survey_date\na,2023-10-15\n")
    (tmp_path / "trees.csv").write_text("tree,stand,species,dbh_cm\nt,a,longleaf-pine,30\n")
    (tmp_path / "cores.csv").write_text("core,tree,height_cm,ring_count,centre\nc,t,30,40,pith\n")
    (tmp_path / "known_age_stems.csv").write_text(
        f"stem,stand,{COLUMNS},rings_at_height\ns,a,{row}\n"
    )
    survey = read_survey(tmp_path)
    found = known_age_of(survey, "a", "longleaf-pine", load_profile("longleaf-pine"))
    rows = list(zip(found.kind, found.seasons, found.height_cm, strict=True))
    assert rows == [tuple(each) for each in shown]
