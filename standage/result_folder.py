"""A folder of results that appears whole or not at all.

Everything is built in a folder beside the one wanted and renamed at the end. An earlier result is replaced whole; anything else that
stands in its place is left alone.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from standage.errors import StandageError

MARK = "provenance.json"  # the file that tells a result from any other folder
MADE_BY = "standage result"
A_PLACE = "a folder that is empty, an earlier result, or not there yet"
DISREGARDED = ("Thumbs.db", "desktop.ini")  # what file managers leave behind; so are names that begin with a dot


def check_result_folder(folder: str | Path) -> None:
    """Raises StandageError where `folder` can't become a result: call it before hours of sampling, not after."""
    folder = Path(folder)
    if not folder.exists():
        if folder.parent.exists() and not folder.parent.is_dir():
            raise StandageError.at(folder, f"a file at {folder.parent}", "a folder", "Choose another folder; nothing was written.")
        return
    if not folder.is_dir():
        raise StandageError.at(folder, "a file", A_PLACE, "Choose another folder; nothing was written.")
    present = _files_in(folder)
    if not present:
        return
    ours = _files_of_result(folder)
    if ours is None:
        raise StandageError.at(folder, "files, and it is not an earlier result", A_PLACE, "Choose another folder; nothing was written.")
    others = sorted(present - ours)
    if others:
        named = ", ".join(others[:3]) + (f" and {len(others) - 3} more" if len(others) > 3 else "")
        found = f"an earlier result and {named}, which would be lost"
        raise StandageError.at(folder, found, "an earlier result and nothing else", "Move them, or choose another folder.")


def build_result_folder(folder: str | Path, fill: Callable[[Path], dict]) -> Path:
    """Fills a new folder and puts it in the place of `folder`.

    Parameters
    ----------
    folder : where the result is wanted; missing, empty or an earlier result.
    fill : writes into the folder it is given and returns the provenance; the list of files is added to it here.

    Raises
    ------
    StandageError where `folder` may not be replaced. Whatever `fill` raises goes through, and `folder` stays as it was.
    """
    folder = Path(folder).absolute()
    check_result_folder(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        workshop = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise StandageError.at(folder, f"a place that can't be written ({error.strerror})", A_PLACE, "Choose another folder.") from error
    try:
        building = workshop / "new"
        building.mkdir()  # unlike the workshop, with the permissions people expect
        provenance = fill(building)
        files = sorted(_files_in(building) | {MARK})
        text = json.dumps({"made_by": MADE_BY, **provenance, "files": files}, indent=2, ensure_ascii=False)
        (building / MARK).write_text(text + "\n", encoding="utf-8")
        check_result_folder(folder)  # somebody may have put files there while this was running
        _put_in_place(building, folder, workshop / "old")
    finally:
        shutil.rmtree(workshop, ignore_errors=True)
    return folder


def _put_in_place(building: Path, folder: Path, aside: Path) -> None:
    """Two renames; where the second fails the earlier result goes back."""
    if not folder.exists():
        building.rename(folder)
        return
    folder.rename(aside)
    try:
        building.rename(folder)
    except OSError:
        aside.rename(folder)
        raise


def _files_in(folder: Path) -> set[str]:
    """Files by path below the folder, but for those of file managers."""
    files = (path.relative_to(folder) for path in folder.rglob("*") if not path.is_dir())
    return {path.as_posix() for path in files if path.name not in DISREGARDED and not path.name.startswith(".")}


def _files_of_result(folder: Path) -> set[str] | None:
    """The files an earlier result says it consists of; None where the folder is no result."""
    try:
        provenance = json.loads((folder / MARK).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(provenance, dict) or provenance.get("made_by") != MADE_BY:
        return None
    files = provenance.get("files", [])
    return {file for file in files if isinstance(file, str)} if isinstance(files, list) else set()
