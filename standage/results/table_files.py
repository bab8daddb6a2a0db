"""Tables as CSV files that spreadsheets read, and nested values as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standage.findings.stand_places import COORDINATES
from standage.results.number_format import in_digits
from standage.survey.files.formula_escapes import escape_table, write_escaped_csv


def write_table(table: pd.DataFrame, path: Path) -> None:
    """A table as CSV that spreadsheets read: whole numbers without a point, blanks empty, the rest
    to five digits, no text a formula.
    """
    written = escape_table(table)
    for name in written.columns[[pd.api.types.is_float_dtype(kind) for kind in written.dtypes]]:
        numbers = written[name].to_numpy(dtype=float, na_value=np.nan)
        written[name] = [
            "" if np.isnan(number) else in_digits(number, in_full=name in COORDINATES)
            for number in numbers
        ]
    write_escaped_csv(written, path)


def write_json(values: Mapping[str, Any], path: Path) -> None:
    """Readable JSON; a number that is none becomes null, which every reader takes."""
    path.write_text(
        json.dumps(plain_values(values), indent=2, ensure_ascii=False, allow_nan=False) + "\n",
        encoding="utf-8",
    )


def json_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """A table's rows by column; what is blank is None."""
    return table.astype(object).where(table.notna(), None).to_dict("records")


def plain_values(value: Any) -> Any:
    """Arrays, numpy numbers and nested mappings as what JSON knows."""
    if isinstance(value, Mapping):
        return {str(key): plain_values(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray):
        return plain_values(value.tolist())
    if isinstance(value, list | tuple):
        return [plain_values(inner) for inner in value]
    if isinstance(value, np.generic):
        return plain_values(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
