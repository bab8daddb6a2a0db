"""How large the files of a survey may be: far beyond any field work, and small enough that no file,
by mistake or on purpose, takes a computer's memory or its day. Everything beyond is refused with
the limit in words.
"""

from __future__ import annotations

import errno
import os
import stat
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TypeVar

MEGABYTE = 1_000_000
LARGEST_FILE = 200 * MEGABYTE
"""Bytes of one file (assumption: five million rings as ring_widths.csv have 120)."""

LARGEST_UNPACKED = 500 * MEGABYTE
"""Bytes of all parts of a workbook together, unpacked (assumption: twice a sheet filled with ring
widths to its last row).
"""

MOST_ROWS = 5_000_000
"""Rows of a table (assumption); a sheet of a workbook ends at 1,048,576 (ECMA-376, as spreadsheets
implement it; from memory).
"""

MOST_COLUMNS = 1_000
"""Columns of a table (assumption)."""

MOST_CELLS = 40_000_000
"""Cells of a table, blanks included (assumption: about two gigabytes of memory)."""

MOST_CHARACTERS = 200 * MEGABYTE
"""Characters of all cells of a table (assumption); a workbook may show one long text a million
times over.
"""

LONGEST_CELL = 32_767
"""Characters of a cell: what spreadsheets hold in one (from memory)."""

LONGEST_NAME = 100
"""Characters of an identifier, a species or a community: they stand in headings, pictures and names
of files (assumption).
"""


OPEN_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
"""How a file is opened that may turn out to be a pipe, which is then not waited for."""

Record = TypeVar("Record", bound=Sequence)


class TooLarge(Exception):
    """A file beyond a limit; the text says what was found and what is accepted, parted by a line
    end.
    """


def bounded(records: Iterable[Record]) -> Iterator[Record]:
    """The records of a table as they come, as long as they keep to the limits. Raises TooLarge."""
    rows = cells = characters = 0
    for record in records:
        rows, cells = rows + 1, cells + len(record)
        characters += sum([len(cell) for cell in record if isinstance(cell, str)])
        for count, most, what in (
            (rows, MOST_ROWS, "rows"),
            (cells, MOST_CELLS, "cells"),
            (characters, MOST_CHARACTERS, "characters"),
        ):
            if count > most:
                raise TooLarge(f"more than {most:,} {what}\nat most {most:,} {what}")
        yield record


def content_of(path: Path) -> bytes:
    """The bytes of a file. Raises TooLarge, or OSError where it can't be read or is none: a pipe
    would be waited for, and a device may never end.
    """
    with open(os.open(path, OPEN_FLAGS), "rb") as stream:
        status = os.fstat(stream.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise OSError(errno.EINVAL, "not a file")
        if status.st_size > LARGEST_FILE:
            raise TooLarge(
                f"a file of {status.st_size / MEGABYTE:,.0f} MB\nat most"
                f" {LARGEST_FILE / MEGABYTE:,.0f} MB"
            )
        content = stream.read(LARGEST_FILE + 1)
    if content is None:  # a file of the operating system that has nothing to say now
        raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))
    # some files of an operating system have no size and no end
    if len(content) > LARGEST_FILE:
        raise TooLarge(f"a file without an end\nat most {LARGEST_FILE / MEGABYTE:,.0f} MB")
    return content


def unseen_letter(text: str, *, free: bool = False) -> str | None:
    """The first character that nobody sees, such as a control character or a mark that turns the
    direction of writing; None without.

    free: text of several lines, where only control characters count.
    """
    kinds = {"Cc"} if free else {"Cc", "Cf", "Zl", "Zp"}
    return next(
        (
            letter
            for letter in text
            if unicodedata.category(letter) in kinds and not (free and letter in "\n\t")
        ),
        None,
    )
