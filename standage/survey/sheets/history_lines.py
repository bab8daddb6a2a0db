"""A stand's past that is written outside a table of events: a box below a list, `HISTORY` and then
`logged | 1938`, which is read as one; and sentences, of which it is asked.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import takewhile

from standage.errors import Problem
from standage.survey.cells.event_kinds import ELSEWHERE, IF_ELSEWHERE, KIND, kinds_named
from standage.survey.cells.headings import heading_of
from standage.survey.cells.references import cells_of
from standage.survey.cells.table_cells import heads_remarks
from standage.survey.readings import Reading
from standage.survey.schema import EVENTS
from standage.survey.sheets.event_stands import ALL, BOTH
from standage.survey.synonyms import code_meaning, plain, synonym_list
from standage.survey.written import Title, WrittenSurvey, WrittenTable

HEADINGS = ("kind", "first_year", "note")
"""Of a box without any, in their order."""
SHOWN, LETTERS = 6, 60
"""Sentences that a message quotes, and letters of each."""
_OF_FIELD_WORK = re.compile(
    r"\b(?:survey|cruise|inventor|measur|sampl|tall(?:y|ie)|field ?work|visit|crew|cored\b"
    r"|counted\b)",
    re.IGNORECASE,
)
"""Words beside a year of the field work itself (common practice, no source)."""
_IN_DOUBT = re.compile(
    rf"\?|\b(?:maybe|perhaps|sure|missed|another|plots? \w?\d)\b|{ELSEWHERE.pattern}",
    re.IGNORECASE,
)
"""Words beside an event by which it may have been elsewhere, or otherwise (common practice, no
source)."""
_HOW_MUCH = re.compile(
    r"\b(?:maybe|perhaps) (?:(?:(?:an?|one|1|two|2) )?(?:thirds?|quarters?|half|fifths?|tenths?)"
    r" (?:of (?:the|all|them)|down|killed|lost|dead|uprooted|broken)\b|(?:one|1) in \d{1,2}\b"
    r"|\d+ ?%)"
    r"|\b\d{1,3} (?:\w+ ){0,2}trees? (?:down|killed|lost|dead|uprooted|broken)(?: in plots? \w+)?",
    re.IGNORECASE,
)
"""Words on how much an event took, which may doubt or place that alone (common practice, no
source)."""
_MAYBE_EVENTS = re.compile(r"\b(?:cut|cutting|pulpwood|graz(?:ed|ing)|cleared)\b", re.IGNORECASE)
"""Words that may be of several kinds of events, or of none of the survey's (common practice, no
source)."""
_CUTTING = re.compile(r"\b(?:(?:clear ?|salvage )cut(?: over)?|cut over)\b", re.IGNORECASE)
"""Words with `cut` that are logging (common practice, no source)."""
_OF_STEMS = re.compile(r"\b(?:trees?|stems?|cores?|tags?)\b", re.IGNORECASE)
YEAR_IN_A_RANGE = re.compile(r"(?<!\d)(?:1[6-9]|20)\d\d(?!\d)")
YEAR = re.compile(r"(?<![\d.-])(?:1[6-9]|20)\d\d(?![\d.])")


def names_events(text: str) -> bool:
    """Whether a line is a word for a table of events: `HISTORY`, `Stand history:`."""
    words = {plain(word) for word in synonym_list("headings")["tables"][EVENTS.name]}
    return plain(re.sub(r"\(.*\)", "", text).strip(" :")) in words | {EVENTS.name}


def take_box(title: Title, records: Sequence[Sequence[str]], survey: WrittenSurvey) -> int:
    """Rows of a box of events, from the row below its title to the next blank one, read as the
    table of events where there is none; how many they are, 0 where they are none.
    """
    if EVENTS.name in survey.tables:
        return 0
    box = [[cell.strip() for cell in record] for record in records]
    box = list(takewhile(any, box))
    names = [heading_of(EVENTS, cell) if cell else None for cell in (box or [[]])[0]]
    headings = [
        cell if each is None or each.means else each.column
        for each, cell in zip(names, (box or [[]])[0], strict=True)
    ]
    headed = {"first_year", "kind"} <= set(headings)
    if not headed:
        box = [list(filter(None, row)) for row in box]
        headings = list(HEADINGS)
        if not box or 2 * sum(map(_is_event, box)) <= len(box) or max(map(len, box)) > 3:
            return 0
    cells, first = box[headed:], title.row + 1 + headed
    padded = [(row + [""] * len(headings))[: len(headings)] for row in cells]
    rows = list(range(first, first + len(cells)))
    survey.tables[EVENTS.name] = WrittenTable(title.file, headings, padded, rows, first - 1)
    survey.files[EVENTS.name] = title.file
    read = f"events: {', '.join(filter(None, headings))} in {len(cells)} rows"
    why = "a list of events below another"
    survey.readings.append(Reading(title.file, title.row, None, title.text, read, why))
    return len(box)


def _is_event(cells: Sequence[str]) -> bool:
    """Whether a row says what happened, and then when."""
    if len(cells) < 2 or not YEAR.search(cells[1]):
        return False
    return code_meaning(EVENTS.name, KIND, cells[0]) is not None or bool(kinds_named(cells[0]))


def tells_of_events(text: str) -> bool:
    """Whether a line names a kind of event and a year.

    >>> tells_of_events("Wildfire in spring 1954"), tells_of_events("Burn unit 4, surveyed 2021")
    (True, False)
    """
    if _OF_FIELD_WORK.search(text) or YEAR.search(text) is None:
        return False
    return bool(kinds_named(text)) or _MAYBE_EVENTS.search(text) is not None


def tells_of_stand(text: str) -> bool:
    """Whether a line below a list tells of events of a stand, and not of stems of the list.

    >>> tells_of_stand("Cut in 1938"), tells_of_stand("Trees 101 and 102 were cut in 2019")
    (True, False)
    """
    return tells_of_events(text) and _OF_STEMS.search(text) is None


def ask_of_remarks_on_events(survey: WrittenSurvey) -> None:
    """A question on each event whose remark says that it may have been elsewhere, or otherwise."""
    written = survey.tables.get(EVENTS.name)
    if written is None:
        return
    remarks = [(at, name) for at, name in enumerate(written.header) if heads_remarks(name)]
    for at, name in remarks:
        for row, line in zip(written.cells, written.rows, strict=True):
            if _IN_DOUBT.search(_HOW_MUCH.sub("", row[at])):
                kind = row[written.header.index("kind")] if "kind" in written.header else "an event"
                found = f"'{row[at]}' beside '{kind}'"
                advice = f"{IF_ELSEWHERE}, or shorten the words if it did."
                expected = "what happened in the stand, and when"
                survey.doubts.append(Problem(written.file, line, name, found, expected, advice))


def ask_of_sentences(survey: WrittenSurvey) -> None:
    """One question on all lines of titles, notes and below lists that tell of events which are not
    among those read.
    """
    events, stands = _kinds_and_years(survey), _stands(survey)
    lines = [
        line
        for line in (*survey.titles, *survey.below)
        if tells_of_events(line.text) and not _is_among(line.text, events, stands)
    ]
    if not lines:
        return
    quoted = "; ".join(f"'{line.text[:LETTERS]}' (row {line.row})" for line in lines[:SHOWN])
    more = len(lines) - SHOWN
    quoted += f"; and {more} more" if more > 0 else ""
    first = lines[0]
    survey.doubts.append(
        Problem(
            first.file,
            first.row,
            None,
            f"events: {'others' if events else 'none'}, and words on the past of a stand: {quoted}",
            "events in rows of their own",
            "Nothing is read from words. Write "
            + ("" if events else "a sheet named events, with the headings kind,")
            + ("" if events else " stand, first_year, last_year, ended_year and note, and ")
            + "a row for each that happened in the stand (logging, 1923, 1927, about 1925; what"
            " lasted has its end in ended_year)"
            + (" and isn't among the events; then delete the words." if events else "."),
        )
    )


def _kinds_and_years(survey: WrittenSurvey) -> list[tuple[set[str], int, int, str]]:
    """The kinds, the first and last year, and the stand that each row of the table of events names;
    "" for all stands.
    """
    written = survey.tables.get(EVENTS.name)
    if written is None:
        return []
    found = []
    for row in written.cells:
        years = [int(year) for year in YEAR_IN_A_RANGE.findall(" ".join(row))]
        kinds = {kind for cell in row for kind in kinds_named(cell)}
        stand = plain(row[written.header.index("stand")]) if "stand" in written.header else ""
        stand = "" if stand in ALL | BOTH else stand
        found.append((kinds, min(years, default=0), max(years, default=0), stand))
    return found


def _stands(survey: WrittenSurvey) -> set[str]:
    """Names of stands; those of a letter or two, which a word may be, behind `stand`."""
    names = {plain(cell) for of in survey.tables.values() for cell in cells_of(of, "stand")} - {""}
    return {name if len(name) > 2 else f"stand {name}" for name in names}


def _is_among(text: str, events: list[tuple[set[str], int, int, str]], stands: set[str]) -> bool:
    """Whether each kind, and each year, that a line names is one of an event of a table, and of
    each stand that it names; False for words that may say otherwise.

    >>> events = [({"logging"}, 1925, 1925, ""), ({"fire"}, 1954, 1954, "")]
    >>> _is_among("Logged 1925, burned 1954", events, set())
    True
    >>> _is_among("Logged 1954, burned 1925", events, set())
    False
    >>> _is_among("Clear cut 1925", events, set())
    True
    >>> _is_among("Logged 1925, then cut over again", events, set())
    False
    """
    text = _HOW_MUCH.sub("", text)
    kinds, years = set(kinds_named(text)), [int(year) for year in YEAR_IN_A_RANGE.findall(text)]
    parts = re.split(r"[,;.&]|\band\b|\bthen\b", text)
    dated = {part: _CUTTING.sub("", part) for part in parts if YEAR_IN_A_RANGE.search(part)}
    others = ";".join(dated.get(part, part) for part in parts)
    if not kinds or _MAYBE_EVENTS.search(others) or _IN_DOUBT.search(text):
        return False
    for name in {stand for stand in stands if _names(text, stand)} or {""}:
        stand = name.removeprefix("stand ")
        there = [each for each in events if not (stand and each[3]) or _names(each[3], stand)]
        own = [each for each in there if each[0] & kinds]
        if not kinds <= {kind for each in own for kind in each[0]}:
            return False
        if not all(any(first <= year <= last for _, first, last, _ in own) for year in years):
            return False
        for part in parts:  # each kind with its own year
            of_part = set(kinds_named(part))
            ours = [each for each in own if each[0] & of_part] if of_part else own
            for year in map(int, YEAR_IN_A_RANGE.findall(part)):
                if not any(first <= year <= last for _, first, last, _ in ours):
                    return False
    return True


def _names(text: str, name: str) -> bool:
    return re.search(rf"(?<!\w){re.escape(name)}(?!\w)", plain(text)) is not None
