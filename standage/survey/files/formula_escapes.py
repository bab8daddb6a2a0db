"""Escapes for text that a spreadsheet would take for a formula, in tables that are written and
read.

A name or a note of the survey that begins with one of `STARTERS` could run as a formula on the
machine of whoever opens the table. It gets an apostrophe before it, by which spreadsheets know
text. Text that begins with apostrophes before such a character gets one more, so that taking one
away gives back every text.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from os import PathLike

import pandas as pd

STARTERS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
"""What begins a formula in some spreadsheet, wide forms of East Asian keyboards included (common
practice, no one source).
"""

_FORMULA = re.compile(f"'*[{re.escape(STARTERS)}]")
_BETWEEN = "\0"
_ANY_FORMULA = re.compile(_BETWEEN + _FORMULA.pattern)
_ESCAPED = re.compile(f"'+[{re.escape(STARTERS)}]")
_NEGATIVE = re.compile(r"-\d+(\.\d+)?([eE][-+]?\d+)?")


def escape_formula(text: str) -> str:
    """Text as a CSV file holds it. A negative number stays one.

    >>> escape_formula("=1+1"), escape_formula("-2.5"), escape_formula("'=a"), escape_formula("oak")
    ("'=1+1", '-2.5', "''=a", 'oak')
    """
    return f"'{text}" if _FORMULA.match(text) and not _NEGATIVE.fullmatch(text) else text


def unescape(text: str) -> str:
    """The text that `escape_formula` was given.

    >>> unescape("'=1+1"), unescape("''=a"), unescape("'t Gooi")
    ('=1+1', "'=a", "'t Gooi")
    """
    return text[1:] if text[:1] == "'" and _ESCAPED.match(text) else text


def escape_table(table: pd.DataFrame) -> pd.DataFrame:
    """A table with all its text escaped; numbers and blanks stay as they are."""
    return _text_changed(table, escape_formula)


def unescape_table(table: pd.DataFrame) -> pd.DataFrame:
    """The table that `escape_table` was given."""
    return _text_changed(table, unescape)


def write_escaped_csv(table: pd.DataFrame, path: str | PathLike[str]) -> None:
    """Write a table that has been escaped. Where a cell has a carriage return in it all cells are
    quoted, or it would end the row.
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


def _text_changed(table: pd.DataFrame, change: Callable[[str], str]) -> pd.DataFrame:
    changed = table.copy()
    for name in changed.columns:
        kind = changed[name].dtype
        if pd.api.types.is_numeric_dtype(kind) or pd.api.types.is_datetime64_any_dtype(kind):
            continue
        # nearly never: one look at a column costs less than one at each cell
        if _ANY_FORMULA.search(_joined(changed[name])):
            changed[name] = [
                change(cell) if isinstance(cell, str) else cell for cell in changed[name]
            ]
    return changed


def _joined(column: pd.Series) -> str:
    """All text of a column, a mark before each cell."""
    return _BETWEEN + _BETWEEN.join([cell for cell in column.tolist() if isinstance(cell, str)])
