"""Headings decided by their cells: those that crews use for either of two columns (`Inner ring`
over years or widths, `Cored at` over heights or dates), and unknown ones over the codes of a
column (`Vitality` over alive and dead).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from standage.errors import Problem
from standage.survey.cells.dates import dates_in
from standage.survey.cells.headings import heading_of, without_unit
from standage.survey.cells.letters_of_titles import ask_of_letters, in_words
from standage.survey.cells.ring_words import BREAST_HEIGHT_WORDS
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.flat_table import FLAT, table_of
from standage.survey.readings import Reading
from standage.survey.schema import CORES, TREES, Column
from standage.survey.synonyms import code_meaning, plain
from standage.survey.written import WrittenSurvey, WrittenTable

MOST_ODD = 0.2
"""Share of the cells of a column that may be something else: they are asked about one by one
(assumption)."""
CENTRE = CORES.column("centre")
_YEAR = re.compile(r"1[5-9]\d\d|20\d\d")
RINGS_TO_PITH, DISTANCE = "rings_to_pith", "pith_distance_mm"
OF_THE_PITH = {
    CENTRE.name: "word for the centre",
    RINGS_TO_PITH: "number of rings, or has its unit",
    DISTANCE: "length with its unit",
}
_RINGS = re.compile(r"(?:[~<>]|about|ca\.?)?\s*\d+\+?\s*(?:rings?|yrs?|years?)", re.IGNORECASE)
_LENGTH = re.compile(r"~?\s*\d+(?:\.\d+)?\s*(?:[mc]m|in|inch(?:es)?)\.?", re.IGNORECASE)
_BARE = re.compile(r"[~<>]?\s*\d+(?:\.\d+)?\+?")
_WAY_TO_PITH = re.compile(r"\b(?:to|off|from) (?:the )?pith\b")
OF_OTHER_WAYS = {"bark", "ht", "height", "length", "len", "age", "year", "date"}
_HEIGHT = re.compile(r"\d+(?:[.,]\d+)?\s*(?:cm|m|ft|feet|in|inches|['\"’”])?", re.IGNORECASE)


@dataclass(frozen=True)
class _Either:
    """A column that a heading is taken for, and the one that its cells may show it to be."""

    column: str
    other: str
    shape: str


EITHER = (
    _Either("inner_ring_mm", "first_ring_year", "year"),
    _Either("outer_ring", "last_ring_year", "year"),
    _Either("core_date", "height_cm", "height"),
)


DAYS_OF_CORES = {"bored", "cored", "day bored", "day cored", "when bored", "when cored"}
"""Headings over the days on which cores were taken (common practice, no source)."""
OF_TWO = {
    "dbh_cm": (r"(?i)d ?\d\d", r"(?i)d ?\d\d", "years"),
    "ring_count": (r"(?i)n rings", r"(?i)[esw] rings", "sides"),
}
"""Column, a heading taken for it, those beside which it is one of two, and of two what."""
BY_CODES = (("trees", TREES.column("status"), "live"), ("cores", CORES.column("dating"), ""))
"""Table, column of codes, and a code that has to be among the cells."""


def _decide_by_codes(survey: WrittenSurvey) -> None:
    """Give an unknown heading the name of the column of codes whose words all its cells are, in
    place, where nothing else is that column.
    """
    for table, column, among in BY_CODES:
        for name in (FLAT.name, table):
            written = survey.tables.get(name)
            if written is None or column.name in written.header:
                continue
            fitting = {}
            for heading in _unknown_headings(name, written):
                words = in_words(survey, heading, _filled(written, heading), table, column)
                if _are_codes([*words.values()], table, column, among):
                    fitting[heading] = words
                else:
                    ask_of_letters(survey, written, heading, words, column)
            if len(fitting) == 1:
                ((heading, words),) = fitting.items()
                at = written.header.index(heading)
                cells = [
                    [*row[:at], words.get(row[at], row[at]), *row[at + 1 :]]
                    for row in written.cells
                ]
                survey.tables[name] = _named(replace(written, cells=cells), heading, column.name)
                _tell(survey, written, heading, column.name, column.name)
                place = (written.file, written.header_row, column.name)
                survey.readings += [
                    Reading(*place, cell, said, "what a title says of the column")
                    for cell, said in words.items()
                    if cell != said
                ]


def _ask_of_two(survey: WrittenSurvey) -> None:
    """`D13` beside `D21`, of two years, and `N rings` beside `S rings`, of two sides: questions."""
    for name in (FLAT.name, "trees", "cores"):
        written = survey.tables.get(name)
        if written is None:
            continue
        unread = _unknown_headings(name, written)
        for column, (own, other, of) in OF_TWO.items():
            heading = written.headings.get(column, "")
            beside = [each for each in unread if re.fullmatch(other, plain(without_unit(each)[0]))]
            if beside and re.fullmatch(own, plain(without_unit(heading)[0])):
                found = f"'{heading}' beside '{beside[0]}', which may be of two {of}"
                advice = f"Head the one to be used {column}, the other with 'old' or 'other'."
                at, expected = (written.file, written.header_row), f"one column of {column}"
                survey.problems.append(Problem(*at, heading, found, expected, advice))


def _decide_days(survey: WrittenSurvey) -> None:
    """A column `Bored` or `Cored` whose cells are all days, in place: the day of each core. Over
    marks or heights it is something else."""
    for name in (FLAT.name, "cores"):
        written = survey.tables.get(name)
        if written is None or "core_date" in written.header:
            continue
        fitting = [
            heading
            for heading in _unknown_headings(name, written)
            if without_unit(heading)[0] in DAYS_OF_CORES
            if (cells := _filled(written, heading)) and all(map(dates_in, cells))
        ]
        if len(fitting) == 1:
            survey.tables[name] = _named(written, fitting[0], "core_date")
            _tell(survey, written, fitting[0], "core_date", "day")


def _decide_pith(survey: WrittenSurvey) -> None:
    """A heading that may ask for the rings to the pith, for the way to it or for the pith itself:
    by its cells it asks for one of them, in place, and is no question any more.
    """
    for name in (FLAT.name, "cores"):
        written = survey.tables.get(name)
        if written is None:
            continue
        known = {each.name for each in table_of(name).columns} | written.set_aside
        fitting = [
            (heading, column)
            for heading in written.header
            if heading and heading not in known and _may_be_of_the_pith(name, heading)
            if (column := _of_the_pith(_filled(written, heading))) not in ("", *written.header)
        ]
        if len(fitting) != 1:
            continue
        ((heading, column),) = fitting
        _tell(survey, written, heading, column, OF_THE_PITH[column])
        written = _named(written, heading, column)
        if column == RINGS_TO_PITH and DISTANCE not in written.header:
            at = written.header.index(column)
            ways = [row[at] if _LENGTH.fullmatch(row[at]) else "" for row in written.cells]
            cells = [
                [*row[:at], "" if way else row[at], *row[at + 1 :], way]
                for row, way in zip(written.cells, ways, strict=True)
            ]
            if any(ways):
                written = replace(written, header=[*written.header, DISTANCE], cells=cells)
        survey.tables[name] = written
        sheets = {part.file for part in (written.stack.parts if written.stack else (written,))}
        survey.problems[:] = [
            each
            for each in survey.problems
            if each.file not in sheets or each.column != heading or "may mean" not in each.found
        ]


def _read_on(survey: WrittenSurvey) -> None:
    """Numbers below a heading of cores that is asked about, as those of the first column that it
    may mean, in place: what is wrong with them comes up along with it.
    """
    for name in (FLAT.name, "cores"):
        written = survey.tables.get(name)
        for heading in (*written.header,) if written is not None else ():
            found = heading_of(table_of(name), heading) if heading else None
            if written is None or found is None or not found.means or heading in written.set_aside:
                continue
            cells = _filled(written, heading)
            numbers = sum(cell[:1].isdigit() for cell in cells)
            if (
                found.column in written.header
                or numbers < (1.0 - MOST_ODD) * len(cells)
                or not cells
            ):
                continue
            survey.tables[name] = written = _named(written, heading, found.column)


def _may_be_of_the_pith(name: str, heading: str) -> bool:
    """Whether a heading is asked about the pith, or names the way to it among words of its own."""
    found = heading_of(table_of(name), heading)
    if found is not None:
        return "(write pith" in found.means
    words = plain(heading)
    return bool(_WAY_TO_PITH.search(words)) and OF_OTHER_WAYS.isdisjoint(words.split())


def _of_the_pith(cells: list[str]) -> str:
    """The column that such cells belong into; "" where they don't say."""
    if _are_codes(cells, "cores", CENTRE, ""):
        return CENTRE.name
    if any(map(_RINGS.fullmatch, cells)):
        both = any(map(_LENGTH.fullmatch, cells)) and any(map(_BARE.fullmatch, cells))
        return "" if both else RINGS_TO_PITH
    return DISTANCE if cells and all(map(_LENGTH.fullmatch, cells)) else ""


