"""From an .xlsx workbook to rows of written cells, whatever somebody put into the archive.

The library that reads workbooks takes rows as they come: it passes over a row whose number is not
above the last one's, and makes as many blank rows as a number asks for. So each part of the archive
is gone through before, and what no spreadsheet writes is refused.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from pathlib import Path
from xml.parsers import expat

from standage.survey.files import (
    WrittenSurvey,
    lay_out,
    place_names,
    read_content,
    too_large,
    unreadable_file,
)
from standage.survey.form_rows import header_place
from standage.survey.limits import LARGEST_UNPACKED, MEGABYTE, MOST_COLUMNS, TooLarge
from standage.survey.schema import TABLES, table
from standage.survey.workbook_cells import (
    as_text,
    names_made_dates,
    names_made_numbers,
    sheet_values,
    uncomputed,
)
from standage.survey.workbook_marks import (
    OFF,
    SheetMarks,
    comments_of,
    fill_merged,
    keep_comments,
    place_of,
    range_of,
    struck_styles,
    struck_texts,
    tell_of_hidden,
)

LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""Where a sheet ends (ECMA-376 as spreadsheets implement it; from memory)."""

STYLES, SHARED_TEXTS = "xl/styles.xml", "xl/sharedStrings.xml"


class NotOrderly(Exception):
    """A workbook that no spreadsheet wrote, or that lost something since."""


def read_workbook(path: Path, survey: WrittenSurvey) -> None:
    """Read the sheets of a workbook. Dates and numbers are turned into the text a CSV file would
    hold.
    """
    content = read_content(path, path.name, survey)
    if content is None:
        survey.unreadable.update(each.name for each in TABLES)
        return
    from openpyxl import (
        load_workbook,
    )  # imported here: most surveys are CSV, and it takes a while to load

    try:
        looked = _look_through(content)
        book = load_workbook(io.BytesIO(looked.content), read_only=True, data_only=True)
        written = (
            load_workbook(io.BytesIO(looked.content), read_only=True) if looked.formulas else None
        )
        sheets = {sheet.title: sheet for sheet in book.worksheets}
        named = place_names({title: title for title in sheets}, survey, what="sheet")
        # read whole before anything is taken for a table: a damaged part may show at its very end
        values = {name: sheet_values(sheets[title]) for name, title in named.items()}
        raw = (
            {name: sheet_values(written[title]) for name, title in named.items()}
            if written is not None
            else {}
        )
    except TooLarge as error:
        survey.problems.append(too_large(path.name, error))
    except (
        Exception
        # a damaged archive fails in the unpacking, the XML or the library, each with errors of its
        # own
    ) as error:
        survey.problems.append(
            unreadable_file(
                path.name,
                f"a file that does not open as a workbook ({error})",
                "an .xlsx workbook",
                "Open it in the spreadsheet and save it anew as .xlsx, without a password.",
            )
        )
    else:
        for name, title in named.items():
            file = f"{path.name}, sheet {title}"
            survey.files[name] = file
            records = [[as_text(value) for value in record] for record in values[name]]
            header = header_place(records, table(name)) or 0
            if name in raw:
                uncomputed(file, raw[name], records, header, survey.problems)
            marks = looked.marks_of(sheets[title])
            fill_merged(file, records, header, marks, survey.problems, survey.readings)
            names_made_dates(file, values[name], records, header, table(name), survey.notes)
            # A sheet has no ragged rows: trailing blanks are simply not stored.
            width = min(len(records[header]) if records else 0, MOST_COLUMNS)
            lay_out(
                file,
                [record + [""] * (width - len(record)) if record else record for record in records],
                name,
                survey,
                sheet=True,
            )
            if name not in survey.tables:
                continue
            laid_out = keep_comments(name, survey.tables[name], marks, survey)
            survey.tables[name] = laid_out
            tell_of_hidden(laid_out, marks, looked.struck_texts, survey.notes)
            names_made_numbers(name, laid_out, values[name], survey.numbers)
        return
    survey.unreadable.update(each.name for each in TABLES)


@dataclass
class _Looked:
    """A workbook that was gone through: the archive packed anew, whether any cell has a formula,
    the marks of its sheets by part, and texts that are struck through.
    """

    content: bytes
    formulas: bool
    marks: dict[str, SheetMarks]
    struck_texts: set[str]

    def marks_of(self, sheet) -> SheetMarks:
        """The marks of a sheet of openpyxl's, its comments included."""
        part = sheet._worksheet_path.lstrip("/")  # openpyxl has no public name for it
        marks = self.marks.get(part, SheetMarks())
        with zipfile.ZipFile(io.BytesIO(self.content)) as archive:
            marks.comments = comments_of(archive, part)
        return marks


def _look_through(content: bytes) -> _Looked:
    """Go through the archive, part by part. Raises NotOrderly, TooLarge, or what archive and XML
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
            looked = _Part(part.filename, styles)
            formulas |= looked.look_through(text)
            marks[part.filename] = looked.marks
            if part.filename == STYLES:
                styles = struck_styles(text)
            elif part.filename == SHARED_TEXTS:
                texts = struck_texts(text)
            anew.writestr(part.filename, text)
    return _Looked(clean.getvalue(), formulas, marks, texts)


class _Part:
    """One part of the archive, read element by element."""

    def __init__(self, name: str, struck: set[str]) -> None:
        self.name, self.formulas, self.row, self.column, self.cells = name, False, 0, 0, False
        self.struck, self.marks = struck, SheetMarks()

    def look_through(self, content: bytes) -> bool:
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = self._element
        parser.StartDoctypeDeclHandler = self._doctype
        parser.EndElementHandler = self._end
        parser.Parse(content, True)
        return self.formulas

    def _doctype(self, *_) -> None:
        raise NotOrderly(f"{self.name} declares a document type, which no spreadsheet writes")

    def _element(self, name: str, attributes: dict[str, str]) -> None:
        name = name.rpartition(" ")[2]
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
            self.row, self.column = row, 0
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

    def _end(self, name: str) -> None:
        if name.rpartition(" ")[2] == "sheetData":
            self.cells = False
