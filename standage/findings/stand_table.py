"""The stand table: stems and basal area by age class, by diameter class and by cohort.

What no cored tree dates is one row without years, so that groups of each kind add up to the stand
in every draw and no decade is given for known that isn't.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.cohorts import CLASS_YEARS
from standage.findings.intervals import interval_columns
from standage.findings.population import Population
from standage.findings.stems import CORING_HEIGHT, unit_basis, unit_label

if TYPE_CHECKING:
    from standage.findings.findings import Findings

CLASS_CM = 5  # width of a diameter class, from multiples of it on (common practice, no source) [cm]
STAND, AGE_CLASS, DIAMETER_CLASS, COHORT = "stand", "age class", "diameter class", "cohort"
UNDATED, UNLISTED = "without cored tree", "not listed"

STAND_TABLE = schema.ResultTable(
    "stand_table",
    "a stand and species with plots and a group of its stems",
    (
        *schema.UNIT,
        *schema.code(
            "grouped_by",
            "what makes the group",
            {
                STAND: "all stems, as in `stand_summary.csv`",
                AGE_CLASS: "ten years of establishment",
                DIAMETER_CLASS: "at breast height",
                COHORT: "years of a pulse, or before, between and after pulses",
            },
        ),
        *schema.text(
            "group",
            f"its name; `{UNDATED}`: all years to which no cored tree is dated;"
            f" `{UNLISTED}`: an allowance for stems unlike any listed",
        ),
        *schema.year("first_year last_year", "of an age class or a cohort"),
        *schema.number("from_cm to_cm", "cm", "of a diameter class, the second not in it"),
        *schema.number("stems_per_ha", "stems/ha", "living stems", interval=True),
        *schema.number("basal_area_m2_ha", "m2/ha", "of these", interval=True),
        *schema.whole("cored_trees", "trees", "dated to it", blank="of a diameter class"),
        *schema.BASIS,
    ),
    remark="Groups of one kind add up to the stand, draw by draw; medians and ends of intervals"
    " don't add.",
)


@dataclass(frozen=True, eq=False)
class Group:
    """Some of the stems of a unit. stems, basal_area: of each draw. (draw,) [stems/ha, m2/ha]"""

    grouped_by: str
    name: str
    stems: np.ndarray
    basal_area: np.ndarray
    first_year: float = np.nan
    last_year: float = np.nan
    from_cm: float = np.nan
    to_cm: float = np.nan
    cored_trees: float = np.nan


def stand_table(findings: Findings) -> pd.DataFrame:
    """One row a unit with plots and a group of its stems; none for other units."""
    level, rows = findings.level, []
    for number, unit in enumerate(findings.posterior.units):
        for group in unit_groups(findings, number) if unit.has_plots else ():
            row: dict[str, Any] = {
                "grouped_by": group.grouped_by,
                "group": group.name,
                **{
                    name: getattr(group, name)
                    for name in ("first_year", "last_year", "from_cm", "to_cm", "cored_trees")
                },
                **interval_columns("stems_per_ha", group.stems, level),
                **interval_columns("basal_area_m2_ha", group.basal_area, level),
            }
            rows.append({**unit_label(unit), **row, "basis": unit_basis(unit)["basis"]})
    return STAND_TABLE.frame(rows)


def unit_groups(findings: Findings, number: int) -> list[Group]:
    """All groups of a unit with plots."""
    members, dated = findings.populations[number], _cored_years(findings, number)
    whole = Group(
        STAND, "all", members.total, members.total_basal_area, cored_trees=float(len(dated))
    )
    first, last = int(members.years[0]), int(members.years[-1])
    decades = range(first // CLASS_YEARS * CLASS_YEARS, last + 1, CLASS_YEARS)
    classes = [(f"{year} to {min(year + 9, last)}", year, min(year + 9, last)) for year in decades]
    cohorts = _cohort_years(findings, number, first, last)
    return [
        whole,
        *_by_years(members, AGE_CLASS, classes, dated, whole),
        *_by_diameter(members, whole),
        *(_by_years(members, COHORT, cohorts, dated, whole) if cohorts else ()),
    ]


def _cored_years(findings: Findings, number: int) -> np.ndarray:
    """Median year of each living tree of a unit that is dated by its core."""
    unit, trees = findings.posterior.units[number], findings.tree_dates
    own = (trees["stand"] == unit.stand) & (trees["species"] == unit.species)
    cored = trees[own & (trees["basis"] == "cored") & (trees["status"] == "live")]
    name = "coring_height_year" if unit.basis == CORING_HEIGHT else "establishment_year"
    return cored[f"{name}_median"].dropna().to_numpy(dtype=float)


Years = tuple[str, int, int]  # a name, and its first and last year


def _cohort_years(findings: Findings, number: int, first: int, last: int) -> list[Years]:
    """The years of each pulse, from median start to median end, and those around them."""
    unit, pulses = findings.posterior.units[number], findings.pulses
    own = pulses[(pulses["stand"] == unit.stand) & (pulses["species"] == unit.species)]
    spans = [
        (f"pulse {row.pulse}", int(row.start_median), int(row.end_median))
        for row in own.itertuples()
    ]
    if not spans:
        return []
    between = [
        (f"between pulses {number} and {number + 1}", earlier[2] + 1, later[1] - 1)
        for number, (earlier, later) in enumerate(pairwise(spans), 1)
    ]
    around = [("before the pulses", first, spans[0][1] - 1), *between]
    around.append(("after the pulses", spans[-1][2] + 1, last))
    return sorted(
        (each for each in (*spans, *around) if each[1] <= each[2]), key=lambda each: each[1]
    )


def _by_years(
    members: Population, kind: str, spans: Sequence[Years], dated: np.ndarray, whole: Group
) -> Iterator[Group]:
    """A group for each span of years to which a cored tree is dated, and one for the rest."""
    stems, area = members.by_year, members.basal_area_by_year
    left, left_area = whole.stems.copy(), whole.basal_area.copy()
    for name, first, last in spans:
        cored = int(((dated >= first) & (dated <= last)).sum())
        if not cored:
            continue
        inside = (members.years >= first) & (members.years <= last)
        held, held_area = stems[:, inside].sum(axis=1), area[:, inside].sum(axis=1)
        left, left_area = left - held, left_area - held_area
        yield Group(kind, name, held, held_area, first, last, cored_trees=cored)
    # below zero by rounding alone
    yield Group(kind, UNDATED, np.maximum(left, 0), np.maximum(left_area, 0), cored_trees=0)


def _by_diameter(members: Population, whole: Group) -> Iterator[Group]:
    """A group for each diameter class with a listed stem, and the allowance for others."""
    classes = np.floor(members.dbh_cm / CLASS_CM) * CLASS_CM
    for lower in np.unique(classes):
        inside = classes == lower
        held = members.stems[:, inside]
        yield Group(
            DIAMETER_CLASS,
            f"{lower:g} to {lower + CLASS_CM:g} cm",
            held.sum(axis=1),
            held @ members.basal_area[inside],
            from_cm=lower,
            to_cm=lower + CLASS_CM,
        )
    others = members.others.sum(axis=1)
    yield Group(DIAMETER_CLASS, UNLISTED, others, np.zeros(len(others)))
