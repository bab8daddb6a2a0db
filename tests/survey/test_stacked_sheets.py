"""A sheet for each plot, as very many crews type: read one under another, every row with its own
sheet; and what stands in titles, beside and below the lists.
"""

import shutil

import pytest
from good_survey import problems_of
from openpyxl import Workbook, load_workbook

from standage.errors import SurveyError
from standage.survey.files.marked_copy import COLOURS, write_marked_copy
from standage.survey.reading import read_survey
from standage.survey.readings import RefusedSurvey
from standage.survey.sheets.plot_banners import plot_of_banner

HEADINGS = ["No.", "Species", "DBH (cm)", "L/D", "Core?", "Rings", "Pith", "Core ht (cm)", "Notes"]


def sheet_of(plot: str, number: int) -> list[list]:
    """A form as it is filled in: plot, date, area and smallest diameter above the list."""
    rows: list[list] = [
        ["Plot:", plot, None, "Date:", "6/14/2021"],
        ["Area:", "0.1 ha", None, "Min DBH:", "5 cm"],
        [],
        list(HEADINGS),
    ]
    for tree in range(1, 7):
        cored = tree in (1, 4)
        core = ["Y", 60 + 7 * tree + number, "arc", 35] if cored else ["N", None, None, None]
        status = "D" if tree == 5 else "L"
        rows.append([tree, "LLP", 12 + 3.3 * tree + number, status, *core, None])
    return rows


def save(path, sheets: dict[str, list[list]]):
    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


@pytest.fixture
def sheets():
    return {f"Plot {number}": sheet_of(f"Plot {number}", number) for number in (1, 2, 3)}


def test_a_sheet_for_each_plot_is_read_one_under_another(tmp_path, sheets):
    survey = read_survey(save(tmp_path / "tract.xlsx", sheets))
    assert survey.trees["plot"].value_counts().to_dict() == dict.fromkeys(sheets, 6)
    assert survey.trees["row"].tolist() == [5, 6, 7, 8, 9, 10] * 3
    assert survey.cores["tree"].tolist()[:3] == ["Plot 1-1", "Plot 1-4", "Plot 2-1"]
    assert survey.plots["area_m2"].tolist() == [1000.0] * 3
    assert survey.plots["min_dbh_cm"].tolist() == [5.0] * 3
    assert survey.stands["survey_date"].dt.strftime("%Y-%m-%d").tolist() == ["2021-06-14"]
    listed = {(each.file, each.as_written) for each in survey.readings}
    assert ("tract.xlsx, sheets Plot 1, Plot 2 and 1 more", "Plot 3") in listed
    assert ("tract.xlsx, sheet Plot 2", "Area: 0.1 ha") in listed


def test_messages_and_marks_point_at_the_sheet_and_row(tmp_path, sheets):
    sheets["Plot 2"][5][2] = "3o.1"
    sheets["Plot 3"][3][2], sheets["Plot 3"][3][3] = "L/D", "DBH (cm)"  # in another order
    for row in sheets["Plot 3"][4:]:
        row[2], row[3] = row[3], row[2]
    sheets["Plot 3"][8][3] = "24..5"
    path = save(tmp_path / "tract.xlsx", sheets)
    with pytest.raises(RefusedSurvey) as refused:
        read_survey(path)
    assert [(each.file, each.row) for each in refused.value.problems] == [
        ("tract.xlsx, sheet Plot 2", 6),
        ("tract.xlsx, sheet Plot 3", 9),
    ]
    write_marked_copy(path, tmp_path / "marked.xlsx", problems=refused.value.problems)
    marked = {
        (sheet.title, cell.coordinate)
        for sheet in load_workbook(tmp_path / "marked.xlsx")
        if sheet.title in sheets
        for row in sheet.iter_rows()
        for cell in row
        if cell.fill.fgColor.rgb.endswith(COLOURS["problem"])
    }
    assert marked == {("Plot 2", "C6"), ("Plot 3", "D9")}


