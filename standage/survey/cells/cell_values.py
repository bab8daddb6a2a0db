"""Cells of a column to numbers, dates and codes: what is written plainly at once, what crews write
otherwise word by word, each liberty listed; what has two meanings, or none, is a problem.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.cells.areas import Area, area_in
from standage.survey.cells.date_cells import typed_dates
from standage.survey.cells.doubt import advice as doubt_advice
from standage.survey.cells.doubt import doubt_in, parted
from standage.survey.cells.event_kinds import ELSEWHERE, IF_ELSEWHERE, advice_on_kinds
from standage.survey.cells.event_years import year_beside_a_month
from standage.survey.cells.headings import has_unit_in_name
from standage.survey.cells.quantities import NOTHING_FOUND, number_in_words, read_quantity
from standage.survey.cells.ring_words import (
    BREAST_HEIGHT_WORDS,
    LEAST_NUMBER,
    RING_COLUMNS,
    TWO_NUMBERS,
    height_beside_words,
    no_core_in,
    rings_and_words,
    rings_in_years,
    year_and_outer_ring,
)
from standage.survey.cells.table_cells import (
    ADVISED,
    BLANK_WORDS,
    NOT_COUNTED,
    Outcome,
    TableCells,
    applied,
    not_recorded,
)
from standage.survey.schema import COUNTS, Column
from standage.survey.synonyms import code_meaning, nearest_code, plain, yes_or_no
from standage.survey.units import MEASURES, converted, factor, how_to_convert, unit_of

ESTIMATED = {"count", "dbh_cm", "height_cm", "pith_distance_mm"}
"""Columns in which `~20` is the likeliest number: without a place for doubt, or often estimates."""
_BARE = re.compile(
    r"(?:~|\u2248|ca?\.?|about|abt\.?|circa|around|approx\.?)?\s*\d+(?:\.\d+)?\s*\??", re.IGNORECASE
)
"""A number without a unit, with or without a mark of doubt."""
UNSURE = {"?", "??", "unknown", "unsure", "uncertain", "not sure"}
"""Words for 'nobody knows' in a column whose blank cells mean something."""
UNREAD_CLASS = "none of its words: left out, for it is only kept"
_ASKS_IF_ALIVE = re.compile(r"(?!.*\b(?:dead|or)\b).*\b(?:alive|live|living)\b", re.IGNORECASE)
"""Headings of a column of status that ask whether the stem lives."""
_OF_SUMS = re.compile(r"\b(?:(?:sub)?totals?|sums?|all)\b", re.IGNORECASE)
SPREADS = {
    "range": "range: every number in it taken as equally likely",
    "spread": "spread, taken as one standard deviation",
}
"""How a doubt that is read as a standard deviation is listed."""
MISSED_PITH = (
    "That says the pith isn't in the core, not what is at its inner end: write the one that is"
    " meant (arcs: inner rings curve; straight: none curves; unknown: nothing was noted). Beside"
    " rings_to_pith or pith_distance_mm the word may stay."
)
BESIDE_WORDS = {
    "rings_to_pith": (rings_in_years, "an estimate of rings"),
    "height_cm": (height_beside_words, "a height, with a word for it"),
}
"""What takes such words out of the cells of a column, and why the rest is read."""
BREAST_HEIGHT_CM = 137.0
"""4.5 ft, at which dbh_cm is measured. [cm]"""
LOST = {"lost", "core lost", "gone"}
"""Words for a core, or a centre, that isn't there (common practice, no source)."""
OF_A_DAY = {"first_year", "last_year", "ended_year", "last_ring_year", "death_year"}
"""Years that crews write with their month (common practice, no source)."""
_OF_RINGS = re.compile(
    r"\b(releas\w*|rings?|growth|cores?|cored|dendro\w*|tree-?rings?|suppress\w*)\b", re.IGNORECASE
)
"""Of the sources of events only a release counts: it isn't combined with the rings it is from."""
_SINCE = re.compile(
    r"\b(since|until|till|present|today|now|every|on|onwards?)\b|\d{4}\s*(-|\u2013)\s*$",
    re.IGNORECASE,
)
"""What makes an event one that lasted (common practice, no source)."""
LETTERS_FOR_DIGITS = str.maketrans("OolIS", "00115")
"""Letters that hands and scanners write for digits (common practice, no source)."""


