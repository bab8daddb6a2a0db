"""Lines of words below a list: what is asked of them."""

from __future__ import annotations

from standage.errors import Problem
from standage.survey.sheets.foot_counts import INTO_A_TABLE, SEEDLINGS

OF_THE_ROWS = (
    "If it changes what the rows say, correct them; then delete it, or move it to a sheet Notes."
)


def below_the_list(file: str, row: int, cell: str) -> Problem:
    advice = INTO_A_TABLE if SEEDLINGS.search(cell) else OF_THE_ROWS
    return Problem(
        file,
        row,
        None,
        f"a row of words alone: '{cell}'",
        "rows of the list",
        f"Nothing is read from it. {advice}",
    )


def beside_a_legend(file: str, row: int, words: str) -> Problem:
    found = f"words beside a legend: '{words}'"
    advice = (
        "Nothing is read from them. If they change what the rows say, correct these; then delete"
        " the words, and leave the legend."
    )
    return Problem(file, row, None, found, "rows of the list", advice)