def test_a_plot_that_is_named_shortly_elsewhere(tmp_path, sheets):
    counts = [["Plot", "Stage", "Area (m2)", "Count"], *([n, "grass", 100, 4] for n in (1, 2, 3))]
    survey = read_survey(save(tmp_path / "tract.xlsx", sheets | {"Regen": counts}))
    assert survey.plots["plot"].tolist() == survey.counts["plot"].tolist() == ["1", "2", "3"]


def test_counts_beside_the_list_are_asked_for(tmp_path, sheets):
    for place, cells in enumerate((["Seedlings", "Number"], ["grass", 11], ["bolting", 2]), 3):
        sheets["Plot 1"][place] = [*sheets["Plot 1"][place], None, *cells]
    problems = problems_of(save(tmp_path / "tract.xlsx", sheets))
    assert [(each.file, each.row, each.column) for each in problems] == [
        ("tract.xlsx, sheet Plot 1", 4, "Seedlings")
    ]


@pytest.mark.parametrize(
    ("title", "area", "least"),
    [
        ("Turkey Branch. 1/5 acre plots, all pines 2 in DBH and up", 809.37, 5.08),
        ("Plot size 20 x 50 m, min dbh 4 cm", 1000.0, 4.0),
        ("circular plots, radius 11.28 m; stems >= 2.5 cm", 399.73, 2.5),
    ],
)
def test_area_and_smallest_diameter_in_a_title(tmp_path, title, area, least):
    headings = ["Plot", "Tag", "Species", "DBH (cm)", "L/D", "Rings", "Pith", "Core ht (cm)"]
    rows = [[plot, tag, "LLP", 20 + tag, "L", 60 + tag, "Y", 30] for plot in "AB" for tag in (1, 2)]
    rows = [[title], ["June 12 2020"], headings, *rows]
    survey = read_survey(save(tmp_path / "tract.xlsx", {"Sheet1": rows}))
    assert survey.plots["area_m2"].round(2).tolist() == [area] * 2
    assert survey.plots["min_dbh_cm"].tolist() == [least] * 2


def test_plots_by_the_title_of_a_list_of_trees(tmp_path):
    trees = [["5 circular plots, radius 12 m"], ["all stems from 5 cm dbh, 12 March 2024"], []]
    trees += [["Plot", "Tree #", "Sp", "DBH (cm)", "Status"]]
    trees += [[plot, tree, "LL", 20 + tree, "alive"] for plot in (1, 2) for tree in (1, 2, 3)]
    cores = [["Plot", "Tree", "Coring ht (cm)", "Rings", "Pith?"], [1, 1, 30, 84, "yes"]]
    seedlings = [["quadrats, radius 2 m"], ["Plot", "Stage", "Area (m2)", "Count"]]
    seedlings += [[plot, "grass", 12.57, 3] for plot in (1, 2)]
    book = {"Trees": trees, "Cores": cores, "Seedlings": seedlings}
    survey = read_survey(save(tmp_path / "stand.xlsx", book))
    assert survey.plots["area_m2"].round(1).tolist() == [452.4] * 2
    assert survey.plots["min_dbh_cm"].tolist() == [5.0] * 2


def test_a_title_of_a_stand_is_no_plot(tmp_path):
    headings = ["Plot", "Tag", "Species", "DBH (cm)", "L/D", "Rings", "Pith", "Core ht (cm)"]
    rows = [["Stand of 42 ac, June 12 2020"], headings, ["A", 1, "LLP", 20, "L", 60, "Y", 30]]
    problems = problems_of(save(tmp_path / "tract.xlsx", {"Sheet1": rows}))
    assert [each.column for each in problems] == ["plot"]


