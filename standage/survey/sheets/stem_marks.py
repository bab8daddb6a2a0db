"""Columns of `Alive` or `Dead` with a mark in some cells and none in the others."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from standage.errors import Problem
from standage.grammar import counted
from standage.profiles import profile_keys
from standage.survey.cells.headings import without_unit
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.flat_table import FLAT, table_of
from standage.survey.readings import Reading
from standage.survey.schema import TREES
from standage.survey.synonyms import (
    code_meaning,
    is_no_pine,
    plain,
    species_meaning,
    yes_or_no,
)
from standage.survey.written import WrittenSurvey, WrittenTable, with_column

ALIVE = {"alive", "live", "living", "is alive"}
DEAD = {"dead", "is dead", "dead standing", "standing dead", "snag", "snags"}
SNAGS, LIVING, STUMPS = {"snag", "snags"}, {"live", "alive", "living", "l"}, {"stump", "stumps"}
SOUND = {"ok", "okay", "good", "fine", "healthy", "fair", "poor", "sound", "sick", "weak"}
"""Headings over marks, words in those over letters, and words for how a stem does that don't say
that it lives (common practice, no source)."""
STATUS = TREES.column("status")
_OF_SPECIES = re.compile(
    r"(.+?)[ ,(-]+((?:standing )?dead|snag|(?:cut )?stump)\)?|(dead|snag|stump)[ ,:]+(?:of )?(.+)",
    re.IGNORECASE,
)
_HALF = re.compile(r"\b(?:half|not|nearly|dying|top)\b", re.IGNORECASE)
LETTERS = 2
"""Of a code that may be of a crown as well as of a dead stem."""


def take_marks_of_stems(survey: WrittenSurvey) -> None:
    """Read marks below `Dead` as the status of stems, in place. Blank cells beside marks below
    `Alive` may mean dead or not looked at: a problem.
    """
    for name in (FLAT.name, TREES.name):
        written = survey.tables.get(name)
        if written is None:
            continue
        written = _take_snags(survey, name)
        written = _take_status_of_species(survey, name)
        _ask_of_crowns(survey, written)
        _ask_of_words_for_dead(survey, written, name)
        for at, heading in enumerate(written.header):
            words = without_unit(written.headings.get(heading, heading))[0]
            cells = [row[at] for row in written.cells]
            filled = {cell for cell in cells if cell.lower() not in {"", *BLANK_WORDS}}
            marks = {cell: yes_or_no(cell) for cell in filled}
            if heading in written.set_aside or not filled:
                continue
            if None in marks.values():
                if words in DEAD and "status" not in written.header:
                    survey.problems.append(_other_marks(written, at, heading, marks))
                continue
            blank = len(cells) - sum(cell in filled for cell in cells)
            if words in ALIVE and heading == "status" and set(marks.values()) == {"yes"}:
                if blank:
                    survey.problems.append(_dead_or_not_looked(written, heading, cells, blank))
            elif words in DEAD and "status" not in written.header:
                survey.tables[name] = _as_status(survey, written, at, marks)
                break


def _take_snags(survey: WrittenSurvey, name: str) -> WrittenTable:
    """`S` below `Live/Snag` as a dead stem, in place; blank cells beside snags alone are asked
    about.
    """
    written = survey.tables[name]
    for at, heading in enumerate(written.header):
        own = written.headings.get(heading, heading)
        words = set(re.findall("[a-z]+", own.lower()))
        status = heading == "status" or "status" not in written.header
        if heading in written.set_aside or not status or not (words & SNAGS and words & LIVING):
            continue
        cells = [row[at] for row in written.cells]
        filled = [cell for cell in cells if cell.lower() not in {"", *BLANK_WORDS}]
        snags = [cell for cell in filled if plain(cell) == "s"]
        if not filled or any(code_meaning(TREES.name, STATUS, cell) is None for cell in filled):
            continue
        if words & STUMPS and any(plain(cell) == "s" for cell in filled):
            survey.problems.append(_snag_or_stump(written, cells, own))
            continue
        why = f"a snag, below '{own}'"
        survey.readings += [
            Reading(written.file, line, "status", cell, "dead", why)
            for line, cell in zip(written.rows, cells, strict=True)
            if cell in snags
        ]
        dead = all(cell in snags or _is_dead(cell) for cell in filled)
        if dead and len(filled) < len(cells):
            blank = len(cells) - len(filled)
            survey.problems.append(_dead_or_not_looked(written, heading, cells, blank))
        rows = [
            [*row[:at], "dead" if row[at] in snags else row[at], *row[at + 1 :]]
            for row in written.cells
        ]
        survey.tables[name] = replace(
            written,
            header=[*written.header[:at], "status", *written.header[at + 1 :]],
            cells=rows,
            headings={**written.headings, "status": own},
        )
        break
    return survey.tables[name]


def _take_status_of_species(survey: WrittenSurvey, name: str) -> WrittenTable:
    """`longleaf stump` as a species and a status, in place; a status that says otherwise is asked
    about.
    """
    written = survey.tables[name]
    if "species" not in written.header:
        return written
    words = [row[written.header.index("species")] for row in written.cells]
    found = {word: _species_and_status(word) for word in set(words)}
    if not any(found.values()):
        return written
    if "status" not in written.header:
        written = with_column(written, "status", "")
    at, of = written.header.index("species"), written.header.index("status")
    cells = []
    for row, line, word in zip(written.cells, written.rows, words, strict=True):
        if (said := found[word]) is not None:
            status = code_meaning(TREES.name, STATUS, said[2] or said[3])
            read, why = f"{said[1] or said[4]}, {status}", "a status beside the species"
            survey.readings.append(Reading(written.file, line, "species", row[at], read, why))
            if row[of] and code_meaning(TREES.name, STATUS, row[of]) != status:
                beside = f"'{row[of]}' beside the species '{row[at]}'"
                advice = "Write the species alone, and what the stem is into status."
                expected = "one status of the stem"
                problem = Problem(written.file, line, "status", beside, expected, advice)
                survey.problems.append(problem)
            row = [*row]
            row[at], row[of] = said[1] or said[4], row[of] or str(status)
        cells.append(row)
    survey.tables[name] = written = replace(written, cells=cells)
    return written


def _species_and_status(cell: str) -> re.Match[str] | None:
    """The parts of a cell, if what stands beside the status is the name of a species."""
    found = _OF_SPECIES.fullmatch(cell)
    if found is None or _HALF.search(cell):
        return None
    species = found[1] or found[4]
    is_one = species_meaning(species, profile_keys()) is not None or is_no_pine(species)
    return found if is_one else None


def _ask_of_words_for_dead(survey: WrittenSurvey, written: WrittenTable, name: str) -> None:
    """A question on a column under a heading of its own whose cells are words for stems that live
    or not, where no column says it.
    """
    known = {column.name for column in table_of(name).columns}
    for at, heading in enumerate(written.header):
        if "status" in written.header or not heading or heading in known | written.set_aside:
            continue
        cells = {row[at] for row in written.cells if row[at].lower() not in {"", *BLANK_WORDS}}
        letters = 1 if any(cell.lower() in LIVING for cell in cells) else LETTERS
        dead = {cell for cell in cells if len(cell) >= letters and _is_dead(cell)}
        other = {cell for cell in cells if code_meaning(TREES.name, STATUS, cell) is None}
        if dead and all(plain(cell) in SOUND for cell in other):
            found = f"'{min(dead)}' below '{heading}', by which a stem may be dead"
            advice = "Head the column Status; or write live, dead or stump into such a column."
            if other:
                advice = (
                    f"Head the column Status, and write live for '{min(other)}' if such a stem"
                    " lives."
                )
            expected = "which stems live in a column status"
            survey.problems.append(
                Problem(written.file, written.header_row, heading, found, expected, advice)
            )


def _snag_or_stump(written: WrittenTable, cells: list[str], own: str) -> Problem:
    """The first `S` below a heading that names snags and stumps."""
    rows = zip(written.rows, cells, strict=True)
    row = next(row for row, cell in rows if plain(cell) == "s")
    found = f"'S' below '{own}', a snag or a stump"
    advice = "Write dead for snags and stump for stumps, in every row."
    return Problem(written.file, row, "status", found, "live, dead or stump", advice)


def _is_dead(cell: str) -> bool:
    meaning = code_meaning(TREES.name, STATUS, cell)
    return meaning is not None and meaning != "live" and "live" not in meaning


def _ask_of_crowns(survey: WrittenSurvey, written: WrittenTable) -> None:
    """A word for a dead stem below its crown class where no column says which live, as problems."""
    if "crown_class" not in written.header or "status" in written.header:
        return
    at = written.header.index("crown_class")
    for row, line in zip(written.cells, written.rows, strict=True):
        if len(row[at]) > LETTERS and _is_dead(row[at]):
            found, expected = f"'{row[at]}' as a crown class", "whether the stem lives in status"
            advice = "Add a column status with live, dead or stump in every row."
            problem = Problem(written.file, line, "crown_class", found, expected, advice)
            survey.problems.append(problem)


def _dead_or_not_looked(
    written: WrittenTable, heading: str, cells: list[str], blank: int
) -> Problem:
    blanks = {"", *BLANK_WORDS}
    rows = zip(written.rows, cells, strict=True)
    first = next(row for row, cell in rows if cell.lower() in blanks)
    own = written.headings.get(heading, heading)
    left = counted(blank, "blank cell")
    found = f"'{own}' with a mark in some rows and {left}, dead or not looked at"
    advice = "Write live, or dead where the stem doesn't live, into every row."
    return Problem(written.file, first, "status", found, "live or dead in every row", advice)


def _other_marks(
    written: WrittenTable, at: int, heading: str, marks: Mapping[str, object]
) -> Problem:
    """The first cell below `Dead` that is neither a mark nor a yes or no."""
    row, cell = next(
        (row, cells[at])
        for row, cells in zip(written.rows, written.cells, strict=True)
        if cells[at] in marks and marks[cells[at]] is None
    )
    found = f"'{cell}' below '{heading}', by which its stems may be dead"
    advice = "Write live or dead into a column status, in every row."
    return Problem(written.file, row, "status", found, "x, yes or no", advice)


def _as_status(
    survey: WrittenSurvey, written: WrittenTable, at: int, marks: Mapping[str, object]
) -> WrittenTable:
    """The table with its column of dead stems as that of status; a blank cell is a live stem."""
    own = written.header[at]
    survey.readings.append(
        Reading(written.file, written.header_row, "status", own, "status", "each cell is a mark")
    )
    rows = []
    for row, line in zip(written.cells, written.rows, strict=True):
        dead = marks.get(row[at])
        status = {"yes": "dead", "no": "live"}.get(str(dead), "")
        if status:
            survey.readings.append(
                Reading(written.file, line, "status", row[at], status, f"mark below '{own}'")
            )
        rows.append([*row[:at], status, *row[at + 1 :]])
    return replace(
        written,
        header=[*written.header[:at], "status", *written.header[at + 1 :]],
        cells=rows,
        headings={**written.headings, "status": "status"},
    )
