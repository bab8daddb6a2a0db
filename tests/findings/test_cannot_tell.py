"""Surveys that can't support an answer end with what can and what can't be said, as
docs/cannot-tell.md has it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hopeless_surveys import SURVEYS

from standage.errors import StandageError
from standage.findings import Findings
from standage.prose.cannot_tell import QUESTIONS, cannot_tell_records
from standage.prose.measures import METRIC, Measures
from standage.prose.summary import full_summary
from standage.prose.unit_statement import unit_statement
from standage.results.table_files import plain_values
from standage.stand.fit import fit_stands
from standage.survey.reading import read_survey

PAGE = Path(__file__).parents[2] / "docs" / "cannot-tell.md"
REFUSED = "refused"
WITH_PULSE = "every tree the same age"
# may be open in a survey that lies near their limits, whichever way so few draws fall
CLOSE_CALLS = {QUESTIONS[asked] for asked in ("half span", "grass stage", "young cohort")}


@dataclass(frozen=True)
class Row:
    """A survey of the page, what can't be told of it (as there), and what is said."""

    name: str
    cannot: str
    says: str


SAYS = {
    "one core": "only 1 tree of the stand is dated by core; years rest mostly on sizes",
    "three cores": "only 3 trees of the stand are dated by core; years rest mostly on sizes",
    "no core": "no tree of the stand is dated by core; years rest mostly on sizes",
    "no core readable": "12 of 12 attempts to core gave nothing to read",
    "three trees in all": "3 cores can be dated, each tree by itself",
    "all centres rotten": "with neither the pith nor its distance",
    "rotten and no ring counted": "no tree of the stand is dated by core",
    "all centres unknown": "nothing is recorded of the centre",
    "all centres straight": "with neither the pith nor its distance",
    "five rings a core": "with neither the pith nor its distance",
    "no coring height": "so years are those of reaching the height of the core",
    "all cores at three metres": "rest not only on the wood",
    "no year of bark": "that rings were counted from the bark is assumed",
    "outer rings lost": "The oldest cored tree,",
    "upper core older than lower": "One of the two is misread",
    "two cores of a tree forty years apart": "contradict each other",
    "every tree the same age": "a patch can't be told from the stand",
    "one diameter class": "no tree of the stand is dated by core; years rest mostly on sizes",
    "all diameters equal": "only 3 trees",
    "no diameters": "about the sampled trees",
    "no plots and no cores": "only stems listed in plots can be dated, by size",
    "one stem a plot": "only 3 trees",
    "a plot with one stem": "1 core can be dated",
    "most plots empty": "only 3 trees",
    "no stem in any plot": "about the sampled trees",
    "one old tree among saplings": "only 1 tree",
    "nothing alive before last year": "expected at least one row",
    "only seedlings counted": "expected at least one row",
    "only dead trees": "no live natural stem of longleaf-pine (and 12 dead)",
    "only planted trees": "(and 12 planted)",
    "only species without profile": "expected a species with a profile",
    "one stem a stand": "6 cores can be dated",
    "no grass and thousands of saplings": "counts of the sapling stage are",
    "stems of known age against the profile": "profile disagree about: grass stage",
    "one species without profile among others": "5 stems of post-oak",
    "events after the survey": "came after the survey of 2020: it explains nothing",
    "a cut that took everything": "its share is taken as not recorded",
    "two species with eight stems each": "only 2 trees",
    "surveys decades apart": "only 1 tree",
}


def rows_of_the_page() -> list[Row]:
    lines = PAGE.read_text(encoding="utf-8").splitlines()
    groups = [line.strip("| ").split(" | ") for line in lines if line.startswith("| ")][1:]
    rows = [Row(name, cannot, SAYS[name]) for cannot, names in groups for name in names.split(", ")]
    return sorted(rows, key=lambda row: list(SURVEYS).index(row.name))


ROWS = rows_of_the_page()
FITTED = [row for row in ROWS if row.cannot != REFUSED]
TURNED_AWAY = [row for row in ROWS if row.cannot == REFUSED]


# of the quick tests: one with a pulse, one with nothing but sizes, one with nothing but cores
QUICK = {WITH_PULSE, "no core", "all diameters equal"}


def named(rows):
    """Each row by its survey's name; slow where a survey has to be fitted for it."""
    return pytest.mark.parametrize(
        "row",
        [
            pytest.param(
                row,
                id=row.name,
                marks=() if row in TURNED_AWAY or row.name in QUICK else pytest.mark.slow,
            )
            for row in rows
        ],
    )


