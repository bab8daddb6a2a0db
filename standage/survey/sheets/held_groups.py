"""Stands, plots and species that a table of cores or counts names besides: held against the tables
that list them, for nothing else is computed from them.
"""

from __future__ import annotations

from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.headings import heading_of
from standage.survey.cells.references import OUTSIDE, alike
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.flat_table import FLAT
from standage.survey.readings import HEADING, Reading
from standage.survey.schema import TREES, table
from standage.survey.sheets.code_legends import codes_said
from standage.survey.synonyms import same_species
from standage.survey.written import WrittenSurvey, WrittenTable

LISTS = {
    "cores": ("tree", (FLAT.name, "trees")),
    "counts": ("plot", ("plots", FLAT.name, "trees")),
}
"""Table, the name by which its rows are found, and the tables that may list that name."""
BLANK = {"", *NOT_RECORDED, *OUTSIDE}
CM_OF_INCH = 2.54
REMEASURED = 0.1
"""By which two measurements of one diameter may differ (assumption)."""


def hold_to_lists(survey: WrittenSurvey) -> None:
    """Take such columns out of the tables, in place, each listed; a row that contradicts the list
    is a problem. Names that begin anew in each group were found by these columns.
    """
    anew = survey.short_names
    for name, (key, lists) in LISTS.items():
        written = survey.tables.get(name)
        if written is None or key not in written.header or key in anew:
            continue
        own = {column.name for column in table(name).columns}
        for column in ("stand", "plot"):
            if column in own or column not in written.header or column in written.set_aside:
                continue
            if column in anew:
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


def hold_stems(survey: WrittenSurvey) -> None:
    """Take columns of species and diameters out of the table of cores, in place; where one says
    something else than the list of trees, that looks wrong, for the core may be of another tree.
    """
    for column, what, differ in (
        ("species", "species", _other_species),
        ("dbh_cm", "diameter", _other_diameter),
    ):
        cores, trees = survey.tables.get("cores"), survey.tables.get("trees")
        if cores is None or trees is None or "tree" not in cores.header:
            return
        known = _groups(trees, "tree", column)
        headings = [
            heading
            for heading in cores.header
            if heading and heading not in cores.set_aside
            if (found := heading_of(TREES, heading)) and found.column == column
        ]
        if len(headings) != 1 or not known:
            continue
        at, of = cores.header.index("tree"), cores.header.index(headings[0])
        said = codes_said(survey) if column == "species" else {}
        for row, line in zip(cores.cells, cores.rows, strict=True):
            mine, theirs = row[of], known.get(alike(row[at]), "")
            ways = [mine, *(words for words, _ in said.get(mine.casefold(), ()))]
            if mine.lower() in BLANK or not theirs or not all(differ(way, theirs) for way in ways):
                continue
            difference = f"'{mine}' for a core of tree '{row[at]}', which is listed as '{theirs}'"
            advice = f"Correct the {what}, or the tree that the core is of."
            expected = f"the {what} of its tree"
            survey.doubts.append(Problem(cores.file, line, column, difference, expected, advice))
        read = f"the {what} of the tree, which is listed with it"
        survey.readings.append(
            Reading(cores.file, cores.header_row, column, headings[0], read, HEADING)
        )
        survey.tables["cores"] = _without(cores, of)


def _other_species(mine: str, theirs: str) -> bool:
    return not same_species(mine, theirs)


def _other_diameter(mine: str, theirs: str) -> bool:
    """Whether two diameters, in whichever units, are not one that was measured twice; what is no
    number is not compared.
    """
    try:
        ratio = float(mine) / float(theirs)
    except (ValueError, ZeroDivisionError):
        return False
    return all(abs(ratio * unit - 1) > REMEASURED for unit in (1.0, CM_OF_INCH, 1 / CM_OF_INCH))


def _without(written: WrittenTable, place: int) -> WrittenTable:
    """The table without a column."""
    left = [each for each in range(len(written.header)) if each != place]
    return replace(
        written,
        header=[written.header[each] for each in left],
        cells=[[row[each] for each in left] for row in written.cells],
    )


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
    return _without(written, of)
