"""A sheet as a crew typed it: trees numbered in each plot, an empty plot, sums, dates of which
others show the order, cores in words.
"""

from pathlib import Path

import pytest
from good_survey import problems_of

from standage.survey.reading import read_survey
from standage.survey.readings import Reading

SHEET = Path(__file__).parent / "typed_sheets" / "numbered_in_plots.csv"


def sheet(folder, text=None, **changes):
    """The sheet with the smallest diameter listed, and with words changed."""
    rows = (text or SHEET.read_text()).splitlines()
    for number, row in enumerate(rows):
        cells = row.rsplit(",", 1)
        least = "min dbh (in)" if row.startswith("Plot") else "1" if row.count(",0.1,") else ""
        rows[number] = f"{cells[0]},{least},{cells[1]}"
    written = "\n".join(rows) + "\n"
    for old, new in changes.values():
        assert written.count(old) == 1, old
        written = written.replace(old, new)
    (folder / "fern_flat.csv").write_text(written)
    return folder / "fern_flat.csv"


def test_the_sheet_is_read_as_it_was_meant(tmp_path):
    survey = read_survey(sheet(tmp_path))
    assert survey.trees["tree"].tolist() == ["1-1", "1-2", "1-3", "3-1", "3-2"]
    assert survey.plots["plot"].tolist() == ["1", "2", "3"]
    assert survey.plots["area_m2"].round(2).unique().tolist() == [404.69]
    assert survey.cores["core"].tolist() == ["1-1-a", "1-2-a", "3-1-a", "3-1-b", "3-2-a"]
    assert survey.cores["ring_count"].tolist() == [88, 63, 101, 104, 30]
    assert survey.cores["at_least"].tolist() == ["no", "yes", "no", "no", "yes"]
    assert survey.cores["centre"].tolist() == ["pith", "unknown", "arcs", "pith", "rotten"]
    assert survey.cores["height_cm"].tolist() == [137.16, 137.16, 137, 30.48, 137.16]
    assert str(survey.stands["survey_date"].iloc[0].date()) == "2022-07-13"
    assert any("taken as found empty: 2" in note for note in survey.notes)


@pytest.mark.parametrize(
    ("row", "column", "written", "read"),
    [
        (5, "tree", "1", "1-1"),
        (8, "tree", "none", "plot 2, found without stems"),
        (7, "ring_count", "no core", ""),
        (12, None, "Total trees", "no data"),
        (5, "core_date", "7/11/2022", "2022-07-11"),
        (9, "height_cm", "BH", "137"),
        (11, "ring_count", "hollow, 30+", "30, at_least yes, centre rotten"),
    ],
)
def test_every_liberty_is_listed(tmp_path, row, column, written, read):
    readings = read_survey(sheet(tmp_path)).readings
    alike = [each for each in readings if (each.row, each.column) == (row, column)]
    assert [(each.as_written, each.as_read) for each in alike] == [(written, read)]
    assert all(isinstance(each, Reading) and each.reason for each in alike)


@pytest.mark.parametrize(
    ("stand", "tree", "sums"), [("Mean Creek", "1", False), ("Total trees", "", True)]
)
def test_a_stand_whose_name_begins_like_sums_keeps_its_trees(tmp_path, stand, tree, sums):
    lines = [f"{stand},2,longleaf-pine,2024-05-01", f"{stand},{tree},,"]
    (tmp_path / "trees.csv").write_text("\n".join(["stand,tree,species,cored_on", *lines]) + "\n")
    told = " ".join(map(str, problems_of(tmp_path)))
    assert ("row 3, column species" in told) is not sums


def test_the_last_date_counts_where_all_show_one_order(tmp_path):
    one = {"last": ("7/13/2022", "7/12/2022"), "other": ("7/11/2022", "7/14/2022")}
    survey = read_survey(sheet(tmp_path, **one))
    assert str(survey.stands["survey_date"].iloc[0].date()) == "2022-07-14"


def test_dates_of_no_order_are_asked_about_in_their_row(tmp_path):
    problems = problems_of(sheet(tmp_path, last=("7/13/2022", "7/10/2022")))
    asked = [each for each in problems if each.column == "survey_date"]
    assert [each.row for each in asked] == [5] and "either way round" in str(asked[0])


def test_an_empty_plot_with_stems_is_asked_about(tmp_path):
    problems = problems_of(sheet(tmp_path, plot=("2,none", "1,none")))
    assert any(each.row == 8 for each in problems)


def test_two_stems_of_one_number_in_a_plot_are_asked_about(tmp_path):
    problems = problems_of(sheet(tmp_path, number=(",3,Longleaf", ",2,Longleaf")))
    told = "\n".join(map(str, problems))
    assert "'1-2' again" in told and "delete" not in told
