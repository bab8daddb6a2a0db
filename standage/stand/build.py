"""From a survey to what the stand model is given: which stems count, on which axis, with which
evidence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standage.choices import Emergence
from standage.errors import StandageError
from standage.evidence.core import (
    CoreReadings,
    core_table,
    evidence_over_years,
    pooled_evidence_over_years,
    read_cores,
)
from standage.evidence.participation import (
    AT_ODDS,
    BEFORE_AXIS,
    FEWEST_STEMS,
    Participation,
    participation,
    profiles_of,
    stands_with_plots,
)
from standage.evidence.tree_ages import last_completed_season
from standage.profiles import Profile
from standage.stand.build_notes import core_notes, event_notes, no_history, why_no_history
from standage.stand.data import (
    BREAST_HEIGHT_CM,
    FACTOR_NODES,
    STAGES,
    Node,
    SpeciesData,
    StandData,
    TreeChain,
    UnitData,
)
from standage.stand.openings import OFF, RELEASE_PRIORS, openness
from standage.survey.accounted import IN_HISTORY
from standage.survey.survey import Survey

CLASS_WIDTHS_CM = (
    (20.0, 2.0),
    (40.0, 4.0),
    (np.inf, 8.0),
)  # up to a diameter, the width of its classes: well under the scatter of size at one age
# prior standard deviations of a stand's factors that a core's band of years has to hold
WIDEST_FACTOR = 3.0
# share of a core's likelihood, summed over years, that may be cut off either end of its band
NEGLIGIBLE_EVIDENCE = 1e-5
STUMP_REMOVAL = (
    math.log(0.5),
    1.0,
    # cumulative hazard of a cut of unrecorded intensity, log scale (assumption: half, within a
    # factor e)
)
# of the cumulative hazard of a cut whose share is recorded (assumption)
RECORDED_REMOVAL_LOG_SD = 0.5


@dataclass(frozen=True)
class DatedStem:
    """A stem to be dated after sampling. `chain` is None for stems dated by their size class
    alone.
    """

    tree: str
    stand: str
    species: str
    plot: str
    unit: int  # index of the unit, -1 where the species has too few stems there for one
    status: str
    basis: str  # cored, size or planted
    in_process: bool
    dbh_cm: float
    dbh_class: int
    coring_height_cm: float  # NaN = not recorded
    innermost_ring_year: float
    chain: TreeChain | None
    chain_height_cm: float
    planted_year: float
    left_out_reason: str
    note: str


@dataclass(frozen=True)
class BuiltStands:
    """The arrays of the model and, beside them, every stem it speaks about."""

    data: StandData
    stems: tuple[DatedStem, ...]
    notes: tuple[str, ...]


def build_stands(
    survey: Survey, *, profile_folder: str | None = None, emergence: Emergence = OFF
) -> BuiltStands:
    """Reduce a checked survey to the model's arrays.

    emergence: `off`, plants leave the grass stage at the stand's own pace in every year; `on`,
    openings on record let them go sooner; `learned`, openings may have changed it either way
    (docs/the-model.md, section 11). Raises `StandageError` when no stand has enough to model, or
    for another `emergence`.
    """
    if emergence not in (OFF, *RELEASE_PRIORS):
        raise StandageError(
            f"emergence can be {', '.join((OFF, *RELEASE_PRIORS))}, not {emergence!r}"
        )
    profiles = profiles_of(survey, profile_folder)
    taking_part = participation(survey, profiles)
    trees = survey.trees.assign(natural=taking_part.stems["natural"].to_numpy())
    notes: list[str] = []
    groups = []
    for stand in survey.stands["stand"]:
        for key in profiles:
            stems = trees[(trees["stand"] == stand) & (trees["species"] == key)]
            if len(stems):
                groups.append((stand, key, stems, read_cores(survey, stand, key, profiles[key])))
    modelled = [group for group in groups if group[:2] in taking_part.modelled]
    if not modelled:
        raise no_history(
            survey,
            [_why_none(group) for group in groups],
            sum(int(group[3].readable.sum()) for group in groups),
        )
    last_season = max(survey.survey_season(group[0]) for group in modelled)
    first_year = int(taking_part.first_year)
    n_years = last_season - first_year + 1
    years = np.arange(first_year, first_year + n_years)
    edges = _class_edges(survey)
    keys = sorted({group[1] for group in modelled})
    species = tuple(SpeciesData(key, profiles[key], profiles[key].has_grass_stage) for key in keys)

    units, stems_out = [], []
    cores = core_table(survey)
    for group in groups:
        stand, key, stems, readings = group
        is_modelled = group[:2] in taking_part.modelled
        if not is_modelled:
            then = (
                "each core is dated by itself"
                if readings.readable.any()
                else "no core can be read, and none is dated"
            )
            notes.append(f"{_why_none(group)}; {then}.")
        unit_number = len(units) if is_modelled else -1
        unit, dated = _unit(
            survey,
            stand,
            key,
            profiles[key],
            stems,
            readings,
            years,
            edges,
            keys,
            unit_number,
            notes,
            taking_part,
        )
        stems_out.extend(dated)
        rows = cores[(cores["stand"] == stand) & (cores["species"] == key)]
        aside = taking_part.stems.loc[stems.index].set_index("tree")["set_aside"]
        notes += core_notes(
            stand,
            key,
            readings,
            rows,
            at_odds=list(aside.index[aside == AT_ODDS]),
            too_early=list(aside.index[aside == BEFORE_AXIS]),
        )
        if is_modelled:
            if (
                emergence in RELEASE_PRIORS
                and unit.basis == "establishment"
                and profiles[key].has_grass_stage
            ):
                opened = openness(survey, stand, years, survey.survey_season(stand))
                mean, sd = RELEASE_PRIORS[emergence]
                unit = replace(unit, openness=opened, release_mean=mean, release_sd=sd)
            units.append(unit)
    data = StandData(n_years, first_year, tuple(units), species, edges)
    return BuiltStands(data, tuple(stems_out), (*notes, *event_notes(survey)))


def _why_none(group) -> str:
    stand, key, stems, _ = group
    return why_no_history(stand, key, stems, stems["natural"], FEWEST_STEMS)


def _class_edges(survey: Survey) -> np.ndarray:
    largest = np.nanmax([10.0, *survey.trees["dbh_cm"]])
    limits = [*survey.plots["min_dbh_cm"].dropna(), *survey.plots["max_dbh_cm"].dropna()]
    inner = [0.0]
    while inner[-1] < largest:
        inner.append(
            inner[-1] + next(width for up_to, width in CLASS_WIDTHS_CM if inner[-1] < up_to)
        )
    return np.unique(np.concatenate([inner, [limit for limit in limits if limit > 0], [np.inf]]))


def _dbh_class(edges: np.ndarray, dbh_cm: float) -> int:
    return -1 if not np.isfinite(dbh_cm) else int(np.searchsorted(edges, dbh_cm, side="right") - 1)


def _edge_index(edges: np.ndarray, limit_cm: float, blank: int) -> int:
    return blank if not np.isfinite(limit_cm) else int(np.argmin(np.abs(edges - limit_cm)))


def _tree_chain(
    tree: str,
    rows: np.ndarray,
    readings: CoreReadings,
    heights: np.ndarray,
    years: np.ndarray,
    profile: Profile,
    dbh_class: int,
) -> TreeChain | None:
    """Cores of one tree, pooled by height, with the diameter at breast height: the chain by
    descending height.
    """
    nodes = []
    for height in sorted(set(heights[rows]), reverse=True):
        at_height = rows[heights[rows] == height]
        nodes_of_factors = (FACTOR_NODES, FACTOR_NODES)
        if len(at_height) == 1:
            evidence = evidence_over_years(
                readings, int(at_height[0]), years, profile, nodes=nodes_of_factors
            )
        else:
            evidence = pooled_evidence_over_years(
                readings, at_height, years, profile, nodes=nodes_of_factors
            )
        loads_gamma = bool(
            np.any(
                (readings.centre_loading[at_height] > 0) & (readings.centre_sigma[at_height] > 0)
            )
        )
        loads_delta = bool(np.any(readings.counted_rings[at_height] > 0))
        if not loads_gamma:
            evidence = evidence[:1]
        if not loads_delta:
            evidence = evidence[:, :1]
        inner = [
            np.abs(FACTOR_NODES) <= WIDEST_FACTOR if size > 1 else slice(None)
            for size in evidence.shape[:2]
        ]
        top = evidence[inner[0]][:, inner[1]].max(axis=(0, 1))
        if not top.max() > 0:
            return None
        below = np.cumsum(top) / top.sum()
        low, high = (
            np.searchsorted(below, NEGLIGIBLE_EVIDENCE),
            np.searchsorted(below, 1.0 - NEGLIGIBLE_EVIDENCE) + 1,
        )
        part = evidence[:, :, low:high] / top.max()
        nodes.append(
            Node(
                float(height),
                dbh_class if height == BREAST_HEIGHT_CM else -1,
                part,
                int(low),
                loads_gamma,
                loads_delta,
            )
        )
    if dbh_class >= 0 and all(node.height_cm != BREAST_HEIGHT_CM for node in nodes):
        nodes.append(Node(BREAST_HEIGHT_CM, dbh_class, None, 0, False, False))
    return TreeChain(tuple(sorted(nodes, key=lambda node: -node.height_cm)), tree)


def _chain_heights(readings: CoreReadings, at_coring_height: bool, commonest: float) -> np.ndarray:
    """Heights used in the chains: 0 throughout where none is known, the commonest where one is
    blank.
    """
    if at_coring_height:
        return np.zeros(len(readings.height_cm))
    # 135 and 140 cm are breast height to the nearest 5 cm
    near_breast_height = np.abs(readings.height_cm - BREAST_HEIGHT_CM) <= 3.0
    return np.where(
        np.isnan(readings.height_cm),
        commonest,
        np.where(near_breast_height, BREAST_HEIGHT_CM, readings.height_cm),
    )


def _unit(
    survey,
    stand,
    key,
    profile,
    stems,
    readings,
    years,
    edges,
    keys,
    number,
    notes,
    taking_part: Participation,
) -> tuple[UnitData | None, list[DatedStem]]:
    season = survey.survey_season(stand)
    season_index = season - int(years[0])
    in_process = stems["natural"]
    has_plots = stand in stands_with_plots(survey)
    usable = np.asarray(readings.readable, dtype=bool)
    own = taking_part.groups.loc[(stand, key)]
    at_coring_height = bool(own["at_coring_height"])
    commonest = float(own["commonest_height_cm"])
    heights = _chain_heights(readings, at_coring_height, commonest)
    rows_of = {tree: np.flatnonzero((readings.tree == tree) & usable) for tree in stems["tree"]}
    what_becomes = taking_part.stems.loc[stems.index]

    chains, uncored, dated = [], {}, []
    for row, taking in zip(stems.itertuples(), what_becomes.itertuples(), strict=True):
        rows = rows_of[row.tree]
        c = _dbh_class(edges, row.dbh_cm)
        chain, reason, set_aside = None, taking.reason, taking.set_aside
        if len(rows) and not set_aside:
            with_size = row.natural and not at_coring_height
            chain = _tree_chain(
                row.tree, rows, readings, heights, years, profile, c if with_size else -1
            )
            # agreement to the last digit of what a likelihood can hold
            set_aside = "" if chain is not None else AT_ODDS
        planted_year = row.planted_year if row.origin == "planted" else np.nan
        basis = "cored" if chain is not None else "size"
        if np.isfinite(planted_year):
            basis = "planted"
        by_size = c >= 0 and not at_coring_height
        counted = taking.part == IN_HISTORY and (chain is not None or by_size)
        if counted and chain is not None:
            chains.append(chain)
        elif counted:
            uncored[c] = uncored.get(c, 0) + 1
        elif chain is None and basis != "planted":
            reason = reason or set_aside
        # the lowest core, of one height the one that goes back furthest
        lowest = rows[np.lexsort((readings.innermost_year[rows], readings.height_cm[rows]))][:1]
        dated.append(
            DatedStem(
                row.tree,
                stand,
                key,
                row.plot,
                number,
                row.status,
                basis,
                counted,
                float(row.dbh_cm),
                c,
                float(readings.height_cm[lowest][0]) if len(lowest) else np.nan,
                float(readings.innermost_year[lowest][0]) if len(lowest) else np.nan,
                chain,
                chain.nodes[-1].height_cm if chain is not None else np.nan,
                float(planted_year),
                reason,
                f"{set_aside}: dated without them" if set_aside and not reason else "",
            )
        )
    if number < 0:
        return None, dated

    plots = survey.plots[survey.plots["stand"] == stand] if has_plots else survey.plots.iloc[:0]
    inside = stems[in_process]
    low = np.array([_edge_index(edges, limit, 0) for limit in plots["min_dbh_cm"]], dtype=int)
    high = np.array(
        [_edge_index(edges, limit, len(edges) - 1) for limit in plots["max_dbh_cm"]], dtype=int
    )
    counts = survey.counts[
        survey.counts["plot"].isin(plots["plot"]) & (survey.counts["species"] == key)
    ]
    if at_coring_height:
        counts = counts.iloc[:0]
        if has_plots:
            notes.append(
                f"{stand}: no coring height is recorded, so years are those of arrival at coring"
                " height; sizes, plots and stage counts can't be used."
            )
    low_of_plot = dict(zip(plots["plot"], low, strict=True))
    sections = survey.known_age_stems[
        (survey.known_age_stems["stand"] == stand)
        & (survey.known_age_stems["species"].replace("", survey.main_species) == key)
    ]
    completed = last_completed_season(survey.stands.set_index("stand").loc[stand, "survey_date"])
    age_to_seasons = (
        season - completed - 1
    )  # the model counts seasons begun after the first one; ages count completed seasons
    if not profile.has_grass_stage and (counts["stage"] == "grass").any():
        notes.append(
            f"{stand}: {key} has no grass stage by its profile, so its counts of that stage are not"
            " used."
        )
        counts = counts[counts["stage"] != "grass"]
    kinds, values, section_heights = _sections(
        sections if not at_coring_height else sections.iloc[:0],
        age_to_seasons,
        profile.has_grass_stage,
    )
    judged = (
        (counts["stage"] != "sapling")
        & counts["age_low_years"].notna()
        & counts["age_high_years"].notna()
    )
    shape, removal_m, removal_sd = _removals(survey, stand, profile, years, season)
    use_plots = has_plots and not at_coring_height
    plots_used = plots if use_plots else plots.iloc[:0]
    unit = UnitData(
        stand=stand,
        species_index=keys.index(key),
        basis="coring height" if at_coring_height else "establishment",
        season_index=season_index,
        has_plots=use_plots,
        plot_area_ha=plots_used["area_m2"].to_numpy(float) / 10_000.0,
        plot_class_low=low[: len(plots_used)],
        plot_class_high=high[: len(plots_used)],
        plot_stems=np.array(
            [(inside["plot"] == plot).sum() for plot in plots_used["plot"]], dtype=int
        ),
        removal_shape=shape,
        removal_m=removal_m,
        removal_sd=removal_sd,
        reference_height_cm=0.0 if at_coring_height else _snap(commonest),
        uncored_class=np.array(sorted(uncored), dtype=int),
        uncored_count=np.array([uncored[c] for c in sorted(uncored)], dtype=int),
        trees=tuple(chains),
        count_stage=np.array([STAGES.index(stage) for stage in counts["stage"]], dtype=int),
        count_area_ha=counts["area_m2"].to_numpy(float) / 10_000.0,
        count_value=counts["count"].to_numpy(float),
        count_class_low=np.array([low_of_plot[plot] for plot in counts["plot"]], dtype=int),
        count_age_low=np.where(
            judged, np.maximum(counts["age_low_years"] + age_to_seasons, 0), np.nan
        ),
        count_age_high=np.where(
            judged, np.maximum(counts["age_high_years"] + age_to_seasons, 0), np.nan
        ),
        stage_factor_scale=0.5 if len(kinds) else 1.0,
        section_kind=kinds,
        section_value=values,
        section_height_cm=section_heights,
    )
    return unit, dated


def _snap(height_cm: float) -> float:
    return BREAST_HEIGHT_CM if abs(height_cm - BREAST_HEIGHT_CM) <= 3.0 else height_cm


def _sections(
    sections: pd.DataFrame, age_to_seasons: int, has_grass_stage: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sections as (kind, value, height): 0 G = value, 1 G > value, 2 G <= value, 3 B(height) <=
    value.
    """
    rows = []
    for row in sections.itertuples():
        if has_grass_stage and row.known_from in ("records", "tagged"):
            if np.isfinite(row.grass_years):
                rows.append((0, row.grass_years, 0.0))
            elif np.isfinite(row.age_years) and row.still_in_grass in ("yes", "no"):
                rows.append(
                    (
                        1 if row.still_in_grass == "yes" else 2,
                        max(0.0, row.age_years + age_to_seasons),
                        0.0,
                    )
                )
        if (
            np.isfinite(row.height_cm)
            and np.isfinite(row.rings_at_ground)
            and np.isfinite(row.rings_at_height)
        ):
            # rings at the collar miss years of the grass stage, so the difference is at least the
            # seasons of height growth
            rows.append(
                (
                    3,
                    max(0.0, row.rings_at_ground - row.rings_at_height),
                    5.0 * round(row.height_cm / 5.0),
                )
            )
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2]


