"""A folder of results that appears whole or not at all, and how it is told from any other.

It is made in a staging folder beside it, see `standage.results.staging`. An earlier result is
replaced whole; a file that it doesn't list as its own is never removed.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable
from importlib.metadata import version
from os import PathLike
from pathlib import Path
from typing import Any

from standage.errors import StandageError
from standage.results.records import (
    PROVENANCE_FILE,
    is_as_written,
    listed_files,
    read_record,
    sealed,
)
from standage.results.staging import (
    FILE_MANAGERS,
    StagingFolder,
    cannot_write,
    files_below,
    locked_staging,
    staging_folder,
)

MADE_BY = "standage result"
EXPECTED = "a folder that is empty, an earlier result, or not there yet"
CHOOSE_ANOTHER = "Choose another folder; nothing was written."
FORMAT = 1
"""Of a folder of results; raised when files or columns that are read again change."""


def check_result_folder(folder: str | PathLike[str]) -> None:
    """Raises StandageError where `folder` can't become a result: call it before hours of sampling,
    not after.
    """
    folder = Path(folder)
    try:
        _check(folder)
    except OSError as error:  # a path too long, a folder that may not be read
        raise cannot_write(folder, error) from error


def _check(folder: Path) -> None:
    if not folder.exists():
        above = next(parent for parent in folder.absolute().parents if parent.exists())
        if not above.is_dir():
            raise StandageError.at(folder, f"a file at {above}", "a folder", CHOOSE_ANOTHER)
        return
    if not folder.is_dir():
        raise StandageError.at(folder, "a file", EXPECTED, CHOOSE_ANOTHER)
    if os.path.ismount(folder):
        found = "the place where a disk is mounted, which can't be replaced"
        raise StandageError.at(folder, found, EXPECTED, "Choose a folder inside it.")
    present = {
        path.relative_to(folder).as_posix()
        for path in files_below(folder)
        if path.name not in FILE_MANAGERS
    }
    if not present:
        os.scandir(folder).close()
        return
    if provenance_of(folder) is None:
        found = "files, and it is not an earlier result"
        raise StandageError.at(folder, found, EXPECTED, CHOOSE_ANOTHER)
    others = sorted(present - listed_files(folder / PROVENANCE_FILE))
    if others:
        named = ", ".join(others[:3]) + (f" and {len(others) - 3} more" if len(others) > 3 else "")
        raise StandageError.at(
            folder,
            f"an earlier result and {named}, which standage didn't write",
            "an earlier result and nothing else",
            "Move them, or choose another folder.",
        )


def build_result_folder(
    folder: str | PathLike[str],
    fill: Callable[[Path], dict[str, Any]],
    *,
    staging: StagingFolder | None = None,
) -> Path:
    """Fills a new folder and puts it in the place of `folder`.

    Parameters
    ----------
    folder : where the result is wanted; missing, empty or an earlier result.
    fill : writes into the folder it is given and returns the provenance; the list of files is added
        to it here.
    staging : the locked staging folder, where the caller holds it already.

    Raises
    ------
    StandageError where `folder` may not be replaced or can't be written. Whatever else `fill`
    raises goes through. `folder` stays as it was.
    """
    check_result_folder(folder)
    with contextlib.nullcontext(staging) if staging else locked_staging(folder) as staging:
        try:
            staging.clear()
            staging.new.mkdir()
            provenance = fill(staging.new)
            written = [
                path.relative_to(staging.new).as_posix() for path in files_below(staging.new)
            ]
            files = sorted({*written, PROVENANCE_FILE})
            record = sealed({"made_by": MADE_BY, "format": FORMAT, **provenance, "files": files})
            text = json.dumps(record, indent=2, ensure_ascii=False)
            (staging.new / PROVENANCE_FILE).write_text(text + "\n", encoding="utf-8")
            check_result_folder(folder)  # somebody may have put files there while this was running
            staging.put_in_place()
        except OSError as error:
            raise cannot_write(folder, error) from error
    return Path(folder).absolute()


def read_provenance(folder: str | PathLike[str]) -> dict[str, Any]:
    """What a result records of itself. Raises StandageError where the folder is no result, one of
    another format, or its record was edited.
    """
    folder = Path(folder)
    with contextlib.suppress(OSError):  # a path that can't be, which is no result either
        if not folder.exists() and staging_folder(folder).old.exists():
            # a run was killed between two renames; this puts the result in its place
            with locked_staging(folder):
                pass
    provenance = provenance_of(folder)
    if provenance is None:
        advice = "Give the folder that `standage run SURVEY --out FOLDER` wrote."
        found = "no folder of results" if folder.is_dir() else "no such folder"
        raise StandageError.at(folder, found, "a folder of results", advice)
    if provenance.get("format") != FORMAT:
        raise StandageError(
            f"{folder} was written by standage {provenance.get('version', 'of unknown version')} in"
            f" another format than that of standage {version('standage')}. Run the survey again, or"
            " read it with the version that wrote it."
        )
    if not is_as_written(provenance):
        raise StandageError.at(
            folder / PROVENANCE_FILE,
            "a record that was changed after standage wrote it, or one without its hash",
            "the record as it was written",
            "Undo the change, or run the survey again.",
        )
    return provenance


def provenance_of(folder: str | PathLike[str]) -> dict[str, Any] | None:
    """What a result records of itself, of whatever format; None where the folder is no result."""
    provenance = read_record(Path(folder) / PROVENANCE_FILE)
    return provenance if provenance and provenance.get("made_by") == MADE_BY else None