def test_stand_and_day_by_the_list_of_plots_and_what_lies_beside(tmp_path):
    for plot, number in (("A1", 0), ("A2", 2), ("B1", 5)):
        rows = [f"{tree},LLP,{20 + tree + number},L,30,{60 + tree},arcs" for tree in (1, 2)]
        head = "Tree,Sp,DBHcm,L/D,CoreHt_cm,Rings,Pith"
        (tmp_path / f"{plot}.csv").write_text("\n".join([head, *rows, "* arcs = curved"]) + "\n")
    (tmp_path / "plot list.csv").write_text(
        "Plot,Site,Radius (m),Min dbh (cm),Surveyed,Fire history\n"
        "A1,Ash,11.28,5,2021-02-10,burned often\nA2,Ash,11.28,5,2021-02-11,\n"
        "B1,Bay,11.28,5,2021-02-12,\n"
    )
    save(tmp_path / "raw data.xlsx", {"Sheet1": [["x"]]})
    survey = read_survey(tmp_path)
    assert survey.trees["stand"].tolist() == ["Ash"] * 4 + ["Bay"] * 2
    assert survey.stands["survey_date"].dt.day.tolist() == [11, 12]
    notes = "\n".join(survey.notes)
    assert "workbook 'raw data.xlsx' beside the CSV files" in notes
    assert "Fire history: what happened, and when, is read from a table events" in notes


def test_a_workbook_of_stems_beside_csv_files_is_a_problem(tmp_path, sheets):
    rows = [f"{tree},A1,LLP,{20 + tree},live" for tree in (1, 2)]
    (tmp_path / "trees.csv").write_text("\n".join(["Tree,Plot,Sp,DBHcm,status", *rows]) + "\n")
    save(tmp_path / "rest of it.xlsx", sheets)
    with pytest.raises(SurveyError) as refused:
        read_survey(tmp_path)
    (asked,) = [each for each in refused.value.problems if each.file == "rest of it.xlsx"]
    assert "lists stems or cores ('Plot 1')" in asked.found


@pytest.mark.parametrize(
    "remark",
    [
        "Remark: the stand was logged around 1930, burned every other winter since 2001.",
        "2 trees not cored: rotten",
    ],
)
def test_a_remark_below_the_list_is_told_of(tmp_path, sheets, remark):
    sheets["Plot 3"].append([remark])
    survey = read_survey(save(tmp_path / "tract.xlsx", sheets))
    (told,) = [each for each in survey.warnings if remark[:60] in each.found]
    assert "Nothing is read from" in told.what_to_do
    assert (told.file, told.row) == ("tract.xlsx, sheet Plot 3", 11)
    assert len(survey.trees) == 18


@pytest.mark.parametrize("mark", ["\t", ";", "|", " "])
def test_a_stem_in_another_delimiter_is_no_remark(mark, tiny_folder, tmp_path):
    """It would be lost."""
    survey = shutil.copytree(tiny_folder, tmp_path / "survey")
    head, *rows = (survey / "trees.csv").read_text().splitlines()
    whole = max(rows, key=lambda row: sum(map(bool, row.split(","))))
    rows[rows.index(whole)] = whole.replace(",", mark)
    (survey / "trees.csv").write_text("\n".join([head, *rows]) + "\n")
    with pytest.raises(SurveyError, match=r"trees\.csv"):
        read_survey(survey)


def test_counts_of_several_subplots_are_listed_as_such(tmp_path, sheets):
    counts = [["Plot", "Stage", "Area (m2)", "Count", "Notes"]]
    counts += [[n, "grass", 16, 4, "4 subplots summed" if n == 1 else None] for n in (1, 2, 3)]
    survey = read_survey(save(tmp_path / "tract.xlsx", sheets | {"Regen": counts}))
    assert "the area of all 4 together" in {each.as_read for each in survey.readings}


STEMS = ["Plot", "Tag", "Species", "DBH (cm)", "Rings", "Pith", "Core ht (cm)"]
OF_PLOT = ["Plot area (m2)", "Min DBH (cm)"]


