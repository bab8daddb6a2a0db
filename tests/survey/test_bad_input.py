"""A survey that is wrong: each mistake is found, in its file, row and column, with what to do, and
all are told at once.
"""

import datetime as dt
import re
from pathlib import Path

import pandas as pd
import pytest
from good_survey import GOOD, TABLE_NAMES, good_workbook, problems_of, the_problem, write_survey
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from quick_sample import quick_sample

from standage.causes import FIRST_SCREEN, causes_of, height_of, lines_of_causes
from standage.errors import Problem, SurveyError
from standage.survey.reading import read_survey
from standage.survey.schema import RING_WIDTHS, TABLES, table


def test_the_good_survey_is_good(tmp_path):
    assert len(read_survey(write_survey(tmp_path)).trees) == 3


def test_a_source_that_nobody_knows_is_left_out_and_an_apostrophe_is_no_letter(tmp_path):
    changes = [("events", 0, "source", "hearsay"), ("trees", 0, "crown_class", "'dominant")]
    survey = read_survey(write_survey(tmp_path, changes=changes))
    assert survey.events["source"].tolist() == [""]
    assert survey.trees["crown_class"][0] == "dominant"
    assert {"hearsay", "'dominant"} <= {each.as_written for each in survey.readings}


# (table, place, column, cell, a word the problem must say)
ONE_CELL = [
    ("stands", 0, "survey_date", "", "YYYY-MM-DD"),
    ("stands", 0, "survey_date", "04/07/2021", "either way round"),
    ("stands", 0, "survey_date", "44391", "day number"),
    ("stands", 0, "survey_date", "2021", "2021-12-31"),
    ("stands", 0, "survey_date", "2021-13-01", "YYYY-MM-DD"),
    ("stands", 0, "survey_date", "2999-01-01", "future"),
    ("stands", 0, "survey_date", "1021-07-14", "before 1800"),
    ("stands", 0, "survey_date", "July 2021", "YYYY-MM-DD"),
    ("stands", 0, "latitude", "131", "-90"),
    ("stands", 0, "origin", "Natrual", "Did you mean 'natural'"),
    ("stands", 0, "area_ha", "-3", "above 0"),
    ("plots", 0, "area_m2", "0", "above 0"),
    ("plots", 0, "area_m2", "", "horizontal area"),
    ("plots", 0, "area_m2", "1,000", "1000, or 1 with a decimal comma"),
    ("plots", 0, "min_dbh_cm", "", "never guessed"),
    ("plots", 0, "max_dbh_cm", "4", "above min_dbh_cm"),
    ("plots", 0, "stand", "Nort", "Did you mean 'north'"),
    ("plots", 0, "stand", "", "stand of stands.csv"),
    ("plots", 0, "placement", "randm", "Did you mean 'random'"),
    ("trees", 0, "stand", "east", "not in stands"),
    ("trees", 0, "plot", "p9", "not in plots"),
    ("trees", 0, "plot", "p2", "a plot of stand 'south'"),
    ("trees", 0, "tree", "a2", "again"),
    ("trees", 0, "species", "", "species"),
    ("trees", 0, "species", "Longleef Pine", "'longleaf-pine'"),
    ("trees", 0, "species", "longleaf-pin", "'longleaf-pine'"),
    ("trees", 0, "dbh_cm", "251", "0 to 250 cm"),
    ("trees", 0, "dbh_cm", "-40", "0 to 250"),
    ("trees", 0, "dbh_cm", "0", "at least 5 cm"),
    ("trees", 0, "dbh_cm", "4.9", "at least 5 cm"),
    ("trees", 0, "dbh_cm", "60.1", "at most 60 cm"),
    ("trees", 0, "dbh_cm", "1,000", "1000, or 1 with a decimal comma"),
    ("trees", 0, "dbh_cm", "40 kg", "number alone"),
    ("trees", 0, "dbh_cm", "inf", "number"),
    ("trees", 0, "dbh_cm", ">40", "best single value"),
    ("trees", 0, "dbh_cm", "2021-04-05", "into a date"),
    ("trees", 0, "status", "alife", "Did you mean 'live'"),
    ("trees", 0, "death_year", "2001", "live"),
    ("trees", 2, "death_year", "2022", "after the survey"),
    ("trees", 2, "death_year_sd", "2", "without death_year"),
    ("trees", 0, "planted_year", "1950", "planted"),
    ("trees", 0, "alive_source", "photograf", "Did you mean 'photograph'"),
    ("trees", 0, "core_outcome", "not_tried", "core of 'a1'"),
    ("cores", 0, "tree", "a9", "not in trees"),
    ("cores", 0, "core", "k2", "again"),
    ("cores", 0, "height_cm", "301", "0 to 300 cm"),
    ("cores", 0, "height_cm", "-1", "0 to 300 cm"),
    ("cores", 0, "core_date", "12/05/2019", "YYYY-MM-DD"),
    ("cores", 0, "core_date", "2999-01-01", "future"),
    ("cores", 0, "first_ring_year", "2022", "after the last season"),
    ("cores", 0, "first_ring_year", "", "neither"),
    ("cores", 0, "first_ring_year", "21", "four digits"),
    ("cores", 0, "first_ring_year", "1921.5", "whole"),
    ("cores", 0, "last_ring_year", "2022", "after the last season"),
    ("cores", 0, "last_ring_year", "1900", "before the outermost"),
    ("cores", 0, "ring_count", "150", "end after the core"),
    ("cores", 1, "ring_count", "60.5", "whole"),
    ("cores", 1, "ring_count", "some sixty", "number alone"),
    ("cores", 1, "core_length_mm", "5.9", "0.1 mm"),
    ("cores", 1, "rings_to_pith", "3", "pith"),
    ("cores", 1, "pith_distance_mm", "3", "pith"),
    ("cores", 1, "dating", "crossdated", "ring_count alone"),
    ("cores", 0, "crossdated_back_to_year", "1950", "dating"),
    ("cores", 0, "centre", "", "pith"),
    ("cores", 0, "centre", "arks", "Did you mean 'arcs'"),
    ("cores", 2, "centre", "rottn", "Did you mean 'rotten'"),
    ("cores", 0, "rings_to_pith_sd", "3", "without rings_to_pith"),
    ("cores", 0, "arc_chord_mm", "3", "both or none"),
    ("counts", 0, "plot", "p3", "not in plots"),
    ("counts", 0, "count", "2.5", "whole"),
    ("counts", 0, "count", "", "0 would say that there was none"),
    ("counts", 0, "count", "-1", "0 to"),
    ("counts", 0, "area_m2", "2000", "within the plot"),
    ("counts", 0, "stage", "seedling", "germinant or grass or emerging"),
    ("counts", 0, "age_low_years", "3", "both or none"),
    ("core_readings", 0, "core", "k8", "not in cores"),
    ("core_readings", 0, "ring_count", "", "neither first_ring_year nor ring_count"),
    ("core_readings", 0, "first_ring_year", "2023", "after the season of the survey"),
    ("known_age_stems", 0, "stand", "east", "not in stands"),
    ("known_age_stems", 0, "grass_years", "9", "age_years"),
    ("events", 0, "source", "relaese", "Did you mean 'release'"),
    ("events", 0, "source", "rings: releese", "if the rings show it"),
    ("events", 0, "stand", "east", "not in stands"),
    ("events", 0, "last_year", "1900", "before first_year"),
    ("events", 0, "ended_year", "1900", "before first_year"),
    ("events", 0, "last_year", "2099", "future"),
    ("events", 0, "kind", "loging", "Did you mean 'logging'"),
    ("events", 0, "share_removed", "30", "0.3 for 30"),
    ("ring_widths", 0, "core", "k8", "not in cores"),
    ("ring_widths", 0, "width_mm", "-9999", "0 to 50 mm"),
]
# Where one wrong cell is told at another cell of its row, or makes a second cell wrong.
TOLD_AT = {
    ("cores", "arc_chord_mm"): "arc_height_mm",
    ("cores", "last_ring_year", "1900"): "first_ring_year",
}


