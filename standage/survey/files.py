"""From the files of a survey to rows of written cells: folders, encodings, delimiters. Nothing is
interpreted here.
"""

from __future__ import annotations

import csv
import difflib
import hashlib
import io
import re
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from standage.errors import Problem, ProblemList
from standage.survey.form_rows import (
    EXAMPLE_NOTE,
    ROWS_SEARCHED,
    example_problem,
    example_rows,
    header_place,
    take_out_explanations,
)
from standage.survey.formula_escapes import unescape
from standage.survey.headings import headings_known, read_header
from standage.survey.limits import MOST_CELLS, MOST_COLUMNS, TooLarge, bounded, content_of
from standage.survey.readings import Reading
from standage.survey.schema import TABLES, Table
from standage.survey.synonyms import plain, synonym_list

GUIDE = "how to fill in"
NOT_TABLES = {"columns", GUIDE}
"""Files and sheets that the empty forms bring along and that hold no data."""

RINGS_FOLDER = "rings"
NEARLY_RINGS_FOLDER = {"rings", "ring", "ringwidths", "ring_widths", "ring-widths", "rwl"}
DECADAL_ENDINGS = (".rwl", ".raw")
"""Files of raw ring widths in the decadal format are distributed under the first; some programs
write the second (from memory).
"""

NULS_OF_UTF_16 = 0.2
"""Share of bytes that are zero from which a file is UTF-16: nearly half are, in English."""

OTHER_DELIMITERS = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}


@dataclass(frozen=True)
class WrittenTable:
    """A table as written. file: name for messages. header: (column,), in row header_row, the
    survey's names where headings could be matched. cells: rows of text, all of header length. rows:
    row in the file. units: of columns whose values are in another unit than the column's, "" where
    none is said. headings: as written, by column, where they are other than its name.
    """

    file: str
    header: list[str]
    cells: list[list[str]]
    rows: list[int]
    header_row: int = 1
    units: dict[str, str] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)


@dataclass
class WrittenSurvey:
    """All tables that were found, by table name; `unreadable` holds the names of tables that are
    there but could not be read.

    readings: what was read differently from what was written. numbers: rows whose cell in a column
    of names is a number with decimals in a workbook, by table and column. rings: content of the
    decadal ring-width files by name, `rings/FILE`. book: name of the workbook that holds the
    tables, "" without one.
    """

    tables: dict[str, WrittenTable] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    unreadable: set[str] = field(default_factory=set)
    problems: ProblemList = field(default_factory=ProblemList)
    notes: list[str] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)
    rings: dict[str, bytes] = field(default_factory=dict)
    numbers: dict[tuple[str, str], set[int]] = field(default_factory=dict)
    book: str = ""


def read_written(path: Path) -> WrittenSurvey:
    """Everything a folder of CSV files or an .xlsx workbook says; problems are collected, never
    raised.
    """
    survey = WrittenSurvey()
    if not path.exists() and not path.is_symlink():
        survey.problems.append(
            Problem(
                str(path),
                None,
                None,
                "nothing at this place",
                "a folder of CSV files or an .xlsx workbook",
                "Check the path; `standage new DIR` makes empty forms.",
            )
        )
    elif path.is_dir():
        _read_folder(path, survey)
    elif not path.is_file():
        survey.problems.append(_no_file(str(path), path))
    elif path.suffix.lower() == ".xlsx":
        _read_book(path, survey)
    elif path.suffix.lower() == ".csv":
        survey.problems.append(
            Problem(
                str(path),
                None,
                None,
                "a single CSV file",
                "the folder that holds the CSV files of the survey",
                f"Give the folder: {path.parent}.",
            )
        )
    else:
        survey.problems.append(
            Problem(
                str(path),
                None,
                None,
                f"a file ending in '{path.suffix}'",
                "a folder of CSV files or an .xlsx workbook",
                "Save the tables as CSV files in one folder, or as one .xlsx workbook.",
            )
        )
    _take_out_examples(survey)
    return survey


def _read_book(path: Path, survey: WrittenSurvey) -> None:
    from standage.survey.workbooks import (
        read_workbook,
    )  # imported here: most surveys are CSV, and it takes a while to load

    survey.book = path.name
    read_workbook(path, survey)


