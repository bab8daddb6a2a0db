"""Counts of seedlings with a column for each stage, as tallies are often kept: a row for each stage
instead.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.areas import area_in, square_metres
from standage.survey.cells.headings import heading_of, without_unit
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.table_cells import BLANK_WORDS, COUNT_EXPECTED, NOT_COUNTED
from standage.survey.readings import Reading
from standage.survey.schema import COUNTS
from standage.survey.sheets.code_legends import codes_said
from standage.survey.sheets.stage_species import (
    GRASS,
    ask_of_headings_without,
    has_grass_stage,
    species_in,
    stages_of,
    two_species,
    without_a_pine,
)
from standage.survey.synonyms import Meaning, code_meaning, is_no_pine, plain
from standage.survey.units import factor
from standage.survey.written import WrittenSurvey, WrittenTable, with_column

AREA, SPECIES = "area_m2", "species"
IN_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")
SAME_AREA = 0.02
"""Two areas of one stage may differ by so much in rounding (assumption). [share]"""
STAGE = COUNTS.column("stage")
BESIDES = {
    *("count", "counts", "number", "no", "n", "of", "in", "the", "tally", "stems", "plants"),
    *("seedling", "seedlings", "seedl", "sdlg", "sdlgs"),
}
"""Words in the heading of a stage that say only that it is counted (common practice, no source)."""
_COUNTED = re.compile(r"(?:~|ca?\.? ?|>)?\d+\+?|\d+\s*[-\u2013]\s*\d+", re.IGNORECASE)
"""A count, or one that was estimated."""
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")
NO_STAGES = {
    *("quadrat", "quadrats", "quad", "subplot", "subplots", "strip", "strips", "transect"),
    *("milacre", "row", "total", "sum", "mean", "page", "x", "y", "easting", "northing"),
    *("azimuth", "distance", "cover", "litter", "duff", "slope", "aspect", "canopy"),
    *("percent", "number", "no", "n", "age"),
}
"""Words in headings of numbers beside counts that are no counts (common practice, no source)."""
MARKS = {"-", "--", "\u2013", ".", "?"}
"""Marks that may stand for none, or for not searched."""
NO_ROW = "no row for the stage"
STAGES = ", ".join(STAGE.codes)
TALLER = "emerging: stem begun, below breast height; sapling: breast height reached"
_NOT_LIVING = re.compile(r"\b(?:dead|killed|browsed|cut)\b", re.IGNORECASE)
_UP_TO = re.compile(
    r"(?:[<>=\u2264\u2265]+|\b(?:under|below|over|above|up to|to|less than)\b"
    r"|\b[lg][te](?=\s?\d))\s*"
    r"\d+(?:[.,]\d+)?\s*(?:m|cm|ft|feet|in|inch|inches|['\"])?(?!\w)\.?(?:\s*(?:dbh|tall|high))?",
    re.IGNORECASE,
)
"""A limit beside the name of a stage: `Saplings <2"`."""
_ABOVE = re.compile(r">|\u2265|over|above|gt|ge", re.IGNORECASE)
_LENGTH = r"\d+(?:[.,]\d+)?\s*(?:m|cm|ft|feet|in|inch|inches|['\"])?"
_SIZES = re.compile(
    rf"\(?\b({_LENGTH}\s*radius)\b\)?"
    rf"|\b{_LENGTH}\s*(?:-|\u2013|to)\s*{_LENGTH}(?!\w)\.?(?:\s*(?:dbh|tall))?",
    re.IGNORECASE,
)
"""Sizes of plants, or the radius of what they were counted on, beside the name of a stage."""
_FROM_GRASS = re.compile(
    r"grass(?:[ -]stage)?\s*(?:-|to|up to)\s*"
    r"(?:4\.5\s*(?:ft|feet|')|1\.(?:3|37|4)\s*m|bh\b|dbh\b|breast height)",
    re.IGNORECASE,
)
_BY_DBH = re.compile(
    r"\(?\s*(?:<|under|below|up to)\s*(\d+(?:\.\d+)?)\s*(in|inch|inches|\"|cm)(?: dbh)?\s*\)?$",
    re.IGNORECASE,
)
LARGEST_SAPLING_CM = 15.0
"""An upper limit in the name of a stage, and the largest that is a diameter and no height
(assumption). [cm]"""
_LIMIT = re.compile(r"(\d+(?:[.,]\d+)?)\s*(m|cm|ft|feet|in|inches)\b", re.IGNORECASE)
IN_CENTIMETRES = {"m": 100, "cm": 1, "ft": 30.48, "feet": 30.48, "in": 2.54, "inches": 2.54}
BREAST_HEIGHTS_CM = (129.0, 141.0)
"""Heights that crews call breast height (common practice, no source). [cm]"""


def stage_in(heading: str) -> Meaning:
    """The stage, or the stages, that the heading of a column of counts names.

    >>> stage_in("# Germinants"), stage_in("No. of grass-stage seedlings"), stage_in("slope")
    ('germinant', 'grass', None)
    """
    if _NOT_LIVING.search(heading):
        return None
    bare = _SIZES.sub(" ", heading.replace("_", " "))
    words = without_unit(_UP_TO.sub(" ", bare))[0].split()
    own = [word for word in words if word not in BESIDES]
    meaning = code_meaning(COUNTS.name, STAGE, " ".join(own) or " ".join(words))
    if meaning is None and own:  # two words for one stage, as in `Bolting / rocket`
        each = {code_meaning(COUNTS.name, STAGE, word) for word in own}
        meaning = each.pop() if len(each) == 1 else None
    return meaning


def heads_a_stage(heading: str) -> bool:
    """Whether a heading names one stage, with a species or without."""
    return isinstance(stage_in(heading) or stage_in(species_in(heading, {})[1]), str)


def with_a_row_for_each_stage(survey: WrittenSurvey) -> None:
    """Turn columns of stages into rows, in place. Cells that say that a stage was not searched give
    no row; blank ones, which may mean none or not searched, are problems.
    """
    written = survey.tables.get(COUNTS.name)
    if written is None or "stage" in written.header:
        return
    own = {
        place: heading
        for place, heading in enumerate(written.header)
        if heading and all(heading != column.name for column in COUNTS.columns)
    }
    meanings, species = _meanings(survey, written, own)
    stages = {place: each for place, each in meanings.items() if isinstance(each, str)}
    if not stages:
        if "count" not in written.header:
            _tell_of_numbers(survey, written, own)
        return
    if "count" in written.header:  # `Seedlings` alone is a heading of counts
        count, heading = written.header.index("count"), written.headings.get("count", "count")
        if (meaning := stage_in(heading)) is None:
            return
        header = [*written.header[:count], heading, *written.header[count + 1 :]]
        written, own[count], meanings[count] = replace(written, header=header), heading, meaning
        stages |= {count: meaning} if isinstance(meaning, str) else {}
    for place, meaning in meanings.items():
        if isinstance(meaning, tuple):
            survey.problems.append(_two_stages(written, own[place], " or ".join(meaning)))
    _tell_of_others(survey, written, {p: own[p] for p, each in meanings.items() if each is None})
    for place, stage in stages.items():
        if asked := _other_limit(written, own[place], stage):
            survey.problems.append(asked)
    _take_bolting(survey, written, own, stages)
    if species:
        written = _name_species(survey, written, own, stages, species)
    written, stages = _added_up(survey, written, own, stages, species)
    for kind in dict.fromkeys((species.get(place, ""), each) for place, each in stages.items()):
        alike = [own[at] for at, each in stages.items() if (species.get(at, ""), each) == kind]
        if len(alike) > 1 and _in_one_sheet(written, alike):
            survey.problems.append(_one_stage_twice(written, alike, " ".join(kind).strip()))
    for place, stage in stages.items():
        read = f"{stage}, {species[place]}" if place in species else stage
        survey.readings.append(
            Reading(
                written.file, written.header_row, "stage", own[place], read, "column of a stage"
            )
        )
    _write_rows(survey, written, own, stages, species)


def _meanings(
    survey: WrittenSurvey, written: WrittenTable, own: dict[int, str]
) -> tuple[dict[int, Meaning], dict[int, str]]:
    """The stages, and the species where it is one, that headings name, by place; those of species
    without a profile are taken out of `own` and listed.
    """
    meanings: dict[int, Meaning] = {}
    species: dict[int, str] = {}
    legends = {code: said[0][0] for code, said in codes_said(survey).items()}
    for place, heading in list(own.items()):
        if without_a_pine(heading) or is_no_pine(legends.get(heading.casefold(), "")):
            del own[place]
            if heading not in written.set_aside:
                at, why = (written.file, written.header_row), "of a species without a profile"
                survey.readings.append(Reading(*at, None, heading, "no counts", why))
            continue
        meanings[place] = stage_in(heading)
        if meanings[place] is not None:
            continue
        named, rest = species_in(heading, legends)
        if stage_in(rest) is not None and (two := two_species(named)):
            survey.problems.append(_two_species(written, heading, named, two))
            del own[place], meanings[place]
        elif named and (meaning := stages_of(named, stage_in(rest))) is not None:
            species[place], meanings[place] = named, meaning
    return meanings, species


def _write_rows(
    survey: WrittenSurvey,
    written: WrittenTable,
    own: dict[int, str],
    stages: dict[int, str],
    species: dict[int, str],
) -> None:
    """The table of counts with a row for each stage, in place."""
    left = [place for place in range(len(written.header)) if place not in stages]
    areas = _areas_in_headings(survey, written, {place: own[place] for place in stages})
    at = left.index(written.header.index(AREA)) if AREA in written.header else None
    kinds = written.header.index(SPECIES) if SPECIES in written.header else None
    of = None if kinds is None else left.index(kinds)
    _tell_of_missing(survey, written, {own[place]: stage for place, stage in stages.items()})
    cells, rows = [], []
    for record, row in zip(written.cells, written.rows, strict=True):
        for place, stage in stages.items():
            count = record[place]
            if not count and not _has_heading(written, row, own[place]):
                continue
            kind = record[kinds] if kinds is not None and (not count or count in MARKS) else ""
            if kind and (is_no_pine(kind) or (stage == GRASS and not has_grass_stage(kind))):
                continue  # of no use, or none that there could be
            if _not_searched(count):
                read = f"{stage} not searched"
                survey.readings.append(Reading(written.file, row, "count", count, read, NO_ROW))
            elif count and count not in MARKS:
                kept = [record[each] for each in left]
                if of is not None and place in species:
                    kept[of] = species[place]
                if at is None and areas:
                    kept.append(areas.get(place, ""))
                elif at is not None and place in areas:
                    kept[at] = _one_area(survey, written, row, own[place], kept[at], areas[place])
                cells.append([*kept, stage, count])
                rows.append(row)
            else:
                survey.problems.append(_blank(written, row, own[place], count))
    more = [AREA] if at is None and areas else []
    header = [*(written.header[place] for place in left), *more, "stage", "count"]
    survey.tables[COUNTS.name] = replace(written, header=header, cells=cells, rows=rows)


def _name_species(
    survey: WrittenSurvey,
    written: WrittenTable,
    own: dict[int, str],
    stages: dict[int, str],
    species: dict[int, str],
) -> WrittenTable:
    """The table with a column of species for headings that name one; the grass stage is of the only
    one that has it, other headings without a species are asked about, as is a column of species.
    """
    named = {own[place]: each for place, each in species.items()}
    grassy = [each for each in dict.fromkeys(species.values()) if has_grass_stage(each)]
    bare = [place for place in stages if place not in species]
    if len(grassy) == 1:
        species |= {place: grassy[0] for place in bare if stages[place] == GRASS}
    asked = [own[place] for place in bare if place not in species]
    ask_of_headings_without(survey, written.file, written.header_row, asked, named)
    if SPECIES not in written.header:
        return with_column(written, SPECIES, "")
    if any(row[written.header.index(SPECIES)] for row in written.cells):
        found = f"species in a column and in the heading '{next(iter(named))}'"
        advice = "Delete the column of species, or take the species out of the headings."
        row, expected = written.header_row, "the species in one place"
        survey.problems.append(Problem(written.file, row, SPECIES, found, expected, advice))
    return written


def _is_small(limit: re.Match[str]) -> bool:
    """Whether an upper limit is a diameter, not a height."""
    centimetres = float(limit[1]) * (1 if limit[2].lower() == "cm" else 2.54)
    return centimetres <= LARGEST_SAPLING_CM


def name_stages(survey: WrittenSurvey) -> None:
    """Write the stage in place of words that name one as a heading would, `Sapling (<4.5 in)`,
    `Germinant*`, in place; other words stay, to be asked about.
    """
    written = survey.tables.get(COUNTS.name)
    if written is None or "stage" not in written.header:
        return
    at = written.header.index("stage")
    for row, line in zip(written.cells, written.rows, strict=True):
        cell = row[at]
        if not cell or code_meaning(COUNTS.name, STAGE, cell) is not None:
            continue
        bare = cell.rstrip("*\u2020\u2021 ")
        limit = _BY_DBH.search(bare)
        if "(" in _BY_DBH.sub("", bare) or _has_footnote(survey, written.file, cell[len(bare) :]):
            continue
        stage = stage_in(bare)
        if limit is not None and (stage != "sapling" or not _is_small(limit)):
            continue
        if isinstance(stage, str) and not re.search(r"\d", _BY_DBH.sub("", bare)):
            row[at] = stage
            why = "another word for it"
            survey.readings.append(Reading(written.file, line, "stage", cell, stage, why))


def _has_footnote(survey: WrittenSurvey, file: str, mark: str) -> bool:
    """Whether a footnote says something of a stage but the size of what was searched."""
    mark = mark.strip()[:1]
    return bool(mark) and any(
        line.file == file and line.text.startswith(mark) and not re.search(r"\d", line.text)
        for line in survey.below
    )


def _take_bolting(
    survey: WrittenSurvey, written: WrittenTable, own: dict[int, str], stages: dict[int, str]
) -> None:
    """`Grass stage to 4.5 ft` beside `Grass stage`: the plants between, in place."""
    grass = [place for place, stage in stages.items() if stage == "grass"]
    above = [place for place in grass if _FROM_GRASS.search(own[place])]
    if len(grass) == 2 and len(above) == 1 and "emerging" not in stages.values():
        (place,) = above
        stages[place] = "emerging"
        why = "from the grass stage to breast height"
        at = (written.file, written.header_row, "stage")
        survey.readings.append(Reading(*at, own[place], "emerging", why))


def _added_up(
    survey: WrittenSurvey,
    written: WrittenTable,
    own: dict[int, str],
    stages: dict[int, str],
    species: dict[int, str],
) -> tuple[WrittenTable, dict[int, str]]:
    """The table with the size classes of a stage, as `Grass <1 in` and `Grass >1 in`, added up in
    the first of their columns; a row that lacks one stays as it is, to be asked about.
    """
    for stage, kind in dict.fromkeys((each, species.get(at)) for at, each in stages.items()):
        places = [at for at, each in stages.items() if (each, species.get(at)) == (stage, kind)]
        classes = {
            _UP_TO.sub(" ", own[place].replace("_", " ")).strip().lower() for place in places
        }
        limits = [_UP_TO.search(own[place].replace("_", " ")) for place in places]
        words = [each[0] for each in limits if each]
        above = [each for each in words if _ABOVE.match(each)]
        if len(places) != 2 or len(classes) > 1 or len(words) != 2 or len(above) != 1:
            continue  # `< 2 in` beside `< 4 in` may hold the same plants twice
        if len({re.sub(r"[^\d.,]", "", each) for each in words}) != 1:
            continue
        cells = []
        for row in written.cells:
            counts = [row[place] for place in places]
            if all(each.isdecimal() for each in counts):
                total = str(sum(map(int, counts)))
                row = [total if at == places[0] else cell for at, cell in enumerate(row)]
            elif odd := [each for each in counts if not each.isdecimal()]:
                row = [odd[0] if at == places[0] else cell for at, cell in enumerate(row)]
            cells.append(row)
        both = "' and '".join(own[place] for place in places)
        where = (written.file, written.header_row, "stage")
        why = "size classes of one stage"
        survey.readings.append(Reading(*where, both, f"{stage}, added up", why))
        header = ["" if at in places[1:] else name for at, name in enumerate(written.header)]
        cells = [["" if at in places[1:] else c for at, c in enumerate(row)] for row in cells]
        written = replace(written, header=header, cells=cells)
        stages = {place: each for place, each in stages.items() if place not in places[1:]}
    return written, stages


def _areas_in_headings(
    survey: WrittenSurvey, written: WrittenTable, stages: dict[int, str]
) -> dict[int, str]:
    """The areas [m2] that headings of stages say in brackets, by place, listed."""
    found = {}
    for place, heading in stages.items():
        inside = {*IN_BRACKETS.findall(heading), *filter(None, _SIZES.findall(heading))}
        said = [size for each in inside if (size := square_metres(each, ""))]
        if bare := _sides_without_unit(inside):
            survey.problems.append(_ask_of_sides(written, heading, bare))
            found[place] = "1"
        elif len(said) == 1:
            found[place] = f"{said[0]:.10g}"
            why = "area in the heading of a stage"
            survey.readings.append(
                Reading(written.file, written.header_row, AREA, heading, found[place], why)
            )
    return found


def _sides_without_unit(inside: set[str]) -> str:
    """Sides in brackets that say no unit, "" without any."""
    return next((each for each in inside if (area := area_in(each, "")) and area.by_unit), "")


def _ask_of_sides(written: WrittenTable, heading: str, sides: str) -> Problem:
    bare = re.sub(r"\s*[x\u00d7*]\s*", " x ", sides)
    named = [heading.replace(sides, f"{bare} {unit}") for unit in ("m", "ft")]
    found = f"the heading '{heading}', whose area says no unit"
    advice = f"Write '{named[0]}' or '{named[1]}'."
    expected = "the area on which the stage was counted, with its unit"
    return Problem(written.file, written.header_row, heading, found, expected, advice)


def _one_area(
    survey: WrittenSurvey, written: WrittenTable, row: int, heading: str, cell: str, area: str
) -> str:
    """The area of a row's stage where its heading says one too; two that differ are a problem."""
    unit = written.units.get(AREA) or "m2"
    by = factor("m2", unit) or 1.0
    if cell.lower() in {"", *BLANK_WORDS}:
        return f"{float(area) * by:.10g}"
    mine = read_quantity(cell, COUNTS.column(AREA), unit, "")
    other = area_in(cell, unit)
    value = mine.value if mine is not None and not mine.two else None
    if value is None and other is not None:
        value = other.square_metres
    if value is not None and not math.isclose(value, float(area), rel_tol=SAME_AREA):
        survey.problems.append(
            Problem(
                written.file,
                row,
                heading,
                f"an area of {value:.6g} m2 in its row, and {float(area):.6g} m2 in the heading",
                "one area for what is counted in the column",
                "Correct one of the two; or empty the area where each heading says its own.",
            )
        )
    return cell


