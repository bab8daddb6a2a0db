"""Kinds of events in the words of a history: `cut over (logging)`, `Rx burn, dormant`."""

from __future__ import annotations

import re
from functools import cache

from standage.survey.lasting_events import FIRES_ALL_ALONG, OF_PERIODS
from standage.survey.readings import Reading
from standage.survey.schema import EVENTS
from standage.survey.synonyms import code_meaning, plain, synonym_list
from standage.survey.written import WrittenSurvey, WrittenTable

KIND = EVENTS.column("kind")
LONGEST = 8
"""Words of a cell that a word for one kind settles; in a longer one it may be a side remark
(assumption)."""
_NOT = {
    *("no", "not", "never", "without", "none", "maybe", "perhaps", "possibly", "or"),
    *("until", "ended", "end", "stopped", "excluded", "suppressed", "suppression", "exclusion"),
    *("before", "after", "since", "later", "then", "unknown", "unsure", "likely", "planned"),
    *("line", "lines", "tower", "lane", "lanes", "break", "breaks", "plow", "plowed"),
    *("pile", "piles", "road", "roads", "railroad", "mill", "camp", "still", "built", "permit"),
    *("scar", "scars"),
    *("corn", "cotton", "crop", "crops", "pasture", "rye", "grass", "food", "garden", "peas"),
}
"""Words that turn or move what is said of a kind, or make another thing of it (`fire tower`,
`planted corn`; common practice, no source)."""
_NO_FIRE = re.compile(
    r"\b(?:fires?|burn(?:s|ing)?)\b.*\b(?:kept out|excluded|suppressed|stopped|ended|suppression"
    r"|exclusion)\b|\bno (?:fires?|burn(?:s|ing)?)\b",
    re.IGNORECASE,
)
_FIRES = re.compile(r"\b(?:every|each|annual(?:ly)?|yearly|regular(?:ly)?|frequent(?:ly)?)\b", re.I)
"""Words for fire that was kept out, and for fires that came back (common practice, no source)."""
_SINCE = re.compile(
    r"(?:since|from)\s+((?:1[5-9]|20)\d\d)(?:\s*on(?:wards?)?)?"
    r"|((?:1[5-9]|20)\d\d)\s*"
    r"(?:on|onwards?|to (?:present|date|now|today)|-\s*(?:present|now|today)?)",
    re.IGNORECASE,
)
_UNTIL = re.compile(r"(?:until|till|to)\s+((?:1[5-9]|20)\d\d)", re.IGNORECASE)
BY_A_WORD = "a word for it among others"


def settle_kinds(survey: WrittenSurvey) -> None:
    """Write the kind in place of words that name one, in place, and the year of what began and
    lasts; other words stay, to be asked about.
    """
    written = survey.tables.get(EVENTS.name)
    if written is None or "kind" not in written.header:
        return
    at = written.header.index("kind")
    first = written.header.index("first_year") if "first_year" in written.header else None
    for row, line in zip(written.cells, written.rows, strict=True):
        cell = row[at]
        if cell and code_meaning(EVENTS.name, KIND, cell) is None:
            kinds = kinds_in(cell)
            if len(kinds) == 1:
                row[at] = kinds[0]
                survey.readings.append(
                    Reading(written.file, line, "kind", cell, kinds[0], BY_A_WORD)
                )
        if first is not None:
            _settle_year(survey, written, row, line, at, first)


def _settle_year(
    survey: WrittenSurvey, written: WrittenTable, row: list[str], line: int, at: int, first: int
) -> None:
    """The year in which something began that lasts, or in which grazing ended, in place."""
    kind = code_meaning(EVENTS.name, KIND, row[at])
    since, until = _SINCE.fullmatch(row[first]), _UNTIL.fullmatch(row[first])
    if since and kind in OF_PERIODS:
        year, why = since[1] or since[2], "a beginning, and no end yet"
    elif until and (kind == "grazing-end" or plain(row[at]) in ("grazing", "open range")):
        year, why = until[1], "the year in which it ended"
        survey.readings.append(Reading(written.file, line, "kind", row[at], "grazing-end", why))
        row[at] = "grazing-end"
    else:
        return
    survey.readings.append(Reading(written.file, line, "first_year", row[first], year, why))
    row[first] = year


def kinds_in(cell: str) -> list[str]:
    """The kinds of events that the words of a cell name, none where they turn one round or the cell
    is long.

    >>> kinds_in("cut over (logging)"), kinds_in("Hurricane, salvage cut after")
    (['logging'], ['storm', 'logging'])
    >>> kinds_in("fire kept out"), kinds_in("no logging on record")
    (['fire-exclusion'], [])
    """
    clauses = [_words(each) for each in re.split(r"[,;.]\s|[,;.]$| - ", cell) if each.strip()]
    if not clauses:
        return []
    if _NO_FIRE.search(cell) and len(clauses[0]) <= LONGEST:
        return ["fire-exclusion"]
    found = list(dict.fromkeys(kind for words in clauses for kind in _named(words)))
    if len(found) == 1 and (len(clauses[0]) > LONGEST or not _named(clauses[0])):
        return []
    if len(found) == 1 and _NOT & set(clauses[0]):
        return []
    if found == ["fire"] and _FIRES.search(cell):
        return ["fire-resumed"]
    if found == ["fire"] and "first" in clauses[0]:
        return []  # one of several, or the return of fire
    return found


def advice_on_kinds(cell: str) -> str:
    """What to do with words that name several kinds, or one among much else; "" for others."""
    found = kinds_in(cell)
    if len(found) > 1:
        return (
            f"It names {' and '.join(found)}: write a row for each, with its own year; the words"
            " may stand in a column Remarks."
        )
    named = _named(_words(cell))
    if named == ["fire"] and "first" in _words(cell):
        return f"Write fire if it was one alone. {FIRES_ALL_ALONG}."
    if len(named) != 1:
        return ""
    return f"Write '{named[0]}' if that is meant; the words may stand in a column Remarks."


def _words(text: str) -> list[str]:
    return plain(re.sub(r"[/&+;:()'\"]", " ", text)).split()


def _named(words: list[str]) -> list[str]:
    """Kinds in the order in which words for them stand, the longest first where they overlap."""
    known = _words_of_kinds()
    longest = max(len(each) for each in known)
    found: list[str] = []
    place = 0
    while place < len(words):
        for length in range(min(longest, len(words) - place), 0, -1):
            kind = known.get(tuple(words[place : place + length]))
            if kind is not None:
                kind = "" if place and words[place - 1] in ("no", "not", "without") else kind
                found += [] if kind in found or not kind else [kind]
                place += length
                break
        else:
            place += 1
    return found


@cache
def _words_of_kinds() -> dict[tuple[str, ...], str]:
    """Words for each kind; those that may mean several have none."""
    listed = dict(synonym_list("codes")[EVENTS.name]["kind"])
    doubtful = listed.pop("two_meanings", {})
    words = {tuple(plain(word).split()): kind for kind, of in listed.items() for word in of}
    words |= {tuple(plain(kind).split()): kind for kind in KIND.codes if kind != "other"}
    return words | {tuple(plain(word).split()): "" for word in doubtful}
