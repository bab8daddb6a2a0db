"""What headings, titles and notes say of all cores: the height at which they were taken, `Rings @ 1
ft`, and the year of the last ring counted, `last complete ring 2023`.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.flat_table import FLAT
from standage.survey.headings import height_in_heading
from standage.survey.readings import Reading
from standage.survey.references import alike
from standage.survey.schema import CORES, TREES
from standage.survey.synonyms import code_meaning
from standage.survey.table_cells import BLANK_WORDS
from standage.survey.title_plots import IN_A_TITLE
from standage.survey.written import Title, WrittenSurvey, WrittenTable

HEIGHT, RINGS = "height_cm", "ring_count"
OF_RINGS = (RINGS, "first_ring_year")
_HEIGHT = r"(\d+(?:\.\d+)?\s*(?:ft|feet|in|inches|cm|m|'|\")(?![\w/])|breast height|d?bh\b)"
_CORED_AT = re.compile(
    r"\b(?:cores?|cored|coring|bored|boring)\b[^.;,\d]*?(?:\bat\b|@)\s*"
    rf"(?:about |ca\.? |~)?{_HEIGHT}",
    re.IGNORECASE,
)
_HEIGHTS = re.compile(_HEIGHT, re.IGNORECASE)
_LAST_RING = re.compile(
    r"\b(?:last|outer(?:most)?)\s+(?:(complete|full|whole)\s+)?ring\s*(?:is|was|=|:)?\s*"
    r"((?:19|20)\d\d)\b",
    re.IGNORECASE,
)


def take_heights_of_all(survey: WrittenSurvey) -> None:
    """A column of heights for cores that have none, in place, by the heading of their rings or the
    one height that a title gives.
    """
    for name in (FLAT.name, CORES.name):
        written = survey.tables.get(name)
        if written is None or HEIGHT in written.header:
            continue
        rings = [each for each in OF_RINGS if each in written.header]
        if not rings:
            continue
        heading = written.headings.get(RINGS, "")
        if height := height_in_heading(heading):
            why = "the height in the heading of the rings"
            reading = Reading(written.file, written.header_row, HEIGHT, heading, height, why)
        else:
            found = _height_in_titles(survey, written)
            if found is None:
                continue
            reading = found
        places = [written.header.index(each) for each in rings]
        height = reading.as_read
        cells = [[*row, height if any(row[at] for at in places) else ""] for row in written.cells]
        units = {**written.units, HEIGHT: ""}  # each cell says its own
        header = [*written.header, HEIGHT]
        survey.tables[name] = replace(written, header=header, cells=cells, units=units)
        survey.readings.append(reading)


def _titles_of(survey: WrittenSurvey, written: WrittenTable) -> list[Title]:
    """The titles of a table's sheets, and the notes."""
    files = {part.file for part in written.stack.parts} if written.stack else {written.file}
    return [title for title in survey.titles if title.file in files or title.of_notes]


def _height_in_titles(survey: WrittenSurvey, written: WrittenTable) -> Reading | None:
    """The one height of cores that titles give, as a reading; None where a sentence on cores names
    several.
    """
    found: dict[str, Reading] = {}
    for title in _titles_of(survey, written):
        for sentence in re.split(r";|\.\s", title.text):
            if not (said := _CORED_AT.search(sentence)):
                continue
            if len(_HEIGHTS.findall(sentence)) > 1:
                return None
            at = (title.file, title.row, HEIGHT)
            found.setdefault(said[1].lower(), Reading(*at, said[0], said[1], IN_A_TITLE))
    return found.popitem()[1] if len(found) == 1 else None


def take_last_rings_of_all(survey: WrittenSurvey) -> None:
    """A column of last rings for the cores of live stems, in place, where none is there and titles
    give the one year.
    """
    cores, trees = survey.tables.get(CORES.name), survey.tables.get("trees")
    if cores is None or trees is None or "last_ring_year" in cores.header:
        return
    if not {"tree"} <= {*cores.header} & {*trees.header} or RINGS not in cores.header:
        return
    said = [
        (title, match)
        for title in _titles_of(survey, cores)
        for match in _LAST_RING.finditer(title.text)
    ]
    if len({match[2] for _, match in said}) != 1:
        return
    title, match = said[0]
    at, of = trees.header.index("tree"), cores.header.index("tree")
    rings = cores.header.index(RINGS)
    live = {alike(row[at]) for row in trees.cells if _lives(trees, row)}
    whole = "complete" if match[1] and "outer_ring" not in cores.header else ""
    more = ["last_ring_year", *(["outer_ring"] if whole else [])]
    cells = []
    for row in cores.cells:
        counted = row[rings].lower() not in {"", *BLANK_WORDS}
        own = [match[2], *([whole] if whole else [])]
        of_live = counted and alike(row[of]) in live
        cells.append([*row, *(own if of_live else [""] * len(own))])
    survey.tables[CORES.name] = replace(cores, header=[*cores.header, *more], cells=cells)
    read = match[2] + (", outer_ring complete" if whole else "") + " of live stems"
    where = (title.file, title.row, "last_ring_year")
    survey.readings.append(Reading(*where, match[0], read, IN_A_TITLE))


def _lives(trees: WrittenTable, row: list[str]) -> bool:
    if "status" not in trees.header:
        return True
    status = row[trees.header.index("status")]
    return status in ("", "live") or code_meaning("trees", TREES.column("status"), status) == "live"
