"""The staging folder beside a result, in which the result is made: one run at a time, and whole
before it takes the place of an earlier one.

`.NAME.standage` stands beside `NAME` while a run works on it. It holds `new`, what is being built;
`old`, between two renames, the earlier result; `draws.npz`, the draws of a run that hasn't written
its result; `owner.json`, which tells that standage made the folder and who works in it; and `lock`.
The lock is the system's: it ends with the process that holds it, however that ends. Whoever works
there next clears away what was left.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import signal
import socket
import stat
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from os import PathLike
from pathlib import Path

from filelock import FileLock, Timeout

from standage.errors import PlaceError, StandageError
from standage.replaced_file import missing_folders, remove_empty
from standage.results.records import PROVENANCE_FILE, listed_files, read_record
from standage.stops import stops_held_back

NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
DISK_FAULTS = NO_ROOM | {errno.EROFS, errno.EIO}
NO_LOCKS = {errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOLCK}
TRIES = 100
"""To lock a folder that others lock and remove."""

OWNER, LOCK = "owner.json", "lock"

LISTED = "listed.json"
"""Provenance of an earlier result that is being removed: what in it is standage's."""

FILE_MANAGERS = {".DS_Store", ".directory", "Thumbs.db", "desktop.ini"}
"""Files that file managers leave behind in any folder (common practice, no source)."""


@dataclass(frozen=True)
class StagingFolder:
    """Where a result is made. `folder`: where it is wanted, links followed; `path`: the staging
    folder.
    """

    folder: Path
    path: Path

    @property
    def new(self) -> Path:
        return self.path / "new"

    @property
    def old(self) -> Path:
        return self.path / "old"

    @property
    def draws(self) -> Path:
        return self.path / "draws.npz"

    @property
    def owner(self) -> Path:
        return self.path / OWNER

    @property
    def lock(self) -> Path:
        return self.path / LOCK

    def clear(self) -> None:
        """Ends what a run that was killed had begun: the folder becomes a whole result again, and
        nothing half-built stays.
        """
        # killed between two renames, so the new result is whole
        if not self.folder.exists() and self.old.exists():
            for whole in (self.new, self.old):
                if (whole / PROVENANCE_FILE).is_file():
                    whole.rename(self.folder)
                    break
        shutil.rmtree(self.new, ignore_errors=True)
        for half in self.path.glob(f"{self.draws.name}.*"):
            half.unlink()
        if self.old.exists():
            remove_result(self.old, rest=self.folder)

    def put_in_place(self) -> None:
        """The new result takes the place of the earlier one."""
        _to_disk(self.new)
        with _uninterrupted():
            if self.folder.exists():
                self.folder.rename(self.old)
            try:
                self.new.rename(self.folder)
            except BaseException:
                if self.old.exists():
                    self._put_back()
                raise
            _sync(self.folder.parent)
            with contextlib.suppress(OSError):  # the next run clears what can't be cleared now
                self.clear()

    def _put_back(self) -> None:
        """The earlier result in its place again. Raises PlaceError where the system won't."""
        try:
            self.old.rename(self.folder)
        except OSError as error:
            raise PlaceError(
                f"{self.folder} can't be written any more ({error.strerror or error}). The earlier"
                f" result is whole, as {self.old}: the next command that writes"
                " to this folder puts it back, or rename it by hand."
            ) from error

    def discard_draws(self) -> None:
        self.draws.unlink(missing_ok=True)


def staging_folder(folder: str | PathLike[str]) -> StagingFolder:
    """The staging folder of a result, there or not."""
    folder = Path(os.path.realpath(folder))
    return StagingFolder(folder, folder.parent / f".{folder.name}.standage")


@contextlib.contextmanager
def locked_staging(folder: str | PathLike[str]) -> Iterator[StagingFolder]:
    """A staging folder for the result wanted at `folder`, cleared, and nobody else's until the
    block ends.

    Raises StandageError where another run works on the folder, it can't be written, or something
    that standage didn't make stands in the place of the staging folder. What is left at the end is
    kept draws, if any.
    """
    staging = staging_folder(folder)
    missing = missing_folders(staging.folder.parent)
    lock = None
    try:
        try:
            with stops_held_back():  # one that came between would leave the lock behind
                lock = _locked(staging)
        except OSError as error:
            raise cannot_write(folder, error) from error
        staging.clear()
        yield staging
    finally:
        if lock is not None:
            _unlock(lock, staging)
        remove_empty([staging.path, *missing])


def _unlock(lock: FileLock, staging: StagingFolder) -> None:
    with contextlib.suppress(OSError):  # the next run clears what can't be cleared now
        staging.clear()
    # while the lock is held, so that nobody else's is removed; Windows removes it on release
    with contextlib.suppress(OSError):
        if {path.name for path in staging.path.iterdir()} <= {OWNER, LOCK}:
            staging.owner.unlink(missing_ok=True)
        staging.lock.unlink()
    lock.release()


