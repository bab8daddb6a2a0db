"""`No` or `missed` below a heading that asks for the pith: not in the core, which leaves open what
is at its inner end. Settled where another cell of the row says it, or where it changes no date.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.cells.cells import near_column
from standage.survey.cells.doubt import doubt_in
from standage.survey.cells.ring_words import AND_TO_GO, LEAST_NUMBER
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.flat_table import CORE_NOTE, FLAT
from standage.survey.readings import Reading
from standage.survey.schema import CORES
from standage.survey.synonyms import code_meaning, plain
from standage.survey.written import WrittenSurvey, WrittenTable

CENTRE = CORES.column("centre")
AT_LEAST = CORES.column("ring_count")
WAYS_GIVEN = ("rings_to_pith", "pith_distance_mm")
"""Columns that say how far the pith is: what is seen at the inner end adds nothing to them."""
GONE = {"hollow centre", "hollow center", "heart rot", "hollow core"}
HOLLOW = "hollow"
"""Remarks by which the centre is gone; the last as the whole remark: beside other words it may be
of another part of the stem (common practice, no source)."""
MOST_MISSED = 40
"""Rings to the pith from which an estimate of them is asked about; and it is where they are more
than those counted (assumption)."""
COUNTED = ("ring_count", "first_ring_year")
RINGS_TO_PITH = "rings_to_pith"
LONGEST = 60
"""Letters of a cell that is more than a remark."""
_FEW = r"([1-9]\d?(?:\s*-\s*\d\d?)?)"
_TO_GO = re.compile(
    rf"([a-z ]*?)[\s,;:(]*(?:~|about|ca?\.?|est\.?|approx\.?)?\s*{_FEW}\s*"
    r"(?:(?:rings?|yrs?|years?)\s*(?:missing|missed|off)|(?:rings?|yrs?|years?)?\s*"
    r"(?:to go|to (?:the )?(?:pith|cent(?:er|re))|short(?: of pith)?|from (?:the )?pith))\)?",
    re.IGNORECASE,
)
"""A number of rings to the pith, after a word that it was missed or none."""
_MISSED_BY = re.compile(
    r"([a-z ]*?[a-z])[\s,;:(]*(?:\bby\b)?[\s,;:(]*(?:~|about|abt\.?|ca?\.?|est\.?|approx\.?)?\s*"
    rf"{_FEW}\s*(?:rings?|yrs?|years?)\)?",
    re.IGNORECASE,
)
"""A word that the pith was missed, and by how many rings."""
_MORE = re.compile(
    rf"()\+\s*{_FEW}(?:\s*(?:rings?|yrs?|years?))?"
    r"(?:\s*(?:to go|to (?:the )?(?:pith|cent(?:er|re))))?",
    re.IGNORECASE,
)
"""Rings that the core lacks, as crews add them (common practice, no source)."""
_IN_MM = re.compile(
    r"[(\[]\s*mm(?: (?:missed|missing|off|short|to (?:pith|cent(?:er|re))))?\s*[)\]]", re.I
)
_DISTANCE = re.compile(r"[1-9]\d?(?:\.\d+)?")
"""A heading that asks for millimetres to the pith, and such a cell (common practice, no source)."""
_AS_MORE = re.compile(rf"()(?:~|about|ca?\.?|est\.?|approx\.?)?\s*{_FEW}", re.IGNORECASE)
"""The same in a column that has them."""
_COUNTED_TO = re.compile(r"\bto (?:the )?(?:pith|cent)", re.IGNORECASE)
"""Behind a bare number it may be of the rings counted as well as of those missed."""
_FINE = re.compile(r"\s*\b(ok|okay|good|fine|visible|seen|clear)\b\s*$", re.IGNORECASE)
"""Words behind `arc` that say no more (common practice, no source)."""
NOTES = (CORE_NOTE, "note")
MOSTLY = 0.5
"""Share of the cores with a way to the pith from which it stands for the centre (assumption)."""


def settle_missed_pith(survey: WrittenSurvey) -> None:
    """Write the centre into the cells that say only that the pith was missed, in place, where the
    row says more, and the rings to it where the cell itself does; each is listed.
    """
    for name in (FLAT.name, CORES.name):
        written = survey.tables.get(name)
        if written is None:
            continue
        if CENTRE.name not in written.header:
            _take_way_to_pith(survey, written, name)
            continue
        records = [dict(zip(written.header, cells, strict=True)) for cells in written.cells]
        header = list(written.header)
        in_mm = _IN_MM.search(written.headings.get(CENTRE.name, ""))
        added = any(_MORE.fullmatch(record[CENTRE.name].strip()) for record in records)
        widths = survey.rings or "ring_widths" in survey.tables
        for record, row in zip(records, written.rows, strict=True):
            if name == CORES.name and not widths and _says_nothing(record):
                record[CENTRE.name] = "unknown"  # the lack of rings is asked about, once
            word = record[CENTRE.name]
            if in_mm and _DISTANCE.fullmatch(word) and not record.get("pith_distance_mm"):
                header += [] if "pith_distance_mm" in header else ["pith_distance_mm"]
                record["pith_distance_mm"], record[CENTRE.name] = word, "unknown"
                said = f"unknown, pith_distance_mm {word}"
                why = "a distance, by the unit in the heading"
                survey.readings.append(Reading(written.file, row, CENTRE.name, word, said, why))
                continue
            rings = _TO_GO.fullmatch(word) if len(word) < LONGEST else None
            if rings is None and len(word) < LONGEST:
                rings = _MISSED_BY.fullmatch(word)
            if rings is None and added:
                rings = _MORE.fullmatch(word.strip()) or _AS_MORE.fullmatch(word.strip())
            unsaid = rings is not None and not rings[1].strip() and word.strip()[:1] != "+"
            bare = unsaid and _COUNTED_TO.search(word)
            if rings and not _believed(rings[2], record.get("ring_count", "")):
                rings = None
            if rings and not bare and not record.get(RINGS_TO_PITH) and _missed(rings[1]):
                header += [] if RINGS_TO_PITH in header else [RINGS_TO_PITH]
                record[RINGS_TO_PITH] = rings[2]
                said = f"unknown, {RINGS_TO_PITH} {rings[2]}"
                settled: tuple[str, str] | None = (said, "no pith, and the rings to it")
                record[CENTRE.name] = "unknown"
            else:
                settled = _centre(word, record)
                record[CENTRE.name] = settled[0] if settled is not None else word
            if settled is not None:
                survey.readings.append(Reading(written.file, row, CENTRE.name, word, *settled))
        cells = [[record.get(name, "") for name in header] for record in records]
        survey.tables[name] = replace(written, header=header, cells=cells)


def _take_way_to_pith(survey: WrittenSurvey, written: WrittenTable, name: str) -> None:
    """A column for the centre, where there is none and another says how far the pith is, in place:
    rows without it stay blank, to be asked about.
    """
    counted = [each for each in COUNTED if each in written.header]
    if not counted or not set(WAYS_GIVEN) & set(written.header):
        return
    if any(near_column(own, [CENTRE.name], set()) for own in written.header if own):
        return  # misspelt
    records = [dict(zip(written.header, row, strict=True)) for row in written.cells]
    cored = [
        any(record[each].lower() not in {"", *BLANK_WORDS} for each in counted)
        for record in records
    ]
    given = [cored[at] and _way_given(record) for at, record in enumerate(records)]
    if not any(given) or sum(given) < MOSTLY * sum(cored):
        return
    cells = [
        [*row, "unknown" if way else ""] for row, way in zip(written.cells, given, strict=True)
    ]
    survey.tables[name] = replace(written, header=[*written.header, CENTRE.name], cells=cells)
    why = "no such column, and the way to the pith given, which is used"
    at = (written.file, written.header_row, CENTRE.name)
    survey.readings.append(Reading(*at, "no such column", "unknown", why))


def _says_nothing(record: dict[str, str]) -> bool:
    """Whether the row of a core has neither rings nor years nor a word on its centre."""
    return not any(
        record.get(each, "") for each in (*COUNTED, *WAYS_GIVEN, CENTRE.name, "at_least")
    )


def _way_given(record: dict[str, str]) -> bool:
    """Whether a row says how far the pith is from the innermost ring seen; 0 counts."""
    return any(
        record.get(name, "").lower() not in {"", *BLANK_WORDS} and re.search(r"\d", record[name])
        for name in WAYS_GIVEN
    )


def _believed(missed: str, count: str) -> bool:
    """Whether a core may lack so many rings to the pith beside those counted in it."""
    most = max(int(each) for each in re.findall(r"\d+", missed))
    counted = re.search(r"\d+", count)
    return most <= MOST_MISSED and (counted is None or most <= int(counted[0]))


def _missed(word: str) -> bool:
    """Whether a word says only that the pith was missed, or nothing."""
    return not word.strip() or isinstance(code_meaning(CORES.name, CENTRE, word), tuple)


def _centre(word: str, row: dict[str, str]) -> tuple[str, str] | None:
    """The centre of a row whose word for it says only that the pith was missed, and why."""
    if not word:
        counted = any(row.get(name, "") for name in COUNTED)
        blank = "blank, and the way to the pith given, which is used"
        return ("unknown", blank) if counted and _way_given(row) else None
    missed, *more = re.split(r"\s*[,;]\s*", word)
    seen = {code_meaning(CORES.name, CENTRE, _FINE.sub("", each)) for each in more}
    if more and _missed(missed) and len(seen) == 1 and seen <= {"arcs", "straight", "rotten"}:
        return str(seen.pop()), "no pith, and what is seen there"
    if not _missed(word):
        return None
    count = row.get("ring_count", "")
    bare = re.sub(r"[\d+>=\u2265]|\b(rings?|at least)\b", " ", count)
    if code_meaning(CORES.name, CENTRE, bare) == "rotten":
        return None  # said by the count itself, with which it is read
    remarks = [part for name in NOTES for part in re.split("[,;.!]", row.get(name, ""))]
    hollow = any(plain(row.get(name, "")) == HOLLOW for name in NOTES)
    if hollow or any(plain(part) in GONE or _of_the_centre(part) for part in remarks):
        return "rotten", "no pith, and the remark says that the centre is gone"
    if row.get("arc_chord_mm", "") and row.get("arc_height_mm", ""):
        return "arcs", "no pith, and the innermost arc measured"
    if AND_TO_GO.fullmatch(count):
        return "unknown", "no pith, and the way to it given, which is used"
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
    named = {"centre", "center", "heart", "inside"} & set(plain(remark).split())
    return bool(named) and code_meaning(CORES.name, CENTRE, remark) == "rotten"
