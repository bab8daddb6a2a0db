"""Cores without a year or a number of rings: where the number stands instead."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN
from standage.problems import Problem
from standage.survey.cells.ring_words import LEAST_NUMBER
from standage.survey.checks.table_checks import looked_up
from standage.survey.schema import CORES
from standage.survey.synonyms import nearest_code

_IN_REMARKS = re.compile(
    rf"{LEAST_NUMBER.pattern}|(?:~|about|ca?\.)\s*\d+\b(?!\s*(?:mm|cm|m|in|ft|%))"
    r"|\d+\s*(?=rings?\b)",
    re.IGNORECASE,
)
_LOST = re.compile(
    r"\b(?:outer(?:most)?|last|inner(?:most)?|first)\s+\d+\s*rings?\b"
    r"|\d+\s*rings?\s+(?:\w+\s+)?(?:lost|missing|missed|gone|broken)\b",
    re.IGNORECASE,
)
"""Rings in a remark that are none of those counted (common practice, no source)."""
_KNOWN = [*(column.name for column in CORES.columns), "row"]
_WHOLE = re.compile(r"\s*(?:~|>=?)?\s*[1-9]\d{0,3}\s*[+?]?\s*")
MOST_WITHOUT = 0.5
"""Share of cores without a number from which another column may hold them (assumption)."""
CENTRE = CORES.column("centre")
ONE_OF_TWO = "one of the two, unless centre is rotten"


def check_missing_counts(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    problems: list[Problem],
    warnings: list[Problem],
) -> None:
    """A core with neither is a problem unless its centre is rotten; a rotten one whose remark holds
    a number of rings is a warning, for it dates nothing as it stands.
    """
    cores, file = frames["cores"], files["cores"]
    refused = {
        problem.row
        for problem in problems
        if problem.file == file
        and (
            problem.column in ("first_ring_year", "ring_count")
            or (problem.column == "centre" and _nearly_rotten(problem.found.strip("'")))
        )
    }
    neither = cores["first_ring_year"].isna() & cores["ring_count"].isna()
    neither &= ~cores["row"].isin(refused)
    if not neither.any():
        return
    remarks = cores["note"]
    if files["trees"] == file:
        of_trees = looked_up(cores["tree"], frames["trees"], "tree", "note").fillna("")
        remarks = remarks.where(remarks != "", of_trees)
    headings = _whole_numbers(cores) if neither.mean() > MOST_WITHOUT else []
    # where a row holds the stem too, taking it out would take out the stem
    what_to_do = "delete its row here and write unreadable into core_outcome in trees"
    if files["trees"] == file:
        what_to_do = (
            "empty its cells (centre, rings and years) and write unreadable into a column"
            " core_outcome: the row is the stem's too"
        )
    told = 0
    for place in np.flatnonzero(neither.to_numpy(dtype=bool)):
        centre, number = (
            cores["centre"].iat[place],
            _IN_REMARKS.search(_LOST.sub("", remarks.iat[place])),
        )
        rotten = centre == "rotten"
        if told == TOLD_OF_A_COLUMN or (rotten and number is None):
            continue
        told += 1
        target = warnings if rotten else problems
        row = int(cores["row"].iat[place])
        least = None if headings else _least_elsewhere(cores, int(place))
        if number is None and least is not None:
            heading, cell, digits = least
            found = f"no ring count, and '{cell}' below '{heading}'"
            advice = f"Write {digits}+ into ring_count if at least {digits} rings were counted."
            target.append(Problem(file, row, "ring_count", found, ONE_OF_TWO, advice))
            continue
        if number is not None:
            rings = number[0].strip()
            found = f"no ring count, and {rings} in the remark: '{remarks.iat[place]}'"
            advice = (
                f"Write {rings} into ring_count if these are the rings counted: it is not"
                " read from the remark."
            )
            target.append(Problem(file, row, "ring_count", found, ONE_OF_TWO, advice))
            continue
        found = "neither first_ring_year nor ring_count"
        if headings:
            advice = f"Rename '{headings[0]}' to ring_count if it holds the rings counted."
        else:
            advice = (
                "Write the year of the innermost ring or the number of rings. If nothing could be"
                f" read of the core, {what_to_do}."
            )
        target.append(Problem(file, row, "first_ring_year", found, ONE_OF_TWO, advice))


def _least_elsewhere(cores: pd.DataFrame, place: int) -> tuple[str, str, str] | None:
    """A least number of rings in a column that the table doesn't know: its heading, the cell and
    the number."""
    for name in cores.columns.difference(_KNOWN, sort=False):
        cell = str(cores[name].iat[place]).strip()
        number = _WHOLE.fullmatch(cell) or LEAST_NUMBER.fullmatch(cell)
        if number and re.search("ring|count|least", name, re.IGNORECASE):
            return name, cell, re.sub(r"\D", "", cell)
    return None


def _nearly_rotten(cell: str) -> bool:
    return nearest_code(CORES.name, CENTRE, cell) == "rotten"


def _whole_numbers(cores: pd.DataFrame) -> list[str]:
    """Headings that the table doesn't know, with whole numbers below them in most rows."""
    return [
        name
        for name in cores.columns
        if name not in _KNOWN
        and 2 * sum(_WHOLE.fullmatch(str(cell)) is not None for cell in cores[name]) > len(cores)
    ]
