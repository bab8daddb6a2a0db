"""Every result table keeps to its schema: columns, kinds of data, words and units."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fake_posterior import fake_posterior, with_tables

from standage.findings import Findings
from standage.findings.result_tables import RESULT_TABLES, result_table
from standage.findings.schema import ResultTable, code, number, sentence, text, whole
from standage.results.written_tables import as_written, written_tables

WITHOUT_UNIT = {"pulse", "rank", "rhat"}  # numbers that name, and one that has none
DTYPES = {"text": "object", "code": "object", "record": "object"} | {
    "whole": "Int64",
    "number": "float64",
}


@pytest.fixture(scope="module")
def findings():
    """Of an invented posterior with rings of a dozen trees, which grow twice as fast from 1927."""
    posterior = fake_posterior(draws=60)
    survey = posterior.survey
    events = survey.events.assign(opens_canopy="", source="record")
    rng, years = np.random.default_rng(4), np.arange(1890.0, 1971.0)
    cores = survey.cores[survey.cores["tree"].str.startswith("F")]["core"].iloc[:12]
    ring_widths = pd.concat(
        [
            pd.DataFrame({"core": core, "year": years}).assign(
                width_mm=np.where(years >= 1927, 2.4, 1.2) * np.exp(rng.normal(0, 0.12, len(years)))
            )
            for core in cores
        ],
        ignore_index=True,
    )
    return Findings(with_tables(posterior, events=events, ring_widths=ring_widths))


@pytest.mark.parametrize("table", RESULT_TABLES, ids=lambda table: table.name)
def test_a_table_keeps_to_its_schema(table, findings):
    found = findings.tables[table.name]
    assert list(found) == table.found
    assert list(written_tables(findings)[table.name]) == table.written
    for column in table.columns:
        for name in column.names if column.role != "sentence" else ():
            assert found[name].dtype == DTYPES[column.kind], name
            if column.codes:
                assert set(found[name]) <= {*column.codes, ""}, name
        if column.interval:
            low, middle, high = (found[name].astype(float) for name in column.names)
            known = middle.notna()
            assert ((low <= middle) & (middle <= high))[known].all(), column.name
    assert len(table.frame()) == 0
    assert table.frame().dtypes.equals(found.dtypes)


@pytest.mark.parametrize("table", RESULT_TABLES, ids=lambda table: table.name)
def test_every_column_is_described_and_every_number_has_a_unit(table):
    names = [name for column in table.columns for name in column.names]
    assert len(names) == len(set(names))
    for column in table.columns:
        assert column.meaning, column.name
        if column.role == "found" and column.kind in ("whole", "number"):
            assert column.unit or column.name in WITHOUT_UNIT, column.name


def test_rows_become_a_table_of_the_schemas_kinds():
    table = ResultTable(
        "marks",
        "a mark",
        (
            *text("tree", "which"),
            *whole("age", "years", "its age", interval=True),
            *number("width", "mm", "its width"),
            *code("kind", "what it is", ("scar", "blaze")),
            *sentence("words", "the row as a sentence"),
        ),
    )
    found = table.frame(
        [{"tree": "a", "age_low": 3.0, "age_median": 4.4, "age_high": 5, "kind": "scar"}, {}]
    )
    assert list(found) == ["tree", "age_low", "age_median", "age_high", "width", "kind"]
    assert found["age_median"].tolist() == [4, pd.NA] and found["age_median"].dtype == "Int64"
    assert found["tree"].tolist() == ["a", ""] and found["kind"].tolist() == ["scar", ""]
    assert found["width"].isna().all()
    assert table.column("age_low") == table.column("age") == table.columns[1]
    with pytest.raises(KeyError, match="no column height"):
        table.column("height")


def test_what_only_sentences_are_made_from_is_not_written(findings):
    table = findings.attribution
    written = as_written("attribution", table)
    assert "removed_from_cm" in table and "removed_from_cm" not in written
    assert "words" not in table and written["words"].str.endswith(".").all()
    assert written.equals(written[result_table("attribution").written])
