"""A file that is written beside the one it replaces, whole or not at all."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from standage.errors import StandageError


@contextmanager
def replaced(path: Path, *, header: str, what: str) -> Iterator[Path]:
    """The path of a new, empty file; at the end of the block it takes the place of the one at
    `path`, and where the block fails it is gone.

    Its name can't be foreseen, and a link at `path` is replaced, not followed. header, what: how
    the first line of an earlier one begins, and what it is. Raises StandageError where anything
    else is there.
    """
    if path.exists() and not is_earlier(path, header):
        found = "a folder" if path.is_dir() else "a pipe or a device"
        if path.is_file():
            found = f"something else than {what}; it is left as it is"
        expected = f"{what}, or nothing yet"
        raise StandageError.at(path, found, expected, "Choose another place.")
    half = path.with_name(f".standage-{secrets.token_hex(8)}")
    os.close(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
    try:
        yield half
        half.replace(path)
    finally:
        half.unlink(missing_ok=True)


def is_earlier(path: Path, header: str) -> bool:
    """Whether a file is there whose first line begins with `header`, quoted by a spreadsheet or
    not.
    """
    if not path.is_file():
        return False
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        line = file.readline(4 * len(header) + 4)
    return line.replace('"', "").startswith(header)
