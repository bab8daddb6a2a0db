"""Size classes of one stage on one subplot, each in a row of its own: one search, whose area counts
once.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from standage.survey.readings import Reading

CLASS = ["collar_low_mm", "collar_high_mm"]
SEARCH = ["plot", "subplot", "stage", "species", "area_m2", "age_low_years", "age_high_years"]
"""Columns that are alike in the rows of one search."""


def with_classes_added_up(counts: pd.DataFrame, file: str, readings: list[Reading]) -> pd.DataFrame:
    """The counts with a row for each search: of rows that differ in their collar class, the first
    of each class go together, then the second, and so on. Each sum is listed.
    """
    if all(np.isnan(counts[name].to_numpy()).all() for name in CLASS):
        return counts
    number = counts.groupby([*SEARCH, *CLASS], sort=False, dropna=False).cumcount()
    keys = [counts[name] for name in SEARCH]
    search = counts.groupby([*keys, number], sort=False, dropna=False).ngroup()
    first = ~search.duplicated()
    if first.all():
        return counts
    summed = counts[first].copy()
    of = counts.groupby(search, sort=False)
    total, low, high = of["count"].sum(), of[CLASS[0]].min(), of[CLASS[1]].max()
    order = search[first]
    summed["count"] = total.loc[order].to_numpy()
    # an open end of any class is that of all
    open_low, open_high = (of[name].apply(lambda cells: cells.isna().any()) for name in CLASS)
    summed[CLASS[0]] = low.where(~open_low).loc[order].to_numpy()
    summed[CLASS[1]] = high.where(~open_high).loc[order].to_numpy()
    for place, rows in of.indices.items():
        if len(rows) > 1:
            cells = counts.iloc[rows]
            written = " + ".join(f"{each:g}" for each in cells["count"])
            why = "collar classes of one stage on one subplot, added up: its area counts once"
            line = int(cells["row"].iat[0])
            readings.append(Reading(file, line, "count", written, f"{total.loc[place]:g}", why))
    return summed.reset_index(drop=True)
