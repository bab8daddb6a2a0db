"""When each tree established, how old it is and where the uncertainty comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.intervals import interval_columns
from standage.findings.rereading import misread_by_tree
from standage.findings.separate_spans import separate_spans
from standage.findings.stems import completed_season
from standage.stand.posterior import Posterior
from standage.survey.survey import Survey

if TYPE_CHECKING:
    from standage.findings.findings import Findings

ONLY_AT_CORE = "coring height not recorded: dated at coring height only"

TREE_DATES = schema.ResultTable(
    "tree_dates",
    "a tree, dated or with the reason why not",
    (
        *schema.text("stand tree species plot", "as in `trees.csv`"),
        *schema.code(
            "basis",
            "what the date rests on",
            {
                "cored": "",
                "size": "diameter and the stand's history",
                "planted": "the recorded year",
            },
            blank="not dated",
        ),
        *schema.year(
            "establishment_year",
            "first growing season",
            blank="coring height not recorded",
            interval=True,
        ),
        *schema.whole(
            "age",
            "years",
            "at the survey; of a dead tree at its death or last ring",
            interval=True,
        ),
        *schema.year("innermost_ring_year", "innermost ring seen, as read"),
        *schema.whole(
            "rings_added_centre",
            "rings",
            "from there to the pith, from the tree's cores alone",
            interval=True,
        ),
        *schema.number("coring_height_cm", "cm", "of the lowest core"),
        *schema.year("coring_height_year", "when the stem passed that height", interval=True),
        *schema.whole(
            "years_below_core",
            "years",
            "from establishment until then: grass stage and height growth",
            interval=True,
        ),
        *schema.number(
            "sd_count sd_centre sd_height sd_grass",
            "years",
            "standard deviation added by counting (usual error), rings missed at the centre,"
            " growth to the core's height and the grass stage, core alone",
        ),
        *schema.number("sd_total", "years", "of the establishment year, given the whole survey"),
        *schema.text("left_out_reason", "why it has no date, or no part in the stand's history"),
        *schema.text("note", "what to know about its date"),
        *schema.text("status", "as in `trees.csv`"),
        *schema.number("dbh_cm", "cm", "diameter at breast height"),
        *schema.text(
            "separate_years",
            "of a tree of one time or another, 10 unlikely years or more apart:"
            " these times and shares; its median is unlikely",
        ),
        *schema.probability(
            "misread_probability",
            "that a count of its cores is off beyond its usual error: `rereading.csv`",
            blank="none was counted, or none dates it",
        ),
    ),
    remark="`standage ages SURVEY --csv FILE` writes all but the last four,"
    " from each tree's own cores under a flat prior.",
)
FROM_THE_CORE_ALONE = [
    *("sd_count", "sd_centre", "sd_height", "sd_grass"),
    *TREE_DATES.column("rings_added_centre").names,
]


def tree_date_table(findings: Findings) -> pd.DataFrame:
    """One row a tree of the survey, dated or with the reason why not.

    `establishment_year` is the calendar year of the first growing season and `age` counts growing
    seasons completed at the survey, for a dead tree at its death or last ring, where either year is
    recorded. `sd_count`, `sd_centre`, `sd_height` and `sd_grass` say what each step adds for the
    core taken alone; `sd_total` is the standard deviation of the establishment year given
    everything, so it can be smaller than the steps together where the stand tells more.
    `misread_probability` is that of the likeliest misread of its cores. `separate_years` has the
    years that a tree may be of where they lie apart, with their shares of the probability; blank
    for all others.

    Returns
    -------
    One row a tree in the order of the survey's tree table.
    """
    posterior, level = findings.posterior, findings.level
    trees = posterior.trees.reset_index(drop=True)
    established = _years_or_blank(posterior.establishment_year)
    at_core = _years_or_blank(posterior.year_at_core)
    # a stem without core has a drawn year at breast height; the table speaks of cores only
    at_core[:, ~trees["cored"].to_numpy().astype(bool)] = np.nan
    age = np.maximum(_last_season(posterior.survey, trees) - established + 1, 0)
    only_at_core = np.isfinite(at_core).any(axis=0) & ~np.isfinite(established).any(axis=0)

    table = trees[["stand", "tree", "species", "plot", "basis"]].assign(
        **interval_columns("establishment_year", established, level, whole=True),
        **interval_columns("age", age, level, whole=True),
        innermost_ring_year=trees["innermost_ring_year"],
        coring_height_cm=trees["coring_height_cm"],
        **interval_columns("coring_height_year", at_core, level, whole=True),
        **interval_columns("years_below_core", at_core - established, level, whole=True),
        sd_total=_standard_deviation(established),
        left_out_reason=trees["left_out_reason"],
        note=[
            _joined(note, ONLY_AT_CORE if only else "")
            for note, only in zip(trees["note"], only_at_core, strict=True)
        ],
        status=trees["status"],
        dbh_cm=trees["dbh_cm"],
        separate_years=[
            "; ".join(map(str, separate_spans(years, level))) for years in established.T
        ],
        misread_probability=trees["tree"].map(misread_by_tree(findings)).astype(float),
    )
    table = table.join(_core_columns(findings.ages), on="tree")
    table = pd.concat([table, _undated(posterior, table)], ignore_index=True)
    order = {tree: place for place, tree in enumerate(posterior.survey.trees["tree"])}
    return TREE_DATES.frame(table).sort_values(
        "tree", key=lambda names: names.map(order), kind="stable", ignore_index=True
    )


def _last_season(survey: Survey, trees: pd.DataFrame) -> np.ndarray:
    """Last growing season of each tree's life so far: the last completed at the survey, or a dead
    tree's last. (tree,) NaN unknown
    """
    seasons = {stand: completed_season(survey, stand) for stand in trees["stand"].unique()}
    alive = trees["stand"].map(seasons).to_numpy(dtype=float)
    death = trees["tree"].map(survey.trees.set_index("tree")["death_year"])
    last_ring = trees["tree"].map(survey.cores.groupby("tree")["last_ring_year"].max())
    return np.where(trees["status"] == "live", alive, death.fillna(last_ring).to_numpy(dtype=float))


def _joined(*texts: str) -> str:
    return "; ".join(text for text in texts if text)


def _years_or_blank(years: np.ndarray) -> np.ndarray:
    years = np.asarray(years).astype(float)
    years[years < 0] = np.nan
    return years


def _standard_deviation(years: np.ndarray) -> np.ndarray:
    """Standard deviation by tree over the draws with a year, NaN where there is none. (tree,)
    [years]
    """
    spread = np.full(years.shape[1], np.nan)
    known = np.isfinite(years).any(axis=0)
    spread[known] = np.nanstd(years[:, known], axis=0)
    return spread


def _core_columns(ages: pd.DataFrame) -> pd.DataFrame:
    """What is known of each tree from its own cores, by tree."""
    return ages.drop_duplicates("tree").set_index("tree")[FROM_THE_CORE_ALONE]


def _undated(posterior: Posterior, dated: pd.DataFrame) -> pd.DataFrame:
    """The survey's trees that the posterior does not speak of: kept in the table, with the
    reason.
    """
    trees = posterior.survey.trees
    rest = trees[~trees["tree"].isin(dated["tree"])]
    modelled = {unit.species for unit in posterior.units}
    reasons = [
        "not dated" if species in modelled else f"no profile for species '{species}': tallied only"
        for species in rest["species"]
    ]
    kept = rest[["stand", "tree", "species", "plot", "status", "dbh_cm", "note"]].assign(
        basis="", left_out_reason=reasons, separate_years=""
    )
    return kept.reindex(columns=dated.columns)
