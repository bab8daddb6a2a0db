"""One line a stand and species: what stands there, since when, and what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.age_structure import age_structure
from standage.findings.intervals import (
    SUFFIXES,
    fullest_span,
    interval_columns,
    shortest_span,
    typical_span,
)
from standage.findings.most_stems import most_stems
from standage.findings.population import Population
from standage.findings.recruitment_shapes import RecruitmentShape
from standage.findings.regeneration import (
    STAGES,
    established_seedlings,
    regeneration,
    stocking_probability,
)
from standage.findings.stand_places import COORDINATES, stand_places
from standage.findings.stems import (
    CORING_HEIGHT,
    basal_area_each,
    dated_years,
    stems_per_hectare_each,
    trees_of_unknown_reach,
    unit_basis,
    unit_label,
)
from standage.findings.young_cohort import young_cohort
from standage.stand.posterior import Posterior, Unit
from standage.survey.survey import Survey

if TYPE_CHECKING:
    from standage.findings.findings import Findings

CENTRES = ("pith", "arcs", "straight", "rotten", "unknown")
FAILED_ATTEMPTS = ("no_sound_wood", "unreadable")
AGES = (60, 100, 120, 150)  # ages whose share of the stems is given [years]
MIDDLE_SHARE = 0.8  # of the stems, between the years by which a tenth and nine tenths came
# span in which an even-aged stand has nearly all its stems (common practice, no source) [years]
EVEN_AGED_YEARS = 20
EVEN_AGED_SHARE = 0.8  # "nearly all" (assumption)

NOT_AT_CORING_HEIGHT = "basis `coring height`"


def _span(name: str) -> tuple[schema.ResultColumn, ...]:
    """Columns of the shortest span of years that holds a share of the stems."""
    return (
        *schema.year(
            f"{name}_first {name}_last",
            "the shortest span with half, or 80 %, of the stems, in the most typical draw",
        ),
        *schema.number(f"{name}_agreed", "share of draws", "that agree with it"),
        *schema.whole(f"{name}_years", "years", "its length", interval=True),
    )


STAND_SUMMARY = schema.ResultTable(
    "stand_summary",
    "a stand and species (a unit)",
    (
        *schema.UNIT,
        *schema.text("community", "as in `stands.csv`"),
        *schema.number("latitude longitude", "degrees", "as `--coordinates-to` says"),
        *schema.number(
            "diameter_limit_cm",
            "cm",
            "smallest of the stems that this table is about",
            blank="without plots: the sampled trees",
        ),
        *schema.number(
            "sampled_share",
            "share",
            "of the stand's area in plots",
            blank="`area_ha` isn't recorded",
        ),
        *schema.number("stems_per_ha", "stems/ha", "living stems", interval=True),
        *schema.number(
            "stand_basal_area_m2_ha", "m2/ha", "their basal area in the whole stand", interval=True
        ),
        *schema.number(
            "basal_area_m2_ha",
            "m2/ha",
            "of the live stems listed, a plain sum",
        ),
        *schema.text(
            "oldest_cored_tree",
            "in a plot or not: a least age of the stand",
            blank="no tree is dated by core",
        ),
        *schema.year("oldest_cored_year", "its year", interval=True),
        *_span("half_span"),
        *_span("span_80"),
        *schema.year(
            "middle_span_first middle_span_last",
            "by when a tenth, and nine tenths, had established",
            interval=True,
        ),
        *schema.year("most_stems_first most_stems_last", "the fewest years that hold most stems"),
        *schema.probability("most_stems_probability", "that these hold more than half"),
        *schema.probability(
            "probability_even_aged probability_two_aged probability_uneven_aged",
            "that some 20 years hold 80 % of the stems; that two times 20 do; that they don't",
        ),
        *schema.probability(
            "probability_steady probability_rise probability_fall probability_pulse",
            "that recruitment was steady; rose, or fell, to a level that lasted; had a pulse",
        ),
        *schema.probability(
            "probability_shape_unseen",
            "the rest: too near an end of the record, or too few dated stems, to tell",
        ),
        *schema.year(
            "change_year",
            "the first of the new level, if it rose or fell",
            interval=True,
        ),
        *schema.year("record_first record_last", "between which shapes are told apart"),
        *schema.number(
            " ".join(f"share_over_{age}_years" for age in AGES),
            "share of stems",
            "older than so many years",
            interval=True,
        ),
        *schema.number(
            " ".join(f"basal_area_share_over_{age}_years" for age in AGES),
            "share of basal area",
            "of stems older than so many years",
            interval=True,
        ),
        *schema.number(
            "grass_stage_per_ha",
            "plants/ha",
            "without a stem, germinants too",
            blank=NOT_AT_CORING_HEIGHT,
            interval=True,
        ),
        *schema.number(
            " ".join(f"{stage}_per_ha" for stage in STAGES),
            "plants/ha",
            "living plants of the stage, as in `counts.csv`",
            blank=NOT_AT_CORING_HEIGHT,
            interval=True,
        ),
        *schema.number(
            "established_seedlings_per_ha",
            "plants/ha",
            "grass-stage and emerging plants together",
            blank=NOT_AT_CORING_HEIGHT,
            interval=True,
        ),
        *schema.number("stocking_per_ha", "plants/ha", "the stocking asked for"),
        *schema.probability("probability_stocked", "that grass-stage and emerging plants reach it"),
        *schema.probability(
            "probability_young_cohort",
            "that over four times as many plants of some last ten years live as steady recruitment"
            " leaves",
            blank=NOT_AT_CORING_HEIGHT,
        ),
        *schema.year("densest_20_years_first", "of the 20 years with most stems (median)"),
        *schema.number(
            "share_in_20_years",
            "share of stems",
            f"in these; from {EVEN_AGED_SHARE} on the summary says even-aged (assumption)",
            interval=True,
        ),
        *schema.year("years_from", "first considered; an interval that begins near it is cut off"),
        *schema.whole("listed_stems", "stems", "live stems in the likelihood"),
        *schema.whole("trees_dated", "trees", "of them dated by core"),
        *schema.whole(
            "trees_reach_unknown",
            "trees",
            "of these without pith, its distance or a length of core",
        ),
        *schema.whole(
            " ".join(["cores", *(f"cores_{centre}" for centre in CENTRES)]),
            "cores",
            "of the species, and by what was seen of the centre",
        ),
        *schema.whole("attempts_failed", "trees", "without sound wood or a readable core"),
        *schema.whole("plots", "plots", "of the stand"),
        *schema.text("placement", "how they were placed, or `no plots`"),
        *schema.BASIS,
        *schema.AMOUNTS,
    ),
)


def stand_summary_table(findings: Findings) -> pd.DataFrame:
    """What stands in each unit and when it came.

    Amounts, spans and shares are of the unit's `Population`. `half_span_first` and `_last` bound
    the shortest span of years that holds half of them (that of the most typical draw),
    `half_span_agreed` is the share of draws that agree with it; `span_80_*` is the same for 80
    %; `share_in_20_years` is the largest share that established within any twenty years.
    `oldest_cored_tree` is the cored live tree of the earliest median, picked by eye or not.
    `basal_area_m2_ha` is a plain sum over the listed stems and has no interval. Columns that need
    plots are blank without them, those of the grass stage also under basis `coring height`.

    Returns
    -------
    One row a unit.
    """
    places = stand_places(findings.survey.stands).set_index("stand")
    units = range(len(findings.posterior.units))
    return STAND_SUMMARY.frame([_unit_row(findings, number, places) for number in units])


def _unit_row(findings: Findings, number: int, places: pd.DataFrame) -> dict[str, Any]:
    posterior, level = findings.posterior, findings.level
    unit = posterior.units[number]
    years = posterior.unit(number).own_years
    members = findings.populations[number]
    stems = members.by_year
    densest_first, densest_share = fullest_span(stems, years, EVEN_AGED_YEARS)
    stand = posterior.survey.stands[posterior.survey.stands["stand"] == unit.stand].iloc[0]
    row = {**unit_label(unit), "community": stand["community"]}
    row |= places.loc[unit.stand, list(COORDINATES)].to_dict()
    row |= {
        "diameter_limit_cm": members.diameter_limit_cm,
        "sampled_share": members.sampled_share,
    }
    area = members.total_basal_area
    if unit.has_plots:
        row |= interval_columns("stems_per_ha", members.total, level)
        row |= interval_columns("stand_basal_area_m2_ha", area, level)
    row["basal_area_m2_ha"] = _basal_area(posterior, number)
    row |= _oldest_cored(posterior, number, level)
    for name, share in (("half_span", 0.5), ("span_80", 0.8)):
        first, last = shortest_span(stems, years, share)
        ends = (f"{name}_first", f"{name}_last", f"{name}_agreed")
        row |= dict(zip(ends, typical_span(first, last), strict=True))
        row |= interval_columns(f"{name}_years", last - first + 1, level, whole=True)
    for age in AGES:
        by_area = members.share_over(age, by_basal_area=True)
        row |= interval_columns(f"share_over_{age}_years", members.share_over(age), level)
        row |= interval_columns(f"basal_area_share_over_{age}_years", by_area, level)
    for name, year in zip(("first", "last"), middle_years(members), strict=True):
        row |= interval_columns(f"middle_span_{name}", year, level, whole=True)
    row |= _most_stems(members, level)
    structures = age_structure(stems)._asdict()
    row |= {f"probability_{structure}": chance for structure, chance in structures.items()}
    row |= _shape(findings.shapes[number], level)
    row |= _stages(findings, number)
    row |= {"densest_20_years_first": _typical_year(densest_first)}
    row |= interval_columns("share_in_20_years", densest_share, level)
    listed = posterior.trees[_listed(posterior, number)]
    dated = listed.loc[listed["basis"] == "cored", "tree"]
    row["years_from"] = float(years[0])
    row["listed_stems"] = len(listed)
    row["trees_dated"] = len(dated)
    row["trees_reach_unknown"] = int(dated.isin(trees_of_unknown_reach(posterior.survey)).sum())
    return row | _what_it_rests_on(posterior.survey, unit) | unit_basis(unit)


def _most_stems(members: Population, level: float) -> dict[str, float]:
    """Columns of the fewest years that hold most stems."""
    found = most_stems(members.by_year, members.years, level)
    if found is None:
        return {}
    return {
        "most_stems_first": float(found.first),
        "most_stems_last": float(found.last),
        "most_stems_probability": found.probability,
    }


def _shape(shape: RecruitmentShape, level: float) -> dict[str, float]:
    """Columns of the shape of recruitment."""
    named = {
        f"probability_{'shape_unseen' if name == 'unseen' else name}": chance
        for name, chance in shape.chances.items()
    }
    year = zip(SUFFIXES, shape.change_year(level), strict=True)
    return (
        named
        | {f"change_year{suffix}": point for suffix, point in year}
        | {"record_first": float(shape.first), "record_last": float(shape.last)}
    )


def _typical_year(years: np.ndarray) -> float:
    known = years[np.isfinite(years)]
    return float(np.rint(np.median(known))) if known.size else np.nan


def _listed(posterior: Posterior, number: int) -> pd.Series:
    """Which rows of the posterior's trees are live stems counted in the unit's likelihood."""
    trees = posterior.trees
    return (
        (trees["unit"] == number) & (trees["status"] == "live") & trees["in_process"].astype(bool)
    )


def _basal_area(posterior: Posterior, number: int) -> float:
    """Basal area of the listed live stems. [m2/ha]"""
    unit = posterior.units[number]
    if not unit.has_plots:
        return np.nan
    listed = posterior.trees[_listed(posterior, number)]
    return float(
        np.nansum(basal_area_each(listed) * stems_per_hectare_each(posterior, listed, unit.stand))
    )


def _oldest_cored(posterior: Posterior, number: int, level: float) -> dict[str, Any]:
    """The cored live tree of the earliest year.

    Of the oldest tree of all, cored or not, nothing is said: a stem without core is dated by its
    size, and the earliest of many such dates is too early far more often than its interval says.
    """
    trees, years = dated_years(posterior, number, in_process=False)
    cored = trees["cored"].to_numpy(dtype=bool)
    if not cored.any():
        return {}
    names, years = trees["tree"].to_numpy()[cored], years[:, cored]
    oldest = int(np.argmin(np.nanmedian(years, axis=0)))
    return {
        "oldest_cored_tree": str(names[oldest]),
        **interval_columns("oldest_cored_year", years[:, oldest], level, whole=True),
    }


def middle_years(members: Population) -> tuple[np.ndarray, np.ndarray]:
    """Years by which a tenth, and nine tenths, of the stems had established. Each (draw,), NaN in a
    draw without stems. [calendar year]
    """
    held = np.cumsum(members.by_year, axis=1)
    held = held / np.where(held[:, -1:] > 0, held[:, -1:], np.nan)
    tail = (1 - MIDDLE_SHARE) / 2
    first, last = (
        # the tolerance is for a share that is reached exactly, but for rounding
        np.where(np.isnan(held[:, -1]), np.nan, members.years[np.argmax(held >= share - 1e-9, 1)])
        for share in (tail, 1 - tail)
    )
    return first, last


def _stages(findings: Findings, number: int) -> dict[str, Any]:
    """Plants below breast height by stage, and whether they reach the stocking asked for."""
    one = findings.posterior.unit(number)
    if not one.unit.has_plots or one.unit.basis == CORING_HEIGHT:
        return {}
    plants = regeneration(findings.posterior, number)
    without_stem = (one.living_rate * one.share_in_grass_stage).sum(axis=1)
    cohort = young_cohort(findings.scans[number])
    row: dict[str, Any] = {
        "probability_young_cohort": np.nan if cohort is None else cohort.probability,
        "stocking_per_ha": findings.stocking_per_ha,
        "probability_stocked": stocking_probability(plants, findings.stocking_per_ha),
    }
    row |= interval_columns("grass_stage_per_ha", without_stem, findings.level)
    row |= interval_columns(
        "established_seedlings_per_ha", established_seedlings(plants), findings.level
    )
    for stage, amount in plants.items():
        row |= interval_columns(f"{stage}_per_ha", amount, findings.level)
    return row


def _what_it_rests_on(survey: Survey, unit: Unit) -> dict[str, Any]:
    """Cores by what was seen of the centre, attempts that failed, and how the plots were placed."""
    trees = survey.trees[
        (survey.trees["stand"] == unit.stand) & (survey.trees["species"] == unit.species)
    ]
    cores = survey.cores[survey.cores["tree"].isin(trees["tree"])]
    by_centre = cores["centre"].value_counts()
    plots = survey.plots[survey.plots["stand"] == unit.stand]
    placements = [placement or "not recorded" for placement in dict.fromkeys(plots["placement"])]
    return {
        "cores": len(cores),
        **{f"cores_{centre}": int(by_centre.get(centre, 0)) for centre in CENTRES},
        "attempts_failed": int(trees["core_outcome"].isin(FAILED_ATTEMPTS).sum()),
        "plots": len(plots),
        "placement": ", ".join(placements) if len(plots) else "no plots",
    }