def stems_of(plot: str, first: int, *, cored: bool = True) -> list[list]:
    """Headings and two stems of a plot, numbered from `first`, without a date."""
    rows = []
    for number in (first, first + 1):
        core = [40 + number, "Y", 30] if cored else [None] * 3
        rows.append([plot, number, "LLP", 20 + number, *core, 1000, 5])
    return [[*STEMS, *OF_PLOT], *rows]


def test_a_sheet_of_dead_stems_without_a_status_is_asked_for(tmp_path):
    book = {"Live": stems_of("A", 1), "Dead": stems_of("B", 11, cored=False)}
    problems = problems_of(save(tmp_path / "tract.xlsx", book))
    assert ("tract.xlsx, sheet Dead", "status") in {(each.file, each.column) for each in problems}


@pytest.mark.parametrize(("name", "stems"), [("snags", 2), ("trees_east", 4)])
def test_only_a_sheet_named_alike_is_put_to_a_table_by_its_name(tmp_path, name, stems):
    head = ["tree", "stand", "plot", "species", "dbh_cm"]
    book = {
        "trees": [head, *([n, "N", "A", "LLP", 30 + n] for n in (1, 2))],
        name: [head, *([n, "N", "B", "LLP", 50 + n] for n in (3, 4))],
        "cores": [["tree", "ring_count", "centre", "height_cm"], [1, 60, "pith", 30]],
        "plots": [["plot", "stand", "area_m2", "min_dbh_cm"], *([n, "N", 1000, 5] for n in "AB")],
        "stands": [["stand", "survey_date"], ["N", "2020-03-01"]],
    }
    survey = read_survey(save(tmp_path / "stand.xlsx", book))
    assert len(survey.trees) == stems
    assert any(f"'{name}'" in note for note in survey.notes) == (stems == 2)


@pytest.mark.parametrize(
    "title",
    [
        "12 plots, 4 ha; stems from 5 cm dbh",
        "total 4 ha plots, stems from 5 cm dbh",
        "Area: 4 ha; stems from 5 cm dbh",
        "0.1 ha plots. All trees cored from 30 cm",
        "0.1 ha plots. Cores taken from 30 cm",
        "0.1 ha plots. Cored: 2 trees per plot at 8 cm or above",
    ],
)
def test_titles_of_all_plots_and_of_cores_say_nothing_of_one(tmp_path, title):
    headings = ["Plot", "Tag", "Species", "DBH (cm)", "L/D", "Rings", "Pith", "Core ht (cm)"]
    rows = [[plot, tag, "LLP", 20 + tag, "L", 60 + tag, "Y", 30] for plot in "AB" for tag in (1, 2)]
    book = {"Sheet1": [[title], ["June 12 2020"], headings, *rows]}
    assert [each.column for each in problems_of(save(tmp_path / "tract.xlsx", book))] == ["plot"]


def test_a_title_of_a_county_is_none_of_counts(tmp_path):
    headings = ["Plot", "Tag", "Species", "DBH (cm)", "L/D", "Rings", "Pith", "Core ht (cm)"]
    title = "Leon County, 0.1 ha plots, all stems from 5 cm"
    rows = [[title], ["June 12 2020"], headings, ["A", 1, "LLP", 20, "L", 60, "Y", 30]]
    survey = read_survey(save(tmp_path / "tract.xlsx", {"Sheet1": rows}))
    assert survey.plots["area_m2"].tolist() == [1000.0]


@pytest.mark.parametrize(
    ("note", "area", "asked"),
    [
        ("3 quadrats of 1 m2 each", 1, True),
        ("3 quadrats of 1 m2 each", 3, False),
        ("Four 1 m² quadrats per plot", 1, True),
        ("4 subplots", 16, True),
        ("circular 5 m radius subplot", 78.5, False),
        ("20 m x 20 m quadrat", 400, False),
    ],
)
def test_the_area_of_one_quadrat_or_of_all(tmp_path, sheets, note, area, asked):
    counts = [["Plot", "Stage", "Area (m2)", "Count", "Notes"]]
    counts += [[n, "grass", area, 4, note] for n in (1, 2, 3)]
    path = save(tmp_path / "tract.xlsx", sheets | {"Regen": counts})
    if asked:
        assert [each.column for each in problems_of(path)] == ["area_m2"]
    else:
        readings = {each.as_read for each in read_survey(path).readings}
        assert ("the area of all 3 together" in readings) == note.startswith("3")


