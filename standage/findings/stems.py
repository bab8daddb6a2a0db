"""What the findings ask of a posterior: the years of a unit, its drawn stems and what each stem
stands for.

Rates come from `living`, shares of listed stems from drawn stems; the functions here keep the two
apart by name.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from standage.evidence.centre import reach_unknown
from standage.evidence.tree_ages import last_completed_season
from standage.stand.posterior import Posterior, Unit
from standage.survey.survey import Survey

PER_HECTARE = "per hectare"
SAMPLED = "among sampled trees"
CORING_HEIGHT = "coring height"
SQUARE_METRES_PER_HECTARE = 10_000.0
# share of the dated trees from which on what is assumed of their cores is what years rest on
# (assumption)
MOSTLY = 0.5


def unit_label(unit: Unit) -> dict[str, str]:
    """The columns that say which unit a row is about, and what its years and amounts mean."""
    return {"stand": unit.stand, "species": unit.species}


def unit_basis(unit: Unit) -> dict[str, str]:
    """`basis` (what the years are years of) and `amounts` (what the amounts are amounts of), the
    last columns of a table.
    """
    return {"basis": unit.basis, "amounts": PER_HECTARE if unit.has_plots else SAMPLED}


def dated_years(
    posterior: Posterior, number: int, *, in_process: bool = True
) -> tuple[pd.DataFrame, np.ndarray]:
    """Live stems of a unit with a drawn year.

    Parameters
    ----------
    in_process : only the stems counted in the likelihood; otherwise also those picked by eye
        outside the plots.

    Returns
    -------
    trees : rows of `posterior.trees`.
    years : (draw, tree) float array, year of establishment, or of arrival at coring height where
        that is the unit's basis; NaN in a draw without a year.
    """
    unit = posterior.units[number]
    trees = posterior.trees
    drawn = posterior.year_at_core if unit.basis == CORING_HEIGHT else posterior.establishment_year
    wanted = (trees["unit"].to_numpy() == number) & (trees["status"].to_numpy() == "live")
    if in_process:
        wanted &= trees["in_process"].to_numpy().astype(bool)
    wanted &= (np.asarray(drawn) >= 0).any(axis=0)
    years = np.asarray(drawn)[:, wanted].astype(float)
    years[years < 0] = np.nan
    return trees[wanted], years


def stems_per_hectare_each(posterior: Posterior, trees: pd.DataFrame, stand: str) -> np.ndarray:
    """Stems per hectare that one listed stem stands for. (tree,) [1/ha]

    Plots of one stand may list different diameters (nested plots), so a stem stands for one over
    the area of those plots of its stand in which a stem of its diameter would have been listed. NaN
    for a stem outside the plots.
    """
    plots = posterior.survey.plots
    plots = plots[plots["stand"] == stand]
    diameter = trees["dbh_cm"].to_numpy(dtype=float)[:, None]
    smallest = plots["min_dbh_cm"].to_numpy(dtype=float)[None, :]
    largest = plots["max_dbh_cm"].fillna(np.inf).to_numpy(dtype=float)[None, :]
    hectares = plots["area_m2"].to_numpy(dtype=float) / SQUARE_METRES_PER_HECTARE
    listed_in = (diameter >= smallest) & (diameter < largest)
    area = listed_in @ hectares
    in_plot = trees["plot"].to_numpy() != ""
    return np.where(in_plot & (area > 0), 1 / np.where(area > 0, area, 1), np.nan)


def basal_area_each(trees: pd.DataFrame) -> np.ndarray:
    """Cross-section of each stem at breast height, over bark. (tree,) [m2]"""
    return np.pi / 4 * (trees["dbh_cm"].to_numpy(dtype=float) / 100) ** 2


def completed_season(survey: Survey, stand: str) -> int:
    """Last growing season that was over at the survey: ages are seasons completed."""
    return last_completed_season(
        survey.stands.loc[survey.stands["stand"] == stand, "survey_date"].iloc[0]
    )


def survey_year(survey: Survey, stand: str) -> int:
    """Year in which a stand was surveyed."""
    return int(survey.stands.loc[survey.stands["stand"] == stand, "survey_date"].iloc[0].year)


def stage_count_area(survey: Survey, unit: Unit) -> float:
    """Area in which stems of the unit still in the grass stage were searched for. [ha]"""
    plots = survey.plots.loc[survey.plots["stand"] == unit.stand, "plot"]
    counts = survey.counts
    searched = (
        counts["plot"].isin(plots)
        & (counts["stage"] == "grass")
        & (counts["species"] == unit.species)
    )
    return float(counts.loc[searched, "area_m2"].sum()) / SQUARE_METRES_PER_HECTARE


def trees_of_unknown_reach(survey: Survey) -> set[str]:
    """Cored trees of which no core tells how far from the pith it ended, see
    `standage.evidence.centre.reach_unknown`.
    """
    cores = survey.cores
    return set(cores["tree"]) - set(cores["tree"][~reach_unknown(cores)])


def dated_by_core(posterior: Posterior, trees: pd.DataFrame) -> np.ndarray:
    """Which stems have a year that rests on wood, of rows of `posterior.trees`. (tree,) bool

    Sizes alone don't tell years. Nor do cores of which it isn't known how far from the pith they
    ended: cores alike in length would pass for trees alike in age.
    """
    return (
        trees["cored"].to_numpy(dtype=bool)
        & ~trees["tree"].isin(trees_of_unknown_reach(posterior.survey)).to_numpy()
    )
