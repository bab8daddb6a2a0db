"""The area and the smallest diameter of plots where only a title, or the name of the file, gives
them: `1/5 acre plots, all stems 2 in DBH and up`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from standage.survey.cells.areas import area_in, square_metres
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.references import alike
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.readings import Reading
from standage.survey.schema import PLOTS
from standage.survey.sheets.whole_lines import is_limited
from standage.survey.written import Title, WrittenTable, with_column

AREA = PLOTS.column("area_m2")
LARGEST_PLOT_M2 = 1e4
"""Larger areas in a title are those of a stand (assumption)."""
ROUNDING = 0.02
"""Two areas of one plot may differ by so much (assumption). [share]"""
IN_A_TITLE = "in a title, for want of a column"
_SIZE = (
    r"(?:\d+\s*/\s*\d+|\d*[.,]?\d+)[\s-]*"
    r"(?:ha|hectares?|ac|acres?|m2|m²|sq\.? ?m|sq\.? ?ft|ft2)\b"
)
_SIDES = r"\d+(?:\.\d+)?\s*(?:m|ft)?\s*[x×]\s*\d+(?:\.\d+)?\s*(?:m|ft)\b"
_OF_ONE = re.compile(
    rf"({_SIZE}|{_SIDES})(?:[\s-]+(?:fixed|circular|square|rectangular))*(?:\s+|-)plots?\b"
    rf"|({_SIZE}|{_SIDES})\s+each\b"
    r"|(\d+(?:[.,]\d+)?\s*(?:m|ft|feet)[\s-]+radius)\b"
    rf"|\bplot (?:area|size)\s*(?:of|[:=,])?\s*({_SIZE}|{_SIDES})"
    rf"|\bplots(?:,| are| were|)\s+({_SIZE}|{_SIDES})"
    rf"|(?<!\d )\bplot\s*[:=,]?\s*({_SIDES})"
    rf"|^(?:area|size)\s*[:=]?\s*({_SIZE}|{_SIDES})"
    r"|(?<!\w)(?:radius|rad|r)\b\.?\s*(?:of|[:=])?\s*(\d+(?:[.,]\d+)?\s*(?:m|ft|feet)\b)"
    r"|(?<!\w)(?:radius|rad|r)\b\.?\s*[:=]\s*(\d+(?:[.,]\d+)?)(?![.,]?\d|\s*(?:m|cm|ft|feet)\b|\s*['\"])",
    re.IGNORECASE,
)
_OF_A_SHEET = re.compile(r"^(?:area|size)\b", re.IGNORECASE)
_OF_ALL = re.compile(
    r"\b(?:total|altogether|combined|together|in all|sum|all plots)\b", re.IGNORECASE
)
_LENGTH = r"(\d+(?:\.\d+)?\s*(?:cm|in|inch|inches|\")(?!\w))"
_LEAST = re.compile(
    rf"\bmin(?:imum)?\.? (?:dbh|diam\w*)\s*[:=]?\s*{_LENGTH}"
    rf"|(?:>=|≥|\bat least|\bfrom)\s*{_LENGTH}"
    rf"|{_LENGTH}\s*(?:dbh|diam\w*)?\s*(?:\+|and|&|or)\s*(?:up|over|larger|more|above|bigger)",
    re.IGNORECASE,
)
_ABOVE = re.compile(
    rf"(?:all )?(?:live )?(?:trees|stems)\s*(?:>|over|above)\s*{_LENGTH}\s*(?:dbh|diam\w*)?",
    re.IGNORECASE,
)
_OF_STEMS = re.compile(r"\b(?:dbh|diam\w*|stems?|trees?|pines?)\b", re.IGNORECASE)
_OF_CORES = re.compile(
    r"\b(?:cor(?:e|es|ed|ing)|bored|(?<!breast )(?:height|ht)|ground)\b", re.IGNORECASE
)
_BARE_RADIUS = re.compile(r"radius [\d.,]+")
_OF_SEEDLINGS = re.compile(r"seedling|regen|subplot|quadrat|\bcounts?\b", re.IGNORECASE)
_OF_OTHER_THINGS = re.compile(
    r"\b(?:gaps?|crowns?|canop\w*|openings?|photos?|points?|maps?|mapped|saplings?|herbs?|shrubs?"
    r"|root|roads?|bridge|buffers?|exclosures?|fences?|wells?|traps?|factor|prism|around|nearest"
    r"|distance|corners?|fuels?|soils?|pits?|tape|borers?|zones?|edges?)\b",
    re.IGNORECASE,
)
_OF_PARTS = re.compile(
    r"\b(?:nested|inner|outer|subset|half|quarter|planned|small|large|birds?|vegetation|new|since"
    r"|cavity|within)\b",
    re.IGNORECASE,
)
_BESIDE_A_RADIUS = re.compile(
    r"(?:[\s\d:=(),.-]|\b(?:fixed|circular|round|area|plots?|each|all|of|with|a|the|in|is|are|was|were|radius|rad|r"
    r"|size|acres?|ac|ha|m2|ft|m)\b)*",
    re.IGNORECASE,
)
_OF_A_KIND = re.compile(
    r"\b(?:oaks?|hickor\w*|hardwoods?|longleaf|slash|loblolly|pond|shortleaf|cedars?|gums?|maples?"
    r"|tape|dead|snags?|stumps?|live|wolf|old|painted|mapped|tagged|overstory|midstory|understory|big|only"
    r"|in plot)\b",
    re.IGNORECASE,
)
_OF_ONE_PLOT = re.compile(
    r"\b[Pp](?:lot|LOT)\s*#?\s*(?:(?<!t)[A-QS-Z]\b|[A-Za-z]?\d+\b(?!\s*(?:[x\u00d7.,/]|m\b|ft\b|ha\b|ac)))"
)
"""How titles give them, and words in those of something else (common practice, no source)."""


def with_titles_of_plots(
    table: WrittenTable, titles: Sequence[Title], readings: list[Reading]
) -> WrittenTable:
    """A sheet of trees and cores with the area and the smallest diameter of its plots by its
    titles, or by its name, where they say either and no column does.
    """
    for reading in said_of_plots(table, titles):
        column = f"plot_{reading.column}"
        if column not in table.header:
            readings.append(replace(reading, column=column))
            table = with_column(table, column, reading.as_read)
            table = replace(table, units={**table.units, **unit_open([reading], column)})
    return table


def unit_open(readings: Sequence[Reading], column: str) -> dict[str, str]:
    """The unit of the areas in titles, where one is a radius without one: not said."""
    return {column: ""} if any(_BARE_RADIUS.fullmatch(each.as_read) for each in readings) else {}


def said_of_plots(table: WrittenTable, titles: Sequence[Title]) -> list[Reading]:
    """Area and smallest diameter, by the titles of a table or its name, each where all agree."""
    own = [title for title in titles if title.file == table.file]
    texts = [(title.text, title.row) for title in own] + [(table.file, None)]
    if "plot" in table.header:
        place = table.header.index("plot")
        plots = {alike(row[place]) for row in table.cells} - {"", *NOT_RECORDED}
        if len(plots) > 1:
            texts = [each for each in texts if plots <= _named_plots(each[0], plots)]
            texts = [
                each
                for each in texts
                if not _OF_A_SHEET.search(each[0]) and not _names_one_plot(each)
            ]
    readings = []
    for column in ("area_m2", "min_dbh_cm"):
        found = [
            (table.file, *each) for text, line in texts for each in _said_in(text, line, column)
        ]
        if not found:
            found = [
                (title.file, *each)
                for title in titles
                if title.of_notes
                and not _OF_A_SHEET.search(title.text)
                and not _names_one_plot((title.text, title.row))
                for each in _said_in(title.text, title.row, column)
            ]
        if not found or not _all_one([cell for _, cell, _, _ in found]):
            continue
        file, cell, said, row = found[0]
        cell = re.sub(r"(?<=\d)-(?=[a-z])", " ", cell, flags=re.IGNORECASE)
        cell = f"radius {cell}" if said.lower().startswith("r") else cell
        area = area_in(cell, "")
        cell = f"{area.square_metres:.10g}" if area and area.square_metres else cell
        readings.append(Reading(file, row, column, said, cell, IN_A_TITLE))
    return readings


def _named_plots(text: str, plots: set[str]) -> set[str]:
    """The plots that a line lists by their numbers; all where it lists none."""
    found = re.search(r"\bplots\s+(\d+(?:\s*(?:,|and|&)\s*\d+\b)+)(?![./])", text, re.IGNORECASE)
    return {alike(each) for each in re.findall(r"\d+", found[1])} if found else plots


def _names_one_plot(line: tuple[str, int | None]) -> bool:
    """Whether a line, not the name of a file, is about a plot by its name."""
    text, row = line
    return row is not None and _OF_ONE_PLOT.search(text) is not None


def _said_in(text: str, row: int | None, column: str) -> list[tuple[str, str, int | None]]:
    """Each value of the column in a title: the value, the words around it, and the row."""
    if _OF_SEEDLINGS.search(text) or _OF_PARTS.search(text) or is_limited(text):
        return []
    found = [
        (above[1], above[0], row)
        for clause in (_clauses(text, column) if column == "min_dbh_cm" else ())
        if (above := _ABOVE.fullmatch(clause.strip()))
    ]
    found += [
        (next(part for part in match.groups() if part), match[0], row)
        for clause in _clauses(text, column)
        for match in (_OF_ONE if column == "area_m2" else _LEAST).finditer(clause)
        if not _is_of_stands(match[0], clause) and not _is_of_others(match[0], clause, column)
    ]
    return [each for each in found if column != "area_m2" or not _is_of_a_stand(each[0])]


def _is_of_others(said: str, clause: str, column: str) -> bool:
    """Whether the part of a line that holds a value is, or may be, about something else."""
    if column == "min_dbh_cm":
        return _OF_A_KIND.search(clause) is not None
    before, _, behind = clause.partition(said)
    part = re.split(r";|\.\s", before)[-1] + said + re.split(r";|\.\s", behind)[0]
    if _OF_OTHER_THINGS.search(part):
        return True
    own = re.split(r"[;,]|\.\s", before)[-1]
    return re.search(r"\br", said, re.IGNORECASE) is not None and not _BESIDE_A_RADIUS.fullmatch(
        own
    )


def _all_one(cells: Sequence[str]) -> bool:
    """Whether all say the same: alike, or areas that are one in rounding (`1/5 acre` and `52.7 ft
    radius`).
    """
    if len({_plainly(cell) for cell in cells}) == 1:
        return True
    ways = ((square_metres(cell, ""), square_metres(f"radius {cell}", "")) for cell in cells)
    sizes = [size for one, other in ways if (size := one or other)]
    return len(sizes) == len(cells) and max(sizes) < (1 + ROUNDING) * min(sizes)


def _is_of_stands(said: str, clause: str) -> bool:
    """Whether a size of each is one of stands, or of nothing that the clause says."""
    return "each" in said.lower().split() and (
        not re.search(r"\bplots?\b", clause, re.IGNORECASE)
        or re.search(r"\b(stands?|blocks?|units?|tracts?)\b", clause, re.IGNORECASE) is not None
    )


def _is_of_a_stand(cell: str) -> bool:
    """Whether an area is larger than any plot that a title would describe."""
    quantity = read_quantity(cell.replace("-", " "), AREA, "m2", "")
    return quantity is not None and not quantity.two and quantity.value > LARGEST_PLOT_M2


def _clauses(text: str, column: str) -> list[str]:
    """Parts of a title that may give a column: of the area all but a total, of the smallest
    diameter those that are about stems, in a sentence without cores or heights.
    """
    if column == "area_m2":
        return [] if _OF_ALL.search(text) else [text]
    text = re.sub(r"(\d\s*(?:in|cm))\.", r"\1", text)
    sentences = [each for each in re.split(r";|\.\s", text) if not _OF_CORES.search(each)]
    parts = r",(?!\d)|\s[-\u2013]\s(?=all )"
    clauses = [clause for each in sentences for clause in re.split(parts, each, flags=re.I)]
    return [clause for clause in clauses if _OF_STEMS.search(clause)]


def _plainly(cell: str) -> str:
    return re.sub(r"[\s-]+", "", cell.lower())