@pytest.mark.parametrize(
    ("name", "place", "column", "cell", "said"),
    quick_sample(ONE_CELL),
    ids=lambda value: str(value) or "blank",
)
def test_one_wrong_cell_is_one_problem_at_its_place(tmp_path, name, place, column, cell, said):
    path = write_survey(tmp_path, changes=[(name, place, column, cell)])
    at = TOLD_AT.get((name, column)) or TOLD_AT.get((name, column, cell)) or column
    problems = [problem for problem in problems_of(path) if problem.file == f"{name}.csv"]
    places = [(problem.row, problem.column) for problem in problems]
    # A repeated identifier is told where it comes second.
    row = place + 3 if said == "again" else place + 2
    assert places.count((row, at)) == 1 and len(places) == 1, "\n".join(map(str, problems))
    assert said in str(problems[0]), str(problems[0])


def test_everything_is_told_at_once_in_the_order_of_files_and_rows(tmp_path):
    cells = [
        ("stands", 1, "survey_date", "15.7.21"),
        ("plots", 1, "min_dbh_cm", ""),
        ("trees", 2, "dbh_cm", "a lot"),
        ("trees", 0, "status", "alife"),
        ("cores", 0, "height_cm", "400"),
        ("events", 0, "kind", "flood"),
    ]
    problems = problems_of(write_survey(tmp_path, changes=cells))
    assert [(problem.file, problem.row, problem.column) for problem in problems] == [
        ("stands.csv", 3, "survey_date"),
        ("plots.csv", 3, "min_dbh_cm"),
        ("trees.csv", 2, "status"),
        ("trees.csv", 4, "dbh_cm"),
        ("cores.csv", 2, "height_cm"),
        ("events.csv", 2, "kind"),
    ]


