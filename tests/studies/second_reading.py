"""A second reading of a survey's files by other code (pandas for CSV, the other reader of the
library for workbooks, plain columns for ring files), and whether what was read says the same.

A cell may be read as something else than its letters only where the survey's readings name it, with
what is read, and where a person would take the cell for that. Every row, column, file and sheet is
in the survey, or named in its notes; and the account of the survey adds up to the rows of its files.
"""

from __future__ import annotations

import difflib
import io
import math
import re
import unicodedata
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from standage.evidence.account import account
from standage.survey.files.formula_escapes import unescape
from standage.survey.readings import Reading
from standage.survey.schema import TABLES, Column, Table
from standage.survey.survey import Survey

FILLED = {
    ("cores", "first_ring_year"),
    ("cores", "last_ring_year"),
    ("cores", "core_date"),
    ("trees", "core_outcome"),
    ("counts", "species"),
    ("known_age_stems", "species"),
}
NO_TABLES = {"columns", "how to fill in", "standage check"}
BLANK = set(
    [
        "na",
        "n/a",
        "n.a.",
        "nan",
        "null",
        "#n/a",
        "-",
        "--",
        ".",
        "?",
        "nd",
        "none",
        "missing",
        "unknown",
    ]
) | {
    "\u2013",
    "not recorded",
    "not measured",
}
NO_PLOT = {"outside", "none", "no plot", "off plot", "outside plots", "outside the plots"}
TIMES = {
    **{("in", "cm"): 2.54, ("ft", "cm"): 30.48, ("mm", "cm"): 0.1, ("m", "cm"): 100.0},
    **{("cm", "mm"): 10.0, ("in", "mm"): 25.4, ("m", "mm"): 1000.0, ("ft", "m"): 0.3048},
    **{("ha", "m2"): 1e4, ("acres", "m2"): 4046.8564224, ("%", "share of stems"): 0.01},
}
SPELT = {
    **{"in": "in inch inches ins \" ''", "ft": "ft feet foot '", "%": "% percent"},
    **{"mm": "mm", "cm": "cm", "m": "m", "ha": "ha hectares", "acres": "ac acre acres"},
}
MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
MARKS = (",", ";", "\t", "|")


class Fault(Exception):
    """Something that must never happen did."""


# columns in which words that nobody knows are left out, and how their readings say so
ONLY_KEPT, ASIDE = ("crown_class", "source"), "left out, for it is only kept"
BY_CELLS = "every cell is a "  # reason of a heading that its cells explain
FEW = 4  # cells, of which all may be such words
# columns that help to find of what a row is, and where that is listed
AT = ("stand", "plot", "tree", "species")
AT_ROWS = {"cores": ("trees", "tree"), "counts": ("plots", "plot")}


def hold(true: object, what: str) -> None:
    if not true:
        raise Fault(what)


@dataclass(frozen=True)
class Sheet:
    """A file or sheet as written. file: as messages name it. rows: number of each row of cells."""

    file: str
    header: list[str]
    cells: list[list[str]]
    rows: list[int]


def fold(text: object) -> str:
    """A name without what nobody hears."""
    letters = unicodedata.normalize("NFKC", str(text)).casefold()
    return re.sub(r"[\s_\-\u2010-\u2014\u2212\u00ad]+", " ", letters).strip(" \u200b\ufeff'")


# --- files to sheets ---


def grids_of(path: Path) -> dict[str, tuple[str, list[list[str]]]]:
    """By name of the file without its ending, or of the sheet: name for messages, and its cells."""
    if path.is_dir():
        csv = [each for each in sorted(path.iterdir()) if each.suffix.lower() == ".csv"]
        if csv:
            return {
                each.stem: (each.name, _grid(each.read_bytes()))
                for each in csv
                if each.is_file() and not each.name.startswith((".", "~$"))
            }
        path = next(each for each in path.iterdir() if each.suffix.lower() == ".xlsx")
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(path.read_bytes()), data_only=True)
    return {
        sheet.title: (
            f"{path.name}, sheet {sheet.title}",
            [[_text(cell).strip() for cell in row] for row in sheet.iter_rows(values_only=True)],
        )
        for sheet in book.worksheets
    }


