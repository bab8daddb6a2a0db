"""The results of all stands in one long table: a row for a number, for those who filter, pivot or
map.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.cohorts import COHORTS
from standage.findings.pulses import PULSES
from standage.findings.stand_places import stand_places
from standage.findings.stand_summary import STAND_SUMMARY
from standage.survey.survey import Survey

# tables taken, and what distinguishes their rows
SOURCES = (
    (STAND_SUMMARY, ()),
    (COHORTS, ("first_year", "last_year")),
    (PULSES, ("pulse",)),
)
WITHOUT_INTERVAL = "basal_area_m2_ha"  # taken where it has none, too
ALL_STANDS = schema.ResultTable(
    "all_stands",
    "a number of `stand_summary.csv`, `cohorts.csv` or `pulses.csv` with an interval",
    (
        *schema.text("survey", "or, from `standage compare`, the result"),
        *schema.UNIT,
        *schema.text("community", "as in `stands.csv`"),
        *schema.number("latitude longitude", "degrees", "as in `stand_summary.csv`"),
        *schema.text("survey_date", "year, month and day"),
        *schema.text("table", "the table it comes from"),
        *schema.text("measure", "the column there, without its ending"),
        *schema.whole("pulse", "", "of a pulse: its number"),
        *schema.year("first_year last_year", "of a cohort: its class"),
        *schema.text("unit", "of the three numbers"),
        *schema.number(
            "low median high", "as in `unit`", "`median` alone where it has no interval"
        ),
        *schema.probability("probability", "of a pulse"),
        *schema.BASIS,
        *schema.AMOUNTS,
    ),
    remark="What the survey can't say has no row.",
)


def all_stands_table(tables: Mapping[str, pd.DataFrame], survey: Survey) -> pd.DataFrame:
    """Every number with an interval of `stand_summary`, `cohorts` and `pulses`, one below the
    other.

    tables: those three by name. survey: where stands, communities and coordinates are read.

    Returns
    -------
    One row for a stand, species, measure and, where there are such, pulse or class of years. A
    number without interval stands under `median` alone; what the survey can't say has no row.
    """
    parts = [_long(source, tables[source.name], keys) for source, keys in SOURCES]
    table = pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)
    where = stand_places(survey.stands)
    return ALL_STANDS.frame(table.merge(where, on="stand", how="left").assign(survey=survey.name))


def _long(source: schema.ResultTable, table: pd.DataFrame, keys: tuple[str, ...]) -> pd.DataFrame:
    label = ["stand", "species", *keys, "basis", "amounts"]
    parts = [
        table[label]
        .assign(
            table=source.name,
            measure=column.name,
            unit=column.unit,
            probability=table.get("probability", np.nan),
            **_points(column, table),
        )
        .query("median.notna()")
        for column in _measures(source)
    ]
    return pd.concat(parts, ignore_index=True).sort_values(["stand", "species"], kind="stable")


def _measures(source: schema.ResultTable) -> list[schema.ResultColumn]:
    """What has an interval, then what is taken without one."""
    return [
        *(column for column in source.columns if column.interval),
        *(
            column
            for column in source.columns
            if column.name == WITHOUT_INTERVAL and not column.interval
        ),
    ]


def _points(column: schema.ResultColumn, table: pd.DataFrame) -> dict[str, pd.Series]:
    names = column.names if column.interval else (None, column.name, None)
    blank = pd.Series(np.nan, index=table.index)
    return {
        point: blank if name is None else table[name].astype(float)
        for point, name in zip(("low", "median", "high"), names, strict=True)
    }
