"""A survey as it was written: the tables that were found, before any cell is interpreted."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from standage.errors import Problem, ProblemList
from standage.survey.limits import TooLarge
from standage.survey.mapping import SheetMapping
from standage.survey.readings import Reading

Located = TypeVar("Located", Problem, Reading)


@dataclass(frozen=True)
class WrittenTable:
    """A table as written. file: name for messages. header: (column,), in row header_row, the
    survey's names where headings could be matched. cells: rows of text, all of header length. rows:
    row in the file, running on from sheet to sheet in a stack. units: of columns whose values are
    in another unit than the column's, "" where none is said. headings: as written, by column, where
    they are other than its name. set_aside: headings that a mapping file says hold no column of the
    survey. stack: the sheets of which it was put together, None for one.
    """

    file: str
    header: list[str]
    cells: list[list[str]]
    rows: list[int]
    header_row: int = 1
    units: dict[str, str] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)
    set_aside: frozenset[str] = frozenset()
    stack: Stack | None = None

    @property
    def sheet(self) -> str:
        """The sheet's name; that of the file without one."""
        return self.file.partition(", sheet ")[2] or self.file.removesuffix(".csv")

    def row_in_words(self, row: int) -> str:
        """`row 7`; of a stack with its sheet."""
        if self.stack is None:
            return f"row {row}"
        part, own = self.stack.place_of(row)
        return f"row {own} of '{part.sheet}'"

    def file_of(self, row: int) -> str:
        """The file or sheet in which a row stands: of a stack the one it came from."""
        return self.file if self.stack is None else self.stack.place_of(row)[0].file

    def heading_rows(self, name: str) -> list[int]:
        """The rows of a heading: of a stack, those of all sheets that have it."""
        if self.stack is None:
            return [self.header_row]
        pairs = zip(self.stack.parts, self.stack.before, strict=True)
        rows = [before + part.header_row for part, before in pairs if name in part.header]
        return rows or [self.header_row]

    def begins_sheet(self, place: int) -> bool:
        """Whether a row, by its place, is the first of a sheet."""
        if place == 0 or self.stack is None:
            return place == 0
        before, here = (self.stack.place_of(self.rows[each])[0] for each in (place - 1, place))
        return before is not here


@dataclass(frozen=True)
class Stack:
    """Sheets that are read one under another as one table. parts: each as written. before: rows of
    the table above each; a part's row N is the table's row `before` + N.
    """

    parts: tuple[WrittenTable, ...]
    before: tuple[int, ...]

    def place_of(self, row: int) -> tuple[WrittenTable, int]:
        """The sheet in which a row of the table stands, and its row there."""
        at = bisect_left(self.before, row) - 1
        return self.parts[at], row - self.before[at]


def with_column(table: WrittenTable, column: str, cell: str) -> WrittenTable:
    """The table with the same cell in every row of a column that it hasn't, or that is blank."""
    if column in table.header:
        at = table.header.index(column)
        cells = [[*row[:at], cell, *row[at + 1 :]] for row in table.cells]
        return replace(table, cells=cells)
    cells = [[*row, cell] for row in table.cells]
    return replace(table, header=[*table.header, column], cells=cells)


def located(messages: Iterable[Located], stacks: Mapping[str, Stack]) -> list[Located]:
    """Messages on rows of tables as ones on the rows of their sheets. stacks: by file of a
    table.
    """
    found = []
    for each in messages:
        if each.row is not None and each.file in stacks:
            part, row = stacks[each.file].place_of(each.row)
            each = replace(each, file=part.file, row=row)
        found.append(each)
    return found


def row_in_words(file: str, row: int, stacks: Mapping[str, Stack]) -> str:
    """`cores.csv, row 7`; of a stack with the sheet in which it stands. stacks: by file of a
    table.
    """
    if file in stacks:
        part, row = stacks[file].place_of(row)
        file = part.file
    return f"{file}, row {row}"


@dataclass(frozen=True)
class Title:
    """A row above the headings of a table, or of a sheet of notes: its file, row, and cells in one
    text. of_list: a code and its meaning in two cells, which may be of another list.
    """

    file: str
    row: int
    text: str
    of_notes: bool = False
    of_list: bool = False


@dataclass
class WrittenSurvey:
    """All tables that were found, by table name, `flat` among them; `unreadable` holds the names
    of tables that are there but could not be read.

    readings: what was read differently from what was written. numbers: rows whose cell in a column
    of names is a number with decimals in a workbook, by table and column. mapping: what a mapping
    file says, by name of file or sheet. short_names: by kind of name, what a short one may stand
    for where names begin anew in each group. stemless: rows of a table that say of a plot only that
    it has no stem. titles: rows above the headings, and of sheets of notes. below: lines of words
    among the rows of a list, most often below it. doubts: what looks wrong, used as written.
    rings: content of the decadal ring-width files by name, `rings/FILE`. book: name of the workbook
    that holds the tables, "" without one.
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
    mapping: dict[str, SheetMapping] = field(default_factory=dict)
    book: str = ""
    short_names: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    stemless: dict[str, set[int]] = field(default_factory=dict)
    titles: list[Title] = field(default_factory=list)
    below: list[Title] = field(default_factory=list)
    doubts: list[Problem] = field(default_factory=list)


def unreadable_file(
    file: str, found: str, expected: str, what_to_do: str, row: int | None = None
) -> Problem:
    return Problem(file, row, None, found, expected, what_to_do)


def too_large(name: str, error: TooLarge) -> Problem:
    """A file beyond the limits of `standage.survey.limits`."""
    found, expected = str(error).split("\n")
    return unreadable_file(
        name,
        found,
        expected,
        "Check that this is the right file; if it is, split the survey into several.",
    )