def _unknown_headings(name: str, written: WrittenTable) -> list[str]:
    known = {each.name for each in table_of(name).columns} | written.set_aside
    return [
        heading
        for heading in written.header
        if heading and heading not in known and heading_of(table_of(name), heading) is None
    ]


def _are_codes(cells: list[str], table: str, column: Column, among: str) -> bool:
    meanings = {code_meaning(table, column, cell) for cell in set(cells)}
    if among and all(len(cell) == 1 for cell in cells) and not {*map(str.lower, cells)} <= {*"lad"}:
        return False  # other letters alone are of defects, too
    return bool(cells) and None not in meanings and (not among or among in meanings)


def decide_by_values(survey: WrittenSurvey) -> None:
    """Give such columns of cores the name that nearly all their cells fit, in place, where no other
    column has it.
    """
    _ask_of_two(survey)
    _decide_by_codes(survey)
    _decide_days(survey)
    _decide_pith(survey)
    for name in (FLAT.name, "cores"):
        for each in EITHER:
            written = survey.tables.get(name)
            if written is None or each.other in written.header:
                continue
            fitting = [
                heading
                for heading in _headings(name, written, each.column)
                if _fits(written, heading, each.shape)
            ]
            if len(fitting) == 1:
                survey.tables[name] = _renamed(written, fitting[0], each)
                _tell(survey, written, fitting[0], each.other, each.shape)
    _read_on(survey)


