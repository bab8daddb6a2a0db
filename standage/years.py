"""The yearly axis and the growing season: the only place that knows where years begin and end."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

SEASON_START_MONTH = 3
"""A growing season begins on 1 March (common practice, no source): a core taken in January has the
season before as its last.
"""

YEARS_BEFORE_OLDEST_RING = 80
"""Years before the innermost ring of the oldest core at which the axis starts, to leave room for
the years below the core.
"""

SHORTEST_AXIS_YEARS = 200
"""The axis reaches at least so many years back from the survey."""


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


def growing_seasons(dates: pd.Series) -> np.ndarray:
    """`growing_season` of many dates: datetime64 (row,) to float64 (row,), NaN where the date is
    missing.
    """
    years = dates.dt.year.to_numpy(dtype=float)
    months = dates.dt.month.to_numpy(dtype=float)
    return np.where(months >= SEASON_START_MONTH, years, years - 1)


def year_axis(
    oldest_innermost_ring: int | None, season: int, *, longevity_years: int
) -> np.ndarray:
    """The years on which establishment is described: first_year ... season, int64 (year,).

    oldest_innermost_ring: calendar year of the innermost ring of the oldest core, None without
    cores. season: the survey season, last year of the axis. longevity_years: the axis never reaches
    further back. Raises ValueError for a longevity below one year.

    >>> year_axis(1850, 2020, longevity_years=450)[[0, -1]].tolist()
    [1770, 2020]
    """
    if longevity_years < 1:
        raise ValueError(f"longevity must be at least one year, got {longevity_years}")
    first = season - SHORTEST_AXIS_YEARS
    if oldest_innermost_ring is not None:
        first = min(first, oldest_innermost_ring - YEARS_BEFORE_OLDEST_RING)
    return np.arange(max(first, season - longevity_years), season + 1)