TWO_CELLS = [
    ({"first_ring_year": "1921", "last_ring_year": "2020", "ring_count": "98"}, "ring_count"),
    ({"first_ring_year": "1921", "last_ring_year": "2020", "ring_count": "101"}, "ring_count"),
    (
        {
            "first_ring_year": "1921",
            "last_ring_year": "2020",
            "ring_count": "70",
            "dating": "crossdated",
        },
        "ring_count",
    ),
    (
        {"first_ring_year": "1921", "dating": "crossdated", "crossdated_back_to_year": "1900"},
        "crossdated_back_to_year",
    ),
    ({"first_ring_year": "2020", "core_date": "2020-01-20"}, "first_ring_year"),
    ({"arc_chord_mm": "4", "arc_height_mm": "2.5"}, "arc_height_mm"),
    ({"arc_chord_mm": "4", "arc_height_mm": "0.5", "centre": "straight"}, "arc_chord_mm"),
    ({"core_length_mm": "500", "diameter_at_core_cm": "44"}, "core_length_mm"),
    ({"bark_mm": "190", "diameter_at_core_cm": "30"}, "bark_mm"),
    ({"inner_ring_mm": "20", "core_length_mm": "15"}, "inner_ring_mm"),
    (
        {"first_ring_year": "2021", "last_ring_year": "2021", "core_date": "2021-02-01"},
        "last_ring_year",
    ),
]


@pytest.mark.slow
@pytest.mark.parametrize(("cells", "column"), TWO_CELLS)
def test_cells_of_a_core_that_contradict_each_other(tmp_path, cells, column):
    path = write_survey(
        tmp_path, changes=[("cores", 0, name, cell) for name, cell in cells.items()]
    )
    assert ("cores.csv", 2, column) in [
        (problem.file, problem.row, problem.column) for problem in problems_of(path)
    ]


