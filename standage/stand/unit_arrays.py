"""The arrays of a unit: its plots, stems, stage counts and sections of young plants."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from standage.evidence.tree_ages import last_completed_season
from standage.stand.chains import reference_height
from standage.stand.data import STAGES, UnitData
from standage.stand.dated_stems import DatedStem, Group
from standage.stand.recorded_cuts import recorded_cuts
from standage.survey.survey import Survey

SQUARE_METRES_PER_HECTARE = 10_000.0
# kinds of a section: what is known of the grass stage G, or of the delay B to a height
EXACTLY, LONGER, AT_MOST, RING_DIFFERENCE = range(4)
SECTION_STEP_CM = 5.0  # to which heights of sections are rounded, so that few are worked out


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
    date = survey.stands.set_index("stand").loc[stand, "survey_date"]
    # the model counts seasons begun after the first one; ages count completed seasons
    age_to_seasons = season - last_completed_season(date) - 1
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
    kinds, values, heights = _sections(survey, group, age_to_seasons)
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
        count_age_low=_judged(counts, "age_low_years", age_to_seasons),
        count_age_high=_judged(counts, "age_high_years", age_to_seasons),
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
    return counts, notes


def _judged(counts: pd.DataFrame, column: str, age_to_seasons: int) -> np.ndarray:
    """An end of the judged ages of counted plants, NaN where not judged. (count,) [seasons]"""
    judged = (
        (counts["stage"] != "sapling")
        & counts["age_low_years"].notna()
        & counts["age_high_years"].notna()
    )
    return np.where(judged, np.maximum(counts[column] + age_to_seasons, 0), np.nan)


def _sections(
    survey: Survey, group: Group, age_to_seasons: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sections of young plants as kind, value [seasons] and height [cm]; each (section,)."""
    known = survey.known_age_stems
    of_group = (known["stand"] == group.stand) & (
        known["species"].replace("", survey.main_species) == group.species
    )
    rows: list[tuple[int, float, float]] = []
    for row in known[of_group].itertuples() if not group.at_coring_height else ():
        if group.profile.has_grass_stage and row.known_from in ("records", "tagged"):
            if np.isfinite(row.grass_years):
                rows.append((EXACTLY, row.grass_years, 0.0))
            elif np.isfinite(row.age_years) and row.still_in_grass in ("yes", "no"):
                kind = LONGER if row.still_in_grass == "yes" else AT_MOST
                rows.append((kind, max(0.0, row.age_years + age_to_seasons), 0.0))
        if (
            np.isfinite(row.height_cm)
            and np.isfinite(row.rings_at_ground)
            and np.isfinite(row.rings_at_height)
        ):
            seasons = max(0.0, row.rings_at_ground - row.rings_at_height)
            height = SECTION_STEP_CM * round(row.height_cm / SECTION_STEP_CM)
            rows.append((RING_DIFFERENCE, seasons, height))
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2]