def _take_out_examples(survey: WrittenSurvey) -> None:
    """The forms' example rows, once there are others: a problem each. Where there is nothing else
    they are a survey to try things on.
    """
    examples = {
        name: example_rows(_table(name), written.header, written.cells)
        for name, written in survey.tables.items()
    }
    if all(all(marks) for marks in examples.values()):
        if any(examples.values()):
            survey.notes.append("the survey holds nothing but the example rows of the empty forms")
        return
    for name, marks in examples.items():
        written = survey.tables[name]
        survey.problems += [
            example_problem(written.file, row)
            for row, mark in zip(written.rows, marks, strict=True)
            if mark
        ]
        mine = [place for place, mark in enumerate(marks) if not mark]
        cells, rows = (
            [written.cells[place] for place in mine],
            [written.rows[place] for place in mine],
        )
        survey.tables[name] = replace(written, cells=cells, rows=rows)
        if "note" in written.header:
            place = written.header.index("note")
            survey.problems += [
                Problem(
                    written.file,
                    row,
                    "note",
                    f"'{EXAMPLE_NOTE}' in a row that is not the example any more",
                    "a note of your own, or a blank cell",
                    "Empty the note if the row is yours, or delete the row.",
                )
                for record, row in zip(cells, rows, strict=True)
                if record[place] == EXAMPLE_NOTE
            ]


@cache
def _table_words() -> dict[str, str]:
    """Plain names of files and sheets, and the table each one holds."""
    listed = synonym_list("headings")["tables"]
    words = {plain(word): name for name, of in listed.items() for word in of}
    return words | {plain(each.name): each.name for each in TABLES}


def place_names(names: dict[str, str], survey: WrittenSurvey, *, what: str) -> dict[str, str]:
    """Which table each file or sheet holds: table name to file or sheet name. Misspelt names become
    problems, others notes.

    names: stem to full name.
    """
    known = [each.name for each in TABLES]
    placed = {stem: full for stem, full in names.items() if stem in known}
    by_word: dict[str, list[str]] = {}
    for stem, full in names.items():
        table = _table_words().get(plain(stem))
        if table and table not in placed and stem not in NOT_TABLES:
            by_word.setdefault(table, []).append(full)
    for table, claiming in by_word.items():
        first = claiming[0]
        placed[table] = first
        survey.readings.append(Reading(first, None, None, first, table, f"name of a {what}"))
        if len(claiming) > 1:
            both = " and ".join(f"'{each}'" for each in claiming)
            expected = f"one {what} that is '{table}'"
            advice = f"Join them, or rename one of them to something unlike {table}."
            survey.problems.append(Problem(first, None, None, both, expected, advice))
            survey.unreadable.add(table)
    taken = set(placed.values()) | {full for several in by_word.values() for full in several}
    for stem, full in names.items():
        if full in taken or stem in NOT_TABLES:
            continue
        near = difflib.get_close_matches(
            stem.strip().lower().replace(" ", "_"),
            [name for name in known if name not in placed],
            1,
            0.8,
        )
        if near:
            should = full.replace(stem, near[0])
            survey.problems.append(
                Problem(
                    full,
                    None,
                    None,
                    f"a {what} named '{full}'",
                    f"'{should}'",
                    f"Rename it to '{should}', or to something unlike it if it is not that table.",
                )
            )
            survey.unreadable.add(near[0])
        else:
            survey.notes.append(f"{what} '{full}' is no table of a survey; it was not read")
    return placed


def _read_folder(folder: Path, survey: WrittenSurvey) -> None:
    try:
        entries = sorted(
            entry for entry in folder.iterdir() if not entry.name.startswith((".", "~$"))
        )
    except OSError as error:
        survey.problems.append(
            unreadable_file(
                str(folder),
                f"a folder that cannot be read ({error.strerror})",
                "a readable folder",
                "Check that you may read it.",
            )
        )
        survey.unreadable.update(each.name for each in TABLES)
        return
    tables: dict[str, str] = {}
    for entry in entries:
        if entry.suffix.lower() != ".csv":
            continue
        if entry.stem in tables:
            survey.problems.append(
                Problem(
                    entry.name,
                    None,
                    None,
                    f"the same table as in {tables[entry.stem]}",
                    "one file a table",
                    "Take one of the two out of the folder, or rename it.",
                )
            )
        else:
            tables[entry.stem] = entry.name
    workbooks = [
        entry.name
        for entry in entries
        if entry.is_file() and entry.suffix.lower() in (".xlsx", ".xls", ".ods")
    ]
    if not tables and len(workbooks) == 1 and workbooks[0].lower().endswith(".xlsx"):
        _read_book(folder / workbooks[0], survey)
        _read_rings(folder, survey)
        return
    if not tables and workbooks:
        survey.problems.append(
            Problem(
                str(folder),
                None,
                None,
                f"no CSV file, but {', '.join(workbooks)}",
                "CSV files in the folder",
                f"If the workbook is the survey, give its path: {folder / workbooks[0]}.",
            )
        )
        survey.unreadable.update(each.name for each in TABLES)
    placed = place_names(tables, survey, what="file")
    for name, file in placed.items():
        content = read_content(folder / file, file, survey)
        if content is None:
            survey.unreadable.add(name)
            continue
        survey.files[name] = file
        read_csv_table(file, content, name, survey)
    _name_other_files(entries, set(placed) | survey.unreadable, survey)
    _read_rings(folder, survey)


