"""A sheet with trees and cores in the same rows, parted into the tables of a survey."""

from __future__ import annotations

import math
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.cells import missing_column, near_column
from standage.survey.cells.headings import has_two_meanings
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.references import alike
from standage.survey.cells.ring_words import no_core_in
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.flat_table import CORE_NOTE, EVIDENCE, FLAT, PLOT_COLUMNS
from standage.survey.readings import Reading
from standage.survey.schema import CORES, PLOTS, TREES
from standage.survey.sheets.core_marks import ask_of_mark, cored_heading
from standage.survey.sheets.flat_places import Part, Row, plots_of, settle_order_of_dates, stands_of
from standage.survey.sheets.left_unsaid import only_stand
from standage.survey.sheets.lettered_cores import ask_of_letters
from standage.survey.sheets.unread_places import ask_of_places
from standage.survey.synonyms import code_meaning, same_species
from standage.survey.written import WrittenSurvey, WrittenTable, with_column

BLANK = {"", *NOT_RECORDED}
OF_A_LOST_CORE = ("height_cm", "last_ring_year")
"""Columns that are filled where a core was taken."""
MOST_LOST = 0.5
"""Share of the stems without a core beyond which such a column was filled beforehand
(assumption)."""
A_CORE = "its rings, or what came of the core"
A_CORE_ADVICE = (
    "Write its rings, or in a column core_outcome what came of it (unreadable if it was lost);"
    " empty the cell if the stem was not cored."
)
OTHER_WORD = "another way to write what the tree's first row says"


def part_flat_sheet(survey: WrittenSurvey, stand_name: str) -> None:
    """Put the tables of trees, cores, and, where no other sheet has them, stands and plots, in
    place of a flat sheet. stand_name: of the only stand, where the sheet names none.
    """
    written = survey.tables.pop(FLAT.name, None)
    file = survey.files.pop(FLAT.name, None)
    if FLAT.name in survey.unreadable and TREES.name not in survey.tables:
        survey.unreadable |= {"stands", "trees", "cores"}
    if written is None or file is None:
        return
    _check_headings(survey, written)
    if "tree" not in written.header:
        written = _with_names_of_rows(survey, written)
    if asked := cored_heading(written):  # its marks are held against the rows, below
        written = replace(written, set_aside=written.set_aside | {asked})
    records = [dict(zip(written.header, cells, strict=True)) for cells in written.cells]
    written = _with_core_dates(survey, written, records)
    settle_order_of_dates(survey, written, records)
    if "stand" not in written.header:
        ask_of_places(survey, written, only_stand(survey))
        stand_name = only_stand(survey) or stand_name
        for record in records:
            record["stand"] = stand_name
        _listed(
            survey, written, "stand", "no such column", stand_name, "one stand, named by the file"
        )
        for name in {"plots", "known_age_stems"} & set(survey.tables):
            table = survey.tables[name]
            if "stand" not in table.header:
                survey.tables[name] = with_column(table, "stand", stand_name)
    stemless = survey.stemless.get(FLAT.name, set())
    stems = [
        (record, row)
        for record, row in zip(records, written.rows, strict=True)
        if row not in stemless
    ]
    trees, cores = _trees_and_cores(survey, written, stems)
    parts = [trees, cores]
    if "stands" not in survey.tables:
        parts.append(stands_of(survey, written, records))
    if "plots" not in survey.tables and any(record.get("plot") for record in records):
        plots = plots_of(survey, written, records)
        if plots is not None:
            parts.append(plots)
        else:
            survey.unreadable.add("plots")
            for record in trees.records:
                record["plot"] = ""
    for part in parts:
        survey.tables[part.table.name] = _written(part, written)
        survey.files[part.table.name] = file


def _with_names_of_rows(survey: WrittenSurvey, written: WrittenTable) -> WrittenTable:
    """The sheet; one for each row in place of names of stems that it lacks, which are asked for."""
    survey.problems.append(missing_column(TREES, written, TREES.column("tree")))
    cells = [[*each, f"row {row}"] for each, row in zip(written.cells, written.rows, strict=True)]
    return replace(written, header=[*written.header, "tree"], cells=cells)


def _with_core_dates(
    survey: WrittenSurvey, written: WrittenTable, records: list[Row]
) -> WrittenTable:
    """Where the survey date is another from row to row, it is the day of the row's core too."""
    there = "survey_date" in written.header and "core_date" not in written.header
    if not there or len({record["survey_date"] for record in records} - BLANK) < 2:
        return written
    for record in records:
        record["core_date"] = record["survey_date"]
    read = "survey_date of its row"
    _listed(survey, written, "core_date", "no such column", read, "several dates in the rows")
    return replace(written, header=[*written.header, "core_date"])


