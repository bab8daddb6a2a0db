"""What a workbook shows beside its cells: comments, merged cells, hidden rows, struck-through
cells, names that are numbers.
"""

import pandas as pd
import pytest
from good_survey import good_workbook, problems_of
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.comments import Comment
from openpyxl.styles import Font

from standage.survey.reading import read_survey


@pytest.fixture
def book():
    return good_workbook()


def read(book, tmp_path):
    book.save(tmp_path / "book.xlsx")
    return read_survey(tmp_path / "book.xlsx")


def refused(book, tmp_path):
    book.save(tmp_path / "book.xlsx")
    return problems_of(tmp_path / "book.xlsx")


def cell_of(book, sheet: str, row: int, column: str):
    headings = [cell.value for cell in book[sheet][1]]
    return book[sheet].cell(row, headings.index(column) + 1)


def test_comments_reach_the_notes_of_their_rows(book, tmp_path):
    plain = read(book, tmp_path)
    cell_of(book, "trees", 2, "dbh_cm").comment = Comment("tape over a bulge", "crew")
    cell_of(book, "cores", 3, "ring_count").comment = Comment("counted\ntwice", "crew")
    cell_of(book, "cores", 3, "note").value = "two readers"
    cell_of(book, "counts", 2, "count").comment = Comment("perhaps one more", "crew")
    cell_of(book, "trees", 1, "dbh_cm").comment = Comment("steel tape", "crew")
    survey = read(book, tmp_path)
    assert survey.trees["note"].tolist() == ["dbh_cm: tape over a bulge", "", ""]
    assert survey.cores["note"].tolist() == ["", "two readers; ring_count: counted twice", ""]
    assert any("row 2: comment on count: perhaps one more" in note for note in survey.notes)
    pd.testing.assert_frame_equal(
        survey.trees.drop(columns="note"), plain.trees.drop(columns="note")
    )
    assert {reading.row for reading in survey.readings} == {2, 3}


def test_merged_cells_hold_for_every_row_they_cover(book, tmp_path):
    cell_of(book, "trees", 3, "stand").value = "south"
    plain = read(book, tmp_path)
    letter = cell_of(book, "trees", 3, "stand").column_letter
    book["trees"].merge_cells(f"{letter}3:{letter}4")
    assert cell_of(book, "trees", 4, "stand").value is None
    survey = read(book, tmp_path)
    pd.testing.assert_frame_equal(survey.trees, plain.trees)
    (reading,) = survey.readings
    assert (reading.row, reading.column, reading.as_written, reading.as_read) == (
        4,
        "stand",
        "",
        "south",
    )


def test_cells_merged_over_two_columns_are_refused(book, tmp_path):
    first = cell_of(book, "trees", 3, "dbh_cm").column_letter
    second = cell_of(book, "trees", 3, "status").column_letter
    book["trees"].merge_cells(f"{first}3:{second}3")
    (problem,) = refused(book, tmp_path)
    assert problem.row == 3 and "'dbh_cm' and 'status'" in problem.found


def test_words_merged_over_a_row_of_their_own_stand_in_no_column(book, tmp_path):
    sheet = book["trees"]
    sheet.append(["The last plot of the day was done in the rain by two of us"])
    sheet.merge_cells(f"A{sheet.max_row}:D{sheet.max_row}")
    told = [each for each in read(book, tmp_path).warnings if each.row == sheet.max_row]
    assert any("a row of words alone" in each.found for each in told)


def test_hidden_rows_and_struck_cells_are_read_and_told_of(book, tmp_path):
    plain = read(book, tmp_path)
    book["trees"].row_dimensions[3].hidden = True
    cell_of(book, "trees", 4, "dbh_cm").font = Font(strike=True)
    cell_of(book, "cores", 2, "note").value = CellRichText(
        "kept ", TextBlock(InlineFont(strike=True), "gone")
    )
    survey = read(book, tmp_path)
    notes = "\n".join(survey.notes)
    assert "sheet trees: hidden row 3, read like the others" in notes
    assert "sheet trees: cells struck through in row 4, read" in notes
    assert "sheet cores: cells struck through in row 2, read" in notes
    pd.testing.assert_frame_equal(survey.trees, plain.trees)


def test_a_number_is_no_name_where_two_names_are_that_number(book, tmp_path):
    for row, name in ((2, "1.1"), (3, "1.10")):
        cell_of(book, "trees", row, "tree").value = name
        cell_of(book, "cores", row, "tree").value = name
    read(book, tmp_path)
    cell_of(book, "cores", 3, "tree").value = 1.10
    (problem,) = refused(book, tmp_path)
    assert (problem.row, problem.column) == (3, "tree")
    assert "'1.1' or '1.10'" in problem.found


def test_a_number_that_can_be_one_name_only_is_that_name(book, tmp_path):
    cell_of(book, "trees", 2, "tree").value = "007"
    cell_of(book, "cores", 2, "tree").value = 7
    survey = read(book, tmp_path)
    assert survey.cores["tree"].iloc[0] == "007"
    assert [reading.as_read for reading in survey.readings] == ["007"]


def test_names_cut_to_the_same_number_say_what_the_spreadsheet_did(book, tmp_path):
    cell_of(book, "trees", 2, "tree").value = 1.1
    cell_of(book, "trees", 3, "tree").value = 1.10
    told = [problem for problem in refused(book, tmp_path) if "again" in problem.found]
    assert len(told) == 1 and "1.10 is 1.1" in told[0].what_to_do
