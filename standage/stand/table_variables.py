"""Tables as xarray datasets, a variable a column, and as tables again."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

ROW = "record"  # the dimension of a table
KINDS = {"b": bool, "i": "int64", "f": "float64", "M": "datetime64[ns]", "O": object}


def table_variables(
    table: pd.DataFrame, meanings: Mapping[str, tuple[str, str]] | None = None
) -> xr.Dataset:
    """A variable a column, under its name as far as a file can hold it.

    meanings: (unit, what it is) by column, written beside the numbers. Columns of text hold
    nothing but text.
    """
    known = {} if meanings is None else meanings
    variables: dict[str, xr.Variable] = {}
    for place, column in enumerate(table.columns):
        unit, meaning = known.get(column, ("", ""))
        about = {"column": str(column), "place": place}
        about |= {"units": unit} if unit else {}
        about |= {"long_name": meaning} if meaning else {}
        variables[_variable_name(str(column), variables)] = xr.Variable(
            (ROW,), _values(table[column]), about
        )
    return xr.Dataset(variables)


def table_of(group: xr.Dataset) -> pd.DataFrame:
    """The table that `table_variables` was given, rows numbered from 0."""
    columns = sorted(
        (variable for variable in group.data_vars.values() if "column" in variable.attrs),
        key=lambda variable: variable.attrs["place"],
    )
    return pd.DataFrame(
        {
            str(variable.attrs["column"]): pd.Series(
                _as_written(variable.values), dtype=KINDS[_kind(variable.values)]
            )
            for variable in columns
        }
    )


def _values(column: pd.Series) -> np.ndarray:
    if pd.api.types.is_datetime64_any_dtype(column):
        return column.to_numpy(dtype="datetime64[ns]")
    for is_kind, kind in (
        (pd.api.types.is_bool_dtype, "b"),
        (pd.api.types.is_integer_dtype, "i"),
        (pd.api.types.is_float_dtype, "f"),
    ):
        if is_kind(column):
            return column.to_numpy(dtype=KINDS[kind])
    return np.array([str(value) for value in column], dtype=object if len(column) else str)


def _as_written(values: np.ndarray) -> np.ndarray:
    return values.astype(object) if values.dtype.kind in "OUT" else values


def _kind(values: np.ndarray) -> str:
    return "O" if values.dtype.kind in "OUT" else values.dtype.kind


def _variable_name(column: str, taken: Mapping[str, xr.Variable]) -> str:
    """The column's own name where it can be one: columns of people may hold anything."""
    name = re.sub(r"\W", "_", column) or "_"
    while name in taken or name == ROW:
        name += "_"
    return name
