"""A folder of results that appears whole or not at all, and how it is told from any other.

Everything is built in a hidden folder beside the one wanted, see `standage.results.folder_swap`. An
earlier result is replaced whole; anything else that stands in its place is left alone.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

from standage.errors import StandageError
from standage.results.folder_swap import MARK, Workplace, cannot_write, work_on, workplace_of

MADE_BY = "standage result"
A_PLACE = "a folder that is empty, an earlier result, or not there yet"
# of a folder of results; raised when files or columns that are read again change, so that other
# formats are refused by name
FORMAT = 1
# what file managers leave behind; so are names that begin with a dot
DISREGARDED = ("Thumbs.db", "desktop.ini")


def check_result_folder(folder: str | Path) -> None:
    """Raises StandageError where `folder` can't become a result: call it before hours of sampling,
    not after.
    """
    folder = Path(folder)
    if not folder.exists():
        above = next(parent for parent in folder.absolute().parents if parent.exists())
        if not above.is_dir():
            raise StandageError.at(
                folder,
                f"a file at {above}",
                "a folder",
                "Choose another folder; nothing was written.",
            )
        return
    if not folder.is_dir():
        raise StandageError.at(
            folder, "a file", A_PLACE, "Choose another folder; nothing was written."
        )
    if os.path.ismount(folder):
        raise StandageError.at(
            folder,
            "the place where a disk is mounted, which can't be replaced",
            A_PLACE,
            "Choose a folder inside it.",
        )
    present = _files_in(folder)
    if not present:
        return
    told = _told(folder)
    if told is None:
        raise StandageError.at(
            folder,
            "files, and it is not an earlier result",
            A_PLACE,
            "Choose another folder; nothing was written.",
        )
    if is_newer(told):
        raise StandageError(f"{other_format(folder, told)} Nothing was written.")
    others = sorted(present - set(told.get("files", ())))
    if others:
        named = ", ".join(others[:3]) + (f" and {len(others) - 3} more" if len(others) > 3 else "")
        found = f"an earlier result and {named}, which would be lost"
        raise StandageError.at(
            folder,
            found,
            "an earlier result and nothing else",
            "Move them, or choose another folder.",
        )


def build_result_folder(
    folder: str | Path, fill: Callable[[Path], dict], *, place: Workplace | None = None
) -> Path:
    """Fills a new folder and puts it in the place of `folder`.

    Parameters
    ----------
    folder : where the result is wanted; missing, empty or an earlier result.
    fill : writes into the folder it is given and returns the provenance; the list of files is added
        to it here.
    place : the folder's workplace, by whoever works on it already.

    Raises
    ------
    StandageError where `folder` may not be replaced or can't be written. Whatever else `fill`
    raises goes through. `folder` stays as it was.
    """
    check_result_folder(folder)
    with contextlib.nullcontext(place) if place else work_on(folder) as place:
        try:
            place.clear()
            place.new.mkdir()
            provenance = fill(place.new)
            files = sorted(_files_in(place.new) | {MARK})
            told = {"made_by": MADE_BY, "format": FORMAT, **provenance, "files": files}
            text = json.dumps(told, indent=2, ensure_ascii=False)
            (place.new / MARK).write_text(text + "\n", encoding="utf-8")
            check_result_folder(folder)  # somebody may have put files there while this was running
            place.put_in_place()
        except OSError as error:
            raise cannot_write(folder, error) from error
    return Path(folder).absolute()


def read_told(folder: str | Path) -> dict[str, Any]:
    """What a result says of itself. Raises StandageError where the folder is no result, or one of
    another format.
    """
    folder = Path(folder)
    if not folder.exists() and workplace_of(folder).old.exists():
        # a run was killed between two renames; this puts the result in its place
        with work_on(folder):
            pass
    told = _told(folder)
    if told is None:
        advice = "Give the folder that `standage run SURVEY --out FOLDER` wrote."
        raise StandageError.at(folder, "no folder of results", "a folder of results", advice)
    if told.get("format") != FORMAT:
        raise StandageError(other_format(folder, told))
    return told


def is_newer(told: dict[str, Any]) -> bool:
    """Whether what a result says of itself is of a format that only a later standage knows."""
    return isinstance(told.get("format"), int) and told["format"] > FORMAT


def other_format(folder: str | Path, told: dict[str, Any]) -> str:
    """Which format a result has that isn't that of this version, in words, with what to do."""
    by, here = (
        told.get("version", "of unknown version"),
        f"this is standage {version('standage')}, which reads format {FORMAT}",
    )
    if is_newer(told):
        return (
            f"{folder} was written by standage {by}, in the newer format {told['format']};"
            f" {here}. Update standage to read it."
        )
    held = f"format {told['format']}" if "format" in told else "a format without a number"
    return (
        f"{folder} was written by standage {by}, in {held}; {here}. Run the survey again, or use"
        " the older standage."
    )


def _files_in(folder: Path) -> set[str]:
    """Files by path below the folder, but for those of file managers."""
    files = (path.relative_to(folder) for path in folder.rglob("*") if not path.is_dir())
    return {
        path.as_posix()
        for path in files
        if path.name not in DISREGARDED and not path.name.startswith(".")
    }


def _told(folder: Path) -> dict[str, Any] | None:
    """What a result says of itself; None where the folder is no result."""
    try:
        provenance = json.loads((folder / MARK).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(provenance, dict) or provenance.get("made_by") != MADE_BY:
        return None
    files = provenance.get("files", [])
    known = [file for file in files if isinstance(file, str)] if isinstance(files, list) else []
    return provenance | {"files": known}
