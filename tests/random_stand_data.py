"""Small invented surveys, already reduced to arrays, with every kind of evidence: input for
comparing the statements of the model.
"""

import dataclasses
import math

import numpy as np

from standage.stand.data import (
    BREAST_HEIGHT_CM,
    STAGES,
    Node,
    SpeciesData,
    StandData,
    TreeChain,
    UnitData,
)
from standage.stand.parameters import SPECIES_NAMES, SURVEY_NAMES, UNIT_NAMES

KNOT_SPACINGS = {"pulse_knots": 4, "trend_knots": 16, "epoch_knots": 25}
ESTABLISHMENT, CORING_HEIGHT = "establishment", "coring height"
SURVEYS = {  # arguments of `random_stand_data`
    "plots": (101, ((ESTABLISHMENT, True),), (True,)),
    "no plots": (102, ((ESTABLISHMENT, False),), (True,)),
    "no grass stage": (103, ((ESTABLISHMENT, True),), (False,)),
    "coring height, no plots": (104, ((CORING_HEIGHT, False),), (True,)),
    "coring height, plots": (105, ((CORING_HEIGHT, True),), (True,)),
    "two stands of a species": (106, ((ESTABLISHMENT, True), (ESTABLISHMENT, False)), (True,)),
    "two species": (107, ((ESTABLISHMENT, True), (ESTABLISHMENT, True)), (True, False)),
    "mixed bases": (108, ((CORING_HEIGHT, False), (ESTABLISHMENT, True)), (True,)),
}


class InventedProfile(dict):
    """Stands in for a species profile: numbers by dotted key."""

    @property
    def has_grass_stage(self):
        return bool(self["grass_stage.present"])


def invented_profile(rng, has_grass_stage):
    """Numbers of the right size, jittered so that no two are alike by chance."""
    middle = {
        "grass_stage.median_years": 4.0,
        "grass_stage.median_log_sd": 0.3,
        "grass_stage.between_stand_log_sd": 0.35,
        "grass_stage.within_stand_log_sd": 0.5,
        "grass_stage.within_log_sd": 0.2,
        "grass_stage.emergence_height_cm": 12.0,
        "height_growth.years_to_breast_height": 5.0,
        "height_growth.years_log_sd": 0.25,
        "height_growth.between_stand_log_sd": 0.3,
        "height_growth.exponent": 0.8,
        "height_growth.dispersion": 0.8,
        "height_growth.dispersion_log_sd": 0.5,
        "survival.adult_hazard_per_year": 0.01,
        "survival.seedling_hazard_per_year": 0.3,
        "survival.seedling_decline_years": 5.0,
        "survival.slope_sd": 0.5,
        "survival.early_sd": 0.7,
        "size.growth_cm_per_year": 0.6,
        "size.growth_log_sd": 0.3,
        "size.growth_between_stand_log_sd": 0.25,
        "size.asymptote_cm": 60.0,
        "size.asymptote_log_sd": 0.2,
        "size.scatter": 0.3,
        "size.scatter_log_sd": 0.2,
        "size.epoch_log_sd": 0.15,
        "longevity.years": 400.0,
    }
    numbers = {key: value * math.exp(0.1 * rng.standard_normal()) for key, value in middle.items()}
    numbers["size.asymptote_between_stand_log_sd"] = 0.25
    numbers["grass_stage.longest_years"] = float(rng.integers(20, 31))
    numbers["height_growth.longest_height_years"] = float(rng.integers(30, 46))
    numbers["grass_stage.present"] = float(has_grass_stage)
    return InventedProfile(numbers)


