"""Tables behind the pictures that show what the data taught the model, and where it does not
fit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings.intervals import SUFFIXES, interval_columns
from standage.findings.stems import CORING_HEIGHT, unit_label

if TYPE_CHECKING:
    from standage.findings.findings import Findings

DELAYS = {
    "grass": "years in the grass stage",
    "height": "years from the start of the stem to breast height",
}


def delay_table(findings: Findings) -> pd.DataFrame:
    """Chance of each length of the two delays, before and after the data.

    Returns
    -------
    One row a unit, delay and number of seasons: `stand, species, delay, years, prior_low, _median,
    _high, posterior_low, _median, _high`. Units at basis `coring height` have no delays and no row.
    """
    posterior, level = findings.posterior, findings.level
    tables = [pd.DataFrame(columns=["stand", "species", "delay", "years"])]
    for number, unit in enumerate(posterior.units):
        if unit.basis == CORING_HEIGHT:
            continue
        for stage in DELAYS:
            before = np.asarray(posterior.unit(number).prior_delays[stage], dtype=float)
            after = np.asarray(posterior.unit(number).delays[stage], dtype=float)
            if after.shape[1] < 2 or np.allclose(after[:, 1:], 0):
                continue  # a species without a grass stage
            columns = {
                "delay": stage,
                "years": np.arange(after.shape[1]),
                **interval_columns("prior", before, level),
                **interval_columns("posterior", after, level),
            }
            tables.append(pd.DataFrame({**unit_label(unit), **columns}))
    return pd.concat([table for table in tables if len(table)] or tables, ignore_index=True)


def size_curve_table(findings: Findings) -> pd.DataFrame:
    """Median diameter by seasons since breast height: `stand, species, seasons, dbh_low,
    dbh_median, dbh_high`. [cm]

    Also `years_to_breast_height`, the mean delay before, so that a picture can set the curve on an
    axis of age.
    """
    posterior, level = findings.posterior, findings.level
    tables = []
    for number, unit in enumerate(posterior.units):
        curve = np.asarray(posterior.unit(number).size_curve, dtype=float)
        before = 0.0
        if unit.basis != CORING_HEIGHT:
            for stage in DELAYS:
                mass = np.asarray(posterior.unit(number).delays[stage], dtype=float)
                before += float(np.mean(mass @ np.arange(mass.shape[1])))
        columns = {
            "seasons": np.arange(curve.shape[1]),
            **interval_columns("dbh", curve, level),
            "years_to_breast_height": before,
        }
        tables.append(pd.DataFrame({**unit_label(unit), **columns}))
    return pd.concat(tables, ignore_index=True)


def diameter_table(findings: Findings) -> pd.DataFrame:
    """Stems listed by class of diameter against those the model expects: `stand, species,
    dbh_from_cm, dbh_to_cm, observed, predicted_*`.

    Units without plots have no row: what was sampled there has no expected number. The last class
    may be open.
    """
    tables = [pd.DataFrame(columns=["stand", "species", "dbh_from_cm", "dbh_to_cm", "observed"])]
    for one in findings.posterior.by_unit:
        if not one.unit.has_plots:
            continue
        columns = {
            "dbh_from_cm": one.diameter_edges_cm[:-1],
            "dbh_to_cm": one.diameter_edges_cm[1:],
            "observed": one.stems_listed,
            **interval_columns("predicted", one.stems_by_diameter, findings.level),
        }
        tables.append(pd.DataFrame({**unit_label(one.unit), **columns}))
    return pd.concat([table for table in tables if len(table)] or tables, ignore_index=True)


def count_table(findings: Findings) -> pd.DataFrame:
    """Plants counted by stage against those the model expects: `stand, species, stage, observed,
    predicted_*, factor`, the last being how many times as many there are as the rest of the survey
    expects.
    """
    expected = [f"predicted{point}" for point in SUFFIXES]
    columns = ["stand", "species", "stage", "observed", *expected, "factor"]
    tables = [
        one.stage_counts.assign(**unit_label(one.unit)).reindex(columns=columns)
        for one in findings.posterior.by_unit
        if len(one.stage_counts)
    ]
    return pd.concat(tables or [pd.DataFrame(columns=columns)], ignore_index=True)
