"""Functions and files of the package can be read at once, but for those named with a reason."""

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
    ("survey/rings/decadal_format.py", "_parts"): "one pass over the lines of a series",
    ("survey/files/layout.py", "lay_out"): "one pass over the rows of a sheet",
    ("survey/reading.py", "read_survey"): "the steps of a reading, one after another",
}
"""By module and name, with the reason."""


LONGEST_FILE = 350
"""Lines of a module: one idea (common practice, no source)."""

LONGER_FILES = {
    "commands/cli.py": "the commands, each parsed and called",
    "evidence/centre.py": "every kind of centre, on the way to the same three numbers",
    "evidence/core.py": "one core, all evidence together",
    "evidence/tree_blocks.py": "one arithmetic, step after step",
    "findings/claims.py": "the claims of a unit, kind after kind",
    "findings/attribution.py": "a third is the columns of its table",
    "findings/findings.py": "every table of a result, by name",
    "findings/pulses.py": "a fifth is the columns of its table",
    "findings/stand_summary.py": "half is the columns of its table",
    "prose/comparison.py": "one table in sentences",
    "simulate/field.py": "one crew, whose steps share the seed",
    "stand/dating.py": "one tree's years, node by node",
    "stand/kernel/stages.py": "forward and back beside each other",
    "stand/kernel/trees.py": "forward and back beside each other",
    "stand/unit_statement.py": "one unit, section by section of the page",
    "survey/cells/cell_values.py": "every way to write a cell, and what to advise",
    "survey/cells/cells.py": "one pass from cells to columns",
    "survey/checks/core_plausibility.py": "a check for each way a core is doubted",
    "survey/rings/decadal_format.py": "one format, however it is typed",
    "survey/cells/headings.py": "every way to know a heading",
    "survey/rings/ring_checks.py": "one table against the others",
    "survey/reading.py": "from files to a survey, step after step",
    "survey/schema.py": "the list of all columns",
    "survey/files/stacked_sheets.py": "sheets of one kind, question after question",
    "survey/checks/table_checks.py": "a check a table",
    "survey/sheets/wide_counts.py": "every layout of counts in columns",
}
"""By module, with the reason."""


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


def test_modules_are_no_longer_than_the_limit_but_for_those_with_a_reason():
    package = Path(standage.__file__).parent
    longer = {
        file.relative_to(package).as_posix()
        for file in package.rglob("*.py")
        if len(file.read_text(encoding="utf-8").splitlines()) > LONGEST_FILE
    }
    assert longer == set(LONGER_FILES)
