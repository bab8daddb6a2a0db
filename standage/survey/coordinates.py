"""Where stands lie, only as exactly as those who publish the result want it known.

Cavity trees and cultural scars are found by coordinates. So these are rounded, or left out, before
anything else is done, and nothing that is written, the draws included, holds them more exactly.
"""

from __future__ import annotations

import dataclasses
from typing import get_args

import numpy as np
import pandas as pd

from standage.choices import Coordinates
from standage.survey.schema import TABLES, Table
from standage.survey.survey import Survey

STEP = 0.1
"""To which positions are rounded: of latitude, 11 km. [degrees]"""


def coordinates_to(survey: Survey, coordinates: Coordinates) -> Survey:
    """The survey with latitude and longitude of stands as they are (`as-given`), rounded (`0.1`) or
    left out (`none`).

    Rounded or left out, it is also without whatever else may say where a tree stands: the position
    of each stem (`x_m`, `y_m`), which may be on a national grid, and every column that standage
    doesn't know. Raises ValueError for any other wish.
    """
    if coordinates not in get_args(Coordinates):
        raise ValueError(
            f"coordinates can be {', '.join(get_args(Coordinates))}, not {coordinates!r}"
        )
    if coordinates == "as-given":
        return survey
    known = {each.name: _known_columns(each, getattr(survey, each.name)) for each in TABLES}
    for name in ("latitude", "longitude"):
        degrees = known["stands"][name].astype(float)
        rounded = (np.rint(degrees / STEP) * STEP).round(1)
        known["stands"][name] = rounded if coordinates == "0.1" else np.nan
    for name in ("x_m", "y_m"):
        known["trees"][name] = np.nan
    return dataclasses.replace(survey, **known)


def _known_columns(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    known = {"row", "file", *(column.name for column in table.columns)}
    return frame[[name for name in frame.columns if name in known]].copy()
