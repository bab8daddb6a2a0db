"""Messy surveys in pairs with their clean twins, written by hand after what crews do: each is read
as its twin, or refused with the right words.

The files of `corpus/` hold the cases. `#` begins one; `> FILE` a messy file, `= FILE` its clean
twin where it isn't that of `base.txt`, `- FILE` leaves one out; `~` is one cell: file, row, column,
messy, clean; `+` adds a blank column (messy name=clean name); `!` what a refusal must say.
"""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
from good_survey import problems_of
from quick_sample import quick_sample

from standage.survey.files.mapping_draft import write_draft
from standage.survey.reading import read_survey
from standage.survey.schema import TABLES
from standage.survey.survey import Survey

CORPUS = Path(__file__).parent / "corpus"
FEWEST_READ, FEWEST_REFUSED = 60, 30


SAME_TO_A_READER = {
    "two units of one measure",
    "a comma at the end of every row",
    "blank rows and columns",
    "a title and a blank line above the headings",
}
"""Cases in which nothing but blanks, or what is told of in notes, is different."""


@dataclass
class Case:
    """One survey twice: its messy and its clean files by name, and what a refusal must say."""

    name: str
    messy: dict[str, str] = field(default_factory=dict)
    clean: dict[str, str] = field(default_factory=dict)
    refusals: list[list[str]] = field(default_factory=list)


def tables_of(text: str, mark: str) -> dict[str, str]:
    """The files in a text, each below a line `mark FILE`."""
    found: dict[str, str] = {}
    name = None
    for line in text.splitlines(keepends=True):
        if line[:2] in ("> ", "= ", "- ", "~ ", "+ ", "! "):
            name = line[2:].strip() if line.startswith(mark) else None
            if name:
                found[name] = ""
        elif name and line.strip():
            found[name] += line
    return found


BASE = tables_of((CORPUS / "base.txt").read_text(encoding="utf-8"), "= ")


def with_cell(text: str, row: int, column: str, cell: str) -> str:
    rows = list(csv.reader(io.StringIO(text)))
    rows[row - 1][rows[0].index(column)] = cell
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(rows)
    return stream.getvalue()


def with_column(text: str, column: str) -> str:
    lines = text.splitlines()
    return "\n".join([f"{lines[0]},{column}", *(f"{line}," for line in lines[1:])]) + "\n"


def case_of(text: str) -> Case:
    name, _, body = text.partition("\n")
    case = Case(name.strip(), dict(BASE), dict(BASE))
    renamed = {}
    for line in body.splitlines():
        if line.startswith("- "):
            case.messy.pop(line[2:].strip(), None)
    case.messy |= tables_of(body, "> ")
    case.clean |= tables_of(body, "= ")
    for line in body.splitlines():
        mark, cells = line[:2], next(csv.reader([line[2:]]), [])
        if mark == "+ ":
            messy, _, clean = cells[1].partition("=")
            renamed[cells[0], messy] = clean or messy
            case.messy[cells[0]] = with_column(case.messy[cells[0]], messy)
            case.clean[cells[0]] = with_column(case.clean[cells[0]], clean or messy)
        elif mark == "~ ":
            file, row, column, messy, clean = cells
            case.messy[file] = with_cell(case.messy[file], int(row), column, messy)
            named = renamed.get((file, column), column)
            case.clean[file] = with_cell(case.clean[file], int(row), named, clean)
        elif mark == "! ":
            case.refusals.append(cells)
    return case


def cases() -> Iterator[Case]:
    for path in sorted(CORPUS.glob("*.txt")):
        if path.name != "base.txt":
            text = path.read_text(encoding="utf-8")
            yield from (case_of(part) for part in text.split("\n# ")[1:])


READ = [case for case in cases() if not case.refusals]
REFUSED = [case for case in cases() if case.refusals]


def write(files: dict[str, str], folder: Path) -> Path:
    folder.mkdir()
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@cache
def read_clean(files: tuple[tuple[str, str], ...]) -> Survey:
    """The survey in clean files; most cases share theirs."""
    with tempfile.TemporaryDirectory() as folder:
        return read_survey(write(dict(files), Path(folder) / "clean"))


@pytest.mark.parametrize("case", quick_sample(READ), ids=lambda case: case.name)
def test_a_messy_survey_is_read_as_its_clean_twin(case, tmp_path):
    messy = read_survey(write(case.messy, tmp_path / "messy"))
    clean = read_clean(tuple(case.clean.items()))
    assert case.messy != case.clean and not clean.readings
    for table in TABLES:
        ours, theirs = (getattr(survey, table.name) for survey in (messy, clean))
        known = [column.name for column in table.columns]
        pd.testing.assert_frame_equal(ours[known], theirs[known], check_exact=False, rtol=1e-9)
    assert messy.readings or case.name in SAME_TO_A_READER, "a liberty that is not told of"


@pytest.mark.parametrize("case", quick_sample(REFUSED), ids=lambda case: case.name)
def test_what_has_two_meanings_is_refused_with_the_right_words(case, tmp_path):
    problems = problems_of(write(case.messy, tmp_path / "messy"))
    for file, row, column, said in case.refusals:
        at = (file, int(row) if row else None, column or None)
        there = [
            str(problem)
            for problem in problems
            if (problem.file, problem.row, problem.column) == at
        ]
        assert any(said in told for told in there), "\n".join(map(str, problems))


@pytest.mark.parametrize("case", quick_sample(READ), ids=lambda case: case.name)
def test_a_draft_that_nobody_edits_changes_nothing(case, tmp_path):
    path = write(case.messy, tmp_path / "messy")
    before = read_survey(path)
    write_draft(path)
    after = read_survey(path)
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(after, table.name), getattr(before, table.name))


@pytest.mark.parametrize("case", quick_sample(REFUSED), ids=lambda case: case.name)
def test_a_draft_that_nobody_edits_hides_no_question(case, tmp_path):
    path = write(case.messy, tmp_path / "messy")
    before = problems_of(path)
    write_draft(path)
    assert {each.column for each in problems_of(path)} >= {each.column for each in before}


def test_the_corpus_is_as_large_as_it_says():
    assert len(READ) >= FEWEST_READ and len(REFUSED) >= FEWEST_REFUSED
    names = [case.name for case in (*READ, *REFUSED)]
    assert len(set(names)) == len(names)
