"""Result tables as they are written: with their columns in English, and without what only these are
made from.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from standage.findings.findings import Findings
from standage.findings.result_tables import result_table
from standage.prose.attribution import attribution_columns
from standage.prose.comparison import comparison_columns
from standage.prose.disturbance import event_year_columns
from standage.prose.sensitivity import sensitivity_columns

IN_ENGLISH: dict[str, Callable[[pd.DataFrame], dict[str, list[str]]]] = {
    "attribution": attribution_columns,
    "event_years": event_year_columns,
    "comparison": comparison_columns,
    "prior_sensitivity": sensitivity_columns,
}


def written_tables(findings: Findings) -> dict[str, pd.DataFrame]:
    """All tables of a result by file name without ending."""
    return {name: as_written(name, table) for name, table in findings.tables.items()}


def as_written(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """A table of findings as it is written. name: as in `Findings.tables`."""
    english = IN_ENGLISH[name](table) if name in IN_ENGLISH else {}
    columns = {column: pd.Series(cells, table.index, object) for column, cells in english.items()}
    return table.assign(**columns)[result_table(name).written]
