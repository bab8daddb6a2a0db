"""The forms as a workbook, and filled-in forms as people and spreadsheets leave them."""

import datetime as dt
import re
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook
from openpyxl.styles import PatternFill

from standage.commands.cli import BAD_INPUT, main
from standage.errors import SurveyError
from standage.survey.files.form_rows import (
    example_cells,
    explanation,
    header_place,
    take_out_explanations,
)
from standage.survey.files.forms import WORKBOOK_NAME, write_template
from standage.survey.files.placing import GUIDE
from standage.survey.reading import read_survey
from standage.survey.schema import TABLES, table
from standage.survey.units import how_to_convert

FILLED = {
    "stands": [
        {
            "stand": "Ridge",
            "survey_date": dt.datetime(2021, 7, 14),
            "area_ha": 12.0,
            "latitude": 31.25,
            "longitude": -86.5,
        }
    ],
    "trees": [
        {
            "tree": 101,
            "stand": "Ridge ",
            "species": "longleaf-pine",
            "dbh_cm": 38.0,
            "status": "live",
        },
        {
            "tree": 102.0,
            "stand": "Ridge",
            "species": " longleaf-pine",
            "dbh_cm": "41.5",
            "note": "leans - a little",
        },
    ],
    "cores": [
        {
            "core": "101a",
            "tree": "101",
            "height_cm": 30.0,
            "core_date": dt.date(2021, 7, 15),
            "first_ring_year": 1921.0,
            "centre": "arcs ",
            "arc_chord_mm": 5,
            "arc_height_mm": 0.6,
        },
        {
            "core": "102a",
            "tree": 102,
            "height_cm": " 30",
            "core_date": "2021-07-15",
            "first_ring_year": "1950",
            "centre": "pith",
        },
    ],
    "events": [{"event": "=first fire", "kind": "fire", "first_year": 1931, "last_year": 1931.0}],
}


@pytest.fixture
def form(tmp_path) -> Path:
    return write_template(tmp_path / "forms", xlsx=True)[0]


def filled_in(
    form: Path, *, keep: tuple[str, ...] = (), tables=FILLED, change=lambda book: None
) -> Path:
    """The form with its example rows deleted, save in the tables of `keep`, and rows typed below
    the units, as in a spreadsheet.
    """
    book = load_workbook(form)
    for each in TABLES:
        sheet = book[each.name]
        if each.name not in keep:
            sheet.delete_rows(3)
        for row in tables.get(each.name, ()):
            assert set(row) <= {column.name for column in each.columns}
            sheet.append([row.get(column.name) for column in each.columns])
            for cell in sheet[sheet.max_row]:
                if isinstance(cell.value, str) and cell.value.startswith("="):
                    # typed with an apostrophe, or into a column that is kept as text
                    cell.data_type = "s"
    change(book)
    book.save(form.with_name("filled in.xlsx"))
    return form.with_name("filled in.xlsx")


def problems_of(path: Path) -> list:
    with pytest.raises(SurveyError) as caught:
        read_survey(path)
    return list(caught.value.problems)


def is_as_typed(survey) -> None:
    assert survey.stands["stand"].tolist() == ["Ridge"] and survey.stands[
        "survey_date"
    ].tolist() == [pd.Timestamp(2021, 7, 14)]
    assert survey.stands["longitude"].tolist() == [-86.5]
    assert survey.trees["tree"].tolist() == ["101", "102"] and survey.trees["dbh_cm"].tolist() == [
        38.0,
        41.5,
    ]
    assert survey.trees["note"].tolist() == ["", "leans - a little"]
    assert survey.cores["core_date"].tolist() == [pd.Timestamp(2021, 7, 15)] * 2
    assert survey.cores["first_ring_year"].tolist() == [1921, 1950] and survey.cores[
        "centre"
    ].tolist() == ["arcs", "pith"]
    assert survey.events["event"].tolist() == ["=first fire"]


# the form itself


