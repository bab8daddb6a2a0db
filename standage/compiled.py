"""How loops are compiled, and where compiled code is kept: outside the project, in a folder named
after a hash of the sources.

Numba itself watches only the file that a function stands in. What ends up in the function's code is
also what it calls and the constants it reads, from whatever module they were imported; so the hash
is over that module and all of the package that it imports, at any remove.
"""

from __future__ import annotations

import atexit
import errno
import hashlib
import os
import pickle
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

from standage.notices import Notice

PACKAGE = Path(__file__).parent
IMPORT = re.compile(
    r"^\s*(?:from|import) (standage[\w.]*)(?: import (\([^)]*\)|[^\n]*))?", re.MULTILINE
)
ROOM_FOR_CODE = 50_000_000
"""Bytes left on a disk below which nothing is kept on it (assumption: five times all loops)."""

# what loops take and fill
Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]
# ends with the process that started it, or after a minute without work; what libraries print is
# no answer
MAKER = """
import importlib, os, pickle, signal, sys
import numba
answers = os.fdopen(os.dup(1), "w")
os.dup2(2, 1)
wake = getattr(signal, "alarm", lambda seconds: None)
while True:
    wake(60)
    try:
        module, name, types = pickle.load(sys.stdin.buffer)
    except EOFError:
        break
    wake(0)
    getattr(importlib.import_module(module), name).compile(types)
    print("made", file=answers, flush=True)
"""
_MAKERS: dict[int, Any] = {}
_ONE_AT_A_TIME = threading.Lock()
ONLY_FROM_LOOPS = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
LoopsT = TypeVar("LoopsT", bound=Callable[..., Any])


def compiled(loops: LoopsT) -> LoopsT:
    """Decorator: the function, compiled when it is first called with arguments of some types.

    A division by zero far from the mode gives an infinity that the sampler turns down, not an
    exception in the middle of a chain. Sums may be reordered so that loops run in vector registers;
    infinities and not-a-numbers keep their meaning.

    Code is made by a process of its own and then loaded: what the process that made it runs is put
    together otherwise, and differs in last digits, so that a first run would not equal the next.
    """
    made: Any = _compiled(loops)
    if loops.__module__.startswith(f"{PACKAGE.name}."):
        made._compile_for_args = _FirstMadeApart(made)  # what numba's dispatcher calls
    return cast(LoopsT, made)


def compiled_part(loops: LoopsT) -> LoopsT:
    """Decorator: as `compiled`, of a function that only compiled functions call.

    The way in from Python, which takes longer to compile than most loops, is left out.
    """
    return _compiled(loops, **ONLY_FROM_LOOPS)


def compiled_loop(loops: LoopsT) -> LoopsT:
    """Decorator: as `compiled_part`, of a function that makes no array and returns none, but fills
    those it is given.

    Its arrays live as long as its caller, so the counting of references, which costs more than a
    short loop, is left out, too.
    """
    return _compiled(loops, **ONLY_FROM_LOOPS, _nrt=False)


class _FirstMadeApart:
    """Compilation by a dispatcher, after a process of its own has filled the cache."""

    def __init__(self, made: Any) -> None:
        self.made, self.usual = made, made._compile_for_args

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        name = self.made.py_func.__qualname__
        kept = Path(self.made.stats.cache_path)
        if not any(kept.glob(f"*.{name}-*.nbi")):
            types = tuple(self.made.typeof_pyval(argument) for argument in arguments)
            _make_apart(self.made.py_func.__module__, name, types)
        return self.usual(*arguments, **named)


def _make_apart(module: str, name: str, types: tuple[Any, ...]) -> None:
    """Fills the cache with the code of a function for arguments of these types. Where that fails,
    the caller's process makes the code itself, by the same means.
    """
    wanted = pickle.dumps((module, name, types))
    with _ONE_AT_A_TIME:
        for _ in range(2):  # the first may have ended, for want of work
            made = False
            try:
                maker = _maker()
                maker.stdin.write(wanted)
                made = bool(maker.stdout.readline())
            except OSError:
                pass
            finally:
                if not made:  # stopped meanwhile, too: an answer that comes late is to nothing
                    _end_maker()
            if made:
                return


