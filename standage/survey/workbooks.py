"""From an .xlsx workbook to rows of written cells, whatever somebody put into the archive.

The library that reads workbooks takes rows as they come: it passes over a row whose number is not
above the last one's, and makes as many blank rows as a number asks for. So each part of the archive
is gone through before, and what no spreadsheet writes is refused.
"""

from __future__ import annotations

import io
import re
import zipfile
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
from standage.survey.workbook_cells import as_text, names_made_dates, sheet_values, uncomputed

LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""Where a sheet ends (ECMA-376 as spreadsheets implement it; from memory)."""

_PLACE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})")


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
        content, formulas = _looked_through(content)
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        written = load_workbook(io.BytesIO(content), read_only=True) if formulas else None
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
        return
    survey.unreadable.update(each.name for each in TABLES)


def _looked_through(content: bytes) -> tuple[bytes, bool]:
    """The archive packed anew, and whether any cell has a formula. Raises NotOrderly, TooLarge, or
    what archive and XML fail with.

    A part of an archive can be longer than it says: packed anew it can't.
    """
    clean, formulas = io.BytesIO(), False
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
        for part in parts:
            with archive.open(part) as stream:
                text = stream.read(part.file_size)
            formulas |= _Part(part.filename).look_through(text)
            anew.writestr(part.filename, text)
    return clean.getvalue(), formulas


class _Part:
    """One part of the archive, read element by element."""

    def __init__(self, name: str) -> None:
        self.name, self.formulas, self.row, self.column, self.cells = name, False, 0, 0, False

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
        elif not self.cells:
            return
        elif name == "row":
            row = int(attributes["r"]) if "r" in attributes else self.row + 1
            if not self.row < row <= LAST_ROW:
                raise NotOrderly(f"{self.name}: row {row} after row {self.row}")
            self.row, self.column = row, 0
        elif name == "c":
            row, column = (
                _place(attributes["r"]) if "r" in attributes else (self.row, self.column + 1)
            )
            if row != self.row or not self.column < column <= LAST_COLUMN:
                raise NotOrderly(
                    f"{self.name}: cell {attributes.get('r', '')} out of its place in row"
                    f" {self.row}"
                )
            self.column = column
        elif name == "f":
            self.formulas = True

    def _end(self, name: str) -> None:
        if name.rpartition(" ")[2] == "sheetData":
            self.cells = False


def _place(written: str) -> tuple[int, int]:
    """Row and column of `AB12`."""
    match = _PLACE.fullmatch(written)
    if not match:
        raise NotOrderly(f"a cell '{written[:20]}', which no sheet has")
    column = 0
    for letter in match[1].upper():
        column = 26 * column + ord(letter) - ord("A") + 1
    return int(match[2]), column
