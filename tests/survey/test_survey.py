"""A survey that is right: what reading makes of it, the forms, the column page, and that both are
quick.
"""

import datetime as dt
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standage.errors import StandageError
from standage.evidence import date_trees
from standage.simulate.surveys import small_survey
from standage.stand.build import build_stands
from standage.survey.cells.cells import near_column
from standage.survey.column_reference import column_reference, column_rows
from standage.survey.files.forms import write_template
from standage.survey.reading import read_survey
from standage.survey.schema import KINDS, TABLES, table
from standage.years import growing_season, growing_seasons

ROOT = Path(__file__).parents[2]


def write(folder: Path, **tables: str) -> Path:
    """A folder of CSV files from texts, indentation taken off."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in tables.items():
        lines = [line.strip() for line in text.strip().splitlines()]
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@pytest.fixture
def small(tmp_path):
    """Two stands, one with a plot: only the columns that the rows need."""
    return write(
        tmp_path / "small",
        stands="""stand,survey_date,community,origin
                  upper,2020-01-15,sandhill,
                  lower,2020-07-01,sandhill,mixed""",
        plots="""plot,stand,area_m2,min_dbh_cm
                 u1,upper,500,5
                 u2,upper,500,5""",
        trees="""tree,stand,plot,species,dbh_cm,status,core_outcome
                 001,upper,u1,longleaf-pine,31.5,,
                 002,upper,u1,longleaf-pine,12,live,no_sound_wood
                 003,upper,,longleaf-pine,,stump,
                 004,lower,,swamp-oak,22,,
                 005,lower,,longleaf-pine,44,dead,""",
        cores="""core,tree,height_cm,first_ring_year,ring_count,centre,core_date,dating
                 c1,001,30,1950,,pith,,
                 c2,001,,,64,arcs,2020-06-30,counted
                 c3,003,10,,,rotten,,""",
        counts="""plot,stage,area_m2,count
                  u1,grass,100,0
                  u1,germinant,100,7""",
        events="""event,kind,first_year,last_year
                  e1,fire,1931,1933""",
    )


def test_the_examples_of_the_forms_are_a_valid_survey_as_csv_and_as_workbook(tmp_path):
    write_template(tmp_path / "csv")
    write_template(tmp_path / "book", xlsx=True)
    from_csv = read_survey(tmp_path / "csv")
    from_book = read_survey(tmp_path / "book" / "survey.xlsx")
    for each in TABLES:
        one, other = getattr(from_csv, each.name), getattr(from_book, each.name)
        assert len(one) == 1, f"{each.file} must have one example row"
        place = ["row", "file"]  # the workbook has a row of units more
        pd.testing.assert_frame_equal(
            one.drop(columns=place, errors="ignore"), other.drop(columns=place, errors="ignore")
        )
    assert from_csv.main_species == "longleaf-pine"
    assert from_csv.survey_season("north") == 2021


def test_forms_overwrite_nothing(tmp_path):
    (tmp_path / "trees.csv").write_text("mine")
    with pytest.raises(StandageError, match="trees.csv"):
        write_template(tmp_path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["trees.csv"]


def test_tables_always_exist_with_all_columns_in_order_and_fixed_types(small):
    survey = read_survey(small)
    for each in TABLES:
        frame = getattr(survey, each.name)
        assert list(frame.columns) == [column.name for column in each.columns] + ["row"] + [
            "file"
        ] * (each.name == "ring_widths")
        assert frame["row"].dtype == np.int64
        for column in each.columns:
            wanted = (
                "float64"
                if column.is_number
                else "datetime64[ns]"
                if column.kind == "date"
                else "object"
            )
            assert frame[column.name].dtype == wanted, (each.name, column.name)
            if wanted == "object":
                assert all(type(value) is str for value in frame[column.name])
    assert len(survey.known_age_stems) == 0


def test_documented_defaults_are_filled_in(small):
    survey = read_survey(small)
    assert survey.stands["origin"].tolist() == ["natural", "mixed"]
    assert survey.trees["status"].tolist() == ["live", "live", "stump", "live", "dead"]
    assert survey.trees["core_outcome"].tolist() == [
        "taken",
        "no_sound_wood",
        "taken",
        "not_tried",
        "not_tried",
    ]
    assert survey.trees["origin"].eq("natural").all()
    assert survey.cores["dating"].tolist() == ["counted"] * 3
    assert (
        survey.cores["outer_ring"].eq("unknown").all()
        and survey.cores["core_state"].eq("dry").all()
    )
    assert survey.cores["core_date"].dt.strftime("%Y-%m-%d").tolist() == [
        "2020-01-15",
        "2020-06-30",
        "2020-01-15",
    ]
    assert survey.counts["species"].tolist() == ["longleaf-pine"] * 2
    assert survey.plots["placement"].tolist() == ["", ""]


def test_identifiers_stay_as_written_and_blank_numbers_are_not_zero(small):
    survey = read_survey(small)
    assert survey.trees["tree"].tolist()[0] == "001"
    assert np.isnan(survey.trees["dbh_cm"].iloc[2]) and np.isnan(survey.cores["height_cm"].iloc[1])
    assert survey.counts["count"].tolist() == [0, 7]
    assert survey.trees["row"].tolist() == [2, 3, 4, 5, 6]


def test_survey_season_begins_in_march(small):
    survey = read_survey(small)
    assert (survey.survey_season("upper"), survey.survey_season("lower")) == (2019, 2020)
    with pytest.raises(KeyError, match="nowhere"):
        survey.survey_season("nowhere")


def test_summary_counts_and_card(small):
    survey = read_survey(small)
    numbers = survey.summary_counts()
    assert (numbers["stands"], numbers["plots"], numbers["cores"], numbers["cored_trees"]) == (
        2,
        2,
        3,
        2,
    )
    assert numbers["plot_area_ha"] == pytest.approx(0.1)
    assert numbers["stems"] == {
        "live": {"in_plots": 2, "outside": 1},
        "dead": {"in_plots": 0, "outside": 1},
        "stump": {"in_plots": 0, "outside": 1},
    }
    assert numbers["species_without_profile"] == {"swamp-oak": 1}
    assert numbers["cores_by_centre"] == {
        "pith": 1,
        "arcs": 1,
        "straight": 0,
        "rotten": 1,
        "unknown": 0,
    }
    assert numbers["cores_by_dating"] == {"crossdated": 0, "counted": 3}
    assert (
        numbers["cores_without_height"],
        numbers["attempts_failed"],
        numbers["events_by_kind"],
    ) == (1, 1, {"fire": 1})
    assert numbers["count_rows_by_stage"] == {
        "germinant": 1,
        "grass": 1,
        "emerging": 0,
        "sapling": 0,
    }
    assert numbers["counted_by_stage"]["germinant"] == 7
    card = str(survey)
    for said in (
        "Survey small",
        "stands    2, season 2019 to 2020",
        "1 pith, 1 arcs, 1 rotten",
        "3 live (2 in plots, 1 outside)",
        "1 swamp-oak",
        "7 germinant",
        "1 fire",
    ):
        assert said in card


def test_trees_that_nothing_can_date_are_told_of_before_a_run(small):
    assert not any(
        "nothing dates" in note for note in read_survey(small).notes
    )  # 003 has a core; lower has no plots
    with (small / "trees.csv").open("a") as stream:
        stream.writelines(f"{tree},upper,,longleaf-pine,30,live,\n" for tree in range(101, 107))
    (told,) = [note for note in read_survey(small).notes if "nothing dates" in note]
    assert "6 of the trees (101, 102, 103, 104, 105 and 1 more)" in told


def test_notes_say_what_was_left_out(small):
    (small / "weather.csv").write_text("a,b\n1,2\n")
    text = (small / "trees.csv").read_text().splitlines()
    (small / "trees.csv").write_text(
        "\n".join([text[0] + ",crown_notes", *[line + ",x" for line in text[1:]]]) + "\n"
    )
    survey = read_survey(small)
    notes = "\n".join(survey.notes)
    for said in (
        "weather.csv",
        "crown_notes",
        "tallied only: 1 swamp-oak",
        "without coring height",
        "u2",
    ):
        assert said in notes
    assert survey.trees["crown_notes"].tolist() == ["x"] * 5
    assert set(survey.hashes) == {
        "stands.csv",
        "plots.csv",
        "trees.csv",
        "cores.csv",
        "counts.csv",
        "events.csv",
    }
    assert all(len(value) == 64 for value in survey.hashes.values())


def test_plots_with_stems_may_do_without_cores(small):
    (small / "cores.csv").unlink()
    survey = read_survey(small)
    assert len(survey.cores) == 0 and any("no cores" in note for note in survey.notes)


def test_byte_order_mark_carriage_returns_and_blank_rows_change_nothing(small):
    plain = read_survey(small)
    for path in small.glob("*.csv"):
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r"))
    pd.testing.assert_frame_equal(read_survey(small).trees, plain.trees)
    with (small / "trees.csv").open("ab") as stream:
        stream.write(b",,,,,,\r,,,,,,\r")
    pd.testing.assert_frame_equal(read_survey(small).trees, plain.trees)


def test_windows_text_is_read_with_a_note_where_it_can_be_nothing_else(small):
    text = (small / "stands.csv").read_text().replace("sandhill", "dune bois\u00e9e")
    (small / "stands.csv").write_bytes(text.encode("cp1252"))
    survey = read_survey(small)
    assert survey.stands["community"].iloc[0] == "dune bois\u00e9e"
    assert any("cp1252" in note and "row 2" in note for note in survey.notes)


def test_workbook_dates_and_numbers_are_taken_as_typed(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    rows = {
        "stands": [["stand", "survey_date"], [1, dt.datetime(2020, 5, 12)]],
        "trees": [
            ["tree", "stand", "species", "dbh_cm"],
            [101, 1, "longleaf-pine", 30.25],
            [],
            [102, 1.0, "longleaf-pine"],
        ],
        "cores": [["core", "tree", "first_ring_year", "centre"], ["a", 101, 1950, "pith"]],
    }
    for name, lines in rows.items():
        sheet = book.create_sheet(name)
        for line in lines:
            sheet.append(line)
    book.save(tmp_path / "old field.xlsx")
    survey = read_survey(tmp_path / "old field.xlsx")
    assert survey.name == "old field"
    assert survey.stands["survey_date"].iloc[0] == pd.Timestamp(2020, 5, 12)
    assert survey.trees["tree"].tolist() == ["101", "102"] and survey.trees["stand"].tolist() == [
        "1",
        "1",
    ]
    assert survey.trees["row"].tolist() == [2, 4] and survey.trees["dbh_cm"].iloc[0] == 30.25


def test_column_definitions_are_sound():
    assert [each.name for each in TABLES if each.needed] == ["stands", "trees", "cores"]
    for each in TABLES:
        names = [column.name for column in each.columns]
        assert len(names) == len(set(names))
        for column in each.columns:
            assert column.kind in KINDS and column.meaning
            assert bool(column.codes) == (column.kind == "code")
            assert not column.default or column.default in column.codes
            if column.kind == "reference":
                assert table(column.refers_to).identifier == column.name
            if column.is_number:
                assert column.unit and column.low < column.high


def test_the_column_page_is_up_to_date():
    page = (ROOT / "docs" / "survey-tables.md").read_text(encoding="utf-8")
    assert page == column_reference(), (
        "write column_reference() of standage.survey.column_reference into docs/survey-tables.md"
    )
    for row in column_rows():
        assert re.search(rf"^- [*`\w, ]*`{row[1]}`[^:]*: ", page, flags=re.MULTILINE)


def test_growing_season():
    assert (
        growing_season(dt.date(2020, 2, 29)) == 2019 and growing_season(dt.date(2020, 3, 1)) == 2020
    )
    dates = pd.Series(pd.to_datetime(["2020-02-29", "2020-03-01", None]))
    np.testing.assert_array_equal(growing_seasons(dates), [2019, 2020, np.nan])
    with pytest.raises(ValueError):
        growing_season(pd.NaT)


@pytest.mark.slow
def test_reading_loads_nothing_heavy():
    code = (
        "import pandas, sys; import standage.survey, standage.survey.files.forms;"
        " print(sorted({'pymc', 'scipy', 'openpyxl', 'arviz', 'pytensor', 'matplotlib'}"
        " & set(sys.modules)))"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout.strip()
    already = subprocess.run(
        [
            sys.executable,
            "-c",
            "import pandas, sys; print(sorted({'scipy', 'openpyxl'} & set(sys.modules)))",
        ],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    ).stdout.strip()
    assert loaded == already


@pytest.mark.slow
def test_thirty_thousand_cores_are_read_in_seconds(tmp_path):
    number = 30_000
    names = [f"t{place}" for place in range(number)]
    folder = write(tmp_path, stands="stand,survey_date\ns,2020-07-01")
    pd.DataFrame({"tree": names, "stand": "s", "species": "longleaf-pine", "dbh_cm": 30}).to_csv(
        folder / "trees.csv", index=False
    )
    cores = pd.DataFrame(
        {column.name: "" for column in table("cores").columns}, index=range(number)
    )
    cores = cores.assign(
        core=names,
        tree=names,
        height_cm=30,
        first_ring_year=1950,
        core_date="2020-07-01",
        centre="pith",
        ring_count=70,
    )
    cores.to_csv(folder / "cores.csv", index=False)
    start = time.process_time()  # of the processor, which other work on the machine hardly moves
    survey = read_survey(folder)
    assert len(survey.cores) == number
    # about 8 s on a quiet machine, twice that on a busy one; squares take minutes
    assert time.process_time() - start < 30


def test_unknown_columns_named_like_those_of_other_tables_disturb_nothing(tmp_path):
    """A column of another table in the wrong one is not known there, kept, and not used; it has to
    stay out of everything's way.
    """
    simulated = small_survey(5, stems=40, cores=15)
    plain = read_survey(simulated.write(tmp_path / "plain"))
    folder = simulated.write(tmp_path / "more")
    for each in TABLES[:-1]:
        known = [column.name for column in each.columns]
        path = folder / each.file
        frame = pd.DataFrame(columns=known)
        if path.exists():
            frame = pd.read_csv(path, dtype=str, keep_default_na=False)
        others = {column.name for each in TABLES for column in each.columns} - set(known)
        unknown = sorted(
            column for column in others if near_column(column, known, set(frame.columns)) is None
        )
        assert len(unknown) > 20
        frame.assign(**dict.fromkeys(unknown, "x")).to_csv(path, index=False)
    survey = read_survey(folder)
    assert date_trees(survey).equals(date_trees(plain))
    assert [stem.tree for stem in build_stands(survey).stems] == [
        stem.tree for stem in build_stands(plain).stems
    ]


def test_stems_of_a_planted_stand_are_planted_unless_they_say_otherwise(tmp_path):
    """The form asks how the stand came about; what it says is used."""
    (tmp_path / "stands.csv").write_text(
        "stand,survey_date,origin\na,2023-06-15,planted\nb,2023-06-15,mixed\n"
    )
    (tmp_path / "trees.csv").write_text(
        "tree,stand,species,dbh_cm,origin\n"
        "t1,a,longleaf-pine,30,\nt2,a,longleaf-pine,30,natural\nt3,b,longleaf-pine,30,\n"
    )
    (tmp_path / "cores.csv").write_text("core,tree,height_cm,ring_count,centre\nc1,t1,30,40,pith\n")
    survey = read_survey(tmp_path)
    assert survey.trees["origin"].tolist() == ["planted", "natural", "natural"]
    assert any("1 stem without an origin taken for planted" in note for note in survey.notes)