def without_rows_not_searched(survey: WrittenSurvey) -> None:
    """Take out rows of counts that say in words that the stage was not searched, in place."""
    written = survey.tables.get(COUNTS.name)
    if written is None or "count" not in written.header:
        return
    at = written.header.index("count")
    left = []
    for record, row in zip(written.cells, written.rows, strict=True):
        if plain(record[at]) in NOT_COUNTED:
            survey.readings.append(
                Reading(written.file, row, "count", record[at], "not searched", NO_ROW)
            )
        else:
            left.append((record, row))
    survey.tables[COUNTS.name] = replace(
        written, cells=[record for record, _ in left], rows=[row for _, row in left]
    )


def _not_searched(cell: str) -> bool:
    words = BLANK_WORDS - {"none", "missing", *MARKS}
    return cell.lower() in words or plain(cell) in NOT_COUNTED


def _has_heading(written: WrittenTable, row: int, heading: str) -> bool:
    """Whether the sheet in which a row stands has a heading."""
    return written.stack is None or heading in written.stack.place_of(row)[0].header


def _tell_of_missing(survey: WrittenSurvey, written: WrittenTable, stages: dict[str, str]) -> None:
    """Stages for which one of several sheets has no column: as not searched there, listed."""
    for part in written.stack.parts if written.stack else ():
        there = {stage for heading, stage in stages.items() if heading in part.header}
        survey.readings += [
            Reading(
                part.file, part.header_row, "stage", "no column", f"{each} not searched", NO_ROW
            )
            for each in dict.fromkeys(stages.values())
            if there and each not in there
        ]


