"""A sheet of one's own: trees and cores in the same rows, sheets known by headings, and a file
that says which column is which.
"""

import csv
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from good_survey import problems_of
from openpyxl import Workbook

from standage.commands.cli import BAD_INPUT, main
from standage.survey.files.mapping_draft import write_draft
from standage.survey.mapping import mapping_path
from standage.survey.reading import read_survey
from standage.survey.schema import TABLES

TWIN = {
    "stands": """stand,survey_date
                 Ridge,2021-07-15
                 Flat,2021-07-16""",
    "trees": """tree,stand,species,dbh_cm,status,note
                1,Ridge,longleaf-pine,38.1,,
                2,Ridge,longleaf-pine,25.4,,leans
                3,Ridge,slash-pine,12.7,,
                4,Flat,longleaf-pine,30.48,,""",
    "cores": """core,tree,height_cm,core_date,ring_count,at_least,centre
                1-a,1,30.48,2021-07-14,84,,pith
                2-a,2,30.48,2021-07-15,61,yes,rotten
                4-a,4,30.48,2021-07-16,70,,arcs
                4-b,4,137.16,2021-07-16,66,,arcs""",
}
FLAT = """Tag #,Stand,Species,DBH (in),Date cored,Core height (ft),# rings,Pith,Remarks
          1,Ridge,Longleaf,15,7/14/2021,1,84,yes,
          2,Ridge,Longleaf,10,7/15/2021,1,61+,rotten,leans
          3,Ridge,Slash,5,,,,,
          4,Flat,P. palustris,12,7/16/2021,1,70,near pith,
          4,,,,7/16/2021,4.5,66,near pith,"""
OWN = """Nr;where;what;thick;up;taken;seen;middle
         1;Ridge;Longleaf;15;1;7/14/2021;84;pith
         2;Ridge;Longleaf;10;1;7/15/2021;61;rotten"""
OWN_MAPPING = """
[[sheet]]
name = "{name}"
holds = "trees and cores"
[sheet.columns]
Nr = "tree"
where = "stand"
what = "species"
thick = {{column = "dbh_cm", unit = "in"}}
up = {{column = "height_cm", unit = "ft"}}
taken = "core_date"
seen = "ring_count"
middle = "centre"
[sheet.values]
reader = "A"
"""


def lines(text: str) -> str:
    return "\n".join(line.strip() for line in text.strip().splitlines()) + "\n"