def with_dates(rows: list[list], day: str) -> list[list]:
    return [[*rows[0], "Date"], *([*row, day] for row in rows[1:])]


def test_cores_of_a_sheet_dated_by_its_title_beside_one_with_a_column(tmp_path):
    book = {"A": with_dates(stems_of("A", 1), "2020-03-14")}
    book["B"] = [["Plot 2, 2015-05-23"], *stems_of("B", 11)]
    survey = read_survey(save(tmp_path / "tract.xlsx", book))
    assert survey.cores["core_date"].dt.year.tolist() == [2020, 2020, 2015, 2015]
    assert survey.stands["survey_date"].dt.year.tolist() == [2020]


@pytest.mark.parametrize("title", ["Plot 2, 3/4/2015", "Plot 2, May 2015", "Plot 2"])
def test_a_sheet_without_one_day_gets_none_of_another(tmp_path, title):
    book = {"A": [["Plot 1, 2020-03-14"], *stems_of("A", 1)], "B": [[title], *stems_of("B", 11)]}
    problems = problems_of(save(tmp_path / "tract.xlsx", book))
    assert [(each.file, each.column) for each in problems] == [
        ("tract.xlsx, sheet B", "survey_date")
    ]


@pytest.mark.parametrize(
    ("names", "asked"),
    [
        (("stems", "stems 2009"), True),
        (("A", "A_old"), True),
        (("A_old", "B"), True),
        (("Old growth", "B"), False),
        (("A 2020", "B 2020"), False),
    ],
)
def test_an_older_survey_is_asked_for(tmp_path, names, asked):
    sheets = zip(names, (("A", 1), ("B", 11)), strict=True)
    book = {name: with_dates(stems_of(*of), "2020-03-14") for name, of in sheets}
    path = save(tmp_path / "tract.xlsx", book)
    if asked:
        assert len(problems_of(path)) == 1
    else:
        assert len(read_survey(path).trees) == 4


def test_lists_of_trees_in_sheets_with_titles_are_plots(tmp_path):
    title = "radius 17.84 m, all stems 5 cm and up"
    head = ["tree", "stand", "species", "dbh_cm"]
    book = {
        plot: [[f"Plot {plot}, {title}"], head, *([f"{plot}{n}", "N", "LLP", 30] for n in (1, 2))]
        for plot in ("A", "B")
    }
    book["cores"] = [["tree", "ring_count", "centre", "height_cm"], ["A1", 60, "pith", 30]]
    book["stands"] = [["stand", "survey_date"], ["N", "2020-03-01"]]
    survey = read_survey(save(tmp_path / "stand.xlsx", book))
    assert survey.plots["plot"].tolist() == ["A", "B"]
    assert survey.plots["area_m2"].round().tolist() == [1000.0] * 2
    assert survey.trees["plot"].tolist() == ["A", "A", "B", "B"]


def test_advice_on_an_empty_sheet_of_counts_is_about_counts(tmp_path, sheets):
    head = ["Plot", "Stage", "Area (m2)", "Count"]
    book = sheets | {"North": [head, ["Plot 1", "grass", 4, 3]], "South": [head]}
    (problem,) = problems_of(save(tmp_path / "tract.xlsx", book))
    assert "count 0" in problem.what_to_do


