"""Three sheets as three crews typed them, from plain descriptions of what they measured: what is
asked of each in the first round of `check`, and that the second round is clean.
"""

from pathlib import Path

import pytest
from good_survey import problems_of
from openpyxl import Workbook

from standage.survey.reading import read_survey

SHEETS = Path(__file__).parent / "typed_sheets"


def mended(text: str, folder: Path, changes: dict[str, str]) -> Path:
    for old, new in changes.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / "field.csv"
    path.write_text(text, encoding="utf-8")
    return path


def asked(path: Path) -> list[tuple]:
    return [(each.row, each.column) for each in problems_of(path)]


def test_a_flat_sheet_in_inches_and_feet(tmp_path):
    text = (SHEETS / "flat_sheet.csv").read_text()
    assert asked(mended(text, tmp_path, {})) == [(6, "ring_count"), (10, "centre")]
    survey = read_survey(mended(text, tmp_path, {"~140": "140", ",No,": ",curved,"}))
    assert len(survey.trees) == 11 and len(survey.cores) == 7
    assert survey.trees["dbh_cm"].tolist()[:1] == [36.068]
    assert survey.trees.set_index("tree")["dbh_cm"][["106", "107"]].tolist() == [21.59, 26.67]
    assert survey.cores["height_cm"].round(2).unique().tolist() == [30.48, 137.16]
    assert survey.cores["at_least"].tolist().count("yes") == 1
    assert survey.plots["area_m2"].round(1).unique().tolist() == [809.4]
    assert any("1 live stem in plots without a diameter, dated" in note for note in survey.notes)


def test_a_csv_of_a_phone_form(tmp_path):
    text = (SHEETS / "phone_form.csv").read_text()
    assert asked(mended(text, tmp_path, {})) == [(1, "plot"), (3, "centre")]
    survey = read_survey(mended(text, tmp_path, {"false": "near", "plot_id": "group"}))
    assert survey.stands["stand"].tolist() == ["north slope", "south flat"]
    assert survey.stands["survey_date"].dt.day.tolist() == [3, 4]
    assert survey.trees["dbh_cm"].tolist()[:2] == [33.1, 21.7]
    assert survey.cores["height_cm"].tolist() == [30.0] * 4
    assert survey.cores["centre"].tolist() == ["pith", "arcs", "pith", "unknown"]
    assert survey.cores["tree"].tolist() == survey.trees["tree"].tolist()[:3] + ["sf-1-01"]


@pytest.mark.parametrize(
    ("units", "dbh"),
    [(("in",) * 6, 84.074), (("cm", "in", "cm", "cm", "cm", "cm"), 33.1)],
)
def test_units_in_a_column_of_their_own(tmp_path, units, dbh):
    lines = (SHEETS / "phone_form.csv").read_text().splitlines()
    rows = [line.split(",") for line in lines]
    place = rows[0].index("dbh_unit")
    for row, unit in zip(rows[1:], units, strict=True):
        row[place] = unit
        row[rows[0].index("dbh")] = row[place - 1] if unit == "cm" else "33.1"
    rows[0][rows[0].index("plot_id")] = "group"
    text = "\n".join(",".join(row) for row in rows).replace("false", "near")
    survey = read_survey(mended(text, tmp_path, {}))
    assert survey.trees["dbh_cm"].iloc[0] == dbh
    assert survey.trees["dbh_cm"].iloc[1] == 84.074
    contradicted = text.replace(",dbh,", ",dbh (mm),")
    assert any("one unit" in str(each) for each in problems_of(mended(contradicted, tmp_path, {})))


def latin_workbook() -> Workbook:
    """Title rows, a plot written once in merged cells, Latin abbreviations, counts in words."""
    book = Workbook()
    book.active.title = "Sites"
    sites = [
        ["Pinus palustris regeneration, summer 2020"],
        [],
        ["Site", "Forest type", "Survey date", "Stand area (ac)", "Remarks"],
        ["Hill", "sandhill", "June 12, 2020", 42, ""],
        ["Bottom", "flatwoods", "June 13, 2020", 30, "wet"],
    ]
    plots = [["Plots, 20 x 50 m"], ["Plot", "Site", "Size (ha)", "Min. DBH (cm)", "Chosen how"]]
    plots += [[name, of, 0.1, "5 cm", "random"] for name, of in (("H", "Hill"), ("B", "Bottom"))]
    trees = [
        ["All stems 5 cm and up"],
        ["Plot", "Stem #", "Site", "Spp.", "Diam. at breast height, cm", "Crown", "Alive/Dead"],
        ["H", 1, "Hill", "P. palustris", 31.2, "dom.", "alive"],
        [None, 2, "Hill", "P. taeda", "9,5", "supp.", "alive"],
        [None, 3, "Hill", "P. palustris", 12.5, "int.", "dead"],
        ["B", 4, "Bottom", "P. palustris", 28, "codom.", "alive"],
        [None, 5, "Bottom", "P. palustris", 35.5, "dom.", "alive"],
    ]
    cores = [
        ["Core", "Stem", "Ht of core (cm)", "Date cored", "No. of rings", "Pith", "Dating"],
        ["1A", 1, 30, "12 June 2020", 70, "yes", "counted"],
        ["4A", 4, 30, "13 June 2020", "eighty-four", "close", "x-dated"],
        ["5A", 5, 30, "13 June 2020", 64, "rotten", "counted"],
    ]
    counts = [
        ["Plot", "Stage", "Area searched (m2)", "Number"],
        ["H", "grass stage", 100, "twelve"],
        ["H", "bottlebrush", 100, "none"],
        ["B", "saplings", 1000, 3],
    ]
    for name, rows in (
        ("Sites", sites),
        ("Plot list", plots),
        ("Tree list", trees),
        ("Cores", cores),
        ("Seedlings", counts),
    ):
        sheet = book[name] if name in book.sheetnames else book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book["Tree list"].merge_cells("A3:A5")
    book["Tree list"].merge_cells("A6:A7")
    return book


def test_a_workbook_with_titles_merged_cells_latin_names_and_counts_in_words(tmp_path):
    book = latin_workbook()
    book["Cores"]["G3"] = "counted"
    book.save(tmp_path / "palustris.xlsx")
    survey = read_survey(tmp_path / "palustris.xlsx")
    assert survey.counts["count"].tolist() == [12, 0, 3]
    assert survey.cores["ring_count"].tolist() == [70, 84, 64]
    assert survey.cores["centre"].tolist() == ["pith", "arcs", "rotten"]
    assert survey.trees["plot"].tolist() == ["H", "H", "H", "B", "B"]
    assert survey.trees["species"].tolist()[:2] == ["longleaf-pine", "loblolly-pine"]
    assert {"number in words", "none counted", "merged cells"} <= {
        each.reason for each in survey.readings
    }