def _grid(content: bytes) -> list[list[str]]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", "replace")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = [line for line in text.split("\n") if line.strip()] or [""]
    # a title above the header has no marks
    head = next((line for line in lines if any(mark in line for mark in MARKS)), lines[0])
    mark = max(MARKS, key=head.count)
    width = max(line.count(mark) for line in text.split("\n")) + 1
    try:
        frame = pd.read_csv(
            io.StringIO(text),
            header=None,
            names=range(width),
            dtype=str,
            na_filter=False,
            skip_blank_lines=False,
            index_col=False,
            sep=mark,
        )
    except pd.errors.EmptyDataError:
        return []
    except pd.errors.ParserError:  # a quotation mark that isn't closed: lost, if it is a table's
        return [[text]]
    return [[cell.strip() for cell in row] for row in frame.fillna("").to_numpy().tolist()]


def _text(value: object) -> str:
    if value is None:
        return ""
    if hasattr(value, "isoformat"):
        return value.isoformat().removesuffix("T00:00:00")
    if isinstance(value, bool):
        return str(value).upper()
    return repr(value) if isinstance(value, float) else str(value)


def sheets_of(survey: Survey, path: Path) -> dict[str, Sheet]:
    """The sheet of each table that has one; every other file or sheet must be named in a note."""
    grids = grids_of(path)
    moved = {
        each.as_written: each.as_read
        for each in survey.readings
        if each.row is None and each.column is None and each.as_written != each.as_read
    }
    known = {each.name for each in TABLES}
    sheets: dict[str, Sheet] = {}
    for stem, (file, grid) in grids.items():
        name = moved.get(stem) or moved.get(file) or (stem if stem in known else None)
        if name is None or (name in sheets and stem not in known):
            named = any(f"'{stem}'" in note or f"'{file}'" in note for note in survey.notes)
            hold(named or stem in NO_TABLES or not any(map(any, grid)), f"{file} is lost")
        elif any(map(any, grid)):
            sheets[name] = _sheet(file, grid, survey)
    if path.is_dir():
        for each in path.iterdir():
            told = any(f"'{each.name}'" in note for note in survey.notes)
            named = each.name.lower().split(".")[0] in known and each.suffix.lower() != ".csv"
            hold(told or not named, f"{each.name} is lost")
    return sheets


def _sheet(file: str, grid: list[list[str]], survey: Survey) -> Sheet:
    """Header and rows, without blank ones and what a note says was above the header, or units."""
    told = [note for note in survey.notes if note.startswith(f"{file}:")]
    filled = [number for number, row in enumerate(grid) if any(row)]
    above = (re.search(r"header was found in row (\d+)", note) for note in told)
    start = next((int(found[1]) - 1 for found in above if found), filled[0])
    found = (re.search(r"row (\d+) holds units", note) for note in told)
    units = {int(each[1]) - 1 for each in found if each}
    rows = [
        number
        for number in filled
        if number > start
        and number not in units
        and not all(cell.startswith("[") for cell in grid[number] if cell)
    ]
    return Sheet(file, grid[start], [grid[row] for row in rows], [row + 1 for row in rows])


# --- cells ---


def _number_of(word: str) -> float | None:
    try:
        return float(word)
    except ValueError:
        return None


def numbers_meant(text: str, unit: str, heading_unit: str) -> set[float]:
    """All numbers that a person may take a cell for, in the column's unit; one in feet and inches
    has one meaning.
    """
    text = unicodedata.normalize("NFKC", text).strip()
    feet = re.fullmatch(r"(\d+)\s*'\s*(\d+)\s*(\"|'')?", text)
    if feet:
        return {(12 * int(feet[1]) + int(feet[2])) * 2.54}
    found = re.search(r"\d[\d.,' \u00a0]*", text)
    if found is None:
        return set()
    first = re.sub(r"[' \u00a0]", "", found[0]).strip(".,")
    words = {first, first.replace(",", ""), first.replace(",", ".")}
    words |= {first.replace(".", "").replace(",", "."), found[0].split()[0].strip(".,'")}
    sign = -1.0 if text.startswith("-") else 1.0
    values = {sign * value for word in words if (value := _number_of(word)) is not None}
    if text.startswith(">"):
        values |= {value + 1 for value in values}
    said = heading_unit or unit
    letters = re.sub(r"[\d.,\s]", "", text.casefold())
    for other, spelt in SPELT.items():
        if letters in spelt.split():
            said = other
    by = TIMES.get((said, unit), 1.0)
    return {value * by for value in values}