def write(folder: Path, **files: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(lines(text), encoding="utf-8")
    return folder


@pytest.fixture
def twin(tmp_path):
    return read_survey(write(tmp_path / "twin", **TWIN))


def assert_same(survey, twin) -> None:
    for table in TABLES:
        known = [column.name for column in table.columns]
        ours, theirs = (getattr(each, table.name)[known] for each in (survey, twin))
        pd.testing.assert_frame_equal(ours, theirs, check_exact=False, rtol=1e-9)


def test_one_file_with_trees_and_cores_in_its_rows_is_a_survey(tmp_path, twin):
    path = tmp_path / "field.csv"
    path.write_text(lines(FLAT))
    survey = read_survey(path)
    assert_same(survey, twin)
    assert survey.name == "field" and set(survey.hashes) == {"field.csv"}
    assert {"heading", "cores named after their trees"} <= {each.reason for each in survey.readings}


@pytest.mark.parametrize("name", ["trees", "cores", "field data 2021"])
def test_the_same_in_a_folder_under_any_name(tmp_path, twin, name):
    assert_same(read_survey(write(tmp_path / "one", **{name: FLAT})), twin)


def test_the_same_as_a_workbook_with_a_title(tmp_path, twin):
    book = Workbook()
    book.active.title = "Sheet1"
    book.active.append(["Fern tract, July 2021"])
    for row in csv.reader(lines(FLAT).splitlines()):
        book.active.append([int(cell) if cell.isdigit() else cell or None for cell in row])
    book.save(tmp_path / "field.xlsx")
    assert_same(read_survey(tmp_path / "field.xlsx"), twin)


def test_plots_come_from_the_rows_that_say_how_large_they_are(tmp_path):
    rows = """Tree,Plot,Plot area (ac),Min DBH (in),Species,DBH (cm),Survey date,Rings,Pith
              1,A,0.25,2,longleaf-pine,38.1,2021-07-14,84,pith
              2,A,,,longleaf-pine,25.4,2021-07-14,,
              3,B,0.5,2,longleaf-pine,25.4,2021-07-14,,
              4,outside,,,longleaf-pine,25.4,2021-07-14,,"""
    survey = read_survey(write(tmp_path / "fern", field=rows))
    assert survey.plots["area_m2"].round(3).tolist() == [1011.714, 2023.428]
    assert survey.trees["plot"].tolist() == ["A", "A", "B", ""]
    assert survey.trees["stand"].unique().tolist() == ["fern"]
    bare = rows.replace("Plot area (ac)", "extra")
    (problem,) = problems_of(write(tmp_path / "bare", field=bare))
    assert "plots without their area" in problem.found


def test_rows_of_one_tree_that_contradict_each_other_are_refused(tmp_path):
    wrong = FLAT.replace("4,,,,7/16", "4,Flat,P. palustris,13,7/16")
    (problem,) = problems_of(write(tmp_path / "one", field=wrong))
    assert (problem.row, problem.column) == (6, "dbh_cm") and "row 5 says '12'" in problem.found


def test_rows_of_one_tree_may_say_the_same_in_other_words(tmp_path, twin):
    otherwise = FLAT.replace("4,,,,7/16", "4,flat,longleaf pine,12.0,7/16")
    assert otherwise != FLAT
    survey = read_survey(write(tmp_path / "one", field=otherwise))
    assert_same(survey, twin)
    named = {(each.row, each.column, each.as_written, each.as_read) for each in survey.readings}
    assert {
        (6, "species", "longleaf pine", "P. palustris"),
        (6, "dbh_cm", "12.0", "12"),
    } <= named
    other = FLAT.replace("4,,,,7/16", "4,Flat,slash,12,7/16")
    (problem,) = problems_of(write(tmp_path / "two", field=other))
    assert (problem.row, problem.column) == (6, "species")


def test_a_column_of_living_and_dead_or_of_rings_missed_is_never_passed_over(tmp_path):
    rows = """Tree,Species,DBH (cm),Survey date,Rings,Pith,Alive?
              1,longleaf-pine,38.1,2021-07-14,84,pith,alive
              2,longleaf-pine,25.4,2021-07-14,,,dead"""
    survey = read_survey(write(tmp_path / "words", field=rows))
    assert survey.trees["status"].tolist() == ["live", "dead"]
    marks = rows.replace(",alive", ",y").replace(",dead", ",n")
    survey = read_survey(write(tmp_path / "marks", field=marks))
    assert survey.trees["status"].tolist() == ["live", "dead"]
    other = marks.replace("Alive?", "Status")
    assert {problem.column for problem in problems_of(write(tmp_path / "other", field=other))} == {
        "status"
    }
    missed = rows.replace("Alive?", "Rings missed").replace(",pith,alive", ",arcs,4")
    missed = missed.replace(",dead", ",")
    (problem,) = problems_of(write(tmp_path / "missed", field=missed))
    assert "rings locally absent" in str(problem)


def test_a_tree_number_that_comes_back_further_down_may_be_another(tmp_path):
    book = Workbook()
    header = ["Tree", "Species", "DBH (cm)", "Survey date", "Rings", "Pith"]
    book.active.append(header)
    for tree in (1.1, 1.2, 1.1):
        book.active.append([tree, "longleaf-pine", 30, "2021-07-14", 84, "pith"])
    book.save(tmp_path / "field.xlsx")
    (problem,) = problems_of(tmp_path / "field.xlsx")
    assert problem.row == 4 and "'1.1' or '1.10'" in problem.found


def test_a_height_that_may_be_the_trees_own_is_refused(tmp_path):
    wrong = FLAT.replace("Core height (ft)", "Height (ft)")
    (problem,) = problems_of(write(tmp_path / "one", field=wrong))
    assert problem.column == "Height (ft)" and "the height of the tree" in problem.found


def test_trees_and_cores_in_their_own_files_are_never_taken_for_one(tmp_path):
    """A column of cores in the table of trees is not known there, and stays out of the way."""
    trees = TWIN["trees"].replace("\n", ",\n").replace("note,", "note,ring_count") + ","
    survey = read_survey(write(tmp_path / "both", **{**TWIN, "trees": trees}))
    assert len(survey.cores) == 4 and "ring_count" in survey.trees.columns
    assert any("ring_count not known" in note for note in survey.notes)


def test_sheets_are_known_by_their_headings(tmp_path, twin):
    named = {"a": TWIN["stands"], "b": TWIN["trees"], "c": TWIN["cores"]}
    survey = read_survey(write(tmp_path / "other", **named))
    assert_same(survey, twin)
    read = {(each.as_written, each.as_read) for each in survey.readings}
    assert read == {("a.csv", "stands"), ("b.csv", "trees"), ("c.csv", "cores")}
    problems = problems_of(write(tmp_path / "other", d=TWIN["trees"]))
    assert any("4 of 4 rows as in 'b'" in problem.found for problem in problems)


@pytest.mark.parametrize("folder", [True, False])
def test_a_mapping_file_says_which_column_is_which(tmp_path, folder):
    path = write(tmp_path / "mine", field=OWN)
    path = path if folder else path / "field.csv"
    problems_of(path)
    mapping_path(path).write_text(OWN_MAPPING.format(name="field.csv"))
    survey = read_survey(path)
    assert survey.trees["dbh_cm"].tolist() == [38.1, 25.4]
    assert survey.cores["height_cm"].tolist() == [30.48, 30.48]
    assert survey.cores["reader"].tolist() == ["A", "A"]
    assert mapping_path(path).name in survey.hashes
    told = {(each.as_written, each.as_read) for each in survey.readings}
    assert ("thick", "dbh_cm, in in: multiply by 2.54") in told


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"tree"', '"tre"', "a column of flat"),
        ('unit = "in"', 'unit = "?"', "the unit '?'"),
        ('unit = "in"', 'unit = "ha"', "the unit 'ha'"),
        ('"trees and cores"', '"wood"', "one of: stands"),
        ("[[sheet]]", "[[sheet", "TOML"),
        ("[[sheet]]", "[[sheet]]\ndeep = " + "[" * 100_000, "tables within tables"),
        ("[[sheet]]", "[[sheet]]\nlong = " + "9" * 5_000, "a TOML file"),
        ("[[sheet]]", "a" + ".a" * 400_000 + " = 1\n[[sheet]]", "without an end"),
        ("[[sheet]]", '[[sheet]]\n"\\u001b[2J" = 1', r"\x1b[2J"),
        ('"A"', "0x" + "f" * 6_000, "more digits than"),
        ("[sheet.columns]", "[[sheet.columns]]", "a table [sheet.columns]"),
        ("[sheet.values]", "[[sheet.values]]", "a table [sheet.values]"),
        ('"A"', "[]", "what a cell would"),
    ],
)
def test_what_a_mapping_file_says_wrongly_is_told(tmp_path, old, new, said):
    path = write(tmp_path / "mine", field=OWN)
    mapping_path(path).write_text(OWN_MAPPING.format(name="field.csv").replace(old, new))
    told = [str(problem) for problem in problems_of(path) if problem.file == "columns.toml"]
    assert any(said in each for each in told), told


