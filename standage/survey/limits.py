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
from typing import BinaryIO, TypeVar

MEGABYTE = 1_000_000
LARGEST_FILE = 200 * MEGABYTE
"""Bytes of one file (assumption: five million rings as ring_widths.csv have 120)."""

LARGEST_UNPACKED = 500 * MEGABYTE
"""Bytes of all parts of a workbook together, unpacked (assumption: twice a sheet filled with ring
widths to its last row).
"""

MOST_ELEMENTS = 300_000
"""Elements of a part of a workbook that are in memory at once, those of a row counted by themselves
(assumption: four for each of the 65,490 formats that a workbook can have, and of each of the 16,384
cells of a row many more; the formats from memory). Four million take 2.6 GB.
"""

MOST_STRINGS = 5_000_000
"""Different texts of a workbook (assumption: as many as the rows of a table)."""

LONGEST_TAG = MEGABYTE
"""Bytes of a workbook's XML from one tag to the next (assumption: five times the longest text of a
cell, in the letters that take most room).
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


def opened(path: Path) -> BinaryIO:
    """A file to read. Raises OSError where it can't be read or is none: a pipe would be waited for,
    and a device may never end.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    stream = os.fdopen(os.open(path, flags), "rb")
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(errno.EINVAL, "not a file", str(path))
    return stream


def content_of(path: Path) -> bytes:
    """The bytes of a file. Raises TooLarge, or OSError as `opened` does."""
    with opened(path) as stream:
        size = os.fstat(stream.fileno()).st_size
        if size > LARGEST_FILE:
            raise TooLarge(
                f"a file of {size / MEGABYTE:,.0f} MB\nat most {LARGEST_FILE / MEGABYTE:,.0f} MB"
            )
        # some files of an operating system have no size and no end
        most = max(size, MEGABYTE)
        content = stream.read(most + 1)
    if content is None:  # a file of the operating system that has nothing to say now
        raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN), str(path))
    if len(content) > most:
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
