"""The columns of result tables: the single source for empty tables, data types, what is written,
the workbook and the column reference.

Each table's own columns stand beside the code that makes it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from standage.findings.intervals import SUFFIXES
from standage.findings.stems import CORING_HEIGHT, PER_HECTARE, SAMPLED

# text and code: object, "" for blank; whole: Int64; number: float64; record: object
Kind = Literal["text", "code", "whole", "number", "record"]
# found: by statistics; sentence: put in English when the table is written; internal: not written
Role = Literal["found", "sentence", "internal"]

Row = Mapping[str, Any]  # a row of a table, by column

CALENDAR_YEAR = "calendar year"


@dataclass(frozen=True)
class ResultColumn:
    """One column of a result table, or three that hold an interval.

    name : without `_low`, `_median`, `_high`. blank : when it is blank, where that is not the
    general rule. codes : the words allowed, each with its meaning (blank where the word says it).
    """

    name: str
    kind: Kind
    unit: str = ""
    meaning: str = ""
    blank: str = ""
    codes: Mapping[str, str] | None = None
    interval: bool = False
    role: Role = "found"

    @property
    def names(self) -> tuple[str, ...]:
        """The columns themselves."""
        return tuple(self.name + suffix for suffix in SUFFIXES) if self.interval else (self.name,)

    @property
    def described(self) -> tuple[str, str]:
        """Its unit, and all that is said of it. (markdown)"""
        words = [
            f"`{word}`: {meaning}" if meaning else f"`{word}`"
            for word, meaning in (self.codes or {}).items()
        ]
        meaning = ": ".join(part for part in (self.meaning, "; ".join(words)) if part)
        return self.unit, f"{meaning}; blank: {self.blank}" if self.blank else meaning


@dataclass(frozen=True)
class ResultTable:
    """One table of a result. one_row : what a row stands for. remark, footnote : what else a reader
    needs to know of it, before and after its columns (markdown).
    """

    name: str
    one_row: str
    columns: tuple[ResultColumn, ...]
    remark: str = ""
    footnote: str = ""

    @property
    def found(self) -> list[str]:
        """Names of the columns that the findings hold."""
        return self._names("found", "internal")

    @property
    def written(self) -> list[str]:
        """Names of the columns as they are written."""
        return self._names("found", "sentence")

    def _names(self, *roles: Role) -> list[str]:
        return [name for column in self.columns if column.role in roles for name in column.names]

    def column(self, name: str) -> ResultColumn:
        """The column of that name, with or without the ending of an interval. Raises KeyError."""
        for column in self.columns:
            if name == column.name or name in column.names:
                return column
        raise KeyError(f"{self.name} has no column {name}")

    def frame(self, rows: pd.DataFrame | Sequence[Mapping[str, Any]] = ()) -> pd.DataFrame:
        """A table with all columns that the findings hold, in order and of their kinds; blank where
        a row has none. Raises KeyError for a column that the schema does not know.
        """
        table = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
        unknown = set(table) - set(self.found)
        if unknown:
            raise KeyError(f"{self.name} has no columns {sorted(unknown)}")
        table = table.reindex(columns=self.found)
        return table.assign(
            **{
                name: _as_kind(table[name], column.kind)
                for column in self.columns
                if column.role != "sentence"
                for name in column.names
            }
        )


def _as_kind(values: pd.Series, kind: Kind) -> pd.Series:
    if kind == "whole":
        return values.astype(float).round().astype("Int64")
    if kind == "number":
        return values.astype(float)
    if kind == "record":
        return values.astype(object)
    return values.astype(object).where(values.notna(), "")


def text(names: str, meaning: str, **more: Any) -> tuple[ResultColumn, ...]:
    """Columns of text; names are parted by blanks, and share what is said of them."""
    return tuple(ResultColumn(name, "text", "", meaning, **more) for name in names.split())


def code(
    name: str, meaning: str, codes: Iterable[str] | Mapping[str, str], **more: Any
) -> tuple[ResultColumn, ...]:
    """A column that holds one of some words."""
    words = dict(codes) if isinstance(codes, Mapping) else dict.fromkeys(codes, "")
    return (ResultColumn(name, "code", "", meaning, codes=words, **more),)


def number(names: str, unit: str, meaning: str, **more: Any) -> tuple[ResultColumn, ...]:
    """Columns of numbers."""
    return tuple(ResultColumn(name, "number", unit, meaning, **more) for name in names.split())


def whole(names: str, unit: str, meaning: str, **more: Any) -> tuple[ResultColumn, ...]:
    """Columns of whole numbers."""
    return tuple(ResultColumn(name, "whole", unit, meaning, **more) for name in names.split())


def year(names: str, meaning: str, **more: Any) -> tuple[ResultColumn, ...]:
    """Columns of calendar years."""
    return whole(names, CALENDAR_YEAR, meaning, **more)


def probability(names: str, meaning: str, **more: Any) -> tuple[ResultColumn, ...]:
    """Columns of probabilities."""
    return number(names, "probability", meaning, **more)


def sentence(name: str, meaning: str) -> tuple[ResultColumn, ...]:
    """A column of English, made when the table is written."""
    return (ResultColumn(name, "text", "", meaning, role="sentence"),)


def internal(names: str, kind: Kind, meaning: str) -> tuple[ResultColumn, ...]:
    """Columns that sentences are made from, and that are not written."""
    return tuple(ResultColumn(name, kind, "", meaning, role="internal") for name in names.split())


BASES = {"establishment": "", CORING_HEIGHT: "where no coring height is recorded"}
AMOUNTS_OF = {PER_HECTARE: "", SAMPLED: "without plots"}
STAND = text("stand", "the stand")
UNIT = (*STAND, *text("species", "key of the species profile"))
BASIS = code("basis", "what years are years of", BASES)
AMOUNTS = code("amounts", "what amounts are amounts of", AMOUNTS_OF)
