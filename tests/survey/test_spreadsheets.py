"""What standage writes for spreadsheets: the workbook of results, and text that no spreadsheet may
take for a formula.
"""

from __future__ import annotations

import csv
import doctest
import io
import string

import numpy as np
import pandas as pd
import pytest
from fake_posterior import fake_posterior
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from standage.commands.ages_table import write_ages
from standage.commands.batch_outcome import PASSED, Outcome
from standage.commands.batch_summary import COLUMNS, Summary, _seconds_before
from standage.findings import Findings
from standage.results.table_files import write_table
from standage.results.workbook import (
    CONTENTS,
    MEANINGS,
    RESULTS_WORKBOOK,
    workbook_writer,
    write_results_workbook,
)
from standage.results.writing import write_results
from standage.results.written_tables import written_tables
from standage.survey.files import formula_escapes
from standage.survey.files.formula_escapes import STARTERS, escape_formula, unescape, unescape_table
from standage.survey.reading import read_survey

NASTY = st.text(
    st.sampled_from([*STARTERS, "'", '"', ",", ";", " ", "1", "a", "é", "(", "!"]),
    min_size=1,
    max_size=8,
)
ANYTHING = st.one_of(
    NASTY,
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1),
    st.text(string.printable, min_size=1),
)
FORMULAS = [
    "=1+1",
    "+1",
    "-a",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "=cmd|' /C calc'!A0",
    "-2+3+cmd|'!A0",
    "'=a",
    "''@b",
    "＝1",
]


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


# text


def test_examples_in_the_module():
    assert (
        doctest.testmod(formula_escapes).attempted >= 2
        and doctest.testmod(formula_escapes).failed == 0
    )


@given(ANYTHING)
def test_no_text_is_taken_for_a_formula_and_every_text_comes_back(text):
    written = escape_formula(text)
    assert unescape(written) == text
    assert written[0] not in STARTERS or (
        written == text and is_number(text) and text.startswith("-")
    )
    assert escape_formula(text) == text or written == "'" + text


@pytest.mark.parametrize("stand", ["Fern Flat", "Fougère Plate", "羊歯"])
def test_letters_beyond_ascii_are_marked_for_spreadsheets_and_come_back(tmp_path, stand):
    path = tmp_path / "table.csv"
    write_table(pd.DataFrame({"stand": [stand], "stems": [3]}), path)
    assert path.read_bytes().startswith(b"\xef\xbb\xbf") is not stand.isascii()
    assert pd.read_csv(path).to_dict("records") == [{"stand": stand, "stems": 3}]


@given(
    st.floats(allow_nan=False, allow_infinity=False, max_value=-1e-300), st.integers(max_value=-1)
)
def test_negative_numbers_stay_numbers(number, whole):
    for text in (repr(number), str(whole), f"{number:.6f}"):
        assert escape_formula(text) == text and unescape(text) == text


def test_names_that_only_begin_with_an_apostrophe_stay_as_they_are():
    assert unescape("'t Gooi") == escape_formula("'t Gooi") == "'t Gooi"


# CSV files


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(st.lists(st.tuples(ANYTHING, st.floats(-1e6, 1e6)), min_size=1, max_size=4))
def test_tables_come_back_with_text_and_negative_numbers_as_they_were(tmp_path, rows):
    table = pd.DataFrame(rows, columns=["name", "amount"]).assign(whole=-7)
    write_table(table, tmp_path / "table.csv")
    with (tmp_path / "table.csv").open(encoding="utf-8-sig", newline="") as stream:
        written = list(csv.DictReader(stream))
    assert not [row for row in written if row["name"][0] in STARTERS and not is_number(row["name"])]
    assert all(is_number(row["amount"]) and row["whole"] == "-7" for row in written)
    back = unescape_table(
        pd.read_csv(tmp_path / "table.csv", dtype={"name": str}, keep_default_na=False)
    )
    assert back["name"].tolist() == table["name"].tolist()
    np.testing.assert_allclose(back["amount"], table["amount"], rtol=1e-4, atol=1e-9)


@pytest.mark.parametrize("name", [name for name in FORMULAS if name == name.strip()])
def test_a_name_from_a_result_is_the_same_name_in_a_survey(tmp_path, name):
    """Written by standage, put into a survey, read by standage: the name is the one it was."""

    def cells(*row: str) -> str:
        stream = io.StringIO()
        csv.writer(stream, lineterminator="\n").writerow([escape_formula(cell) for cell in row])
        return stream.getvalue()

    (tmp_path / "stands.csv").write_text(
        "stand,survey_date,longitude\n" + cells(name, "2020-07-01", "-81.5"), encoding="utf-8"
    )
    (tmp_path / "trees.csv").write_text(
        "tree,stand,species,x_m\n" + cells("a", name, "longleaf-pine", "-3"), encoding="utf-8"
    )
    (tmp_path / "cores.csv").write_text("core,tree,first_ring_year,centre\nk,a,1950,pith\n")
    survey = read_survey(tmp_path)
    assert survey.stands["stand"].tolist() == survey.trees["stand"].tolist() == [name]
    assert survey.trees["x_m"].tolist() == [-3] and survey.stands["longitude"].tolist() == [-81.5]


