"""How probably each living stem is over an age: which trees a stand's oldest are likely to be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.intervals import interval_columns
from standage.findings.stems import completed_season, dated_years, unit_basis, unit_label

if TYPE_CHECKING:
    from standage.findings.findings import Findings

AGES = (100, 120, 150)  # common practice of old-growth and legacy-tree rules, no source [years]
RANKED_BY = 120  # the age by which stems are ranked unless another is asked for [years]

# factor by which ages spread wider than drawn when a chance is counted: of simulated trees listed
# as over an age with 98.6 %, 95 % were
WIDER = 1.5

OLD_TREES = schema.ResultTable(
    "old_trees",
    "a dated living stem, the likeliest old ones of each stand first",
    (
        *schema.UNIT,
        *schema.whole("rank", "", "within stand and species"),
        *schema.text("tree plot", "as in `trees.csv`"),
        *schema.number("dbh_cm", "cm", "diameter at breast height"),
        *schema.code("dated_by", "what its date rests on", ("cored", "size", "planted")),
        *schema.whole(
            "age",
            "years",
            "under basis `coring height` since the stem passed it, a least age",
            interval=True,
        ),
        *schema.probability(
            " ".join(f"probability_over_{age}_years" for age in AGES), "that it is older"
        ),
        *schema.number("spare_age", "years", f"`--age-over`; {RANKED_BY} without it"),
        *schema.probability("probability_over_spare_age", "that it is older"),
        *schema.text("scar note", "as in `trees.csv`"),
        *schema.BASIS,
    ),
    remark="Ranked by the probability of being over `spare_age`. No marking order: protected"
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
    posterior = findings.posterior
    trees, years = dated_years(posterior, number, in_process=False)
    age = completed_season(posterior.survey, posterior.units[number].stand) - years + 1
    dated = np.isfinite(age).sum(axis=0)
    middle = np.array([np.median(stem[np.isfinite(stem)]) for stem in age.T])
    spread = middle + WIDER * (age - middle)
    chance = np.array([(spread > each).sum(axis=0) / dated for each in ages])
    return trees, age, chance.reshape(len(ages), len(trees))


def _unit_stems(findings: Findings, number: int) -> pd.DataFrame:
    unit = findings.posterior.units[number]
    trees, age, (*chances, spared) = chances_over(findings, number, (*AGES, findings.spare_age))
    listed = findings.survey.trees.set_index("tree")
    columns = {f"probability_over_{each}_years": of for each, of in zip(AGES, chances, strict=True)}
    table = trees[["tree", "plot", "dbh_cm"]].assign(
        **unit_label(unit),
        dated_by=trees["basis"],
        **interval_columns("age", age, findings.level, whole=True),
        **columns,
        spare_age=findings.spare_age,
        probability_over_spare_age=spared,
        scar=trees["tree"].map(listed["scar"]),
        note=trees["tree"].map(listed["note"]),
        **unit_basis(unit),
    )
    order = ["probability_over_spare_age", *reversed(columns), "age_median"]
    table = table.sort_values(order, ascending=False, kind="stable", ignore_index=True)
    return table.assign(rank=np.arange(1, len(table) + 1)).drop(columns="amounts")
