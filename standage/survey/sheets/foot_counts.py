"""Counts of seedlings typed below or beside a list of stems, as `grass stage | 14`: no stems, and a
table of their own.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from standage.errors import Problem
from standage.survey.cells.headings import columns_named
from standage.survey.flat_table import FLAT
from standage.survey.schema import COUNTS
from standage.survey.sheets.note_sheets import lists_numbers
from standage.survey.sheets.wide_counts import stage_in
from standage.survey.synonyms import code_meaning, plain

OF_STEMS = (FLAT.name, "trees")
BESIDES = 2
"""Filled cells of such a row besides its stages and their numbers: plot and area (assumption)."""
SEEDLINGS = re.compile(
    r"\b(seedlings?|regen\w*|germinants?|grass[- ]stage|bolting)\b", re.IGNORECASE
)
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?|none|nil|-", re.IGNORECASE)
INTO_A_TABLE = (
    "Put what was counted into a sheet of its own, with the columns plot, stage, area (m2) and"
    " count, and delete it here."
)


def foot_counts(
    name: str, header: Sequence[str], cells: Sequence[Sequence[str]]
) -> list[tuple[int, int]]:
    """Runs of rows of a list of stems, by place, that hold counts of stages, with the line above
    that names them: (first, one past the last).

    >>> foot_counts("trees", ["tree", "species"], [["1", "longleaf"], ["grass stage", "14"]])
    [(1, 2)]
    """
    if name not in OF_STEMS or "species" not in header:
        return []
    species = list(header).index("species")
    runs: list[tuple[int, int]] = []
    for place, row in enumerate(cells):
        first = place - 1 if place and _names_seedlings(cells[place - 1]) else place
        if _is_header(row):
            return [*runs, (first, len(cells))]
        if not _is_count(row, species):
            continue
        if runs and runs[-1][1] == place:
            runs[-1] = (runs[-1][0], place + 1)
        else:
            runs.append((first, place + 1))
    return runs


_stage = lru_cache(maxsize=1000)(stage_in)


def _is_header(row: Sequence[str]) -> bool:
    """Whether a row names several stages and no number: the headings of a table of counts."""
    if any(cell[:1].isdigit() for cell in row):
        return False
    filled = [cell for cell in row if cell]
    stages = {stage for cell in filled if isinstance(stage := _stage(cell), str)}
    return len(stages) > 1 and not any(_NUMBER.fullmatch(cell) for cell in filled)


def _is_count(row: Sequence[str], species: int) -> bool:
    """Whether a row says stages, each with its number, and nothing of a stem."""
    of = row[species]
    if of and not _NUMBER.fullmatch(of) and _stage(of) is None:
        return False
    filled = [cell for cell in row if cell]
    stages = [cell for cell in filled if _stage(cell) is not None]
    if not stages or not len(stages) < len(filled) <= 2 * len(stages) + BESIDES:
        return False
    after = row[list(row).index(stages[0]) + 1 :]
    return any(_NUMBER.fullmatch(cell) for cell in after if cell)


def _names_seedlings(row: Sequence[str]) -> bool:
    filled = [cell for cell in row if cell]
    return len(filled) == 1 and SEEDLINGS.search(filled[0]) is not None


def ask_of_foot(file: str, row: int, cells: Sequence[Sequence[str]]) -> Problem:
    """The question about one run of such rows. row: of the first."""
    shown = "; ".join(" ".join(cell for cell in record if cell) for record in cells)
    found = f"what looks like counts of seedlings below the list: '{shown[:80]}'"
    return Problem(file, row, None, found, "a table to a sheet", INTO_A_TABLE)


def side_table(name: str, header: list[str], records: Sequence[Sequence[str]]) -> int:
    """Where a table of counts begins beside a list of stems or cores: right of a column with
    nothing in it; 0 without one.
    """
    if name not in (FLAT.name, "trees", "cores"):
        return 0
    for place in range(1, len(header) - 1):
        if header[place] or any(record[place].strip() for record in records if len(record) > place):
            continue
        right = header[place + 1 :]
        cells = {cell.strip() for record in records for cell in record[place + 1 :]}
        if not any(cell.isdigit() for cell in cells):
            continue
        stages = {cell for cell in (*right, *cells) if cell and isinstance(stage_in(cell), str)}
        if len([cell for cell in right if cell]) > 1 and len(stages) > 1:
            return place + 1 + next(at for at, cell in enumerate(right) if cell)
    return 0


def ask_of_side_table(file: str, row: int, column: str, named: str) -> Problem:
    return Problem(
        file,
        row,
        column,
        f"what looks like counts of seedlings beside the list, under {named}",
        "a table to a sheet",
        "Put it into a sheet of its own, with the columns plot, stage, area and count.",
    )


def counts_in_no_table(where: str, rows: Sequence[Sequence[str]]) -> Problem | None:
    """A question on a file or sheet that is no table and looks like counts of seedlings, by
    headings that name stages among other words: they would be lost.
    """
    stage = COUNTS.column("stage")
    for row, record in enumerate(rows, 1):
        named = [
            cell.strip()
            for cell in record
            if {code_meaning(COUNTS.name, stage, word) for word in plain(cell).split()} - {None}
        ]
        below = rows[row:]
        one = len(named) == 1 and (
            lists_numbers([[c for c in each if c] for each in rows[row - 1 :]])
            or ("plot" in columns_named(COUNTS, record) and _numbers(below, record, named[0]))
        )
        if (len(named) > 1 or one) and not any(cell.strip().isdecimal() for cell in record):
            found = "what looks like counts of seedlings, under " + ", ".join(
                f"'{cell}'" for cell in named[:4]
            )
            advice = (
                "Write a row for each plot, species and stage; where another sheet has counts, a"
                " row there, with N/A in the columns of other stages and its area in the column of"
                " areas; without one, in the heading of each stage, as 'Saplings (78.5 m2)'; or, if"
                " it is something else, give it"
                ' holds = "" in the draft of `standage check SURVEY --draft`.'
            )
            expected = "the columns plot, species, stage, area (m2) and count"
            return Problem(where, row, None, found, expected, advice)
    return None


def _numbers(below: Sequence[Sequence[str]], record: Sequence[str], heading: str) -> bool:
    """Whether the column of a heading holds a number."""
    at = [cell.strip() for cell in record].index(heading)
    return any(at < len(row) and _NUMBER.fullmatch(row[at].strip()) for row in below)
