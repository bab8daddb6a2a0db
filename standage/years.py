"""The growing season: the only place that knows where its years begin and end."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

SEASON_START_MONTH = 3
"""A growing season begins on 1 March (common practice, no source): a core taken in January has the
season before as its last.
"""


def growing_season(date: dt.date) -> int:
    """The calendar year of the growing season that has begun last at a date.

    date: a `datetime.date`, `datetime.datetime` or `pandas.Timestamp`. Raises ValueError for a
    missing date.

    >>> growing_season(dt.date(2019, 2, 28)), growing_season(dt.date(2019, 3, 1))
    (2018, 2019)
    """
    if pd.isna(date):
        raise ValueError("a growing season needs a date; this one is missing")
    return int(date.year if date.month >= SEASON_START_MONTH else date.year - 1)


def growing_seasons(dates: ArrayLike) -> np.ndarray:
    """`growing_season` of many dates: datetime64 (row,) to float64 (row,), NaN where the date is
    missing.
    """
    written = np.asarray(dates, dtype="datetime64[M]")
    since_march = written.astype(np.int64) - (SEASON_START_MONTH - 1)
    return np.where(np.isnat(written), np.nan, 1970.0 + since_march // 12)


def calendar_years(dates: ArrayLike) -> np.ndarray:
    """Calendar year of many dates: datetime64 (row,) to float64 (row,), NaN where the date is
    missing.
    """
    written = np.asarray(dates, dtype="datetime64[Y]")
    return np.where(np.isnat(written), np.nan, 1970.0 + written.astype(np.int64))