def typed(cells: TableCells, column: Column, text: np.ndarray) -> np.ndarray:
    """The column's cells, text (row,), as numbers (float64), dates (datetime64[ns]) or codes and
    text (object). What cannot be accepted becomes blank.
    """
    if column.kind == "date":
        return typed_dates(cells, column, text)
    if column.is_number:
        return _numbers(cells, column, text)
    if column.kind == "code":
        return _codes(cells, column, text)
    return text


def _numbers(cells: TableCells, column: Column, text: np.ndarray) -> np.ndarray:
    written = text != ""
    values = np.array(pd.to_numeric(text, errors="coerce"), dtype=float)
    shown = _as_headed(column, cells.units.get(column.name, column.unit))
    bad = written & ~np.isfinite(values)
    values[bad] = np.nan
    unit = cells.units.get(column.name, column.unit)
    bare = (written & ~bad).any() or any(_BARE.fullmatch(cell) for cell in text[bad])
    if unit == "" and has_unit_in_name(column) and bare:
        _unit_not_said(cells, column)
    if unit not in ("", column.unit):
        values = np.round(values * factor(unit, column.unit), 6)
    if bad.any():
        for place, value in applied(
            cells, shown, text, bad, lambda cell: _odd_number(cells, column, cell)
        ):
            values[place] = np.nan if value == "" else value
    if column.kind == "whole":
        broken = written & (values != np.round(values)) & ~np.isnan(values)
        for place in np.flatnonzero(broken)[:TOLD_OF_A_COLUMN]:
            cells.problem(place, column, f"'{text[place]}'", shown.allowed, "Write a whole number.")
        values[broken] = np.nan
    if column.low is not None and column.high is not None:
        low = values <= column.low if column.above_low else values < column.low
        outside = low | (values > column.high)
        for place in np.flatnonzero(outside)[:TOLD_OF_A_COLUMN]:
            found, advice = f"'{text[place]}'", _range_advice(shown)
            if unit not in ("", column.unit) and re.fullmatch(r"[\d.]+", text[place]):
                found += f", in {unit} by the heading"
                tenth = f"{float(text[place]) / 10:g}"
                advice = (
                    f"Correct it, as {tenth} if its point is missing; or write the unit into the"
                    f" cell where it is another: '{text[place]} cm'."
                )
            cells.problem(place, column, found, shown.allowed, advice)
        values[outside] = np.nan
    return values


def _as_headed(column: Column, unit: str) -> Column:
    """The column as one in the unit of its heading, for what is said of its cells: a number written
    by advice in another unit would be read in the heading's.
    """
    by = factor(column.unit, unit) if unit not in ("", column.unit) else None
    if by is None or column.low is None or column.high is None:
        return column
    low, high = (float(f"{limit * by:.3g}") for limit in (column.low, column.high))
    return replace(column, unit=unit, low=low, high=high)


def _unit_not_said(cells: TableCells, column: Column) -> None:
    others = sorted(
        unit for unit in MEASURES if unit != column.unit and factor(unit, column.unit) is not None
    )
    cells.problems.append(
        Problem(
            cells.file,
            cells.header_row,
            cells.headings.get(column.name, column.name),
            f"numbers without a unit, which may be {column.unit} or {' or '.join(others)}",
            f"the unit in the heading: '{column.name}'",
            f"Name the column '{column.name}' if its values are in {column.unit}; otherwise put"
            f" their unit in brackets after its name, as in ({others[0]}).",
        )
    )


