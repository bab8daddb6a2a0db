"""What was read differently from what was written, as a table: identical changes in one row."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from standage.causes import rows_in_words, runs_of
from standage.problems import plainly
from standage.survey.readings import HEADING, Reading

COLUMNS = ("file", "rows", "column", "as_written", "as_read", "reason")


def table_of_readings(readings: Iterable[Reading]) -> pd.DataFrame:
    """One row a change: `file`, `rows` (as runs, `2-9, 12`), `column`, `as_written`, `as_read`,
    `reason`.
    """
    alike: dict[tuple, list[int]] = {}
    for each in readings:
        key = (each.file, each.column or "", each.as_written, each.as_read, each.reason)
        rows = alike.setdefault(key, [])
        if each.row is not None:
            rows.append(each.row)
    records = [
        (file, runs_of(rows), column, written, read, reason)
        for (file, column, written, read, reason), rows in alike.items()
    ]
    return pd.DataFrame(records, columns=list(COLUMNS), dtype=object)


def lines_of_readings(readings: Iterable[Reading], *, in_full: bool) -> list[str]:
    """A line a change; unless `in_full`, changes of one column for one reason share a line, and so
    do the headings of a table.
    """
    alike: dict[tuple, list[Reading]] = {}
    for each in readings:
        of: tuple = (each.column, each.as_written, each.as_read)
        if not in_full:  # of headings a person looks at the whole row
            of = () if each.reason == HEADING else (each.column,)
        alike.setdefault((each.file, each.reason, *of), []).append(each)
    return [_line(of) for of in alike.values()]


def _line(readings: list[Reading]) -> str:
    first = readings[0]
    rows = rows_in_words([each.row for each in readings if each.row is not None])
    one = len({each.column for each in readings}) == 1
    column = f"column {first.column}" if first.column and one else ""
    where = ", ".join(part for part in (first.file, column, rows) if part)
    changes = len({(each.as_written, each.as_read) for each in readings})
    more = f" and {changes - 1} changes like it" if changes > 1 else ""
    return plainly(
        f"{where}: '{first.as_written}' read as '{first.as_read}'{more} ({first.reason})"
    )