def remove_result(folder: Path, *, rest: Path) -> None:
    """Deletes the files of a result that its provenance lists. Whatever else is in the folder is
    somebody's, and moves into the folder `rest`; links are moved, never followed.
    """
    listed = folder / LISTED
    if (folder / PROVENANCE_FILE).is_file():
        # no result any more, and still a list: half of a result must never be taken for a whole one
        (folder / PROVENANCE_FILE).replace(listed)
    ours = listed_files(listed)
    # what can't be removed now is left to the next run
    with contextlib.suppress(OSError):
        for path in files_below(folder):
            name = path.relative_to(folder).as_posix()
            if name in ours:
                path.unlink()
            elif name != LISTED:
                _move(path, rest / name)
        listed.unlink(missing_ok=True)
        for here, _, _ in os.walk(folder, topdown=False):
            os.rmdir(here)


def files_below(folder: Path) -> list[Path]:
    """Everything below a folder that is no folder; links to folders aren't followed."""
    found = []
    for here, folders, files in os.walk(folder):
        links = [name for name in folders if (Path(here) / name).is_symlink()]
        found += [Path(here) / name for name in [*links, *files]]
    return found


def cannot_write(folder: str | PathLike[str], error: OSError) -> PlaceError:
    """What the system said, with what to do."""
    if error.errno in NO_ROOM:
        return PlaceError(
            f"{folder} can't be written: there is no room left for it on the disk. Make room, or"
            " choose another folder."
        )
    found = f"a place that can't be written ({error.strerror or error})"
    return PlaceError.at(
        folder,
        found,
        "a folder that is empty, an earlier result, or not there yet",
        "Choose another folder.",
    )


def _locked(staging: StagingFolder) -> FileLock:
    """The lock of a staging folder, made where it is missing."""
    lock = FileLock(staging.lock)
    for _ in range(TRIES):
        if not os.path.lexists(staging.path):
            staging.path.mkdir(parents=True, exist_ok=True)
        try:
            _check_made_here(staging)
            lock.acquire(blocking=False)
        except FileNotFoundError:
            continue  # whoever was there before has just removed the folder
        except Timeout:
            raise StandageError(
                f"Another run of standage{_owner(staging)} is writing to {staging.folder}. Wait"
                " until it is done, or choose another folder."
            ) from None
        except OSError as error:
            if error.errno not in NO_LOCKS:
                raise
            # a file system without locks: better no lock than no result
        if lock.is_locked and not staging.lock.exists():
            lock.release()  # locked what its holder has just removed
            continue
        # on a full disk there is no room for it, but the lock holds
        with contextlib.suppress(OSError):
            since = datetime.now().astimezone().isoformat(timespec="seconds")
            owner = {"process": os.getpid(), "machine": socket.gethostname(), "since": since}
            staging.owner.write_text(json.dumps(owner), encoding="utf-8")
        return lock
    raise StandageError(
        f"{staging.path} comes and goes: other runs keep starting there. Try again, or choose"
        " another folder."
    )


def _check_made_here(staging: StagingFolder) -> None:
    """Raises StandageError where something that standage didn't make has the staging folder's
    name.
    """
    ours = False
    if stat.S_ISDIR(staging.path.lstat().st_mode):
        entries = list(staging.path.iterdir())
        names = {path.name for path in entries}
        ours = names <= {LOCK} or OWNER in names
        ours &= not any(path.is_symlink() for path in entries)
    if not ours:
        raise StandageError.at(
            staging.path,
            "something that standage didn't make, under the name of the folder it works in",
            "nothing, or what an earlier run left",
            "Move it, or choose another folder for the results.",
        )


def _owner(staging: StagingFolder) -> str:
    who = read_record(staging.owner) or {}
    if not {"process", "machine", "since"} <= set(who):
        return ""
    return f" (process {who['process']} on {who['machine']}, since {who['since']})"


def _move(path: Path, target: Path) -> None:
    """Moves a file to where nothing is yet: `target`, or a name like it."""
    target.parent.mkdir(parents=True, exist_ok=True)
    while target.is_symlink() or target.exists():
        target = target.with_name(f"{target.name}.kept")
    path.rename(target)


def _to_disk(folder: Path) -> None:
    """Everything below a folder is on the disk, not only on its way there, before it takes an
    earlier result's place.
    """
    for path in [*folder.rglob("*"), folder]:
        _sync(path)


def _sync(path: Path) -> None:
    if path.is_dir() and os.name == "nt":
        return  # folders can't be opened there
    opened = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(opened)
    except OSError as error:
        if error.errno in DISK_FAULTS:  # others: file systems that can't be asked
            raise
    finally:
        os.close(opened)


@contextlib.contextmanager
def _uninterrupted() -> Iterator[None]:
    """A moment in which nobody's wish to stop is heard, so that what is said afterwards is true."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    wishes = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(wish, signal.SIG_IGN) for wish in wishes]
    try:
        yield
    finally:
        for wish, handler in zip(wishes, before, strict=True):
            signal.signal(wish, handler)