def _in_one_sheet(written: WrittenTable, headings: list[str]) -> bool:
    """Whether a sheet has more than one of some headings."""
    parts = [written.header] if written.stack is None else [p.header for p in written.stack.parts]
    return any(sum(each in header for each in headings) > 1 for header in parts)


def _blank(written: WrittenTable, row: int, heading: str, cell: str) -> Problem:
    what = f"'{cell}'" if cell else "a blank cell"
    found = f"{what}, which may mean that there was none, or that nobody looked"
    advice = "Write 0, or N/A if it was not searched."
    if not cell:
        advice += " One line above the headings, `blank = 0` or `blank = N/A`, answers for all."
    return Problem(written.file, row, heading, found, COUNT_EXPECTED, advice)


def _two_stages(written: WrittenTable, heading: str, stages: str) -> Problem:
    found = f"the heading '{heading}', which may be {stages}"
    advice = (
        "Head the column with the stage that was counted in it; if several were, with the one that"
        " nearly all were in, or delete it: they can't be parted afterwards."
    )
    expected = f"one stage ({TALLER})"
    return Problem(written.file, written.header_row, heading, found, expected, advice)


def _two_species(written: WrittenTable, heading: str, named: str, may_be: str) -> Problem:
    found = f"the heading '{heading}', whose '{named}' may be {may_be}"
    advice = f"Write the species out; or say it in a line above the headings, as `{named} = slash`."
    return Problem(written.file, written.header_row, heading, found, "one species", advice)


