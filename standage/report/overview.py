"""The first table of the report: what stands there and since when, a row a unit."""

from __future__ import annotations

from standage.findings.cannot_tell import reach_assumed
from standage.findings.findings import Findings
from standage.findings.intervals import Interval
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.findings.unit_findings import UnitFindings
from standage.prose.measures import HECTARES_PER_ACRE, US, Measures, per_acre
from standage.prose.picture_texts import cored_with_year
from standage.prose.wording import percent, rounded, rounding_of
from standage.report.shown_tables import Cell, ShownTable

CANT_TELL = "can't tell"


def overview(findings: Findings, measures: Measures) -> ShownTable:
    """Structure, pulse, oldest cored tree, stems and basal area, and what it rests on: living cored
    trees, plots and their area.

    An interval stands under its median; `can't tell` where the survey knows nothing.
    """
    heads = [
        "Stand and species",
        "Structure",
        "Pulse",
        "Oldest cored tree, established",
        "Living stems per hectare",
        "Basal area",
        "Cored trees",
        "Plots",
    ]
    rows = [
        [
            _heading(unit),
            _structure(findings, unit),
            _pulse(unit),
            _oldest(unit),
            _density(unit.interval("stems_per_ha"), measures),
            _basal_area(unit, measures),
            Cell(str(cored_with_year(unit)), f"of {unit.summary['listed_stems']} stems"),
            _plots(int(unit.summary["plots"]), fitted.area_ha, measures),
        ]
        for unit, fitted in zip(findings.units, findings.posterior.units, strict=True)
    ]
    return ShownTable("Each stand in one row", heads, rows)


def _heading(unit: UnitFindings) -> Cell:
    remarks = {
        "years at coring height": unit.summary["basis"] == CORING_HEIGHT,
        "among sampled trees": unit.summary["amounts"] == SAMPLED,
    }
    return Cell(unit.name, ", ".join(remark for remark, holds in remarks.items() if holds))


def _basal_area(unit: UnitFindings, measures: Measures) -> Cell:
    basal_area = unit.claim("basal area")
    if basal_area is None:
        return Cell("no plots")
    return Cell(*measures.basal_area_parts(basal_area.estimate))


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
    ages = unit.claims_of("one of two ages")
    if ages:
        season = unit.last_season
        likeliest, *others = (
            f"{season + 1 - age.high:.0f} to {season + 1 - age.low:.0f}" for age in ages
        )
        return Cell(likeliest, " ".join(f"or {each}" for each in others))
    return _year(unit.interval("oldest_cored_year"))


def _structure(findings: Findings, unit: UnitFindings) -> Cell:
    for claim in findings.claims_of(unit):
        if claim.kind == "structure":
            return Cell(claim.category, percent(claim.probability))
    return Cell(CANT_TELL)


def _pulse(unit: UnitFindings) -> Cell:
    pulses = unit.pulses.to_dict("records")
    if not pulses:
        return Cell("none stands out")
    spans = [f"{pulse['start_median']} to {pulse['end_median']}" for pulse in pulses]
    return Cell(", ".join(spans), ", ".join(percent(pulse["probability"]) for pulse in pulses))


def _plots(plots: int, hectares: float, measures: Measures) -> Cell:
    if not plots:
        return Cell("no plots")
    acres = f" = {rounded(hectares / HECTARES_PER_ACRE)} acres" if measures.units == US else ""
    return Cell(str(plots), f"{rounded(hectares)} ha{acres}")


def _year(year: Interval) -> Cell:
    if not year.known:
        return Cell(CANT_TELL)
    step = rounding_of(year.width)
    return Cell(f"{round(year.median / step) * step}", f"{year.low:.0f} to {year.high:.0f}")
