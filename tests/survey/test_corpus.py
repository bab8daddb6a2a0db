"""Messy surveys in pairs with their clean twins, written by hand after what crews do: each is read
as its twin, or refused with the right words.

The files of `corpus/` hold the cases. `#` begins one; `> FILE` a messy file, `= FILE` its clean
twin where it isn't that of `base.txt`, `- FILE` leaves one out; `~` is one cell: file, row, column,
messy, clean; `+` adds a blank column (messy name=clean name); `!` what a refusal must say.
"""

from __future__ import annotations

import csv
import io
import re
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
from good_survey import problems_in, problems_of
from quick_sample import quick_sample

from standage.problems import Problem
from standage.survey.files.mapping_draft import write_draft
from standage.survey.reading import read_survey
from standage.survey.schema import TABLES
from standage.survey.survey import Survey

CORPUS = Path(__file__).parent / "corpus"
FEWEST_READ, FEWEST_REFUSED = 60, 30
BLANK = re.compile(r"leave the cell blank|[Ll]eave (\w+) blank|[Ee]mpty (\w+)|may only be blank")
VALUE = re.compile(r"(?:Write|perhaps|or) (-?\d+(?:\.\d+)?)|(?:Did you mean|Write) '([^']+)'")
INTO = re.compile(r"(?:standard deviation\) into|standard deviation into) (\w+)")
LATEST = re.compile(r"(?:latest|upper) into (\w+)")
RENAME = re.compile(r"Rename it to '([^']+)'")
FEWEST = 25
"""Messages of the corpus whose advice can be followed by a machine."""


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


@cache
def read_once(name: str) -> Survey | tuple[Problem, ...]:
    """The survey in the messy files of a case, or why it is refused: more than one test asks."""
    case = next(each for each in (*READ, *REFUSED) if each.name == name)
    with tempfile.TemporaryDirectory() as folder:
        path = write(case.messy, Path(folder) / "messy")
        return problems_of(path) if case.refusals else read_survey(path)


@pytest.mark.parametrize("case", quick_sample(READ), ids=lambda case: case.name)
def test_a_messy_survey_is_read_as_its_clean_twin(case):
    messy = read_once(case.name)
    clean = read_clean(tuple(case.clean.items()))
    assert case.messy != case.clean and not clean.readings
    for table in TABLES:
        ours, theirs = (getattr(survey, table.name) for survey in (messy, clean))
        known = [column.name for column in table.columns]
        pd.testing.assert_frame_equal(ours[known], theirs[known], check_exact=False, rtol=1e-9)
    assert messy.readings or case.name in SAME_TO_A_READER, "a liberty that is not told of"


@pytest.mark.parametrize("case", quick_sample(REFUSED), ids=lambda case: case.name)
def test_what_has_two_meanings_is_refused_with_the_right_words(case):
    problems = read_once(case.name)
    for file, row, column, said in case.refusals:
        at = (file, int(row) if row else None, column or None)
        there = [
            str(problem)
            for problem in problems
            if (problem.file, problem.row, problem.column) == at
        ]
        assert any(said in told for told in there), "\n".join(map(str, problems))


def with_headings_of_their_own(cases: Iterable[Case]) -> list[Case]:
    """Those whose draft can't be that of the clean survey."""

    def headings(files: dict[str, str]) -> set[tuple[str, str]]:
        return {(name, text.partition("\n")[0]) for name, text in files.items()}

    return [case for case in cases if not headings(case.messy) <= headings(BASE)]


@pytest.mark.parametrize(
    "case", quick_sample(with_headings_of_their_own(READ)), ids=lambda case: case.name
)
def test_a_draft_that_nobody_edits_changes_nothing(case, tmp_path):
    path = write(case.messy, tmp_path / "messy")
    write_draft(path)
    after, before = read_survey(path), read_once(case.name)
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(after, table.name), getattr(before, table.name))