def read_content(path: Path, name: str, survey: WrittenSurvey) -> bytes | None:
    """The bytes of a file of the survey, whose hash is kept; None, with a problem, where there are
    none to be had.
    """
    if not path.is_file():  # a pipe would be waited for, and a device may never end
        survey.problems.append(_no_file(name, path))
        return None
    try:
        content = content_of(path)
    except OSError as error:
        survey.problems.append(
            unreadable_file(
                name,
                f"a file that cannot be read ({error.strerror})",
                "a readable file",
                "Close it in other programs, and check that you may read it.",
            )
        )
        return None
    except TooLarge as error:
        survey.problems.append(too_large(name, error))
        return None
    survey.hashes[name] = hashlib.sha256(content).hexdigest()
    return content


def _no_file(name: str, path: Path) -> Problem:
    what = (
        "a folder"
        if path.is_dir()
        else (
            "a link to nothing" if path.is_symlink() and not path.exists() else "a pipe or a device"
        )
    )
    return unreadable_file(
        name, f"{what}, not a file", "a file", "Put the file itself in its place."
    )


def too_large(name: str, error: TooLarge) -> Problem:
    """A file beyond the limits of `standage.survey.limits`."""
    found, expected = str(error).split("\n")
    return unreadable_file(
        name,
        found,
        expected,
        "Check that this is the right file; if it is, split the survey into several.",
    )


def _name_other_files(entries: list[Path], there: set[str], survey: WrittenSurvey) -> None:
    """Files that a table may hide in. One that would be missed is a problem, for without it the
    answer is another.
    """
    known = {each.name for each in TABLES}
    for entry in entries:
        stem = entry.name.split(".")[0].lower()
        if entry.suffix.lower() == ".csv" or stem not in known or entry.is_dir():
            continue
        if stem in there:
            survey.notes.append(f"file '{entry.name}' was not read; tables are CSV files")
        else:
            survey.problems.append(
                Problem(
                    entry.name,
                    None,
                    None,
                    f"a file named '{entry.name}'",
                    f"'{stem}.csv'",
                    f"Save it as CSV under the name '{stem}.csv', or take it out of the folder.",
                )
            )
            survey.unreadable.add(stem)


def _read_rings(folder: Path, survey: WrittenSurvey) -> None:
    """The files of the folder `rings`; what looks like ring widths elsewhere is named, and not
    read.
    """
    for entry in sorted(folder.iterdir()):
        if (
            entry.is_dir()
            and entry.name != RINGS_FOLDER
            and entry.name.lower() in NEARLY_RINGS_FOLDER
        ):
            survey.notes.append(
                f"folder '{entry.name}' was not read; decadal ring-width files are looked for in"
                f" '{RINGS_FOLDER}'"
            )
        elif entry.is_file() and entry.suffix.lower() in DECADAL_ENDINGS:
            survey.notes.append(
                f"file '{entry.name}' was not read; decadal ring-width files belong into the folder"
                f" '{RINGS_FOLDER}'"
            )
    rings = folder / RINGS_FOLDER
    if not rings.is_dir():
        if rings.exists() or rings.is_symlink():
            survey.problems.append(
                unreadable_file(
                    RINGS_FOLDER,
                    "a file or a link to nothing",
                    "a folder of decadal ring-width files",
                    "Put the ring-width files into a folder of that name, or rename it.",
                )
            )
        return
    for entry in sorted(rings.iterdir()):
        name = f"{RINGS_FOLDER}/{entry.name}"
        if entry.name.startswith((".", "~$")) or entry.is_dir():
            continue
        if entry.suffix.lower() not in DECADAL_ENDINGS:
            survey.notes.append(
                f"file '{name}' was not read; decadal ring-width files end in"
                f" {' or '.join(DECADAL_ENDINGS)}"
            )
            continue
        content = read_content(entry, name, survey)
        if content is not None:
            survey.rings[name] = content


