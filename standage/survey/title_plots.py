"""The area and the smallest diameter of plots where only a title, or the name of the file, gives
them: `1/5 acre plots, all stems 2 in DBH and up`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from standage.survey.readings import Reading
from standage.survey.written import Title, WrittenTable, with_column

IN_A_TITLE = "in a title, for want of a column"
_SIZE = (
    r"(?:\d+\s*/\s*\d+|\d*[.,]?\d+)[\s-]*"
    r"(?:ha|hectares?|ac|acres?|m2|m²|sq\.? ?m|sq\.? ?ft|ft2)\b"
)
_SIDES = r"\d+(?:\.\d+)?\s*(?:m|ft)?\s*[x×]\s*\d+(?:\.\d+)?\s*(?:m|ft)\b"
_OF_ONE = re.compile(
    rf"({_SIZE}|{_SIDES})(?:[\s-]+(?:fixed|circular|square|rectangular))*[\s-]+plots?\b"
    rf"|\bplots?(?: (?:area|size))?\s*[:=,]?\s*({_SIZE}|{_SIDES})"
    rf"|^(?:plot )?(?:area|size)\s*[:=]?\s*({_SIZE}|{_SIDES})"
    r"|\bradius\s*(?:of|[:=])?\s*(\d+(?:\.\d+)?\s*(?:m|ft)\b)",
    re.IGNORECASE,
)
_LENGTH = r"(\d+(?:\.\d+)?\s*(?:cm|in|inch|inches|\")(?!\w))"
_LEAST = re.compile(
    rf"\bmin(?:imum)?\.? (?:dbh|diam\w*)\s*[:=]?\s*{_LENGTH}"
    rf"|(?:>=|≥|\bat least|\bfrom)\s*{_LENGTH}"
    rf"|{_LENGTH}\s*(?:dbh|diam\w*)?\s*(?:\+|and|&|or)\s*(?:up|over|larger|more|above|bigger)",
    re.IGNORECASE,
)
"""How titles give them (common practice, no source)."""


def with_titles_of_plots(
    table: WrittenTable, titles: Sequence[Title], readings: list[Reading]
) -> WrittenTable:
    """A sheet of trees and cores with the area and the smallest diameter of its plots by its
    titles, or by its name, where they say either and no column does.
    """
    own = [title for title in titles if title.file == table.file]
    texts = [(title.text, title.row) for title in own] + [(table.file, None)]
    for column, pattern in (("plot_area_m2", _OF_ONE), ("plot_min_dbh_cm", _LEAST)):
        found = [
            (next(part for part in match.groups() if part), match[0], row)
            for text, row in texts
            for match in pattern.finditer(text)
        ]
        if column in table.header or len({_plainly(cell) for cell, _, _ in found}) != 1:
            continue
        cell, said, row = found[0]
        cell = re.sub(r"(?<=\d)-(?=[a-z])", " ", cell, flags=re.IGNORECASE)
        if "radius" in said.lower():
            cell = f"radius {cell}"
        readings.append(Reading(table.file, row, column, said, cell, IN_A_TITLE))
        table = with_column(table, column, cell)
    return table


def _plainly(cell: str) -> str:
    return re.sub(r"[\s-]+", "", cell.lower())
