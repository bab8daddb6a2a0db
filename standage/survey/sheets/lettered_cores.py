"""Cores lettered where the sheet numbers its trees: rows `4a` and `4b`, or `4` and `4b`, that may
be one stem.
"""

from __future__ import annotations

import re

from standage.errors import Problem
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.sheets.flat_places import Part, Row
from standage.survey.written import WrittenSurvey, WrittenTable

_LETTERED = re.compile(r"(.*\d)[ -]?([a-e])|(?:.*[ -])?([b-e])", re.IGNORECASE)
ALIKE = ("stand", "plot", "species", "dbh_cm", "status", "crown_class")
"""Columns in which two rows of one stem agree, where both are filled."""


def ask_of_letters(survey: WrittenSurvey, written: WrittenTable, trees: Part, cores: Part) -> None:
    """Two rows, one below the other, with a core each and names that differ by a letter, of stems
    that are alike in all else: a problem, for a stem twice is counted and dated twice.
    """
    cored = {core["tree"] for core in cores.records}
    rows = list(zip(trees.records, trees.rows, strict=True))
    for (above, _), (below, row) in zip(rows, rows[1:], strict=False):
        one, other = above["tree"], below["tree"]
        if one not in cored or other not in cored or not _lettered(one, other):
            continue
        if not _alike(above, below):
            continue
        survey.problems.append(
            Problem(
                written.file,
                row,
                "tree",
                f"'{other}' below '{one}', alike in all that is written of the stems: two cores of"
                " one tree, or two trees",
                "one tree, or two, beyond doubt",
                "Write the name without its letter in both rows if they are cores of one tree; two"
                " trees need names without letters, as 4-1 and 4-2.",
            )
        )


def _lettered(one: str, other: str) -> bool:
    """Whether two names are a number with two letters, a number and the same with a letter beyond
    a, or a second letter stands alone.
    """
    first, second = _LETTERED.fullmatch(one), _LETTERED.fullmatch(other)
    if first is None and second is not None and second[2] and second[2].lower() != "a":
        return one == second[1] or one.endswith(f"-{second[1]}")
    if first is None or second is None or not first[2]:
        return False
    letter = second[2] or second[3]
    if second[2] and first[1] != second[1] and not first[1].startswith(f"{second[1]}-"):
        return False  # not even a letter alone, behind the name of its plot
    return ord(letter.lower()) == ord(first[2].lower()) + 1


def _alike(one: Row, other: Row) -> bool:
    blank = {"", *BLANK_WORDS}
    return all(
        mine == theirs or mine.lower() in blank or theirs.lower() in blank
        for name in ALIKE
        for mine, theirs in [(one.get(name, ""), other.get(name, ""))]
    )
