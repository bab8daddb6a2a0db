"""From the files of a survey to rows of written cells: folders, encodings, delimiters. Nothing is
interpreted here.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
from dataclasses import replace
from pathlib import Path

from standage.errors import Problem
from standage.survey.flat_table import FLAT, table_of, tables_needed
from standage.survey.form_rows import EXAMPLE_NOTE, ROWS_SEARCHED, example_problem, example_rows
from standage.survey.headings import headings_known
from standage.survey.layout import OTHER_DELIMITERS, lay_out
from standage.survey.limits import TooLarge, bounded, content_of, opened
from standage.survey.mapping import mapping_path, read_mapping
from standage.survey.placing import columns_of, place_names
from standage.survey.readings import Reading
from standage.survey.schema import TABLES
from standage.survey.written import WrittenSurvey, too_large, unreadable_file

RINGS_FOLDER = "rings"
NEARLY_RINGS_FOLDER = {"rings", "ring", "ringwidths", "ring_widths", "ring-widths", "rwl"}
DECADAL_ENDINGS = (".rwl", ".raw")
"""Files of raw ring widths in the decadal format are distributed under the first; some programs
write the second (from memory).
"""

TOP_BYTES = 65_536
"""Of a file that are looked at for its headings."""

NULS_OF_UTF_16 = 0.2
"""Share of bytes that are zero from which a file is UTF-16: nearly half are, in English."""


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
        _read_mapping(path, survey)
        _read_folder(path, survey)
    elif not path.is_file():
        survey.problems.append(_no_file(str(path), path))
    elif path.suffix.lower() == ".xlsx":
        _read_mapping(path, survey)
        _read_book(path, survey)
    elif path.suffix.lower() == ".csv":
        _read_mapping(path, survey)
        _read_one_file(path, survey)
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


def _read_mapping(path: Path, survey: WrittenSurvey) -> None:
    """What a mapping file says of the sheets, if there is one."""
    mapping = mapping_path(path)
    if not os.path.lexists(mapping):
        return
    content = read_content(mapping, mapping.name, survey)
    if content is not None:
        survey.mapping = read_mapping(mapping.name, content, survey.problems)


def _read_one_file(path: Path, survey: WrittenSurvey) -> None:
    """A CSV file that holds trees and cores in the same rows."""
    mapped = survey.mapping.get(path.name)
    if mapped is None and not tables_needed(columns_of(top_rows(path), FLAT)):
        survey.problems.append(
            Problem(
                str(path),
                None,
                None,
                "a single CSV file",
                "the folder that holds the CSV files of the survey, or one file with trees and"
                " their cores in its rows",
                f"Give the folder: {path.parent}. If the file holds trees and cores under headings"
                f" of its own, `standage check {path.name} --draft` writes a file to say which.",
            )
        )
        return
    name = FLAT.name if mapped is None else mapped.holds
    content = read_content(path, path.name, survey)
    if content is not None and name:
        survey.files[name] = path.name
        read_csv_table(path.name, content, name, survey)


def top_rows(path: Path) -> list[list[str]]:
    """The first rows of a CSV file, as cells; none where it can't be read. For a look at its
    headings: what is odd about the file is told when it is read.
    """
    try:
        with opened(path) as stream:
            start = stream.read(TOP_BYTES) or b""
    except OSError:
        return []
    text = start.decode("utf-8-sig", errors="replace").replace("\x00", "")
    lines = text.splitlines()[: 2 * ROWS_SEARCHED]
    marks = (",", *OTHER_DELIMITERS)
    delimiter = max(marks, key=lambda mark: max((line.count(mark) for line in lines), default=0))
    try:
        return list(csv.reader(lines, delimiter=delimiter))
    except csv.Error:
        return []


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
        name: example_rows(table_of(name), written.header, written.cells)
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
    placed = place_names(tables, survey, what="file", top=lambda file: top_rows(folder / file))
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

    mapped = survey.mapping[file].columns if file in survey.mapping else {}

    def columns(delimiter: str) -> int:
        rows = [[cell.strip().strip('"') for cell in line.split(delimiter)] for line in top]
        return max(
            max(headings_known(table_of(name), row), len(mapped.keys() & set(row))) for row in rows
        )

    found = max(OTHER_DELIMITERS, key=columns)
    if columns(found) <= max(columns(","), 1):
        return ","
    parted = f"cells parted by {OTHER_DELIMITERS[found]}"
    survey.readings.append(Reading(file, None, None, parted, "a table", "another delimiter"))
    return found
