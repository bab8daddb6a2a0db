"""Compiled code is kept under a hash of all that it is made of."""

from __future__ import annotations

import ast
import contextlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from standage import compiled
from standage.notices import Notice

SOURCES = sorted(compiled.PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(compiled.PACKAGE)))
def test_imports_are_those_that_python_reads(path):
    """Against Python's own parser: the modules of the package that a file imports."""
    expected = set()
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            expected |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            expected |= {node.module, *(f"{node.module}.{name.name}" for name in node.names)}
    assert modules(expected) == modules(compiled._imported(path))


def modules(names):
    return {name for name in names if compiled._file(name) is not None}


def test_sources_reach_through_modules_to_the_constants_that_loops_read():
    found = {
        str(path.relative_to(compiled.PACKAGE))
        for path in compiled.sources_of("standage.stand.dating")
    }
    assert {"stand/dating.py", "stand/packing.py", "stand/parameters.py"} <= found
    assert "stand/fit.py" not in found
    assert compiled.sources_of("numpy.linalg") == set()


@pytest.mark.parametrize("edited", ["loops", "limits", "other"])
def test_only_an_edit_of_what_a_module_is_made_of_moves_its_folder(edited, tmp_path, monkeypatch):
    package = tmp_path / "standage"
    package.mkdir()
    (package / "loops.py").write_text("from standage.limits import (\n    LIMIT,\n)\n")
    (package / "limits.py").write_text("LIMIT = 1\n")
    (package / "other.py").write_text("OTHER = 1\n")
    monkeypatch.setattr(compiled, "PACKAGE", package)
    before = fresh_hash("standage.loops")
    (package / f"{edited}.py").write_text("LIMIT = 2\n")
    assert (fresh_hash("standage.loops") != before) == (edited != "other")


LOOPS = """
from standage import compiled

@compiled.compiled
def doubled(number):
    return 2 * number

print(doubled(2))
print(*compiled.cache_folder("loops").rglob("*.nbc"))
import arviz
"""


DRAWN = """
import numpy as np
from standage.growth import release_model

logs = np.random.default_rng(1).normal(0, 0.3, 60)
found = release_model.changes_of_trees([logs], np.random.default_rng(2), draws=40, threads=1)[0]
print(found.change.tobytes().hex())
print(release_model.chain.stats.cache_hits)
"""


@pytest.mark.slow
def test_the_run_that_finds_no_code_draws_what_the_next_draws(tmp_path):
    """Bit by bit: the code of both was loaded, none was made in the process that runs it."""
    environment = os.environ | {
        "NUMBA_CACHE_DIR": str(tmp_path),
        "PYTHONPATH": str(compiled.PACKAGE.parent),
    }
    first, second = (
        subprocess.run(
            [sys.executable, "-c", DRAWN],
            env=environment,
            capture_output=True,
            text=True,
            timeout=300,
            check=True,
        ).stdout
        for _ in range(2)
    )
    assert first == second and first.split()[-1] != "{}"


@pytest.mark.slow
@pytest.mark.parametrize("where", [{"XDG_CACHE_HOME": "/proc/a"}, {"HOME": "/proc/a"}, {}])
def test_loops_run_where_their_code_cannot_be_kept(where, tmp_path):
    """It is kept in a folder that is gone afterwards, with a notice, and so is what other libraries
    write when they are loaded.
    """
    unset = ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME", "MPLCONFIGDIR")
    environment = {name: value for name, value in os.environ.items() if name not in unset}
    environment |= where or {"XDG_CACHE_HOME": str(tmp_path / "cache")}
    environment["PYTHONPATH"] = str(compiled.PACKAGE.parent)
    (tmp_path / "loops.py").write_text(LOOPS)
    done = subprocess.run(
        [sys.executable, "-B", "-c", "import loops"],
        env=environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    doubled, kept = done.stdout.splitlines()
    assert doubled == "4" and kept
    assert ("Compiled code can't be kept in /proc/a" in done.stderr) is bool(where)
    assert Path(kept).exists() is not bool(where)
    assert {path.name for path in tmp_path.iterdir()} <= {"cache", "loops.py"}


@pytest.mark.parametrize(("room", "home", "why"), [(10**20, "", "No space"), (0, "~", "no home")])
def test_nothing_is_kept_on_a_full_disk_or_without_a_home(room, home, why, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(compiled, "ROOM_FOR_CODE", room)
    monkeypatch.setenv("XDG_CACHE_HOME", home or str(tmp_path / "cache"))
    monkeypatch.setenv("MPLCONFIGDIR", "")
    with pytest.warns(Notice, match=why):
        folder = compiled.user_folder.__wrapped__()
    assert folder.is_dir() and os.environ["XDG_CACHE_HOME"] == str(folder)
    assert not (tmp_path / "~").exists()


@pytest.mark.parametrize("kept", [True, False])
def test_libraries_find_a_home_where_the_user_has_none(kept, tmp_path, monkeypatch):
    pwd = pytest.importorskip("pwd", reason="this system knows its users otherwise")

    def unknown(_):
        raise KeyError

    monkeypatch.setattr(pwd, "getpwuid", unknown)
    monkeypatch.delenv("HOME", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path) if kept else "")
    monkeypatch.setenv("MPLCONFIGDIR", "")
    with contextlib.nullcontext() if kept else pytest.warns(Notice, match="no home"):
        folder = compiled.user_folder.__wrapped__()
    assert Path.home() == folder and folder.is_dir() and (folder == tmp_path) is kept


def fresh_hash(module):
    compiled._imported.cache_clear()
    return compiled.sources_hash.__wrapped__(module)
