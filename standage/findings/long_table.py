"""The results of all stands in one long table: a row for a number, for those who filter, pivot or
map.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.findings.intervals import SUFFIXES

COORDINATES = ("latitude", "longitude")
# tables taken, and what tells their rows apart
ROWS_OF = {"stand_summary": (), "cohorts": ("first_year", "last_year"), "pulses": ("pulse",)}
UNITS = {  # by the beginning of a name; the first that fits
    "stems_per_ha": "stems/ha",
    "basal_area": "m2/ha",
    "grass_stage_per_ha": "plants/ha",
    "seedling_stages_per_ha": "plants/ha",
    "half_span_years": "years",
    "span_80_years": "years",
    "share": "share of stems",
    "oldest_year": "calendar year",
    "last_recruitment_year": "calendar year",
    "start": "calendar year",
    "centre": "calendar year",
    "end": "calendar year",
}
COLUMNS = (
    *(
        "survey",
        "stand",
        "species",
        "community",
        *COORDINATES,
        "survey_date",
        "table",
        "measure",
        "pulse",
        "first_year",
        "last_year",
    ),
    *("unit", "low", "median", "high", "probability", "basis", "amounts"),
)


def long_table(tables: Mapping[str, pd.DataFrame], survey) -> pd.DataFrame:
    """Every number with an interval of `stand_summary`, `cohorts` and `pulses`, one below the
    other.

    tables: those three by name. survey: where stands, communities and coordinates are read.

    Returns
    -------
    One row for a stand, species, measure and, where there are such, pulse or class of years. A
    number without interval stands under `median` alone; what the survey can't say has no row.
    """
    parts = [_long(name, tables[name], keys) for name, keys in ROWS_OF.items() if len(tables[name])]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    where = stand_places(survey.stands)
    table = table.merge(where, on="stand", how="left").assign(survey=survey.name)
    table = table.reindex(columns=list(COLUMNS))
    for name in ("pulse", "first_year", "last_year"):
        table[name] = table[name].astype(float).round().astype("Int64")
    return table


def stand_places(stands: pd.DataFrame) -> pd.DataFrame:
    """Community, coordinates and survey date of each stand; blank where the survey doesn't say."""
    dates = pd.to_datetime(stands["survey_date"]).dt.strftime("%Y-%m-%d")
    places = stands.reindex(columns=["stand", "community", *COORDINATES]).assign(
        survey_date=dates.to_numpy()
    )
    return places.assign(**{name: places[name].astype(float) for name in COORDINATES})


def _long(name: str, table: pd.DataFrame, keys: tuple[str, ...]) -> pd.DataFrame:
    measures = list(
        dict.fromkeys(
            column.removesuffix("_median") for column in table if column.endswith("_median")
        )
    )
    plain = [column for column in ("basal_area_m2_ha",) if column in table]
    label = ["stand", "species", *keys, "basis", "amounts"]
    parts = []
    for measure in [*measures, *plain]:
        part = table[label].assign(
            table=name,
            measure=measure,
            unit=_unit(measure),
            probability=table.get("probability", np.nan),
        )
        for suffix in SUFFIXES:
            column = measure if measure in plain and suffix == "_median" else measure + suffix
            part[suffix[1:]] = table[column].astype(float) if column in table else np.nan
        parts.append(part[part["median"].notna()])
    return pd.concat(parts, ignore_index=True).sort_values(["stand", "species"], kind="stable")


def _unit(measure: str) -> str:
    return next(unit for begin, unit in UNITS.items() if measure.startswith(begin))
