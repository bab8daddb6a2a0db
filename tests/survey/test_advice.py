"""No message advises what is then refused: the advice of each message of the corpus is followed,
and its cell is not refused any more.
"""

import csv
import io
import re

import pytest
from good_survey import GOOD, write_survey
from survey.test_corpus import REFUSED, write

from standage.errors import SurveyError
from standage.survey.reading import read_survey
from standage.survey.schema import table

BLANK = re.compile(r"leave the cell blank|[Ll]eave (\w+) blank|[Ee]mpty (\w+)|may only be blank")
VALUE = re.compile(r"(?:Write|perhaps|or) (-?\d+(?:\.\d+)?)|(?:Did you mean|Write) '([^']+)'")
INTO = re.compile(r"(?:standard deviation\) into|standard deviation into) (\w+)")
LATEST = re.compile(r"(?:latest|upper) into (\w+)")
RENAME = re.compile(r"Rename it to '([^']+)'")
WORDS = re.compile(r"[a-z_-]+(?: or [a-z_-]+)+")
FEWEST = 25
"""Messages of the corpus whose advice can be followed by a machine."""


def problems_in(folder):
    try:
        read_survey(folder)
    except SurveyError as refused:
        return refused.problems
    return ()


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


def refused_still(files, problem, changes, folder):
    """The problems of the cell after the advice was followed; None where it can't be."""
    text = followed(files.get(problem.file, ""), problem, changes)
    if text is None:
        return None
    after = problems_in(write(files | {problem.file: text}, folder))
    names = {problem.column, *(column for column, _ in changes)}
    return [
        each
        for each in after
        if (each.file, each.row) == (problem.file, problem.row) and each.column in names
    ]


@pytest.mark.slow
def test_the_advice_of_the_corpus_is_never_refused(tmp_path):
    number = 0
    for place, case in enumerate(REFUSED):
        start = problems_in(write(case.messy, tmp_path / f"case-{place}"))
        for problem in start:
            ways = []
            for changes in advised(problem):
                number += 1
                left = refused_still(case.messy, problem, changes, tmp_path / str(number))
                blank = all(cell == "" for _, cell in changes)
                assert not (blank and left), f"{case.name}: {problem}\n{changes}\n{left}"
                ways += [left] if left is not None else []
            # of two meanings one may be refused for what it would mean
            assert not ways or [] in ways, f"{case.name}: {problem}\n{ways}"
    assert number >= FEWEST


@pytest.mark.slow
def test_out_of_range_values_are_never_advised_into_a_refused_blank(tmp_path):
    """dbh 251 of a cored tree was told to be left blank, which was refused then."""
    number = 0
    for name in GOOD:
        for column in table(name).columns:
            if column.high is None:
                continue
            number += 1
            folder = tmp_path / str(number)
            write_survey(folder, changes=[(name, 0, column.name, f"{10 * column.high:.0f}")])
            found = [
                each
                for each in problems_in(folder)
                if each.column == column.name and each.row == 2 and "unit" in each.what_to_do
            ]
            if not found or "leave the cell blank" not in found[0].what_to_do:
                continue
            write_survey(folder, changes=[(name, 0, column.name, "")])
            assert not [
                each for each in problems_in(folder) if (each.column, each.row) == (column.name, 2)
            ], f"{name}.{column.name}"
    assert number > 30


@pytest.mark.parametrize("cored", [True, False])
def test_a_lost_diameter_is_allowed_where_a_core_dates_the_tree(tmp_path, cored):
    assert GOOD["trees"][0]["plot"] and GOOD["cores"][0]["tree"] == GOOD["trees"][0]["tree"]
    changes = [("trees", 0, "dbh_cm", "")]
    if not cored:
        changes += [("cores", 0, "tree", GOOD["trees"][1]["tree"])]
        changes += [("trees", 0, "core_outcome", "not_tried")]
    found = problems_in(write_survey(tmp_path / "s", changes=changes))
    assert [each.column for each in found] == ([] if cored else ["dbh_cm"])