def _other_limit(written: WrittenTable, heading: str, stage: str) -> Problem | None:
    """A question, where a heading gives plants that have begun their stem another limit than breast
    height.
    """
    if stage != "emerging":
        return None
    inside = [each for each in IN_BRACKETS.findall(heading) if area_in(each, "")]
    bare = heading
    for each in inside:
        bare = bare.replace(each, "")
    found = _LIMIT.search(bare)
    height = float(found[1].replace(",", ".")) * IN_CENTIMETRES[found[2].lower()] if found else 0.0
    own = BREAST_HEIGHTS_CM[0] <= height <= BREAST_HEIGHTS_CM[1]
    by_dbh = "dbh" in without_unit(heading.replace("(", " "))[0].split()
    if not by_dbh and (found is None or own):
        return None
    limit = "a diameter at breast height" if by_dbh else f"a height of {height:.0f} cm"
    return Problem(
        written.file,
        written.header_row,
        heading,
        f"the heading '{heading}', plants up to {limit}",
        "emerging, which ends at breast height (137 cm), and sapling, which begins there",
        "Part the counts at breast height, in two columns; or head the column with the stage that"
        " nearly all of them were in.",
    )


def _one_stage_twice(written: WrittenTable, headings: list[str], stage: str) -> Problem:
    both = " and ".join(f"'{heading}'" for heading in headings)
    found = f"{both}, each of which is '{stage}'"
    advice = (
        "If they are of one visit, add their numbers up in one column, for they are of the same"
        " area; plants that both count, as `< 2 in` and `< 4 in` do, only once. Of two visits keep"
        " the later count, and delete the other column."
    )
    return Problem(written.file, written.header_row, headings[0], found, "one column", advice)


