"""Rows of a table as plain arrays, for checks that compare cells: on tables of some dozen rows a
pandas column costs ten times the comparison itself, and a survey is checked in hundreds of them.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike


class Cells(np.ndarray):
    """One column, (row,): an array with the few methods of a pandas column that checks use. Text is
    "" for blank, numbers NaN, dates NaT.
    """

    def isna(self) -> Cells:
        return as_cells(pd.isna(np.asarray(self)) if self.dtype == object else np.isnan(self))

    def notna(self) -> Cells:
        return ~self.isna()

    def fillna(self, value: ArrayLike) -> Cells:
        return as_cells(np.where(self.isna(), value, self))

    def where(self, mask: ArrayLike, other: ArrayLike = np.nan) -> Cells:
        """The cells where mask holds, and `other` elsewhere."""
        return as_cells(np.where(mask, self, other))

    def isin(self, values: Collection) -> Cells:
        wanted = values if isinstance(values, (set, frozenset, dict)) else set(values)
        return as_cells(np.fromiter((cell in wanted for cell in self.tolist()), bool, len(self)))


def as_cells(values: ArrayLike) -> Cells:
    return np.asarray(values).view(Cells)


class Rows:
    """The columns of a table by name, as the table has them now; nothing is written to them."""

    def __init__(self, frame: pd.DataFrame, more: Mapping[str, ArrayLike] | None = None) -> None:
        self._frame = frame
        self._cells = {name: as_cells(values) for name, values in (more or {}).items()}
        self._first: dict[str, dict[object, int]] = {}

    def __getitem__(self, name: str) -> Cells:
        if name not in self._cells:
            self._cells[name] = as_cells(self._frame[name].to_numpy())
        return self._cells[name]

    def __len__(self) -> int:
        return len(self._frame)

    @property
    def columns(self) -> list[str]:
        return list(dict.fromkeys([*self._frame.columns, *self._cells]))

    def assign(self, **columns: ArrayLike) -> Rows:
        """The same rows with more columns, or others in place of those of the same name."""
        return Rows(self._frame, {**self._cells, **columns})

    def first_rows(self, key: str) -> dict[object, int]:
        """Where each name of the column stands first, blank ones left out."""
        if key not in self._first:
            names = self[key].tolist()
            first = dict(zip(reversed(names), range(len(names) - 1, -1, -1), strict=True))
            first.pop("", None)
            self._first[key] = first
        return self._first[key]

    def row_keys(self, names: Sequence[str]) -> list[tuple]:
        """The cells of some columns, row by row, with None for a missing number: equal where the
        rows are alike in them.
        """
        cells = [[None if cell != cell else cell for cell in self[name].tolist()] for name in names]
        return list(zip(*cells, strict=True))

    def of(self, keys: Iterable, key: str, value: str, missing: object = np.nan) -> Cells:
        """Cells of `value` in the rows that `keys` name, (key,); `missing` (of dates NaT) where
        there is no such row.
        """
        first, cells = self.first_rows(key), np.asarray(self[value])
        places = np.array([first.get(name, -1) for name in keys], dtype=np.intp)
        lost = places < 0
        blank = np.datetime64("NaT") if cells.dtype.kind == "M" else missing
        if not len(cells):
            return as_cells(np.full(len(lost), blank, dtype=cells.dtype))
        found = cells[places]
        if lost.any():
            found[lost] = blank
        return as_cells(found)


def sums_of_groups(
    values: np.ndarray, of: Iterable[Hashable], wanted: Iterable[Hashable], none: float
) -> np.ndarray:
    """Sum of the values of each group, missing ones left out, for the groups wanted, (wanted,);
    `none` for a group that isn't there.
    """
    parts: dict[Hashable, list[float]] = {}
    for group, value in zip(of, values.tolist(), strict=True):
        parts.setdefault(group, []).append(0.0 if np.isnan(value) else value)
    total = {group: math.fsum(each) for group, each in parts.items()}
    return np.array([total.get(group, none) for group in wanted], dtype=float)
