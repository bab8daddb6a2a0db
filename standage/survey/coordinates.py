"""Where stands lie, only as exactly as those who publish the result want it known.

Cavity trees and cultural scars are found by coordinates. So these are rounded, or left out, before
anything else is done, and nothing that is written, the draws included, holds them more exactly.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from standage.survey.schema import TABLES, Table
from standage.survey.survey import Survey

AS_GIVEN = "as-given"
LEFT_OUT = "none"
CHOICES = (AS_GIVEN, "0.01", "0.1", "1", LEFT_OUT)  # degrees; 0.01 degrees of latitude are 1.1 km


def coordinates_to(survey: Survey, coarseness: str) -> Survey:
    """The survey with latitude and longitude of stands rounded, or left out, and without whatever
    else may say where a tree stands.

    That is the position of each stem (`x_m`, `y_m`), which may be on a national grid, and every
    column that standage doesn't know.

    coarseness: one of `CHOICES`: `as-given`, which changes nothing, the degrees to round to, or
    `none`. Raises ValueError for any other.
    """
    if coarseness not in CHOICES:
        raise ValueError(f"coordinates can be given to {', '.join(CHOICES)}, not {coarseness!r}")
    if coarseness == AS_GIVEN:
        return survey
    known = {each.name: _known_columns(each, getattr(survey, each.name)) for each in TABLES}
    for name in ("latitude", "longitude"):
        known["stands"][name] = _rounded(known["stands"][name].astype(float), coarseness)
    for name in ("x_m", "y_m"):
        known["trees"][name] = np.nan
    return dataclasses.replace(survey, **known)


def _known_columns(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    known = {"row", "file", *(column.name for column in table.columns)}
    return frame[[name for name in frame.columns if name in known]].copy()


def _rounded(degrees: pd.Series, coarseness: str) -> pd.Series:
    if coarseness == LEFT_OUT:
        return degrees * np.nan
    step = float(coarseness)
    return (np.rint(degrees / step) * step).round(2)
