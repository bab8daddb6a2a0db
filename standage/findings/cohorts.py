"""Cohorts: how many of today's stems established in each class of years."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.intervals import interval_columns
from standage.findings.stems import CORING_HEIGHT, unit_basis, unit_label

if TYPE_CHECKING:
    from standage.findings.findings import Findings

CLASS_YEARS = 10  # length of a class [years]

COHORTS = schema.ResultTable(
    "cohorts",
    "a stand, species and class of ten years: the cohort histogram",
    (
        *schema.UNIT,
        *schema.year("first_year last_year", "the class; the last ends with the survey season"),
        *schema.number(
            "stems_per_ha",
            "stems/ha",
            "of those from the diameter limit of the summary on",
            interval=True,
        ),
        *schema.number("share", "share of stems", "in the class", interval=True),
        *schema.number("basal_area_m2_ha", "m2/ha", "of the stems of the class", interval=True),
        *schema.number(
            "seedling_stages_per_ha",
            "plants/ha",
            "germinants, grass-stage and emerging plants",
            blank="basis `coring height`",
            interval=True,
        ),
        *schema.BASIS,
        *schema.AMOUNTS,
    ),
)


def cohort_table(findings: Findings, *, class_years: int = CLASS_YEARS) -> pd.DataFrame:
    """Stems, basal area and seedlings by class of establishment years.

    Stems per hectare, shares and basal area are of the unit's `Population`; plants still in the
    seedling stages stand apart, so that a crop of germinants does not drown the trees, and come
    from the establishment process. Without plots there is no hectare to refer to and the columns
    per hectare are blank; under basis `coring height` there are no seedling stages.

    Parameters
    ----------
    class_years : length of a class; classes begin at multiples of it. [years]

    Returns
    -------
    One row a unit and class, in order of years, up to the survey season.

    Raises
    ------
    ValueError if `class_years` is below 1.
    """
    if class_years < 1:
        raise ValueError(f"a class of years must be at least 1 year long, not {class_years}")
    tables = [
        _unit_cohorts(findings, number, class_years)
        for number in range(len(findings.posterior.units))
    ]
    return COHORTS.frame(pd.concat(tables, ignore_index=True))


def _unit_cohorts(findings: Findings, number: int, class_years: int) -> pd.DataFrame:
    posterior, level = findings.posterior, findings.level
    one, unit = posterior.unit(number), posterior.units[number]
    years, living, past = one.own_years, one.living_rate, one.share_past_emerging
    starts, class_of_year = np.unique(years // class_years * class_years, return_inverse=True)
    members = findings.populations[number]
    stems = _sum_by_class(members.by_year, class_of_year, len(starts))
    seedlings = _sum_by_class(living * (1 - past), class_of_year, len(starts))

    table = pd.DataFrame(
        {
            **unit_label(unit),
            "first_year": starts,
            "last_year": np.minimum(starts + class_years - 1, years[-1]),
        }
    )
    total = stems.sum(axis=1, keepdims=True)
    columns = interval_columns("share", stems / np.where(total > 0, total, np.nan), level)
    if unit.has_plots:
        area = _sum_by_class(members.basal_area_by_year, class_of_year, len(starts))
        columns |= interval_columns("stems_per_ha", stems, level)
        columns |= interval_columns("basal_area_m2_ha", area, level)
        if unit.basis != CORING_HEIGHT:
            columns |= interval_columns("seedling_stages_per_ha", seedlings, level)
    return table.assign(**columns, **unit_basis(unit))


def _sum_by_class(amounts: np.ndarray, class_of_year: np.ndarray, classes: int) -> np.ndarray:
    """(draw, year) amounts summed to (draw, class)."""
    member = np.zeros((len(class_of_year), classes))
    member[np.arange(len(class_of_year)), class_of_year] = 1
    return amounts @ member
