"""What a survey of several sheets leaves unsaid because there is only one way: its only stand, the
stands that only trees name, and the names of cores.
"""

from __future__ import annotations

from dataclasses import replace

from standage.survey.dates import order_of
from standage.survey.flat_places import last_date
from standage.survey.readings import Reading
from standage.survey.references import alike
from standage.survey.table_cells import NOT_RECORDED
from standage.survey.title_dates import date_by_title, fill_dates_of_stands
from standage.survey.written import WrittenSurvey, WrittenTable, with_column

BLANK = {"", *NOT_RECORDED}


def say_what_is_plain(survey: WrittenSurvey, name: str) -> None:
    """Add it in place, each listed as a reading. name: of the survey, and of its only stand."""
    _name_cores(survey)
    fill_dates_of_stands(survey)
    if "stands" in survey.tables or "stands" in survey.unreadable or "trees" not in survey.tables:
        return
    if "stand" not in survey.tables["trees"].header:
        for each in ("trees", "plots", "known_age_stems"):
            if each in survey.tables and "stand" not in survey.tables[each].header:
                _add_column(survey, each, "stand", name, "one stand, named by the survey")
    _list_stands(survey)


def _add_column(survey: WrittenSurvey, name: str, column: str, cell: str, reason: str) -> None:
    written = survey.tables[name]
    survey.tables[name] = with_column(written, column, cell)
    was = "no such column"
    survey.readings.append(Reading(written.file, written.header_row, column, was, cell, reason))


def _name_cores(survey: WrittenSurvey) -> None:
    """Cores without names are called after their trees: `TREE-a`, `TREE-b`."""
    written = survey.tables.get("cores")
    if written is None or "core" in written.header or "tree" not in written.header:
        return
    place = written.header.index("tree")
    taken: dict[str, int] = {}
    cells = []
    for record in written.cells:
        number = taken[alike(record[place])] = taken.get(alike(record[place]), 0) + 1
        letter = chr(ord("a") + number - 1) if number <= 26 else f"{number}"
        cells.append([*record, f"{record[place]}-{letter}" if record[place] else ""])
    survey.tables["cores"] = replace(written, header=[*written.header, "core"], cells=cells)
    if cells:
        named = f"{cells[0][-1]} and so on"
        was, why = "no such column", "cores named after their trees"
        survey.readings.append(Reading(written.file, written.header_row, "core", was, named, why))


def _list_stands(survey: WrittenSurvey) -> None:
    """A table of the stands that trees name, surveyed on the last day on which a core was taken;
    none where a stand has no such day.
    """
    trees, cores = survey.tables["trees"], survey.tables.get("cores")
    if cores is None or not {"tree", "core_date"} <= set(cores.header):
        _list_by_title(survey)
        return
    stand_of: dict[str, str] = {}
    names: dict[str, str] = {}
    if "tree" not in trees.header:
        return
    tree, stand = trees.header.index("tree"), trees.header.index("stand")
    for record in trees.cells:
        if record[stand].lower() not in BLANK:
            names.setdefault(alike(record[stand]), record[stand])
            stand_of[alike(record[tree])] = alike(record[stand])
    dates: dict[str, dict[str, int]] = {}
    of, day = cores.header.index("tree"), cores.header.index("core_date")
    for record, row in zip(cores.cells, cores.rows, strict=True):
        key = stand_of.get(alike(record[of]))
        if key is not None and record[day].lower() not in BLANK:
            dates.setdefault(key, {}).setdefault(record[day], row)
    if not names or set(names) != set(dates):
        return
    order = order_of(cell for each in dates.values() for cell in each)
    rows, cells = [], []
    for key, name in names.items():
        last, row = last_date(dates[key], order)
        cells.append([name, last])
        rows.append(row)
        was, why = f"dates of the cores of {name}", "survey date of a stand: the last of its cores"
        survey.readings.append(Reading(cores.file, row, "survey_date", was, last, why))
    survey.tables["stands"] = WrittenTable(cores.file, ["stand", "survey_date"], cells, rows)
    survey.files["stands"] = cores.file


def _list_by_title(survey: WrittenSurvey) -> None:
    """The stands that trees name, surveyed on the one day that a title gives; none without."""
    trees = survey.tables["trees"]
    at = trees.header.index("stand")
    names: dict[str, tuple[str, int]] = {}
    for record, row in zip(trees.cells, trees.rows, strict=True):
        if record[at].lower() not in BLANK:
            names.setdefault(alike(record[at]), (record[at], row))
    day = date_by_title(survey) if names else ""
    if day:
        survey.tables["stands"] = WrittenTable(
            trees.file,
            ["stand", "survey_date"],
            [[name, day] for name, _ in names.values()],
            [row for _, row in names.values()],
        )
        survey.files["stands"] = trees.file
