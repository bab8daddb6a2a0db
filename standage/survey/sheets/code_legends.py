"""Legends, as `LL = longleaf   SL = slash pine` or `Codes: D dominant, C codominant`: what the crew
itself says of its codes, above or below a list or among notes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.references import cells_of
from standage.survey.flat_table import FLAT, code_in, table_of
from standage.survey.readings import Reading
from standage.survey.schema import CORES, COUNTS, TREES, Column
from standage.survey.sheets.whole_lines import is_limited
from standage.survey.synonyms import is_no_pine, species_meaning
from standage.survey.written import Title, WrittenSurvey, WrittenTable

LONGEST = 6
"""Letters of a code (assumption)."""
_CODE = rf"[^\W_][\w+/]{{0,{LONGEST - 1}}}|-"
_PAIR = re.compile(
    rf"({_CODE})(?:\s*[=:]\s*|\s[-\u2013]\s)(?![~<>]?\s*\d)([^=:]*[^\W\d_]{{3}}[^=:]*)"
)
_PAIR_BELOW_A_LABEL = re.compile(rf"({_CODE})\s+(?:[=:]\s*)?([^=:]*[^\W\d_]{{3}}[^=:]*)")
_LABEL = re.compile(
    r"\s*(?:species|crown|tree|stem|status|class)?\s*"
    r"(?:codes?|species|spp?|class(?:es)?|status|key|legend)\s*:\s*",
    re.IGNORECASE,
)
_BRACKETS = re.compile(r"\s*\([^)]*\)|\s*\[[^\]]*\]")
_LIMITING = re.compile(
    r"\d|\b(?:plots?|stands?|crews?|rows?|trees?|from|until|since|before|after)\b", re.IGNORECASE
)
_OF_SOME = re.compile(
    r"\b(?:plots?|stands?|crews?|rows?|trees?|stems?|tags?|nos?|from|until|since|before|after)\b"
    r"|\d\s*[-\u2013]\s*\d|^[\W\d]*\d[\W\d]*$",
    re.IGNORECASE,
)
_PLACED = re.compile(r"\b(?:on|in|for)\s+(?:plots?|stands?|rows?|trees?|stems?)\b", re.IGNORECASE)
_LOOSE = re.compile(rf"(?<!\w)({_CODE})\s*[=|]\s*(?=([^=|;,]+))")
"""Forms of a legend, and words beside one that may limit it to some rows (common practice, no
source)."""


def pairs_in(text: str) -> list[tuple[str, str]]:
    """The codes of a legend and what each means; none of a line that limits what it says.

    >>> pairs_in("LL = longleaf   SL = slash (P. elliottii)")
    [('LL', 'longleaf'), ('SL', 'slash')]
    >>> pairs_in("Codes: D dominant, C codominant"), pairs_in("D dominant, C codominant")
    ([('D', 'dominant'), ('C', 'codominant')], [])
    >>> pairs_in("SX - slash pine"), pairs_in("14 - 16 June")
    ([('SX', 'slash pine')], [])
    >>> pairs_in("Crew B: S = loblolly, L = longleaf"), pairs_in("On plot 3, S = slash")
    ([], [])
    >>> pairs_in("SX = slash, trees 101-103"), pairs_in("SX = slash on plot F1")
    ([], [])
    """
    label = _LABEL.match(text)
    form = _PAIR_BELOW_A_LABEL if label else _PAIR
    if is_limited(text) and beside_pairs(text):
        return []  # in a pair such words are part of what a code means
    if any(_LIMITING.search(each) for each in _BRACKETS.findall(text)):
        return []
    parts = _parts(text[label.end() if label else 0 :])
    found = [form.fullmatch(part) for part in parts]
    last = max((place for place, each in enumerate(found) if each), default=-1)
    if not all(found[: last + 1]) or any(_OF_SOME.search(part) for part in parts[last + 1 :]):
        return []
    pairs = [(each[1], each[2].strip()) for each in found if each]
    return [] if any(_PLACED.search(words) for _, words in pairs) else pairs


def begins_a_legend(text: str) -> bool:
    """Whether a line begins as a legend does, and so is no row of a list.

    >>> begins_a_legend("- = none. Oaks not counted."), begins_a_legend("7 = same tree as 6")
    (True, False)
    """
    parts = _parts(text)
    pair = _PAIR.fullmatch(parts[0]) if parts and "=" in parts[0] else None
    return pair is not None and not re.search(r"\d", pair[1])  # which names a tree or a plot


def beside_pairs(text: str) -> str:
    """What a legend says besides, "" for nothing.

    >>> beside_pairs("L = live.  x = cored"), beside_pairs("- = none. Oaks not counted.")
    ('', 'Oaks not counted')
    """
    return ". ".join(part for part in _parts(text) if not _PAIR.fullmatch(part))


def _parts(text: str) -> list[str]:
    bare = _BRACKETS.sub("", text)
    ends = rf"[;,\n]|(?<!\b[A-Z])\.(?=\s|$)|\s{{2,}}|\s+(?=(?:{_CODE})\s*=)"
    return [part for each in re.split(ends, bare) if (part := each.strip())]


def codes_said(survey: WrittenSurvey) -> dict[str, list[tuple[str, Title]]]:
    """What the legends of a survey say of each code, without capitals."""
    said: dict[str, list[tuple[str, Title]]] = {}
    for line in (*survey.titles, *survey.below):
        if line.of_notes and not re.search(r"=|\w\s[-\u2013]\s", line.text):
            continue  # two cells of a list that may be of anything
        for code, words in pairs_in(line.text):
            said.setdefault(code.casefold(), []).append((words, line))
    return said


def read_codes_by_legends(survey: WrittenSurvey, keys: Iterable[str]) -> None:
    """Write what the legends say in place of codes, in columns of species and of words of a list;
    each is listed. Two legends that say two things of one code are a problem. keys: of profiles.
    """
    said = codes_said(survey)
    keys = tuple(keys)
    _ask_of_loose_legends(survey, keys, said)
    if not said:
        return
    for name in (FLAT.name, TREES.name, CORES.name, COUNTS.name):
        written = survey.tables.get(name)
        if written is None:
            continue
        for column in table_of(name).columns:
            if column.name not in written.header or not (column.codes or column.name == "species"):
                continue
            meanings: dict[str, str] = {}
            lines: dict[str, Title] = {}
            for code, ways in said.items():
                known = [
                    (each, line)
                    for words, line in ways
                    if (each := _meaning(name, column.name, words, keys))
                ]
                if len({each for each, _ in known}) > 1:
                    survey.problems += _two_meanings(written, column.name, code, known)
                elif known and (other := _otherwise(name, column, code, known[0], keys)):
                    survey.problems += _two_meanings(written, column.name, code, known, other)
                elif known:
                    meanings[code], lines[code] = known[0]
            survey.tables[name] = _written_out(
                survey, survey.tables[name], name, column.name, meanings, lines, keys
            )


def _ask_of_loose_legends(
    survey: WrittenSurvey, keys: tuple[str, ...], said: dict[str, list[tuple[str, Title]]]
) -> None:
    """A question on a line that says what a code of a species means among words that limit it,
    where nothing else says it: its stems would be tallied as ones of no species that is known.
    """
    loose = [
        (line, code, rest)
        for line in (*survey.titles, *survey.below)
        for code, rest in _LOOSE.findall(line.text)
    ]
    if not loose:
        return
    meant = {
        code
        for code, ways in said.items()
        if any(_meaning(TREES.name, "species", words, keys) for words, _ in ways)
    }
    used = {
        cell.casefold()
        for name in (FLAT.name, TREES.name, COUNTS.name)
        if name in survey.tables
        for cell in cells_of(survey.tables[name], "species")
        if cell and species_meaning(cell, keys) is None and cell.casefold() not in meant
    }
    for line, code, rest in loose:
        words = _species_at_the_start(rest, keys)
        if code.casefold() in used and words:
            told = "two cells of a list" if line.of_list else "a line that says more"
            found = f"'{code} = {words}' in {told}: '{line.text[:80]}'"
            advice = (
                f"Write '{code} = {words}' in a line of its own if it holds for all rows; else"
                " the species into the rows."
            )
            expected = "a legend alone in its line"
            problem = Problem(line.file, line.row, None, found, expected, advice)
            if problem not in survey.problems:
                survey.problems.append(problem)


def _species_at_the_start(text: str, keys: tuple[str, ...]) -> str:
    """The most words at the start of a text that name a species, "" for none."""
    words = text.split()
    starts = (" ".join(words[:end]).rstrip(".:)") for end in range(len(words), 0, -1))
    return next((each for each in starts if isinstance(species_meaning(each, keys), str)), "")


def _meaning(table: str, column: str, words: str, keys: tuple[str, ...]) -> str | None:
    """What the words of a legend are in a column; None where they are none of its words."""
    if column == "species":
        key = species_meaning(words, keys)
        return key if isinstance(key, str) else words if key is None and is_no_pine(words) else None
    code = code_in(table, table_of(table).column(column), words)
    return code if isinstance(code, str) else None


def _otherwise(
    table: str, column: Column, code: str, known: tuple[str, Title], keys: tuple[str, ...]
) -> str:
    """What a code of a list in two cells, which may be of something else, is without that list; ""
    for the same, or nothing.
    """
    of_species = column.name == "species"
    own = species_meaning(code, keys) if of_species else code_in(table, column, code)
    return own if known[1].of_list and isinstance(own, str) and own != known[0] else ""


def _written_out(
    survey: WrittenSurvey,
    written: WrittenTable,
    table: str,
    column: str,
    meanings: dict[str, str],
    lines: dict[str, Title],
    keys: tuple[str, ...],
) -> WrittenTable:
    at = written.header.index(column)
    cells = []
    for row, line in zip(written.cells, written.rows, strict=True):
        own = row[at].casefold().rstrip("? ()")
        meaning = meanings.get(own)
        if meaning is not None and "?" in row[at]:
            meaning += "?"
        if meaning is not None and _meaning(table, column, row[at], keys) != meaning:
            legend = lines[own]
            why = f"by the legend in row {legend.row}"
            if legend.file != written.file:
                why += f" of {legend.file}"
            survey.readings.append(Reading(written.file, line, column, row[at], meaning, why))
            row = [*row[:at], meaning, *row[at + 1 :]]
        cells.append(row)
    return replace(written, cells=cells)


def _two_meanings(
    written: WrittenTable,
    column: str,
    code: str,
    known: list[tuple[str, Title]],
    otherwise: str = "",
) -> list[Problem]:
    """A question where a code that the column uses has two legends, or another meaning without."""
    at = written.header.index(column)
    used = [
        (row[at], line)
        for row, line in zip(written.cells, written.rows, strict=True)
        if row[at].casefold() == code
    ]
    if not used:
        return []
    ways = " and ".join(f"{each} (row {line.row})" for each, line in known)
    found = f"'{used[0][0]}', which legends call {ways}"
    if otherwise:
        found = f"'{used[0][0]}', which a list calls {ways}, and which is {otherwise} without it"
    advice = "Correct the legend that is wrong."
    if otherwise:
        advice = "Write what it is into the rows."
    return [Problem(written.file, used[0][1], column, found, "one meaning of a code", advice)]
