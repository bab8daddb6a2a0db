"""The first table of the report: what stands there and since when, a row a unit."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from standage.findings.cannot_tell import AGREED, WIDE_YEARS, reach_assumed
from standage.findings.intervals import Interval
from standage.findings.stand_summary import AGES
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.findings.unit_findings import UnitFindings
from standage.prose.measures import HECTARES_PER_ACRE, US, Measures, per_acre
from standage.prose.wording import rounded, rounding_of
from standage.report.shown_tables import Cell, ShownTable, share_cell

CANT_TELL = "can't tell"


def overview(units: Sequence[UnitFindings], measures: Measures) -> ShownTable:
    """Stems and basal area, oldest cored tree, the shortest span that holds half of the stems,
    shares by age, last recruitment.

    An interval stands under its median; `can't tell` where the survey knows nothing.
    """
    heads = [
        "Stand and species",
        "Living stems per hectare",
        "Basal area",
        "Oldest cored tree",
        "Half of the stems came in",
        *(f"Stems over {age} years" for age in AGES),
        "Last recruitment",
    ]
    rows = [
        [
            _heading(unit),
            _density(unit.interval("stems_per_ha"), measures),
            _basal_area(unit, measures),
            _oldest(unit),
            _half_span(unit),
            *(_share(unit.interval(f"share_over_{age}_years")) for age in AGES),
            _year(unit.interval("last_recruitment_year")),
        ]
        for unit in units
    ]
    return ShownTable("At a glance", heads, rows)


def _heading(unit: UnitFindings) -> Cell:
    remarks = {
        "years at coring height": unit.summary["basis"] == CORING_HEIGHT,
        "among sampled trees": unit.summary["amounts"] == SAMPLED,
    }
    return Cell(unit.name, ", ".join(remark for remark, holds in remarks.items() if holds))


def _basal_area(unit: UnitFindings, measures: Measures) -> Cell:
    basal_area = unit.summary["basal_area_m2_ha"]
    if pd.isna(basal_area):
        return Cell("no plots")
    return Cell(*measures.basal_area_parts(float(basal_area)))


def _density(stems: Interval, measures: Measures) -> Cell:
    if not stems.known:
        return Cell("no plots")
    low, middle, high = (rounded(end) for end in stems)
    if measures.units != US:
        return Cell(middle, f"{low} to {high}")
    return Cell(
        f"{middle} = {rounded(stems.median * HECTARES_PER_ACRE)} per acre",
        f"{low} to {high} = {per_acre(stems.low, stems.high, '/acre')}",
    )


def _oldest(unit: UnitFindings) -> Cell:
    """As the sentences have it, and no year where they give none."""
    if reach_assumed(unit.summary):
        return Cell(CANT_TELL)
    return _year(unit.interval("oldest_cored_year"))


def _half_span(unit: UnitFindings) -> Cell:
    row = unit.summary
    if pd.isna(row["half_span_first"]) or reach_assumed(row):
        return Cell(CANT_TELL)
    span = unit.interval("half_span_years")
    if row["half_span_agreed"] < AGREED:
        return Cell("can't tell which", f"within {span.low:.0f} to {span.high:.0f} years")
    if span.median > WIDE_YEARS:
        return Cell("many ages", f"no span under {span.median:.0f} years")
    return Cell(f"{int(row['half_span_first'])} to {int(row['half_span_last'])}")


def _year(year: Interval) -> Cell:
    if not year.known:
        return Cell(CANT_TELL)
    step = rounding_of(year.width)
    return Cell(f"{round(year.median / step) * step}", f"{year.low:.0f} to {year.high:.0f}")


def _share(share: Interval) -> Cell:
    return share_cell(share) if share.known else Cell(CANT_TELL)