def random_core(rng, likely_year, loads_gamma, loads_delta):
    """Evidence of one core on a band around a likely first ring, which moves earlier with either
    factor; positive, not normalised.
    """
    band = int(rng.integers(14, 26))
    start = max(likely_year - band // 2, 0)  # may run past the survey, where it must carry nothing
    place = np.arange(band)[None, None, :]
    gamma = np.arange(-5.0, 6.0)[:, None, None] if loads_gamma else np.zeros((1, 1, 1))
    delta = np.arange(-5.0, 6.0)[None, :, None] if loads_delta else np.zeros((1, 1, 1))
    centre = likely_year - start - rng.uniform(0.2, 1.0) * gamma - rng.uniform(0.1, 0.8) * delta
    return start, np.exp(-0.5 * ((place - centre) / rng.uniform(1.5, 5.0)) ** 2) + rng.uniform(
        0.01, 0.05
    )


def random_tree(rng, season, basis, class_edges_cm):
    """A chain of one to three heights that one life could show; breast height carries a diameter, a
    core, or both.
    """
    born = int(rng.integers(3, season - 12))
    heights = [
        float(height)
        for height in rng.choice(
            [5, 10, 30, 50, 100, 140], size=int(rng.integers(1, 3)), replace=False
        )
    ]
    kind = (
        rng.choice(["no diameter", "diameter", "diameter and core"])
        if basis == "establishment"
        else "no diameter"
    )
    if kind != "no diameter":
        heights.append(137.0)
    nodes = []
    for height in sorted(heights, reverse=True):
        likely_year = born + (round(4 + height / 30) if basis == "establishment" else 0)
        dbh_class, start, evidence, loads = -1, 0, None, [False, False]
        if height == 137.0:
            likely_dbh = 1 + 0.5 * max(season - likely_year, 0) * rng.uniform(0.7, 1.3)
            dbh_class = int(np.searchsorted(class_edges_cm, likely_dbh)) - 1
        if height != 137.0 or kind == "diameter and core":
            loads = [bool(value) for value in rng.integers(0, 2, 2)]
            start, evidence = random_core(rng, likely_year, *loads)
        on_gamma, on_delta = loads
        nodes.append(
            Node(
                height,
                dbh_class,
                evidence=evidence,
                band_start=start,
                loads_gamma=on_gamma,
                loads_delta=on_delta,
            )
        )
    return TreeChain(nodes=tuple(nodes))


def random_unit(
    rng,
    n_years,
    species_index,
    has_grass_stage,
    stand,
    basis,
    has_plots,
    class_edges_cm,
):
    """A unit with plots or none, cuts, stems with and without cores, counts of all stages, some
    with judged ages, all kinds of section.

    Nothing is impossible: without a grass stage none is counted in it and no section is said to
    have been in it.
    """
    season = int(n_years - 1 - rng.integers(0, 6))
    n_classes = len(class_edges_cm) - 1
    n_plots = int(rng.integers(2, 5)) if has_plots else 0
    class_low = rng.integers(1, 4, n_plots)
    class_high = np.where(
        rng.uniform(size=n_plots) < 0.3, rng.integers(8, n_classes, n_plots), n_classes
    )
    n_cuts = int(rng.integers(0, 3))
    establishment = basis == "establishment"
    n_uncored = int(rng.integers(1, 5)) if establishment else 0
    n_counts = 10 if establishment else 0
    stage = np.arange(n_counts) % 4
    judged = (rng.permutation(n_counts) % 2 == 0) | (np.arange(n_counts) >= 6)
    judged &= stage != STAGES.index(
        "sapling"
    )  # ages judged for saplings are not carried into the arrays
    age_low = np.where(
        judged,
        np.where(stage == STAGES.index("germinant"), 0, rng.integers(0, 4, n_counts)),
        np.nan,
    )
    age_high = age_low + rng.integers(2, 12, n_counts)
    count = rng.integers(0, 15, n_counts)
    kinds = (
        np.array([0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5]) if establishment else np.zeros(0, dtype=int)
    )
    value = rng.integers(1, 12, len(kinds))
    if not has_grass_stage:
        count[stage == STAGES.index("grass")] = 0
        kinds, value = kinds[kinds != 1], np.where(kinds == 0, 0, value)[kinds != 1]
    heights = np.select(
        [kinds == 3, kinds > 3],
        [rng.choice([30.0, 60.0, 137.0], len(kinds)), rng.choice([0.0, 25.0, 125.0], len(kinds))],
        0.0,
    )
    return UnitData(
        stand=stand,
        species_index=species_index,
        basis=basis,
        season_index=season,
        has_plots=has_plots,
        plot_area_ha=rng.uniform(0.02, 0.3, n_plots),
        plot_class_low=class_low,
        plot_class_high=class_high,
        plot_stems=rng.integers(0, 40, n_plots),
        removal_shape=rng.uniform(0, 1, (n_cuts, n_years)),
        removal_m=rng.normal(-0.7, 0.5, n_cuts),
        removal_sd=rng.uniform(0.4, 1.0, n_cuts),
        reference_height_cm=float(rng.choice([10, 30, 137])) if establishment else 0.0,
        uncored_class=np.sort(rng.choice(n_classes // 2, n_uncored, replace=False)),
        uncored_count=rng.integers(1, 12, n_uncored),
        trees=tuple(
            random_tree(rng, season, basis, class_edges_cm) for _ in range(int(rng.integers(4, 9)))
        ),
        count_stage=stage,
        count_area_ha=rng.uniform(0.001, 0.02, n_counts),
        count_value=count,
        count_class_low=rng.integers(1, 4, n_counts),
        count_age_low=age_low,
        count_age_high=age_high,
        stage_factor_scale=float(rng.choice([0.5, 1.0])),
        section_kind=kinds,
        section_value=value,
        section_height_cm=heights,
    )


def random_stand_data(seed, units=(("establishment", True),), grass_stages=(True,)):
    """A survey of one unit for each pair `(basis, has_plots)`; unit u has species u modulo the
    number of species.
    """
    rng = np.random.default_rng(seed)
    n_years = int(rng.integers(60, 91))
    class_edges_cm = np.unique(np.concatenate([np.arange(0.0, 42.0, 2.0), [5.0, 12.7], [np.inf]]))
    species = []
    for index, has_grass_stage in enumerate(grass_stages):
        species.append(
            SpeciesData(
                f"invented-{index}", invented_profile(rng, has_grass_stage), has_grass_stage
            )
        )
    made = []
    for u, (basis, has_plots) in enumerate(units):
        index = u % len(species)
        grassy = species[index].has_grass_stage
        made.append(
            random_unit(
                rng,
                n_years,
                index,
                grassy,
                f"stand-{u}",
                basis,
                has_plots,
                class_edges_cm,
            )
        )
    return StandData(
        n_years=n_years,
        first_year=1940,
        units=tuple(made),
        species=tuple(species),
        class_edges_cm=class_edges_cm,
    )


def random_parameters(seed, data, scale=0.8):
    """A draw of all parameters from normals of standard deviation `scale`.

    Knots are drawn independently, which every density must allow. Levels are kept small, so that no
    single term drowns the others.
    """
    rng = np.random.default_rng(seed)
    n_units = len(data.units)
    parameters = {name: scale * rng.standard_normal() for name in SURVEY_NAMES}
    parameters |= {name: scale * rng.standard_normal(len(data.species)) for name in SPECIES_NAMES}
    parameters |= {name: scale * rng.standard_normal(n_units) for name in UNIT_NAMES}
    parameters["level"] *= 0.3
    # within the axis of 60 to 90 years, where it counts
    parameters["beginning"] = 0.3 * parameters["beginning"] - 1.3
    parameters["stage_factor"] = scale * rng.standard_normal((n_units, 4))
    parameters["removal"] = [
        scale * rng.standard_normal(len(unit.removal_m)) for unit in data.units
    ]
    for name, spacing in KNOT_SPACINGS.items():
        knots = math.ceil((data.n_years - 1 + (0 if name == "epoch_knots" else 40)) / spacing) + 1
        parameters[name] = [scale * rng.standard_normal(knots) for _ in range(n_units)]
    return parameters


def without_evidence(data, **more):
    """The first unit with nothing seen on it but what `more` says; stems are counted as they pass
    breast height.
    """
    none, whole = np.zeros(0), np.zeros(0, dtype=int)
    nothing = {
        "has_plots": False,
        "plot_area_ha": none,
        "reference_height_cm": BREAST_HEIGHT_CM,
        "trees": (),
        "count_area_ha": none,
        "count_age_low": none,
        "count_age_high": none,
        "section_height_cm": none,
        **dict.fromkeys(("plot_class_low", "plot_class_high", "plot_stems"), whole),
        **dict.fromkeys(("uncored_class", "uncored_count"), whole),
        **dict.fromkeys(("count_stage", "count_value", "count_class_low"), whole),
        **dict.fromkeys(("section_kind", "section_value"), whole),
    }
    return dataclasses.replace(data, units=(dataclasses.replace(data.units[0], **nothing | more),))
