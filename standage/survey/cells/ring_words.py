"""Cells of numbers that say a word on the core too: `112 pith`, `hollow, 30+`, `2022 inc`."""

from __future__ import annotations

import re

from standage.survey.cells.doubt import doubt_in, parted
from standage.survey.cells.table_cells import Outcome
from standage.survey.schema import CORES, TREES, Column
from standage.survey.synonyms import code_meaning, plain

YES_OR_NO = {"y", "yes", "t", "true"}
"""Words that say of the centre only what its heading asks."""
NO_CORE = {"no core", "not cored", "none taken", "no sample", "no core taken"}
"""Words in a column of cores for a stem that was not cored (common practice, no source)."""
_BREAST_HEIGHT = re.compile(
    r"4\.5 ?(?:ft|feet|')|1\.(?:3|37|4) ?m|1(?:30|37|40) ?cm|54 ?in\.?", re.IGNORECASE
)
BREAST_HEIGHT_WORDS = {"bh", "b h", "breast height", "breast ht", "dbh", "at bh"}
"""Words for the height at which diameters are measured (common practice, no source)."""
STUMP_WORDS = {"stump", "stump ht", "stump height", "above ground", "above soil", "above base"}
"""Words beside the height of a core that only name it (common practice, no source)."""
LEAST_NUMBER = re.compile(r"(?:>=?|\u2265|at least)\s*\d+|\d+\s*\+(?!\s*\d)", re.IGNORECASE)
OUTER_RING = CORES.column("outer_ring")
OUTCOME = TREES.column("core_outcome")
LOST_CORE = {"lost", "core lost", "lost core"}
"""Words for a core that was taken and never read (common practice, no source)."""
NO_SOUND_WOOD, UNREADABLE = "no_sound_wood", "unreadable"
RING_COLUMNS = {"ring_count", "first_ring_year"}
_NUMBER = r"(?:>=?|\u2265|at least|min\.?|minimum)?\s*\d+\s*(?:\+|or more|plus)?"
_WORDS = r"[^\d+>=]*[a-z][^\d+>=]*"
_WORDS_FIRST = re.compile(rf"({_WORDS}?)[\s,;:(]+({_NUMBER})\)?", re.IGNORECASE)
_NUMBER_FIRST = re.compile(rf"({_NUMBER})\s*[\s,;:(]\s*({_WORDS})\)?", re.IGNORECASE)
AND_TO_GO = re.compile(
    r"(\d+)\s*(?:rings?)?\s*\+\s*(\d+)\s*(?:rings?)?\s*"
    r"(?:to (?:the )?(?:pith|cent(?:re|er))|to go)",
    re.IGNORECASE,
)
TWO_NUMBERS = re.compile(r"(\d+)\s*\(?\+\s*(\d+)\s*\??\s*\)?\s*\??")
"""Rings counted, and a number more of which the cell doesn't say what it is."""
_YEAR_AND_WORD = re.compile(r"(\d{4})[\s,;:(]*([a-z][a-z ]*?)\.?\)?", re.IGNORECASE)
_YEARS_AS_RINGS = re.compile(r"\s*\b(?:yrs?|years?|rings?)\b\.?", re.IGNORECASE)
_RINGS = re.compile(r"\b(rings?|count|counted|visible)\b", re.IGNORECASE)


def no_core_in(cell: str, *, alone: bool) -> str | None:
    """What came of coring a stem, where a cell of a core says that there is none: the outcome, ""
    where it gives no reason; None where it says of a core. alone: nothing else speaks of one.

    >>> no_core_in("hollow, not cored", alone=False), no_core_in("no core", alone=True)
    ('no_sound_wood', '')
    """
    said = plain(cell)
    if said in NO_CORE:
        return ""
    if said in LOST_CORE:
        return UNREADABLE
    without = max((words for words in NO_CORE if words in said), key=len, default=None)
    rest = said.replace(without, " ").strip() if without else said if alone else ""
    meaning = code_meaning(TREES.name, OUTCOME, rest) if rest else None
    return NO_SOUND_WOOD if meaning == NO_SOUND_WOOD else None