def test_a_heading_nearly_right_is_asked_about_in_the_sheets_that_have_it(tmp_path, sheets):
    for plot in ("Plot 2", "Plot 3"):
        sheets[plot][3][4] = "Bark_mm2"
        sheets[plot][3][7] = "Core hit (cm)"
    problems = problems_of(save(tmp_path / "tract.xlsx", sheets))
    asked = [(each.file, each.row) for each in problems if each.column == "Bark_mm2"]
    assert asked == [("tract.xlsx, sheet Plot 2", 4), ("tract.xlsx, sheet Plot 3", 4)]


def test_a_unit_that_other_sheets_lack_is_asked_for_there(tmp_path, sheets):
    sheets["Plot 2"][3][2] = "DBH"
    problems = problems_of(save(tmp_path / "tract.xlsx", sheets))
    (asked,) = (each for each in problems if each.column == "dbh_cm")
    assert asked.file == "tract.xlsx, sheet Plot 2"
    assert asked.what_to_do == "Write the unit into the heading in every sheet."


def test_a_radius_in_a_title_without_its_unit_is_asked_about(tmp_path):
    text = """"Plots r=11.3, stems from 5 cm dbh"
Plot,Tree,Species,DBH (cm),Date,Core ht (cm),Rings,Center
1,1,longleaf,31,6/14/2023,30,84,arcs
1,2,longleaf,32,6/14/2023,30,84,arcs
"""
    (tmp_path / "field.csv").write_text(text)
    (problem,) = problems_of(tmp_path / "field.csv")
    assert "401.15 m2 if metres are meant" in problem.expected


@pytest.mark.parametrize(
    ("area", "least", "asked"),
    [("0.2", "3", []), ("0.1", "3", ["area_m2"]), ("0.2", "2", ["min_dbh_cm"])],
)
def test_a_title_that_contradicts_the_table_of_plots_looks_wrong(tmp_path, area, least, asked):
    (tmp_path / "stands.csv").write_text("stand,survey_date\na,2025-10-14\n")
    (tmp_path / "plots.csv").write_text(f"plot,stand,Area (ac),Min DBH (in)\n1,a,{area},{least}\n")
    (tmp_path / "cores.csv").write_text("core,tree,ring_count,centre\nc,t,70,pith\n")
    (tmp_path / "trees.csv").write_text(
        "Tupper stand 7 - all stems 3 in. and bigger,,,,\n"
        '"5 plots, 1/5 acre each (52.7 ft radius). Oct 2025",,,,\n'
        "tree,stand,plot,species,dbh_cm\nt,a,1,longleaf-pine,31\n"
    )
    assert [each.column for each in read_survey(tmp_path).warnings] == asked


@pytest.mark.parametrize(
    ("line", "plot"),
    [
        ("PLOT 2   15 Mar 2023", "2"),
        ("Plot 1, r = 12.6 m", "1"),
        ("Plot B: 14 July", "B"),
        ("plot a bit wet in the low end", None),
        ("Plots of 0.04 ha", None),
        ("Plots sampled March", None),
        ("Plot 10 m radius", None),
        ("Plot 20 x 20 m", None),
        ("Plots 3 and 4", None),
        ("Plot 1-4", None),
        ("Plotted", None),
    ],
)
def test_the_plot_that_a_line_begins_with(line, plot):
    assert plot_of_banner(line) == plot


def test_a_line_above_one_of_several_sheets_is_of_that_sheet(tmp_path):
    """It was that of all: cores of a sheet that says nothing got the height of another's."""
    head = ["Plot", "Tree", "Species", "DBH (cm)", "Date", "Rings", "Pith"]
    head += ["Plot area (m2)", "Min DBH (cm)"]
    rows = {
        plot: [
            head,
            *([plot, 10 * plot + n, "LLP", 30, "2021-06-14", 60, "yes", 1000, 5] for n in (1, 2)),
        ]
        for plot in (1, 2)
    }
    book = {"Plot 1": [["Cored at 1 ft"], *rows[1]], "Plot 2": rows[2]}
    cores = read_survey(save(tmp_path / "tract.xlsx", book)).cores
    assert cores["height_cm"].fillna(0).tolist() == [30.48, 30.48, 0, 0]
