"""What a line above the headings, or a line of notes, says of blank cells: `Species blank =
longleaf`, `blank = 0` over counts.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.cells.headings import heading_of
from standage.survey.cells.table_cells import NOT_COUNTED, NOT_RECORDED, heads_remarks
from standage.survey.flat_table import FLAT, table_of
from standage.survey.readings import Reading
from standage.survey.schema import CORES, COUNTS, TREES
from standage.survey.sheets.whole_lines import is_limited
from standage.survey.sheets.wide_counts import heads_a_stage
from standage.survey.synonyms import plain
from standage.survey.written import WrittenSurvey, WrittenTable

TABLES_WITH_LEGENDS = (FLAT.name, TREES.name, CORES.name, COUNTS.name)
MAY_BE_SAID = ("species", "centre", "status", "dating")
"""Columns whose blank cells a line may settle: words, never measurements."""
NEEDS = {"centre": ("ring_count", "first_ring_year"), "dating": ("ring_count", "first_ring_year")}
"""Columns of which one must be filled for a row to hold a core."""
NONE = {"0", "none", "zero", "nil", "none found"}
_BLANK = re.compile(
    r"(?:^|[;,.(\[]\s*)(?:(?P<before>[^;,.=()]{1,30}?)\s+)?blanks?(?:\s+(?P<after>[^;,.=()]{1,30}?))?"
    r"\s*(?:=|means?|is|are)\s*(?P<value>[^;,.)\]]{1,30})",
    re.IGNORECASE,
)
_MARK = re.compile(
    r"(-|--|\u2013|blanks?(?: cells?)?)\s*(?:=|means?)\s*([a-z0/]+(?: [a-z]+){0,2})", re.I
)
_A_MARK = re.compile(
    r"(?:[^\W\d_]|[^\w\s]{1,2}|0|blanks?(?: cells?)?)\s*(?:=|means?)", re.IGNORECASE
)
_NOT_DONE = re.compile(
    r"(?:(?:sub)?plot |quadrat )?not (?:(?:done|searched)(?:, (.+))?|counted|tallied)\.?",
    re.IGNORECASE,
)
_OF_COUNTS = re.compile(
    r"\b(?:regen\w*|repro\w*|seedl\w*|saplings?|germinants?|grass stage|counts?|counted"
    r"|tall(?:y|ied)|plants?|stages?)\b",
    re.IGNORECASE,
)
_NOT_OF_SURVEY = re.compile(
    r"\b(?:herbs?|shrubs?|grass cover|cover|fuels?|litter)\b", re.IGNORECASE
)


def fill_by_legends(survey: WrittenSurvey) -> None:
    """Fill blank cells as such lines say, in place; each line is listed."""
    for name in TABLES_WITH_LEGENDS:
        written = survey.tables.get(name)
        if written is None:
            continue
        if name == COUNTS.name:
            written = survey.tables[name] = _with_rows_not_done(survey, written)
        files = {part.file for part in written.stack.parts} if written.stack else {written.file}
        texts = [
            (title.file, title.row, title.text)
            for title in survey.titles
            if title.file in files or (title.of_notes and not _NOT_OF_SURVEY.search(title.text))
        ]
        texts += [(written.file, written.header_row, own) for own in written.headings.values()]
        if name == COUNTS.name:
            below = [
                (line.file, line.row, line.text) for line in survey.below if line.file in files
            ]
            for file, row, text in (*texts, *below):
                _take_marks(survey, text, (file, row))
        for file, row, text in texts:
            for said in () if is_limited(text) else _BLANK.finditer(text):
                survey.tables[name] = _filled(survey, survey.tables[name], name, said, (file, row))


def _is_not_done(remark: str) -> bool:
    """Whether a remark says that nobody looked, and nothing else but why."""
    found = _NOT_DONE.fullmatch(remark)
    why = (found[1] or "") if found else ""
    return found is not None and not _OF_COUNTS.search(why) and not is_limited(why)


def _with_rows_not_done(survey: WrittenSurvey, written: WrittenTable) -> WrittenTable:
    """Counts with a word in the blank cells of rows whose remark says that nobody looked, and
    perhaps why (`not done, wasps`).
    """
    stages = [place for place, own in enumerate(written.header) if heads_a_stage(own)]
    remarks = [place for place, own in enumerate(written.header) if heads_remarks(own)]
    cells = []
    for row, line in zip(written.cells, written.rows, strict=True):
        said = next((row[at] for at in remarks if _is_not_done(row[at])), "")
        if said and stages and not any(row[at] for at in stages):
            row = ["not done" if at in stages else cell for at, cell in enumerate(row)]
            why = "by the remark, in blank cells"
            survey.readings.append(Reading(written.file, line, "count", said, "not done", why))
        cells.append(row)
    return replace(written, cells=cells)


def _take_marks(survey: WrittenSurvey, text: str, at: tuple[str, int]) -> None:
    """What a line says of a dash, or of blank cells, below the headings of stages, in place."""
    sentences = [each.strip() for each in re.split(r";|\.(?:\s|$)", text)]
    if not _A_MARK.match(sentences[0]):
        return  # of something else
    for clause in sentences:
        parts = [part.strip() for part in clause.split(",")]
        if any(is_limited(part) and not _MARK.fullmatch(part) for part in parts):
            continue
        for part in parts:
            _take_mark(survey, part, at)


def _take_mark(survey: WrittenSurvey, clause: str, at: tuple[str, int]) -> None:
    said = _MARK.fullmatch(clause)
    if said is None:
        return
    mark = "" if said[1].lower().startswith("blank") else said[1]
    value = "0" if said[2].lower() in NONE else said[2]
    if value != "0" and plain(value) not in NOT_COUNTED and value.lower() not in NOT_RECORDED:
        return
    written = survey.tables[COUNTS.name]
    places = [
        place for place, own in enumerate(written.header) if own == "count" or heads_a_stage(own)
    ]
    number = sum(row[place] == mark for row in written.cells for place in places)
    cells = [
        [value if at in places and cell == mark else cell for at, cell in enumerate(row)]
        for row in written.cells
    ]
    if number:
        why = f"{number} cells, by a line on them"
        survey.readings.append(Reading(*at, "count", clause, value, why))
        survey.tables[COUNTS.name] = replace(written, cells=cells)


def _is_on_counts(before: str) -> bool:
    """Whether what a line says before it comes to blank cells is nothing, a mark, or on counts."""
    clauses = [each.strip() for each in re.split(r"[;,.]", before) if each.strip()]
    return all(_A_MARK.match(each) or _OF_COUNTS.search(each) for each in clauses)


def _filled(
    survey: WrittenSurvey,
    written: WrittenTable,
    name: str,
    said: re.Match[str],
    at: tuple[str, int],
) -> WrittenTable:
    """The table with the blank cells of the column that a line names, or of all stages."""
    value = said["value"].strip()
    named = (said["before"] or said["after"] or "").strip()
    heading = heading_of(table_of(name), named) if named else None
    places: list[int] = []
    if heading is not None and heading.column in MAY_BE_SAID and heading.column in written.header:
        places = [written.header.index(heading.column)]
    elif (
        name == COUNTS.name
        and (value.lower() in NONE or plain(value) in NOT_COUNTED or value.lower() in NOT_RECORDED)
        and named.lower() in ("", "cells", "cell")
        and _is_on_counts(said.string[: said.start()])
    ):
        value = "0" if value.lower() in NONE else value
        places = [place for place, own in enumerate(written.header) if heads_a_stage(own)]
        places += [written.header.index("count")] if "count" in written.header else []
    needs = NEEDS.get(heading.column, ()) if heading is not None else ()
    needed = [written.header.index(each) for each in needs if each in written.header]
    cells, number = [], 0
    parts = {part.file for part in written.stack.parts} if written.stack else set()
    for row, line in zip(written.cells, written.rows, strict=True):
        elsewhere = (
            at[0] in parts and written.stack and written.stack.place_of(line)[0].file != at[0]
        )
        if not elsewhere and (not needed or any(row[place] for place in needed)):
            number += sum(not row[place] for place in places)
            row = [
                value if place in places and not cell else cell for place, cell in enumerate(row)
            ]
        cells.append(row)
    if not number:
        return written
    column = written.header[places[0]] if len(places) == 1 else "count"
    why = f"{number} blank cells, by a line on them"
    survey.readings.append(Reading(*at, column, said[0].strip(" ;,.(["), value, why))
    return replace(written, cells=cells)