def _tell(
    survey: WrittenSurvey, written: WrittenTable, heading: str, column: str, shape: str
) -> None:
    """List the reading of a heading as a column whose cells have the shape."""
    own, why = written.headings.get(heading, heading), f"every cell is a {shape}"
    survey.readings.append(Reading(written.file, written.header_row, column, own, column, why))


def _headings(name: str, written: WrittenTable, column: str) -> list[str]:
    """The headings in the table that were taken for the column, or may be, and are not its own
    name.
    """
    known = {each.name for each in table_of(name).columns}
    found = [column] if column in written.headings else []
    for heading in written.header:
        meaning = heading_of(table_of(name), heading) if heading and heading not in known else None
        if meaning is not None and meaning.column == column and not meaning.means:
            found.append(heading)
    return found


def _filled(written: WrittenTable, heading: str) -> list[str]:
    """The cells below a heading that hold something."""
    place = written.header.index(heading)
    cells = [row[place] for row in written.cells]
    return [cell for cell in cells if cell.lower() not in {"", *BLANK_WORDS}]


def _fits(written: WrittenTable, heading: str, shape: str) -> bool:
    cells = _filled(written, heading)
    if shape == "year":
        return are_years(cells)
    heights = sum(map(_is_height, cells))
    return bool(cells) and heights >= (1.0 - MOST_ODD) * len(cells)


def by_its_cells(column: str, cells: Iterable[str]) -> str:
    """The column that a heading is likely to mean by its cells, where it sounds like another: years
    below `Inner ring JB`.
    """
    other = {each.column: each.other for each in EITHER if each.shape == "year"}.get(column)
    return other if other and are_years(cells) else column


def are_years(cells: Iterable[str]) -> bool:
    """Whether nearly all cells that hold something are years."""
    filled = [cell for cell in cells if cell.lower() not in {"", *BLANK_WORDS}]
    years = sum(_YEAR.fullmatch(cell) is not None for cell in filled)
    return bool(filled) and years >= (1.0 - MOST_ODD) * len(filled)


def _is_height(cell: str) -> bool:
    height = _HEIGHT.fullmatch(cell) or plain(cell) in BREAST_HEIGHT_WORDS
    return bool(height) and not dates_in(cell)


def _renamed(written: WrittenTable, heading: str, each: _Either) -> WrittenTable:
    units = {name: unit for name, unit in written.units.items() if name != heading}
    if each.shape == "height":
        units[each.other] = ""  # each cell has to say its own
    return replace(_named(written, heading, each.other), units=units)


def _named(written: WrittenTable, heading: str, column: str) -> WrittenTable:
    """The table with a heading called by the name of a column."""
    headings = {name: own for name, own in written.headings.items() if name != heading}
    return replace(
        written,
        header=[column if name == heading else name for name in written.header],
        headings=headings | {column: written.headings.get(heading, heading)},
    )
