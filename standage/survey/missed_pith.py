"""`No` or `missed` below a heading that asks for the pith: not in the core, which leaves open what
is at its inner end. Settled where another cell of the row says it, or where it changes no date.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.doubt import doubt_in
from standage.survey.flat_table import CORE_NOTE, FLAT
from standage.survey.readings import Reading
from standage.survey.ring_words import LEAST_NUMBER
from standage.survey.schema import CORES
from standage.survey.synonyms import code_meaning, plain
from standage.survey.table_cells import BLANK_WORDS
from standage.survey.written import WrittenSurvey

CENTRE = CORES.column("centre")
AT_LEAST = CORES.column("ring_count")
WAYS_GIVEN = ("rings_to_pith", "pith_distance_mm")
"""Columns that say how far the pith is: what is seen at the inner end adds nothing to them."""
GONE = {"hollow", "hollow centre", "hollow center", "heart rot", "hollow core"}
"""Remarks by which the centre is gone (common practice, no source)."""
NOTES = (CORE_NOTE, "note")


def settle_missed_pith(survey: WrittenSurvey) -> None:
    """Write the centre into the cells that say only that the pith was missed, in place, where the
    row says more; each is listed.
    """
    for name in (FLAT.name, CORES.name):
        written = survey.tables.get(name)
        if written is None or CENTRE.name not in written.header:
            continue
        at = written.header.index(CENTRE.name)
        rows = []
        for cells, row in zip(written.cells, written.rows, strict=True):
            word = cells[at]
            settled = _centre(word, dict(zip(written.header, cells, strict=True)))
            if settled is not None:
                centre, why = settled
                survey.readings.append(Reading(written.file, row, CENTRE.name, word, centre, why))
                cells = [*cells[:at], centre, *cells[at + 1 :]]
            rows.append(cells)
        survey.tables[name] = replace(written, cells=rows)


def _centre(word: str, row: dict[str, str]) -> tuple[str, str] | None:
    """The centre of a row whose word for it says only that the pith was missed, and why."""
    meaning = code_meaning(CORES.name, CENTRE, word) if word else None
    if not isinstance(meaning, tuple):
        return None
    count = row.get("ring_count", "")
    bare = re.sub(r"[\d+>=\u2265]|\b(rings?|at least)\b", " ", count)
    if code_meaning(CORES.name, CENTRE, bare) == "rotten":
        return None  # said by the count itself, with which it is read
    remarks = [part for name in NOTES for part in re.split("[,;]", row.get(name, ""))]
    if any(plain(part) in GONE or _of_the_centre(part) for part in remarks):
        return "rotten", "no pith, and the remark says that the centre is gone"
    if row.get("arc_chord_mm", "") and row.get("arc_height_mm", ""):
        return "arcs", "no pith, and the innermost arc measured"
    for name in WAYS_GIVEN:
        cell = row.get(name, "")
        if cell.lower() not in {"", *BLANK_WORDS} and re.search(r"[1-9]", cell):
            return "unknown", "no pith, and the way to it given, which is used"
    doubt = doubt_in(count, AT_LEAST)
    least = LEAST_NUMBER.fullmatch(count.strip()) or (
        doubt is not None and doubt.kind == "at least"
    )
    if least or row.get("at_least", "").lower() in ("yes", "y"):
        return "unknown", "no pith, and a least number of rings, of which nothing more is assumed"
    return None


def _of_the_centre(remark: str) -> bool:
    """Whether a remark is one of the words for a rotten centre that names the centre."""
    named = {"centre", "center", "heart"} & set(plain(remark).split())
    return bool(named) and code_meaning(CORES.name, CENTRE, remark) == "rotten"
