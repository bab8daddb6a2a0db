"""Names that are written in one table and named in others: the same name in other capitals, blanks,
marks or as another number is resolved where only one can be meant.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.readings import Reading
from standage.survey.schema import TABLES, Column, Table
from standage.survey.written import WrittenTable

_ONE_MARK = str.maketrans(
    dict.fromkeys("_ -\u00a0\u2010\u2011\u2012\u2013\u2014\u2212\u00ad", "\u00a0")
)
_NUMBER = re.compile(r"\d+(\.\d+)?")
_PLAIN = re.compile(r"#?[^\W_](?:[\w\u00a0.#]*[^\W_])?")
OUTSIDE = {"outside", "none", "no plot", "off plot", "outside plots", "outside the plots"}
"""Words for a stem that is in no plot (common practice, no source)."""
OTHER_MARKS = "capitals, blanks or marks of a name"
LETTERS = "Write the name letter by letter; in a workbook, format the column as text first."
WHOLE = "Write the whole name, as in '{way}', or add the columns by which it is numbered."
WAYS_NAMED = 3


def alike(name: str) -> str:
    """A name without capitals, and with every blank, hyphen and underscore as one mark: names that
    are the same so are read as one.

    >>> alike("Plot_3 A") == alike("plot 3-a"), alike("1-2") == alike("12")
    (True, False)
    """
    if not name.isascii():
        name = unicodedata.normalize("NFKC", name)
    folded = name.casefold().translate(_ONE_MARK)
    return re.sub("\u00a0+", "\u00a0", folded) if "\u00a0\u00a0" in folded else folded


def parts_of(name: str) -> tuple[str, ...]:
    """Letters and numbers of a name, without the blanks, hyphens and points between them and the
    zeros before them. Other marks are doubts; a decimal number stays one: in a workbook 1.1 may
    have been 1.10.

    >>> parts_of("GH1-02") == parts_of("GH-1-2"), parts_of("1-2") == parts_of("12")
    (True, False)
    >>> parts_of("#102") == parts_of("102"), parts_of("102?") == parts_of("102")
    (True, False)
    """
    folded = alike(name)
    if not _PLAIN.fullmatch(folded) or (_NUMBER.fullmatch(name) and "." in name):
        return (name,)
    runs = re.findall(r"[^\W\d_]+|\d+", folded)
    return tuple(run.lstrip("0") or "0" if run.isdecimal() else run for run in runs)


def cells_of(part: WrittenTable, column: str) -> list[str]:
    """Cells of a column, blank where there is none or a word says so."""
    if column not in part.header:
        return [""] * len(part.cells)
    at = part.header.index(column)
    return ["" if row[at].lower() in NOT_RECORDED else alike(row[at]) for row in part.cells]


def check_names(
    frames: Mapping[str, pd.DataFrame], files: Mapping[str, str], problems: list[Problem]
) -> None:
    """Two names of a table that differ only in what nobody hears are a problem: one thing twice, or
    two things that will be taken for each other.
    """
    for table in TABLES:
        if table.identifier is None or frames[table.name].empty:
            continue
        names = frames[table.name][table.identifier]
        different = set(names.tolist())
        if len({alike(name) for name in different}) == len(different):
            continue
        folded = pd.Series([alike(name) for name in names.tolist()], dtype=object)
        again = folded.duplicated() & (folded != "") & ~names.duplicated()
        first = dict(zip(folded[::-1], frames[table.name]["row"][::-1], strict=True))
        before = dict(zip(folded[::-1], names[::-1], strict=True))
        for place in np.flatnonzero(again)[:TOLD_OF_A_COLUMN]:
            name = names.iat[place]
            problems.append(
                Problem(
                    files[table.name],
                    int(frames[table.name]["row"].iat[place]),
                    table.identifier,
                    f"'{name}', which differs from '{before[folded[place]]}' in row"
                    f" {first[folded[place]]} only in capitals, blanks or marks",
                    f"names that differ in letters or figures, or the same {table.identifier} once",
                    "Delete the row if it is the same one; otherwise give it another name.",
                )
            )


def resolve_references(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    numbers: Mapping[tuple[str, str], set[int]],
    problems: list[Problem],
    readings: list[Reading],
    short_names: Mapping[str, Mapping[str, list[str]]],
) -> None:
    """Put the name as its own table has it in place of every cell that names it otherwise. numbers:
    rows whose cell is a number in a workbook, by table and column: 1.1 may have been 1.10.
    short_names: of names that begin anew in each group, what a short one may stand for.
    """
    for table in TABLES:
        for column in table.columns:
            if column.kind == "reference":
                rows = numbers.get((table.name, column.name), set())
                short = short_names.get(column.name, {})
                _resolve(table, column, frames, files[table.name], rows, problems, readings, short)


def _resolve(
    table: Table,
    column: Column,
    frames: Mapping[str, pd.DataFrame],
    file: str,
    as_numbers: set[int],
    problems: list[Problem],
    readings: list[Reading],
    short: Mapping[str, list[str]],
) -> None:
    frame = frames[table.name]
    if frame.empty:
        return
    known = list(dict.fromkeys(frames[column.refers_to][column.name].tolist()))
    wanted = frame[column.name]
    if not as_numbers and {"", *known}.issuperset(wanted.tolist()):
        return
    lost = (wanted != "") & ~wanted.isin(known)
    rounded = frame["row"].isin(as_numbers) & (wanted != "") if as_numbers else None
    by_fold: dict[str, list[str]] = {}
    by_number: dict[float, list[str]] = {}
    by_parts: dict[tuple[str, ...], list[str]] = {}
    for name in known:
        by_fold.setdefault(alike(name), []).append(name)
        by_parts.setdefault(parts_of(name), []).append(name)
        if _NUMBER.fullmatch(name):
            by_number.setdefault(float(name), []).append(name)
    of_tree: dict[str, list[str]] = {}
    if column.refers_to == "cores":
        for core, tree in zip(frames["cores"]["core"], frames["cores"]["tree"], strict=True):
            of_tree.setdefault(alike(tree), []).append(core)
    meant: dict[str, str] = {}
    for name in wanted[lost].unique():
        ways, reason = by_fold.get(alike(name), []), OTHER_MARKS
        if not ways and alike(name) in of_tree:
            ways, reason = of_tree[alike(name)], "named after its tree"
        if not ways and _NUMBER.fullmatch(name):
            ways, reason = by_number.get(float(name), []), "a name that is a number"
        if not ways and len(by_parts.get(parts_of(name), [])) == 1:
            ways, reason = by_parts[parts_of(name)], OTHER_MARKS
        if not ways and len(of_groups := short.get(alike(name), [])) > 1:
            _two(file, column, name, of_groups, frame.loc[wanted == name, "row"], problems, WHOLE)
            continue
        blank = not column.required and not ways and _means_none(column, name)
        if len(ways) > 1:
            _two(file, column, name, ways, frame.loc[wanted == name, "row"], problems)
        elif ways or blank:
            meant[name] = ways[0] if ways else ""
            readings += [
                Reading(
                    file,
                    int(row),
                    column.name,
                    name,
                    meant[name],
                    reason if ways else "none" if alike(name) in OUTSIDE else "not recorded",
                )
                for row in frame.loc[wanted == name, "row"]
            ]
    if rounded is not None:
        for name in wanted[rounded].unique():
            ways = by_number.get(float(name), []) if _NUMBER.fullmatch(name) else []
            if len(ways) > 1:
                rows = frame.loc[rounded & (wanted == name), "row"]
                _two(file, column, name, ways, rows, problems)
    if meant:
        frame[column.name] = wanted.replace(meant).astype(object)


def _means_none(column: Column, name: str) -> bool:
    return name.lower() in NOT_RECORDED or (
        column.name == "plot" and " ".join(name.casefold().split()) in OUTSIDE
    )


def _two(
    file: str,
    column: Column,
    name: str,
    ways: list[str],
    rows: pd.Series,
    problems: list[Problem],
    advice: str = LETTERS,
) -> None:
    """A name that may be either of two others."""
    named = " or ".join(repr(way) for way in ways[:WAYS_NAMED])
    named += f" or {len(ways) - WAYS_NAMED} more" if len(ways) > WAYS_NAMED else ""
    for row in rows[:TOLD_OF_A_COLUMN]:
        problems.append(
            Problem(
                file,
                int(row),
                column.name,
                f"'{name}', which may be {named}",
                f"a {column.name} as {column.refers_to} has it",
                advice.format(way=ways[0]),
            )
        )
