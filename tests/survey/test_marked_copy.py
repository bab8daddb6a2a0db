"""A copy of the workbook with the messages at their cells: all rows, nothing else changed."""

import errno

import pytest
from click.testing import CliRunner
from good_survey import good_workbook, write_survey
from openpyxl import load_workbook
from openpyxl.comments import Comment

from standage.commands.cli import BAD_INPUT, main
from standage.survey.files.marked_copy import COLOURS
from standage.survey.files.placing import MARKS_SHEET
from standage.survey.files.workbook_marks import COMMENT_MARK
from standage.survey.reading import read_survey


@pytest.fixture
def source(tmp_path):
    """A survey with a problem, a liberty, and all that a copy must keep."""
    book = good_workbook()
    headings = [cell.value for cell in book["trees"][1]]
    place = headings.index("dbh_cm") + 1
    book["trees"].cell(2, place).value = "forty or so"
    book["trees"].cell(3, place).value = "12 in"
    book["trees"].cell(3, place).comment = Comment("leans", "crew")
    book["trees"].row_dimensions[4].hidden = True
    book["trees"].column_dimensions["B"].hidden = True
    book["cores"].cell(2, 1).comment = Comment("wet", "crew")
    book["stands"].insert_rows(1)
    book["stands"].cell(1, 1).value = "Fern tract"
    book["stands"].merge_cells("A1:C1")
    path = tmp_path / "fern.xlsx"
    book.save(path)
    return path


def check(*words):
    return CliRunner().invoke(main, ["check", *map(str, words)])


def cell(book, sheet, row, column, header=1):
    headings = [each.value for each in book[sheet][header]]
    return book[sheet].cell(row, headings.index(column) + 1)


def colour(of):
    return of.fill.fgColor.rgb[-6:]


def test_cells_are_coloured_and_carry_the_message(source, tmp_path):
    before = source.read_bytes()
    done = check(source, "--mark", tmp_path / "marked.xlsx")
    assert done.exit_code == BAD_INPUT and "wrote" in done.output and "2 cells" in done.output
    book = load_workbook(tmp_path / "marked.xlsx")
    wrong, liberty = (cell(book, "trees", row, "dbh_cm") for row in (2, 3))
    assert colour(wrong) == COLOURS["problem"] and "'forty or so'" in wrong.comment.text
    assert wrong.value == "forty or so" and liberty.value == "12 in"
    assert colour(liberty) == COLOURS["read differently"]
    assert liberty.comment.text.startswith("leans") and "30.48" in liberty.comment.text
    assert source.read_bytes() == before
    messages = [row[-1].value for row in book[MARKS_SHEET].iter_rows(min_row=2)]
    assert any("'forty or so'" in message for message in messages)


def test_what_is_hidden_merged_or_noted_stays(source, tmp_path):
    check(source, "--mark", tmp_path / "marked.xlsx")
    book, old = load_workbook(tmp_path / "marked.xlsx"), load_workbook(source)
    assert book["trees"].row_dimensions[4].hidden and book["trees"].column_dimensions["B"].hidden
    assert [str(area) for area in book["stands"].merged_cells.ranges] == ["A1:C1"]
    assert book["cores"].cell(2, 1).comment.text == "wet"
    for sheet in old:
        ours = [[each.value for each in row] for row in book[sheet.title].iter_rows()]
        assert ours == [[each.value for each in row] for row in sheet.iter_rows()]


def test_a_marked_copy_that_was_mended_is_read_as_the_workbook_would_be(source, tmp_path):
    check(source, "--mark", tmp_path / "marked.xlsx")
    for name in (source, tmp_path / "marked.xlsx"):
        book = load_workbook(name)
        cell(book, "trees", 2, "dbh_cm").value = 40
        book.save(name)
    ours, theirs = read_survey(tmp_path / "marked.xlsx"), read_survey(source)
    assert ours.trees["note"].tolist() == theirs.trees["note"].tolist()
    assert not any(COMMENT_MARK in note or MARKS_SHEET in note for note in ours.notes)
    done = check(source, "--mark", tmp_path / "second.xlsx")
    assert done.exit_code == 0 and (tmp_path / "second.xlsx").exists()


def test_all_rows_are_marked(tmp_path):
    book = good_workbook()
    first = [each.value for each in book["trees"][3]]
    for number in range(300):
        row = dict(zip((each.value for each in book["trees"][1]), first, strict=True))
        book["trees"].append([*(row | {"tree": f"n{number}", "dbh_cm": f"x{number}"}).values()])
    book.save(tmp_path / "fern.xlsx")
    check(tmp_path / "fern.xlsx", "--mark", tmp_path / "marked.xlsx")
    marked = load_workbook(tmp_path / "marked.xlsx")["trees"]
    place = [each.value for each in marked[1]].index("dbh_cm")
    assert (
        sum(COMMENT_MARK in (row[place].comment or Comment("", "")).text for row in marked) == 300
    )


