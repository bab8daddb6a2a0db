"""The score from which a pulse is reported, by the number of stems that the survey lists.

The table beside this module holds the 97.5 % point of the best score over surveys simulated without any pulse, so that at most one survey
in forty reports a pulse that is none; `tests/studies/pulses.py limits` makes it. Outside what was simulated the limit is an assumption and
is said to be.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

import numpy as np
import pandas as pd

from standage.findings.stems import CORING_HEIGHT, dated_years

ASSUMED_LIMIT = 0.9  # above all that were simulated; assumption, no source
LEAST_LIMIT = 0.5  # a pulse that is less likely than not is never reported, however rare such a score is without pulses
REACH = 2.0  # a survey with fewer than 1/REACH of the least listed stems of the table, or more than REACH times the most, was not simulated


@dataclass(frozen=True)
class ReportingLimit:
    """Score from which a pulse is reported.

    Attributes
    ----------
    value : probability that a window stands out, 0 to 1.
    status : `simulated` or `assumed`.
    """

    value: float
    status: str


def limit_table() -> pd.DataFrame:
    """Limits by size of the survey: `listed_stems, limit, simulated_surveys`, the fewest stems first; may have no row."""
    with files("standage.findings").joinpath("pulse_limit.csv").open(encoding="utf-8") as table:
        return pd.read_csv(table)


def reporting_limit(listed_stems: float, *, table: pd.DataFrame | None = None) -> ReportingLimit:
    """Between two sizes of the table the limit rises evenly with the logarithm of the stems; beyond its ends it stays."""
    table = limit_table() if table is None else table
    if table.empty:
        return ReportingLimit(ASSUMED_LIMIT, "assumed")
    sizes, limits = table["listed_stems"].to_numpy(dtype=float), table["limit"].to_numpy(dtype=float)
    if not sizes.min() / REACH <= listed_stems <= sizes.max() * REACH:
        return ReportingLimit(max(float(limits.max()), ASSUMED_LIMIT), "assumed")
    return ReportingLimit(float(np.interp(np.log(listed_stems), np.log(sizes), limits)), "simulated")


def unit_limit(posterior, number: int, *, table: pd.DataFrame | None = None) -> ReportingLimit:
    """The reporting limit of a unit."""
    if posterior.units[number].basis == CORING_HEIGHT or not posterior.units[number].has_plots:
        return ReportingLimit(ASSUMED_LIMIT, "assumed")  # the simulated surveys all had plots and coring heights
    trees, _ = dated_years(posterior, number)
    return reporting_limit(len(trees), table=table)