def rings_and_words(cell: str, column: Column, unit: str) -> Outcome | None:
    """A number of rings with a word that the column `centre` knows, or the word alone where no ring
    could be read; None for anything else.

    >>> rings_and_words("hollow, 30+", CORES.column("ring_count"), "rings").shown
    '30, at_least yes, centre rotten'
    """
    words, number = cell, ""
    if (both := AND_TO_GO.fullmatch(cell)) and column.name == "ring_count":
        shown = f"{both[1]}, rings_to_pith {both[2]}"
        why = "rings counted, and those to the pith"
        return Outcome(float(both[1]), shown, why, more=(("rings_to_pith", both[2]),))
    found = _NUMBER_FIRST.fullmatch(cell)
    if found:
        number, words = found.groups()
    elif found := _WORDS_FIRST.fullmatch(cell):
        words, number = found.groups()
    words = _RINGS.sub(" ", words).strip(" ,;:()")
    if not words and number:
        return _number(number.strip(), column, {})
    meaning = code_meaning(CORES.name, CORES.column("centre"), words)
    if not isinstance(meaning, str) or plain(words) in YES_OR_NO:
        return None
    if number:
        return _number(number.strip(), column, {"centre": meaning})
    if meaning == "rotten":
        more = (("centre", meaning),)
        return Outcome("", f"no ring, centre {meaning}", "a word on the centre", more=more)
    return None


def year_and_outer_ring(cell: str) -> Outcome | None:
    """The year of the outermost ring with a word on how whole it is; None for anything else.

    >>> year_and_outer_ring("2022 inc").shown, year_and_outer_ring("1957+").shown
    ('2022, outer_ring partial', '1957, outer_ring lost')
    """
    found = _YEAR_AND_WORD.fullmatch(re.sub(r"(?<=\d) ?\+$", " lost", cell))
    if found is None:
        return None
    whole = code_meaning(CORES.name, OUTER_RING, found[2])
    if not isinstance(whole, str) or whole == "unknown":
        return None
    more = ((OUTER_RING.name, whole),)
    return Outcome(
        float(found[1]),
        f"{found[1]}, {OUTER_RING.name} {whole}",
        "a word on the last ring",
        more=more,
    )


def rings_in_years(cell: str) -> str:
    """An estimate of rings without `yr` or `rings`, and a range without its question mark.

    >>> rings_in_years("2 yr"), rings_in_years("10-15?")
    ('2', '10-15')
    """
    bare = _YEARS_AS_RINGS.sub("", cell).strip()
    return re.sub(r"(?<=\d)(\s*[-\u2013]\s*\d+)\s*\(?\?\)?$", r"\1", bare)


def height_beside_words(cell: str) -> str:
    """The height of a core without a word that only names it; "" where nothing else is written.

    >>> height_beside_words('stump 12"'), height_beside_words("12 in (stump)")
    ('12"', '12 in')
    >>> height_beside_words("bh (4.5 ft)")
    '4.5 ft'
    """
    bare = cell
    named = re.fullmatch(r"(.+?)\s*[(,=]\s*(.+?)\)?", cell)
    if named and plain(named[1]) in BREAST_HEIGHT_WORDS and _BREAST_HEIGHT.fullmatch(named[2]):
        return named[2]
    for words in sorted(STUMP_WORDS, key=len, reverse=True):
        bare = re.sub(rf"\b{words}\b", " ", bare, flags=re.IGNORECASE)
    return bare.strip(" ,;:=@()")


def _number(number: str, column: Column, more: dict[str, str]) -> Outcome | None:
    if number.isdecimal():
        value = number
    else:
        doubt = doubt_in(number, column)
        parts = parted(doubt, column) if doubt is not None else None
        if parts is None:
            return None
        value, bound = parts
        more = {**bound, **more}
    said = "".join(f", {name} {what}" for name, what in more.items())
    reason = (
        "a word on the centre" if "centre" in more else "at least" if more else "unit in the cell"
    )
    return Outcome(float(value), f"{value}{said}", reason, more=tuple(more.items()))
