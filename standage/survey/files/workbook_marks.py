"""What a sheet of a workbook shows beside its cells: comments, merged cells, hidden rows, cells
struck through.
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from xml.etree import ElementTree
from xml.parsers import expat

from standage.errors import Problem
from standage.survey.files.form_rows import EXAMPLE_COMMENT
from standage.survey.readings import Reading
from standage.survey.schema import TABLES
from standage.survey.written import WrittenSurvey, WrittenTable

ROWS_NAMED = 5
"""In a note; more would fill the screen."""
COMMENT_MARK = "[standage check]"
"""Begins what standage wrote into a comment of a marked copy: no note of the crew's."""
KEPT_AS_NOTE = "cell comment kept as note"
OFF = {"0", "false", "off"}
_THREAD = re.compile(r"^\[Threaded comment\].*?Comment:\s*", re.DOTALL)
"""What some programs write before a comment that belongs to a conversation."""


@dataclass
class SheetMarks:
    """Marks of one sheet. merged: (first row, first column, last row, last column), from 1.
    hidden_rows: their numbers. struck: (row, column) of cells struck through. comments: text by
    (row, column).
    """

    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden_rows: list[int] = field(default_factory=list)
    struck: list[tuple[int, int]] = field(default_factory=list)
    comments: dict[tuple[int, int], str] = field(default_factory=dict)


def struck_styles(styles: bytes) -> set[str]:
    """The numbers of cell styles whose font is struck through, from the part `xl/styles.xml`."""
    fonts: list[bool] = []
    struck: set[str] = set()
    inside = {"fonts": False, "cellXfs": False}
    count = 0

    def start(name: str, attributes: Mapping[str, str]) -> None:
        nonlocal count
        name = name.rpartition(" ")[2]
        if name in inside:
            inside[name] = True
        elif inside["fonts"] and name == "font":
            fonts.append(False)
        elif inside["fonts"] and name == "strike" and attributes.get("val", "1") not in OFF:
            fonts[-1] = True
        elif inside["cellXfs"] and name == "xf":
            font = int(attributes.get("fontId", "0"))
            if font < len(fonts) and fonts[font]:
                struck.add(str(count))
            count += 1

    def end(name: str) -> None:
        if name.rpartition(" ")[2] in inside:
            inside[name.rpartition(" ")[2]] = False

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.Parse(styles, True)
    return struck


def struck_texts(shared: bytes) -> set[str]:
    """Texts of which a part is struck through, from the part `xl/sharedStrings.xml`."""
    if b"strike" not in shared:
        return set()
    found: set[str] = set()
    for item in ElementTree.fromstring(shared):
        struck = any(
            each.tag.rpartition("}")[2] == "strike" and each.get("val", "1") not in OFF
            for each in item.iter()
        )
        if struck:
            texts = (each.text or "" for each in item.iter() if each.tag.endswith("}t"))
            found.add("".join(texts).strip())
    return found


def comments_of(archive: zipfile.ZipFile, sheet: str) -> dict[tuple[int, int], str]:
    """The comments on the cells of a sheet. sheet: its part, as `xl/worksheets/sheet1.xml`."""
    folder, name = posixpath.split(sheet)
    relations = f"{folder}/_rels/{name}.rels"
    if relations not in archive.namelist():
        return {}
    found: dict[tuple[int, int], str] = {}
    for relation in ElementTree.fromstring(archive.read(relations)):
        if not relation.get("Type", "").endswith("/comments"):
            continue
        target = relation.get("Target", "")
        part = target.lstrip("/") if target.startswith("/") else posixpath.join(folder, target)
        part = posixpath.normpath(part)
        if part not in archive.namelist():
            continue
        for element in ElementTree.fromstring(archive.read(part)).iter():
            if element.tag.rpartition("}")[2] != "comment":
                continue
            text = "".join(
                each.text or "" for each in element.iter() if each.tag.rpartition("}")[2] == "t"
            )
            text = " ".join(_THREAD.sub("", text).partition(COMMENT_MARK)[0].split())
            if text:
                found[place_of(element.get("ref", ""))] = text
    return found


_PLACE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})")


def place_of(written: str) -> tuple[int, int]:
    """Row and column of `AB12`. Raises ValueError for what is no such name."""
    match = _PLACE.fullmatch(written)
    if not match:
        raise ValueError(f"a cell '{written[:20]}', which no sheet has")
    column = 0
    for letter in match[1].upper():
        column = 26 * column + ord(letter) - ord("A") + 1
    return int(match[2]), column


def range_of(written: str) -> tuple[int, int, int, int]:
    """Rows and columns of `A1:B2`: first row, first column, last row, last column."""
    first, _, last = written.partition(":")
    return (*place_of(first), *place_of(last or first))


