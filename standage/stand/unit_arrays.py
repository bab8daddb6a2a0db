"""The arrays of a unit: its plots, stems, stage counts and sections of young plants."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from standage.evidence.known_age import (
    age_to_seasons,
    germinated_after_the_season,
    known_age_of,
)
from standage.stand.chains import reference_height
from standage.stand.data import STAGES, UnitData
from standage.stand.dated_stems import DatedStem, Group
from standage.stand.recorded_cuts import recorded_cuts
from standage.survey.survey import Survey

SQUARE_METRES_PER_HECTARE = 10_000.0


def unit_data(
    survey: Survey,
    group: Group,
    stems: Sequence[DatedStem],
    years: np.ndarray,
    edges: np.ndarray,
    species_index: int,
) -> tuple[UnitData, list[str]]:
    """The arrays of a group that has a history, and what of it can't be used, in sentences."""
    stand, profile = group.stand, group.profile
    season = survey.survey_season(stand)
    begun = age_to_seasons(survey, stand)
    plots = survey.plots[survey.plots["stand"] == stand]
    plots = plots if group.has_plots else plots.iloc[:0]
    low, high = (
        np.array([_edge_index(edges, limit, blank) for limit in plots[name]], dtype=int)
        for name, blank in (("min_dbh_cm", 0), ("max_dbh_cm", len(edges) - 1))
    )
    counts, notes = _counts_used(survey, group, plots)
    use_plots = group.has_plots and not group.at_coring_height
    used = plots if use_plots else plots.iloc[:0]
    inside = group.stems[group.stems["natural"]]
    uncored, often = np.unique(
        np.array([one.dbh_class for one in stems if one.in_process and one.chain is None], int),
        return_counts=True,
    )
    known = known_age_of(survey, stand, group.species, profile)
    kinds, values, heights = known.kind, known.seasons, known.height_cm
    if group.at_coring_height:
        kinds, values, heights = kinds[:0], values[:0], heights[:0]
    shape, removal_m, removal_sd = recorded_cuts(survey, stand, profile, years, season)
    low_of_plot = dict(zip(plots["plot"], low, strict=True))
    unit = UnitData(
        stand=stand,
        species_index=species_index,
        basis="coring height" if group.at_coring_height else "establishment",
        season_index=season - int(years[0]),
        has_plots=use_plots,
        plot_area_ha=used["area_m2"].to_numpy(float) / SQUARE_METRES_PER_HECTARE,
        plot_class_low=low[: len(used)],
        plot_class_high=high[: len(used)],
        plot_stems=np.array([(inside["plot"] == plot).sum() for plot in used["plot"]], dtype=int),
        removal_shape=shape,
        removal_m=removal_m,
        removal_sd=removal_sd,
        reference_height_cm=reference_height(group.at_coring_height, group.commonest_height_cm),
        uncored_class=uncored,
        uncored_count=often.astype(int),
        trees=tuple(one.chain for one in stems if one.in_process and one.chain is not None),
        count_stage=np.array([STAGES.index(stage) for stage in counts["stage"]], dtype=int),
        count_area_ha=counts["area_m2"].to_numpy(float) / SQUARE_METRES_PER_HECTARE,
        count_value=counts["count"].to_numpy(float),
        count_class_low=np.array([low_of_plot[plot] for plot in counts["plot"]], dtype=int),
        count_age_low=_judged(counts, "age_low_years", begun),
        count_age_high=_judged(counts, "age_high_years", begun),
        stage_factor_scale=0.5 if len(kinds) else 1.0,
        section_kind=kinds,
        section_value=values,
        section_height_cm=heights,
    )
    return unit, notes


def _edge_index(edges: np.ndarray, limit_cm: float, blank: int) -> int:
    return blank if not np.isfinite(limit_cm) else int(np.argmin(np.abs(edges - limit_cm)))


def _counts_used(
    survey: Survey, group: Group, plots: pd.DataFrame
) -> tuple[pd.DataFrame, list[str]]:
    """Stage counts of the group that the model can use, and why not the others."""
    notes = []
    counts = survey.counts[
        survey.counts["plot"].isin(plots["plot"]) & (survey.counts["species"] == group.species)
    ]
    if group.at_coring_height:
        counts = counts.iloc[:0]
        if group.has_plots:
            notes.append(
                f"{group.stand}: no coring height is recorded, so years are those of arrival at"
                " coring height; sizes, plots and stage counts can't be used."
            )
    if not group.profile.has_grass_stage and (counts["stage"] == "grass").any():
        notes.append(
            f"{group.stand}: {group.species} has no grass stage by its profile, so its counts of"
            " that stage are not used."
        )
        counts = counts[counts["stage"] != "grass"]
    later = germinated_after_the_season(survey, group.profile).loc[counts.index]
    counts = counts[~later]
    germinants = counts[counts["stage"] == "germinant"]
    if (
        group.profile["germination.autumn"] == 1
        and age_to_seasons(survey, group.stand) < 0
        and (germinants["count"] > 0).any()
        and not group.at_coring_height
    ):
        notes.append(
            f"{group.stand}: germinants counted from October to February are taken for seedlings"
            " at the end of their first growing season. Seedlings with cotyledons, of the autumn"
            " just past, begin it after the survey: leave them out (0 in age_high_years of"
            " counts.csv)."
        )
    return counts, notes


def _judged(counts: pd.DataFrame, column: str, begun: int) -> np.ndarray:
    """An end of the judged ages of counted plants, NaN where not judged. (count,) [seasons]"""
    judged = (
        (counts["stage"] != "sapling")
        & counts["age_low_years"].notna()
        & counts["age_high_years"].notna()
    )
    return np.where(judged, np.maximum(counts[column] + begun, 0), np.nan)