def _as_text(written: str) -> str:
    """A time of a workbook as a column of text, or a heading, has it."""
    is_time = re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?", written)
    return written.replace("T", " ") if is_time else written


def as_written(kind: str, read: object, written: str) -> bool:
    """Whether a cell was read as it is written: an apostrophe before a formula is the package's
    own, midnight the spreadsheet's.
    """
    written = unescape(written)
    if kind in ("number", "whole"):
        value = _number_of(written)
        return value is not None and math.isfinite(read) and value == read
    if kind == "date":
        written = re.sub(r"[ T]00:00(:00(\.0+)?)?$", "", written)
        day = re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", written)
        return bool(day) and str(read)[:10] == written
    if re.fullmatch(r"-?\d+\.0", written):
        return read in (written, written[:-2])
    return read == _as_text(written)


def is_blank(column: Column | None, read: object) -> bool:
    if column is not None and (column.is_number or column.kind == "date"):
        return bool(pd.isna(read))
    return read == (column.default if column is not None else "")


def as_meant(column: Column, read: object, written: str, unit: str) -> bool:
    """Whether a person would take the cell for what was read."""
    if fold(written) in BLANK | NO_PLOT or written.strip().lower() in BLANK:
        return True
    if is_blank(column, read) and column.kind != "code":
        return False
    if column.is_number:
        if column.name == "count" and read == 0 and not re.search(r"\d", written):
            return True
        meant = numbers_meant(written, column.unit, unit)
        return any(math.isclose(read, value, rel_tol=1e-6, abs_tol=1e-6) for value in meant)
    if column.kind == "date":
        figures = [int(each) for each in re.findall(r"\d+", written)]
        month = MONTHS[read.month - 1] in written.lower() or read.month in figures
        whole = f"{read:%Y%m%d}" in written
        year = {read.year, read.year % 100} & set(figures)
        return whole or (month and bool(year) and read.day in figures)
    if column.kind == "code":
        return read in column.codes
    if column.name == "species":
        return True  # a name in the lists of `models/synonyms/`, or it would not be among readings
    numbers = _number_of(written), _number_of(str(read))
    return _parts(written) == _parts(read) or (None not in numbers and numbers[0] == numbers[1])


def _parts(name: object) -> list[str]:
    """Letters and numbers of a name: `a-01` is `a1`, `1-2` isn't `12`."""
    return [part.lstrip("0") or "0" for part in re.findall(r"\d+|[^\d\s]+", fold(name))]


def _named(readings: list[Reading], written: str, read: object, column: Column) -> bool:
    """Whether readings of a cell name both what is written and what is read, a blank that stands
    for a default as a blank.
    """
    spoken = [each.as_read for each in readings]
    if column.is_number and not pd.isna(read):
        values = [_number_of(each.split(",")[0]) for each in spoken]
        same = any(value is not None and math.isclose(value, read) for value in values)
    elif column.kind == "date" and not pd.isna(read):
        same = any(each[:10] == str(read)[:10] for each in spoken)
    else:
        same = read in spoken
    # a blank species of counts is the main one
    if is_blank(column, read) or column.name in ("core_outcome", "species"):
        same = same or "" in spoken
    cell = {written, unescape(written), written.replace("T", " ")}
    return same and any(each.as_written in cell for each in readings)


# --- tables ---


def check_reading(survey: Survey, path: Path) -> None:
    """The survey says what its files say: every row, every cell, every column of them. Raises
    Fault.
    """
    sheets = sheets_of(survey, path)
    at: dict[tuple, list[Reading]] = defaultdict(list)
    for each in survey.readings:
        at[each.file, each.row, each.column].append(each)
    if "trees and cores" in sheets:
        _check_flat(survey, sheets["trees and cores"])
        return
    for each in TABLES:
        frame = getattr(survey, each.name)
        sheet = sheets.get(each.name)
        if sheet is None and each.name == "stands" and len(frame):
            _check_stands_of_cores(survey)
            continue
        if sheet is None:
            none = each.name == "ring_widths" or not len(frame)
            hold(none, f"{each.name}: {len(frame)} rows without a file")
            continue
        sheet = _without_sums(sheet, at)
        names, units = _headings(each, sheet, survey.readings)
        if each.name == "ring_widths":
            _check_rings_of_table(survey, sheet, names, at, units.get("width_mm", ""))
            continue
        read = frame["row"].tolist()
        hold(
            read == sheet.rows,
            f"{each.name}: rows {sorted(set(read) ^ set(sheet.rows))[:5]} ({len(read)} and"
            f" {len(sheet.rows)}) are not those of the file",
        )
        for place, name in enumerate(names):
            cells = [row[place] for row in sheet.cells]
            if name in AT and name not in frame and each.name in AT_ROWS:
                _check_found_by(survey, each.name, name, frame, cells)
            elif name:
                _check_column(each, name, frame, cells, at, sheet.file, units.get(name, ""))
    check_ring_files(survey, path)


