"""The area on which seedlings were counted where only a title, or a line of notes, gives it: `4
milacre quadrats per plot`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from standage.errors import Problem
from standage.survey.cells.areas import square_metres
from standage.survey.readings import Reading
from standage.survey.schema import COUNTS
from standage.survey.sheets.title_plots import IN_A_TITLE, said_of_plots
from standage.survey.sheets.whole_lines import is_limited
from standage.survey.sheets.wide_counts import IN_BRACKETS
from standage.survey.written import Title, WrittenSurvey, WrittenTable, with_column

AREA = COUNTS.column("area_m2")
_UNIT = r"(?:ha|hectares?|ac|acres?|m2|m²|m\^2|sq\.? ?m|sq\.? ?ft|ft2|ft²)\b"
_SIZE = (
    rf"(?:\d+(?:\.\d+)?\s*(?:m|ft)?\s*[x×]\s*\d+(?:\.\d+)?\s*(?:m|ft)\b"
    rf"|\d+\s*/\s*\d+(?:st|th)?[\s-]*{_UNIT}|\d*\.?\d+[\s-]*{_UNIT}"
    r"|\d+(?:\.\d+)?[\s-]*(?:m|ft|feet)[\s-]+radius\b"
    r"|(?:radius|r)\s*(?:=|of)?\s*\d+(?:\.\d+)?\s*(?:m|ft|feet)\b|mil-?acres?\b)"
)
_SIZES = re.compile(rf"(?<![\d/.,]){_SIZE}", re.IGNORECASE)
_OF_SUBPLOTS = re.compile(
    rf"(?<![\d/.,])({_SIZE})(?:\s*\([^)]*\))?(?:[\s-]+\w+){{0,3}}?[\s-]+(?:sub-?plots?|quadrats?|quads|frames)\b",
    re.IGNORECASE,
)
_OF_SEEDLINGS = re.compile(
    r"\b(?:seedlings?|regen\w*|reproduction|mil-?acres?|sub-?plots?|quadrats?|quads)\b",
    re.IGNORECASE,
)
_OF_TOTALS = re.compile(r"\b(?:total|altogether|combined|together|in all|sum)\b", re.IGNORECASE)
_IN_FRONT = re.compile(r"(?<![\d/.,])\d{1,2}[ -]$")
_MORE_NUMBERS = re.compile(
    r"\d|\b(?:half|third|quarter|two|three|four|five|six|seven|eight|nine|ten|several|pairs?|dozen|both)\b",
    re.IGNORECASE,
)
_IN_WORDS_IN_FRONT = re.compile(
    r"\b(?:two|three|four|five|six|seven|eight|nine|ten)[ -](?:[a-z]+[ -])?$", re.IGNORECASE
)
_OF_OTHER_PLANTS = re.compile(
    r"\b(?:herbs?|herb\w*|shrubs?|cover|fuels?|litter|vegetation|photos?|raked|around"
    r"|within|along|transects?|corners?|hardwoods?|oaks?|each|density|per(?= \d))\b",
    re.IGNORECASE,
)
"""Numbers in front of a size, of which it is asked later, and what makes a line be left unread
(common practice, no source)."""
SAME = 0.02
"""Two sizes are one if they differ by less (assumption). [share]"""


def take_areas_of_titles(survey: WrittenSurvey) -> None:
    """A column of areas for counts that have none, in place, where the titles of their sheet, or
    else the notes, give one size of what seedlings were counted on; listed.
    """
    written = survey.tables.get(COUNTS.name)
    if written is None or not written.cells:
        return
    if AREA.name in written.header:
        _hold_footnotes(survey, written)
        return
    if any(square_metres(inside) for own in written.header for inside in IN_BRACKETS.findall(own)):
        return  # headings of stages say their own
    own = [title for title in survey.titles if title.file == written.file]
    notes = [title for title in survey.titles if title.of_notes]
    found = _sizes(own) or _sizes(notes)
    if not found and len(bare := _bare_sizes(own)) == 1 and not _is_of_plots(survey, bare[0][1]):
        found = bare
    if not found or max(size for _, size, _ in found) > (1 + SAME) * found[0][1]:
        return
    title, size, said = found[0]
    if any(_differs(each, size) for each in _other_sizes(survey, written)):
        return  # asked about: not all stages were counted on one
    survey.readings.append(
        Reading(title.file, title.row, AREA.name, said, f"{size:.10g} m2", IN_A_TITLE)
    )
    survey.tables[COUNTS.name] = with_column(written, AREA.name, f"{size:.10g}")


def _other_sizes(survey: WrittenSurvey, written: WrittenTable) -> list[float]:
    """Sizes in the lines below a list of counts: of a stage, as a rule. [m2]"""
    lines = [line.text for line in survey.below if line.file == written.file]
    return [
        size for text in lines for said in _SIZES.findall(text) if (size := square_metres(said))
    ]


def _hold_footnotes(survey: WrittenSurvey, written: WrittenTable) -> None:
    """A question on a size below a list of counts that no row of it has."""
    own = [size for size in _column(written, AREA.name) if size]
    for line in survey.below:
        sizes = [square_metres(said) for said in _SIZES.findall(line.text)]
        if line.file != written.file or not own or _OF_OTHER_PLANTS.search(line.text):
            continue
        if any(size and all(_differs(size, each) for each in own) for size in sizes):
            found = f"'{line.text}', and no row with that area"
            advice = "Write it into the rows that it is of; or delete the line."
            survey.doubts.append(
                Problem(line.file, line.row, AREA.name, found, "the area of each row", advice)
            )


def _differs(one: float, other: float) -> bool:
    return abs(one - other) > SAME * other


def _sizes(titles: Sequence[Title]) -> list[tuple[Title, float, str]]:
    """Every size of subplots in some titles, and every size beside words of seedlings alone,
    smallest first.
    """
    found = []
    for title in titles:
        if not _OF_SEEDLINGS.search(title.text) or _OF_TOTALS.search(title.text):
            continue
        if not _is_plain(title.text):
            continue
        said = _OF_SUBPLOTS.findall(title.text) or _SIZES.findall(title.text)
        found += [(title, size, each) for each in said if (size := square_metres(each))]
    return sorted(found, key=lambda each: each[1])


def _is_plain(text: str) -> bool:
    """Whether a line holds one size, and no number besides but one right in front of it.

    >>> _is_plain("4 milacre quadrats per plot"), _is_plain("2 x 2 m, 5 per plot")
    (True, False)
    """
    if is_limited(text) or _OF_OTHER_PLANTS.search(text):
        return False
    found = _SIZES.search(text)
    if found is None:
        return False
    before = _IN_WORDS_IN_FRONT.sub("", _IN_FRONT.sub("", text[: found.start()]))
    one = square_metres(found[0]) or 0.0
    behind = _SIZES.sub(  # the same size in other words says no more
        lambda other: other[0] if _differs(square_metres(other[0]) or 0.0, one) else " ",
        text[found.end() :],
    )
    return _MORE_NUMBERS.search(before + behind) is None


def _bare_sizes(titles: Sequence[Title]) -> list[tuple[Title, float, str]]:
    """The sizes in titles of a sheet of counts that say of nothing what they are."""
    return [
        (title, size, said)
        for title in titles
        if not _OF_TOTALS.search(title.text) and _is_plain(title.text)
        for said in _SIZES.findall(title.text)
        if (size := square_metres(said))
    ]


def _is_of_plots(survey: WrittenSurvey, size: float) -> bool:
    """Whether a size is that of the plots of stems, by what titles or the table of plots say, or
    may be, because nothing says theirs.
    """
    plots: list[float | None] = []
    for name in ("flat", "trees"):
        if (trees := survey.tables.get(name)) is not None:
            for part in trees.stack.parts if trees.stack else (trees,):
                said = said_of_plots(part, survey.titles)
                plots += [square_metres(each.as_read) for each in said if each.column == "area_m2"]
            plots += _column(trees, "plot_area_m2")
    if (table := survey.tables.get("plots")) is not None:
        plots += _column(table, "area_m2")
    known = [each for each in plots if each]
    return not known or any(abs(each - size) <= SAME * each for each in known)


def _column(table: WrittenTable, name: str) -> list[float | None]:
    if name not in table.header:
        return []
    at, unit = table.header.index(name), table.units.get(name) or "m2"
    return [square_metres(row[at], unit) for row in table.cells]
