"""The living stems by age, and how probably each is over an age."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.intervals import interval_columns
from standage.findings.rereading import misread_by_tree
from standage.findings.stems import (
    CORING_HEIGHT,
    completed_season,
    dated_years,
    unit_basis,
    unit_label,
)
from standage.stand.posterior import Posterior

if TYPE_CHECKING:
    from standage.findings.findings import Findings

AGES = (100, 120, 150)  # common practice of old-growth and legacy-tree rules, no source [years]
RANKED_BY = 120  # the age by which stems are ranked unless another is asked for [years]

# factor by which ages spread wider than drawn when a chance is counted: of simulated trees listed
# as over an age with 98.6 %, 95 % were
WIDER = 1.5

OLD_TREES = schema.ResultTable(
    "old_trees",
    "a dated living stem, the oldest of each stand first",
    (
        *schema.UNIT,
        *schema.whole("rank", "", "by median age, within stand and species"),
        *schema.text("tree plot", "as in `trees.csv`"),
        *schema.number("dbh_cm", "cm", "diameter at breast height"),
        *schema.code("dated_by", "what its date rests on", ("cored", "size", "planted")),
        *schema.whole(
            "age",
            "years",
            "under basis `coring height` (none recorded) since the stem passed it, a least age",
            interval=True,
        ),
        *schema.probability(
            " ".join(f"probability_over_{age}_years" for age in AGES), "that it is older"
        ),
        *schema.number("spare_age", "years", f"`--age-over`; {RANKED_BY} without it"),
        *schema.probability("probability_over_spare_age", "that it is older"),
        *schema.probability(
            "misread_probability", "that a count of it is grossly off", blank="no core counted"
        ),
        *schema.text("scar note", "as in `trees.csv`"),
        *schema.BASIS,
    ),
    remark="Ranked by the median age. No marking order: protected"
    " and cavity trees are spared first, local rules and licensed practice decide. A tree dated by"
    " size is one of many of its size: core it, or spare all of them.",
)


def old_tree_table(findings: Findings) -> pd.DataFrame:
    """One row a living stem with a date, in plots or picked by eye."""
    units = range(len(findings.posterior.units))
    return OLD_TREES.frame(
        pd.concat([_unit_stems(findings, number) for number in units], ignore_index=True)
    )


def chances_over(
    findings: Findings, number: int, ages: Sequence[float]
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """The living stems of a unit, their ages, and how probably each is over each of some ages.

    Returns
    -------
    trees : rows of `posterior.trees`.
    age : NaN in a draw without a year. (draw, tree) [growing seasons completed]
    chance : share of the draws with a year, ages spread by `WIDER`. (age, tree)
    """
    trees, years = dated_years(findings.posterior, number, in_process=False)
    return trees, *_ages_and_chances(findings, number, years, ages)


def _ages_and_chances(
    findings: Findings, number: int, years: np.ndarray, ages: Sequence[float]
) -> tuple[np.ndarray, np.ndarray]:
    """Ages and chances of `chances_over`, from the year of each stem. (draw, tree)"""
    posterior = findings.posterior
    age = completed_season(posterior.survey, posterior.units[number].stand) - years + 1
    dated = np.isfinite(age).sum(axis=0)
    middle = np.array([np.median(stem[np.isfinite(stem)]) for stem in age.T])
    spread = middle + WIDER * (age - middle)
    chance = np.array([(spread > each).sum(axis=0) / dated for each in ages])
    return age, chance.reshape(len(ages), age.shape[1])


def _at_core_only(posterior: Posterior, number: int) -> tuple[pd.DataFrame, np.ndarray]:
    """Living stems of a unit of which only the year at the core is known, as its height is not.
    Returns rows of `posterior.trees`, and the years. (draw, tree)
    """
    established, at_core = (
        np.asarray(drawn) for drawn in (posterior.establishment_year, posterior.year_at_core)
    )
    own = (posterior.trees["unit"] == number) & (posterior.trees["status"] == "live")
    wanted = own.to_numpy() & (at_core >= 0).any(axis=0) & ~(established >= 0).any(axis=0)
    years = at_core[:, wanted].astype(float)
    years[years < 0] = np.nan
    return posterior.trees[wanted], years


def _unit_stems(findings: Findings, number: int) -> pd.DataFrame:
    unit = findings.posterior.units[number]
    ages = (*AGES, findings.spare_age)
    table = _stems(findings, number, *chances_over(findings, number, ages), unit_basis(unit))
    if unit.basis != CORING_HEIGHT:
        trees, years = _at_core_only(findings.posterior, number)
        if len(trees):
            found = _ages_and_chances(findings, number, years, ages)
            least = _stems(findings, number, trees, *found, {"basis": CORING_HEIGHT})
            table = pd.concat([table, least], ignore_index=True)
    table = table.sort_values(
        ["age_median", "probability_over_spare_age"],
        ascending=False,
        kind="stable",
        ignore_index=True,
    )
    return table.assign(rank=np.arange(1, len(table) + 1))


def _stems(
    findings: Findings,
    number: int,
    trees: pd.DataFrame,
    age: np.ndarray,
    all_chances: np.ndarray,
    basis: dict[str, str],
) -> pd.DataFrame:
    """Rows of stems, in the order of the survey."""
    *chances, spared = all_chances
    unit = findings.posterior.units[number]
    listed = findings.survey.trees.set_index("tree")
    columns = {f"probability_over_{each}_years": of for each, of in zip(AGES, chances, strict=True)}
    return trees[["tree", "plot", "dbh_cm"]].assign(
        **unit_label(unit),
        dated_by=trees["basis"],
        **interval_columns("age", age, findings.level, whole=True),
        **columns,
        spare_age=findings.spare_age,
        probability_over_spare_age=spared,
        misread_probability=trees["tree"].map(misread_by_tree(findings)).astype(float),
        scar=trees["tree"].map(listed["scar"]),
        note=trees["tree"].map(listed["note"]),
        basis=basis["basis"],
    )