def _headings(
    table: Table, sheet: Sheet, readings: tuple[Reading, ...]
) -> tuple[list[str], dict[str, str]]:
    """The columns' names, as readings of the header's row say; and units that they say, which are
    those of the headings. What is named as another column may not have a column's own name.
    """
    names, units = [], {}
    columns = {column.name: column for column in table.columns}
    header = [each for each in readings if each.file == sheet.file and each.column]
    for written in map(_as_text, sheet.header):
        found = [
            each
            for each in header
            if each.as_written == written
            and ("heading" in each.reason or each.reason.startswith(BY_CELLS))
        ]
        name = found[0].column if found else written
        own = name == written or written not in columns
        hold(own, f"{sheet.file}: the heading {written} was read as {name}")
        if found and (unit := re.search(r", in ([\w ]+|%):", found[0].as_read)):
            units[name] = unit[1]
        if name in columns and name != written and found:
            said, unit = unit_said(written), columns[name].unit
            if said and said != unit and (said, unit) in TIMES:
                named = units.get(name)
                hold(named == said, f"{sheet.file}: the heading {written} was read in {named}")
        names.append("row (as written)" if name == "row" else name)
    return names, units


def unit_said(heading: str) -> str:
    """The unit in the brackets of a heading, or its last word; "" where neither is one."""
    words = re.findall(r"[(\[]([^)\]]*)[)\]]", heading) or re.split(r"[\s_,]+", heading.strip())[1:]
    word = words[-1].strip(" .").casefold() if words else ""
    return next((unit for unit, spelt in SPELT.items() if word in spelt.split()), "")


def _check_found_by(
    survey: Survey, table: str, name: str, frame: pd.DataFrame, cells: list[str]
) -> None:
    """A column by which it was found what a row is of, which says what is listed of that: the same
    name or, of a species, one word for each.
    """
    listed, key = AT_ROWS[table]
    of = getattr(survey, listed).set_index(key)[name]
    found: dict[str, set[str]] = defaultdict(set)
    for written, one, row in zip(cells, frame[key], frame["row"], strict=True):
        if not written or fold(written) in BLANK | NO_PLOT:
            continue
        hold(one in of.index, f"{table}, row {row}: no {key} {one!r}")
        found[fold(written)].add(fold(of[one]))
        told = (
            f"{table}, row {row}: {name} {written!r} beside {key} {one!r}, which is of {of[one]!r}"
        )
        numbers = _number_of(written), _number_of(of[one])
        alike = fold(written) == fold(of[one]) or (None not in numbers and numbers[0] == numbers[1])
        hold(alike or (name == "species" and len(found[fold(written)]) == 1), told)


def _check_column(
    each: Table,
    name: str,
    frame: pd.DataFrame,
    cells: list[str],
    at: dict[tuple, list[Reading]],
    file: str,
    unit: str,
) -> None:
    hold(name in frame, f"{each.name}: column {name} is lost")
    column = next((column for column in each.columns if column.name == name), None)
    kind, aside = column.kind if column else "", 0
    for number, (read, written, row) in enumerate(
        zip(frame[name], cells, frame["row"], strict=True)
    ):
        told = f"{each.name}, row {row}, {name}: {written!r} was read as {read!r}"
        readings = at.get((file, row, name), [])
        if column is None:
            hold(as_written("", read, written), told)
        elif unit and written and _number_of(written) is not None:
            hold(as_meant(column, read, written, unit), f"{told}, in {unit}")
        elif (
            written
            and as_written(kind, read, written)
            or written
            and read == ""
            and column.default == ""
            and written in ("", "'")
        ):
            continue
        elif written:
            hold(_named(readings, written, read, column), f"{told}, and no reading says so")
            kept = read == "" and name in ONLY_KEPT and any(ASIDE in one.reason for one in readings)
            counts = fold(written) in column.codes or (
                name == "source"
                and difflib.get_close_matches("release", fold(written).split(), 1, 0.75)
            )
            hold(not (kept and counts), f"{told}, a word of the column's")
            aside += kept
            meant = kept or as_meant(column, read, written, unit)
            if name in ("tree", "core") and not meant:  # numbers that begin anew in each group
                groups = [frame[of].iloc[number] for of in AT if of in frame]
                meant = fold(read) in {fold(f"{of} {written}") for of in groups}
            hold(meant, f"{told}, which nobody would")
        elif (each.name, name) not in FILLED and not is_blank(column, read):
            beside = (of for key, of in at.items() if key[:2] == (file, row))
            said = f"{name} {read:g}" if isinstance(read, float) else f"{name} {read}"
            hold(readings or any(said in one.as_read for of in beside for one in of), told)
    # else the heading is another column's, or a list of words was lost
    filled = sum(map(bool, cells))
    hold(aside < filled or filled < FEW, f"{file}: all {filled} cells of {name} are left out")