def _removals(
    survey: Survey, stand: str, profile: Profile, years: np.ndarray, season: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Recorded cuts: share of each establishment year's stems in reach of the cut, and the prior of
    its cumulative hazard.
    """
    events = survey.events
    cuts = events[events["kind"].isin(["logging", "thinning"]) & events["stand"].isin(["", stand])]
    mean_delay = profile["height_growth.years_to_breast_height"]
    if profile.has_grass_stage:
        mean_delay += profile["grass_stage.median_years"]
    growth, asymptote, scatter = (
        profile["size.growth_cm_per_year"],
        profile["size.asymptote_cm"],
        profile["size.scatter"],
    )
    shapes, centres, spreads = [], [], []
    for cut in cuts.itertuples():
        span = np.arange(int(cut.first_year), int(cut.last_year) + 1)
        shape = np.zeros(len(years))
        low = cut.removed_dbh_low_cm if np.isfinite(cut.removed_dbh_low_cm) else 0.0
        high = cut.removed_dbh_high_cm if np.isfinite(cut.removed_dbh_high_cm) else np.inf
        for event_year in span:
            since = event_year - years - mean_delay
            median = asymptote * -np.expm1(-growth / asymptote * (np.maximum(since, 0.0) + 0.5))
            reach = _log_normal_cdf(high, median, scatter) - _log_normal_cdf(low, median, scatter)
            shape += np.where((since >= 0) & (event_year <= season), reach, 0.0) / len(span)
        if np.isfinite(cut.share_removed) and 0 < cut.share_removed < 1:
            centres.append(math.log(-math.log1p(-cut.share_removed)))
            spreads.append(RECORDED_REMOVAL_LOG_SD)
        else:
            centres.append(STUMP_REMOVAL[0])
            spreads.append(STUMP_REMOVAL[1])
        shapes.append(shape)
    return np.array(shapes).reshape(-1, len(years)), np.array(centres), np.array(spreads)


def _log_normal_cdf(value: float, median: np.ndarray, log_sd: float) -> np.ndarray:
    from scipy.special import ndtr

    if value <= 0:
        return np.zeros_like(median)
    if math.isinf(value):
        return np.ones_like(median)
    return ndtr((math.log(value) - np.log(median)) / log_sd)
