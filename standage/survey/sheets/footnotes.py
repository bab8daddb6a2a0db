"""Footnotes, `* dead`, and the cells with their mark, `12*`: asked about."""

from __future__ import annotations

import re
from dataclasses import replace

from standage.causes import rows_in_words
from standage.errors import Problem
from standage.survey.cells.references import alike
from standage.survey.flat_table import FLAT
from standage.survey.schema import CORES, COUNTS, TREES
from standage.survey.written import Title, WrittenSurvey, WrittenTable

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
    """Take the marks of footnotes off the cells of lists of stems, cores and counts, in place; what
    each says is asked about.
    """
    notes: dict[str, list[tuple[Title, str]]] = {}
    for line in (*survey.titles, *survey.below):
        if found := _FOOTNOTE.fullmatch(line.text):
            notes.setdefault(found[1], []).append((line, found[2].strip(" .")))
    for name in (FLAT.name, TREES.name, CORES.name, COUNTS.name) if notes else ():
        for mark in notes if name in survey.tables else ():
            _take(survey, name, mark, notes[mark])


def _take(survey: WrittenSurvey, name: str, mark: str, notes: list[tuple[Title, str]]) -> None:
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
    survey.tables[name] = replace(written, cells=cells)
    rows_of: dict[str, list[int]] = {}
    for row in dict.fromkeys(row for row, _ in marked):
        rows_of.setdefault(written.file_of(written.rows[row]), []).append(row)
    for file, rows in rows_of.items():
        own = [each for each in notes if each[0].file == file]
        columns = {written.header[at] for row, at in marked if row in rows}
        survey.problems.append(_question(written, mark, (own or notes)[0], rows, columns))


def _question(
    written: WrittenTable, mark: str, note: tuple[Title, str], rows: list[int], columns: set[str]
) -> Problem:
    line, words = note
    lines = [written.rows[row] for row in rows]
    place = f"row {line.row}" if line.file == written.file else f"{line.file}, row {line.row}"
    said = f"the mark '{mark}' of the footnote '{mark} {words}' ({place})"
    return Problem(
        written.file,
        lines[0],
        columns.pop() if len(columns) == 1 else None,
        f"{said} in {rows_in_words(lines)}",
        "cells without a mark, and what a footnote says in a column",
        "Write what it says into the column that it belongs to, in these rows; then delete it.",
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