AGREEING = [
    {"first_ring_year": "1921", "last_ring_year": "2020", "ring_count": "100"},
    {"first_ring_year": "1921", "last_ring_year": "2020", "ring_count": "99"},
    {
        "first_ring_year": "1921",
        "last_ring_year": "2020",
        "ring_count": "93",
        "dating": "crossdated",
    },
    {
        "first_ring_year": "1921",
        "last_ring_year": "2020",
        "dating": "crossdated",
        "crossdated_back_to_year": "1940",
    },
    {"arc_chord_mm": "4", "arc_height_mm": "2"},
    {"centre": "pith", "rings_to_pith": "0"},
    {"height_cm": "0"},
    {"height_cm": "300"},
    {"height_cm": ""},
    {"first_ring_year": "2021", "last_ring_year": "2021", "centre": "rotten"},
]


@pytest.mark.parametrize("cells", AGREEING)
def test_cores_at_the_edge_of_what_agrees_are_accepted(tmp_path, cells):
    path = write_survey(
        tmp_path, changes=[("cores", 0, name, cell) for name, cell in cells.items()]
    )
    assert len(read_survey(path).cores) == 3


def test_a_ring_after_the_survey_in_a_core_taken_later(tmp_path):
    path = write_survey(
        tmp_path,
        changes=[("cores", 0, "core_date", "2023-05-01"), ("cores", 0, "first_ring_year", "2022")],
    )
    assert "survey" in str(the_problem(path, "cores.csv", 2, "first_ring_year"))


def test_rings_and_death_must_agree(tmp_path):
    path = write_survey(
        tmp_path,
        changes=[
            ("trees", 2, "death_year", "2001"),
            ("cores", 2, "first_ring_year", "1950"),
            ("cores", 2, "last_ring_year", "2005"),
        ],
    )
    assert "death_year" in str(the_problem(path, "cores.csv", 4, "last_ring_year"))


def test_a_stem_below_breast_height_may_be_listed_outside_the_plots_only(tmp_path):
    low = [("trees", 0, "dbh_cm", "0"), ("trees", 0, "plot", "")]
    survey = read_survey(write_survey(tmp_path / "outside", changes=low))
    assert pd.isna(survey.trees["dbh_cm"].iat[0]) and any(
        "breast height" in n for n in survey.notes
    )
    inside = [("trees", 0, "dbh_cm", "0"), ("plots", 0, "min_dbh_cm", "0")]
    path = write_survey(tmp_path / "inside", changes=inside)
    assert "in counts" in the_problem(path, "trees.csv", 2, "dbh_cm").what_to_do


def test_stumps_and_dead_stems_in_plots_need_no_diameter(tmp_path):
    path = write_survey(
        tmp_path,
        changes=[
            ("trees", 2, "dbh_cm", ""),
            ("trees", 2, "status", "stump"),
            ("trees", 2, "plot", "p2"),
        ],
    )
    assert len(read_survey(path).trees) == 3


def test_a_core_said_to_be_taken_must_be_there(tmp_path):
    path = write_survey(
        tmp_path, changes=[("cores", 0, "tree", "a2"), ("trees", 0, "core_outcome", "taken")]
    )
    assert "no core of 'a1'" in str(the_problem(path, "trees.csv", 2, "core_outcome"))


@pytest.mark.parametrize("name", ["stands", "trees"])
def test_a_missing_or_empty_needed_table(tmp_path, name):
    path = write_survey(tmp_path / "missing", without=[name])
    assert (
        "no such table"
        in next(problem for problem in problems_of(path) if problem.file == f"{name}.csv").found
    )
    path = write_survey(tmp_path / "header")
    (path / f"{name}.csv").write_text(
        ",".join(column.name for column in table(name).columns) + "\n"
    )
    assert (
        "no rows"
        in next(problem for problem in problems_of(path) if problem.file == f"{name}.csv").found
    )
    for blank in (",,,\n,,\n", " \n", ""):
        (path / f"{name}.csv").write_text(blank)
        assert the_problem(path, f"{name}.csv", None, None).found == "an empty file"
    # Nothing that refers to a table that could not be read is held against it.
    assert the_problem(path, f"{name}.csv", None, None).found == "an empty file"


