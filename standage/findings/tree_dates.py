"""When each tree established, how old it is and where the uncertainty comes from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from standage.findings.intervals import interval_columns, whole_numbers
from standage.findings.separate_spans import separate_spans
from standage.findings.stems import completed_season

ONLY_AT_CORE = "coring height not recorded: dated at coring height only"

FROM_THE_CORE_ALONE = (
    "sd_count",
    "sd_centre",
    "sd_height",
    "sd_grass",
    "rings_added_centre_low",
    "rings_added_centre_median",
    "rings_added_centre_high",
)

COLUMNS = (
    *("stand", "tree", "species", "plot", "basis"),
    *("establishment_year_low", "establishment_year_median", "establishment_year_high"),
    *("age_low", "age_median", "age_high", "innermost_ring_year"),
    *(
        "rings_added_centre_low",
        "rings_added_centre_median",
        "rings_added_centre_high",
        "coring_height_cm",
    ),
    *("coring_height_year_low", "coring_height_year_median", "coring_height_year_high"),
    *("years_below_core_low", "years_below_core_median", "years_below_core_high"),
    *("sd_count", "sd_centre", "sd_height", "sd_grass", "sd_total", "left_out_reason", "note"),
    *("status", "dbh_cm", "separate_years"),
)

WHOLE = tuple(
    name
    for name in COLUMNS
    if name.startswith(
        (
            "establishment_year",
            "age_",
            "innermost_ring",
            "coring_height_year",
            "years_below",
            "rings_added",
        )
    )
)


def tree_dates(posterior, *, level: float = 0.9, ages: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row a tree of the survey, dated or with the reason why not.

    `establishment_year` is the calendar year of the first growing season and `age` counts growing
    seasons completed at the survey, for a dead tree at its death or last ring, where either year is
    recorded. `sd_count`, `sd_centre`, `sd_height` and `sd_grass` say what each step adds for the
    core taken alone; `sd_total` is the standard deviation of the establishment year given
    everything, so it can be smaller than the steps together where the stand tells more.
    `separate_years` has the years that a tree may be of where they lie apart, with their shares of
    the probability; blank for all others.

    Parameters
    ----------
    posterior : the posterior of a survey.
    level : credible level of `_low` and `_high`.
    ages : optional table of cores dated one by one: `tree` and any of `sd_count, sd_centre,
        sd_height, sd_grass, rings_added_centre_low, _median, _high`. Without it these columns are
        blank.

    Returns
    -------
    One row a tree in the order of the survey's tree table.
    """
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
    )
    table = _with_core_columns(table, ages)
    table = pd.concat([table, _undated(posterior, table)], ignore_index=True)
    table = whole_numbers(table, WHOLE)
    order = {tree: place for place, tree in enumerate(posterior.survey.trees["tree"])}
    return table[list(COLUMNS)].sort_values(
        "tree", key=lambda names: names.map(order), kind="stable", ignore_index=True
    )


def _last_season(survey, trees: pd.DataFrame) -> np.ndarray:
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


def _with_core_columns(table: pd.DataFrame, ages: pd.DataFrame | None) -> pd.DataFrame:
    if ages is None:
        return table.assign(**dict.fromkeys(FROM_THE_CORE_ALONE, np.nan))
    known = (
        ages.drop_duplicates("tree").set_index("tree").reindex(columns=list(FROM_THE_CORE_ALONE))
    )
    return table.join(known, on="tree")


def _undated(posterior, dated: pd.DataFrame) -> pd.DataFrame:
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