@pytest.mark.slow
def test_each_column_is_explained_and_each_code_is_a_list(form):
    book = load_workbook(form)
    assert book.sheetnames == [GUIDE, *(each.name for each in TABLES), "columns"]
    for each in TABLES:
        sheet = book[each.name]
        assert sheet.freeze_panes == "B3"
        assert [cell.value for cell in sheet[1]] == [column.name for column in each.columns]
        lists = {
            str(rule.sqref).split(":")[0].rstrip("0123456789"): rule
            for rule in sheet.data_validations.dataValidation
        }
        for column, name, unit, example in zip(
            each.columns, *sheet.iter_rows(min_row=1, max_row=3), strict=True
        ):
            assert column.meaning in name.comment.text and column.allowed in name.comment.text
            assert unit.value == explanation(column) and (column.unit in unit.value)
            assert sheet.column_dimensions[name.column_letter].width >= len(column.name)
            assert example.fill.fgColor.rgb.endswith("FFE699")
            rule = lists.get(name.column_letter)
            if column.kind == "code":
                assert rule.type == "list" and rule.errorStyle == "stop"
                assert (
                    rule.formula1.strip('"').split(",") == list(column.codes)
                    and len(rule.formula1) <= 257
                )  # a limit of the format
            elif column.kind == "reference":
                assert rule.formula1.startswith(f"={column.refers_to}!$A$3:")
            elif column.kind in ("identifier", "text") and column.name != "species":
                assert rule is None
    assert "standage check" in "".join(str(cell.value) for cell in book[GUIDE]["A"])
    assert not list(form.parent.glob(".*")), "nothing half-written stays behind"


# filled in


def test_a_filled_in_form_reads_as_typed_units_row_and_all(form):
    survey = read_survey(filled_in(form))
    is_as_typed(survey)
    assert survey.trees["row"].tolist() == [3, 4]
    assert not [note for note in survey.notes if "units" in note or "example" in note]


def as_left_by_people(book) -> None:
    """A title across the sheet, a blank row, formatted rows below, a remark in a comment, the units
    sorted to the end.
    """
    for name in ("trees", "cores"):
        sheet = book[name]
        sheet.append([cell.value for cell in sheet[2]])
        sheet.delete_rows(2)
        sheet.insert_rows(1, 2)
        sheet["A1"] = "Ridge stand, field work of July 2021"
        sheet.merge_cells("A1:E1")
        for row in range(sheet.max_row + 1, sheet.max_row + 40):
            sheet.cell(row, 1, "  " if row % 2 else None).fill = PatternFill(
                "solid", fgColor="EEEEEE"
            )


def test_a_folder_with_one_workbook_stands_for_it_and_with_two_asks_which(form):
    path = filled_in(form)
    form.unlink()
    by_folder, by_file = read_survey(path.parent), read_survey(path)
    assert by_folder.name == path.parent.name and by_folder.hashes == by_file.hashes
    pd.testing.assert_frame_equal(by_folder.trees, by_file.trees)
    table = load_workbook(path)
    table["trees"]["E3"] = "wide"
    table.save(path)
    with pytest.raises(SurveyError) as found:
        read_survey(path.parent)
    assert found.value.problems[0].file.startswith("filled in.xlsx, sheet trees")
    path.with_name("other.xlsx").write_bytes(path.read_bytes())
    with pytest.raises(SurveyError, match="no CSV file, but filled in.xlsx, other.xlsx"):
        read_survey(path.parent)


def test_titles_formatted_rows_and_a_sorted_sheet_change_nothing(form):
    survey = read_survey(filled_in(form, change=as_left_by_people))
    is_as_typed(survey)
    assert survey.trees["row"].tolist() == [4, 5]
    assert any("sheet trees: the header was found in row 3" in note for note in survey.notes)


def test_problems_below_a_title_are_told_by_their_own_rows(form):
    def spoil(book) -> None:
        as_left_by_people(book)
        book["trees"]["E4"] = "thirty or so"
        book["trees"]["F3"] = "statuss"

    told = {(problem.row, problem.column) for problem in problems_of(filled_in(form, change=spoil))}
    assert told == {(4, "dbh_cm")}  # what stands below `statuss` shows that it is the status


def test_an_example_row_left_among_others_is_one_problem_and_no_data(form):
    problems = problems_of(filled_in(form, keep=("trees", "events", "ring_widths")))
    assert [(problem.file.split()[-1], problem.row) for problem in problems] == [
        ("trees", 3),
        ("events", 3),
        ("ring_widths", 3),
    ]
    assert all(
        "example row" in problem.found and problem.what_to_do == "Delete the row."
        for problem in problems
    )


def test_an_example_row_written_over_keeps_no_note_of_the_example(form):
    def reuse(book) -> None:
        for cell in book["trees"][3]:
            name = book["trees"].cell(1, cell.column).value
            cell.value = {"tree": "103", "stand": "Ridge", "plot": None, "core_outcome": None}.get(
                name, cell.value
            )

    (problem,) = problems_of(filled_in(form, keep=("trees",), change=reuse))
    assert (problem.row, problem.column) == (3, "note")


UNITS = [
    ("cm", None),
    ("[cm]", None),
    ("(centimeters)", None),
    ("in", "in"),
    ("inches", "in"),
    ("mm", "mm"),
]


