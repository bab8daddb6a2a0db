"""The hidden folder beside a result in which the result is made: one run at a time, and old and new
change places in one step.

`.NAME.standage` stands beside `NAME` while a run works on it. It holds `new`, what is being built;
`old`, for a moment, where the file system can't exchange two folders in one step; `draws.npz`, the
draws of a run that hasn't written its result; and `lock`. The lock is the system's: it ends with
the process that holds it, however that ends, so a lock file without a process means nothing.
Whoever works there next clears away what was left.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import signal
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from standage.errors import PlaceError, StandageError

try:
    import fcntl
except ImportError:  # Windows: two runs into one folder are not kept apart there
    fcntl = None

MARK = "provenance.json"  # the file that tells a result from any other folder; written last
NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
DISK_FAULTS = NO_ROOM | {errno.EROFS, errno.EIO}
TRIES = 100  # to lock what others lock and remove
AT_CURRENT_FOLDER, EXCHANGE = -100, 2  # AT_FDCWD and RENAME_EXCHANGE of Linux


@dataclass(frozen=True)
class Workplace:
    """Where a result is made. `folder`: where it is wanted, links followed; `path`: the hidden
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

    def clear(self) -> None:
        """Ends what a run that was killed had begun: the folder becomes a whole result again, and
        nothing half-built stays.
        """
        # killed between two renames, so the new result is whole
        if not self.folder.exists() and self.old.exists():
            for whole in (self.new, self.old):
                if (whole / MARK).is_file():
                    whole.rename(self.folder)
                    break
        for left in (self.new, self.old):
            # first what makes it a result: half of one must never be taken for a whole one
            (left / MARK).unlink(missing_ok=True)
            shutil.rmtree(left, ignore_errors=True)

    def put_in_place(self) -> None:
        """The new result takes the place of the earlier one."""
        _to_disk(self.new)
        with _uninterrupted():
            if not self.folder.exists():
                self.new.rename(self.folder)
            elif not exchange(self.new, self.folder):
                self.folder.rename(self.old)
                try:
                    self.new.rename(self.folder)
                except BaseException:
                    self.old.rename(self.folder)
                    raise
            _sync(self.folder.parent)
            self.clear()

    def forget_draws(self) -> None:
        self.draws.unlink(missing_ok=True)


def workplace_of(folder: str | Path) -> Workplace:
    """The workplace of a result, there or not."""
    folder = Path(os.path.realpath(folder))
    return Workplace(folder, folder.parent / f".{folder.name}.standage")


@contextlib.contextmanager
def work_on(folder: str | Path) -> Iterator[Workplace]:
    """A workplace for the result wanted at `folder`, cleared, and nobody else's until the block
    ends.

    Raises StandageError where another run works on the folder, or it can't be written. What is left
    at the end is kept draws, if any.
    """
    place = workplace_of(folder)
    missing = [parent for parent in place.folder.parents if not parent.exists()]
    try:
        lock = _locked(place)
    except OSError as error:
        _remove_empty([place.path, *missing])
        raise cannot_write(folder, error) from error
    try:
        place.clear()
        yield place
    finally:
        place.clear()
        # while it is held, so that nobody else's is removed
        (place.path / "lock").unlink(missing_ok=True)
        _remove_empty([place.path, *missing])
        os.close(lock)


def cannot_write(folder: str | Path, error: OSError) -> PlaceError:
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


def exchange(one: Path, other: Path) -> bool:
    """Two folders change places in one step; False where the system or the file system has no such
    step.
    """
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    return (
        call(AT_CURRENT_FOLDER, os.fsencode(one), AT_CURRENT_FOLDER, os.fsencode(other), EXCHANGE)
        == 0
    )


def _locked(place: Workplace) -> int:
    """File descriptor of the lock, with who holds it written inside."""
    path = place.path / "lock"
    for _ in range(TRIES):
        try:
            place.path.mkdir(parents=True, exist_ok=True)
            lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        except FileNotFoundError:
            continue  # whoever was there before has just removed the folder
        try:
            if fcntl is not None:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.fstat(lock).st_ino != path.stat().st_ino:
                raise FileNotFoundError  # locked what its holder has just removed
        except FileNotFoundError:
            os.close(lock)
            continue
        except BlockingIOError:
            told = os.read(lock, 1000).decode("utf-8", "replace")
            os.close(lock)
            who = f" ({_holder(told)})" if _holder(told) else ""
            raise StandageError(
                f"Another run of standage{who} is writing to {place.folder}. Wait until it is"
                " done, or choose another folder."
            ) from None
        except OSError:
            pass  # a file system without locks: better no lock than no result
        # on a full disk there is no room for it, but the lock holds
        with contextlib.suppress(OSError):
            os.ftruncate(lock, 0)
            since = datetime.now().astimezone().isoformat(timespec="seconds")
            os.write(
                lock,
                json.dumps(
                    {"process": os.getpid(), "machine": socket.gethostname(), "since": since}
                ).encode(),
            )
        return lock
    raise StandageError(
        f"{place.path} comes and goes: other runs keep starting there. Try again, or choose"
        " another folder."
    )


def _holder(told: str) -> str:
    try:
        who = json.loads(told)
        return f"process {who['process']} on {who['machine']}, since {who['since']}"
    except (ValueError, KeyError, TypeError):
        return ""


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


def _remove_empty(folders: list[Path]) -> None:
    for folder in folders:
        try:
            folder.rmdir()
        except OSError:
            return


@contextlib.contextmanager
def _uninterrupted() -> Iterator[None]:
    """Ctrl-C waits for nothing that takes longer than a blink; here it is not heard, so that what
    is said afterwards is true.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
