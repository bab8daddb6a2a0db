"""Functions of the package can be read at once, but for those named with a reason."""

from __future__ import annotations

import ast
from pathlib import Path

import standage

LONGEST = 80
"""Lines of a function, signature and docstring included (common practice, no source)."""

LONGER = {
    ("commands/run.py", "run_survey"): "the steps of a run, one after another",
    ("simulate/life.py", "draw_life_histories"): "one draw after another: the order is the seed's",
    ("simulate/surveys.py", "small_survey"): "one history of many stated numbers",
    ("survey/decadal_format.py", "_parts"): "one pass over the lines of a series",
    ("survey/layout.py", "lay_out"): "one pass over the rows of a sheet",
    ("survey/reading.py", "read_survey"): "the steps of a reading, one after another",
}
"""By module and name, with the reason."""


def lengths() -> dict[tuple[str, str], int]:
    """Lines of every function of the package."""
    package = Path(standage.__file__).parent
    return {
        (file.relative_to(package).as_posix(), node.name): node.end_lineno - node.lineno + 1
        for file in package.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }


def test_functions_are_no_longer_than_the_limit_but_for_those_with_a_reason():
    assert {name for name, lines in lengths().items() if lines > LONGEST} == set(LONGER)
