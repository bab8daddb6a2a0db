"""Stems of known age with rings counted at a height: which height is meant, where the sheet has the
heights of the plants too, or its headings name several (`Rings 1 ft`, `Rings 4.5 ft`).
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.headings import without_unit
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.readings import Reading
from standage.survey.schema import KNOWN_AGE_STEMS
from standage.survey.units import converted, unit_of
from standage.survey.written import WrittenSurvey, WrittenTable, with_column

HEIGHT, RINGS = "height_cm", "rings_at_height"
_AT = re.compile(
    r"rings?(?: at| @)?\s*(\d+(?:\.\d+)?)\s*(ft|feet|in|inch(?:es)?|cm|m|')\b\.?", re.I
)
_OF_RINGS = {"rings", "ring", "count", "counted", "cut", "section", "disc", "disk", "core"}
"""Words in a heading by which its heights are those of the rings (common practice, no source)."""
FEWEST_HEIGHTS = 3
"""Different heights that are more likely the plants' than those of their sections (assumption)."""


def settle_heights_of_rings(survey: WrittenSurvey) -> None:
    """Take the height from the only heading that names one, in place; ask where several do, or
    where heights may be those of the plants.
    """
    written = survey.tables.get(KNOWN_AGE_STEMS.name)
    if written is None:
        return
    named = {each: found for each in written.header if (found := _AT.fullmatch(each.strip()))}
    if len(named) == 1 and RINGS not in written.header:
        survey.tables[KNOWN_AGE_STEMS.name] = _taken(survey, written, *named.popitem())
    elif len(named) > 1:
        survey.problems.append(_several(written, list(named)))
    elif RINGS in written.header and _of_plants(written):
        survey.problems.append(_which(written))


def _of_plants(written: WrittenTable) -> bool:
    """Whether the heights may be those of the plants: by their heading, and by being different."""
    own = written.headings.get(HEIGHT)
    if own is None or _OF_RINGS & set(without_unit(own)[0].split()):
        return False
    at = written.header.index(HEIGHT)
    heights = [row[at] for row in written.cells if row[at].lower() not in {"", *BLANK_WORDS}]
    return len(set(heights)) >= max(FEWEST_HEIGHTS, len(heights) / 2)


def _taken(
    survey: WrittenSurvey, written: WrittenTable, heading: str, found: re.Match[str]
) -> WrittenTable:
    unit = "ft" if found[2] == "'" else unit_of(found[2]) or "cm"
    height = f"{converted(float(found[1]), unit, 'cm'):.6g}"
    header = [RINGS if each == heading else each for each in written.header]
    headings = {**written.headings, RINGS: heading}
    units = dict(written.units)
    if HEIGHT in header:  # of the plant
        header = [headings.pop(HEIGHT, "height") if each == HEIGHT else each for each in header]
        units.pop(HEIGHT, None)
    survey.readings.append(
        Reading(
            written.file,
            written.header_row,
            HEIGHT,
            heading,
            f"{RINGS}, {HEIGHT} {height}",
            "the height in the heading of its rings",
        )
    )
    table = replace(written, header=header, headings=headings, units=units)
    return with_column(table, HEIGHT, height)


def _several(written: WrittenTable, named: list[str]) -> Problem:
    listed = " and ".join(f"'{each}'" for each in named)
    return Problem(
        written.file,
        written.header_row,
        named[0],
        f"{listed}, rings at {len(named)} heights of each stem",
        "one height a stem",
        "Keep the one nearest to the height of your cores, and take the others out. Two rows of a"
        " stem would count it twice.",
    )


def _which(written: WrittenTable) -> Problem:
    own = written.headings[HEIGHT]
    return Problem(
        written.file,
        written.header_row,
        own,
        f"'{own}', which may be the height of the plant or that of the rings counted above ground",
        "the height at which rings_at_height was read",
        f"Head it {HEIGHT} (in cm) if it is that of the rings. Otherwise head it 'tip', and write"
        f" the height of the rings into a column {HEIGHT}.",
    )
