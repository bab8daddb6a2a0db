"""Lays a `StandData` out as the flat arrays that the compiled log density reads."""

from __future__ import annotations

import math

import numpy as np

from standage.profiles import Profile
from standage.stand.data import BREAST_HEIGHT_CM, StandData, UnitData
from standage.stand.parameters import KNOT_NAMES, SPECIES_NAMES, SURVEY_NAMES, UNIT_NAMES, layout

# name in the profile, and whether the kernel wants its logarithm; the order is that of
# `kernel.unit_log_density`
CONSTANTS = (
    ("grass_stage.median_years", True),
    ("grass_stage.median_log_sd", False),
    ("grass_stage.between_stand_log_sd", False),
    ("grass_stage.within_stand_log_sd", True),
    ("grass_stage.within_log_sd", False),
    ("height_growth.years_to_breast_height", True),
    ("height_growth.years_log_sd", False),
    ("height_growth.between_stand_log_sd", False),
    ("height_growth.dispersion", False),
    ("size.growth_cm_per_year", True),
    ("size.growth_log_sd", False),
    ("size.growth_between_stand_log_sd", False),
    ("size.asymptote_cm", True),
    ("size.asymptote_log_sd", False),
    ("size.scatter", True),
    ("size.scatter_log_sd", False),
    ("size.epoch_log_sd", False),
    ("survival.slope_sd", False),
    ("survival.early_sd", False),
    ("stage factor", False),
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


def height_share(profile: Profile, height_cm: float) -> float:
    """mu(h) as a share of the years from emergence to breast height; 0 at or below emergence
    height.
    """
    ground = profile["grass_stage.emergence_height_cm"] if profile.has_grass_stage else 0.0
    if height_cm <= ground:
        return 0.0
    return ((height_cm - ground) / (BREAST_HEIGHT_CM - ground)) ** profile["height_growth.exponent"]


def pack_priors(data: StandData) -> tuple[np.ndarray, np.ndarray]:
    """For each parameter: whether it starts a chain of knots, and the chain's rho (0 for
    independent ones).
    """
    places = layout(data)
    starts = np.zeros(places.size, dtype=np.bool_)
    rho = np.zeros(places.size)
    for offsets, sizes in zip(places.unit_offsets, places.unit_sizes, strict=True):
        for name, spacing, length in KNOT_NAMES:
            starts[offsets[name]] = True
            rho[offsets[name] : offsets[name] + sizes[name]] = math.exp(-spacing / length)
    return starts, rho


def unit_heights(unit: UnitData) -> list[float]:
    """Heights at which the unit's arrivals are needed: breast height first, then reference, lowest
    nodes and sections.
    """
    wanted = {unit.reference_height_cm, *(tree.nodes[-1].height_cm for tree in unit.trees)}
    wanted |= {
        float(height)
        for height, kind in zip(unit.section_height_cm, unit.section_kind, strict=True)
        if kind == 3
    }
    return [BREAST_HEIGHT_CM, *sorted(wanted - {BREAST_HEIGHT_CM})]


def pack_unit(data: StandData, which: int) -> tuple:
    """All arrays of one unit, in the order of `kernel.unit_log_density` after `x` and
    `gradient`.
    """
    unit = data.units[which]
    species = data.species[unit.species_index]
    profile = species.profile
    places = layout(data)
    offsets = places.unit_offsets[which]
    place = tuple(
        [places.offsets[name] + unit.species_index for name in SPECIES_NAMES]
        + [places.offsets[name] for name in SURVEY_NAMES]
        + [
            offsets[name]
            for name in (
                *UNIT_NAMES,
                "stage_factor",
                "removal",
                "release",
                "pulse_knots",
                "trend_knots",
                "epoch_knots",
            )
        ]
    )
    at_coring_height = unit.basis == "coring height"
    values = []
    for name, as_log in CONSTANTS:
        value = unit.stage_factor_scale if name == "stage factor" else profile[name]
        values.append(float(math.log(value) if as_log and value > 0 else value))
    values += [unit.release_mean, unit.release_sd]
    if at_coring_height:
        values[[name for name, _ in CONSTANTS].index("survival.early_sd")] = 0.0

    n = unit.season_index + 1
    age = unit.season_index - np.arange(n, dtype=float)
    reference = log_reference(profile, age, adult_only=at_coring_height)
    columns = np.vstack(
        [
            age / 100.0,
            np.exp(-age / 10.0),
            unit.removal_shape[:, :n].reshape(len(unit.removal_m), n),
        ]
    )
    heights = unit_heights(unit)
    needed = {unit.reference_height_cm, *(tree.nodes[-1].height_cm for tree in unit.trees)}
    if unit.has_plots or len(unit.uncored_class) or len(unit.count_value):
        needed.add(BREAST_HEIGHT_CM)

    node_rows, evidence, node_of_tree, tree_height = [], [np.zeros(0)], [0], []
    segment_index: dict[tuple[float, float], int] = {}
    place_in_evidence = 0
    for tree in unit.trees:
        above = None
        for node in tree.nodes:
            segment = 0
            if above is not None:
                segment = segment_index.setdefault((node.height_cm, above), len(segment_index))
            band = 0
            start = 0
            if node.evidence is not None:
                usable = max(0, min(node.evidence.shape[2], n - node.band_start))
                # evidence wholly after the survey season is one year of no likelihood, not no
                # evidence
                part = (
                    node.evidence[:, :, :usable]
                    if usable
                    else np.zeros((*node.evidence.shape[:2], 1))
                )
                band, start = part.shape[2], node.band_start if usable else n - 1
                part = np.ascontiguousarray(part, dtype=float)
                evidence.append(part.ravel())
            node_rows.append(
                (
                    node.dbh_class,
                    start,
                    band,
                    place_in_evidence,
                    node.loads_gamma,
                    node.loads_delta,
                    segment,
                )
            )
            if node.evidence is not None:
                place_in_evidence += evidence[-1].size
            above = node.height_cm
        node_of_tree.append(len(node_rows))
        tree_height.append(heights.index(tree.nodes[-1].height_cm))
    top_of_tree, tops = _shared_tops(unit, segment_index, n)
    segments = np.array(
        [height_share(profile, high) - height_share(profile, low) for low, high in segment_index]
        or [0.0]
    )

    openness = np.ascontiguousarray(unit.openness[:n], dtype=float)
    longest_grass = int(profile["grass_stage.longest_years"]) if species.has_grass_stage else 1

    used = np.zeros(len(data.class_edges_cm), dtype=np.int64)
    used[unit.plot_class_low] = 1
    used[unit.plot_class_high] = 1
    used[unit.count_class_low[unit.count_stage == 3]] = 1
    classes = [*unit.uncored_class, *(row[0] for row in node_rows if row[0] >= 0)]
    for c in classes:
        used[[c, c + 1]] = 1
    flags = (
        unit.season_index,
        int(unit.has_plots),
        int(at_coring_height),
        int(species.has_grass_stage),
        longest_grass,
        int(profile["height_growth.longest_height_years"]),
        heights.index(unit.reference_height_cm),
        int(used.any()),
        0,
    )
    judged = np.isfinite(unit.count_age_low) & np.isfinite(unit.count_age_high)
    count_rows = (
        np.column_stack(
            [
                unit.count_stage,
                unit.count_class_low,
                np.where(judged, unit.count_age_low, 0),
                np.where(judged, unit.count_age_high, -1),
            ]
        )
        .astype(np.int64)
        .reshape(-1, 4)
    )
    section_height = [
        heights.index(h) if kind == 3 else 0
        for h, kind in zip(unit.section_height_cm, unit.section_kind, strict=True)
    ]
    most_nodes = max([len(tree.nodes) for tree in unit.trees] or [1])
    return (
        place,
        tuple(values),
        flags,
        tuple(spacing for _, spacing, _ in KNOT_NAMES),
        tuple(places.unit_sizes[which][name] for name, _, _ in KNOT_NAMES),
        reference,
        np.ascontiguousarray(columns),
        np.column_stack([unit.removal_m, unit.removal_sd]).astype(float).reshape(-1, 2),
        np.array([height_share(profile, h) for h in heights]),
        np.array([int(h in needed) for h in heights]),
        np.asarray(data.class_edges_cm, dtype=float),
        used,
        np.column_stack([unit.plot_area_ha, unit.plot_stems]).astype(float).reshape(-1, 2),
        np.column_stack([unit.plot_class_low, unit.plot_class_high])
        .astype(np.int64)
        .reshape(-1, 2),
        np.asarray(unit.uncored_class, dtype=np.int64),
        np.asarray(unit.uncored_count, dtype=float),
        count_rows,
        np.column_stack([unit.count_area_ha, unit.count_value]).astype(float).reshape(-1, 2),
        np.column_stack([unit.section_kind, unit.section_value, section_height])
        .astype(np.int64)
        .reshape(-1, 3),
        np.array(node_rows, dtype=np.int64).reshape(-1, 7),
        np.array(node_of_tree, dtype=np.int64),
        np.array(tree_height, dtype=np.int64),
        top_of_tree,
        tops,
        np.concatenate(evidence),
        segments,
        most_nodes,
        openness,
        exposed_years(openness, longest_grass),
    )


def exposed_years(openness: np.ndarray, longest_grass: int) -> np.ndarray:
    """Places on the axis of the years of establishment whose plants can be in the grass stage in a
    season of openness, `(exposed,)`.
    """
    open_seasons = np.flatnonzero(openness)
    waited = open_seasons[:, None] - np.arange(len(openness))
    return np.flatnonzero(((waited >= 1) & (waited < longest_grass)).any(axis=0)).astype(np.int64)


def _shared_tops(
    unit: UnitData, segment_index: dict[tuple[float, float], int], n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Trees that begin with their diameter alone, by diameter class and height of the core below
    it.

    Returns the place in the second for each tree (-1 where its chain begins otherwise), and rows of
    diameter class, segment, first and end year of what the cores below say, all trees of the row
    together.
    """
    rows: dict[tuple[int, int], list[int]] = {}
    top_of_tree = np.full(len(unit.trees), -1, dtype=np.int64)
    for number, tree in enumerate(unit.trees):
        if len(tree.nodes) < 2 or tree.nodes[0].evidence is not None or tree.nodes[0].dbh_class < 0:
            continue
        upper, core = tree.nodes[:2]
        key = (int(upper.dbh_class), segment_index[core.height_cm, upper.height_cm])
        bounds = rows.setdefault(key, [n, 0])
        if core.evidence is None:
            bounds[:] = [0, n]
        else:  # the same years as in `pack_unit`
            start = min(core.band_start, n - 1)
            bounds[:] = [
                min(bounds[0], start),
                max(bounds[1], min(core.band_start + core.evidence.shape[2], n), start + 1),
            ]
        top_of_tree[number] = list(rows).index(key)
    return top_of_tree, np.array(
        [(*key, *bounds) for key, bounds in rows.items()], dtype=np.int64
    ).reshape(-1, 4)