def _check_headings(survey: WrittenSurvey, written: WrittenTable) -> None:
    """Headings that are there twice, or are likely to be misspelt, as problems; so are cells below
    none.
    """
    known = [column.name for column in FLAT.columns]
    for place, name in enumerate(written.header):
        known_name = name in (*known, "") or has_two_meanings(FLAT, name)
        near = None if known_name else near_column(name, known, set(written.header))
        if name and name in written.header[:place]:
            found, expected = f"the name '{name}' twice in the header", "each column once"
            advice = "Delete or rename one of the two columns."
        elif not name and any(cells[place] for cells in written.cells):
            found = f"cells in column number {place + 1}, which has no name"
            expected, advice = "a name in the header", "Name the column, or empty it."
        elif near is not None:
            found, expected = f"the unknown column '{name}'", f"'{near}'"
            advice = f"Rename it to '{near}' (and mind the unit), or to something unlike it."
        else:
            continue
        survey.problems += [
            Problem(written.file, row, name or None, found, expected, advice)
            for row in written.heading_rows(name)
        ]


def _listed(
    survey: WrittenSurvey, written: WrittenTable, column: str, was: str, read: str, reason: str
) -> None:
    survey.readings.append(Reading(written.file, written.header_row, column, was, read, reason))


def _trees_and_cores(
    survey: WrittenSurvey, written: WrittenTable, stems: list[tuple[Row, int]]
) -> tuple[Part, Part]:
    """A row of trees for each tree, from its first row and what later ones add; a row of cores for
    each row that says anything of a core.
    """
    known = {column.name for column in FLAT.columns}
    tree_columns = [
        column.name
        for column in TREES.columns
        if column.name in {*written.header, "stand"} or column.name == "core_outcome"
    ]
    for record, _ in stems:
        record.setdefault("core_outcome", "")
    own = [name for name in written.header if name and name not in known]
    core_columns = [
        column.name
        for column in CORES.columns
        if column.name in written.header and column.name not in ("tree", "note")
    ]
    trees, cores = Part(TREES, [], []), Part(CORES, [], [])
    first: dict[str, tuple[Row, int]] = {}
    letters: dict[str, int] = {}
    own_names = "core" not in written.header
    asked = cored_heading(written)
    numbers, before = survey.numbers.get((FLAT.name, "tree"), set()), ""
    without: list[tuple[Row, int]] = []
    for record, row in stems:
        tree = record.get("tree", "")
        key = alike(tree)
        cored = _cored(survey, written, record, row, further=tree != "" and key in first)
        if asked is not None and not record.get("core_outcome"):
            ask_of_mark(survey, written, row, record[asked], cored=cored)
        if key in first and row in numbers and key != before:
            survey.problems.append(_number_again(written, row, tree, first[key][1]))
        before = key
        if tree and key in first and cored:
            record["tree"] = tree = first[key][0]["tree"]
            _agree(survey, written, tree_columns, record, row, *first[key])
        else:
            mine = {name: record[name] for name in (*tree_columns, *own)}
            trees.add(mine, row)
            first.setdefault(key, (mine, row))
        if not cored:
            if not record.get("core_outcome") and (asked is None or not record[asked]):
                without.append((record, row))
            continue
        core = {name: record[name] for name in core_columns} | {"tree": tree}
        if CORE_NOTE in written.header:
            core["note"] = record[CORE_NOTE]
        if own_names or not record.get("core"):
            letters[key] = letters.get(key, -1) + 1
            core["core"] = f"{tree}-{_letter(letters[key])}"
        cores.add(core, row)
    _ask_of_lost_cores(survey, written, without)
    ask_of_letters(survey, written, trees, cores)
    if own_names and cores.rows:
        named = f"{cores.records[0]['core']} and so on"
        _listed(survey, written, "core", "no such column", named, "cores named after their trees")
    return trees, cores


def _ask_of_lost_cores(
    survey: WrittenSurvey, written: WrittenTable, stems: list[tuple[Row, int]]
) -> None:
    """Stems with a core's height or last ring and nothing else of one, as doubts: a core that was
    lost, or not yet counted. Cells that nearly all rows have filled say nothing.
    """
    for name in OF_A_LOST_CORE:
        filled = [
            (record, row)
            for record, row in stems
            if record.get(name, "").lower() not in {*BLANK, "0"}
        ]
        if len(filled) > MOST_LOST * len(stems):
            continue
        heading = written.headings.get(name, name)
        for record, row in filled:
            found = f"'{record[name]}' under '{heading}', and no rings of a core of the stem"
            survey.doubts.append(Problem(written.file, row, name, found, A_CORE, A_CORE_ADVICE))
        stems = [each for each in stems if each not in filled]