def read_csv_table(file: str, content: bytes, name: str, survey: WrittenSurvey) -> None:
    """Read one CSV file into `survey.tables[name]`; on anything that prevents it, a problem, and
    the name goes to `unreadable`.
    """
    before = len(survey.problems)
    text = _decode(file, content, survey)
    if text is not None:
        delimiter = _delimiter(file, text, name, survey)
        try:
            # newline=None turns every kind of line end into one, the single carriage return of old
            # spreadsheets included.
            lines = io.StringIO(text, newline=None)
            records = list(bounded(csv.reader(lines, strict=True, delimiter=delimiter)))
        except TooLarge as error:
            survey.problems.append(too_large(file, error))
        except csv.Error as error:
            survey.problems.append(
                unreadable_file(
                    file,
                    f"text that is no valid CSV ({error})",
                    "cells parted by commas, quotation marks in pairs",
                    "Look for a quotation mark that is not closed, or save the table anew as CSV.",
                )
            )
        else:
            lay_out(file, records, name, survey)
    if len(survey.problems) > before and name not in survey.tables:
        survey.unreadable.add(name)


def unreadable_file(
    file: str, found: str, expected: str, what_to_do: str, row: int | None = None
) -> Problem:
    return Problem(file, row, None, found, expected, what_to_do)


def _decode(file: str, content: bytes, survey: WrittenSurvey) -> str | None:
    """The text of a file, UTF-8 with or without byte-order mark; Windows text where it can be
    nothing else, with a note; or None.
    """
    save = "Save it as 'CSV UTF-8' from the spreadsheet."
    if content.startswith(b"PK\x03\x04") or content.startswith(b"\xd0\xcf\x11\xe0"):
        survey.problems.append(
            unreadable_file(
                file,
                "a spreadsheet workbook under the name of a CSV file",
                "text",
                "Save the sheet as CSV UTF-8.",
            )
        )
        return None
    nuls = content.count(b"\x00")
    if 0 < nuls < NULS_OF_UTF_16 * len(content):
        row = _row_of(content, content.index(b"\x00"))
        found = "the character U+0000, which nobody sees"
        advice = "Write the cell that holds it anew, or save the table anew as CSV UTF-8."
        survey.problems.append(unreadable_file(file, found, "plain text", advice, row))
        return None
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or nuls:
        survey.problems.append(
            unreadable_file(file, "UTF-16 text, or a file that is not text", "UTF-8 text", save)
        )
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = error.start
    row = _row_of(content, place)
    # Bytes from A0 to FF are the same letters in Latin-1 and Windows-1252. Below that, or beside
    # real UTF-8 letters, the file is a mixture or something else, and a guess could spoil an
    # identifier.
    odd = set(re.findall(rb"[\x80-\x9f]", content))
    mixed = re.search(rb"[\xc3-\xf4][\x80-\xbf]", content)
    if odd or mixed:
        found = (
            f"the byte {content[place]:02X} (hexadecimal), which is not UTF-8 and not plainly"
            " Windows text (cp1252, Latin-1) either"
        )
        survey.problems.append(unreadable_file(file, found, "UTF-8 text", save, row))
        return None
    survey.notes.append(
        f"{file} is not UTF-8 (first seen in row {row}); it was read as Windows text (cp1252, as"
        " Latin-1). Accented letters should be looked at once"
    )
    return content.decode("cp1252")


def _row_of(content: bytes, place: int) -> int:
    """The row of a file in which a byte lies."""
    return len(re.findall(rb"\r\n|\n|\r", content[:place])) + 1


def _delimiter(file: str, text: str, name: str, survey: WrittenSurvey) -> str:
    """What parts the cells: the comma, or another mark that yields more headings of the table."""
    top = re.split(r"[\r\n]+", text.lstrip("\r\n"), maxsplit=ROWS_SEARCHED)[:ROWS_SEARCHED]

    def columns(delimiter: str) -> int:
        return max(
            headings_known(
                _table(name), [cell.strip().strip('"') for cell in line.split(delimiter)]
            )
            for line in top
        )

    found = max(OTHER_DELIMITERS, key=columns)
    if columns(found) <= max(columns(","), 1):
        return ","
    parted = f"cells parted by {OTHER_DELIMITERS[found]}"
    survey.readings.append(Reading(file, None, None, parted, "a table", "another delimiter"))
    return found


def _table(name: str) -> Table:
    return next(each for each in TABLES if each.name == name)


