"""Stands, plots and trees that a table of cores or counts names besides: held against the tables
that list them, for nothing else is computed from them.
"""

from __future__ import annotations

from dataclasses import replace

from standage.errors import Problem
from standage.survey.flat_table import FLAT
from standage.survey.readings import HEADING, Reading
from standage.survey.references import OUTSIDE, alike
from standage.survey.schema import table
from standage.survey.table_cells import NOT_RECORDED
from standage.survey.written import WrittenSurvey, WrittenTable

LISTS = {
    "cores": ("tree", (FLAT.name, "trees")),
    "counts": ("plot", ("plots", FLAT.name, "trees")),
}
"""Table, the name by which its rows are found, and the tables that may list that name."""
BLANK = {"", *NOT_RECORDED, *OUTSIDE}


def hold_to_lists(survey: WrittenSurvey) -> None:
    """Take such columns out of the tables, in place, each listed; a row that contradicts the list
    is a problem.
    """
    for name, (key, lists) in LISTS.items():
        written = survey.tables.get(name)
        if written is None or key not in written.header:
            continue
        own = {column.name for column in table(name).columns}
        for column in ("stand", "plot"):
            if column in own or column not in written.header or column in written.set_aside:
                continue
            known = next(
                (
                    found
                    for each in lists
                    if each in survey.tables
                    if (found := _groups(survey.tables[each], key, column))
                ),
                None,
            )
            if known is not None:
                survey.tables[name] = written = _held(survey, written, key, column, known)


def _groups(listed: WrittenTable, key: str, column: str) -> dict[str, str]:
    """The group of each name by a list, folded; none where one name has two."""
    if not {key, column} <= set(listed.header):
        return {}
    at, of = listed.header.index(key), listed.header.index(column)
    found: dict[str, str] = {}
    for row in listed.cells:
        if row[at].lower() in BLANK or row[of].lower() in BLANK:
            continue
        if alike(found.setdefault(alike(row[at]), row[of])) != alike(row[of]):
            return {}
    return found


def _held(
    survey: WrittenSurvey, written: WrittenTable, key: str, column: str, known: dict[str, str]
) -> WrittenTable:
    at, of = written.header.index(key), written.header.index(column)
    names = {alike(row[of]) for row in written.cells if row[of].lower() not in BLANK}
    if not names <= {alike(each) for each in known.values()}:
        return written  # a column of something else: noted as not used
    for row, line in zip(written.cells, written.rows, strict=True):
        other = known.get(alike(row[at]), row[of])
        if row[of].lower() not in BLANK and alike(other) != alike(row[of]):
            found = f"'{row[of]}' beside {key} '{row[at]}', which is listed in '{other}'"
            advice = f"Correct the {column} or the {key}."
            expected = f"the {column} of the {key}"
            survey.problems.append(Problem(written.file, line, column, found, expected, advice))
    own = written.headings.get(column, column)
    read = f"where the {column} is named"
    survey.readings.append(Reading(written.file, written.header_row, column, own, read, HEADING))
    left = [place for place in range(len(written.header)) if place != of]
    return replace(
        written,
        header=[written.header[place] for place in left],
        cells=[[row[place] for place in left] for row in written.cells],
    )
