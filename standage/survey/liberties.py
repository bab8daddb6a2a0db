"""What was read differently from what was written, as a table: identical changes in one row."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from standage.causes import book_of, runs_of, where_in_words
from standage.problems import plainly
from standage.survey.readings import HEADING, MAPPED, Reading

OF_EVERY_ROW = ("begin anew in each plot", "begin anew in each stand", "begin anew on each tree")
"""How the reasons end for which each row of a table is read otherwise."""
OF_HEADINGS = (HEADING, MAPPED)
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
    """A line a change; unless `in_full`, changes of one column for one reason share a line. Those
    that every row or heading of a table has for one reason always do, and come last.
    """
    alike: dict[tuple, list[Reading]] = {}
    last: dict[tuple, list[Reading]] = {}
    for each in readings:
        of: tuple = (each.column, each.as_written, each.as_read)
        if each.reason in OF_HEADINGS:  # of headings a person looks at the whole row
            file = each.file if in_full else book_of(each.file)
            last.setdefault((file, each.reason), []).append(each)
            continue
        if each.reason.endswith(OF_EVERY_ROW):
            last.setdefault((book_of(each.file), each.reason, each.column), []).append(each)
            continue
        if not in_full:
            of = (each.column,)
        alike.setdefault((book_of(each.file), each.reason, *of), []).append(each)
    lines = [_line(of) for of in alike.values()]
    return lines + [
        _headings(of) if in_full and of[0].reason in OF_HEADINGS else _line(of)
        for of in last.values()
    ]


def _headings(readings: list[Reading]) -> str:
    """All headings of a table that were read as columns, in one line."""
    first = readings[0]
    row = "" if first.row is None else f", row {first.row}"
    each = "; ".join(f"'{plainly(one.as_written)}' = {one.as_read}" for one in readings)
    return f"{plainly(first.file)}{row}, headings: {each}"


def _line(readings: list[Reading]) -> str:
    first = readings[0]
    file, rows = where_in_words([(each.file, each.row) for each in readings])
    one = len({each.column for each in readings}) == 1
    column = f"column {first.column}" if first.column and one else ""
    where = ", ".join(part for part in (file, column, rows) if part)
    changes = len({(each.as_written, each.as_read) for each in readings})
    more = f" and {changes - 1} changes like it" if changes > 1 else ""
    return plainly(
        f"{where}: '{first.as_written}' read as '{first.as_read}'{more} ({first.reason})"
    )
