"""What headings, titles and notes say of all cores: the height at which they were taken, `Rings @ 1
ft`, and the year of the last ring counted, `last complete ring 2023`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from itertools import accumulate

from standage.errors import Problem
from standage.survey.cells.headings import height_in_heading
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.references import alike, cells_of
from standage.survey.cells.table_cells import BLANK_WORDS, heads_remarks
from standage.survey.flat_table import FLAT
from standage.survey.readings import Reading
from standage.survey.schema import CORES, TREES
from standage.survey.sheets.title_plots import IN_A_TITLE
from standage.survey.sheets.whole_lines import clauses
from standage.survey.synonyms import code_meaning
from standage.survey.units import factor
from standage.survey.written import WrittenSurvey, WrittenTable

BREAST_HEIGHT_CM = 137.0
BREAST_HEIGHTS_CM = (130.0, BREAST_HEIGHT_CM, 140.0)
"""What crews of one country or another call so (common practice, no source)."""
SAME_HEIGHT_CM = 5.0
MOST_HEIGHT_CM = 300.0
"""Breast height where pines are measured, and how far a crew's may lie from it (common practice, no
source); no core is taken higher than the last (assumption). [cm]"""
HEIGHT, RINGS = "height_cm", "ring_count"
OF_RINGS = (RINGS, "first_ring_year")
_HEIGHT = r"(\d+(?:\.\d+)?\s*(?:ft|feet|in|inches|cm|m|'|\")(?![\w/])|breast height|d?bh\b)"
_CORED_AT = re.compile(
    r"(?:all |increment )*(?:"
    r"cores?\s*[-\u2013:,]\s*(?:one (?:per|from each) tree,?\s*)?taken at (?:a height of )?"
    r"|"
    r"(?:cores?|cored|coring|borings|bored):?(?: (?:were|was|are|is|all|taken|extracted|cored|bored"
    r"|trees))*(?:\s*@|\s+at\b| at (?:a )?height of|(?= (?:d?bh|breast height)))"
    r"|(?:core|coring|boring) (?:height|ht)\.?(?:\s*(?:of|is|was|[:=@]))?(?: all cores:?)?"
    r")\s*(?:about |ca\.? |~)?"
    r"(?:(?:knee|stump|waist|chest|ankle) (?:height|ht\.?|level)\s*[,(]?\s*)?"
    rf"{_HEIGHT}\)?"
    r"(?: (?:above (?:the )?(?:ground|soil|mineral soil)|up|high))?",
    re.IGNORECASE,
)
_UNLESS_NOTED = re.compile(
    r"[\s,(]*\b(?:unless|except (?:as|where|when)) (?:otherwise )?(?:noted|stated|marked)\b[.)]*",
    re.IGNORECASE,
)
"""What leaves a line as it is where each exception is asked about."""
_AT_A_HEIGHT = re.compile(rf"(?:\bat|@)\s*(?:about |ca\.? |~)?{_HEIGHT}", re.IGNORECASE)
_BREAST_HEIGHT = re.compile(r"\b(?:bh|breast)\b", re.IGNORECASE)
_AT_ANOTHER = re.compile(
    rf"(?:(?:at|@)\s*)?{_HEIGHT}|d?bh"
    r"|(?:.*\b(?:cor(?:e|ed|ing)|bor(?:ed|ing|er)|went in|taken)\b.*)"
    rf"\b(?:{_HEIGHT}|d?bh|breast|waist|chest|knee|stump|higher|lower"
    r"|(?<!broke )(?<!broken )up)\b.*",
    re.IGNORECASE,
)
"""Clauses of a remark that a core was taken at another height (common practice, no source)."""
_LAST_RING = re.compile(
    r"(?:all cores:? )?(?:last|outer(?:most)?) (?:(complete|full|whole) )?ring"
    r"(?: (?:counted|of all cores|of live trees))?\s*(?:is|was|=|:)?\s*((?:19|20)\d\d)",
    re.IGNORECASE,
)
_ON_CORES = re.compile(
    r"\b(?:cor(?:e|es|ed|ing)|bor(?:ed|ings?)|(?:last|outer(?:most)?) (?:\w+ )?rings?|trees?|pines?"
    r"|stumps?|snags?|dead|logs?|plots? \w?\d+|samples?)\b",
    re.IGNORECASE,
)
"""Forms of clauses that are acted on, and words of those that may limit them (common practice, no
source)."""


_OF_ONE = re.compile(
    r"(?:.*\b(?:tree|core|stem|tag|no\.?|nr\.?)(?!\w) ?#?)?(?P<name>\w[\w-]*)"
    r"(?:,? (?:was|is|were|had to be|only))*(?:,? (?:cored|bored|taken))?[^;]{0,20}?(?:\bat|@)\s*"
    rf"(?:about |ca\.? |~)?{_HEIGHT}.*",
    re.IGNORECASE,
)


def ask_of_single_cores(survey: WrittenSurvey) -> None:
    """A question on each core of a tree for which a line above or below a list, or of notes, gives
    another height than its row.
    """
    lines = [
        (line, match["name"], match[match.re.groups])
        for line in (*survey.titles, *survey.below)
        for clause in re.split(r";|,(?!\d)|\.(?=\s|$)", line.text)
        if (match := _OF_ONE.fullmatch(clause.strip()))
    ]
    for name in (FLAT.name, CORES.name) if lines else ():
        written = survey.tables.get(name)
        names = [each for each in ("tree", "core") if written and each in written.header]
        if written is None or not names:
            continue
        at = written.header.index(HEIGHT) if HEIGHT in written.header else None
        for row, number in zip(written.cells, written.rows, strict=True):
            own = {alike(row[written.header.index(each)]) for each in names}
            for line, _, said in (each for each in lines if alike(each[1]) in own):
                height = _centimetres(said, "")
                cell = "" if at is None else row[at]
                mine = _centimetres(cell, written.units.get(HEIGHT, "cm"))
                if height is None or (mine and abs(mine - height) <= SAME_HEIGHT_CM):
                    continue
                found = f"'{line.text[:80]}' (row {line.row}), and '{cell}' as the core's height"
                advice = (
                    f"Write {height:.4g} into a column 'coring height (cm)' of this core, if the"
                    " line is of it; then delete the line."
                )
                survey.problems.append(
                    Problem(written.file, number, HEIGHT, found, "one height of the core", advice)
                )


def take_heights_of_all(survey: WrittenSurvey) -> None:
    """A column of heights for cores that have none, in place, by the heading of their rings or the
    one height that a title gives.
    """
    for name in (FLAT.name, CORES.name):
        written = survey.tables.get(name)
        if written is None:
            continue
        if HEIGHT in written.header:
            _ask_of_another_height(survey, written)
            _ask_of_remarks(survey, written, by_title=False)
        rings = [each for each in OF_RINGS if each in written.header]
        if not rings:
            continue
        heading = written.headings.get(RINGS, "")
        own = written.header.index(HEIGHT) if HEIGHT in written.header else None
        if height := height_in_heading(heading):
            why = "the height in the heading of the rings"
            at = (written.file, written.header_row, HEIGHT)
            found = {"": Reading(*at, heading, height, why)}
        else:
            found = _by_file(survey, written, _CORED_AT, HEIGHT)
        if not found:
            continue
        places = [written.header.index(each) for each in rings]
        cells: list[list[str]] = []
        used = False
        for row, line in zip(written.cells, written.rows, strict=True):
            reading = found.get(written.file_of(line)) or found.get("")
            of_core = reading is not None and any(row[at] for at in places)
            height = reading.as_read if reading is not None and of_core else ""
            if own is None:
                row = [*row, height]
            elif height and not row[own]:
                row = [
                    *row[:own],
                    _in_unit(height, written.units.get(HEIGHT, "cm")),
                    *row[own + 1 :],
                ]
            used |= bool(height) and (own is None or row[own] != written.cells[len(cells)][own])
            cells.append(row)
        if not used:
            continue
        units = written.units if own is not None else {**written.units, HEIGHT: ""}
        header = [*written.header, *([HEIGHT] if own is None else [])]
        survey.tables[name] = written = replace(written, header=header, cells=cells, units=units)
        survey.readings += found.values()
        _ask_of_remarks(survey, written, by_title=True)


def _in_unit(height: str, unit: str) -> str:
    """A height of a title as a cell of a column with a unit of its own."""
    value = _centimetres(height, "")
    by = factor("cm", unit) if unit else None
    return height if value is None or by is None else f"{value * by:.6g}"


def _ask_of_remarks(survey: WrittenSurvey, written: WrittenTable, *, by_title: bool) -> None:
    """A question on each core whose remark, or that of its tree, gives another height than its
    row; a doubt, where the row has its own and none by a title.
    """
    if "tree" not in written.header:
        return
    at, unit = written.header.index(HEIGHT), written.units.get(HEIGHT, "cm")
    remarks: dict[tuple[str, ...], str] = {}
    trees = survey.tables.get(TREES.name)
    tables = [table for table in (trees, written) if table is not None and "tree" in table.header]
    groups = [
        name for name in ("stand", "plot") if all(any(cells_of(table, name)) for table in tables)
    ]
    keys_of = [_keys(table, groups) for table in tables]
    if not set(keys_of[-1]) <= set(keys_of[0]):
        keys_of = [_keys(table, []) for table in tables]  # plots called otherwise
    if len(tables) > 1:
        for said, of in zip(_remarks(tables[0]), keys_of[0], strict=True):
            remarks[of] = "; ".join(filter(None, (remarks.get(of, ""), said)))
    own_remarks, keys = _remarks(written), keys_of[-1]
    for row, line, key, said in zip(written.cells, written.rows, keys, own_remarks, strict=True):
        remark = "; ".join(filter(None, (remarks.get(key, ""), said)))
        if not remark:
            continue
        own = _centimetres(row[at], unit)
        heights = [_centimetres(each, "") for each in _AT_A_HEIGHT.findall(remark)]
        others = [each for each in heights if each is not None and each <= MOST_HEIGHT_CM]
        at_breast = BREAST_HEIGHTS_CM if _BREAST_HEIGHT.search(remark) else ()
        if own is None or any(abs(own - each) <= SAME_HEIGHT_CM for each in (*others, *at_breast)):
            continue
        parts = re.split(r"(?<!\bca)[;,.](?!\d)", remark)
        plainly = any(_AT_ANOTHER.fullmatch(part.strip()) for part in parts)
        if not plainly and not (others and by_title):
            continue
        found = f"'{remark}' beside the height of all cores, {own:.4g} cm by a title"
        if not by_title:
            found = f"'{remark}' beside the core's height, {own:.4g} cm"
            advice, expected = "Correct the height or the remark.", "one height of the core"
            survey.doubts.append(Problem(written.file, line, HEIGHT, found, expected, advice))
            continue
        advice = (
            "Write the height of this core into a column 'coring height (cm)'"
            f" ({f'{others[0]:.4g} if that is meant, else ' if others else ''}{own:.4g}): where it"
            " is blank, the title's holds."
        )
        survey.problems.append(
            Problem(written.file, line, HEIGHT, found, "one height of the core", advice)
        )


def _remarks(table: WrittenTable) -> list[str]:
    """All remarks of each row."""
    notes = [place for place, name in enumerate(table.header) if heads_remarks(name)]
    return ["; ".join(row[place] for place in notes if row[place]) for row in table.cells]


def _keys(table: WrittenTable, groups: list[str]) -> list[tuple[str, ...]]:
    """What tells a tree from others, by row: trees may be numbered anew in each of the groups, and
    a group be written once for several rows.
    """
    filled: list[Iterable[str]] = [
        accumulate(cells_of(table, name), lambda above, own: own or above) for name in groups
    ]
    return list(zip(*filled, cells_of(table, "tree"), strict=True))


def _ask_of_another_height(survey: WrittenSurvey, written: WrittenTable) -> None:
    """A problem, where the heading of the rings gives another height than a cell of the heights."""
    heading = written.headings.get(RINGS, "")
    if not (height := height_in_heading(heading)):
        return
    at, unit = written.header.index(HEIGHT), written.units.get(HEIGHT, "cm")
    said = _centimetres(height, "")
    for row, line in zip(written.cells, written.rows, strict=True):
        own = _centimetres(row[at], unit)
        if own is not None and said is not None and abs(own - said) > SAME_HEIGHT_CM:
            found = f"'{row[at]}' beside the heading '{heading}', two heights"
            advice = "Correct the heading of the rings, or the heights."
            survey.problems.append(
                Problem(written.file, line, HEIGHT, found, "one height of the core", advice)
            )
            return


def _centimetres(cell: str, unit: str) -> float | None:
    """A height as written; breast height is 137 cm. None for anything else. [cm]"""
    if re.fullmatch(r"d?bh|breast (?:height|ht)", cell.strip(), re.IGNORECASE):
        return BREAST_HEIGHT_CM
    quantity = read_quantity(cell, CORES.column(HEIGHT), unit, "")
    return None if quantity is None or quantity.two else float(quantity.value)


def _by_file(
    survey: WrittenSurvey, written: WrittenTable, form: re.Pattern[str], column: str
) -> dict[str, Reading]:
    """What the titles of each sheet of a table give, by its file, and the notes, by "": each where
    they give one thing. A line that is not understood as a whole is noted. form: of a clause, the
    value in its last group.
    """
    files = {part.file for part in written.stack.parts} if written.stack else {written.file}
    found: dict[str, dict[str, Reading]] = {}
    for title in survey.titles:
        if title.file not in files and not title.of_notes:
            continue
        text = _UNLESS_NOTED.sub("", title.text) if column == HEIGHT else title.text
        whole = form.fullmatch(text.strip(" ."))
        parts = [text.strip(" .")] if whole else clauses(text)
        said = [match for part in parts if (match := form.fullmatch(part))]
        others = [part for part in parts if not form.fullmatch(part)]
        if said and not any(_ON_CORES.search(each) for each in others):
            for match in said:
                value = match[form.groups]
                reading = Reading(title.file, title.row, column, match[0], value, IN_A_TITLE)
                own = found.setdefault("" if title.of_notes else title.file, {})
                own.setdefault(value.lower(), reading)
        elif form.search(title.text):
            words = f"'{title.text}' is not taken to be said of all cores"
            note = f"{title.file}, row {title.row}: {words}"
            if note not in survey.notes:
                survey.notes.append(note)
    if any(len(each) > 1 for each in found.values()):
        return {}
    return {file: next(iter(each.values())) for file, each in found.items()}


def take_last_rings_of_all(survey: WrittenSurvey) -> None:
    """A column of last rings for the cores of live stems, in place, where none is there and titles
    give the one year.
    """
    cores, trees = survey.tables.get(CORES.name), survey.tables.get("trees")
    if cores is None or trees is None or "last_ring_year" in cores.header:
        return
    if not {"tree"} <= {*cores.header} & {*trees.header} or RINGS not in cores.header:
        return
    found = _by_file(survey, cores, _LAST_RING, "last_ring_year")
    if not found:
        return
    at, of = trees.header.index("tree"), cores.header.index("tree")
    rings = cores.header.index(RINGS)
    live = {alike(row[at]) for row in trees.cells if _lives(trees, row)}
    complete = {
        file: "complete" if (said := _LAST_RING.fullmatch(each.as_written)) and said[1] else ""
        for file, each in found.items()
    }
    whole = any(complete.values()) and "outer_ring" not in cores.header
    more = ["last_ring_year", *(["outer_ring"] if whole else [])]
    cells = []
    for row, line in zip(cores.cells, cores.rows, strict=True):
        file = cores.file_of(line)
        file = file if file in found else ""
        counted = row[rings].lower() not in {"", *BLANK_WORDS}
        if counted and file in found and alike(row[of]) in live:
            own = [found[file].as_read, *([complete[file]] if whole else [])]
        else:
            own = [""] * len(more)
        cells.append([*row, *own])
    survey.tables[CORES.name] = replace(cores, header=[*cores.header, *more], cells=cells)
    for file, each in found.items():
        also = ", outer_ring complete" if whole and complete[file] else ""
        survey.readings.append(replace(each, as_read=f"{each.as_read}{also} of live stems"))


def _lives(trees: WrittenTable, row: list[str]) -> bool:
    if "status" not in trees.header:
        return True
    status = row[trees.header.index("status")]
    return status in ("", "live") or code_meaning("trees", TREES.column("status"), status) == "live"