def _check_flat(survey: Survey, sheet: Sheet) -> None:
    """Every row of a sheet of trees and cores is a tree, a core, or a further row of a tree."""
    there = {*survey.trees["row"], *survey.cores["row"]}
    names = {fold(name) for name in survey.trees["tree"]}
    for row, cells in zip(sheet.rows, sheet.cells, strict=True):
        hold(row in there or names & {fold(cell) for cell in cells}, f"row {row} is lost")


def _without_sums(sheet: Sheet, at: dict[tuple, list[Reading]]) -> Sheet:
    """The sheet without the rows that are named as sums, whose first word must say so, or as the
    headings anew, which they must be.
    """
    kept = []
    for row, cells in zip(sheet.rows, sheet.cells, strict=True):
        reasons = {each.reason for each in at.get((sheet.file, row, None), [])}
        if "the headings written anew" in reasons:
            again = [fold(cell) for cell in cells[: len(sheet.header)]]
            same = again == [fold(cell) for cell in sheet.header]
            hold(same, f"{sheet.file}, row {row} is taken for headings: {cells[:4]}")
        elif "a row of sums" in reasons:
            first = fold(next(filter(None, cells)))
            sums = re.fullmatch(r"(?:grand |sub)?totals?:?|sums?:?|means?|averages?", first)
            hold(sums, f"{sheet.file}, row {row} is taken for sums: {cells[:4]}")
        else:
            kept.append((row, cells))
    return Sheet(sheet.file, sheet.header, [cells for _, cells in kept], [row for row, _ in kept])


def _check_stands_of_cores(survey: Survey) -> None:
    """Stands without a table are those of the trees, surveyed on the day of their last core, and
    named as read so.
    """
    stand_of = dict(zip(survey.trees["tree"], survey.trees["stand"], strict=True))
    last: dict[str, str] = {}
    for tree, day in zip(survey.cores["tree"], survey.cores["core_date"], strict=True):
        if stand_of[tree] and not pd.isna(day):
            last[stand_of[tree]] = max(last.get(stand_of[tree], ""), _text(day))
    stands = zip(survey.stands["stand"], survey.stands["survey_date"].map(_text), strict=True)
    hold(dict(stands) == last, f"stands of no table are not those of the cores: {last}")
    reason = "survey date of a stand: the last of its cores"
    named = [each for each in survey.readings if each.reason == reason]
    hold(len(named) == len(last), "stands of no table are not named")


def _check_rings_of_table(
    survey: Survey, sheet: Sheet, names: list[str], at: dict[tuple, list[Reading]], unit: str
) -> None:
    place = {name: number for number, name in enumerate(names) if name}
    rings = survey.ring_widths
    ours = rings[~rings["file"].str.startswith("rings/")].set_index("row")
    known, told = {fold(core) for core in survey.cores["core"]}, " ".join(survey.notes)
    columns = {column.name: column for column in TABLES[-1].columns}
    for row, line in zip(sheet.rows, sheet.cells, strict=True):
        if row not in ours.index:
            core = line[place["core"]]
            named = "alike; they were taken once" in told or f"core {core}: no widths for" in told
            hold(named or fold(core) not in known, f"ring_widths, row {row} is lost")
            continue
        for name, number in place.items():
            read, written = ours.loc[row].get(name), line[number]
            if name in ("row", "row (as written)") or as_written(
                columns[name].kind if name in columns else "", read, written
            ):
                continue
            hold(name in columns, f"ring_widths, row {row}: column {name} is lost or changed")
            if name == "width_mm" and unit and as_meant(columns[name], read, written, unit):
                continue
            readings = at.get((sheet.file, row, name), [])
            fine = _named(readings, written, read, columns[name])
            hold(fine, f"ring_widths, row {row}: {written!r} was read as {read!r}")
    hold(set(ours.index) <= set(sheet.rows), "ring_widths has rows that the file has not")


