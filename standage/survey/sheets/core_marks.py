"""Columns of cores that hold a mark or a single number where the survey asks for more: bark by yes
and no, the innermost arc by one measure.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.columns_by_values import are_years
from standage.survey.cells.headings import without_unit
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.references import alike
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.flat_table import FLAT
from standage.survey.readings import Reading
from standage.survey.schema import CORES, TREES
from standage.survey.synonyms import Meaning, code_meaning, plain, yes_or_no
from standage.survey.written import WrittenSurvey, WrittenTable

BARK = {"bark", "bark edge", "to bark", "bark present", "bark reached", "bark on", "with bark"}
"""Headings over yes and no that ask whether the core reaches the bark (common practice, no
source)."""
CROSSDATED = {"crossdated", "cross dated", "crossdating", "xdated", "x dated", "xdate"}
"""Headings over marks that ask whether a core was crossdated (common practice, no source)."""
CORED = {"cored", "core taken", "was cored", "cored y n"}
"""Headings over yes and no that ask whether a stem was cored (common practice, no source)."""
PARTLY = {"partly", "part", "partially", "some", "mostly"}
PRESENT = {"present", "there", "intact", "on", "full"}
ABSENT = {"absent", "missing", "gone", "lost", "off", "none"}
"""Words for bark that is there in part, whole or not at all (common practice, no source)."""
ARC = {"arc", "inner arc", "innermost arc", "arc of inner ring", "inner ring arc"}
"""Headings that leave open what was measured of the arc (common practice, no source)."""
OF_RINGS = {"ring", "rings", "count", "counts", "counted"}
"""Words in headings of rings counted (common practice, no source)."""
NO_COUNT = {
    *("quality", "width", "widths", "mm", "cm", "inch", "per", "last", "absent", "missing"),
}
"""Words in headings of rings that are no count of all (common practice, no source)."""
MOST_SLIPS = 0.2
"""Share of the cells of a column of yes and no that may be something else (assumption)."""
BY_CELLS = "each cell is a yes or no"
ARC_COLUMNS = {"arc_chord_mm", "arc_height_mm", "pith_distance_mm"}


def take_marks_of_cores(survey: WrittenSurvey) -> None:
    """Read a column of bark by yes and no as that of the outermost ring, in place, and ask which
    measure of an arc a column holds.
    """
    for name in (FLAT.name, CORES.name):
        if name in survey.tables:
            _take_cored(survey, name)
            _take_bark(survey, name)
            _take_crossdated(survey, name)
            _take_crossdated_years(survey, name)
            _ask_of_arc(survey, survey.tables[name])
            _ask_of_rings(survey, name)


def cored_heading(written: WrittenTable) -> str | None:
    """The heading that asks by yes and no whether a stem was cored."""
    return next((each for each in written.header if without_unit(each)[0] in CORED), None)


def ask_of_mark(
    survey: WrittenSurvey, written: WrittenTable, row: int, mark: str, *, cored: bool
) -> None:
    """A mark for a core that isn't there, or for none beside one, as a doubt. cored: whether the
    row says anything of a core.
    """
    said = yes_or_no(mark) or code_meaning(TREES.name, TREES.column("core_outcome"), mark)
    if said in ("yes", "taken") and not cored:
        found, expected = f"'{mark}', and nothing of a core", "a ring count, or what came of it"
        advice = "Write its rings, or in a column core_outcome what came of it (unreadable)."
    elif said in ("no", "not_tried") and cored:
        found, expected = f"'{mark}', and a core in the same row", "a stem that was cored"
        advice = "Correct the mark, or empty the cells of the core."
    else:
        return
    survey.doubts.append(Problem(written.file, row, "cored", found, expected, advice))


def _take_cored(survey: WrittenSurvey, name: str) -> None:
    """A column of yes and no below `Core` says whether a stem was cored, and names no core."""
    written = survey.tables[name]
    if "core" not in written.header or "core" in written.set_aside:
        return
    at = written.header.index("core")
    filled = {row[at] for row in written.cells if row[at].lower() not in {"", *BLANK_WORDS}}
    if len(written.cells) < 2 or not filled or any(yes_or_no(cell) is None for cell in filled):
        return
    own = written.headings.get("core", "core")
    header = [*written.header[:at], "cored", *written.header[at + 1 :]]
    aside = written.set_aside | {"cored"}
    survey.tables[name] = replace(written, header=header, set_aside=aside)
    why = "yes and no: whether it was cored, which its rings say"
    survey.readings.append(Reading(written.file, written.header_row, None, own, "no name", why))


def hold_marks_of_stems(survey: WrittenSurvey) -> None:
    """Hold the marks of a list of stems, `x` below `Core`, against the cores, in place: the column
    is set aside, for the cores say it; a mark without a core is asked about.
    """
    trees, cores = survey.tables.get(TREES.name), survey.tables.get(CORES.name)
    if trees is None or cores is None or not {"tree"} <= set(trees.header) & set(cores.header):
        return
    asked = next(
        (
            own
            for own in trees.header
            if own not in trees.set_aside and without_unit(own)[0] in {*CORED, "core", "bored"}
        ),
        None,
    )
    if asked is None:
        return
    at, tree, of = trees.header.index(asked), trees.header.index("tree"), cores.header.index("tree")
    filled = [row[at] for row in trees.cells if row[at]]
    if not filled or any(yes_or_no(cell) is None for cell in filled):
        return
    cored = {alike(row[of]) for row in cores.cells}
    outcome = trees.header.index("core_outcome") if "core_outcome" in trees.header else None
    for row, line in zip(trees.cells, trees.rows, strict=True):
        if row[at] and not (outcome is not None and row[outcome]):
            ask_of_mark(survey, trees, line, row[at], cored=alike(row[tree]) in cored)
    survey.tables[TREES.name] = replace(trees, set_aside=trees.set_aside | {asked})
    why = "marks of the stems that were cored, which the cores say"
    at_header = (trees.file, trees.header_row, None)
    survey.readings.append(Reading(*at_header, asked, "no column of the survey", why))


def _take_bark(survey: WrittenSurvey, name: str) -> None:
    written = survey.tables[name]
    for at, heading in enumerate(written.header):
        own = written.headings.get(heading, heading)
        cells = [row[at] for row in written.cells]
        blank = {"", *BLANK_WORDS} - ABSENT
        filled = {cell for cell in cells if cell.lower() not in blank}
        meanings = {cell: _bark(cell) for cell in filled}
        if (
            heading in written.set_aside
            or without_unit(own)[0] not in BARK
            or not filled
            or not _mostly_known([meanings[cell] for cell in cells if cell in filled])
            or (heading == "bark_mm" and filled <= {"0", "1"})
        ):
            continue
        if "outer_ring" in written.header:  # said already, and in more detail
            header = [own if each == heading else each for each in written.header]
            survey.tables[name] = replace(written, header=header)
            return
        survey.readings.append(
            Reading(written.file, written.header_row, "outer_ring", own, "outer_ring", BY_CELLS)
        )
        rows = []
        for row, line in zip(written.cells, written.rows, strict=True):
            meaning = meanings.get(row[at])
            if meaning:
                shown = "lost" if meaning == "no" else "unknown: there, complete or not"
                why = "whether the core reaches the bark"
                survey.readings.append(
                    Reading(written.file, line, "outer_ring", row[at], shown, why)
                )
            other = row[at] if row[at] in filled and meaning is None else ""
            rows.append([*row[:at], "lost" if meaning == "no" else other, *row[at + 1 :]])
        survey.tables[name] = replace(
            written,
            header=[*written.header[:at], "outer_ring", *written.header[at + 1 :]],
            cells=rows,
            units={each: unit for each, unit in written.units.items() if each != heading},
            headings={**written.headings, "outer_ring": own},
        )
        return


def _take_crossdated(survey: WrittenSurvey, name: str) -> None:
    """Marks below `Crossdated` as the dating of cores, in place; one without a mark was counted."""
    written = survey.tables[name]
    own = written.headings.get("dating", "")
    if without_unit(own)[0] not in CROSSDATED or "dating" in written.set_aside:
        return
    at = written.header.index("dating")
    marks = {row[at]: yes_or_no(row[at]) for row in written.cells}
    if not any(marks.values()):
        return
    cells = []
    for row, line in zip(written.cells, written.rows, strict=True):
        mark, read = row[at], ""
        if marks[mark]:
            read = "crossdated" if marks[mark] == "yes" else "counted"
        elif mark.lower() in {"", *BLANK_WORDS} and any(row):
            read = "counted"
        if read:
            why = f"mark below '{own}'" if marks[mark] else f"no mark below '{own}'"
            survey.readings.append(Reading(written.file, line, "dating", mark, read, why))
        cells.append([*row[:at], read or mark, *row[at + 1 :]])
    survey.tables[name] = replace(written, cells=cells)


def _take_crossdated_years(survey: WrittenSurvey, name: str) -> None:
    """First years below a heading that says they were crossdated: so those cores were, and others
    with rings counted, in place, where no column says it.
    """
    written = survey.tables[name]
    own = written.headings.get("first_ring_year", "")
    if "dating" in written.header or not set(plain(own).split()) & {"xdated", "crossdated"}:
        return
    year = written.header.index("first_ring_year")
    rings = written.header.index("ring_count") if "ring_count" in written.header else None
    cells = []
    for row in written.cells:
        counted = "counted" if rings is not None and row[rings] else ""
        year_there = row[year].lower() not in {"", *BLANK_WORDS}
        cells.append([*row, "crossdated" if year_there else counted])
    survey.tables[name] = replace(written, header=[*written.header, "dating"], cells=cells)
    why = "years below a heading that says so; others by their rings"
    at = (written.file, written.header_row, "dating")
    survey.readings.append(Reading(*at, own, "crossdated", why))


def _ask_of_rings(survey: WrittenSurvey, name: str) -> None:
    """Headings that may be of the rings counted, where none is known to be, as a problem."""
    written = survey.tables[name]
    if {"ring_count", "first_ring_year"} & set(written.header) or not written.cells:
        return
    if survey.rings or "ring_widths" in survey.tables:
        return  # the series say how many
    known = {column.name for column in FLAT.columns}
    like = [
        heading
        for heading in written.header
        if heading not in known
        and heading not in written.set_aside
        and OF_RINGS & set(without_unit(heading)[0].split())
        and not NO_COUNT & set(plain(heading).split())
        and any(re.match(r"\d", row[written.header.index(heading)]) for row in written.cells)
    ]
    if not like:
        return
    named = " and ".join(f"'{heading}'" for heading in like)
    at = written.header.index(like[0])
    column, numbers, own = "ring_count", "numbers", "Rings"
    if are_years(row[at] for row in written.cells):
        column, numbers, own = "first_ring_year", "years", "'first ring year'"
    found = f"no column of rings counted, and {numbers} under {named}"
    advice = f"Head it {own}, if it holds all rings counted."
    if len(like) > 1:
        advice = (
            f"Head those to be used {own}; those of another reading go, a row each, into a table"
            f" core_readings (core, reader, {column})."
        )
    expected = "Rings over the rings counted, or first ring year"
    survey.problems += [
        Problem(written.file, row, like[0], found, expected, advice)
        for row in written.heading_rows(like[0])
    ]
    # read as such, so that further complaints are about cells, not about all of them being blank
    names = [column if each == like[0] else each for each in written.header]
    headings = {**written.headings, column: like[0]}
    survey.tables[name] = replace(written, header=names, headings=headings)


def _bark(cell: str) -> Meaning:
    """Whether a cell of a column of bark says yes, no or partly."""
    words = {"partly": PARTLY, "yes": PRESENT, "no": ABSENT}
    own = next((meaning for meaning, of in words.items() if plain(cell) in of), None)
    return own or yes_or_no(cell)


def _mostly_known(meanings: list[Meaning]) -> bool:
    """Whether so many cells are a yes or no that the others are slips, to be asked about."""
    return sum(each is None for each in meanings) <= MOST_SLIPS * len(meanings)


def _ask_of_arc(survey: WrittenSurvey, written: WrittenTable) -> None:
    """One number of an arc under a heading that doesn't say of what, as a problem."""
    for at, heading in enumerate(written.header):
        if plain(without_unit(heading)[0]) not in ARC or heading in written.set_aside:
            continue
        cells = {row[at] for row in written.cells if row[at].lower() not in {"", *BLANK_WORDS}}
        column = CORES.column("pith_distance_mm")
        if not cells or any(read_quantity(cell, column, "mm", "") is None for cell in cells):
            continue
        if ARC_COLUMNS & set(written.header):
            continue
        survey.problems.append(
            Problem(
                written.file,
                written.header_row,
                heading,
                f"the heading '{heading}' over one number a core, which may be the radius of the"
                " innermost arc, its height or its chord",
                "pith distance for the radius; or both, arc chord and arc height; each with its"
                " unit",
                "Rename it to what was measured, as in 'pith distance (mm)'. Height or chord alone"
                " gives no distance: without the other, take the column out and write arcs in"
                " centre.",
            )
        )