def test_no_cores_and_no_plots_leave_nothing_to_date(tmp_path):
    path = write_survey(
        tmp_path,
        without=["cores", "core_readings", "plots", "counts", "ring_widths"],
        changes=[("trees", 0, "plot", ""), ("trees", 1, "plot", "")],
    )
    assert "size" in the_problem(path, "cores.csv", None, None).what_to_do


def test_paths_that_are_no_survey(tmp_path):
    assert (
        "nothing" in the_problem(tmp_path / "nowhere", str(tmp_path / "nowhere"), None, None).found
    )
    write_survey(tmp_path)
    assert (
        str(tmp_path)
        in the_problem(tmp_path / "trees.csv", str(tmp_path / "trees.csv"), None, None).what_to_do
    )
    (tmp_path / "survey.ods").write_text("x")
    assert (
        ".ods"
        in the_problem(tmp_path / "survey.ods", str(tmp_path / "survey.ods"), None, None).found
    )
    (tmp_path / "survey.xlsx").write_text("no workbook")
    assert "does not open" in the_problem(tmp_path / "survey.xlsx", "survey.xlsx", None, None).found
    (tmp_path / "empty").mkdir()
    assert {problem.file for problem in problems_of(tmp_path / "empty")} == {
        "stands.csv",
        "trees.csv",
    }


@pytest.mark.parametrize(
    ("mark", "word"), [(";", "semicolons"), ("\t", "tabs"), ("|", "vertical bars")]
)
def test_another_delimiter_is_read_and_listed(tmp_path, mark, word):
    path = write_survey(tmp_path)
    plain = read_survey(path).trees
    text = (path / "trees.csv").read_text()
    (path / "trees.csv").write_text(
        text.replace(",", mark).replace("40", "40,0" if mark == ";" else "40")
    )
    survey = read_survey(path)
    pd.testing.assert_frame_equal(survey.trees, plain)
    assert any(word in reading.as_written for reading in survey.readings)


def test_a_misspelt_table_is_suggested(tmp_path):
    path = write_survey(tmp_path)
    (path / "cores.csv").rename(path / "coers.csv")
    assert len(read_survey(path).cores) == 3  # by its headings
    replace_header(path / "coers.csv", "tree", "stem tag")
    assert "'stem tag' holds it" in the_problem(path, "coers.csv", 1, "tree").what_to_do


def replace_header(path: Path, old: str, new: str) -> None:
    lines = path.read_text().splitlines()
    names = [new if name == old else name for name in lines[0].split(",")]
    path.write_text("\n".join([",".join(names), *lines[1:]]) + "\n")


@pytest.mark.parametrize(
    ("name", "right", "wrong"),
    [
        ("trees", "dbh_cm", "dbh"),
        ("trees", "species", "specis"),
        ("cores", "first_ring_year", "firstring_year"),
        ("cores", "centre", "centtre"),
        ("plots", "min_dbh_cm", "min_dbh"),
        ("stands", "survey_date", "survey_dat"),
        ("counts", "area_m2", "area_m"),
    ],
)
def test_a_misspelt_column_is_suggested_once(tmp_path, name, right, wrong):
    path = write_survey(tmp_path)
    replace_header(path / f"{name}.csv", right, wrong)
    told = [problem for problem in problems_of(path) if problem.column == wrong]
    assert len(told) == 1 and f"'{right}'" in told[0].what_to_do
    assert list(problems_of(path)) == told, (
        "its cells are read all the same, so nothing else is amiss"
    )


