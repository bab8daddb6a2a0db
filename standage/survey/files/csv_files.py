"""From the bytes of a CSV file to rows of written cells: encodings, delimiters, quotation marks."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

from standage.survey.cells.headings import headings_known
from standage.survey.files.file_contents import read_content
from standage.survey.files.form_rows import ROWS_SEARCHED
from standage.survey.files.layout import OTHER_DELIMITERS, lay_out
from standage.survey.flat_table import table_of
from standage.survey.limits import TooLarge, bounded, opened
from standage.survey.readings import Reading
from standage.survey.written import WrittenSurvey, WrittenTable, too_large, unreadable_file

TOP_BYTES = 65_536
"""Of a file that are looked at for its headings."""

NULS_OF_UTF_16 = 0.2
"""Share of bytes that are zero from which a file is UTF-16: nearly half are, in English."""


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
    try:
        return list(csv.reader(lines, delimiter=most_frequent_mark(lines)))
    except csv.Error:
        return []


def csv_records(path: Path) -> list[list[str]]:
    """The rows of a CSV file of a survey, as cells; none where it can't be read, which is told when
    the survey is.
    """
    survey = WrittenSurvey()
    content = read_content(path, path.name, survey)
    text = _decode(path.name, content, survey) if content is not None else None
    if text is None:
        return []
    try:
        return _records(text, most_frequent_mark(text.splitlines()[: 2 * ROWS_SEARCHED]))
    except (TooLarge, csv.Error):
        return []


def _records(text: str, delimiter: str) -> list[list[str]]:
    """Raises TooLarge and csv.Error."""
    # newline=None turns every kind of line end into one, the single carriage return of old
    # spreadsheets included.
    lines = io.StringIO(text, newline=None)
    return list(bounded(csv.reader(lines, strict=True, delimiter=delimiter)))


def most_frequent_mark(lines: Sequence[str]) -> str:
    """The mark that parts cells in most places of a line."""
    marks = (",", *OTHER_DELIMITERS)
    return max(marks, key=lambda mark: max((line.count(mark) for line in lines), default=0))


def read_csv_table(
    file: str, content: bytes, name: str, survey: WrittenSurvey
) -> WrittenTable | None:
    """The table in a CSV file; on anything that prevents it, None and a problem, and the name goes
    to `unreadable`.
    """
    before, table = len(survey.problems), None
    text = _decode(file, content, survey)
    if text is not None:
        try:
            records = _records(text, _delimiter(file, text, name, survey))
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
            table = lay_out(file, records, name, survey)
    if len(survey.problems) > before and table is None:
        survey.unreadable.add(name)
    return table


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
    every = [line.count(found) for line in top if line.strip()]
    # A single heading that is known may stand in a title; marks in all rows alike part cells.
    alone = len(every) > 1 and every[0] > 0 and len(set(every)) == 1 and "," not in top[0]
    if columns(found) <= max(columns(","), 0 if alone else 1):
        return ","
    parted = f"cells parted by {OTHER_DELIMITERS[found]}"
    survey.readings.append(Reading(file, None, None, parted, "a table", "another delimiter"))
    return found
