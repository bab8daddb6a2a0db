"""What another reader counted: in a column beside the rings, `Recount RH`, or in a further row of
the core. Both are further readings of it.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.readings import Reading
from standage.survey.references import alike
from standage.survey.schema import CORES
from standage.survey.synonyms import code_meaning
from standage.survey.table_cells import BLANK_WORDS
from standage.survey.written import WrittenSurvey, WrittenTable

READINGS = "core_readings"
SECOND_COUNTS = re.compile(
    r"\b(recount(?:ed)?|re-?read|(?:2nd|second|other|lab|field) (?:count|reader|reading|rings?)"
    r"|(?:count|reader|reading|rings) \(?(?:2|b|lab|field))\b",
    re.IGNORECASE,
)
"""Headings of what another reader counted (common practice, no source)."""
_OF_READER = re.compile(r"[A-Z]{2,3}|[A-Z]\.? ?[A-Z]\.?")


OF_A_READING = ("core", "reader", "first_ring_year", "ring_count", "dating")


def take_second_rows(survey: WrittenSurvey) -> None:
    """A table of further readings, in place, where there is none, from rows that name a core again
    with another reader: the crossdated row of a core stays, else its first; each is listed.
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
        if not any(_crossdated(cores, place) for place in others):
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


def _crossdated(cores: WrittenTable, place: int) -> bool:
    if "dating" not in cores.header:
        return False
    cell = cores.cells[place][cores.header.index("dating")]
    return code_meaning(CORES.name, CORES.column("dating"), cell) == "crossdated"


def take_second_counts(survey: WrittenSurvey) -> None:
    """A table of further readings, in place, where there is none, from columns of whole numbers
    that say they are another count; each column is listed.
    """
    cores = survey.tables.get(CORES.name)
    if cores is None or READINGS in survey.tables or READINGS in survey.unreadable:
        return
    if not {"core", "ring_count"} <= set(cores.header):
        return
    columns = [
        at
        for at, name in enumerate(cores.header)
        if SECOND_COUNTS.search(name) and name not in cores.set_aside and _are_counts(cores, at)
    ]
    name, cells, rows = cores.header.index("core"), [], []
    for at in columns:
        heading = cores.header[at]
        reader = _reader(heading)
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


def _are_counts(cores: WrittenTable, at: int) -> bool:
    filled = [row[at] for row in cores.cells if row[at].lower() not in {"", *BLANK_WORDS}]
    return bool(filled) and all(cell.isdecimal() and len(cell) < 4 for cell in filled)


def _reader(heading: str) -> str:
    """The reader that a heading names by initials; else the heading itself.

    >>> _reader("Recount RH"), _reader("Rings lab")
    ('RH', 'Rings lab')
    """
    found = [word for word in heading.split() if _OF_READER.fullmatch(word)]
    return found[-1] if found else heading
