"""The day of the survey where only a title above the headings gives it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass

from standage.errors import Problem
from standage.survey.cells.dates import dates_in, several_days
from standage.survey.cells.references import alike
from standage.survey.readings import Reading
from standage.survey.written import Title, WrittenSurvey, WrittenTable, with_column

_MONTH = (
    r"(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?"
    r"|sept?(?:ember)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)"
)
_TO = r"\s*(?:-|\u2013|to|and|&)\s*"
_DATES = re.compile(
    rf"\b{_MONTH}\.? \d{{1,2}}{_TO}(?:{_MONTH}\.? )?\d{{1,2}},? \d{{4}}\b"
    rf"|\b\d{{1,2}}(?: {_MONTH}\.?)?{_TO}\d{{1,2}} {_MONTH}\.?,? \d{{4}}\b"
    r"|\b\d{1,4}[/.-]\d{1,2}[/.-]\d{1,4}\b"
    rf"|(?<!plot )(?<!stand )(?<!site )\b\d{{1,2}}(?:st|nd|rd|th)?[ -]{_MONTH}\.?,?[ -]\d{{4}}\b"
    rf"|\b{_MONTH}\.? \d{{1,2}}(?:st|nd|rd|th)?,? \d{{4}}\b",
    re.IGNORECASE,
)
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)|\b\d{1,2}[/.-]\d{1,2}[/.-]\d{2}\b")
_OF_SOMETHING_ELSE = re.compile(
    r"burn|fire|print|updat|plant|enter|typed|logg|version|revis|harvest|thin|storm|hurricane"
    r"|establ|set up|install|compil|photo|imagery|approv|begun|began|start|since|permit|issued"
    r"|\brev\b|\bform\b|\bmaps?\b|\bdeed|lidar|flown|aerial|\bcut\b|receiv|ship|\bsent\b|\bnext\b"
    r"|\bread|reread|tagg|\bdue\b|prepar|meeting|planned|\blab\b|mail|soil|earlier|previous"
    r"|\bformer|\bold\b|\bof (?:the )?first|remeasur|return|seen|bought|sold|lease|\bnot\b|\bbut\b"
    r"|laid|bird|wildlife|boundary|grant|mounted|tornado|salvage|beetle|flood|drought|\bice\b",
    re.IGNORECASE,
)
_OF_SURVEY = re.compile(
    r"(?:(?:the |stand |plots? |trees? |field ?|(?:cored|measured|mapped) (?:and |\+ |& ))*"
    r"(?:survey(?:ed)?|field ?work|dates?|day|exam\w*|visit(?:ed)?"
    r"|cruised?|sampl(?:ed|ing)|inventor(?:y|ied)|(?:cored|measured) (?:and|\+|&) mapped"
    r"|measured|cored|tallied"
    r"|collected|done)\b[ :=,]*"
    r"(?:(?:of|in|on|the|date|dates|survey|field ?work|field|visit|sampling|exam\w*|inventory"
    r"|cruise|measurement|coring)\b[ :=,]*)*)",
    re.IGNORECASE,
)
_NAMED = re.compile(
    r"(?:(?:plots?|stands?|sites?|tracts?|sheets?|blocks?|units?|pages?)\b[ :#]*"
    r"(?:[a-z]{0,2}\d*\b)?[ :,]*)*",
    re.IGNORECASE,
)
_OF_PLACE = re.compile(
    r"(?:(?:[A-Z][\w'.]*|\d{1,3}|tract|stand|plot|site|block|unit|forest|preserve|pine|longleaf)"
    r"[ ,:-]*){1,6}"
)
_BEHIND = re.compile(r"(?:\s*(?:by|crew|team|observers?|recorders?)\b.*)?[\s.,:]*", re.IGNORECASE)
"""Words beside which the date in a title is not that of the survey, words before it with which it
is, names of plots and places, and what may stand behind it (common practice, no source)."""
DATE_IN_TITLE = "date in a title, for want of a survey date"


@dataclass(frozen=True)
class _Found:
    """A date in a title: the days that it may be, of several days the last; first: then, the first
    of them, "" for one day.
    """

    title: Title
    cell: str
    days: tuple[str, ...]
    first: str


def _found(titles: Iterable[Title]) -> list[_Found]:
    return [
        _Found(title, cell, tuple(map(str, days)), _first_day(cell))
        for title in titles
        if not _OF_SOMETHING_ELSE.search(title.text)
        if any(_is_of_survey(title, cell) for cell in _DATES.findall(title.text))
        for cell in _DATES.findall(title.text)
        if (days := _days_in(cell))
    ]


def _is_of_survey(title: Title, cell: str) -> bool:
    """Whether a date's own part of a line holds nothing but words of a survey; above headings also
    nothing, or the name of a plot or place.
    """
    before, _, behind = title.text.partition(cell)
    begins = re.split(r"[;,(]|\.\s|\s[-\u2013]\s", _DATES.sub("", before))[-1].strip()
    begins = re.sub(r"^(?:and|&|to)\b\s*", "", begins)
    ends = re.split(r"[;,)(]|\.(?:\s|$)|\s[-\u2013]\s", behind)[0]
    ends = re.sub(r"^\s*(?:and|&|to)\b.*", "", ends)
    if not _BEHIND.fullmatch(ends):
        return False
    last = re.split(r"[;(]", before)[-1]
    if re.search(rf"{_OF_SURVEY.pattern}$", begins or last, re.IGNORECASE):
        words = re.sub(rf"\b{_OF_SURVEY.pattern}", "", begins or last, flags=re.IGNORECASE)
        if not _NAMED.sub("", words).strip(" ,:"):
            return True
    named = _NAMED.fullmatch(begins) or _OF_PLACE.fullmatch(begins)
    return not title.of_notes and named is not None


def _days_in(cell: str) -> list[dt.date]:
    """Every day that the cell may be; of several days of field work the last."""
    several = several_days(cell)
    return list(dates_in(cell).values()) if several is None else [several[1]]


def _first_day(cell: str) -> str:
    """The first of several days, "" for one."""
    several = several_days(cell)
    return "" if several is None else str(several[0])


def date_of_titles(titles: Iterable[Title]) -> Reading | None:
    """The one date of some titles, as a reading of it; None where they hold none, or several."""
    found = _found(titles)
    days = _days_of(found)
    if len(days) != 1:
        return None
    title = found[0].title
    return Reading(title.file, title.row, "survey_date", found[0].cell, days[0], DATE_IN_TITLE)


def _days_of(found: list[_Found]) -> list[str]:
    """The one day that all dates may be, `10/4/2021` and `4 Oct 2021`; else every one that any may
    be.
    """
    of_each = [set(each.days) for each in found]
    common = set.intersection(*of_each) if of_each else set()
    return sorted(common if len(common) == 1 else set().union(*of_each))


def title_with_a_date(titles: Iterable[Title]) -> Title | None:
    """The first title with a date or a year in it that may be that of the survey."""
    of_survey = (title for title in titles if not _OF_SOMETHING_ELSE.search(title.text))
    return next((title for title in of_survey if _YEAR.search(title.text)), None)


def date_by_title(survey: WrittenSurvey) -> str:
    """The one date of the titles, year first, listed as a reading; "" where they hold none. Two
    dates, or one that can be read in two ways, are a problem.
    """
    found = _found(survey.titles)
    if not found:
        return ""
    found = _within_the_field_work(found)
    first, days = found[0], _days_of(found)
    if len(days) > 1:
        others = [each.cell for each in found if each.days != first.days]
        survey.problems.append(
            Problem(
                first.title.file,
                first.title.row,
                "survey_date",
                f"no survey date, and in the title '{first.cell}'"
                + "".join(f" beside '{each}'" for each in others[:1]),
                f"one day; it may be {' or '.join(days)}",
                "Write it in a column survey_date (YYYY-MM-DD), in each row or in a table stands.",
            )
        )
        return ""
    survey.readings.append(
        Reading(
            first.title.file, first.title.row, "survey_date", first.cell, days[0], DATE_IN_TITLE
        )
    )
    return days[0]


def _within_the_field_work(found: list[_Found]) -> list[_Found]:
    """Without days of single sheets, where a line of notes gives the first and last day of the
    field work and they lie between.
    """
    of_all = [each for each in found if each.title.of_notes and each.first]
    if len(of_all) != 1:
        return found
    (whole,) = of_all
    between = all(whole.first <= day <= whole.days[0] for each in found for day in each.days)
    return of_all if between else found


def fill_dates_of_stands(survey: WrittenSurvey) -> None:
    """A column of survey dates, by the title, for a table of stands that has none, in place."""
    written = survey.tables.get("stands")
    if written is None or "survey_date" in written.header or not written.cells:
        return
    day = date_by_title(survey)
    if day:
        survey.tables["stands"] = with_column(written, "survey_date", day)


def lends_its_day(survey: WrittenSurvey, trees: WrittenTable, at: int) -> bool:
    """Whether of several sheets of stems one has a day in its title and one of another stand, whose
    place is number `at`, has none: a problem.
    """
    if trees.stack is None:
        return False
    stands: dict[bool, set[str]] = {True: set(), False: set()}
    without = ""
    for part in trees.stack.parts:
        dated = title_with_a_date(each for each in survey.titles if each.file == part.file)
        own = [
            alike(row[at])
            for row, line in zip(trees.cells, trees.rows, strict=True)
            if trees.stack.place_of(line)[0] is part
        ]
        stands[dated is not None] |= {*own}
        without = without if dated is not None else part.file
    if not stands[True] or not stands[False] - stands[True]:
        return False
    found = "no date above this list, and one above that of another stand"
    advice = "Write the date above it as well; or a table stands with a survey_date for each."
    expected = "the day on which each stand was surveyed"
    survey.problems.append(Problem(without, None, "survey_date", found, expected, advice))
    return True