def _tell_of_others(survey: WrittenSurvey, written: WrittenTable, own: dict[int, str]) -> None:
    """Whole numbers under other headings beside the stages that are known: most likely counts, too,
    which would be lost.
    """
    for place, heading in own.items():
        cells = [cell for record in written.cells if (cell := record[place])]
        cells = [cell for cell in cells if cell.lower() not in {*BLANK_WORDS, *NOT_COUNTED, *MARKS}]
        words = set(without_unit(heading)[0].split())
        if (
            cells
            and all(_COUNTED.fullmatch(cell) for cell in cells)
            and any(cell.isdecimal() for cell in cells)
            and not words & NO_STAGES
            and heading not in written.set_aside
            and not heading.endswith(" (own)")
            and heading_of(COUNTS, heading) is None
            and not _are_numbers_of_rows(heading, cells)
        ):
            found = f"'{heading}', a column of numbers beside those of the stages"
            advice = (
                "If they are counts, head it with the stage it holds, or add its numbers to the"
                " column of that stage; else give it to nothing in a columns.toml (`standage check"
                " SURVEY --draft`), or delete it."
            )
            expected = f"a stage: {STAGES} ({TALLER})"
            survey.problems.append(
                Problem(written.file, written.header_row, heading, found, expected, advice)
            )
            survey.problems += [
                _blank(written, row, heading, record[place])
                for record, row in zip(written.cells, written.rows, strict=True)
                if record[place] in MARKS
            ]


def _are_numbers_of_rows(heading: str, cells: list[str]) -> bool:
    """Whether the cells below `#` or `No.` count the rows."""
    return heading.strip(" .").lower() in ("#", "no", "nr", "row") and cells == [
        str(number) for number in range(1, len(cells) + 1)
    ]


def _tell_of_numbers(survey: WrittenSurvey, written: WrittenTable, own: dict[int, str]) -> None:
    """Columns of numbers that may be stages under names of their own: how to say which."""
    numbers = [
        heading
        for place, heading in own.items()
        if heading_of(COUNTS, heading) is None
        and any(_NUMBER.fullmatch(record[place]) for record in written.cells)
    ]
    if not numbers:
        return
    named = ", ".join(f"'{heading}'" for heading in numbers[:5])
    survey.problems.append(
        Problem(
            written.file,
            written.header_row,
            "stage",
            f"no column 'stage', and numbers under {named}",
            f"a column for each stage ({STAGES}), or the columns stage and count",
            "Head each column with the stage that it holds, and put the numbers of classes of one"
            " stage together; or write a row for each stage. Where species were counted apart, a"
            " row for each, with its name in a column species.",
        )
    )
