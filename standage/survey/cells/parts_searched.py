"""Remarks on counts by which a part of the area alone was searched."""

from __future__ import annotations

import re

from standage.errors import Problem
from standage.survey.cells.areas import OF_ALL, texts_of_quadrats
from standage.survey.cells.headings import without_unit
from standage.survey.schema import COUNTS
from standage.survey.written import WrittenSurvey

_A_PART = re.compile(
    r"\b(?:only|just)\b.*\b(?:part|half|quarter|third|side|end|milacres?|quadrats?|quads|subplots?"
    r"|frames?|strips?|transects?)\b"
    r"|\b(?:half|part|\d|one|two|three) of (?:the |each |its )*(?:\d+ |two |three |four |five )?"
    r"(?:plot|milacre|quadrat|quad|subplot|frame|strip|transect|ring)s?\b",
    re.IGNORECASE,
)
"""Remarks by which not all of an area was searched (common practice, no source)."""


def ask_of_parts_searched(survey: WrittenSurvey) -> None:
    """A problem for each row of counts whose remark says that a part alone was searched, where the
    area is not plainly that of the row.
    """
    written = survey.tables.get(COUNTS.name)
    if written is None or "area_m2" not in written.header:
        return
    own = written.headings.get("area_m2", "area_m2")
    if set(without_unit(own)[0].split()) & OF_ALL:
        return
    at = written.header.index("area_m2")
    area = {line: row[at] for row, line in zip(written.cells, written.rows, strict=True)}
    parts = {
        line: text
        for text, line in texts_of_quadrats(survey, written)
        if line is not None and _A_PART.search(text)
    }
    for line, text in parts.items():
        found = f"'{text}' beside '{area[line]}', the area of a part or of the whole"
        advice = (
            "Give the counts a column 'total area (m2)' for their area, and write into it, in each"
            " row, that of the part on which plants were counted."
        )
        expected = "the area that was searched"
        survey.problems.append(Problem(written.file, line, "area_m2", found, expected, advice))
