"""The first table of the report: what stands there and since when, a row a unit."""

from __future__ import annotations

import pandas as pd

from standage.findings.cannot_tell import AGREED, WIDE_YEARS, oldest_before, reach_assumed
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.prose.measures import HECTARES_PER_ACRE, US, Measures, per_acre
from standage.prose.unit_answer import points, unit_name
from standage.prose.wording import rounding_of, sayable
from standage.report.shown_tables import Cell, ShownTable, share_cell

CANT_TELL = "can't tell"
AGES = (60, 100, 150)  # ages whose share of the stems is told, as in stand_summary.csv [years]


def glance(summary_rows: list, measures: Measures) -> ShownTable:
    """Stems and basal area, oldest tree, the shortest span that holds half of the stems, shares by
    age, last recruitment.

    summary_rows: rows of `stand_summary`. An interval stands under its middle; `can't tell` where
    the survey knows nothing.
    """
    heads = [
        "Stand and species",
        "Living stems per hectare",
        "Basal area",
        "Oldest tree",
        "Half of the stems came in",
        *(f"Stems over {age} years" for age in AGES),
        "Last recruitment",
    ]
    rows = []
    for row in summary_rows:
        marks = [
            mark
            for mark, there in (
                ("years at coring height", row["basis"] == CORING_HEIGHT),
                ("among sampled trees", row["amounts"] == SAMPLED),
            )
            if there
        ]
        basal = float(row["basal_area_m2_ha"])
        rows.append(
            [
                Cell(unit_name(row), ", ".join(marks)),
                _density(row, measures),
                Cell("no plots") if pd.isna(basal) else Cell(*measures.basal_area_parts(basal)),
                _oldest(row),
                _half_span(row),
                *(_share(row, f"share_over_{age}_years") for age in AGES),
                _year(row, "last_recruitment_year"),
            ]
        )
    return ShownTable("At a glance", heads, rows)


def _density(row, measures: Measures) -> Cell:
    low, middle, high = points(row, "stems_per_ha")
    if pd.isna(middle):
        return Cell("no plots", "")
    beside = f" = {sayable(middle * HECTARES_PER_ACRE)} per acre" if measures.units == US else ""
    ends = f"{sayable(low)} to {sayable(high)}"
    if measures.units == US:
        ends += f" = {per_acre(low, high, '/acre')}"
    return Cell(f"{sayable(middle)}{beside}", ends)


def _oldest(row) -> Cell:
    """What the sentences say of it, and no year where they give none."""
    if reach_assumed(row):
        return Cell(CANT_TELL, "")
    if oldest_before(row):
        return Cell(f"{int(row['oldest_year_high'])} or before", "")
    return _year(row, "oldest_year")


def _half_span(row) -> Cell:
    if pd.isna(row["half_span_first"]) or reach_assumed(row):
        return Cell(CANT_TELL, "")
    low, middle, high = points(row, "half_span_years")
    if row["half_span_agreed"] < AGREED:
        return Cell("can't tell which", f"within {low:.0f} to {high:.0f} years")
    if middle > WIDE_YEARS:
        return Cell("many ages", f"no span under {middle:.0f} years")
    return Cell(f"{int(row['half_span_first'])} to {int(row['half_span_last'])}", "")


def _year(row, name: str) -> Cell:
    low, middle, high = points(row, name)
    if pd.isna(middle):
        return Cell(CANT_TELL, "")
    step = rounding_of(high - low)
    return Cell(f"{round(middle / step) * step}", f"{low:.0f} to {high:.0f}")


def _share(row, name: str) -> Cell:
    low, middle, high = points(row, name)
    return Cell(CANT_TELL, "") if pd.isna(middle) else share_cell(low, middle, high)
