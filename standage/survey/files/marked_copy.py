"""A copy of a workbook, or of CSV files as a workbook, in which each cell that has a problem, looks
wrong, or was read differently from what was written is coloured and carries the message as its
comment.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from standage.errors import Problem, StandageError
from standage.grammar import counted
from standage.problems import plainly
from standage.replaced_file import whole_file
from standage.survey.files.csv_files import csv_records
from standage.survey.files.placing import MARKS_SHEET
from standage.survey.files.survey_files import read_written
from standage.survey.files.workbook_bytes import workbook_bytes
from standage.survey.files.workbook_guard import guarded
from standage.survey.files.workbook_marks import COMMENT_MARK, KEPT_AS_NOTE
from standage.survey.flat_table import CORE_NOTE, FLAT, PLOT_COLUMNS
from standage.survey.limits import LARGEST_UNPACKED, content_of
from standage.survey.readings import Reading
from standage.survey.written import WrittenTable

COLOURS = {"problem": "F4B6B6", "looks wrong": "FFE08A", "read differently": "BFD9F2"}
"""Fill of a marked cell by what is said of it; of several the first of this order."""
LONGEST_COMMENT = 2000
"""Characters of a comment that a person will read (assumption)."""
LONGEST_TITLE = 31
"""Characters of the title of a sheet (Excel specifications and limits)."""
_NOT_IN_TITLES = re.compile(r"[\[\]:*?/\\]")
_NOT_IN_CELLS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
OVERVIEW = ("what", "sheet", "row", "column", "message")


@dataclass(frozen=True)
class _Mark:
    """A message and where it belongs. kind: one of `COLOURS`."""

    kind: str
    file: str
    row: int | None
    column: str | None
    message: str


def check_mark_path(survey: str | PathLike, copy: str | PathLike) -> list[Path]:
    """The workbook of a survey, or its CSV files, that a marked copy can be made of. Raises
    StandageError where there is none, or the copy would overwrite anything.
    """
    source, copy = Path(survey), Path(copy)
    sources = [source] if source.is_file() else []
    if source.is_dir():
        files = [each for each in sorted(source.iterdir()) if not each.name.startswith((".", "~$"))]
        tables = [each for each in files if each.suffix.lower() == ".csv" and each.is_file()]
        books = [each for each in files if each.suffix.lower() == ".xlsx"]
        sources = tables or (books if len(books) == 1 else [])
    if not sources or sources[0].suffix.lower() not in (".xlsx", ".csv"):
        raise StandageError.at(
            survey,
            "no workbook and no CSV file" if source.exists() else "no such file or folder",
            "an .xlsx workbook or CSV files, whose cells can be marked",
            "Leave out --mark; --all shows every problem.",
        )
    if copy.suffix.lower() != ".xlsx":
        advice = f"Name it {copy.name}.xlsx, for example."
        raise StandageError.at(copy, "another ending", "a name that ends in .xlsx", advice)
    if copy.exists() or copy.is_symlink():
        expected = "no such file yet, for nothing is overwritten"
        raise StandageError.at(copy, "a file", expected, "Choose another name for the copy.")
    return sources


def write_marked_copy(
    survey: str | PathLike,
    copy: str | PathLike,
    *,
    problems: Iterable[Problem] = (),
    suspicious: Iterable[Problem] = (),
    readings: Iterable[Reading] = (),
) -> str:
    """Write the copy, every row, and return a sentence on what is marked in it.

    The survey itself is left as it is. Raises StandageError as `check_mark_path` does, and where
    the workbook doesn't open or the copy can't be written.
    """
    sources, copy = check_mark_path(survey, copy), Path(copy)
    marks = list(_marks(problems, suspicious, readings))
    if not marks:
        return f"Nothing to mark: {copy} was not written."
    if sources[0].suffix.lower() == ".xlsx":
        book, source = _opened(sources[0]), sources[0]
        titles = {f"{source.name}, sheet {title}": title for title in book.sheetnames}
    else:
        book, titles = _as_workbook(sources)
        source = Path(survey)
    written = read_written(source)
    tables = [
        (name, part)
        for name, table in written.tables.items()
        for part in (table.stack.parts if table.stack else (table,))
    ]
    number = _mark_cells(book, titles, tables, marks)
    _overview(book, marks)
    try:
        content = workbook_bytes(book)
        with whole_file(copy, new=True) as half:
            half.write_bytes(content)
    except OSError as error:
        found = f"a file that can't be written ({error.strerror or error})"
        advice = "Choose another name for the copy, and look whether the disks have room."
        raise StandageError.at(copy, found, "a new file", advice) from error
    return (
        f"wrote {copy}: {counted(number, 'cell')} marked (red: problems, yellow: looks wrong, blue:"
        f" read differently); every message in its sheet '{MARKS_SHEET}'."
    )


def _as_workbook(files: list[Path]) -> tuple[Any, dict[str, str]]:
    """CSV files as the sheets of a workbook, row by row and as text; and the sheet of each file."""
    from openpyxl import Workbook  # imported here: it takes a while to load

    book = Workbook()
    book.remove(book.active)
    titles: dict[str, str] = {}
    for file in files:
        title = _NOT_IN_TITLES.sub("_", file.stem)[:LONGEST_TITLE] or "table"
        sheet = book.create_sheet(title)  # another number where the title is taken
        titles[file.name] = sheet.title
        for row, record in enumerate(csv_records(file), 1):
            for place, text in enumerate(record, 1):
                if text:
                    cell = sheet.cell(row, place, _NOT_IN_CELLS.sub("?", text))
                    cell.data_type = "s"  # as it is written: never a formula or another number
    return book, titles


def _marks(
    problems: Iterable[Problem], suspicious: Iterable[Problem], readings: Iterable[Reading]
) -> Iterator[_Mark]:
    for kind, found in (("problem", problems), ("looks wrong", suspicious)):
        for each in found:
            message = f"found {each.found}; expected {each.expected}. {each.what_to_do}"
            yield _Mark(kind, each.file, each.row, each.column, message)
    for reading in readings:
        if reading.reason == KEPT_AS_NOTE:  # the comment is there to be read
            continue
        message = f"'{reading.as_written}' read as '{reading.as_read}' ({reading.reason})"
        yield _Mark("read differently", reading.file, reading.row, reading.column, message)


def _opened(source: Path) -> Any:
    """The workbook with all that the library can keep. Its XML was gone through before."""
    from openpyxl import load_workbook  # imported here: it takes a while to load

    try:
        content = content_of(source)
        checked = guarded(content).content
        return load_workbook(io.BytesIO(_with_pictures(checked, content)), rich_text=True)
    except Exception as error:  # a damaged archive fails in many ways
        raise StandageError.at(
            source,
            f"a file that does not open as a workbook ({plainly(str(error))})",
            "an .xlsx workbook",
            "Open it in the spreadsheet and save it anew as .xlsx, without a password.",
        ) from error


def _with_pictures(checked: bytes, content: bytes) -> bytes:
    """The archive that was gone through, with the parts of the original that are no XML."""
    whole = io.BytesIO(checked)
    room = LARGEST_UNPACKED
    with zipfile.ZipFile(io.BytesIO(content)) as archive, zipfile.ZipFile(whole, "a") as anew:
        there = set(anew.namelist())
        for part in archive.infolist():
            if part.filename in there or part.is_dir() or part.file_size > room:
                continue
            with archive.open(part) as stream:
                anew.writestr(part.filename, stream.read(part.file_size))
            room -= part.file_size
    return whole.getvalue()


def _mark_cells(
    book: Any, titles: dict[str, str], tables: list[tuple[str, WrittenTable]], marks: list[_Mark]
) -> int:
    """Colour the cells, and add the messages to their comments. How many cells were marked.
    titles: of the sheet of each file.
    """
    from openpyxl.comments import Comment
    from openpyxl.styles import PatternFill

    at: dict[tuple[str, int, int], list[_Mark]] = {}
    for mark in marks:
        title = titles.get(mark.file, "")
        if not title:
            continue  # of the whole workbook or another file: in the overview only
        here = [(table, each) for table, each in tables if each.file == mark.file]
        at.setdefault((title, *_place(here, mark)), []).append(mark)
    covered: dict[str, dict[tuple[int, int], tuple[int, int]]] = {}
    for (title, row, column), said in at.items():
        sheet = book[title]
        if title not in covered:
            covered[title] = {
                place: (area.min_row, area.min_col)
                for area in sheet.merged_cells.ranges
                for place in area.cells
            }
        cell = sheet.cell(*covered[title].get((row, column), (row, column)))
        kind = next(kind for kind in COLOURS if any(mark.kind == kind for mark in said))
        before = cell.comment.text if cell.comment else ""
        before = before.partition(COMMENT_MARK)[0].strip()  # of a copy marked before
        cell.fill = PatternFill("solid", fgColor=COLOURS[kind])
        text = "\n".join(dict.fromkeys(plainly(mark.message) for mark in said))
        text = f"{before}\n{COMMENT_MARK} {text}" if before else f"{COMMENT_MARK} {text}"
        author = cell.comment.author if cell.comment else "standage"
        cell.comment = Comment(text[:LONGEST_COMMENT], author, height=140, width=360)
    return len(at)


def _place(tables: list[tuple[str, WrittenTable]], mark: _Mark) -> tuple[int, int]:
    """Row and column, from 1, of the cell that a message is about: the heading where it is about a
    column, the first cell where it is about a row.
    """
    for table, written in tables:
        column = mark.column
        names = {column}
        if table == FLAT.name:
            names |= {name for name, of in PLOT_COLUMNS.items() if of == column}
            names |= {CORE_NOTE} if column == "note" else set()
        row = mark.row or written.header_row
        for place, heading in enumerate(written.header, 1):
            if heading in names or written.headings.get(heading) == column:
                return row, place
        return row, 1
    return mark.row or 1, 1


def _overview(book: Any, marks: list[_Mark]) -> None:
    """A last sheet with every message."""
    from openpyxl.styles import Alignment, Font, PatternFill

    if MARKS_SHEET in book.sheetnames:
        del book[MARKS_SHEET]
    sheet = book.create_sheet(MARKS_SHEET)
    sheet.append(OVERVIEW)
    for mark in marks:
        where = plainly(mark.file.rpartition(", sheet ")[2])
        # as text: a message is never a formula
        values = (mark.kind, where, mark.row, mark.column or "", plainly(mark.message))
        for place, value in enumerate(values, 1):
            cell = sheet.cell(sheet.max_row + (place == 1), place, value)
            if isinstance(value, str):
                cell.data_type = "s"
        sheet.cell(sheet.max_row, 1).fill = PatternFill("solid", fgColor=COLOURS[mark.kind])
        sheet.cell(sheet.max_row, len(values)).alignment = Alignment(wrap_text=True)
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for letter, width in zip("ABCDE", (16, 18, 8, 22, 100), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = "A2"
