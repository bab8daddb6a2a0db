"""A survey without any problem, written with cells changed, and the problems found in that."""

import csv
import re
from pathlib import Path

import pytest
from openpyxl import Workbook

from standage.errors import Problem, SurveyError
from standage.survey.reading import read_survey
from standage.survey.schema import TABLES, table

TABLE_NAMES = [each.name for each in TABLES]
GOOD = {
    "stands": [
        {"stand": "north", "survey_date": "2021-07-14", "area_ha": "20"},
        {"stand": "south", "survey_date": "2021-07-15"},
    ],
    "plots": [
        {"plot": "p1", "stand": "north", "area_m2": "1000", "min_dbh_cm": "5", "max_dbh_cm": "60"},
        {"plot": "p2", "stand": "south", "area_m2": "1000", "min_dbh_cm": "5"},
    ],
    "trees": [
        {"tree": "a1", "stand": "north", "plot": "p1", "species": "longleaf-pine", "dbh_cm": "40"},
        {"tree": "a2", "stand": "south", "plot": "p2", "species": "longleaf-pine", "dbh_cm": "25"},
        {
            "tree": "a3",
            "stand": "south",
            "species": "longleaf-pine",
            "dbh_cm": "31",
            "status": "dead",
        },
    ],
    "cores": [
        {
            "core": "k1",
            "tree": "a1",
            "height_cm": "30",
            "first_ring_year": "1921",
            "centre": "arcs",
        },
        {"core": "k2", "tree": "a2", "height_cm": "30", "ring_count": "60", "centre": "pith"},
        {"core": "k3", "tree": "a3", "centre": "rotten"},
    ],
    "core_readings": [{"core": "k2", "reader": "B", "ring_count": "61", "blind": "yes"}],
    "counts": [{"plot": "p1", "stage": "grass", "area_m2": "100", "count": "3"}],
    "known_age_stems": [
        {
            "stem": "s1",
            "stand": "north",
            "known_from": "tagged",
            "age_years": "8",
            "grass_years": "5",
        }
    ],
    "events": [{"event": "e1", "kind": "logging", "first_year": "1905", "last_year": "1910"}],
    "ring_widths": [{"core": "k2", "year": "1990", "width_mm": "1.2"}],
}


def write_survey(folder: Path, *, changes=(), without=(), drop=()) -> Path:
    """The good survey with cells changed. changes: (table, place of the row, column, cell). drop:
    (table, column) left out.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for each in TABLES:
        if each.name in without:
            continue
        rows = [dict(row) for row in GOOD[each.name]]
        header = [column.name for column in each.columns if (each.name, column.name) not in drop]
        for name, place, column, cell in changes:
            if name == each.name:
                rows[place][column] = cell
                if column not in header:
                    header.append(column)
        with (folder / each.file).open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, header, restval="", extrasaction="ignore")
            writer.writeheader()
            writer.writerows(rows)
    return folder


def good_workbook():
    """The good survey as an openpyxl workbook, a sheet a table."""
    book = Workbook()
    book.remove(book.active)
    for name in TABLE_NAMES:
        sheet = book.create_sheet(name)
        header = [column.name for column in table(name).columns]
        sheet.append(header)
        for row in GOOD[name]:
            sheet.append([row.get(column) for column in header])
    return book


def problems_in(folder) -> tuple[Problem, ...]:
    try:
        read_survey(folder)
    except SurveyError as refused:
        return refused.problems
    return ()


def problems_of(path) -> tuple[Problem, ...]:
    with pytest.raises(SurveyError) as caught:
        read_survey(path)
    for problem in caught.value.problems:
        assert problem.file and problem.found and problem.expected and problem.what_to_do, problem
        assert "{" not in str(problem) and not re.search(
            r"\bnan\b", str(problem).replace("'nan'", "")
        ), problem
    return caught.value.problems


def the_problem(path, file: str, row: int | None, column: str | None) -> Problem:
    """The only problem of a survey, at the place where it must be."""
    problems = problems_of(path)
    assert [(problem.file, problem.row, problem.column) for problem in problems] == [
        (file, row, column)
    ], "\n".join(map(str, problems))
    return problems[0]
