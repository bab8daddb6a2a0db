"""Compiled code is kept under a hash of all that it is made of."""

from __future__ import annotations

import ast

import pytest

from standage import compiled

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


def fresh_hash(module):
    compiled._imported.cache_clear()
    return compiled.sources_hash.__wrapped__(module)