@pytest.mark.parametrize(("unit", "wrong"), UNITS)
def test_units_written_by_hand_are_no_data_and_are_held_against_the_column(form, unit, wrong):
    def by_hand(book) -> None:
        for cell in book["trees"][2]:
            cell.value = {"dbh_cm": unit, "x_m": "m"}.get(book["trees"].cell(1, cell.column).value)

    path = filled_in(form, change=by_hand)
    if wrong is None:
        is_as_typed(read_survey(path))
        return
    (problem,) = problems_of(path)
    assert (problem.row, problem.column, problem.expected) == (
        2,
        "dbh_cm",
        "cm",
    ) and how_to_convert(wrong, "cm") in problem.what_to_do


def test_a_value_typed_into_the_row_of_units_is_not_lost(form):
    def into_units(book) -> None:
        sheet = book["trees"]
        for letter, value in zip("ABDE", ("103", "Ridge", "longleaf-pine", 22.5), strict=True):
            sheet[f"{letter}2"] = value

    told = {
        (problem.row, problem.column) for problem in problems_of(filled_in(form, change=into_units))
    }
    assert (2, "status") in told and all(row == 2 for row, _ in told)


def test_names_that_a_spreadsheet_made_dates_are_asked_about(form):
    def dated(book) -> None:
        book["trees"]["A3"] = dt.datetime(2021, 3, 4)
        book["cores"]["B3"] = dt.datetime(2021, 3, 4)

    problems = problems_of(filled_in(form, change=dated))
    assert [(each.file, each.row, each.column) for each in problems] == [
        ("filled in.xlsx, sheet trees", 3, "tree"),
        ("filled in.xlsx, sheet cores", 3, "tree"),
    ]


def test_day_numbers_and_dates_that_can_be_read_in_two_ways_are_refused_with_what_to_do(form):
    def odd(book) -> None:
        book["cores"]["D3"], book["cores"]["D4"] = 44392, "3/4/24"
        book["cores"]["D3"].number_format = "General"

    first, second = problems_of(filled_in(form, change=odd))
    assert "day number" in first.what_to_do and "YYYY-MM-DD" in second.what_to_do


def test_lists_of_other_spreadsheets_raise_no_warning(form, recwarn):
    """Spreadsheets keep a list from another sheet in an extension that openpyxl leaves out, and
    says so.
    """
    import zipfile

    path = filled_in(form)
    again = path.with_name("again.xlsx")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(again, "w") as new:
        for name in old.namelist():
            text = old.read(name)
            if name.startswith("xl/worksheets/sheet"):
                extension = (
                    b"<extLst><ext"
                    b' uri="{CCE6A557-97BC-4b89-ADB6-D9C93CAAB3DF}"></ext></extLst></worksheet>'
                )
                text = text.replace(b"</worksheet>", extension)
            new.writestr(name, text)
    is_as_typed(read_survey(again))
    assert not [warning for warning in recwarn if "extension" in str(warning.message)]


# what is told of cells that people write