def lay_out(
    file: str, records: list[list[str]], name: str, survey: WrittenSurvey, *, sheet: bool = False
) -> None:
    """Strip cells, find the header and read its headings, drop blank rows and rows of units, and
    hold every row to the length of the header. sheet: from a workbook, where blank cells at the end
    of a row shift nothing.
    """
    start = header_place(records, _table(name))
    if start is None:
        survey.problems.append(
            unreadable_file(
                file,
                "an empty file",
                "a header row with the names of the columns",
                "Write the header and the rows, or remove it if the table is not needed.",
            )
        )
        survey.unreadable.add(name)
        return
    if any(cell.strip() for record in records[:start] for cell in record):
        survey.notes.append(
            f"{file}: the header was found in row {start + 1}; what stands above it was not read"
        )
    written = [cell.strip() for cell in records[start]]
    full = len(written)
    while written and not written[-1]:
        written.pop()
    width = len(written)
    if width > MOST_COLUMNS or width * len(records) > MOST_CELLS:
        most = f"at most {MOST_COLUMNS:,} columns and {MOST_CELLS:,} cells"
        survey.problems.append(
            too_large(file, TooLarge(f"{width:,} columns and {len(records):,} rows\n{most}"))
        )
        survey.unreadable.add(name)
        return
    header = read_header(_table(name), file, start + 1, written, survey.problems, survey.readings)
    cells, rows, longer = [], [], []
    padded = [0] * width
    for row, record in enumerate(records[start + 1 :], start + 2):
        stripped = [cell.strip() for cell in record]
        joined = "".join(stripped)
        if not joined:
            continue
        if stripped != record:
            for place, (cell, bare) in enumerate(zip(record[:width], stripped, strict=False)):
                padded[place] += bare != "" and cell != bare
        if len(stripped) > width:
            if any(stripped[width:]):
                survey.problems.append(_wrong_length(file, row, stripped, width))
            elif len(stripped) > full and not sheet:
                longer.append((row, stripped))
            stripped = stripped[:width]
        elif len(stripped) < width:
            survey.problems.append(_wrong_length(file, row, stripped, width))
            stripped += [""] * (width - len(stripped))
        if "\n" in joined:
            survey.problems += _swallowed(file, row, written, stripped)
        cells.append([unescape(cell) for cell in stripped] if "'" in joined else stripped)
        rows.append(row)
    survey.readings += [
        Reading(
            file,
            None,
            name,
            f"blanks around {count} cells",
            "the cells alone",
            "blanks around cells",
        )
        for name, count in zip(header.names, padded, strict=True)
        if count
    ]
    # A comma at the end of every row is a habit of some programs; one at the end of some may be
    # what a decimal comma has pushed out.
    if len(longer) < len(rows) or len({len(cells) for _, cells in longer}) > 1:
        survey.problems += [_wrong_length(file, *each, width) for each in longer]
    cells, rows = take_out_explanations(
        _table(name), file, header.names, cells, rows, survey.problems, survey.notes, header.units
    )
    survey.tables[name] = WrittenTable(
        file, header.names, cells, rows, start + 1, header.units, header.written
    )


def _wrong_length(file: str, row: int, cells: list[str], width: int) -> Problem:
    """A row with more cells than the header, or fewer."""
    advice = "Look for a missing comma; a blank cell still needs its comma."
    if len(cells) > width:
        advice = (
            "Look for a decimal comma or a comma in a note; cells with commas need quotation marks."
        )
    found = f"{len(cells)} cells: {_shortened(cells)}"
    return Problem(file, row, None, found, f"{width} cells, as in the header", advice)


def _swallowed(file: str, row: int, header: list[str], cells: list[str]) -> list[Problem]:
    """Cells with line ends and commas enough for rows: a quotation mark left open takes rows in, to
    the next one.
    """
    return [
        Problem(
            file,
            row,
            name,
            f"a cell of {cell.count(chr(10)) + 1} lines with as many commas as rows have",
            "a cell without rows of the table in it",
            "Close the quotation mark at the start of the cell; in a long note leave out commas.",
        )
        for name, cell in zip(header, cells, strict=True)
        if (ends := cell.count("\n"))
        and len(header) > 1
        and max(cell.count(mark) for mark in (",", *OTHER_DELIMITERS)) >= (len(header) - 1) * ends
    ]


def _shortened(cells: list[str]) -> str:
    text = ",".join(cells)
    return f"'{text if len(text) <= 80 else text[:77] + '...'}'"
