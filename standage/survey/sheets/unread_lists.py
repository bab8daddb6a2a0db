"""Lists of stems or cores in files and sheets that are read as no table."""

from __future__ import annotations

import re
from collections.abc import Sequence

from standage.errors import Problem
from standage.survey.cells.headings import columns_named, has_two_meanings, without_unit
from standage.survey.schema import CORES, KNOWN_AGE_STEMS, TREES

RINGS = {"ring_count", "first_ring_year"}
FEWEST_LISTED = 3  # rows with a number that make a list of a sheet (assumption)
_OF_AGES = re.compile(r"(?<![a-z])(?:rings?|ages?|years?)(?![a-z])", re.IGNORECASE)
_NUMBER = re.compile(r"\s*\d+(?:\.\d+)?\s*")


def list_in_no_table(
    where: str, rows: Sequence[Sequence[str]], start: int, named: set[str]
) -> Problem | None:
    """A question on a list with a heading of trees, and one of their sizes or rings: its stems or
    cores would be lost.

    start : row of its headings. named : columns of trees and cores among them.
    """
    headings = [cell.strip() for cell in rows[start] if cell.strip()]
    unsure = [
        heading
        for heading in headings
        if any(has_two_meanings(table, without_unit(heading)[0]) for table in (TREES, CORES))
    ]
    numbers = [row for row in rows[start + 1 :] if any(_NUMBER.fullmatch(cell) for cell in row)]
    is_of_stems = "tree" in named and (unsure or named & {"dbh_cm", *RINGS})
    of_plants = "stem" in columns_named(KNOWN_AGE_STEMS, headings)
    of_plants = of_plants and any(map(_OF_AGES.search, headings))
    if len(numbers) < FEWEST_LISTED or not (is_of_stems or of_plants):
        return None
    found = "a list under " + ", ".join(f"'{each}'" for each in headings[:5])
    expected = "headings of trees (tree, species, dbh) or of cores (core, tree, rings)"
    if of_plants:
        expected = (
            "a sheet known_age_stems, with headings stem, stand, known_from, rings_at_ground,"
            " height_cm and rings_at_height"
        )
    means = f" '{unsure[0]}' has two meanings." if unsure else ""
    advice = (
        f"Rename those that mean these.{means} If it is something else, give it"
        ' holds = "" in the draft of `standage check SURVEY --draft`.'
    )
    return Problem(where, start + 1, None, f"{found}, which is read as no table", expected, advice)
