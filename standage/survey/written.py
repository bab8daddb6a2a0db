"""A survey as it was written: the tables that were found, before any cell is interpreted."""

from __future__ import annotations

from dataclasses import dataclass, field

from standage.errors import Problem, ProblemList
from standage.survey.limits import TooLarge
from standage.survey.mapping import SheetMapping
from standage.survey.readings import Reading


@dataclass(frozen=True)
class WrittenTable:
    """A table as written. file: name for messages. header: (column,), in row header_row, the
    survey's names where headings could be matched. cells: rows of text, all of header length. rows:
    row in the file. units: of columns whose values are in another unit than the column's, "" where
    none is said. headings: as written, by column, where they are other than its name. set_aside:
    headings that a mapping file says hold no column of the survey.
    """

    file: str
    header: list[str]
    cells: list[list[str]]
    rows: list[int]
    header_row: int = 1
    units: dict[str, str] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)
    set_aside: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Title:
    """A row above the headings of a table: its file, row, and cells in one text."""

    file: str
    row: int
    text: str


@dataclass
class WrittenSurvey:
    """All tables that were found, by table name, `flat` among them; `unreadable` holds the names
    of tables that are there but could not be read.

    readings: what was read differently from what was written. numbers: rows whose cell in a column
    of names is a number with decimals in a workbook, by table and column. mapping: what a mapping
    file says, by name of file or sheet. short_names: by kind of name, what a short one may stand
    for where names begin anew in each group. stemless: rows of a table that say of a plot only that
    it has no stem. rings: content of the decadal ring-width files by name, `rings/FILE`. book: name
    of the workbook that holds the tables, "" without one.
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