def _odd_number(cells: TableCells, column: Column, cell: str) -> Outcome:
    """A cell that is no plain number."""
    unit = cells.units.get(column.name, column.unit)
    quantity = read_quantity(cell, column, unit or column.unit, cells.comma())
    if quantity is not None and quantity.two:
        one, other = (f"{value:.10g}" for value in quantity.two)
        return Outcome(
            expected=f"one meaning: {one}, or {other} with a decimal comma",
            advice=f"Write {one} or {other}, without a mark between thousands.",
        )
    if quantity is not None:
        return Outcome(quantity.value, f"{quantity.value:.10g}", quantity.reason)
    several = column == COUNTS.column("area_m2")
    if column.unit == "m2" and (area := area_in(cell, unit, several=several)) is not None:
        return _as_area(area)
    if column.name == "count" and cell.casefold() in NOTHING_FOUND:
        return Outcome(0.0, "0", "none counted")
    spelt = number_in_words(cell) if unit == column.unit else None
    if spelt is not None:
        return Outcome(float(spelt), f"{spelt}", "number in words")
    if column.name == "height_cm" and plain(cell) in BREAST_HEIGHT_WORDS:
        return Outcome(BREAST_HEIGHT_CM, f"{BREAST_HEIGHT_CM:g}", "breast height")
    if cell.lower() in BLANK_WORDS or plain(cell) in NOT_COUNTED:
        return not_recorded(column)
    worded = rings_and_words(cell, column, unit) if column.name in RING_COLUMNS else None
    if worded is None and column.name == "last_ring_year":
        worded = year_and_outer_ring(cell)
    if column.name == "last_ring_year" and (short := re.fullmatch(r"['\u2019](\d\d)", cell)):
        full = int(short[1]) + (2000 if int(short[1]) <= dt.date.today().year % 100 else 1900)
        return Outcome(float(full), f"{full}", "a year without its century")
    if column.name in OF_A_DAY and (year := year_beside_a_month(cell)) is not None:
        return Outcome(float(year), f"{year}", "the year of a month")
    if worded is None and column.name in BESIDE_WORDS:
        worded = _beside_words(cells, column, cell)
    if worded is not None:
        return worded
    if column.kind == "number":
        cell = re.sub(r"(?<=\d),(?=\d{1,2}(?!\d))", ".", cell)
    doubt = doubt_in(cell, column)
    if doubt is not None and doubt.kind == "about" and column.name == "rings_to_pith":
        value = f"{doubt.value:g}"
        return Outcome(doubt.value, value, "an estimate, as all of this column are")
    if doubt is not None and doubt.kind == "about" and column.name in ESTIMATED:
        number = (
            doubt.value if unit in ("", column.unit) else converted(doubt.value, unit, column.unit)
        )
        return Outcome(number, f"{number:.10g}", "an estimate, used as the number")
    if doubt is None:
        return Outcome(advice=_advice(_as_headed(column, unit), cell))
    parts = parted(doubt, column)
    if parts is None:
        return Outcome(advice=doubt_advice(doubt, column))
    value, more = parts
    number = float(value)
    if unit and unit != column.unit and unit in MEASURES:
        number = converted(number, unit, column.unit)
    said = "".join(f", {name} {what}" for name, what in more.items())
    why = SPREADS.get(doubt.kind, doubt.kind) if column.sd in more else doubt.kind
    return Outcome(number, f"{number:.10g}{said}", why, more=tuple(more.items()))


def _beside_words(cells: TableCells, column: Column, cell: str) -> Outcome | None:
    """A cell read without words that only name what the column holds; None where it has none."""
    bare, reason = BESIDE_WORDS[column.name]
    rest = bare(cell)
    if not rest or rest == cell:
        return None
    if re.fullmatch(r"\d+(\.\d+)?", rest) and column.name == "rings_to_pith":
        return Outcome(float(rest), rest, reason)
    found = _odd_number(cells, column, rest if not rest.isdecimal() else f"{rest}.0")
    if found.advice and column.name == "rings_to_pith":
        return found
    return replace(found, reason=reason) if found.reason else None


def _as_area(area: Area) -> Outcome:
    if area.square_metres is not None:
        return Outcome(area.square_metres, f"{area.square_metres:.10g}", area.reason)
    metres, feet = (f"{each:.10g}" for each in area.by_unit)
    return Outcome(
        expected=f"the unit too: {metres} m2 if metres are meant, {feet} m2 if feet",
        advice=f"Write '{metres} m2' or '{feet} m2', or the unit of the length behind it, m or ft.",
    )