def _cored(
    survey: WrittenSurvey, written: WrittenTable, record: Row, row: int, *, further: bool
) -> bool:
    """Whether a row says anything of a core. `no core` is no evidence of one, and is listed; so is
    `hollow` where nothing else is said of a core, as what came of coring the stem. further: whether
    the stem has a row already.
    """
    said = {name: record.get(name, "") for name in EVIDENCE}
    filled = [name for name, cell in said.items() if cell.lower() not in {"", *NOT_RECORDED}]
    for name in filled:
        alone = len(filled) == 1 and not further and not record.get("height_cm")
        gone = no_core_in(said[name], alone=alone)
        if gone is None:
            continue
        outcome = gone if gone and not record.get("core_outcome") else ""
        shown = f"core_outcome {outcome}" if outcome else ""
        survey.readings.append(
            Reading(written.file, row, name, said[name], shown, "no core of the stem")
        )
        said[name] = record[name] = ""
        if outcome:
            record["core_outcome"] = outcome
    return any(cell.lower() not in {"", *NOT_RECORDED} for cell in said.values())


def _number_again(written: WrittenTable, row: int, tree: str, first_row: int) -> Problem:
    """A number with decimals that comes back further down: 1.10 is the same number as 1.1."""
    return Problem(
        written.file,
        row,
        "tree",
        f"the number {tree} again (first in {written.row_in_words(first_row)}), which may be"
        f" '{tree}' or '{tree}0'",
        "the rows of a tree below each other, or names that are text",
        "Format the column as text and write the names anew: as a number 1.10 is 1.1.",
    )


def _letter(number: int) -> str:
    return chr(ord("a") + number) if number < 26 else str(number + 1)


def _agree(
    survey: WrittenSurvey,
    written: WrittenTable,
    columns: list[str],
    record: Row,
    row: int,
    tree: Row,
    first_row: int,
) -> None:
    """Hold what a further row says of a tree to its first, and take from it what was blank."""
    for name in columns:
        said, known = record[name], tree[name]
        if (
            not said
            or said == known
            or said.lower() in NOT_RECORDED
            or (name in ("tree", "stand", "plot") and alike(said) == alike(known))
        ):
            continue
        if not known or known.lower() in NOT_RECORDED:
            tree[name] = said
        elif _same(name, said, known, written.units):
            survey.readings.append(Reading(written.file, row, name, said, known, OTHER_WORD))
        elif name == "note":
            tree[name] = f"{known}; {said}"
        else:
            survey.problems.append(
                Problem(
                    written.file,
                    row,
                    name,
                    f"'{said}' for tree '{tree['tree']}', of which"
                    f" {written.row_in_words(first_row)} says '{known}'",
                    f"the same {name} in all rows of a tree",
                    "Correct one of the two, or the name of the tree.",
                )
            )


def _same(name: str, one: str, other: str, units: dict[str, str]) -> bool:
    """Whether two cells of a column of trees mean the same, written otherwise. units: of columns
    whose heading says another than the survey's.
    """
    column = TREES.column(name)
    if name == "species":
        return same_species(one, other)
    if column.kind == "code":
        meaning = code_meaning(TREES.name, column, one)
        return isinstance(meaning, str) and meaning == code_meaning(TREES.name, column, other)
    if not column.is_number:
        return False
    unit = units.get(name, "") or column.unit
    values = [read_quantity(cell, column, unit, "") for cell in (one, other)]
    first, second = (value.value if value and not value.two else None for value in values)
    return first is not None and second is not None and math.isclose(first, second, rel_tol=1e-6)


def _written(part: Part, flat: WrittenTable) -> WrittenTable:
    """The rows of a table as if they had been written in a sheet of their own. Columns that no
    table knows stay with the trees.
    """
    named = {name for record in part.records for name in record}
    header = [column.name for column in part.table.columns if column.name in named]
    known = {column.name for column in FLAT.columns}
    if part.table is TREES:
        header += [name for name in flat.header if name and name not in known]
    if not part.records:
        header = [column.name for column in part.table.columns]
    of = {own: name for name, own in PLOT_COLUMNS.items()} if part.table is PLOTS else {}
    back = {name: of.get(name, name) for name in header}
    return WrittenTable(
        flat.file,
        header,
        [[record.get(name, "") for name in header] for record in part.records],
        part.rows,
        flat.header_row,
        {name: flat.units[back[name]] for name in header if back[name] in flat.units},
        {name: flat.headings[back[name]] for name in header if back[name] in flat.headings},
        flat.set_aside,
        flat.stack,
    )
