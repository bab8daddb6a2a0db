"""A file that is written beside its place, and takes it whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import tempfile
import warnings
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from standage.errors import PlaceError, StandageError
from standage.notices import Notice
from standage.stops import stops_held_back

PASSING = ".standage-"
"""How names of files and folders begin that are gone at the end."""

EARLIER = "earlier"
"""In a passing folder, files whose place is taken by others."""


@contextmanager
def replaced(path: Path, *, header: str, what: str) -> Iterator[Path]:
    """As `whole_file`, where nothing is at `path`, or an earlier one.

    header, what: how the first line of an earlier one begins, and what it is. Raises StandageError
    where anything else is there.
    """
    refuse_others(path, header=header, what=what)
    with whole_file(path) as half:
        yield half


def refuse_others(path: Path, *, header: str, what: str) -> None:
    """Raises StandageError where anything is at `path` but an earlier one."""
    if path.exists() and not is_earlier(path, header):
        found = "a folder" if path.is_dir() else "a pipe or a device"
        if path.is_file():
            found = f"something else than {what}; it is left as it is"
        expected = f"{what}, or nothing yet"
        raise StandageError.at(path, found, expected, "Choose another place.")


@contextmanager
def whole_file(path: Path, *, new: bool = False) -> Iterator[Path]:
    """The path of a new, empty file; at the end of the block it takes the place of whatever is at
    `path`, and where the block fails it is gone.

    Its name can't be foreseen, and a link at `path` is replaced, not followed. new: raises
    FileExistsError where anything is at `path`, a link to nothing too.
    """
    half = path.with_name(f"{PASSING}{secrets.token_hex(8)}")
    with _faults_of(path):
        os.close(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
        try:
            yield half
            if new and os.path.lexists(path):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
            half.replace(path)
        except BaseException:
            with suppress(OSError):  # of a disk that is gone nothing can be removed
                half.unlink()
            raise


@contextmanager
def passing_folder(beside: str | Path | None = None) -> Iterator[Path]:
    """A folder whose name can't be foreseen, gone at the end of the block; where it can't be
    removed it stays, and that is nobody's fault. beside: the folder in which it is, by default the
    system's for such.
    """
    beside = Path(tempfile.gettempdir() if beside is None else beside)
    for aside in {file.parent for file in beside.glob(f"{PASSING}*/{EARLIER}/*")}:
        how = "left by a command that was stopped: move back what you want, and delete the folder"
        warnings.warn(Notice(f"{aside} holds earlier files of {beside}, {how}."), stacklevel=3)
    with _faults_of(beside):
        path = Path(tempfile.mkdtemp(prefix=PASSING, dir=beside))
        try:
            yield path
        finally:
            if not (path / EARLIER).exists():
                shutil.rmtree(path, ignore_errors=True)


@contextmanager
def _faults_of(path: Path) -> Iterator[None]:
    """A fault in the block is that of `path` where the system names no file, as when a disk is
    full, or one whose name means nothing to people.
    """
    try:
        yield
    except OSError as fault:
        named = Path(fault.filename).parts if isinstance(fault.filename, str) else ()
        if not named or any(part.startswith(PASSING) for part in named):
            fault.filename = str(path)
        raise


def move_all(workshop: Path, paths: Iterable[Path]) -> None:
    """Moves files of a passing folder, by their names, to `paths`, all or none.

    What was there goes first, so that a kill leaves some of them missing and never new ones beside
    earlier ones. Raises PlaceError where they can't be put back after a fault; they are then in the
    passing folder, which stays.
    """
    paths, earlier = list(paths), workshop / EARLIER
    try:
        with stops_held_back(), ExitStack() as undone:
            earlier.mkdir()
            undone.callback(earlier.rmdir)
            for path in paths:
                if os.path.lexists(path):
                    path.rename(earlier / path.name)
                    undone.callback((earlier / path.name).rename, path)
            for path in paths:
                (workshop / path.name).rename(path)
                undone.callback(path.unlink)
            undone.pop_all()
    except OSError as error:
        if earlier.exists() and any(earlier.iterdir()):
            raise PlaceError(
                f"{paths[0].parent} can't be written any more ({error.strerror or error}). Earlier"
                f" files are whole, in {earlier}: move them back by hand."
            ) from error
        raise
    shutil.rmtree(earlier, ignore_errors=True)


@contextmanager
def made_folder(folder: Path) -> Iterator[None]:
    """A folder that is there, made where it is missing; where the block fails, none that was made
    for it stays.
    """
    missing = missing_folders(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        remove_empty(missing)
        raise


def missing_folders(folder: Path) -> list[Path]:
    """Of a folder and those above it, the ones that aren't there, innermost first."""
    return [each for each in (folder, *folder.parents) if not each.exists()]


def remove_empty(folders: Iterable[Path]) -> None:
    """Removes folders, innermost first, up to the first that isn't empty."""
    for folder in folders:
        try:
            folder.rmdir()
        except FileNotFoundError:
            continue
        except OSError:
            return


def is_earlier(path: Path, header: str) -> bool:
    """Whether a file is there whose first line begins with `header`, quoted by a spreadsheet or
    not.
    """
    if not path.is_file():
        return False
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        line = file.readline(4 * len(header) + 4)
    return line.replace('"', "").startswith(header)