@pytest.mark.parametrize(
    "case", quick_sample(with_headings_of_their_own(REFUSED)), ids=lambda case: case.name
)
def test_a_draft_that_nobody_edits_hides_no_question(case, tmp_path):
    path = write(case.messy, tmp_path / "messy")
    write_draft(path)
    before = {each.column for each in read_once(case.name)}
    assert {each.column for each in problems_of(path)} >= before


def advised(problem):
    """What the advice says to do: (column, cell) to write, or ("", heading)."""
    text = problem.what_to_do
    of_a_person = ("otherwise", "a line of its own", "then delete the line")
    if any(words in text for words in of_a_person):  # several cells, or a choice of meanings
        return
    for heading in RENAME.findall(text):
        yield [("", heading)]
    more = [(name, "1") for name in INTO.findall(text)]
    more += [(name, re.findall(r"\d+", problem.found)[-1]) for name in LATEST.findall(text)]
    if LATEST.search(text):
        start = re.findall(r"\d+", problem.found)[0]
        end = more[0][1]
        more = [(more[0][0], start[: len(start) - len(end)] + end)]
        yield [(problem.column, start), *more]
    for match in VALUE.findall(text):
        yield [(problem.column, match[0] or match[1]), *more]
    for match in BLANK.finditer(text):
        yield [(match[1] or match[2] or problem.column, "")]
    if "write the one that is meant" in text:
        yield from ([(problem.column, word)] for word in problem.expected.split(" or "))


def followed(text, problem, changes):
    """The file with the advice followed; None where it says nothing of a cell that is there."""
    rows = list(csv.reader(io.StringIO(text)))
    if problem.row is None or not rows or problem.row > len(rows):
        return None
    heads = next((row for row in rows if problem.column in row), rows[0])
    for column, cell in changes:
        if column == "":
            if problem.column not in rows[problem.row - 1]:
                return None
            rows[problem.row - 1][rows[problem.row - 1].index(problem.column)] = cell
            continue
        if rows[problem.row - 1] is heads:
            return None
        written = re.match(r"'([^']+)'", problem.found)
        row = rows[problem.row - 1]
        if column == problem.column and column not in heads and written and written[1] in row:
            row[row.index(written[1])] = cell  # below a heading of the crew's own
            continue
        if column not in heads:
            heads.append(column)
            rows[:] = [row if row is heads else [*row, ""] for row in rows]
        place = heads.index(column)
        if place >= len(rows[problem.row - 1]):
            return None
        rows[problem.row - 1][place] = cell
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(rows)
    return stream.getvalue()


def refused_still(files, problem, changes, folder, before):
    """The problems of the cell after the advice was followed, and those that came up with it: what
    was there before, and not said, or what the advice made. None where it can't be followed.
    """
    text = followed(files.get(problem.file, ""), problem, changes)
    if text is None:
        return None
    after = problems_in(write(files | {problem.file: text}, folder))
    names = {problem.column, *(column for column, _ in changes)}
    told = {(each.file, each.row, each.column, each.found) for each in before}
    return [
        each
        for each in after
        if ((each.file, each.row) == (problem.file, problem.row) and each.column in names)
        or (each.file, each.row, each.column, each.found) not in told
    ]


@pytest.mark.slow
def test_the_advice_of_the_corpus_is_never_refused(tmp_path):
    """The advice of each message is followed: its cell is not refused any more, and nothing comes
    up that was not said before.
    """
    number = 0
    for case in REFUSED:
        for problem in read_once(case.name):
            ways = []
            for changes in advised(problem):
                number += 1
                folder = tmp_path / str(number)
                left = refused_still(case.messy, problem, changes, folder, read_once(case.name))
                blank = all(cell == "" for _, cell in changes)
                assert not (blank and left), f"{case.name}: {problem}\n{changes}\n{left}"
                ways += [left] if left is not None else []
            # of two meanings one may be refused for what it would mean
            assert not ways or [] in ways, f"{case.name}: {problem}\n{ways}"
    assert number >= FEWEST


def test_the_corpus_is_as_large_as_it_says():
    assert len(READ) >= FEWEST_READ and len(REFUSED) >= FEWEST_REFUSED
    names = [case.name for case in (*READ, *REFUSED)]
    assert len(set(names)) == len(names)
