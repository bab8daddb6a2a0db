"""Plots with the word before their name in some rows and without it in others: `Plot 4` and `4`."""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.cells.references import alike
from standage.survey.readings import Reading
from standage.survey.written import WrittenSurvey, WrittenTable

_WORD = re.compile(r"plot\s*(?:no\.?|number|#|:)?\s*(\w+)", re.IGNORECASE)


def without_the_word(survey: WrittenSurvey) -> None:
    """Call a plot by its bare name, in place, where other rows of the survey do and the table of
    plots lists none with the word.
    """
    listed = {alike(cell) for cell in _plots(survey.tables.get("plots"))}
    cells = {cell for table in survey.tables.values() for cell in _plots(table)}
    bare = {alike(cell): cell for cell in cells if not _WORD.fullmatch(cell)}
    called = {
        cell: bare[alike(found[1])]
        for cell in cells
        if (found := _WORD.fullmatch(cell))
        and alike(found[1]) in bare
        and alike(cell) not in listed
    }
    for name, written in survey.tables.items():
        if called and "plot" in written.header:
            survey.tables[name] = _renamed(survey, written, called)


def _plots(written: WrittenTable | None) -> list[str]:
    if written is None or "plot" not in written.header:
        return []
    at = written.header.index("plot")
    return [row[at] for row in written.cells if row[at]]


def _renamed(survey: WrittenSurvey, written: WrittenTable, called: dict[str, str]) -> WrittenTable:
    at = written.header.index("plot")
    cells = []
    for row, line in zip(written.cells, written.rows, strict=True):
        read = called.get(row[at])
        if read is not None:
            why = "the plot as other rows call it"
            survey.readings.append(Reading(written.file, line, "plot", row[at], read, why))
            row = [*row[:at], read, *row[at + 1 :]]
        cells.append(row)
    return replace(written, cells=cells)
