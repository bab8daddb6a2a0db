"""Sheets of notes, as `Field work | 11-13 June 2024`: no table, but lines that may say when the
survey was done and how large its plots are.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from standage.survey.sheets.code_legends import beside_pairs, pairs_in
from standage.survey.written import Title, WrittenSurvey

LINES = 2
"""Lines of a word and what it means, one under another, that make a sheet one of notes
(assumption)."""
LINES_READ = (
    "holds notes: only dates of the survey, sizes of plots and of seedlings' subplots, smallest"
    " diameters, heights of cores, last rings and what codes and blank cells mean are looked for in"
    " its lines"
)
LONGEST = 300
"""Letters of a line; a longer one is a story."""

_OF_CODES = re.compile(
    r"(?<![a-z])(?:codes?|keys?|legends?|dictionary|abbr|abbreviations?|symbols?)(?![a-z])",
    re.IGNORECASE,
)
"""Words of headings and names of sheets that list codes (common practice, no source)."""

Rows = Sequence[Sequence[str]]


def holds_notes(rows: Rows) -> bool:
    """Whether the first rows of a sheet are words and what they mean, side by side, or sentences,
    and not the headings of a list.

    >>> holds_notes([["Site notes"], ["Date", "2024-06-11"], ["Plots", "0.1 ha each"]])
    True
    >>> holds_notes([["plot", "area"], ["1", "400"], ["2", "400"]])
    False
    >>> holds_notes([["Plots: 0.1 ha each"]]), holds_notes([["plot", "area"]])
    (True, False)
    """
    filled = [cells for row in rows if (cells := [cell.strip() for cell in row if cell.strip()])]
    if not filled or len(filled[0]) > 2 or lists_numbers(filled):
        return False
    pairs = 0
    for cells in filled:
        if len(cells) > 2:
            break
        pairs += _begins_with_words(cells[0]) and (len(cells) == 2 or " " in cells[0])
    if len(filled) == 1:
        return " " in filled[0][0] and _begins_with_words(filled[0][0])
    return pairs >= LINES and all(_begins_with_words(cells[0]) for cells in filled[:LINES])


def lists_numbers(filled: Rows) -> bool:
    """Whether rows are headings of two columns, and numbers below the second: a list.

    >>> lists_numbers([["Plot", "saplings"], ["QF1", "3"], ["QF2", "0"]])
    True
    """
    numbers = [len(cells) == 2 and cells[1].replace(".", "", 1).isdigit() for cells in filled]
    return len(filled[0]) == 2 and len(filled) > 2 and not numbers[0] and all(numbers[1:])


def lines_of_notes(file: str, rows: Rows) -> list[Title]:
    """The lines of a sheet of notes: rows of one or two cells."""
    titles = []
    for row, record in enumerate(rows, 1):
        cells = [cell.strip() for cell in record if cell.strip()]
        text = ": ".join(cells)
        if 0 < len(cells) <= 2 and len(text) <= LONGEST:
            titles.append(Title(file, row, text, of_notes=True))
    return titles


def take_legends(file: str, rows: Rows, survey: WrittenSurvey) -> bool:
    """What a sheet that isn't read, as a dictionary of columns, says of codes; whether it says any.
    A code and a meaning in two cells are a legend only below a heading, or in a sheet, of codes.
    """
    before = len(survey.titles)
    filled = [[cell.strip() for cell in record if cell.strip()] for record in rows]
    of_codes = _OF_CODES.search(file.rpartition(", sheet ")[2]) or _is_headed_as_codes(filled)
    for row, cells in enumerate(filled, 1):
        lines = [
            "; ".join(f"{code} = {words}" for code, words in pairs)
            for cell in cells
            if (pairs := pairs_in(cell)) and not beside_pairs(cell)
        ]
        survey.titles += [Title(file, row, line, of_notes=True) for line in lines]
        if len(cells) not in (2, 3) or lines or not pairs_in(f"{cells[0]} = {cells[1]}"):
            continue  # code and meaning, side by side, in two languages
        line = f"{cells[0]} {'=' if of_codes else '|'} {cells[1]}"
        survey.titles.append(Title(file, row, line, of_notes=True, of_list=True))
    return len(survey.titles) > before


def _is_headed_as_codes(filled: Rows) -> bool:
    """Whether the first cell of the headings, or of a line above them, says that it is of codes."""
    for cells in filled:
        if cells and _OF_CODES.search(cells[0]):
            return True
        if len(cells) > 1:
            return False
    return False


def _begins_with_words(cell: str) -> bool:
    return sum(map(str.isalpha, cell)) > 1