def test_a_draft_of_the_mapping_is_accepted_where_nothing_is_open(tmp_path, twin):
    path = tmp_path / "field.csv"
    path.write_text(lines(FLAT))
    done = CliRunner().invoke(main, ["check", str(path), "--draft"])
    assert done.exit_code == 0 and "field.columns.toml" in done.output
    survey = read_survey(path)
    assert_same(survey, twin)
    assert "heading by the mapping file" in {each.reason for each in survey.readings}
    again = CliRunner().invoke(main, ["check", str(path), "--draft"])
    assert again.exit_code == BAD_INPUT and "move it away" in again.output


def test_a_draft_leaves_open_what_has_two_meanings(tmp_path):
    path = write(tmp_path / "mine", field=FLAT.replace("DBH (in)", "DBH").replace("# rings", "Age"))
    (path / "field.csv").write_text((path / "field.csv").read_text().replace("Remarks", "Rings"))
    text = write_draft(path).read_text()
    assert '# "DBH" = {column = "dbh_cm", unit = "?"}' in text
    assert '# "Age" = ""  # may mean the rings counted' in text
    assert '# survey_date = ""' in text
    before = problems_of(path)
    mapping_path(path).unlink()
    assert before == problems_of(path) and any("cm" in str(each) for each in before)
    mapping_path(path).write_text(text.replace('# "DBH"', '"DBH"'))
    assert any("the unit '?'" in str(problem) for problem in problems_of(path))


def test_a_draft_knows_sheets_by_name_and_says_what_is_read_anyway(tmp_path):
    book = Workbook()
    sheets = {
        "Tree data": ["Stand", "Plot no", "Tree ID", "Sp.", "d (cm)", "Alive?"],
        "Cores": ["Plot", "Tree ID", "Core", "Height (cm)", "Rings"],
        "Seedlings": ["Stand", "Plot no", "Species", "Germinants", "Bolting"],
    }
    for title, header in sheets.items():
        book.create_sheet(title).append(header)
    book.remove(book.worksheets[0])
    book.save(tmp_path / "own.xlsx")
    done = CliRunner().invoke(main, ["check", str(tmp_path / "own.xlsx"), "--draft"])
    assert done.exit_code == 0
    text = (tmp_path / "own.columns.toml").read_text()
    found = {each["name"]: each for each in tomllib.loads(text)["sheet"]}
    assert [each["holds"] for each in found.values()] == ["trees", "cores", "counts"]
    assert '# "d (cm)" = {column = "dbh_cm", unit = "cm"}' in text
    assert found["Tree data"]["columns"]["Alive?"] == "status"
    assert "at another height" in text and "the plot in which the names are numbered" in text
    assert "read as emerging, without a line here" in text and "# count =" not in text


@pytest.mark.parametrize("heading", ["L/D", "Vitality", "health"])
def test_the_living_are_told_from_the_dead_under_any_heading(tmp_path, heading):
    """What no list has as a heading is known by its cells, each of them live or dead."""
    rows = [line.strip() for line in TWIN["trees"].replace("status", heading).splitlines()]
    for place, cell in enumerate(("L", "D", "L", "L"), 1):
        cells = rows[place].split(",")
        cells[4] = cell
        rows[place] = ",".join(cells)
    written = {"stands": TWIN["stands"], "trees": "\n".join(rows), "cores": TWIN["cores"]}
    survey = read_survey(write(tmp_path / "mine", **written))
    assert survey.trees["status"].tolist() == ["live", "dead", "live", "live"]
    assert any(each.as_read == "status" for each in survey.readings)


