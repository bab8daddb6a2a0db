"""The score from which a pulse is reported, by the design of the survey.

The table beside this module holds the 97.5 % point of the best score over surveys simulated without any pulse, so that at most
one survey in forty of that design reports a pulse that is none; `tests/studies/pulses.py limits` makes it. While it has no row the
limit is an assumption and is said to be.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from itertools import product

import numpy as np
import pandas as pd

from standage.findings.stems import CORING_HEIGHT, dated_years

ASSUMED_LIMIT = 0.95  # used until simulated surveys say otherwise; assumption, no source
LEAST_LIMIT = 0.5  # a pulse that is less likely than not is never reported, however rare such a score is without pulses
REACH = 2.0  # a design with fewer than 1/REACH of the least listed stems simulated, or more than REACH times the most, was not simulated
DESIGN = ("listed_stems", "share_cored", "delay_sd_years")


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
    """Limits by design: `listed_stems, share_cored, delay_sd_years, limit, simulated_surveys`; may have no row."""
    with files("standage.findings").joinpath("pulse_limit.csv").open(encoding="utf-8") as table:
        return pd.read_csv(table)


def reporting_limit(listed_stems: float, share_cored: float, delay_sd_years: float, *, table: pd.DataFrame | None = None) -> ReportingLimit:
    """The highest limit among the designs of the table that enclose this one; the nearest ones a little beyond its ends."""
    table = limit_table() if table is None else table
    if table.empty:
        return ReportingLimit(ASSUMED_LIMIT, "assumed")
    design = dict(zip(DESIGN, (listed_stems, share_cored, delay_sd_years), strict=True))
    sides = [_enclosing(table[name].to_numpy(), value) for name, value in design.items()]
    at_corner = np.zeros(len(table), dtype=bool)
    for corner in product(*sides):
        at_corner |= np.logical_and.reduce([table[name].to_numpy() == value for name, value in zip(DESIGN, corner, strict=True)])
    # a table with holes may have no row at any corner: then the most cautious of all
    limits = table["limit"][at_corner] if at_corner.any() else table["limit"]
    simulated = table["listed_stems"].min() / REACH <= listed_stems <= table["listed_stems"].max() * REACH
    if not simulated:
        return ReportingLimit(max(float(limits.max()), ASSUMED_LIMIT), "assumed")
    return ReportingLimit(float(limits.max()), "simulated")


def _enclosing(values: np.ndarray, wanted: float) -> set[float]:
    """The values just below and just above the one wanted."""
    below, above = values[values <= wanted], values[values >= wanted]
    return {below.max() if below.size else above.min(), above.min() if above.size else below.max()}


def unit_limit(posterior, number: int, *, table: pd.DataFrame | None = None) -> ReportingLimit:
    """The reporting limit for a unit's own design."""
    if posterior.units[number].basis == CORING_HEIGHT or not posterior.units[number].has_plots:
        return ReportingLimit(ASSUMED_LIMIT, "assumed")  # the simulated surveys all had plots and coring heights
    trees, _ = dated_years(posterior, number)
    listed = len(trees)
    share_cored = float(trees["cored"].astype(bool).mean()) if listed else 0.0
    return reporting_limit(listed, share_cored, delay_spread(posterior, number), table=table)


def delay_spread(posterior, number: int) -> float:
    """Standard deviation of the delay between establishment and breast height within the stand. [years]"""
    if posterior.units[number].basis == CORING_HEIGHT:
        return 0.0
    variance = 0.0
    for stage in ("grass", "height"):
        mass = np.asarray(posterior.delay_posterior[number][stage], dtype=float)
        seasons = np.arange(mass.shape[1])
        mean = mass @ seasons
        variance += float(np.mean(mass @ seasons**2 - mean**2))
    return float(np.sqrt(max(variance, 0.0)))
