"""A name that is used twice in the table that lists it: which rows, and what to do."""

from __future__ import annotations

import re

import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.written import WrittenTable

READ_TWICE = (
    "If it is one core read once more, move the second row into a table core_readings (core,"
    " reader, ring_count or first_ring_year); as a core of its own it would count twice. Another"
    " core of the tree gets its own name."
)
ONE_HEIGHT = (
    "One row a stem: of rings at two heights keep those nearest to the height of your cores; under"
    " two names the plant would count twice. Another plant gets its own name."
)
AS_NUMBER = " As a number 1.10 is 1.1: write such names into cells formatted as text."


def tell_repeated(
    written: WrittenTable, identifier: str, frame: pd.DataFrame, problems: list[Problem]
) -> None:
    """Names that come back further down, as problems. Only rows that are the same in every cell
    are one thing written twice.
    """
    names = frame[identifier]
    named = [name for name in names.tolist() if name]
    if len(set(named)) == len(named):
        return
    repeated = names.duplicated() & (names != "")
    first = frame.loc[~names.duplicated()].set_index(identifier)["row"]
    twice = frame.duplicated([name for name in frame.columns if name != "row"])
    groups = frame["plot"] if identifier == "tree" else pd.Series("", index=frame.index)
    for place in repeated.to_numpy().nonzero()[0][:TOLD_OF_A_COLUMN]:
        name = names.iat[place]
        problems.append(
            Problem(
                written.file,
                int(frame["row"].iat[place]),
                identifier,
                f"'{name}' again (first in {written.row_in_words(first[name])})",
                f"each {identifier} once",
                _advice(identifier, name, groups.iat[place], same=bool(twice.iat[place])),
            )
        )


def _advice(identifier: str, name: str, plot: str, *, same: bool) -> str:
    if same:
        return "Both rows are the same in every cell: delete one of them."
    if identifier == "core":
        return READ_TWICE
    if identifier == "stem":
        return ONE_HEIGHT
    number = AS_NUMBER if re.fullmatch(r"\d+\.\d+", name) else ""
    if plot and name.startswith(f"{plot}-"):  # written out already
        return (
            "If it is a second core of one tree, put the row below the first, without what the"
            " first says of the stem; if they are two trees, give each its own number."
        )
    if plot:
        return (
            f"If they are two trees, write plot and number together, as '{plot}-{name}', here and"
            f" in cores; if a number is a slip of the pen, correct it.{number}"
        )
    return f"Give every {identifier} its own name, here and where it is named.{number}"
