"""Kinds of events in the words of a history: `cut over (logging)`, `Rx burn, dormant`."""

from __future__ import annotations

import re
from functools import cache

from standage.survey.cells.lasting_events import COME_BACK, FIRES_ALL_ALONG, OF_PERIODS
from standage.survey.readings import Reading
from standage.survey.schema import EVENTS
from standage.survey.synonyms import code_meaning, plain, synonym_list
from standage.survey.written import WrittenSurvey, WrittenTable

KIND = EVENTS.column("kind")
_BESIDE = {
    *("dormant", "growing", "season", "winter", "spring", "summer", "fall", "autumn"),
    *("early", "late", "light", "heavy", "moderate", "severe", "partial", "damage", "commercial"),
    *("cool", "hot", "low", "high", "intensity", "severity", "first", "second", "small", "large"),
    *("over", "for", "whole", "entire", "all", "stand", "ridge", "tract", "site", "sawlogs"),
    *("sawtimber", "timber", "chipped", "faces", "boxed"),
}
"""Words beside a kind that say when or how hard, and leave it what it is (common practice, no
source)."""
_NO_MORE = {("no", "salvage"), ("seed", "trees", "left")}
"""Words beside a kind by which nothing else happened (common practice, no source)."""
_NONE, _END = {"no", "none", "never"}, {"ended", "end", "stopped", "until"}
_BEGUN = {"began", "begun", "begins", "start", "started", "starts", "since", "resumed"}
_NO_FIRE = {"line", "lines", "plow", "plowed", "plough", "ploughed", "break", "breaks", "tower"}
_FIRES = re.compile(
    r"(?:(?:prescribed|controlled|control|rx) )?(?:fires?|burn(?:s|ed|t|ing)?) (?:every|each)"
    r" (?:\d+ (?:(?:to|or|\u2013) )?(?:\d+ )?)?(?:yrs?|years?)"
)
"""Fires that came back, with their interval (common practice, no source)."""
_SINCE = re.compile(
    r"(?:since|from)\s+((?:1[5-9]|20)\d\d)(?:\s*on(?:wards?)?)?"
    r"|((?:1[5-9]|20)\d\d)\s*"
    r"(?:on|onwards?|to (?:present|date|now|today)|-\s*(?:present|now|today)?)",
    re.IGNORECASE,
)
_UNTIL = re.compile(r"(?:until|till|to)\s+((?:1[5-9]|20)\d\d)", re.IGNORECASE)
ELSEWHERE = re.compile(
    r"\b(?:next door|near ?by|adjacent|adjoining|neighbou?r\w*|elsewhere"
    r"|(?:an)?other (?:tract|stand|farm|property|place)|next (?:tract|stand|farm|property)"
    r"|across the (?:road|fence|line|creek))\b",
    re.IGNORECASE,
)
"""Words by which an event was not in the stand (common practice, no source)."""
IF_ELSEWHERE = "Delete the row if it didn't happen in the stand"
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
    """The kinds of events that a cell names, none where any of its words is not known.

    >>> kinds_in("cut over (logging)"), kinds_in("Rx burn, dormant")
    (['logging'], ['fire'])
    >>> kinds_in("storm shelter"), kinds_in("fire, suppressed by crew")
    ([], [])
    """
    if _FIRES.fullmatch(plain(cell)):
        return ["fire-resumed"]
    parts = _parts(_words(cell))
    found = list(dict.fromkeys(kind for _, kind in parts if kind))
    rest = [words for words, kind in parts if not kind]
    if any(words not in _NO_MORE and not set(words) <= _BESIDE for words in rest):
        return []
    if "fire" in found and ("first",) in rest:
        return []  # one of several, or the return of fire
    return found


def kinds_named(cell: str) -> list[str]:
    """The kinds of events for which any word of a cell stands, whatever else it says.

    >>> kinds_named("Hurricane, salvage cut after"), kinds_named("storm shelter")
    (['storm', 'logging'], ['storm'])
    """
    parts = _parts(_words(cell))
    none = [()] + [words for words, _ in parts]
    named = [
        kind
        for (_, kind), before in zip(parts, none, strict=False)
        if kind and before not in (("no",), ("not",), ("without",))
    ]
    return list(dict.fromkeys(named))


def advice_on_kinds(cell: str) -> str:
    """What to do with words that name several kinds, or one among much else; "" for others."""
    named = kinds_named(cell)
    if ELSEWHERE.search(cell):
        return f"{IF_ELSEWHERE}; if it did, write what happened, without the place."
    if len(named) > 1:
        return (
            f"It names {' and '.join(named)}: write a row for each that happened, with its own"
            " year; the words may stand in a column Remarks."
        )
    if named == ["fire"] and "first" in _words(cell):
        return f"Write fire if it was one alone. {FIRES_ALL_ALONG}."
    if set(_words(cell)) & _NONE:
        other = f", write {named[0]} if that is meant" if named else ""
        note = "the words may stand as a note of the stand"
        return f"Delete the row if nothing happened{other}; {note}."
    if len(named) != 1:
        return ""
    if named == ["fire"] and set(_words(cell)) & _NO_FIRE:
        return "Write site-preparation or other, or fire if one burned the stand."
    if named == ["fire"] and (set(_words(cell)) & _BEGUN or COME_BACK.search(cell)):
        return f"Write fire if it was one alone. {FIRES_ALL_ALONG}."
    if named[0] in OF_PERIODS and set(_words(cell)) & _END:
        return (
            f"Write {named[0]}, the year in which it began into first_year and last_year, and the"
            " year in which it ended into ended_year."
        )
    return f"Write '{named[0]}' if that is meant; the words may stand in a column Remarks."


def _words(text: str) -> list[str]:
    return plain(re.sub(r"[/&+;:()'\"]", " ", text)).split()


def _parts(words: list[str]) -> list[tuple[tuple[str, ...], str]]:
    """The words in order, those for a kind together, the longest first, each with its kind: "" for
    other words and for those that may mean several.
    """
    known = {**_words_of_kinds(), **dict.fromkeys(_NO_MORE, "")}
    longest = max(len(each) for each in known)
    found: list[tuple[tuple[str, ...], str]] = []
    while words:
        lengths = range(min(longest, len(words)), 0, -1)
        length = next((each for each in lengths if tuple(words[:each]) in known), 1)
        own = tuple(words[:length])
        found.append((own, known.get(own, "")))
        words = words[length:]
    return found


@cache
def _words_of_kinds() -> dict[tuple[str, ...], str]:
    """Words for each kind; those that may mean several have none."""
    listed = dict(synonym_list("codes")[EVENTS.name]["kind"])
    doubtful = listed.pop("two_meanings", {})
    words = {tuple(plain(word).split()): kind for kind, of in listed.items() for word in of}
    words |= {tuple(plain(kind).split()): kind for kind in KIND.codes if kind != "other"}
    return words | {tuple(plain(word).split()): "" for word in doubtful}