def test_unknown_columns_are_kept_even_beside_a_known_one_in_another_unit(tmp_path):
    survey = read_survey(
        write_survey(tmp_path, changes=[("trees", 0, "dbh_in", "15.7"), ("trees", 0, "bole", "B")])
    )
    assert survey.trees["dbh_in"].tolist() == ["15.7", "", ""]
    assert any("dbh_in, bole" in note for note in survey.notes)


@pytest.mark.parametrize(
    ("name", "column"),
    quick_sample(
        [
            (each.name, column.name)
            for each in TABLES
            for column in each.columns
            if column.required == "yes"
            and column.name not in ("last_year", "core", "event")  # said by other columns
            or column is RING_WIDTHS.column("core")
        ]
    ),
)
def test_a_missing_required_column_is_one_problem(tmp_path, name, column):
    path = write_survey(tmp_path, drop=[(name, column)])
    told = [problem for problem in problems_of(path) if problem.file == f"{name}.csv"]
    assert [
        (problem.row, problem.column) for problem in told if problem.found.startswith("no column")
    ] == [(1, column)]
    assert len(problems_of(path)) <= 2


def test_a_missing_optional_column_is_blank(tmp_path):
    drop = [
        (each.name, column.name)
        for each in TABLES
        for column in each.columns
        if not column.required
    ]
    survey = read_survey(write_survey(tmp_path, drop=drop, without=["known_age_stems"]))
    assert survey.trees["x_m"].isna().all() and survey.trees["status"].eq("live").all()


def test_repeated_columns_and_columns_without_a_name(tmp_path):
    path = write_survey(tmp_path)
    replace_header(path / "trees.csv", "scar", "dbh_cm")
    assert "twice" in the_problem(path, "trees.csv", 1, "dbh_cm").found
    path = write_survey(tmp_path / "other", changes=[("trees", 0, "scar", "none")])
    replace_header(path / "trees.csv", "scar", "")
    assert "no name" in the_problem(path, "trees.csv", 1, None).found


def test_ragged_rows_and_open_quotes(tmp_path):
    path = write_survey(tmp_path)
    text = (path / "stands.csv").read_text().splitlines()
    (path / "stands.csv").write_text(
        "\n".join([text[0], text[1] + ",5", "south,,2021-07-15"]) + "\n"
    )
    assert [(problem.row, problem.column) for problem in problems_of(path)] == [
        (2, None),
        (3, None),
    ]
    (path / "stands.csv").write_text("\n".join([text[0], '"north' + text[1][5:], text[2]]) + "\n")
    assert "valid CSV" in the_problem(path, "stands.csv", None, None).found


@pytest.mark.parametrize(
    ("content", "row", "word"),
    [
        (
            "stand,survey_date\nnorth,2021-07-14\nsouth\u2019s,2021-07-15\n".encode("cp1252"),
            3,
            "byte 92",
        ),
        (
            "stand,survey_date\nnorth\u00e9,2021-07-14\n".encode() + b"south\xe9,2021-07-15\n",
            3,
            "byte E9",
        ),
        ("stand,survey_date\nnorth,2021-07-14\n".encode("utf-16"), None, "UTF-16"),
        (b"PK\x03\x04 and so on", None, "workbook"),
    ],
)
def test_encodings_that_would_have_to_be_guessed_are_refused(tmp_path, content, row, word):
    path = write_survey(tmp_path)
    (path / "stands.csv").write_bytes(content)
    assert word in the_problem(path, "stands.csv", row, None).found


def test_species_without_any_profile_are_refused(tmp_path):
    path = write_survey(
        tmp_path, changes=[("trees", place, "species", "QULA") for place in range(3)]
    )
    assert "longleaf-pine" in the_problem(path, "trees.csv", None, "species").expected