@pytest.fixture(scope="module")
def end_of(tmp_path_factory):
    """How a survey ends, each fitted once: findings, tables, summary."""
    folder, ends = tmp_path_factory.mktemp("hopeless"), {}

    def end(name: str):
        if name not in ends:
            survey = read_survey(SURVEYS[name]().write(folder / name))
            posterior = fit_stands(survey, seed=1, draws=150, tune=100, chains=2, cores=1)
            findings = Findings(posterior)
            ends[name] = findings, findings.tables, full_summary(findings)
        return ends[name]

    return end


def test_the_page_tells_of_every_survey():
    assert [row.name for row in ROWS] == list(SURVEYS) and len(ROWS) >= 30


@named(FITTED)
def test_what_a_survey_leaves_open_is_told(row, end_of):
    findings, tables, text = end_of(row.name)
    wanted = {QUESTIONS[asked] for asked in row.cannot.split("; ")}
    for unit in tables["stand_summary"].to_dict("records"):
        told = {
            each["what"]
            for each in cannot_tell_records(findings)
            if each["stand"] == unit["stand"] and each["species"] == unit["species"]
        }
        assert wanted <= told <= wanted | CLOSE_CALLS
    assert row.says in text


@named(FITTED)
def test_no_pulse_is_told_where_the_survey_carries_none(row, end_of):
    _, tables, text = end_of(row.name)
    assert len(tables["pulses"]) == (row.name == WITH_PULSE)
    assert ("No recruitment pulse stands out" in text) == (row.name != WITH_PULSE)
    assert tables["prior_sensitivity"]["pulses_reported"].eq(len(tables["pulses"])).all()


@named(FITTED)
def test_every_number_is_one_or_blank(row, end_of):
    findings, tables, text = end_of(row.name)
    for name, table in tables.items():
        numbers = table.select_dtypes("number").to_numpy(dtype=float, na_value=np.nan)
        assert not np.isinf(numbers).any(), name
    for name in ("stems_per_ha", "oldest_cored_year", "half_span_years", "share_over_100_years"):
        points = (
            tables["stand_summary"][[f"{name}_low", f"{name}_median", f"{name}_high"]]
            .astype(float)
            .to_numpy()
        )
        known = points[~np.isnan(points).all(axis=1)]
        assert (np.diff(known, axis=1) >= 0).all(), name
    json.dumps(plain_values(findings.posterior.verdict), allow_nan=False)
    assert not {"nan", "inf", "<NA>", "None"} & set(
        text.replace("(", " ").replace(".", " ").split()
    )


@named(FITTED)
def test_a_short_run_is_told_from_a_survey_that_leaves_questions_open(row, end_of):
    findings, _, text = end_of(row.name)
    assert (
        findings.posterior.verdict["passed"]
        or "short run of 300 draws" in text
        or "draws diverged" in text
    )


@named(FITTED)
def test_the_report_says_the_same(row, end_of):
    findings, _, _ = end_of(row.name)
    for unit in findings.units:
        statement = unit_statement(unit, Measures(METRIC))
        open_ones = [
            each
            for each in cannot_tell_records(findings)
            if each["stand"] == unit.stand and each["species"] == unit.summary["species"]
        ]
        assert {f"{each['what']}: {each['why']}" for each in open_ones} <= set(statement.unknown)
        parts = (statement.timing, statement.preceded, statement.composition, statement.unknown)
        assert "nan" not in " ".join(sentence for part in parts for sentence in part).split()


@named(TURNED_AWAY)
def test_a_survey_without_a_history_is_refused_with_what_can_be_told(row, tmp_path):
    with pytest.raises(StandageError) as refused:
        fit_stands(
            read_survey(SURVEYS[row.name]().write(tmp_path / "survey")),
            draws=20,
            tune=20,
            chains=2,
            cores=1,
        )
    assert row.says in str(refused.value)


@pytest.mark.slow
def test_cores_that_tell_nothing_of_their_reach_date_no_stand(end_of):
    """All trees were cored to the same depth and differ by a hundred years in age: they must not
    pass for one age class.
    """
    _, tables, text = end_of("five rings a core")
    assert (
        tables["stand_summary"]["trees_reach_unknown"].tolist() == [12] and "even-aged" not in text
    )
    assert "no younger than its rings seen" in text
    assert pd.isna(tables["pulses"]["start_median"]).sum() == 0 and tables["pulses"].empty
