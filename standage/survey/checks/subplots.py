"""Counts of seedlings on subplots that do not fit into their plot, were entered twice, or stand
closer than plants can.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Hashable, Mapping

import numpy as np
import pandas as pd

from standage.problems import Problem
from standage.survey.checks.rows import Rows, sums_of_groups
from standage.survey.checks.table_checks import reporter
from standage.survey.schema import COUNTS

_VISITS = re.compile(
    r"\b(?:visits?|dates?|day|surveys?|censuse?s?|rounds?|seasons?|years?|yrs?|months?)\b",
    re.IGNORECASE,
)
"""Words in headings of when something was counted (common practice, no source)."""
Tables = Mapping[str, pd.DataFrame]
Files = Mapping[str, str]

PLANTS_PER_M2 = 1000.0
"""Plants of a stage on a square metre, more than ever germinate (assumption)."""
AREA_SLACK = 1.01
"""Areas searched may exceed the plot's by rounding (assumption)."""
OF_ONE_COUNT = (
    *("plot", "subplot", "stage", "species", "area_m2", "age_low_years", "age_high_years"),
    *("collar_low_mm", "collar_high_mm"),
)
"""Columns in which two counts of one visit differ."""
MOST_TWICE = 1 / 3
"""Largest share of rows whose subplots are named before that are taken for slips (assumption)."""


def judge_subplots(
    frames: Tables, files: Files, problems: list[Problem], warnings: list[Problem]
) -> None:
    """Subplots of one plot and stage lie beside each other: together they fit into the plot. Rows
    of several visits are of one area.
    """
    _ask_of_visits(frames["counts"], files["counts"], problems)
    counts, plots = Rows(frames["counts"]), Rows(frames["plots"])
    once = ["plot", "stage", "species", "age_low_years", "age_high_years"]
    alike = counts.row_keys([*once, "collar_low_mm", "collar_high_mm"])
    number = Counter(alike)
    first = {key: place for place, key in reversed(list(enumerate(alike)))}
    table = counts.assign(
        searched=sums_of_groups(counts["area_m2"], alike, alike, np.nan),
        rows_alike=np.array([number[key] for key in alike], dtype=np.int64),
        plot_area=plots.of(counts["plot"], "plot", "area_m2"),
    )
    once_each = np.array([first[key] == place for place, key in enumerate(alike)], dtype=bool)
    reporter(files["counts"], table, problems)(
        (table["searched"] > AREA_SLACK * table["plot_area"])
        & (table["rows_alike"] > 1)
        & once_each,
        "area_m2",
        "{searched} m2 searched for stage '{stage}' in {rows_alike} rows, more than the {plot_area}"
        " m2 of plot '{plot}'",
        "subplots that lie beside each other within the plot",
        "Delete rows that were entered twice, or correct the areas.",
    )
    named = np.asarray(counts["subplot"] != "", dtype=bool)
    keys = (
        counts.row_keys([*once, "collar_low_mm", "collar_high_mm", "subplot", "area_m2"])
        if named.any()
        else []
    )
    earlier: set = set()
    twice = np.zeros(len(named), dtype=bool)
    for place in np.flatnonzero(named):
        twice[place] = keys[place] in earlier
        earlier.add(keys[place])
    # more of them are numbers that begin anew, on each transect or day
    if twice.sum() > MOST_TWICE * named.sum():
        twice[1:] &= [one == other for one, other in zip(keys[1:], keys, strict=False)]
    reporter(files["counts"], table, warnings)(
        twice,
        "subplot",
        "subplot '{subplot}' of plot '{plot}' once more for stage '{stage}'",
        "each subplot once",
        "Its plants and its area count twice: delete the row if it was entered twice; of size"
        " classes write the sum, or the limits of each into collar_low_mm and collar_high_mm.",
    )
    reporter(files["counts"], table, warnings)(
        counts["count"] > PLANTS_PER_M2 * counts["area_m2"],
        "count",
        "{count} on {area_m2} m2",
        "no more plants than find room",
        "Check the count and the area searched (in m2).",
    )


def _ask_of_visits(counts: pd.DataFrame, file: str, problems: list[Problem]) -> None:
    """A question where rows of one plot, stage and subplot differ in a column that isn't read and
    is called after visits: their plants would be added up.
    """
    known = [column.name for column in COUNTS.columns]
    alike = Rows(counts).row_keys(OF_ONE_COUNT)
    for heading in (name for name in counts.columns if name not in (*known, "row")):
        if not _VISITS.search(heading.replace("_", " ")):
            continue
        visits: dict[Hashable, set[str]] = {}
        for key, visit in zip(alike, counts[heading], strict=True):
            visits.setdefault(key, set()).add(visit)
        several = next((place for place, key in enumerate(alike) if len(visits[key]) > 1), None)
        if several is None:
            continue
        named = ", ".join(f"'{each}'" for each in dict.fromkeys(counts[heading]))
        found = f"counts of one plot and stage, told apart by '{heading}' alone ({named[:80]})"
        advice = (
            "Keep the rows of the last visit and delete the others: as they stand, their plants and"
            f" areas are added up. If they are of different subplots, head '{heading}' subplot."
        )
        row = int(counts["row"].iat[several])
        problems.append(Problem(file, row, heading, found, "the counts of one visit", advice))