def check_ring_files(survey: Survey, path: Path) -> None:
    """Every ring of a decadal file is the whole number that stands at its year in its line, in the
    one unit or the other.
    """
    rings = survey.ring_widths[survey.ring_widths["file"].str.startswith("rings/")]
    lines = {
        file: re.split(r"\r*\n|\r", (path / file).read_bytes().decode("latin-1"))
        for file in rings["file"].unique()
    }
    for file, row, year, width in zip(
        rings["file"], rings["row"], rings["year"], rings["width_mm"], strict=True
    ):
        line = lines[file][row - 1]
        body = line[12:72] if re.fullmatch(r"[12]\d{3}", line[8:12]) and line[:8].strip() else None
        ways = []
        if body is not None:
            values = [body[at : at + 6].strip() for at in range(0, len(body), 6)]
            ways += [(int(line[8:12]), values), (int(line[8:12]), line[12:].split())]
        words = line.split()
        ways += [
            (int(word), words[at + 1 :])
            for at, word in enumerate(words)
            if re.fullmatch(r"[12]\d{3}", word)
        ]
        wanted = {str(round(width * 100)).lstrip("0"), str(round(width * 1000)).lstrip("0")}
        hold(
            any(
                0 <= year - first < len(values) and values[int(year - first)].lstrip("0") in wanted
                for first, values in ways
            ),
            f"{file}, line {row}: {width:g} mm in {year:.0f} is not what stands there: {line!r}",
        )


# --- the account, and the original ---


def check_account(survey: Survey) -> None:
    """Stems, cores and counts: in the history, dated alone, tallied and left out add up to the
    rows listed, each left out with a reason.
    """
    told = account(survey)
    for what, frame in (
        ("stems", survey.trees),
        ("cores", survey.cores),
        ("stage counts", survey.counts),
        ("plots", survey.plots),
        ("events", survey.events),
        ("stems of known age", survey.known_age_stems),
    ):
        each = told.of(what)
        hold(each.listed == sum(each.parts.values()) == len(frame), f"{each}, of {len(frame)}")
        reasons = each.left_out == sum(each.reasons.values()) and all(each.reasons)
        hold(reasons, f"{each}: left out without a reason")
    hold(told.complete or told.in_a_line(), "what takes no part is not named")
    hold(str(told), "no account")


def check_alike(survey: Survey, original: Survey, but: tuple[str, int, str] | None = None) -> None:
    """The survey says the same as the original, names apart that nobody hears apart. but: table,
    row and column of one cell that is another; what is filled in after it may be, too.
    """
    for each in TABLES:
        ours, theirs = getattr(survey, each.name), getattr(original, each.name)
        if each.name == "ring_widths":  # sorted by core: rows and files are what is comparable
            ours, theirs = (one.sort_values(["file", "row", "year"]) for one in (ours, theirs))
            if but is not None and survey.unused_series != original.unused_series:
                continue  # of a core that has another name now; the account says so
        hold(len(ours) == len(theirs), f"{each.name}: {len(ours)} rows, not {len(theirs)}")
        rows = theirs["row"].to_numpy()
        for column in each.columns:
            if but is not None and (each.name, column.name) in FILLED:
                continue
            one, other = ours[column.name].to_numpy(), theirs[column.name].to_numpy()
            for row, read, meant in zip(rows, one, other, strict=True):
                if but is not None and but[:2] == (each.name, row):
                    continue
                same = (
                    bool(pd.isna(read) and pd.isna(meant))
                    or read == meant
                    or (isinstance(read, str) and fold(read) == fold(meant))
                    or (column.is_number and math.isclose(read, meant, rel_tol=1e-6))
                )
                if not same and but is not None and column.kind == "reference":
                    same = True  # of the name that was changed
                hold(same, f"{each.name}, row {row}, {column.name}: {read!r}, meant {meant!r}")
