"""Text that a spreadsheet would take for a formula, made harmless in what is written and put back
in what is read.

A name or a note of the survey that begins with one of `STARTERS` could run as a formula on the
machine of whoever opens the table. It gets an apostrophe before it, by which spreadsheets know
text. Text that begins with apostrophes before such a character gets one more, so that taking one
away again gives back every text as it was.
"""

from __future__ import annotations

import csv
import re
from os import PathLike

import pandas as pd

STARTERS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
"""What begins a formula in some spreadsheet, wide forms of East Asian keyboards included (common
practice, no one source).
"""

_FORMULA = re.compile(f"'*[{re.escape(STARTERS)}]")
_BETWEEN = "\0"
_ANY_FORMULA = re.compile(_BETWEEN + _FORMULA.pattern)
_WRITTEN = re.compile(f"'+[{re.escape(STARTERS)}]")
_NEGATIVE = re.compile(r"-\d+(\.\d+)?([eE][-+]?\d+)?")


def harmless(text: str) -> str:
    """The text as it is written into a CSV file. A negative number stays one.

    >>> harmless("=1+1"), harmless("-2.5"), harmless("- leans"), harmless("'=a"), harmless("oak")
    ("'=1+1", '-2.5', "'- leans", "''=a", 'oak')
    """
    return f"'{text}" if _FORMULA.match(text) and not _NEGATIVE.fullmatch(text) else text


def as_it_was(text: str) -> str:
    """The text that `harmless` was given.

    >>> as_it_was("'=1+1"), as_it_was("''=a"), as_it_was("'t Gooi")
    ('=1+1', "'=a", "'t Gooi")
    """
    return text[1:] if text[:1] == "'" and _WRITTEN.match(text) else text


def harmless_table(table: pd.DataFrame) -> pd.DataFrame:
    """The table with all its text made harmless; numbers and blanks stay as they are."""
    return _text_changed(table, harmless)


def write_harmless_csv(table: pd.DataFrame, path: str | PathLike) -> None:
    """Write a table that has been made harmless. Where a cell has a carriage return in it all cells
    are quoted, or it would end the row.
    """
    text = "".join(
        _joined(table[name])
        for name in table.columns
        if not pd.api.types.is_numeric_dtype(table[name].dtype)
    )
    quoting = csv.QUOTE_ALL if "\r" in text else csv.QUOTE_MINIMAL
    table.to_csv(
        path, index=False, encoding=encoding_for(text), lineterminator="\n", quoting=quoting
    )


def encoding_for(text: str) -> str:
    """The encoding in which a table with this text opens cleanly in spreadsheets and elsewhere.

    Some spreadsheets take text beyond ASCII for UTF-8 only after a byte-order mark (common
    practice, no source). Readers that know no such mark are spared it wherever there is no need.
    """
    return "utf-8" if text.isascii() else "utf-8-sig"


def table_as_it_was(table: pd.DataFrame) -> pd.DataFrame:
    """The table that `harmless_table` was given."""
    return _text_changed(table, as_it_was)


def _text_changed(table: pd.DataFrame, change) -> pd.DataFrame:
    changed = table.copy()
    for name in changed.columns:
        if pd.api.types.is_numeric_dtype(
            changed[name].dtype
        ) or pd.api.types.is_datetime64_any_dtype(changed[name].dtype):
            continue
        if _ANY_FORMULA.search(
            _joined(changed[name])
        ):  # nearly never: one look at a column costs less than one at each cell
            changed[name] = [
                change(cell) if isinstance(cell, str) else cell for cell in changed[name]
            ]
    return changed


def _joined(column: pd.Series) -> str:
    """All text of a column, a mark before each cell."""
    return _BETWEEN + _BETWEEN.join([cell for cell in column.tolist() if isinstance(cell, str)])
