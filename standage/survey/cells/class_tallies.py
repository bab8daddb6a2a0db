"""Tallies by classes of diameter in place of a list of stems, which no age can be read from."""

from __future__ import annotations

import re

from standage.errors import Problem

CLASSES = re.compile(r"\b(dbh|diam\w*|d|size)\W*class\b|^class$", re.IGNORECASE)
"""Headings of a tally by classes of diameter (common practice, no source)."""


def class_table(file: str, row: int | None, heading: str) -> Problem:
    """A tally by classes in place of a list of stems."""
    return Problem(
        file,
        row,
        heading,
        f"'{heading}', a tally of stems by classes",
        "a row for each stem, with its own diameter",
        "List the stems one by one: ages are read from single diameters, and a class has none.",
    )