def _range_advice(column: Column) -> str:
    if column.unit == "calendar year":
        return "Write the calendar year in four digits."
    if column.unit == "share of stems":
        return "Write a share, not a percentage: 0.3 for 30 percent."
    unit = f" (the unit is {column.unit})" if column.unit else ""
    blank = {
        "yes": ".",
        "": "; leave the cell blank if it was not recorded.",
    }.get(column.required, f"; it may only be blank where it isn't needed ({column.required}).")
    return f"Check the value and its unit{unit}{blank}"


def _advice(column: Column, cell: str) -> str:
    """What to do about a cell that is not a number."""
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", cell):
        return (
            "The spreadsheet turned the number into a date: format the column as a number and write"
            " the value again."
        )
    if re.fullmatch(r"\[.*\]", cell):
        return "Words in square brackets are the form's: write a value, or empty the cell."
    if column.name == "area_ha" and re.search(r"plot", cell, re.IGNORECASE):
        return (
            "Leave the cell blank if the area of the whole stand isn't known. The area of each"
            " plot belongs into a column 'plot area (m2)' beside its stems, or into a table plots."
        )
    slashed = re.fullmatch(r"(\d+)\s*/\s*(\d+)", cell) if column.name in RING_COLUMNS else None
    if slashed:
        return (
            f"Of two readings of one core write the better one, {slashed[1]} or {slashed[2]}, and"
            " the other as a row of a table core_readings (core, reader,"
            f" {column.name}); two cores need a row each."
        )
    if column.name == "dbh_cm" and re.fullmatch(r"[\d.]+(\s*[+&,;/]\s*[\d.]+)+", cell):
        return (
            "Write a row for each stem, with a name of its own (8a, 8b): each is a stem per hectare"
            " and has its basal area."
        )
    if column.name == "dbh_cm" and re.search(r"@|\bat\b|stump", cell, re.IGNORECASE):
        return (
            "A diameter at another height is none at breast height: leave the cell blank, and put"
            " it into a column of notes."
        )
    digits = cell.translate(LETTERS_FOR_DIGITS)
    if digits != cell and re.fullmatch(r"-?\d+(\.\d+)?", digits):
        return (
            "There is a letter in it that looks like a digit; look it up, and write the number"
            f" (perhaps {digits})."
        )
    without = no_core_in(cell, alone=False)
    if without is not None:
        why = f"write {without} into" if without else "say why in"
        return f"Delete the row if there is no core, and {why} core_outcome of the tree in trees."
    two = TWO_NUMBERS.fullmatch(cell) if column.name == "ring_count" else None
    if two:
        return (
            f"Write {two[1]}, the rings counted, and {two[2]} into rings_to_pith if these are the"
            " rings from there to the pith."
        )
    bound = LEAST_NUMBER.search(cell) if column.at_least and column.unit == "rings" else None
    if bound:
        return (
            f"Write {bound[0].strip()} alone, with its mark, for it is a least number; remarks"
            " belong into note."
        )
    if column.until == "last_year" and ELSEWHERE.search(cell):
        return f"{IF_ELSEWHERE}; if it did, write the year alone."
    if column.until == "last_year" and _SINCE.search(cell):
        return (
            "Write the year in which it began into first_year and last_year, and the year in which"
            " it ended into ended_year, blank if it hasn't; fires that came back again and again"
            " have the kind fire-resumed."
        )
    if column.unit == "calendar year":
        return "Write the calendar year in four digits, without words; remarks belong into note."
    other = re.fullmatch(r"(-?\d+(?:\.\d+)?)\s*(\D+)", cell)
    how = (other and unit_of(other[2])) or ""
    if column.name == "rings_to_pith" and factor(how, "mm") is not None:
        return "A distance belongs into pith_distance_mm, in mm; here it is a number of rings."
    if how and how_to_convert(how, column.unit):
        return (
            f"Write the number alone, converted from {how} to {column.unit}"
            f" ({how_to_convert(how, column.unit)})."
        )
    unit = f" in {'inches' if column.unit == 'in' else column.unit}" if column.unit else ""
    blank = "; leave the cell blank where it wasn't measured" if column.name == "height_cm" else ""
    return f"Write the number alone{unit}, without words{blank}; remarks belong into note."