CELLS = [  # a cell for dbh_cm, and what the message says to do
    ("4O.2", "perhaps 40.2"),
    ("l5", "perhaps 15"),
    ("16 kg", "Write the number alone in cm"),
    (">30", "best single value"),
    ("[cm]", "square brackets"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("cell", "said"), CELLS)
def test_a_cell_that_is_no_number_is_told_with_what_to_do(form, cell, said):
    def write(book) -> None:
        book["trees"]["E3"] = cell

    (problem,) = problems_of(filled_in(form, change=write))
    assert (problem.row, problem.column, problem.found) == (
        3,
        "dbh_cm",
        f"'{cell}'",
    ) and said in problem.what_to_do


def test_check_shows_the_sizes_so_that_another_unit_is_seen(form):
    card = str(read_survey(filled_in(form)))
    assert "diameters 38 to 41.5 cm, half of them up to 39.75; coring heights 30 to 30 cm" in card
    assert card.count("treated as absent") == 1


# rows that are no data


@given(st.data())
def test_a_row_with_a_number_in_it_is_never_taken_for_units(data):
    each = data.draw(st.sampled_from(TABLES))
    header = [column.name for column in each.columns]
    numbers = [place for place, column in enumerate(each.columns) if column.is_number]
    odd = st.sampled_from(
        [
            "",
            "cm",
            "in",
            "[cm]",
            "[text]",
            "none",
            "unit",
            "a1",
            "[a name of your own; required]",
            "yyyy",
        ]
    )
    cells = data.draw(st.lists(odd, min_size=len(header), max_size=len(header)))
    cells[data.draw(st.sampled_from(numbers))] = data.draw(
        st.sampled_from(["0", "12.5", "-3", "1921"])
    )
    kept, rows = take_out_explanations(each, each.file, header, [cells], [2], [], [])
    assert kept == [cells] and rows == [2]


def test_the_header_is_the_first_row_unless_a_title_stands_above():
    known = table("trees")
    assert header_place([["", ""], ["tree", "stand"], ["a", "b"]], known) == 1
    assert header_place([["tree list", ""], [], ["tree", "stand"], ["a", "b"]], known) == 2
    assert (
        header_place([["stand", "Ridge"], ["tree", "stand", "species"], ["a", "b", "c"]], known)
        == 1
    )
    assert header_place([["Tree", "Stand"], ["tree", "b"]], known) == 0  # misspelt is not a title
    assert header_place([["", " "]], known) is None
    assert header_place([["title"]] + [["x"]] * 20 + [["tree", "stand"]], known) == 0


def test_csv_files_with_a_title_and_units_read_as_well(tmp_path):
    lines = {
        "stands": "Survey of 2021\nstand,survey_date,area_ha\n,YYYY-MM-DD,ha\nRidge,2021-07-14,3\n",
        "trees": "tree,stand,species,dbh_cm\n,,,cm\na,Ridge,longleaf-pine,30\n",
        "cores": "core,tree,first_ring_year,centre\nk,a,1950,pith\n",
    }
    for name, text in lines.items():
        (tmp_path / f"{name}.csv").write_text(text)
    survey = read_survey(tmp_path)
    assert survey.trees["row"].tolist() == [3] and survey.stands["area_ha"].tolist() == [3]
    (tmp_path / "trees.csv").write_text(
        "My trees\ntree;stand;species;dbh_cm\na;Ridge;longleaf-pine;30,5\n"
    )
    assert read_survey(tmp_path).trees["dbh_cm"].tolist() == [30.5]
    (tmp_path / "trees.csv").write_text(lines["trees"])
    (tmp_path / "stands.csv").write_text(
        "stand,survey_date\nRidge,2021-07-14 00:00:00\n"
    )  # as spreadsheets save a workbook's date
    assert read_survey(tmp_path).stands["survey_date"].tolist() == [pd.Timestamp(2021, 7, 14)]
    (tmp_path / "stands.csv").write_text("stand,survey_date\nRidge,2021-07-14 10:00:00\n")
    survey = read_survey(tmp_path)
    assert survey.stands["survey_date"].tolist() == [pd.Timestamp(2021, 7, 14)]
    assert "2021-07-14 10:00:00" in [reading.as_written for reading in survey.readings]


def test_a_workbook_of_examples_alone_may_be_tried(form):
    survey = read_survey(form)
    assert any("example rows" in note for note in survey.notes)
    for each in TABLES:
        assert len(getattr(survey, each.name)) == 1 and example_cells(each)[0]
    assert form.name == WORKBOOK_NAME


# one voice

VOICE = re.compile(
    r"^(?P<place>[^\n]+?): found (?P<found>[^\n]+); expected (?P<expected>[^\n]+?)\."
    r" (?P<what_to_do>[A-Z][^\n]+[.?])$"
)


@pytest.mark.parametrize(
    "command",
    [
        ("new", "FILE"),
        ("check", "nowhere"),
        ("ages", "FORMS", "--csv", "FILE"),
        ("run", "FORMS", "--out", "FILE"),
        ("run", "FORMS", "--out", "FULL"),
        ("card", "FULL", "tree"),
        ("compare", "FULL", "nowhere", "--out", "out"),
        ("batch", "nowhere", "--out", "out"),
        ("batch", "FULL", "--out", "out"),
        ("batch", "FORMS", "--out", "FORMS"),
        ("profiles", "oak"),
    ],
    ids=" ".join,
)
def test_commands_refuse_in_one_voice(command, form, tmp_path):
    """Place, what was found, what was expected, what to do: the same sentence for files, folders
    and cells.
    """
    (tmp_path / "file").write_text("mine")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "notes.txt").write_text("mine")
    forms = write_template(tmp_path / "csv")[0].parent
    places = {word: tmp_path / word.lower() for word in ("FILE", "FULL", "nowhere", "out")} | {
        "FORMS": forms
    }
    told = CliRunner().invoke(main, [str(places.get(word, word)) for word in command])
    assert told.exit_code == BAD_INPUT and isinstance(told.exception, SystemExit)
    lines = [
        line.strip() for line in told.stderr.splitlines() if not line.startswith("The survey has")
    ]
    assert lines and [line for line in lines if not VOICE.match(line)] == []
