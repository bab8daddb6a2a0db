"""Days of sheets of one kind that are read one under another: a sheet's own, in its rows or in its
title.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.references import cells_of
from standage.survey.flat_table import EVIDENCE
from standage.survey.readings import Reading
from standage.survey.sheets.title_dates import date_of_titles, title_with_a_date
from standage.survey.written import WrittenSurvey, WrittenTable, with_column

_DATES = ("survey_date", "core_date")


def with_its_date(part: WrittenTable, survey: WrittenSurvey) -> WrittenTable:
    """A sheet of trees and cores with the day that its title gives in every row."""
    if {"survey_date", "core_date"} & set(part.header):
        return part
    found = date_of_titles([title for title in survey.titles if title.file == part.file])
    if found is None:
        return part
    survey.readings.append(found)
    return with_column(part, "survey_date", found.as_read)


def with_dates(parts: Sequence[WrittenTable], survey: WrittenSurvey) -> list[WrittenTable]:
    """Sheets of trees and cores, all with the same columns of dates: a core is of the day of its
    row, and a stand is surveyed on the last day of its cores. A sheet without a day beside others
    is a problem: it would get theirs.
    """
    dated = [any(any(cells_of(part, column)) for column in _DATES) for part in parts]
    stands = survey.tables.get("stands")
    of_stands = stands is not None and any(cells_of(stands, "survey_date"))
    for part, day in zip(parts, dated, strict=True):
        title = title_with_a_date(each for each in survey.titles if each.file == part.file)
        uncored = "core_date" in part.header and not any(
            any(cells_of(part, column)) for column in EVIDENCE
        )
        if day or not any(dated) or (title is None and (of_stands or uncored)):
            continue
        found = "no date" if title is None else f"'{title.text}', which gives no one day,"
        survey.problems.append(
            Problem(
                part.file,
                part.header_row if title is None else title.row,
                "survey_date",
                f"{found} beside sheets of the same kind that have a date",
                "the day of each sheet",
                "Write it in a column survey_date (YYYY-MM-DD), in each row of the sheet.",
            )
        )
    there = [column for column in _DATES if any(column in part.header for part in parts)]
    return [_with_both(part, survey) if len(there) == len(_DATES) else part for part in parts]


def _with_both(part: WrittenTable, survey: WrittenSurvey) -> WrittenTable:
    """A sheet with one of the two columns of dates, and the other by it."""
    own = [column for column in _DATES if column in part.header]
    if len(own) != 1:
        return part
    (other,) = set(_DATES) - set(own)
    at = part.header.index(own[0])
    survey.readings.append(
        Reading(
            part.file,
            part.header_row,
            other,
            "no such column",
            f"{own[0]} of its row",
            "several dates in the rows",
        )
    )
    cells = [[*row, row[at]] for row in part.cells]
    return replace(part, header=[*part.header, other], cells=cells)