def _codes(cells: TableCells, column: Column, text: np.ndarray) -> np.ndarray:
    known = {*column.codes, ""}
    bad = np.array([cell not in known for cell in text], dtype=bool)
    if column.name in ("crown_class", "source"):  # of which nothing, or little, is computed
        read_by_list = {word for word in set(text[bad]) if code_meaning(cells.table, column, word)}
        asked = {word for word in set(text[bad]) if _may_be_a_release(cells.table, column, word)}
        unread = bad & np.array([cell not in read_by_list | asked for cell in text], dtype=bool)
        for place in np.flatnonzero(unread)[:TOLD_OF_A_COLUMN]:
            cells.reading(place, column, text[place], "", UNREAD_CLASS)
        text, bad = np.where(unread, "", text).astype(object), bad & ~unread
    if not bad.any():
        return text
    advised = iter(range(ADVISED))
    read = np.where(bad, "", text)
    for place, value in applied(
        cells, column, text, bad, lambda cell: _odd_code(cells, column, cell, advised)
    ):
        read[place] = value
    return read


def _may_be_a_release(table: str, column: Column, cell: str) -> bool:
    """Whether words, or a misspelt one, may say that an event is known from rings."""
    if _OF_RINGS.search(cell):
        return True
    words = [cell, *cell.split()[:8]] if column.name == "source" else []
    return any(nearest_code(table, column, word) == "release" for word in words)


def _odd_code(cells: TableCells, column: Column, cell: str, advised: Iterator[int]) -> Outcome:
    """A word that is none of the column's."""
    meaning = code_meaning(cells.table, column, cell)
    if meaning is None and _ASKS_IF_ALIVE.match(cells.headings.get(column.name, "")):
        living = yes_or_no(cell)
        meaning = {"yes": "live", "no": "dead"}.get(str(living))
    if isinstance(meaning, str):
        return Outcome(meaning, reason="another word for it")
    if meaning is not None:
        advice = "The word may mean any of them: write the one that is meant."
        if column.name == "centre" and "pith" not in meaning:
            advice = MISSED_PITH
        return Outcome(expected=" or ".join(meaning), advice=advice)
    if cell.lower() in UNSURE and column.default:
        if "unknown" in column.codes:
            return Outcome("unknown", reason="not known")
        return Outcome(
            expected=f"one of: {column.allowed}",
            advice=f"Write which it is; a blank cell means {column.default}.",
        )
    if cell.lower() in BLANK_WORDS:
        return not_recorded(column)
    if own := _where_it_belongs(column, cell):
        return Outcome(expected=f"one of: {column.allowed}", advice=own)
    near = None
    if next(advised, None) is not None:
        near = nearest_code(cells.table, column, cell)
    expected = f"one of: {column.allowed}"
    if near:
        return Outcome(expected=expected, advice=f"Did you mean '{near}'?")
    blank = "" if column.required else ", or leave the cell blank."
    if column.default:
        blank = f". A blank cell means {column.default}."
    return Outcome(expected=expected, advice=f"Use one of these words{blank or '.'}")


def _where_it_belongs(column: Column, cell: str) -> str:
    """What to do with a word that says more than its column holds; "" for any other."""
    if column.name == "source" and _OF_RINGS.search(cell):
        return "Write release if the rings show it, scar if a scar in them does."
    if column.name == "kind":
        return advice_on_kinds(cell)
    if column.name == "stage":
        if _OF_SUMS.search(cell):
            return "Delete the row if it is one of sums: its plants would be counted twice."
        stage = code_meaning("counts", column, re.sub(r"\s*[(\[].*", "", cell))
        return f"Write '{stage}' if that is meant." if isinstance(stage, str) else ""
    if column.name != "centre":
        return ""
    if plain(cell) in LOST:
        return (
            "If the core was lost, take out what is written of it, and write unreadable into a"
            " column core_outcome; if its centre is gone, write rotten."
        )
    if LEAST_NUMBER.search(cell):
        return "Write the word alone, and the least number of rings into ring_count, as 154+."
    if re.search(r"\d", cell):
        return (
            "Write what the number is: 'missed 8 rings' is read, or, where they are more than 40 or"
            " more than those counted, the number in rings_to_pith; a distance goes into"
            " pith_distance_mm, the word for the centre stays alone."
        )
    return ""
