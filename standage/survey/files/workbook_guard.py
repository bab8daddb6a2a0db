"""Whether a workbook is one that a spreadsheet could have written, before the library reads it.

That library takes rows as they come: it passes over a row whose number is not above the last one's,
makes as many blank rows as a number asks for, and builds an object for every style and every
relation. So each part of the archive is gone through before, by a parser that refuses document
types, and what no spreadsheet writes is refused with the limit in words.
"""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from standage.survey.files.workbook_marks import (
    OFF,
    SheetMarks,
    comments_of,
    place_of,
    range_of,
    struck_styles,
    struck_texts,
)
from standage.survey.limits import (
    LARGEST_UNPACKED,
    LONGEST_TAG,
    MEGABYTE,
    MOST_ELEMENTS,
    MOST_STRINGS,
    TooLarge,
    opened,
)

LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""Where a sheet ends (ECMA-376 as spreadsheets implement it; from memory)."""

CONTENTS, STYLES, SHARED_TEXTS = "xl/workbook.xml", "xl/styles.xml", "xl/sharedStrings.xml"
_LONG_TAG = re.compile(rb"(?:\A|<)[^<]{%d}" % LONGEST_TAG)


class NotOrderly(Exception):
    """A workbook that no spreadsheet wrote, or that lost something since."""


@dataclass
class GuardedWorkbook:
    """A workbook that was gone through: the archive packed anew, whether any cell has a formula,
    the marks of its sheets by part, and texts that are struck through.
    """

    content: bytes
    formulas: bool
    marks: dict[str, SheetMarks]
    struck_texts: set[str]

    def marks_of(self, sheet: Any) -> SheetMarks:
        """The marks of a sheet of openpyxl's, its comments included."""
        part = sheet._worksheet_path.lstrip("/")  # openpyxl has no public name for it
        marks = self.marks.get(part, SheetMarks())
        with zipfile.ZipFile(io.BytesIO(self.content)) as archive:
            marks.comments = comments_of(archive, part)
        return marks


def guarded(content: bytes) -> GuardedWorkbook:
    """A workbook, gone through part by part. Raises NotOrderly, TooLarge, or what archive and XML
    fail with.

    A part of an archive can be longer than it says: packed anew it can't.
    """
    clean, formulas = io.BytesIO(), False
    marks: dict[str, SheetMarks] = {}
    styles: set[str] = set()
    texts: set[str] = set()
    with zipfile.ZipFile(io.BytesIO(content)) as archive, zipfile.ZipFile(clean, "w") as anew:
        parts = [part for part in archive.infolist() if part.filename.endswith((".xml", ".rels"))]
        size = sum(part.file_size for part in parts)
        if size > LARGEST_UNPACKED:
            raise TooLarge(
                f"a workbook of {size / MEGABYTE:,.0f} MB, unpacked\nat most"
                f" {LARGEST_UNPACKED / MEGABYTE:,.0f} MB"
            )
        if len({part.filename for part in parts}) < len(parts):
            raise NotOrderly("parts of it are there twice")
        # styles before the sheets that use them
        for part in sorted(parts, key=lambda part: part.filename != STYLES):
            with archive.open(part) as stream:
                text = stream.read(part.file_size)
            parsed = _parsed(_Part(part.filename, styles), text)
            formulas |= parsed.formulas
            marks[part.filename] = parsed.marks
            if part.filename == STYLES:
                styles = struck_styles(text)
            elif part.filename == SHARED_TEXTS:
                texts = struck_texts(text)
            anew.writestr(part.filename, text)
    return GuardedWorkbook(clean.getvalue(), formulas, marks, texts)


def sheet_names(path: Path) -> list[str]:
    """The names of a workbook's sheets, without reading more of it. Raises as `guarded` does, or
    OSError.
    """
    with opened(path) as stream, zipfile.ZipFile(stream) as archive:
        if archive.getinfo(CONTENTS).file_size > MEGABYTE:
            raise TooLarge(f"a list of sheets of more than 1 MB\nat most {MEGABYTE:,} bytes")
        with archive.open(CONTENTS) as part:
            return _parsed(_Part(CONTENTS, set()), part.read(MEGABYTE)).sheets


class _Part:
    """One part of the archive, element by element."""

    def __init__(self, name: str, struck: set[str]) -> None:
        self.name, self.formulas, self.row, self.column, self.cells = name, False, 0, 0, False
        self.struck, self.marks = struck, SheetMarks()
        self.sheets: list[str] = []
        self.elements, self.strings = 0, 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition("}")[2]
        self._count(name)
        if name == "sheet":
            self.sheets.append(attributes.get("name", ""))
        if name == "sheetData":
            self.cells = True
        elif name == "mergeCell":
            self.marks.merged.append(range_of(attributes.get("ref", "")))
        elif not self.cells:
            return
        elif name == "row":
            row = int(attributes["r"]) if "r" in attributes else self.row + 1
            if not self.row < row <= LAST_ROW:
                raise NotOrderly(f"{self.name}: row {row} after row {self.row}")
            self.row, self.column, self.elements = row, 0, 0
            if attributes.get("hidden") in ("1", "true"):
                self.marks.hidden_rows.append(row)
        elif name == "c":
            row, column = (
                place_of(attributes["r"]) if "r" in attributes else (self.row, self.column + 1)
            )
            if row != self.row or not self.column < column <= LAST_COLUMN:
                raise NotOrderly(
                    f"{self.name}: cell {attributes.get('r', '')} out of its place in row"
                    f" {self.row}"
                )
            self.column = column
            if self.struck and attributes.get("s") in self.struck:
                self.marks.struck.append((row, column))
        elif name == "strike" and attributes.get("val", "1") not in OFF:  # part of a cell's text
            self.marks.struck.append((self.row, self.column))
        elif name == "f":
            self.formulas = True

    def _count(self, name: str) -> None:
        """Elements that the library keeps in memory all at once: of a row, of the strings, and of
        everything else.
        """
        self.elements += 1
        if name == "si":
            self.strings, self.elements = self.strings + 1, 0
        if self.elements > MOST_ELEMENTS or self.strings > MOST_STRINGS:
            most = MOST_STRINGS if self.strings > MOST_STRINGS else MOST_ELEMENTS
            raise TooLarge(
                f"more than {most:,} elements in {self.name}\nat most {most:,}, which is more than"
                " any spreadsheet needs"
            )

    def end(self, tag: str) -> None:
        if tag.rpartition("}")[2] == "sheetData":
            self.cells = False

    def comment(self, text: str) -> None:
        if len(text) > LONGEST_TAG:
            raise NotOrderly(f"{self.name} holds a long comment, which no spreadsheet writes")

    def pi(self, target: str, text: str | None = None) -> None:
        self.comment(text or "")

    def close(self) -> None:
        """Asked for by the parser; there is nothing left to do."""


def _parsed(part: _Part, content: bytes) -> _Part:
    # the library meets a part piece by piece, and a long tag then takes time with its square
    if _LONG_TAG.search(content):
        raise TooLarge(f"a tag of more than 1 MB in {part.name}\nat most {LONGEST_TAG:,} bytes")
    parser = DefusedXMLParser(target=part, forbid_dtd=True)
    try:
        parser.feed(content)
        parser.close()
    except DefusedXmlException:
        raise NotOrderly(
            f"{part.name} declares a document type, which no spreadsheet writes"
        ) from None
    return part
