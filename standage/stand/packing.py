"""Lays a `StandData` out as the arrays that the compiled log density reads."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from standage.evidence.delays import HEIGHT_CLASS_CM, height_share, species_delays
from standage.profiles import Profile
from standage.stand.data import BREAST_HEIGHT_CM, StandData, UnitData
from standage.stand.kernel.inputs import (
    RINGS_TO_HEIGHT,
    SAPLING,
    CountInputs,
    DelayInputs,
    ListedInputs,
    ParameterIndex,
    ProcessInputs,
    SizeInputs,
    TreeInputs,
    UnitInputs,
)
from standage.stand.parameters import (
    EARLY_YEARS,
    KNOT_NAMES,
    LISTED_STEMS,
    SAMPLED_STEMS,
    SLOPE_YEARS,
    SPECIES_NAMES,
    SURVEY_NAMES,
    layout,
)


def cumulative_hazard(profile: Profile, age: np.ndarray, *, adult_only: bool) -> np.ndarray:
    """Reference cumulative hazard H(a), shape of `age` [seasons]: docs/the-model.md, section 2."""
    total = profile["survival.adult_hazard_per_year"] * age
    if not adult_only:
        decline = profile["survival.seedling_decline_years"]
        total = total + profile["survival.seedling_hazard_per_year"] * decline * -np.expm1(
            -age / decline
        )
    return total


def log_reference(profile: Profile, age: np.ndarray, *, adult_only: bool) -> np.ndarray:
    """Log of the reference survivorship, 0 at age 50, shape of `age`."""
    return cumulative_hazard(profile, np.array(50.0), adult_only=adult_only) - cumulative_hazard(
        profile, age, adult_only=adult_only
    )


def pack_priors(data: StandData) -> tuple[np.ndarray, np.ndarray]:
    """For each parameter: whether it starts a chain of knots, and the chain's rho (0 for
    independent ones).
    """
    whole = layout(data)
    starts = np.zeros(whole.size, dtype=np.bool_)
    rho = np.zeros(whole.size)
    for offsets, sizes in zip(whole.unit_offsets, whole.unit_sizes, strict=True):
        for name, spacing, length in KNOT_NAMES:
            starts[offsets[name]] = True
            rho[offsets[name] : offsets[name] + sizes[name]] = math.exp(-spacing / length)
    return starts, rho


def unit_heights(unit: UnitData) -> list[float]:
    """Heights at which the unit's arrivals are needed: breast height first, then reference, lowest
    nodes and sections. [cm]
    """
    wanted = {unit.reference_height_cm, *(tree.nodes[-1].height_cm for tree in unit.trees)}
    for height, kind in zip(unit.section_height_cm, unit.section_kind, strict=True):
        if kind >= RINGS_TO_HEIGHT:
            wanted.add(float(height))
        if kind > RINGS_TO_HEIGHT:
            wanted.add(float(height) + HEIGHT_CLASS_CM)
    return [BREAST_HEIGHT_CM, *sorted(wanted - {BREAST_HEIGHT_CM})]


def pack_unit(data: StandData, which: int) -> UnitInputs:
    """All that the kernel is given of one unit."""
    unit = data.units[which]
    heights = unit_heights(unit)
    trees = pack_trees(unit, heights, unit_segments(unit))
    return UnitInputs(*pack_rates(data, which), _counts(unit, heights), trees)


def pack_rates(
    data: StandData, which: int
) -> tuple[ParameterIndex, ProcessInputs, DelayInputs, SizeInputs, ListedInputs]:
    """What the rates of a unit depend on beside the parameters: the first parts of `UnitInputs`."""
    unit = data.units[which]
    profile = data.species[unit.species_index].profile
    return (
        parameter_index(data, which),
        _process(unit, profile, layout(data).unit_sizes[which]),
        _delays(unit, profile),
        _sizes(unit, profile, np.asarray(data.class_edges_cm, dtype=float)),
        _listed(unit),
    )


def _delays(unit: UnitData, profile: Profile) -> DelayInputs:
    heights = unit_heights(unit)
    needed = {unit.reference_height_cm, *(tree.nodes[-1].height_cm for tree in unit.trees)}
    if unit.has_plots or len(unit.uncored_class) or len(unit.count_value):
        needed.add(BREAST_HEIGHT_CM)
    segments = [
        height_share(profile, upper) - height_share(profile, lower)
        for lower, upper in unit_segments(unit)
    ]
    return DelayInputs(
        at_coring_height=unit.basis == "coring height",
        species=species_delays(profile),
        shares=np.array([height_share(profile, height) for height in heights]),
        needed=np.array([height in needed for height in heights]),
        reference=heights.index(unit.reference_height_cm),
        segments=np.array(segments or [0.0]),
    )


def unit_segments(unit: UnitData) -> dict[tuple[float, float], int]:
    """Segments between nodes of the unit's trees, lower and upper height [cm], numbered as they
    come.
    """
    segments: dict[tuple[float, float], int] = {}
    for tree in unit.trees:
        for upper, lower in zip(tree.nodes, tree.nodes[1:], strict=False):
            segments.setdefault((lower.height_cm, upper.height_cm), len(segments))
    return segments


def parameter_index(data: StandData, which: int) -> ParameterIndex:
    """Where the parameters of a unit are in the flat vector."""
    whole = layout(data)
    of_species = data.units[which].species_index
    index = {name: whole.offsets[name] for name in SURVEY_NAMES}
    index |= {name: whole.offsets[name] + of_species for name in SPECIES_NAMES}
    return ParameterIndex(**index, **whole.unit_offsets[which])


def _process(unit: UnitData, profile: Profile, sizes: dict[str, int]) -> ProcessInputs:
    n = unit.season_index + 1
    age = unit.season_index - np.arange(n, dtype=float)
    at_coring_height = unit.basis == "coring height"
    cuts = unit.removal_shape[:, :n].reshape(len(unit.removal_m), n)
    return ProcessInputs(
        last=unit.season_index,
        reference=log_reference(profile, age, adult_only=at_coring_height),
        columns=np.vstack([age / SLOPE_YEARS, np.exp(-age / EARLY_YEARS), cuts]),
        slope_sd=profile["survival.slope_sd"],
        early_sd=0.0 if at_coring_height else profile["survival.early_sd"],
        cuts=_columns(unit.removal_m, unit.removal_sd).astype(float),
        pulse_knots=sizes["pulse_knots"],
        trend_knots=sizes["trend_knots"],
    )


def _sizes(unit: UnitData, profile: Profile, edges: np.ndarray) -> SizeInputs:
    used = np.zeros(len(edges), dtype=np.bool_)
    used[unit.plot_class_low] = True
    used[unit.plot_class_high] = True
    used[unit.count_class_low[unit.count_stage == SAPLING]] = True
    of_trees = [node.dbh_class for tree in unit.trees for node in tree.nodes if node.dbh_class >= 0]
    for c in (*unit.uncored_class, *of_trees):
        used[[c, c + 1]] = True
    return SizeInputs(
        log_growth=math.log(profile["size.growth_cm_per_year"]),
        growth_log_sd=profile["size.growth_log_sd"],
        growth_stand_log_sd=profile["size.growth_between_stand_log_sd"],
        log_asymptote=math.log(profile["size.asymptote_cm"]),
        asymptote_log_sd=profile["size.asymptote_log_sd"],
        asymptote_stand_log_sd=profile["size.asymptote_between_stand_log_sd"],
        log_scatter=math.log(profile["size.scatter"]),
        scatter_log_sd=profile["size.scatter_log_sd"],
        epoch_log_sd=profile["size.epoch_log_sd"],
        edges=edges,
        used=used,
        any_used=bool(used.any()),
    )


def _listed(unit: UnitData) -> ListedInputs:
    area = np.asarray(unit.plot_area_ha, dtype=float)
    return ListedInputs(
        by_plots=bool(unit.has_plots),
        log_stems=math.log(LISTED_STEMS if unit.has_plots else SAMPLED_STEMS),
        shares=area / area.sum() if unit.has_plots else np.zeros(0),
        classes=_columns(unit.plot_class_low, unit.plot_class_high).astype(np.int64),
    )


def _counts(unit: UnitData, heights: list[float]) -> CountInputs:
    judged = np.isfinite(unit.count_age_low) & np.isfinite(unit.count_age_high)
    youngest = np.where(judged, unit.count_age_low, 0)
    oldest = np.where(judged, unit.count_age_high, -1)
    of_sections = list(zip(unit.section_height_cm, unit.section_kind, strict=True))
    section_height = [
        heights.index(height) if kind >= RINGS_TO_HEIGHT else 0 for height, kind in of_sections
    ]
    section_above = [
        heights.index(height + HEIGHT_CLASS_CM) if kind > RINGS_TO_HEIGHT else 0
        for height, kind in of_sections
    ]
    return CountInputs(
        has_plots=bool(unit.has_plots),
        plots=_columns(unit.plot_area_ha, unit.plot_stems).astype(float),
        plot_classes=_columns(unit.plot_class_low, unit.plot_class_high).astype(np.int64),
        uncored=_columns(unit.uncored_class, unit.uncored_count).astype(np.int64),
        stage_log_sd=float(unit.stage_factor_scale),
        stages=_columns(unit.count_stage, unit.count_class_low, youngest, oldest).astype(np.int64),
        plants=_columns(unit.count_area_ha, unit.count_value).astype(float),
        sections=_columns(
            unit.section_kind, unit.section_value, section_height, section_above
        ).astype(np.int64),
    )


def _columns(*columns: ArrayLike) -> np.ndarray:
    """Columns side by side, (row, column), also where there are no rows."""
    return np.column_stack([np.asarray(column) for column in columns]).reshape(-1, len(columns))


def pack_trees(
    unit: UnitData, heights: list[float], segments: dict[tuple[float, float], int]
) -> TreeInputs:
    """Chains of the unit's cored stems. heights, segments: as of `unit_heights` and
    `unit_segments`.
    """
    n = unit.season_index + 1
    rows: list[tuple[int, ...]] = []
    evidence: list[np.ndarray] = [np.zeros(0)]
    first_node = [0]
    offset = 0
    for tree in unit.trees:
        above = None
        for node in tree.nodes:
            segment = 0 if above is None else segments[node.height_cm, above]
            start, band = 0, np.zeros((1, 1, 0))
            if node.evidence is not None:
                start, band = _usable(node.evidence, node.band_start, n)
            on_early, on_counting = int(node.loads_gamma), int(node.loads_delta)
            rows.append(
                (node.dbh_class, start, band.shape[2], offset, on_early, on_counting, segment)
            )
            evidence.append(band.ravel())
            offset += band.size
            above = node.height_cm
        first_node.append(len(rows))
    top, tops = _shared_tops(unit, segments, n)
    lowest = [heights.index(tree.nodes[-1].height_cm) for tree in unit.trees]
    return TreeInputs(
        nodes=np.array(rows, dtype=np.int64).reshape(-1, 7),
        first_node=np.array(first_node, dtype=np.int64),
        height=np.array(lowest, dtype=np.int64),
        top=top,
        tops=tops,
        evidence=np.concatenate(evidence),
        most_nodes=max([len(tree.nodes) for tree in unit.trees] or [1]),
    )


def _usable(evidence: np.ndarray, start: int, n: int) -> tuple[int, np.ndarray]:
    """First year and band (early growth, counting, year) of the evidence up to the survey season.

    Evidence wholly after it is one year of no likelihood, not no evidence.
    """
    length = max(0, min(evidence.shape[2], n - start))
    if length == 0:
        return n - 1, np.zeros((*evidence.shape[:2], 1))
    return start, np.ascontiguousarray(evidence[:, :, :length], dtype=float)


def _shared_tops(
    unit: UnitData, segments: dict[tuple[float, float], int], n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Trees that begin with their diameter alone, by diameter class and height of the core below
    it.

    Returns the index in the second for each tree (-1 where its chain begins otherwise), and rows of
    diameter class, segment, first and end year of what the cores below say, all trees of the row
    together.
    """
    rows: dict[tuple[int, int], list[int]] = {}
    top = np.full(len(unit.trees), -1, dtype=np.int64)
    for number, tree in enumerate(unit.trees):
        if len(tree.nodes) < 2 or tree.nodes[0].evidence is not None or tree.nodes[0].dbh_class < 0:
            continue
        upper, core = tree.nodes[:2]
        key = (int(upper.dbh_class), segments[core.height_cm, upper.height_cm])
        bounds = rows.setdefault(key, [n, 0])
        if core.evidence is None:
            bounds[:] = [0, n]
        else:  # the same years as of `_usable`
            start = min(core.band_start, n - 1)
            bounds[:] = [
                min(bounds[0], start),
                max(bounds[1], min(core.band_start + core.evidence.shape[2], n), start + 1),
            ]
        top[number] = list(rows).index(key)
    return top, np.array([(*key, *bounds) for key, bounds in rows.items()], dtype=np.int64).reshape(
        -1, 4
    )