def test_hollow_trees_without_a_core_say_what_came_of_coring_them(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(lines(FLAT) + "5,Ridge,Longleaf,14,,,hollow,,\n6,Ridge,Longleaf,16,,,,,\n")
    survey = read_survey(path)
    outcome = survey.trees.set_index("tree")["core_outcome"]
    assert outcome[["1", "5", "6"]].tolist() == ["taken", "no_sound_wood", "not_tried"]
    assert len(survey.cores) == 4
    path.write_text(lines(FLAT) + '5,Ridge,Longleaf,14,,,"rotten, not cored",,\n')
    assert read_survey(path).trees["core_outcome"].iloc[-1] == "no_sound_wood"
    assert [each.as_read for each in survey.readings if each.as_written == "hollow"] == [
        "core_outcome no_sound_wood"
    ]


def test_a_draft_leaves_to_check_what_check_reads_by_the_cells(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(
        "Tag,Species,DBH (cm),health,Date,Core at (cm),Rings,Pith,Bark edge\n"
        "1,LLP,30,L,2023-06-01,30,86,yes,y\n2,LLP,31,D,2023-06-02,30,83,yes,n\n"
    )
    plainly = read_survey(path)
    draft = write_draft(path).read_text()
    assert '# "health": read as status' in draft and 'Bark edge" =' not in draft
    mapped = read_survey(path)
    assert_same(mapped, plainly)
    assert mapped.trees["status"].tolist() == ["live", "dead"]
    assert mapped.cores["outer_ring"].tolist() == ["unknown", "lost"]


def test_a_date_in_each_row_is_the_day_of_its_core(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(
        "Tag,Species,DBH (cm),Survey date,Core ht (cm),Rings,Pith\n"
        "1,LLP,30,2023-06-01,30,86,yes\n2,LLP,31,2023-06-02,30,83,yes\n"
    )
    survey = read_survey(path)
    assert survey.cores["core_date"].dt.day.tolist() == [1, 2]
    assert survey.stands["survey_date"].dt.day.tolist() == [2]


@pytest.mark.parametrize("other", ["trees", "More trees"])
def test_a_list_of_trees_and_cores_beside_one_of_trees_is_refused(tmp_path, other):
    book = Workbook()
    sheet = book.active
    sheet.title = "Cored trees"
    sheet.append(["Tree", "Stand", "Species", "DBH (cm)", "Core ht (cm)", "Rings", "Pith"])
    sheet.append(["1", "A", "longleaf", 31.2, 30, 84, "pith"])
    more = book.create_sheet(other)
    more.append(["Tree", "Stand", "Species", "DBH (cm)"])
    more.append(["2", "A", "longleaf", 12.5])
    book.save(tmp_path / "field.xlsx")
    if other != "trees":
        (tmp_path / "field.columns.toml").write_text(
            f'[[sheet]]\nname = "{other}"\nholds = "trees"\nheader_row = 1\n'
        )
    found = [str(each) for each in problems_of(tmp_path / "field.xlsx")]
    assert any("trees and their cores in its rows, beside" in each for each in found)


CORES = """Tag,Species,DBH (in),Core ht (in),Outside date,First ring,Pith,Rings to pith,Crossdated
           1,LLP,12,12,2022,1921,near,2,x
           2,LLP,11,12,2022,1930,near,3,
           3,LLP,13,12,2022,1925,near,4,X"""
DAY = "Survey date"


def dated(text: str) -> str:
    """A flat sheet in lines, with the day of the survey in every row."""
    first, *rows = lines(text).strip().split("\n")
    return "\n".join([f"{first},{DAY}", *(f"{row},2023-06-01" for row in rows)]) + "\n"


def test_crossdated_by_a_mark_is_read_and_no_mark_is_counted(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(dated(CORES))
    survey = read_survey(path)
    assert survey.cores["dating"].tolist() == ["crossdated", "counted", "crossdated"]
    assert survey.cores["last_ring_year"].tolist() == [2022] * 3
    assert sum(each.column == "dating" for each in survey.readings) >= 3


@pytest.mark.parametrize("heading", ["Est. to pith", "Missed (est)", "To pith?", "est. missed"])
def test_a_heading_that_may_be_rings_or_something_else_is_asked(tmp_path, heading):
    path = tmp_path / "field.csv"
    path.write_text(dated(CORES.replace("Rings to pith", heading)))
    (problem,) = problems_of(path)
    assert heading in problem.found and "rings to pith" in problem.found


def test_an_unused_column_like_one_of_ours_names_it(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(dated(CORES.replace("Rings to pith", "Guess of rings to pith")))
    (note,) = [each for each in read_survey(path).notes if "Guess" in each]
    assert "is it rings_to_pith?" in note


def test_advice_speaks_the_unit_of_the_heading(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(dated(CORES.replace("LLP,12,12", "LLP,big,knee")))
    height, dbh = sorted(problems_of(path), key=lambda each: each.column, reverse=True)
    assert dbh.expected == "a number from 0 to 98.4 in" and "in in" in dbh.what_to_do
    assert height.expected == "a number from 0 to 118 in" and " cm" not in str(height)


def test_an_unknown_status_is_never_to_be_left_blank(tmp_path):
    path = tmp_path / "field.csv"
    text = dated(CORES.replace("Species", "Species,Status").replace("LLP,", "LLP,DS,"))
    path.write_text(text)
    assert set(read_survey(path).trees["status"]) == {"dead"}
    path.write_text(text.replace("DS", "half", 1))
    (problem,) = problems_of(path)
    assert problem.what_to_do.endswith("A blank cell means live.")


def test_the_row_of_a_lost_core_is_the_stems_too(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(dated(CORES.replace("1921", "lost").replace("lost", "")))
    (problem,) = problems_of(path)
    assert "empty its cells" in problem.what_to_do and "core_outcome" in problem.what_to_do


@pytest.mark.parametrize(
    ("other", "dbh", "asked"),
    [("4b", "12", True), ("b", "", True), ("4b", "9", False), ("5b", "12", False)],
)
def test_lettered_rows_that_may_be_cores_of_one_stem_are_asked(tmp_path, other, dbh, asked):
    path = tmp_path / "field.csv"
    rows = CORES.replace("1,LLP", "4a,LLP").replace("2,LLP,11", f"{other},LLP,{dbh}")
    path.write_text(dated(rows))
    if asked:
        (problem,) = problems_of(path)
        assert "two cores of one tree, or two trees" in problem.found
    else:
        assert len(read_survey(path).trees) == 3


@pytest.mark.parametrize(
    ("mark", "rest", "doubted"),
    [
        ("Y", ",,,,,", True),
        ("N", "12,2022,1930,near,3,", True),
        ("N", ",,,,,", False),
        ("Y", "12,2022,1930,near,3,", False),
    ],
)
def test_a_mark_for_a_core_against_the_row_is_told(tmp_path, mark, rest, doubted):
    path = tmp_path / "field.csv"
    first, one, two, three = lines(CORES).strip().split("\n")
    head = first.replace("DBH (in)", "DBH (in),Cored?")
    rows = [
        row.replace(",12,12,", ",12,Y,12,").replace(",13,12,", ",13,Y,12,") for row in (one, three)
    ]
    path.write_text(dated("\n".join([head, *rows, f"2,LLP,11,{mark},{rest}"])))
    warned = [each for each in read_survey(path).warnings if each.column == "cored"]
    assert bool(warned) == doubted and all(each.row == 4 for each in warned)


def test_an_area_in_the_heading_of_a_stage_is_its_own(tmp_path):
    (tmp_path / "trees.csv").write_text(
        "tree,stand,plot,species,dbh_cm,status\n1,A,P1,longleaf-pine,31,live\n"
    )
    (tmp_path / "plots.csv").write_text("plot,stand,area_m2,min_dbh_cm\nP1,A,405,5\n")
    (tmp_path / "stands.csv").write_text("stand,survey_date\nA,2023-06-01\n")
    counts = tmp_path / "counts.csv"
    counts.write_text("plot,Grass stage (1/100 ac),Saplings (1/10 ac)\nP1,14,3\n")
    read = read_survey(tmp_path).counts.set_index("stage")["area_m2"]
    assert read["grass"] == pytest.approx(40.46856) and read["sapling"] == pytest.approx(404.6856)
    counts.write_text("plot,area (ac),Grass stage,Saplings (1/10 ac)\nP1,0.01,14,3\n")
    (problem,) = problems_of(tmp_path)
    assert "404.686 m2 in the heading" in problem.found


OLD = """Tag,Species,DBH (cm),Core ht (cm),Date,Rings,Pith
         {0}
         7,LLP,{dbh},30,{day},{rings},yes"""


@pytest.mark.parametrize(
    ("dbh", "day", "rings", "column"),
    [
        (29, "2023-06-01", 330, "ring_count"),
        (29, "2023-06-01", 160, None),
        (60, "2023-06-01", 330, None),
        (29, "5/14/32", 90, "core_date"),
        (29, "2021-06-01", 90, None),
    ],
)
def test_a_slip_in_a_year_that_no_other_core_is_near_looks_wrong(tmp_path, dbh, day, rings, column):
    path = tmp_path / "field.csv"
    others = "\n".join(
        f"{tree},LLP,{28 + tree},30,2023-06-01,{80 + tree},yes" for tree in range(1, 7)
    )
    path.write_text(lines(OLD.format(others, dbh=dbh, day=day, rings=rings)))
    found = {each.column for each in read_survey(path).warnings}
    assert found == ({column} if column else set())


def test_a_number_twice_in_a_stand_numbered_through_its_plots_is_a_slip(tmp_path):
    path = tmp_path / "field.csv"
    rows = [
        f"{stand},{plot},{4 * plot + tree},LLP,{20 + tree},400,5,30,{60 + tree},pith"
        for stand in "AB"
        for plot in range(4)
        for tree in range(1, 5)
    ]
    head = "Site,Plot,Tag,Spp,DBH (cm),plot area (m2),min dbh (cm),Core ht (cm),Rings,Pith"
    path.write_text(dated("\n".join([head, *rows])))
    survey = read_survey(path)
    assert survey.trees["tree"].iloc[0] == "A-1" and survey.trees["tree"].is_unique
    rows[5] = rows[5].replace("A,1,6,", "A,1,3,")
    path.write_text(dated("\n".join([head, *rows])))
    assert any("A-3" in each.found for each in problems_of(path))


def test_a_stand_listed_under_a_longer_name_is_proposed(tmp_path):
    folder = write(tmp_path / "part", **TWIN)
    stands = folder / "stands.csv"
    stands.write_text(stands.read_text().replace("Flat", "Wet flat"))
    assert {each.what_to_do for each in problems_of(folder)} == {
        "Is it 'Wet flat', which has no row here? Then write one name in both."
    }


@pytest.mark.parametrize(
    ("old", "new", "column"),
    [
        ("near,2", "near,3mm", "rings_to_pith"),
        ("near,2", "almost - add 3,", "centre"),
        ("near,2", "missed by ~1 cm,", "centre"),
    ],
)
def test_the_way_to_the_pith_in_another_cell_names_its_columns(tmp_path, old, new, column):
    path = tmp_path / "field.csv"
    path.write_text(dated(CORES.replace(old, new)))
    (problem,) = problems_of(path)
    assert problem.column == column and "pith_distance_mm" in problem.what_to_do


@pytest.mark.parametrize(("code", "warned"), [("PIPL", True), ("PIPAA", True), ("QULA", False)])
def test_a_code_one_letter_from_a_frequent_one_looks_wrong(tmp_path, code, warned):
    path = tmp_path / "field.csv"
    others = "\n".join(f"{tree},PIPA,30,30,2023-06-01,80,yes" for tree in range(10, 40))
    path.write_text(
        lines(OLD.format(others, dbh=30, day="2023-06-01", rings=80)).replace("LLP", code)
    )
    survey = read_survey(path)
    assert [each.column for each in survey.warnings] == (["species"] if warned else [])
    assert code in set(survey.trees["species"])


def test_a_text_beside_the_tables_is_named(tmp_path):
    folder = write(tmp_path / "beside", **TWIN)
    (folder / "Stand history.txt").write_text("Cut in 1931.\n")
    assert any("Stand history.txt" in note for note in read_survey(folder).notes)


@pytest.mark.parametrize(
    ("name", "text", "taken"),
    [
        ("notes.txt", "Cores at 20 cm.\nCrew of two, rain", True),
        ("notes.txt", "Field work 15 July 2021. Cores at 20 cm", True),
        ("notes.txt", "Field work of 2009. Cores at 20 cm", False),
        ("2009 crew notes.txt", "Cores at 20 cm", False),
        ("more_cores.txt", "core,tree,height_cm,rings\nSR1-b,2,30,61", False),
        ("cores_2nd_day.txt", "core tree height rings\nSR1-b 2 30 61", False),
        ("day 2.txt", "Cores at 20 cm\nOak\t30\t61", False),
    ],
)
def test_a_text_is_of_notes_where_it_is_no_list_and_of_no_other_year(tmp_path, name, text, taken):
    folder = write(tmp_path / "beside", **TWIN)
    (folder / name).write_text(text, encoding="utf-8")
    survey = read_survey(folder)
    (note,) = [each for each in survey.notes if name in each]
    assert ("holds notes" in note) == taken == (name in survey.hashes)
    assert note.endswith("it was not read")  # no clean bill


def test_remarks_that_name_scars_are_counted(tmp_path):
    path = tmp_path / "field.csv"
    text = CORES.replace("Species", "Species,Comments").replace("LLP,12", "LLP,fire scar 1954,12")
    text = text.replace("LLP,11", "LLP,leans,11").replace("LLP,13", "LLP,catface,13")
    path.write_text(dated(text))
    notes = read_survey(path).notes
    assert any(each.startswith("2 remarks name a scar (field.csv, rows ") for each in notes)


def test_a_core_that_was_lost_is_no_core(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(lines(FLAT).replace("3,Ridge,Slash,5,,,,,", "3,Ridge,Slash,5,,1,lost,,"))
    survey = read_survey(path)
    assert survey.trees["core_outcome"].tolist() == ["taken", "taken", "unreadable", "taken"]
    assert len(survey.cores) == 4 and not survey.warnings


@pytest.mark.parametrize(("height", "warned"), [("1", True), ("", False)])
def test_a_core_with_a_height_and_no_rings_looks_wrong(tmp_path, height, warned):
    path = tmp_path / "field.csv"
    text = lines(FLAT).replace("3,Ridge,Slash,5,,,", f"3,Ridge,Slash,5,,{height},")
    uncored = "\n".join(f"{tree},Ridge,Longleaf,14,,,,," for tree in range(10, 14))
    path.write_text(f"{text}\n{uncored}\n")
    asked = [(each.row, each.column) for each in read_survey(path).warnings]
    assert asked == ([(4, "height_cm")] if warned else [])


def test_a_sheet_of_plot_data_that_lists_stems_and_one_of_stems_beside_cores(tmp_path):
    """By their names alone they were taken for plots, and not read at all."""
    stems = "Plot,Tree #,Species,DBH (in),Live/Dead\n1,1,longleaf,14.2,L\n1,2,longleaf,16.8,L\n"
    cores = (
        "Plot,Tree #,Sp,Height bored (in),Ring ct,Pith,Date bored\n1,1,LLP,12,74,pith,6/20/2023\n"
    )
    (tmp_path / "plots.csv").write_text("Plot,Plot size (ac),Min DBH (in)\n1,0.2,3\n")
    (tmp_path / "cores.csv").write_text(cores)
    (tmp_path / "all stems.csv").write_text(stems)
    survey = read_survey(tmp_path)
    assert survey.trees["tree"].tolist() == ["1", "2"] and len(survey.cores) == 1
    (tmp_path / "plots.csv").rename(tmp_path / "plot list.csv")
    (tmp_path / "all stems.csv").rename(tmp_path / "plot data.csv")
    assert read_survey(tmp_path).trees["dbh_cm"].tolist() == survey.trees["dbh_cm"].tolist()


def test_a_core_of_another_species_than_its_tree_looks_wrong(tmp_path):
    cores = "core,tree,Sp,height_cm,ring_count,centre\na,1,LLP,30,84,pith\nb,2,SLA,30,61,arcs"
    folder = write(tmp_path / "beside", **(TWIN | {"cores": cores}))
    (asked,) = read_survey(folder).warnings
    assert (asked.row, asked.column) == (3, "species") and "'SLA' for a core of tree '2'" in str(
        asked
    )


@pytest.mark.parametrize(("rings", "warned"), [("103", True), ("68", False)])
def test_cores_of_one_tree_at_one_height_far_apart_look_wrong(tmp_path, rings, warned):
    cores = f"core,tree,height_cm,ring_count,centre\na,1,30,60,pith\nb,1,30,{rings},arcs"
    survey = read_survey(write(tmp_path / "siblings", **(TWIN | {"cores": cores})))
    assert [each.row for each in survey.warnings] == ([3] if warned else [])


@pytest.mark.parametrize(("origin", "warned"), [("planted", False), ("", True)])
def test_a_planting_without_planted_stems_looks_wrong(tmp_path, origin, warned):
    trees = (
        TWIN["trees"].replace("status,note", "status,origin,note").replace(",,\n", f",,{origin},\n")
    )
    events = "event,stand,kind,first_year,last_year\np,Ridge,planting,1976,1976"
    trees = lines(trees).replace("25.4,,leans", "25.4,,,leans").replace("30.48,,", "30.48,,,")
    folder = write(tmp_path / "planted", **(TWIN | {"trees": trees, "events": events}))
    assert [each.column for each in read_survey(folder).warnings] == (["kind"] if warned else [])


def test_a_draft_is_no_marked_copy(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text(dated(CORES))
    done = CliRunner().invoke(main, ["check", str(path), "--draft", "--mark", "marked.xlsx"])
    assert done.exit_code == 2 and "one of the two" in done.output
    assert [each.name for each in tmp_path.iterdir()] == ["field.csv"]


def test_words_on_a_past_that_is_not_among_the_events_are_asked_about(tmp_path):
    events = "event,kind,first_year,last_year,note\ncut,logging,1931,1931,next door\n"
    line = "Logged 1931. Hurricane 1985"
    folder = write(tmp_path / "past", **TWIN, **{"events.csv": events})
    path = folder / "stands.csv"
    text = path.read_text()
    path.write_text(f"{line}{',' * text.splitlines()[0].count(',')}\n{text}")
    doubts = [str(each) for each in read_survey(folder).warnings]
    assert any(f"events: others, and words on the past of a stand: '{line}'" in e for e in doubts)
    assert any("'next door' beside 'logging'" in each for each in doubts)
    path.write_text(path.read_text().replace(". Hurricane 1985", ""))
    doubts = [str(each) for each in read_survey(folder).warnings]
    assert not any("words on the past" in each for each in doubts)


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("Logged 1931", False),
        ("Logged 1931 on Ridge", False),
        ("Logged 1931 on Flat", True),
        ("Logged 1931 maybe", True),
        ("Cut 1931", True),
        ("Cleared in 1931", True),
        ("Logged (clear cut) 1931", False),
        ("Logged 1931; all the big pine was cut after that", True),
        ("Logged 1931, then cut over again", True),
        ("Logged 1931, perhaps in 1931", True),
        ("Logged 1931, maybe a third of the pine", False),
    ],
)
def test_words_on_a_past_are_among_the_events_by_kind_stand_and_year(tmp_path, line, asked):
    stands = "stand,survey_date\nRidge,2021-07-14\nFlat,2021-07-15\n"
    stands = f"{line},\n{stands}"
    events = "event,stand,kind,first_year,last_year\ncut,Ridge,logging,1931,1931\n"
    folder = write(tmp_path / "past", **TWIN | {"stands": stands, "events": events})
    doubts = [str(each) for each in read_survey(folder).warnings]
    assert any("words on the past" in each for each in doubts) == asked


@pytest.mark.parametrize(
    ("remark", "asked"),
    [
        ("perhaps in 1932", True),
        ("maybe half a mile north", True),
        ("maybe one in 10", False),
        ("maybe a third of the big ones down", False),
    ],
)
def test_remarks_that_doubt_an_event_are_asked_about(tmp_path, remark, asked):
    events = f"event,kind,first_year,last_year,note\ncut,logging,1931,1931,{remark}\n"
    folder = write(tmp_path / "past", **TWIN, events=events)
    doubts = [str(each) for each in read_survey(folder).warnings]
    assert any(f"'{remark}' beside 'logging'" in each for each in doubts) == asked


def test_trees_that_were_cut_since_are_asked_about_below_their_list(tmp_path):
    line = "Trees 101 and 102 were cut in winter 2019"
    trees = f"{lines(TWIN['trees'])}\n{line}\n"
    folder = write(tmp_path / "cut", **TWIN | {"trees": trees})
    doubts = [str(each) for each in read_survey(folder).warnings]
    assert any(f"a row of words alone: '{line}'" in each for each in doubts)


def test_a_remark_on_another_height_than_the_core_has_is_asked_about(tmp_path):
    remarks = iter((",note", ",at 1 ft", ",", ",at 4.5 ft", ","))
    cores = "\n".join(line + next(remarks) for line in TWIN["cores"].splitlines())
    folder = write(tmp_path / "heights", **TWIN | {"cores": cores})
    asked = [each for each in read_survey(folder).warnings if each.column == "height_cm"]
    assert [each.row for each in asked] == [4]


def test_a_part_that_was_searched_is_asked_about_until_the_area_is_that_of_the_row(tmp_path):
    counts = "plot,stage,area (m2),count,note\nR1,grass,8.09,14,only half of the ring\n"
    own = {"plots": "plot,stand,area_m2,min_dbh_cm\nR1,Ridge,1000,5\n"}
    folder = write(tmp_path / "part", **TWIN | own | {"counts": counts})
    assert [each.column for each in problems_of(folder)] == ["area_m2"]
    counts = counts.replace("area", "total area")
    survey = read_survey(write(tmp_path / "own", **TWIN | own | {"counts": counts}))
    assert survey.counts["area_m2"].tolist() == [8.09]


@pytest.mark.parametrize("other", ["7/14/2021 9:02:11 AM", "7/6/2021"])
def test_rows_without_a_core_show_the_order_of_the_dates(tmp_path, other):
    sheet = f"""Tag,Species,DBH (cm),Date,Core height (cm),Rings,Pith
                1,Longleaf,38.1,7/6/2021 8:14:54 AM,30,84,yes
                2,Longleaf,25.4,{other},,,
                3,Slash,12.7,7/5/2021,,,"""
    path = tmp_path / "trees.csv"
    path.write_text(lines(sheet))
    if other == "7/6/2021":
        assert {"survey_date", "core_date"} & {each.column for each in problems_of(path)}
    else:
        assert str(read_survey(path).cores["core_date"][0].date()) == "2021-07-06"


@pytest.mark.parametrize(
    ("remark", "plot", "asked"),
    [
        ("rot low - bored bh", "R1", [2]),  # another plot's tree 1 is cored at 137 cm
        ("rot low - bored bh", "R2", []),
        ("bored at 3 ft", "R2", [3]),
    ],
)
def test_remarks_are_those_of_the_tree_of_the_plot(tmp_path, remark, plot, asked):
    said = {each: remark if each == plot else "" for each in ("R1", "R2")}
    trees = "plot,tree,stand,species,dbh_cm,note\n" + "".join(
        f"{each},1,Ridge,longleaf-pine,38.1,{said[each]}\n" for each in said
    )
    cores = "plot,tree,stand,height_cm,ring_count,centre\n"
    cores += "R1,1,Ridge,30,84,pith\nR2,1,Ridge,137,61,pith\n"
    plots = "plot,stand,area_m2,min_dbh_cm\nR1,Ridge,1000,5\nR2,Ridge,1000,5\n"
    tables = {"trees": trees, "cores": cores, "plots": plots}
    stands = "stand,survey_date\nRidge,2021-07-15\n"
    folder = write(tmp_path / "remarks", **tables, stands=stands)
    found = [each.row for each in read_survey(folder).warnings if each.column == "height_cm"]
    assert found == asked


def test_a_plot_written_once_holds_for_the_remarks_below_and_pieces_are_no_height(tmp_path):
    trees = "plot,tree,stand,species,dbh_cm,note\n"
    trees += "R1,1,Ridge,longleaf-pine,38.1,bored at 3 ft\n,2,Ridge,longleaf-pine,30.1,\n"
    trees += "R2,1,Ridge,longleaf-pine,35.1,\n,2,Ridge,longleaf-pine,31.1,core broke up\n"
    cores = "plot,tree,stand,height_cm,ring_count,centre\n"
    cores += "R1,1,Ridge,91,84,pith\nR2,1,Ridge,137,61,pith\nR2,2,Ridge,30,61,pith\n"
    plots = "plot,stand,area_m2,min_dbh_cm\nR1,Ridge,1000,5\nR2,Ridge,1000,5\n"
    tables = {"trees": trees, "cores": cores, "plots": plots}
    survey = read_survey(
        write(tmp_path / "once", **tables, stands="stand,survey_date\nRidge,2021-07-15\n")
    )
    assert [each for each in survey.warnings if each.column == "height_cm"] == []


def test_columns_that_a_mapping_sets_aside_are_named(tmp_path):
    counts = "plot,stage,area_m2,count,Slash\nR1,grass,100,4,58\n"
    plots = "plot,stand,area_m2,min_dbh_cm\nR1,Ridge,1000,5\n"
    folder = write(tmp_path / "aside", **TWIN | {"counts": counts, "plots": plots})
    draft = write_draft(folder)
    written = draft.read_text(encoding="utf-8")
    draft.write_text(written.replace('# "Slash" = ""', '"Slash" = ""'), encoding="utf-8")
    assert any("set aside by columns.toml: Slash" in note for note in read_survey(folder).notes)


@pytest.mark.parametrize(("code", "asked"), [("SL", False), ("LL", True)])
def test_a_legend_above_the_stems_holds_for_species_beside_their_cores(tmp_path, code, asked):
    trees = "SL = slash  LL = longleaf,,,\ntree,stand,species,dbh_cm\n1,Ridge,SL,38.1\n"
    cores = f"tree,Spp,height_cm,ring_count,centre\n1,{code},30,84,pith\n"
    stands = "stand,survey_date\nRidge,2021-07-15\n"
    survey = read_survey(write(tmp_path / "legend", trees=trees, cores=cores, stands=stands))
    assert survey.trees["species"].tolist() == ["slash-pine"]
    assert [each.column for each in survey.warnings] == ["species"] * asked