def test_a_stem_of_a_sequence_is_not_suggested_for_its_neighbour(tmp_path):
    changes = [("cores", 0, "tree", "a-01"), ("cores", 1, "tree", "A 4")]
    (problem,) = problems_of(write_survey(tmp_path, changes=changes))  # a-01 is a1
    assert problem.row == 3 and "Did you mean" not in problem.what_to_do


def test_a_formula_that_was_never_computed_is_no_blank(tmp_path):
    book = good_workbook()
    book["stands"]["C2"] = dt.datetime(2021, 7, 14, 0, 0)
    book.save(tmp_path / "fine.xlsx")
    assert read_survey(tmp_path / "fine.xlsx").survey_season("north") == 2021
    book["stands"]["C2"] = 44391
    book["stands"]["C2"].number_format = "General"
    book["trees"]["E4"] = "=30+1"
    book["trees"].cell(4, [cell.value for cell in book["trees"][1]].index("note") + 1, "mean of 2")
    book.save(tmp_path / "bad.xlsx")
    told = {
        (problem.file, problem.row, problem.column): problem
        for problem in problems_of(tmp_path / "bad.xlsx")
    }
    assert set(told) == {
        ("bad.xlsx, sheet stands", 2, "survey_date"),
        ("bad.xlsx, sheet trees", 4, "dbh_cm"),
    }
    assert "=30+1" in told["bad.xlsx, sheet trees", 4, "dbh_cm"].found


def test_a_thousand_like_problems_are_all_kept_and_few_are_printed(tmp_path):
    path = write_survey(tmp_path)
    frame = pd.DataFrame(
        {
            "tree": [f"b{place}" for place in range(1000)],
            "stand": "north",
            "species": "longleaf-pine",
            "dbh_cm": "lost",
        }
    )
    frame.to_csv(path / "trees.csv", index=False)
    with pytest.raises(SurveyError) as caught:
        read_survey(path)
    assert sum(problem.column == "dbh_cm" for problem in caught.value.problems) == 1000
    assert "dbh_cm, 1000 times (rows 2-1001): found 'lost'" in str(caught.value)
    assert len(str(caught.value).splitlines()) <= FIRST_SCREEN
    assert len(caught.value.in_full().splitlines()) == 1 + len(caught.value.problems)


def test_a_problem_reads_as_one_line():
    problem = Problem(
        "cores.csv", 14, "height_cm", "'410'", "a number from 0 to 300 cm", "Check the unit."
    )
    assert (
        str(problem)
        == "cores.csv, row 14, column height_cm: found '410'; expected a number from 0 to 300 cm."
        " Check the unit."
    )


def problem_at(row, column="dbh_cm", found="'12 cm'", what_to_do="Write 12.", file="trees.csv"):
    return Problem(file, row, column, found, "a number of cm", what_to_do)


def test_like_problems_are_one_line_with_their_number_rows_and_fix():
    same = [problem_at(row) for row in (2, 3, 4, 9)]
    (cause,) = causes_of(same)
    assert str(cause) == (
        "trees.csv, column dbh_cm, 4 times (rows 2-4, 9): found '12 cm'; expected a number of cm."
        " Write 12."
    )
    varied = [problem_at(row, found=f"'{row} cm'", what_to_do=f"Write {row}.") for row in range(7)]
    (cause,) = causes_of(varied)
    assert "found '0 cm', '1 cm', '2 cm' and 4 others" in str(cause)
    assert str(cause).endswith("In row 0: Write 0.")
    assert str(causes_of(same[:1])[0]) == str(same[0])


def test_what_has_another_fix_is_another_cause_though_the_cells_are_alike():
    told = [problem_at(2, what_to_do="Did you mean 'a'?"), problem_at(3, what_to_do="Empty it.")]
    assert len(causes_of(told)) == 2


def test_whole_files_come_before_columns_and_those_before_cells():
    cells = [problem_at(row) for row in range(2, 50)]
    column = problem_at(None, "species", what_to_do="Add it.")
    whole = problem_at(None, None, "no such table", "Add the table.", "stands.csv")
    few = problem_at(2, "status", "'alive'", "Did you mean 'live'?")
    order = [cause.problems[0] for cause in causes_of([few, *cells, column, whole])]
    assert order == [whole, column, cells[0], few]