@pytest.mark.parametrize(
    ("survey", "copy", "said"),
    [
        ("fern.xlsx", "fern.xlsx", "nothing is overwritten"),
        ("fern.xlsx", "there.xlsx", "nothing is overwritten"),
        ("fern.xlsx", "link.xlsx", "nothing is overwritten"),
        ("fern.xlsx", "marked.csv", "ends in .xlsx"),
        ("rings", "marked.xlsx", "an .xlsx workbook or CSV files"),
        ("no.xlsx", "marked.xlsx", "an .xlsx workbook"),
    ],
)
def test_nothing_is_overwritten_and_only_workbooks_are_marked(source, tmp_path, survey, copy, said):
    (tmp_path / "there.xlsx").write_text("mine")
    (tmp_path / "rings").mkdir()
    (tmp_path / "link.xlsx").symlink_to(tmp_path / "nothing")
    (tmp_path / "trees.csv").write_text("tree\n")
    before = {path.name: path.is_file() and path.read_bytes() for path in tmp_path.iterdir()}
    done = check(tmp_path / survey, "--mark", tmp_path / copy)
    assert done.exit_code == BAD_INPUT and said in done.output
    after = {path.name: path.is_file() and path.read_bytes() for path in tmp_path.iterdir()}
    assert after == before


def test_where_temporary_files_have_no_room_the_copy_is_named(source, tmp_path, monkeypatch):
    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("standage.survey.files.marked_copy.workbook_bytes", full)
    done = check(source, "--mark", tmp_path / "marked.xlsx")
    assert done.exit_code == BAD_INPUT and "standard output" not in done.output
    assert "marked.xlsx: found a file that can't be written (No space" in done.output


def test_rows_of_a_flat_sheet_and_whole_columns_are_marked(tmp_path):
    book = load_workbook(_flat(tmp_path))
    check(tmp_path / "flat.xlsx", "--mark", tmp_path / "marked.xlsx")
    marked = load_workbook(tmp_path / "marked.xlsx")["Sheet1"]
    assert "plots without their area" in marked["B2"].comment.text
    assert COMMENT_MARK in marked["E3"].comment.text and marked["E3"].value == "P. palustris"
    assert marked.max_row == book["Sheet1"].max_row


def _flat(folder):
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "Sheet1"
    book.active.append(["July 2021"])
    book.active.append(["Tree", "Plot", "DBH (cm)", "Rings", "Species", "Pith", "Survey date"])
    book.active.append([1, "A", 30, 50, "P. palustris", "pith", "2021-07-14"])
    book.save(folder / "flat.xlsx")
    return folder / "flat.xlsx"


def test_csv_files_are_marked_in_a_workbook_of_their_rows(tmp_path):
    folder = write_survey(
        tmp_path / "csv", changes=[("trees", 0, "dbh_cm", "many"), ("trees", 1, "dbh_cm", "10 in")]
    )
    (folder / "stands.csv").write_text("Fern tract\n" + (folder / "stands.csv").read_text())
    done = check(folder, "--mark", tmp_path / "marked.xlsx")
    assert done.exit_code == BAD_INPUT and "2 cells" in done.output
    book = load_workbook(tmp_path / "marked.xlsx")
    assert {path.stem for path in folder.glob("*.csv")} | {MARKS_SHEET} == set(book.sheetnames)
    wrong, liberty = (cell(book, "trees", row, "dbh_cm") for row in (2, 3))
    assert colour(wrong) == COLOURS["problem"] and "'many'" in wrong.comment.text
    assert (wrong.value, liberty.value) == ("many", "10 in")
    assert colour(liberty) == COLOURS["read differently"] and "25.4" in liberty.comment.text
    assert book["stands"]["A1"].value == "Fern tract"


def test_one_csv_file_is_marked_too_and_its_formulas_stay_text(tmp_path):
    (tmp_path / "field.csv").write_text(
        "Tree;Species;DBH (cm);Survey date;Rings;Pith;Remarks\n"
        "1;longleaf;38,1;2021-07-14;84;yes;=1+1\n2;longleaf;many;2021-07-14;;;\n"
    )
    done = check(tmp_path / "field.csv", "--mark", tmp_path / "marked.xlsx")
    assert done.exit_code == BAD_INPUT
    sheet = load_workbook(tmp_path / "marked.xlsx")["field"]
    assert sheet["G2"].value == "=1+1" and sheet["G2"].data_type == "s"
    assert colour(sheet["C3"]) == COLOURS["problem"] and sheet["C3"].value == "many"
    assert colour(sheet["C2"]) == COLOURS["read differently"]
