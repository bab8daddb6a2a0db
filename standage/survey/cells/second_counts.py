"""What another reader counted, in a column beside the rings: `Recount RH`."""

from __future__ import annotations

import re
from dataclasses import replace

from standage.problems import Problem
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.readings import Reading
from standage.survey.schema import CORES
from standage.survey.written import WrittenSurvey, WrittenTable

READINGS = "core_readings"
SECOND_COUNTS = re.compile(
    r"(?:recount(?:ed)?|re-?read|rings recounted)"
    r"(?: (?:by )?(?!mm|cm|in|bh|dbh)[a-z]{2,3}| [a-z]\.? ?[a-z]\.?)?(?: 2)?"
    r"|(?:2nd|second|lab|field) (?:ring )?(?:count|reading|rings)|other (?:ring )?count"
    r"|(?:2nd|second|other) (?:ring )?count (?:by )?\(?(?!(?:mm|cm|in|ft|bh|dbh)\b)[a-z]{2,3}\)?"
    r"|(?:rings|ring count|count|reading) (?:2|lab|field|\((?:2|lab|field)\))",
    re.IGNORECASE,
)
"""Headings, as a whole, of what another reader counted (common practice, no source)."""
LIKE_SECOND_COUNTS = re.compile(
    r"\b(recount(?:ed)?|re-?read|(?:2nd|second|other|lab|field) (?:count|reader|reading|rings?)"
    r"|(?:count|reader|reading|rings) \(?(?:2|b|lab|field))\b",
    re.IGNORECASE,
)
"""Headings that may be of one, of which a note says where it goes."""
_OF_READER = re.compile(r"[A-Z]{2,3}|[A-Z]\.? ?[A-Z]\.?")
FARTHEST_SHARE, FARTHEST_RINGS = 1 / 3, 15
"""How far a second count may be from the first: farther, and it counts something else
(assumption)."""
SECOND_CORES = re.compile(
    r"(?:centre|center|pith|core|height|notes?|remarks?)s? \(?(?:2|b|core 2)\)?"
    r"|(?:2nd|second) (?:core|centre|center|pith)",
    re.IGNORECASE,
)
"""Headings beside a second count by which it is of a second core (common practice, no source)."""


def take_second_counts(survey: WrittenSurvey) -> None:
    """A table of further readings, in place, where there is none, from columns of whole numbers
    near the rings that say they are another count; each column is listed. One of a second core is a
    problem.
    """
    cores = survey.tables.get(CORES.name)
    if cores is None or READINGS in survey.tables or READINGS in survey.unreadable:
        return
    if not {"core", "ring_count"} <= set(cores.header):
        return
    columns = [
        at
        for at, name in enumerate(cores.header)
        if SECOND_COUNTS.fullmatch(name) and name not in cores.set_aside and _are_counts(cores, at)
    ]
    beside = [
        own for own in cores.header if SECOND_CORES.fullmatch(own) and own not in cores.set_aside
    ]
    if columns and beside:
        survey.problems += _second_cores(cores, cores.header[columns[0]], beside[0])
        return
    if not columns:
        return
    readers: dict[int, str] = {}
    for at in columns:
        reader = _reader(cores.header[at])
        readers[at] = reader = cores.header[at] if reader in readers.values() else reader
        where, why = (cores.file, cores.header_row, "ring_count"), "rings counted once more"
        read = f"{READINGS} of reader '{reader}'"
        survey.readings.append(Reading(*where, cores.header[at], read, why))
    name = cores.header.index("core")
    found = [
        ([row[name], readers[at], row[at]], line)
        for at in columns
        for row, line in zip(cores.cells, cores.rows, strict=True)
        if row[name] and row[at].isdecimal()
    ]
    survey.tables[READINGS] = WrittenTable(
        cores.file,
        ["core", "reader", "ring_count"],
        [cells for cells, _ in found],
        [row for _, row in found],
        cores.header_row,
        stack=cores.stack,
    )
    survey.files[READINGS] = cores.file
    header = ["" if at in columns else each for at, each in enumerate(cores.header)]
    bare = [["" if at in columns else cell for at, cell in enumerate(row)] for row in cores.cells]
    survey.tables[CORES.name] = replace(cores, header=header, cells=bare)


def _second_cores(cores: WrittenTable, heading: str, beside: str) -> list[Problem]:
    found = f"'{heading}' and '{beside}' beside the rings and the centre: a second core in its row"
    expected = "one core a row"
    advice = (
        "Give the second core a row of its own, with the same tag, its rings and its centre below"
        " the headings of the first."
    )
    rows = cores.heading_rows(heading)
    return [Problem(cores.file, row, heading, found, expected, advice) for row in rows]


def _are_counts(cores: WrittenTable, at: int) -> bool:
    """Whether a column has whole numbers alone, none far from the rings of its row; beside none, a
    number of rings will do."""
    rings = cores.header.index("ring_count")
    near = []
    for row in (row for row in cores.cells if row[at].lower() not in {"", *BLANK_WORDS}):
        counted = re.match(r"\d+", row[rings])
        own = row[at] if re.fullmatch(r"\d{1,3}", row[at]) else ""
        first = int(counted[0]) if counted else int(own or 0)
        farthest = max(FARTHEST_RINGS, FARTHEST_SHARE * first)
        near.append(own != "" and abs(int(own) - first) <= farthest)
    return bool(near) and all(near)


def _reader(heading: str) -> str:
    """The reader that a heading names by initials; else the heading itself.

    >>> _reader("Recount RH"), _reader("Rings lab")
    ('RH', 'Rings lab')
    """
    found = [word for word in heading.split() if _OF_READER.fullmatch(word.strip("()"))]
    return found[-1].strip("()") if found else heading
