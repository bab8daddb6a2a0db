"""What another reader counted: in a column beside the rings, `Recount RH`, or in a further row of
the core. Both are further readings of it.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.problems import Problem
from standage.survey.cells.references import alike
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.readings import Reading
from standage.survey.schema import CORES
from standage.survey.synonyms import code_meaning
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


OF_A_READING = ("core", "reader", "first_ring_year", "ring_count", "dating")


def take_second_rows(survey: WrittenSurvey) -> None:
    """A table of further readings, in place, where there is none, from rows that name a core again
    with another reader and say nothing else of it: the crossdated row of a core stays, else its
    first; each is listed.
    """
    cores = survey.tables.get(CORES.name)
    if cores is None or READINGS in survey.tables or READINGS in survey.unreadable:
        return
    if not {"core", "reader"} <= set(cores.header):
        return
    core, reader = cores.header.index("core"), cores.header.index("reader")
    of_core: dict[str, list[int]] = {}
    for place, row in enumerate(cores.cells):
        if row[core]:
            of_core.setdefault(alike(row[core]), []).append(place)
    further: list[int] = []
    for places in of_core.values():
        readers = {cores.cells[place][reader].casefold() for place in places}
        if len(places) < 2 or "" in readers or len(readers) < len(places):
            continue
        first = next((place for place in places if _crossdated(cores, place)), places[0])
        others = [place for place in places if place != first]
        kept = cores.cells[first]
        same = all(
            cores.cells[place][at] in ("", kept[at])
            for place in others
            for at in range(len(kept))
            if cores.header[at] not in OF_A_READING
        )
        plain = all(_plainly_read(cores, place) for place in places)
        if same and plain and not any(_crossdated(cores, place) for place in others):
            further += others
    if not further:
        return
    further.sort()
    for place in further:
        row, line = cores.cells[place], cores.rows[place]
        read = f"{READINGS} of reader '{row[reader]}'"
        why = "a core read once more by another"
        survey.readings.append(Reading(cores.file, line, "core", row[core], read, why))
    columns = [name for name in OF_A_READING if name in cores.header]
    at = [cores.header.index(name) for name in columns]
    survey.tables[READINGS] = WrittenTable(
        cores.file,
        columns,
        [[cores.cells[place][each] for each in at] for place in further],
        [cores.rows[place] for place in further],
        cores.header_row,
        stack=cores.stack,
    )
    survey.files[READINGS] = cores.file
    left = [place for place in range(len(cores.rows)) if place not in set(further)]
    survey.tables[CORES.name] = replace(
        cores,
        cells=[cores.cells[place] for place in left],
        rows=[cores.rows[place] for place in left],
    )


def _plainly_read(cores: WrittenTable, place: int) -> bool:
    """Whether a row has a number of rings or a year, and nothing less certain."""
    cells = dict(zip(cores.header, cores.cells[place], strict=True))
    read = [cells.get(name, "") for name in ("ring_count", "first_ring_year")]
    return any(read) and all(cell.isdecimal() or not cell for cell in read)


def _crossdated(cores: WrittenTable, place: int) -> bool:
    if "dating" not in cores.header:
        return False
    cell = cores.cells[place][cores.header.index("dating")]
    return code_meaning(CORES.name, CORES.column("dating"), cell) == "crossdated"


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
    readers: dict[int, str] = {}
    for at in columns:
        reader = _reader(cores.header[at])
        readers[at] = cores.header[at] if reader in readers.values() else reader
    name, cells, rows = cores.header.index("core"), [], []
    for at in columns:
        heading, reader = cores.header[at], readers[at]
        survey.readings.append(
            Reading(
                cores.file,
                cores.header_row,
                "ring_count",
                heading,
                f"{READINGS} of reader '{reader}'",
                "rings counted once more",
            )
        )
        for row, line in zip(cores.cells, cores.rows, strict=True):
            if row[name] and row[at].isdecimal():
                cells.append([row[name], reader, row[at]])
                rows.append(line)
    if not columns:
        return
    survey.tables[READINGS] = WrittenTable(
        cores.file,
        ["core", "reader", "ring_count"],
        cells,
        rows,
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
    """Whether a column has whole numbers alone, none far from the rings of its row."""
    rings = cores.header.index("ring_count")
    filled = [
        (row[at], row[rings]) for row in cores.cells if row[at].lower() not in {"", *BLANK_WORDS}
    ]
    return bool(filled) and all(_near(own, first) for own, first in filled)


def _near(own: str, first: str) -> bool:
    """Whether a second count is near the first; beside none, a number of rings will do."""
    if not own.isdecimal() or len(own) > 3:
        return False
    counted = re.match(r"\d+", first)
    if counted is None:
        return True
    rings = int(counted[0])
    return abs(int(own) - rings) <= max(FARTHEST_RINGS, FARTHEST_SHARE * rings)


def _reader(heading: str) -> str:
    """The reader that a heading names by initials; else the heading itself.

    >>> _reader("Recount RH"), _reader("Rings lab")
    ('RH', 'Rings lab')
    """
    found = [word for word in heading.split() if _OF_READER.fullmatch(word.strip("()"))]
    return found[-1].strip("()") if found else heading
