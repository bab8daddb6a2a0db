"""The score from which a pulse is reported.

The table beside this module holds the 97.5 % point of the best score over surveys simulated without
any pulse, so that at most one survey in forty reports a pulse that is none;
`tests/studies/pulses.py limits` makes it. Stems are counted against chance in every draw, so that
one limit does for small surveys and large ones. For surveys of another kind or size it is an
assumption and is said to be.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

import pandas as pd

from standage.findings.patches import plots_alike_by_chance
from standage.findings.stems import CORING_HEIGHT, dated_years
from standage.stand.posterior import Posterior

# where plots differ, with a chance of at most so much, in when their trees came, spells of single
# plots pass for pulses of the stand below this limit (docs/validation.md, Pulses)
PATCHY_CHANCE, PATCHY_LIMIT = 0.1, 0.85
ASSUMED_LIMIT = 0.8  # well above the simulated one; assumption, no source
# a pulse that is less likely than not is never reported, however rare such a score is without
# pulses
LEAST_LIMIT = 0.5


@dataclass(frozen=True)
class ReportingLimit:
    """Score from which a pulse is reported.

    Attributes
    ----------
    value : probability that a window stands out, 0 to 1.
    status : `simulated`, `assumed` or, raised from a simulated one since plots differ, `patchy`.
    plots_differ : whether it is raised since plots differ in when their trees came.
    """

    value: float
    status: str
    plots_differ: bool = False


def limit_table() -> pd.DataFrame:
    """One row `limit, simulated_surveys, fewest_stems, most_stems`; none where nothing was
    simulated.
    """
    with files("standage.findings").joinpath("pulse_limit.csv").open(encoding="utf-8") as table:
        return pd.read_csv(table)


def reporting_limit(listed_stems: float, table: pd.DataFrame) -> ReportingLimit:
    """The limit for a survey that lists so many stems. table: as `limit_table`."""
    if table.empty:
        return ReportingLimit(ASSUMED_LIMIT, "assumed")
    row = table.iloc[0]
    if not row["fewest_stems"] <= listed_stems <= row["most_stems"]:
        return ReportingLimit(max(float(row["limit"]), ASSUMED_LIMIT), "assumed")
    return ReportingLimit(float(row["limit"]), "simulated")


def unit_limit(posterior: Posterior, number: int, table: pd.DataFrame) -> ReportingLimit:
    """The reporting limit of a unit. table: as `limit_table`."""
    if posterior.units[number].basis == CORING_HEIGHT or not posterior.units[number].has_plots:
        # the simulated surveys all had plots and coring heights
        return ReportingLimit(ASSUMED_LIMIT, "assumed")
    trees, _ = dated_years(posterior, number)
    limit = reporting_limit(len(trees), table)
    if limit.value < PATCHY_LIMIT and plots_alike_by_chance(posterior, number) <= PATCHY_CHANCE:
        status = "patchy" if limit.status == "simulated" else limit.status
        return ReportingLimit(PATCHY_LIMIT, status, plots_differ=True)
    return limit
