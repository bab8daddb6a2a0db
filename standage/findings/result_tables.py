"""All tables of a result, in the order in which they are listed and written."""

from __future__ import annotations

from standage.findings.attribution import ATTRIBUTION
from standage.findings.claim import CLAIMS
from standage.findings.cohorts import COHORTS
from standage.findings.comparison import COMPARISON
from standage.findings.disturbance_decades import DISTURBANCE_DECADES
from standage.findings.disturbances import DISTURBANCES, EVENT_YEARS, TREE_RELEASES
from standage.findings.long_table import ALL_STANDS
from standage.findings.old_trees import OLD_TREES
from standage.findings.parameter_table import PARAMETERS
from standage.findings.prior_sensitivity import PRIOR_SENSITIVITY
from standage.findings.pulses import PULSES
from standage.findings.rates import RATE
from standage.findings.releases import RELEASES
from standage.findings.rereading import REREADING
from standage.findings.schema import ResultTable
from standage.findings.stand_summary import STAND_SUMMARY
from standage.findings.stand_table import STAND_TABLE
from standage.findings.tree_dates import TREE_DATES

# only where the survey has ring widths
RING_TABLES = (RELEASES, TREE_RELEASES, DISTURBANCES, DISTURBANCE_DECADES, EVENT_YEARS)
RESULT_TABLES = (
    *(CLAIMS, STAND_SUMMARY, TREE_DATES, REREADING, OLD_TREES, COHORTS, STAND_TABLE),
    *(RATE, PULSES, ATTRIBUTION),
    *RING_TABLES,
    *(COMPARISON, PARAMETERS, PRIOR_SENSITIVITY, ALL_STANDS),
)


def result_table(name: str) -> ResultTable:
    """The table of that name. Raises KeyError."""
    return {table.name: table for table in RESULT_TABLES}[name]