def test_ages_and_the_table_of_a_batch_are_harmless(tmp_path):
    write_ages(pd.DataFrame({"tree": FORMULAS, "age_median": -1.5}), tmp_path / "ages.csv")
    back = pd.read_csv(tmp_path / "ages.csv", keep_default_na=False)
    assert unescape_table(back)["tree"].tolist() == FORMULAS and (back["age_median"] == -1.5).all()
    assert all(name[0] not in STARTERS for name in back["tree"])
    names = [name for name in FORMULAS if name.isprintable()]  # they are names of files
    batch = Summary(tmp_path / "batch", names)
    batch.begin()
    for name in names:
        batch.add(Outcome(name, 1, PASSED, 2.5, "=hello"))
    batch.write()
    with batch.path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == COLUMNS
    assert all(row[column][0] not in STARTERS for row in rows for column in ("survey", "message"))
    assert _seconds_before(batch.path) == dict.fromkeys(names, 2.5)


# the workbook of results


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=100)


@pytest.fixture(scope="module")
def tables(posterior):
    return written_tables(Findings(posterior))


@pytest.mark.slow
def test_the_workbook_holds_every_table_with_its_numbers(posterior, tables, tmp_path):
    findings = Findings(posterior)
    folder = write_results(findings, tmp_path / "out", also=[workbook_writer(findings)])
    assert f'"{RESULTS_WORKBOOK}"' in (folder / "provenance.json").read_text(encoding="utf-8")
    book = load_workbook(folder / RESULTS_WORKBOOK)
    assert book.sheetnames == [CONTENTS, MEANINGS, *tables]
    for name, table in tables.items():
        sheet = book[name]
        assert sheet.freeze_panes == "A2" and [cell.value for cell in sheet[1]] == list(
            table.columns
        )
        written = pd.read_csv(folder / f"{name}.csv", keep_default_na=False)
        assert sheet.max_row == len(table) + 1
        for place, column in enumerate(table.columns, 1):
            values = [sheet.cell(row, place).value for row in range(2, sheet.max_row + 1)]
            if pd.api.types.is_numeric_dtype(
                table[column].dtype
            ) and not pd.api.types.is_bool_dtype(table[column].dtype):
                assert not [value for value in values if isinstance(value, str)], (name, column)
                numbers = pd.to_numeric(written[column], errors="coerce").to_numpy(dtype=float)
                np.testing.assert_allclose(
                    np.array([np.nan if value is None else value for value in values]),
                    numbers,
                    err_msg=column,
                )
    listed = {row[0]: row[1:3] for row in book[CONTENTS].iter_rows(min_row=6, values_only=True)}
    assert {name: rows for name, (rows, _) in listed.items()} == {
        name: len(table) for name, table in tables.items()
    }
    assert all(held.startswith("one row for ") for _, held in listed.values())
    explained = list(book[MEANINGS].iter_rows(min_row=2, values_only=True))
    for name, table in tables.items():
        of_table = [row for row in explained if row[0] == name]
        names = [
            full
            for _, column, _, meaning in of_table
            if meaning
            for full in (
                [column.replace("*", point) for point in ("low", "median", "high")]
                if column.endswith("_*")
                else [column]
            )
        ]
        assert names == list(table.columns)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None
)
@given(
    st.lists(
        st.one_of(ANYTHING, st.text(max_size=5), st.sampled_from(FORMULAS)), min_size=1, max_size=4
    )
)
def test_text_in_the_workbook_stays_text(tmp_path, names):
    table = pd.DataFrame({"name": names, "amount": -0.5, "count": -3})
    write_results_workbook({"cohorts": table}, tmp_path / "book.xlsx", survey=names[0], level=0.9)
    sheet = load_workbook(tmp_path / "book.xlsx")["cohorts"]
    for name, row in zip(names, sheet.iter_rows(min_row=2), strict=True):
        assert row[0].data_type != "f" and (row[0].quotePrefix or not name)
        if name.isprintable():
            assert (row[0].value or "") == name
        assert (row[1].value, row[2].value) == (-0.5, -3) and row[1].data_type == row[
            2
        ].data_type == "n"
