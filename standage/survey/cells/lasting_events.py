"""Events that last or come back: a period by its first and last year, grazing by its end. A range
of years of fires may be one fire or many, and is asked about.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.problems import Problem
from standage.survey.cells.table_cells import REMARKS
from standage.survey.readings import Reading
from standage.survey.schema import EVENTS
from standage.survey.synonyms import code_meaning, plain
from standage.survey.written import WrittenSurvey

KIND = EVENTS.column("kind")
OF_PERIODS = {"fire-exclusion", "fire-resumed", "turpentining"}
SHORTEST_PERIOD = 5
"""Kinds of events that last, and years from which two are beginning and end (assumption)."""
OF_ONE_YEAR = {"logging", "thinning", "planting", "storm", "insects", "seed-crop"}
LONGEST_DOUBT = 10
"""Kinds of events of a year or a few, and years from which a range may hold several of them: longer
than a decade is known by its name (assumption)."""
FIRE, RESUMED, GRAZING_END = "fire", "fire-resumed", "grazing-end"
GRAZING = {"grazing", "grazed", "open range", "open range grazing", "cattle grazing", "cattle"}
"""Words for what has its end in the survey (common practice, no source)."""
COME_BACK = re.compile(
    r"\b(every|most (?:years|winters|springs|summers)|annual\w*|yearly|each year|regular\w*"
    r"|repeated\w*|frequent\w*|periodic\w*)\b",
    re.IGNORECASE,
)
"""Words for fires that came back (common practice, no source)."""
FIRES_ALL_ALONG = (
    "If fires came back from then on, write fire-resumed as kind, the year of the first as its year"
    " and that of the last, if they ended, into ended_year; or a row for each fire whose year is"
    " known"
)
_YEAR = r"((?:1[5-9]|20)\d\d)"
_PERIOD = re.compile(
    rf"(?:(?:from|ca?\.?|circa|about|abt\.?|around|approx\.?|~)\s*)?{_YEAR}\s*(?:-|\u2013|\u2014|\b(?:to|through|thru|until|till)\b)\s*"
    r"((?:1[5-9]|20)\d\d|\d\d)",
    re.IGNORECASE,
)


def settle_lasting_events(survey: WrittenSurvey) -> None:
    """Part periods of the table of events into beginning and end, in place, and ask of ranges that
    may be one event or many.
    """
    written = survey.tables.get("events")
    if written is None or not {"kind", "first_year"} <= set(written.header):
        return
    more = [name for name in ("last_year", "ended_year") if name not in written.header]
    header = [*written.header, *more]
    rows = [[*row, *("" for _ in more)] for row in written.cells]
    changed = False
    for row, line in zip(rows, written.rows, strict=True):
        cells = dict(zip(header, row, strict=True))
        parted = {} if cells["last_year"] else _parted(cells)
        changed |= bool(parted)
        if parted:
            shown = ", ".join(f"{name} {each}" for name, each in parted.items())
            why = "a period, from its first to its last year"
            if re.match("[^1-9]", cells["first_year"].strip()):
                why += "; 'about' is not read"
            if "kind" in parted:
                why = "a period of grazing, by its end"
            was = f"{cells['kind']}, {cells['first_year']}"
            survey.readings.append(Reading(written.file, line, "first_year", was, shown, why))
            row[:] = [parted.get(name, cell) for name, cell in cells.items()]
        else:
            kind = code_meaning(EVENTS.name, KIND, cells["kind"])
            years = "" if cells["last_year"] or cells["ended_year"] else cells["first_year"].strip()
            if problem := _ask_of_range(written.file, line, kind, years):
                survey.problems.append(problem)
            else:
                _ask(survey, written.headings, cells, line)
    if changed:
        survey.tables["events"] = replace(written, header=header, cells=rows)


def _parted(cells: dict[str, str]) -> dict[str, str]:
    """The cells of a period of which one reading is plain, by column; none for any other."""
    kind, years = code_meaning(EVENTS.name, KIND, cells["kind"]), cells["first_year"].strip()
    first, last = _period(years)
    if plain(cells["kind"]) in GRAZING or kind == GRAZING_END:
        if not last or kind == GRAZING_END:
            return {}
        return {"kind": GRAZING_END, "first_year": last, "last_year": last}
    if kind not in OF_PERIODS or not last or cells["ended_year"] not in ("", last):
        return {}
    return {"first_year": first, "last_year": first, "ended_year": last}


def _period(years: str) -> tuple[str, str]:
    """The first and the last year in a cell, four figures each; blank where it is no period.

    >>> _period("1985-95"), _period("1985-86")
    (('1985', '1995'), ('', ''))
    """
    first, last = _years(years)
    return (first, last) if last and int(last) - int(first) >= SHORTEST_PERIOD else ("", "")


def _years(years: str) -> tuple[str, str]:
    """The two years in a cell, four figures each, the later one last; blank for any other cell."""
    found = _PERIOD.fullmatch(years)
    if found is None:
        return "", ""
    last = found[2] if len(found[2]) == 4 else found[1][:2] + found[2]
    return (found[1], last) if int(last) > int(found[1]) else ("", "")


def _ask_of_range(file: str, line: int, kind: object, years: str) -> Problem | None:
    """A problem of two years in one cell that may be a short period or when it began, or one event
    or several; none where their reading is plain.
    """
    first, last = _years(years)
    if not last:
        return None
    if kind in OF_PERIODS:
        found = (
            f"'{years}', which may be its first and last year or those in which it may have begun"
        )
        advice = (
            f"If it lasted so long write {first} into first_year and last_year, and {last} into"
            f" ended_year; else {first} into a column first_year and {last} into last_year."
        )
        return Problem(file, line, "first_year", found, "the years in which it began", advice)
    if kind in OF_ONE_YEAR and int(last) - int(first) >= LONGEST_DOUBT:
        found = f"'{years}', which may be one event in an unknown year of these, or several"
        advice = (
            f"For one write {first} into a column first_year and {last} into last_year; for several"
            " a row for each."
        )
        return Problem(file, line, "first_year", found, "the years of one event", advice)
    return None


def _ask(survey: WrittenSurvey, headings: dict[str, str], cells: dict[str, str], line: int) -> None:
    """Problems of an event that may be one or many, or whose range may be a period."""
    file = survey.tables["events"].file
    kind = code_meaning(EVENTS.name, KIND, cells["kind"])
    years = cells["first_year"].strip()
    own = "last_year" not in headings and cells["ended_year"] != cells["last_year"]
    if cells["last_year"] and not own and re.fullmatch(_YEAR, years):
        years = f"{years}-{cells['last_year']}"
    decade = re.fullmatch(r"(?:the )?((?:1[5-9]|20)\d)0'?s", years) if kind == FIRE else None
    first, last = (f"{decade[1]}0", f"{decade[1]}9") if decade else _period(years)
    if kind == FIRE and last:
        found = f"'{years}', which may be one fire in an unknown year of these, or many"
        advice = (
            f"For one fire write {first} into a column first_year and {last} into last_year."
            f" {FIRES_ALL_ALONG}."
        )
        problem = Problem(file, line, "first_year", found, "the years of one fire", advice)
        survey.problems.append(problem)
    elif kind == GRAZING_END and last and years == cells["first_year"].strip():
        found = f"'{years}', which may be the years of grazing or those in which it may have ended"
        advice = (
            f"Write {last} alone if it ended then; else {first} into a column first_year and"
            f" {last} into last_year."
        )
        problem = Problem(file, line, "first_year", found, "the year in which it ended", advice)
        survey.problems.append(problem)
    elif kind in OF_PERIODS and last and cells["ended_year"] == last:
        found = f"'{years}', the years in which it may have begun, and {last} as its end"
        advice = f"Correct last_year: {first} if it began then, otherwise a year before its end."
        problem = Problem(file, line, "first_year", found, "the years in which it began", advice)
        survey.problems.append(problem)
    elif kind == FIRE and re.fullmatch(_YEAR, years):
        for name, cell in cells.items():
            if name.lower().strip() in REMARKS and COME_BACK.search(cell):
                found, expected = f"'{cell}', beside one fire", "nothing that the years don't say"
                advice = f"{FIRES_ALL_ALONG}; and take the words out of the remark."
                survey.doubts.append(Problem(file, line, name, found, expected, advice))