def fill_merged(
    file: str,
    records: list[list[str]],
    header: int,
    marks: SheetMarks,
    problems: list[Problem],
    readings: list[Reading],
) -> None:
    """Write the value of merged cells into each cell that they cover, in place, below the header.
    header: place of the header among the records. Cells merged over several columns hold a value
    for one of them only, and nobody knows which; unless they are all that is in their row.
    """
    names = records[header] if header < len(records) else []
    # Merged cells do not overlap: together they have no more rows than the sheet has cells.
    most = len(records) * max(len(names), 1)
    if sum(min(bottom, len(records)) - top for top, _, bottom, _ in marks.merged) > most:
        problems.append(
            Problem(
                file,
                None,
                None,
                "merged cells that overlap",
                "cells merged once",
                "Open the workbook in the spreadsheet, part the merged cells and save it.",
            )
        )
        return
    for top, left, bottom, right in marks.merged:
        if top <= header + 1 or top > len(records):
            continue
        value = _cell(records, top, left)
        if not value.strip():
            continue
        headed = [place for place in range(left, right + 1) if _cell([names], 1, place).strip()]
        if len(headed) > 1:
            if sum(bool(cell.strip()) for cell in records[top - 1]) == 1 and top == bottom:
                continue  # a line of words, or the name of a plot, in a row of its own
            over = " and ".join(f"'{names[place - 1]}'" for place in headed[:3])
            problems.append(
                Problem(
                    file,
                    top,
                    names[left - 1] if left <= len(names) else None,
                    f"'{value}' in cells merged over the columns {over}",
                    "each cell by itself",
                    "Part the merged cells and write the value where it belongs.",
                )
            )
            continue
        name = names[left - 1].strip() if left <= len(names) else None
        for row in range(top + 1, min(bottom, len(records)) + 1):
            record = records[row - 1]
            record += [""] * (left - len(record))
            if not record[left - 1].strip() and any(cell.strip() for cell in record):
                record[left - 1] = value
                readings.append(Reading(file, row, name, "", value, "merged cells"))


def _cell(records: Sequence[Sequence[str]], row: int, column: int) -> str:
    record = records[row - 1]
    return record[column - 1] if column <= len(record) else ""


def keep_comments(
    table_name: str, written: WrittenTable, marks: SheetMarks, survey: WrittenSurvey
) -> WrittenTable:
    """The table with the comments on its cells in the notes of their rows; in `survey.notes` where
    the table has no notes.
    """
    place_of_row = {row: place for place, row in enumerate(written.rows)}
    table = next((each for each in TABLES if each.name == table_name), None)
    takes_notes = table is None or any(column.name == "note" for column in table.columns)
    header = list(written.header)
    cells = [list(record) for record in written.cells]
    if takes_notes and "note" not in header:
        header.append("note")
        cells = [[*record, ""] for record in cells]
    changed = False
    for (row, column), text in sorted(marks.comments.items()):
        if row not in place_of_row or text == EXAMPLE_COMMENT:
            continue
        name = written.header[column - 1] if column <= len(written.header) else ""
        said = f"{name}: {text}" if name and name != "note" else text
        if not takes_notes:
            survey.notes.append(f"{written.file}, row {row}: comment on {said}")
            continue
        record, note = cells[place_of_row[row]], header.index("note")
        record[note] = f"{record[note]}; {said}" if record[note] else said
        survey.readings.append(Reading(written.file, row, name or None, text, said, KEPT_AS_NOTE))
        changed = True
    return replace(written, header=header, cells=cells) if changed else written


def tell_of_hidden(
    written: WrittenTable, marks: SheetMarks, struck_texts: set[str], notes: list[str]
) -> None:
    """Note hidden rows and cells struck through: they are read like all others."""
    rows = set(written.rows)
    hidden = [row for row in marks.hidden_rows if row in rows]
    if hidden:
        notes.append(
            f"{written.file}: hidden {_rows(hidden)}, read like the others. Delete what is not"
            " to be read"
        )
    struck = {row for row, _ in marks.struck if row in rows}
    struck |= {
        row
        for row, record in zip(written.rows, written.cells, strict=True)
        if struck_texts and not struck_texts.isdisjoint(record)
    }
    if struck:
        notes.append(
            f"{written.file}: cells struck through in {_rows(sorted(struck))}, read like the"
            " others. Delete what is not to be read"
        )


def _rows(rows: list[int]) -> str:
    """`row 4`, `rows 4, 5 and 3 more`."""
    named = ", ".join(map(str, rows[:ROWS_NAMED]))
    more = f" and {len(rows) - ROWS_NAMED} more" if len(rows) > ROWS_NAMED else ""
    return f"row{'s' if len(rows) > 1 else ''} {named}{more}"
