"""Areas as crews write them: sides, the radius of a circle, a fraction of an acre; in the cell, or
by a heading of the radius.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from standage.errors import Problem
from standage.survey.cells.headings import heading_of, without_unit
from standage.survey.cells.quantities import read_quantity
from standage.survey.cells.table_cells import BLANK_WORDS, heads_remarks
from standage.survey.flat_table import FLAT, table_of
from standage.survey.readings import Reading
from standage.survey.schema import COUNTS, PLOTS
from standage.survey.units import DECIMALS, IN_METRES, IN_SQUARE_METRES, measure_of
from standage.survey.written import WrittenSurvey, WrittenTable

_NUMBER = r"(\d+(?:[.,]\d+)?)"
_UNIT = r"\s*([a-z'\"’′”″]*)\.?\s*"
_SIDES = re.compile(rf"{_NUMBER}{_UNIT}(?:x|×|\*|by)\s*{_NUMBER}{_UNIT}", re.IGNORECASE)
_ROUND = re.compile(
    rf"(r|rad|radius|d|diam|diameter)\b\.?\s*(?:[=:]|of)?\s*{_NUMBER}{_UNIT}", re.IGNORECASE
)
_ROUND_AFTER = re.compile(rf"{_NUMBER}{_UNIT}(r|rad|radius|diam|diameter)\b\.?", re.IGNORECASE)
_FRACTION = re.compile(
    r"1\s*/\s*(\d+)(?:st|nd|rd|th)?[\s-]*(?:of an )?([a-z0-9²^ ]+)", re.IGNORECASE
)
_TIMES = re.compile(r"(\d+) ?[x×] ?(.*[a-z].*)|(.*[a-z].*?) ?[x×] ?(\d+)", re.IGNORECASE)
_SIDES_OF = {"m2": "m", "ft2": "ft"}
"""Unit of the sides where only that of the area is said."""
HEADINGS = {
    "radius": "r",
    "plot radius": "r",
    "radius of plot": "r",
    "subplot radius": "r",
    "quadrat radius": "r",
    "plot diameter": "diameter",
    "subplot diameter": "diameter",
}
"""Headings of circles (common practice, no source), and what stands before the number in a cell."""
ONE_OF_SEVERAL = {"quadrat", "quad", "subplot", "frame"}
NUMBERS_OF = {"quadrats", "quads", "subplots", "frames", "number of quadrats", "no of quadrats"}
NUMBERS_OF |= {"number of subplots", "no of subplots", "n quadrats", "n subplots"}
OF_SIZES = {"size", "sizes", "quadrat size", "quad size", "subplot size", "dimensions"}
OF_ALL = {"total", "all", "together", "searched", "sampled", "summed"}
"""Words in a heading of the area of one quadrat, headings of their number and size, and words in a
heading of the area of all (common practice, no source)."""
_NUMBERS = {"two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "eight": 8, "ten": 10}
OF_LAND = {"acres", "ha"}
"""Units of areas of which a fraction may stand below a heading that says them."""
NEARLY_ALL = 0.9
"""Share of the rows of counts that name a subplot (assumption)."""
_SEVERAL = re.compile(
    rf"(?<![\d.,/-])(?<!plot )(?<!stand )(?<!site )\b"
    rf"([2-9]|[1-9]\d|{'|'.join(_NUMBERS)})(?!\d|[.,/-]\d)"
    r"(?!\s*-?\s*(?:m|cm|ft|feet|foot|in|ha|ac|acres?|metres?|meters?|sq|m2|m²|ft2|ft²)\b)"
    r"(?!\s*['\"′″])"
    r"\s*[x×@]?\s*(?:(?!\bof\b|\bplots?\b)[^;]){0,24}?"
    r"\b(?:subplots?|quadrats?|quads|frames|milacres?)\b",
    re.IGNORECASE,
)
"""A number of quadrats in a text: `4 x 1/1000 ac subplots`."""


@dataclass(frozen=True)
class Area:
    """An area as read. square_metres: None where the unit of its sides is lacking; by_unit: then,
    what it is in metres and in feet. reason: what was different.
    """

    square_metres: float | None
    reason: str
    by_unit: tuple[float, ...] = ()


def area_in(cell: str, unit: str, *, several: bool = False) -> Area | None:
    """The area that a cell gives otherwise than as one number; None for anything else. unit: of the
    area by its heading, "" where none is said. several: whether it may be a number times an area.

    >>> area_in("20 x 25 m", "").square_metres, area_in("1/10 ac", "").square_metres
    (500.0, 404.685642)
    """
    text = re.sub(r"\b(plot|quadrat|fixed|circular|square)\b", " ", cell, flags=re.IGNORECASE)
    text = text.strip(" ,;")
    if found := _SIDES.fullmatch(text):
        one, one_unit, other, other_unit = found.groups()
        sides, units = (
            (_value(one), _value(other)),
            (one_unit or other_unit, other_unit or one_unit),
        )
        return _by_lengths(sides, units, unit, 1.0, "sides to m2")
    if found := _ROUND.fullmatch(text):
        what, number, length = found.groups()
    elif found := _ROUND_AFTER.fullmatch(text):
        number, length, what = found.groups()
    elif (bare := re.fullmatch(r"1\s*/\s*(\d+)", text)) and int(bare[1]) and unit in OF_LAND:
        size = round(IN_SQUARE_METRES[unit] / int(bare[1]), DECIMALS)
        return Area(size, f"fraction of {unit} to m2")
    elif (found := _FRACTION.fullmatch(text)) and int(found[1]):
        of = measure_of(found[2].strip())
        if of not in IN_SQUARE_METRES:
            return None
        return Area(
            round(IN_SQUARE_METRES[of] / int(found[1]), DECIMALS), f"fraction of {of} to m2"
        )
    elif measure_of(text) == "milacres":
        return Area(round(IN_SQUARE_METRES["milacres"], DECIMALS), "a milacre to m2")
    elif several and (found := _TIMES.fullmatch(text)):
        of_one = square_metres(found[2] or found[3], "")
        number = int(found[1] or found[4])
        return Area(of_one * number, f"{number} times an area") if of_one else None
    else:
        return None
    share, of = (math.pi, "radius") if what[0].lower() == "r" else (math.pi / 4, "diameter")
    return _by_lengths((_value(number),) * 2, (length,) * 2, unit, share, f"{of} to m2")


def square_metres(text: str, unit: str = "m2", *, several: bool = False) -> float | None:
    """An area as written; None for anything else. unit: of a bare number, "" for none. [m2]

    >>> square_metres("1/1000 ac"), square_metres("25 m2"), square_metres("25", "")
    (4.046856, 25.0, None)
    """
    text = text.replace("mil-", "mil").replace("-", " ").strip()
    area = area_in(text, unit if unit in OF_LAND else "", several=several)
    if area is not None:
        return area.square_metres
    if not unit and re.fullmatch(r"[\d.,/]*", text):
        return None
    quantity = read_quantity(text, COUNTS.column("area_m2"), unit or "m2", "")
    return None if quantity is None or quantity.two else float(quantity.value)


def are_areas(cells: Iterable[str], *, several: bool = False) -> bool:
    """Whether all cells that hold something are areas with their unit."""
    sizes = [square_metres(cell, "", several=several) for cell in {*cells} - {"", *BLANK_WORDS}]
    return bool(sizes) and all(sizes)


def _value(number: str) -> float:
    return float(number.replace(",", "."))


def _by_lengths(
    lengths: tuple[float, float], units: tuple[str, str], unit: str, share: float, reason: str
) -> Area | None:
    """share of the product of two lengths. units: as written; unit: of the area."""
    of = [measure_of(each) if each else _SIDES_OF.get(unit, "") for each in units]
    if any(each is None or (each and each not in IN_METRES) for each in of):
        return None
    product = share * lengths[0] * lengths[1]
    if "" in of:
        ways = [round(product * IN_METRES[each] ** 2, 2) for each in ("m", "ft")]
        return Area(None, reason, tuple(ways))
    one, other = (IN_METRES[each] for each in of if each)
    return Area(round(product * one * other, DECIMALS), reason)


def take_headings_of_circles(survey: WrittenSurvey) -> None:
    """A column of radii or sizes as that of areas, where a table has none, in place."""
    for name, column in (
        (PLOTS.name, "area_m2"),
        (COUNTS.name, "area_m2"),
        (FLAT.name, "plot_area_m2"),
    ):
        written = survey.tables.get(name)
        if written is None or column in written.header:
            continue
        round_ones = [
            (at, HEADINGS[words], unit)
            for at, heading in enumerate(written.header)
            if heading not in written.set_aside
            for words, unit in [without_unit(heading)]
            if words in HEADINGS and unit in ("", *IN_METRES)
        ]
        if not round_ones:  # `Size`, and `1 m2` or `2 m radius` below it
            round_ones = [
                (at, "", "")
                for at, heading in enumerate(written.header)
                if heading not in written.set_aside
                and without_unit(heading)[0] in OF_SIZES
                and heading_of(table_of(name), heading) is None
                and are_areas((row[at] for row in written.cells), several=name == COUNTS.name)
            ]
        if len(round_ones) != 1:
            continue
        at, what, unit = round_ones[0]
        own = written.header[at]
        cells = [
            [*row[:at], _as_circle(row[at], what, unit), *row[at + 1 :]] for row in written.cells
        ]
        header = [*written.header[:at], column, *written.header[at + 1 :]]
        survey.tables[name] = replace(
            written,
            header=header,
            cells=cells,
            units={**written.units, column: ""},
            headings={**written.headings, column: own},
        )
        survey.readings.append(
            Reading(
                *(written.file, written.header_row, column, own, column),
                "heading of a circle" if what else "all are areas",
            )
        )


def ask_of_several_quadrats(survey: WrittenSurvey) -> None:
    """Counts over several quadrats, by a column of their number, a title, a remark or the file's
    name: a problem where the area is that of one, else listed as what the area is taken for.
    """
    written = survey.tables.get(COUNTS.name)
    if written is None or "area_m2" not in written.header or not written.cells:
        return
    own = written.headings.get("area_m2", "area_m2")
    words = set(without_unit(own)[0].split())
    for at, heading in enumerate(written.header):
        if without_unit(heading)[0] not in NUMBERS_OF or heading in written.set_aside:
            continue
        of = [(row[at], line) for row, line in zip(written.cells, written.rows, strict=True)]
        several = [(number, line) for number, line in of if re.fullmatch(r"[2-9]|[1-9]\d+", number)]
        if several and own != "area_m2" and not words & OF_ALL:
            number, line = several[0]
            found = f"{number} under '{heading}' beside '{own}', the area of one or of all"
            survey.problems.append(_area_of_one(written, line, found, number, own))
            return
    area = written.header.index("area_m2")
    for text, row in texts_of_quadrats(survey, written):
        said = next((each for each in _SEVERAL.finditer(text) if not _is_a_side(text, each)), None)
        if said is None or words & OF_ALL:
            continue
        number = str(_NUMBERS.get(said[1].lower(), said[1]))
        cell = written.cells[0 if row is None else written.rows.index(row)][area]
        if _names_subplots(written):
            _take_one_a_row(survey, written, row, text, _is_of_all(text, said, int(number), cell))
            return
        if words & ONE_OF_SEVERAL or not _is_of_all(text, said, int(number), cell):
            found = f"'{cell}' beside '{text}', the area of one or of all {number}"
            survey.problems.append(_area_of_one(written, row, found, number, own))
        else:
            read = f"the area of all {number} together"
            survey.readings.append(
                Reading(written.file, row, "area_m2", text, read, "counts over several quadrats")
            )
        return


def _names_subplots(written: WrittenTable) -> bool:
    """Whether nearly every row of counts names its subplot, one of several."""
    if "subplot" not in written.header:
        return False
    at = written.header.index("subplot")
    names = [row[at] for row in written.cells if row[at]]
    return len(set(names)) > 1 and len(names) >= NEARLY_ALL * len(written.cells)


def _take_one_a_row(
    survey: WrittenSurvey, written: WrittenTable, row: int | None, text: str, of_all: bool
) -> None:
    """The area of counts whose rows are a subplot each: listed, or a problem where it is that of
    all subplots.
    """
    if not of_all:
        why = "a subplot in each row"
        survey.readings.append(Reading(written.file, row, "area_m2", text, "the area of one", why))
        return
    survey.problems.append(
        Problem(
            written.file,
            written.header_row if row is None else row,
            "area_m2",
            f"the area of all by '{text}', in rows of one subplot each",
            "the area on which the plants of each row were counted",
            "Write the area of one subplot; or one row a plot, with the sum of its plants and the"
            " area of all.",
        )
    )


def texts_of_quadrats(survey: WrittenSurvey, written: WrittenTable) -> list[tuple[str, int | None]]:
    """Remarks on rows of counts, then the titles and the name of their sheet, each with its row."""
    own = [title.text for title in survey.titles if title.file == written.file]
    notes = [at for at, name in enumerate(written.header) if heads_remarks(name)]
    remarks = [
        (row[at], line)
        for row, line in zip(written.cells, written.rows, strict=True)
        for at in notes
    ]
    return [*remarks, *((text, None) for text in (*own, written.file))]


def _is_a_side(text: str, said: re.Match[str]) -> bool:
    """Whether a number before quadrats is a side of one of them: `20 x 20 m quadrat`, `quadrat of
    2 m x 2 m`.
    """
    before, after = text[: said.start(1)], text[said.end(1) :]
    other = re.match(r"\s*[x×]\s*(\d+(?:\.\d+)?)\s*-?\s*(?:m|cm|ft|feet)\b", after, re.IGNORECASE)
    alike = other is not None and other[1] == said[1]
    one = re.search(r"(?:subplot|quadrat|milacre)$", said[0], re.IGNORECASE) is not None
    return bool(re.search(r"\d\s*[x×]\s*$", before)) or (other is not None and (alike or one))


def _is_of_all(text: str, said: re.Match[str], number: int, cell: str) -> bool:
    """Whether a text plainly makes a cell the area of all quadrats: it is their number times the
    size of one, or the text says so. Without either nobody knows.
    """
    rest = text[: said.start(1)] + " " + text[said.end(1) :]
    bare = re.match(r"\d+(?:[.,]\d+)?", cell)
    if bare is None:
        return False
    area = _value(bare[0])
    sides = re.findall(rf"{_NUMBER}\s*[a-z]*\s*[x×]\s*{_NUMBER}", rest, re.IGNORECASE)
    sizes = {_value(each) for each in re.findall(r"\d+(?:[.,]\d+)?", rest)}
    sizes |= {_value(one) * _value(other) for one, other in sides}
    sizes |= {1 / int(each) for each in re.findall(r"1\s*[/-]\s*(\d+)", rest) if int(each)}
    if any(math.isclose(area, size, rel_tol=1e-3) for size in sizes):
        return False
    if any(math.isclose(area, number * size, rel_tol=1e-3) for size in sizes):
        return True
    words = set(re.findall(r"[a-z]+", text.lower()))
    return bool(words & OF_ALL) and not words & {"each", "per"}


def _area_of_one(
    written: WrittenTable, line: int | None, found: str, number: str, own: str
) -> Problem:
    naming = f"Name '{own}' 'total area', with its unit,"
    if own == "area_m2":  # or no such column, where a title gives the area
        naming = "Give the counts a column 'total area (m2)' for their area,"
    advice = (
        f"{naming} and write into it the area on which the plants of the row were"
        f" counted: that of one times {number} if they were counted on all {number}."
    )
    row = written.header_row if line is None else line
    expected = "the area of all that was counted on"
    return Problem(written.file, row, "area_m2", found, expected, advice)


def _as_circle(cell: str, what: str, unit: str) -> str:
    number = what and re.fullmatch(rf"{_NUMBER}{_UNIT}", cell, re.I)
    if not number or cell.lower() in BLANK_WORDS:
        return cell
    bare = re.fullmatch(_NUMBER, cell)
    return f"{what} = {cell} {unit}".strip() if bare else f"{what} = {cell}"
