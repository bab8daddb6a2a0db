"""Letters below a heading in the words that a title has for them: `Lab: X = crossdated, C = just
counted`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from standage.errors import Problem
from standage.survey.schema import Column
from standage.survey.synonyms import code_meaning, plain
from standage.survey.written import WrittenSurvey, WrittenTable

_CODED = re.compile(r"(?:just |only )?(\w+)(?: only)?(?: (?:by|under|with|against) .*)?")
_DENIED = re.compile(r"\b(?:not|no|non|un|never|cannot|without|\w+n['\u2019]t)\b", re.IGNORECASE)


def in_words(
    survey: WrittenSurvey, heading: str, cells: Iterable[str], table: str, column: Column
) -> dict[str, str]:
    """Cells below a heading, each in the words that a title has for it, or as it is."""
    form = re.compile(rf"(?<!\w){re.escape(heading)}\s*:(.*)", re.IGNORECASE)
    lines = [found[1] for line in survey.titles if (found := form.search(line.text))]
    pairs = [pair for line in lines for pair in re.findall(r"(\w{1,6})\s*=\s*([^=,;.(]+)", line)]
    said = {letter.casefold(): _word(words, table, column) for letter, words in pairs}
    return {cell: said.get(cell.casefold(), cell) for cell in cells}


def _word(said: str, table: str, column: Column) -> str:
    """The code that a legend's words are, or begin with: `just counted under the scope`."""
    found = _CODED.fullmatch(plain(said))
    whole = code_meaning(table, column, said) is not None or _DENIED.search(said)
    return found[1] if not whole and found and found[1] in column.codes else said.strip()


def ask_of_letters(
    survey: WrittenSurvey,
    written: WrittenTable,
    heading: str,
    words: Mapping[str, str],
    column: Column,
) -> None:
    """A question where the words of a title for letters name codes and aren't codes: `N = could not
    be crossdated`, `L = live and well`.
    """
    codes = {*column.codes}
    named = [
        cell for cell, said in words.items() if cell != said and codes & {*plain(said).split()}
    ]
    odd = [cell for cell in named if words[cell] not in codes]
    denied = [cell for cell in odd if _DENIED.search(words[cell])]
    if denied or (odd and len(named) == len(words)):
        cell = (denied or odd)[0]
        found = f"'{cell} = {words[cell]}' in a title"
        advice = f"Head the column {column.name}, and write one of these into each row."
        at, expected = (written.file, written.header_row), f"one of: {', '.join(column.codes)}"
        survey.problems.append(Problem(*at, heading, found, expected, advice))
