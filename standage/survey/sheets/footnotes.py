"""Footnotes, `* dead`, and the cells with their mark, `12*`: read where they are one word for a
column of the list, else asked about.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.causes import rows_in_words
from standage.errors import Problem
from standage.survey.cells.references import alike
from standage.survey.flat_table import FLAT, code_in, table_of
from standage.survey.readings import Reading
from standage.survey.schema import CORES, COUNTS, TREES
from standage.survey.written import Title, WrittenSurvey, WrittenTable, with_column

MARKS = "*\u2020\u2021"
_FOOTNOTE = re.compile(rf"([{MARKS}]+)\s*(?:=\s*)?(\S.*[^\W\d_].*)")
_MARKED = re.compile(rf"(.*?)\s*([{MARKS}]+)")
NAMES = ("tree", "core")


def is_footnote(text: str) -> bool:
    """Whether a cell alone in its row is a footnote.

    >>> is_footnote("* dead"), is_footnote("*12")
    (True, False)
    """
    return _FOOTNOTE.fullmatch(text) is not None


def take_footnotes(survey: WrittenSurvey) -> None:
    """Take the marks of footnotes off the cells of lists of stems, cores and counts, in place. What
    a footnote says in one word goes into the column that has it; all else is asked about.
    """
    notes: dict[str, tuple[Title, str]] = {}
    for line in (*survey.titles, *survey.below):
        if found := _FOOTNOTE.fullmatch(line.text):
            notes.setdefault(found[1], (line, found[2].strip(" .")))
    for name in (FLAT.name, TREES.name, CORES.name, COUNTS.name) if notes else ():
        written = survey.tables.get(name)
        for mark in notes if written is not None else ():
            _take(survey, name, mark, *notes[mark])


def _take(survey: WrittenSurvey, name: str, mark: str, line: Title, words: str) -> None:
    written = survey.tables[name]
    skipped = [written.header.index("stage")] if "stage" in written.header else []
    marked = {
        (row, at): found[1]
        for row, record in enumerate(written.cells)
        for at, cell in enumerate(record)
        if at not in skipped and (found := _MARKED.fullmatch(cell)) and found[2] == mark
    }
    if not marked or _are_names_without(written, marked):
        return
    cells = [
        [marked.get((row, at), cell) for at, cell in enumerate(record)]
        for row, record in enumerate(written.cells)
    ]
    survey.tables[name] = written = replace(written, cells=cells)
    rows = list(dict.fromkeys(row for row, _ in marked))
    code = _code(written, name, words, rows)
    if code is not None:
        column, value = code
        if column not in written.header:
            written = with_column(written, column, "")
        place = written.header.index(column)
        for row in rows:
            written.cells[row][place] = value
            why = f"by the footnote '{mark} {words}'"
            shown = next(written.cells[row][at] for each, at in marked if each == row)
            survey.readings.append(
                Reading(written.file, written.rows[row], column, f"{shown}{mark}", value, why)
            )
        survey.tables[name] = written
        return
    own = {written.header[at] for _, at in marked}
    where = rows_in_words([written.rows[row] for row in rows])
    said = f"the mark '{mark}' of the footnote '{mark} {words}' (row {line.row}) in {where}"
    advice = "Write what it says into the column that it belongs to, in these rows; then delete it."
    survey.problems.append(
        Problem(
            written.file,
            written.rows[rows[0]],
            own.pop() if len(own) == 1 else None,
            said,
            "cells without a mark, and what a footnote says in a column",
            advice,
        )
    )


def _are_names_without(written: WrittenTable, marked: dict[tuple[int, int], str]) -> bool:
    """Whether a name without its mark is another's, so that the mark is part of it."""
    for at in {place for _, place in marked}:
        if written.header[at] in NAMES:
            own = {alike(bare) for (_, place), bare in marked.items() if place == at}
            others = [row[at] for each, row in enumerate(written.cells) if (each, at) not in marked]
            if own & {alike(cell) for cell in others}:
                return True
    return False


def _code(written: WrittenTable, name: str, words: str, rows: list[int]) -> tuple[str, str] | None:
    """The only column of the list of which a footnote is a word, and its code, where the marked
    rows say nothing else there.
    """
    table = table_of(name)
    found = [
        (column.name, code)
        for column in table.columns
        if column.codes and isinstance(code := code_in(name, column, words), str)
    ]
    if len(found) != 1:
        return None
    ((column, code),) = found
    if column in written.header:
        place = written.header.index(column)
        if any(written.cells[row][place] for row in rows):
            return None
    return column, code