def _maker() -> Any:
    """The process that makes code for this one, as long as this one lives: to load the compiler
    takes longer than most functions take to compile.
    """
    if os.getpid() not in _MAKERS:
        _MAKERS[os.getpid()] = subprocess.Popen(
            [sys.executable, "-c", MAKER],
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
        )
        atexit.register(_end_maker)
    return _MAKERS[os.getpid()]


def _end_maker() -> None:
    if maker := _MAKERS.pop(os.getpid(), None):
        with maker:
            maker.kill()


def _compiled(loops: LoopsT, **without: Any) -> LoopsT:
    elsewhere = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(cache_folder(loops.__module__))
    try:
        return numba.njit(
            cache=True,
            nogil=True,
            error_model="numpy",
            fastmath={"reassoc", "contract", "arcp", "nsz"},
            **without,
        )(loops)
    finally:
        numba.config.CACHE_DIR = elsewhere


@cache
def cache_folder(module: str) -> Path:
    """Where the compiled functions of a module are kept: in `NUMBA_CACHE_DIR`, else in the user's
    folder for caches.
    """
    # asked for in any case: it also sees to what other libraries keep there
    root = user_folder() / "standage"
    return Path(os.environ.get("NUMBA_CACHE_DIR") or root) / f"compiled-{sources_hash(module)}"


@cache
def user_folder() -> Path:
    """The user's folder for caches. Where nothing can be kept there, a folder that ends with the
    process, for what libraries keep as well; a notice says so. It becomes the home of a user who
    has none.
    """
    folder = Path(os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache"))
    try:
        _check_room(folder)
    except OSError as error:
        folder = _passing_folder(f"{folder} ({error.strerror or error})")
    if os.path.expanduser("~") == "~":
        # of a user without a home; libraries look into it when they are loaded, and fail
        os.environ["HOME"] = str(folder)
    return folder


def _check_room(folder: Path) -> None:
    """Raises OSError where a folder isn't there and can't be made, or can't be written."""
    if folder.parts[:1] == ("~",):
        raise OSError(errno.ENOENT, "there is no home folder")
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryFile(dir=folder) as file:
        file.write(bytes(4096))
    if shutil.disk_usage(folder).free < ROOM_FOR_CODE:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _passing_folder(lacking: str) -> Path:
    folder = tempfile.mkdtemp(prefix="standage-cache-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    os.environ["XDG_CACHE_HOME"] = os.environ["MPLCONFIGDIR"] = folder
    warnings.warn(
        f"Compiled code can't be kept in {lacking}, so that this takes about a minute longer each"
        " time. XDG_CACHE_HOME names another folder for it.",
        Notice,
        stacklevel=2,
    )
    return Path(folder)


@cache
def sources_hash(module: str) -> str:
    """Hash of the files of a module, of all that it imports from the package, and of this one: 16
    hexadecimal digits.
    """
    sources = sorted(sources_of(module) | sources_of(__name__))
    return hashlib.sha256(b"".join(source.read_bytes() for source in sources)).hexdigest()[:16]


def sources_of(module: str) -> set[Path]:
    """Files of the package that a module is made of: its own, and what it imports at any remove."""
    found: set[Path] = set()
    waiting = [_file(module)]
    while waiting:
        path = waiting.pop()
        if path is not None and path not in found:
            found.add(path)
            waiting += [_file(name) for name in _imported(path)]
    return found


def _file(module: str) -> Path | None:
    """File of a module of the package; None for any other."""
    package, *names = module.split(".")
    if package != PACKAGE.name:
        return None
    path = PACKAGE.joinpath(*names)
    return next((p for p in (path.with_suffix(".py"), path / "__init__.py") if p.is_file()), None)


@cache
def _imported(path: Path) -> set[str]:
    """Modules of the package that a file imports, and names that may be modules of its folders."""
    found: set[str] = set()
    for module, names in IMPORT.findall(path.read_text(encoding="utf-8")):
        found |= {module, *(f"{module}.{name}" for name in re.findall(r"\w+", names))}
    return found