@given(
    numbers=st.lists(st.integers(1, 30), min_size=1, max_size=60),
    width=st.sampled_from([60, 100, 200]),
)
def test_the_first_screen_never_overflows_and_loses_no_problem(numbers, width):
    told = [
        problem_at(row, "abcdefghij"[kind % 10] * (1 + kind % 7), what_to_do=f"Do {'x' * kind}.")
        for kind, number in enumerate(numbers)
        for row in range(number)
    ]
    lines = lines_of_causes(causes_of(told), width=width)
    assert 1 + sum(height_of(line, width) for line in lines) <= FIRST_SCREEN
    times = [int(found) for line in lines for found in re.findall(r", (\d+) times", line)]
    ones = sum(", row " in line for line in lines)
    left = [int(found) for found in re.findall(r"and (\d+) more of", lines[-1])]
    assert sum(times) + ones + sum(left) == len(told)


def test_two_columns_that_were_mixed_up_are_told_as_such_besides_their_cells(tmp_path):
    changes = [
        ("cores", 0, "first_ring_year", "100"),
        ("cores", 0, "ring_count", "1921"),
        ("cores", 1, "first_ring_year", "60"),
        ("cores", 1, "ring_count", "1960"),
    ]
    with pytest.raises(SurveyError) as found:
        read_survey(write_survey(tmp_path / "mixed", changes=changes))
    told = [
        problem
        for problem in found.value.problems
        if "Exchange the two names" in problem.what_to_do
    ]
    assert [(problem.file, problem.row, problem.column) for problem in told] == [
        ("cores.csv", 1, "first_ring_year")
    ]
    assert "'ring_count'" in told[0].found and len(found.value.problems) >= 5
    with pytest.raises(SurveyError) as found:  # one column wrong by itself is no exchange
        read_survey(
            write_survey(
                tmp_path / "one",
                changes=[("cores", 0, "first_ring_year", "100"), ("cores", 0, "ring_count", "90")],
            )
        )
    assert not any("Exchange" in problem.what_to_do for problem in found.value.problems)


@pytest.mark.slow
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_cell_whatsoever_crashes_the_reading(tmp_path, data):
    """Any text in any cell either passes or is a SurveyError: never another exception."""
    each = data.draw(st.sampled_from(TABLES))
    column = data.draw(st.sampled_from(each.columns))
    place = data.draw(st.integers(0, len(GOOD[each.name]) - 1))
    odd = [
        "",
        "0",
        "-1",
        "1e400",
        "1e9",
        "nan",
        "2021-02-30",
        "9999-12-31",
        "0001-01-01",
        "=1",
        "a,b",
        "'",
        "\u0661",
        "1_0",
        "0x1f",
    ]
    cell = data.draw(
        st.one_of(
            st.sampled_from(odd),
            st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8),
        )
    )
    path = write_survey(tmp_path, changes=[(each.name, place, column.name, cell)])
    try:
        survey = read_survey(path)
    except SurveyError as error:
        assert error.problems and str(error)
    else:
        assert str(survey).startswith("Survey ")


@pytest.mark.slow
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    content=st.one_of(
        st.binary(max_size=60),
        st.text(max_size=60).map(lambda text: text.encode("utf-8", "ignore")),
    ),
    name=st.sampled_from(TABLE_NAMES),
)
def test_no_file_whatsoever_crashes_the_reading(tmp_path, content, name):
    path = write_survey(tmp_path)
    (path / f"{name}.csv").write_bytes(content)
    try:
        read_survey(path)
    except SurveyError as error:
        assert error.problems
    else:
        # Only bytes that hold no row of their own may pass, and only where the table may be left
        # out.
        assert not table(name).needed or name == "cores"
