"""Surveys drawn from the joint distribution that the stand model states: every unknown from its
prior, then the data given the unknowns.

For calibration by simulation, where a draw "almost from the prior" is not good enough. What
docs/the-model.md and docs/evidence.md say is written here once more, without the package's evidence
or model; plants are played one by one by the simulator's `grow`. Three things make it exact:

* The axis is fixed: 200 years, whatever the oldest core, so that the prior does not depend on the
  data (`AXIS_YEARS`; the fit is held to the same axis by `calibration.fixed_axis`).
* The evidence is written as the probability of the rings missed given the reading. So the reading
  of the centre is drawn first, from anything, and the rings missed then from its log-normal; the
  tree's year and the innermost ring follow. A count n of N true rings has probability `P(N | n) /
  _MOST`, which sums to nearly one over n; what is left over is a core that fails.
* A survey is drawn anew, as a whole, where its data are not as wanted (too few or too many stems, a
  core that fails, a tree past the axis). That is a condition on data, which leaves every posterior
  as it is; nothing is ever refused for its parameters.

Kinds left out: centres `straight` and `rotten` judged by the missing share of the radius, whose
rings missed depend on the rings seen; sections, cuts and several units, which the exact comparison
of the model's three statements covers.
"""

from __future__ import annotations

import dataclasses
import math
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from standage.profiles import Profile, load_profile
from standage.simulate.life import LifeHistory, draw_life_histories
from standage.simulate.plants import Plants, grow
from standage.simulate.surveys import SimulatedSurvey
from standage.simulate.tables import COLUMNS, as_table
from standage.stand.parameters import SPECIES_NAMES, SURVEY_NAMES, UNIT_NAMES
from standage.survey.reading import read_survey
from standage.survey.readings import RefusedSurvey

SPECIES, STAND, SEASON = "longleaf-pine", "a", 2024
SURVEY_DATE = pd.Timestamp(
    "2024-06-11"
)  # a ring is growing, so the last complete one is that of 2023
AXIS_YEARS, LEAST_YEARS_BEFORE_RING = (
    201,
    20,
)  # as standage.stand.build._axis gives them where no core is older
COMMONEST_HEIGHT_CM = 30.0
STAGES = ("germinant", "grass", "emerging", "sapling")
SINGLE_PARAMETERS = (*SURVEY_NAMES, *SPECIES_NAMES, *UNIT_NAMES)
_MARGIN_YEARS = 20
_KNOTS = {
    "pulse_knots": (4, 8.0, 2 * _MARGIN_YEARS),
    "trend_knots": (16, 50.0, 2 * _MARGIN_YEARS),
    "epoch_knots": (25, 50.0, 0),
}
# above the sum over n of P(N | n) for any counting factor within 4 standard deviations (it is 1 /
# (1 + bias), nearly)
_MOST = 1.08
_LEAST_RINGS = 3
_LEAST_DBH_CM = 5.0
_CENTRES = {
    "pith": 0.2,
    "arcs": 0.3,
    "distance": 0.2,
    "rings": 0.1,
    "arcs unmeasured": 0.06,
    "straight": 0.06,
    "unknown": 0.08,
}
_PLAYED_AT_MOST = 200_000  # plants; more are played in part, and what comes of them is scaled up


@dataclass(frozen=True)
class Size:
    """How large the surveys are. `stems` and `cores`: fewest and most listed, fewest and most
    wanted; plots of 0.25 ha each.
    """

    stems: tuple[int, int] = (40, 600)
    cores: tuple[int, int] = (20, 40)
    plots: int = 4
    subplots_per_plot: int = 3
    # an edge of the model's diameter classes, so that who is cored depends on nothing else
    least_cored_dbh_cm: float = 12.0


@dataclass(frozen=True)
class PriorSurvey:
    """A survey with all that is true of it: `z` the standard normal unknowns by name, `truth` what
    plants and history say of quantities.

    `cored_tree`, `uncored_tree`: one listed stem of either kind, taken at random. `established`:
    year by tree. `refused`: surveys drawn in vain, by reason.
    """

    survey: SimulatedSurvey
    z: dict[str, float | np.ndarray]
    truth: dict[str, float]
    cored_tree: str
    uncored_tree: str
    established: dict[str, int]
    stems: int
    cores: int
    refused: dict[str, int]


class _Refused(Exception):
    """The data drawn are not as wanted; the reason is its text."""


def prior_survey(seed: int, size: Size) -> PriorSurvey:
    """Draw surveys until one has data as wanted. The same seed gives the same survey."""
    profile = load_profile(SPECIES)
    refused: Counter[str] = Counter()
    for attempt in range(100_000):
        try:
            drawn = _draw(np.random.default_rng([seed, attempt]), profile, size)
            _check_plausible(drawn)
            return dataclasses.replace(drawn, refused=dict(refused))
        except _Refused as reason:
            refused[str(reason)] += 1
    raise RuntimeError(f"no survey as wanted in 100,000: {refused}")


def _check_plausible(drawn: PriorSurvey) -> None:
    """Raises _Refused for a survey that reading refuses, as a stem that no pine has: that is
    decided by the data alone, so that ranks of the truth stay uniform.
    """
    with tempfile.TemporaryDirectory() as scratch:
        try:
            read_survey(drawn.survey.write(Path(scratch) / "survey"))
        except RefusedSurvey:
            raise _Refused("implausible") from None


def draw_unknowns(rng: np.random.Generator) -> dict[str, float | np.ndarray]:
    """All unknowns of one stand of one species: standard normal, or unit Ornstein-Uhlenbeck knots
    (the-model.md, sections 2 to 6).
    """
    z: dict[str, float | np.ndarray] = {
        name: float(rng.standard_normal()) for name in SINGLE_PARAMETERS
    }
    z["stage_factor"] = rng.standard_normal(4)
    for name, (spacing, length, margins) in _KNOTS.items():
        kept = math.exp(-spacing / length)
        knots = [rng.standard_normal()]
        for _ in range(math.ceil((AXIS_YEARS - 1 + margins) / spacing)):
            knots.append(kept * knots[-1] + math.sqrt(1 - kept**2) * rng.standard_normal())
        z[name] = np.array(knots)
    return z


def life_history(z: dict[str, float | np.ndarray], profile: Profile) -> LifeHistory:
    """What the unknowns make of the profile (sections 3 to 5). Diameters have no cut-off tails: the
    model knows none.
    """
    half = math.sqrt(0.5)
    first_year = SEASON - AXIS_YEARS + 1
    middle = draw_life_histories(
        profile,
        np.random.default_rng(0),
        stands=1,
        first_year=first_year,
        last_year=SEASON,
        central=True,
    )[0]
    grass = profile["grass_stage.median_log_sd"] * z["grass_median"]
    grass += (
        profile["grass_stage.between_stand_log_sd"] * half * (z["shared_pace"] + z["grass_pace"])
    )
    height = profile["height_growth.years_log_sd"] * z["height_years"]
    height += (
        profile["height_growth.between_stand_log_sd"] * half * (z["shared_pace"] + z["height_pace"])
    )
    growth = (
        profile["size.growth_log_sd"] * z["growth"]
        + profile["size.growth_between_stand_log_sd"] * z["growth_pace"]
    )
    return dataclasses.replace(
        middle,
        grass_median_years=profile["grass_stage.median_years"] * math.exp(grass),
        grass_log_sd=profile["grass_stage.within_stand_log_sd"]
        * math.exp(profile["grass_stage.within_log_sd"] * z["grass_spread"]),
        years_to_breast_height=profile["height_growth.years_to_breast_height"] * math.exp(height),
        height_dispersion=profile["height_growth.dispersion"]
        * math.exp(profile["height_growth.dispersion_log_sd"] * z["height_spread"])
        / ((1 + math.exp(4 * height)) / 2) ** 0.25,
        growth_cm_per_year=profile["size.growth_cm_per_year"] * math.exp(growth),
        asymptote_cm=profile["size.asymptote_cm"]
        * math.exp(
            profile["size.asymptote_log_sd"] * z["asymptote"]
            + profile["size.asymptote_between_stand_log_sd"] * z["site_asymptote"]
        ),
        late_growth_share=0.05,
        size_scatter=profile["size.scatter"]
        * math.exp(profile["size.scatter_log_sd"] * z["scatter"]),
        epoch_first_year=first_year,
        epoch_log_effects=tuple(profile["size.epoch_log_sd"] * z["epoch_knots"]),
        most_scatter=math.inf,
        first_passage=True,
    )


def living_per_ha(
    z: dict[str, float | np.ndarray], life: LifeHistory, profile: Profile
) -> np.ndarray:
    """Stems per hectare alive at the survey by establishment year of the axis, shape (year,)
    (section 2, without cuts).
    """
    age = np.arange(AXIS_YEARS - 1, -1, -1, dtype=float)
    moved = life.grass_median_years * math.exp(life.grass_log_sd**2 / 2)
    moved -= profile["grass_stage.median_years"] * math.exp(
        profile["grass_stage.within_stand_log_sd"] ** 2 / 2
    )
    share = float(life.mean_seasons_to(COMMONEST_HEIGHT_CM)) / life.years_to_breast_height
    moved += share * (life.years_to_breast_height - profile["height_growth.years_to_breast_height"])
    place = np.arange(AXIS_YEARS) + _MARGIN_YEARS + moved
    quick, slow = (
        _between(z[name], place / _KNOTS[name][0]) for name in ("pulse_knots", "trend_knots")
    )
    adult, seedling = (
        profile["survival.adult_hazard_per_year"],
        profile["survival.seedling_hazard_per_year"],
    )
    decline = profile["survival.seedling_decline_years"]

    def hazard(years):
        return adult * years + seedling * decline * (1 - np.exp(-years / decline))

    log_living = 0.3 * math.exp(0.35 * z["trend_scale"]) * slow
    since_beginning = 200 * math.exp(0.8 * z["beginning"])
    log_living -= np.log1p(((age + 1) / since_beginning) ** 10)
    log_living += np.logaddexp(
        0, -2.5 + 0.7 * z["activity"] + 2 * math.exp(0.25 * z["pulse_scale"]) * quick
    )
    log_living += hazard(50.0) - hazard(age)
    log_living += profile["survival.slope_sd"] * z["slope"] * age / 100 + profile[
        "survival.early_sd"
    ] * z["early"] * np.exp(-age / 10)
    at_level_0 = np.exp(log_living)
    stems = 150 * math.exp(1.75 * z["level"])
    return at_level_0 * stems / (at_level_0 @ listed_share(life))


def listed_share(life: LifeHistory) -> np.ndarray:
    """Probability that a stem of each establishment year is listed, 5 cm thick or more, at the
    survey, shape (year,) (sections 3 and 5).
    """
    since = np.arange(AXIS_YEARS)  # seasons since breast height, or since establishment
    location = np.log(life.median_dbh_cm(since)) + life.log_epoch_effect(SEASON - since)
    thick = stats.t.sf((math.log(_LEAST_DBH_CM) - location) / life.size_scatter, 4)
    return np.convolve(breast_height_delay(life), thick)[:AXIS_YEARS][::-1]


def _between(knots: np.ndarray, place: np.ndarray) -> np.ndarray:
    place = np.clip(place, 0, len(knots) - 1)
    left = np.minimum(place.astype(int), len(knots) - 2)
    way = place - left
    way = 3 * way**2 - 2 * way**3
    return knots[left] * (1 - way) + knots[left + 1] * way


def past_emerging_share(life: LifeHistory) -> np.ndarray:
    """Probability that a stem of each establishment year has passed breast height by the survey,
    shape (year,) (section 3).
    """
    return np.cumsum(breast_height_delay(life))[::-1]


def breast_height_delay(life: LifeHistory) -> np.ndarray:
    """Probability of each number of seasons from establishment to breast height, as many as the
    axis has years.
    """
    longest = life.longest_grass_years
    below = stats.norm.cdf(
        (np.log(np.arange(longest + 1) + 0.5) - math.log(life.grass_median_years))
        / life.grass_log_sd
    )
    grass = np.append(0.0, np.diff(below)) / (below[-1] - below[0])
    mean, dispersion = life.years_to_breast_height, life.height_dispersion
    passed = stats.invgauss(dispersion / mean, scale=mean**2 / dispersion)
    grown = np.diff(passed.cdf(np.arange(AXIS_YEARS) + 0.5), prepend=0.0)
    grown[int(load_profile(SPECIES)["height_growth.longest_height_years"]) + 1 :] = 0
    return np.convolve(grass, grown)[:AXIS_YEARS]


def _draw(rng: np.random.Generator, profile: Profile, size: Size) -> PriorSurvey:
    z = draw_unknowns(rng)
    life = life_history(z, profile)
    living = living_per_ha(z, life, profile)
    years = np.arange(SEASON - AXIS_YEARS + 1, SEASON + 1)
    rows: dict[str, list[dict]] = {name: [] for name in COLUMNS}
    rows["stands"].append({"stand": STAND, "survey_date": SURVEY_DATE, "origin": "natural"})
    plants, cored = _list_stems(rng, z, life, years, living, size, rows)
    cores = _core(rng, z, profile, plants, cored, rows)
    _count_stages(rng, z, life, years, living, size, rows)

    trees = [row["tree"] for row in rows["trees"]]
    dated = [
        place
        for place in cored
        if all(
            not math.isnan(row["height_cm"]) for row in rows["cores"] if row["tree"] == trees[place]
        )
    ]
    uncored = np.setdiff1d(np.arange(len(trees)), cored)
    if not len(dated) or not len(uncored):
        raise _Refused("no stem with, or none without, a core")
    one, other = int(rng.choice(dated)), int(rng.choice(uncored))
    lowest = min(row["height_cm"] for row in rows["cores"] if row["tree"] == trees[one])
    past = living * past_emerging_share(life)
    established = dict(zip(trees, plants.establishment_year.tolist(), strict=True))
    truth = {
        "year of a cored tree": float(plants.establishment_year[one]),
        "year at the core of a cored tree": float(plants.first_ring_year(lowest)[one]),
        "year of an uncored stem": float(plants.establishment_year[other]),
        "grass-stage median": life.grass_median_years,
        "years to breast height": life.years_to_breast_height,
        "diameter growth": life.growth_cm_per_year,
        "size scatter": life.size_scatter,
    } | history_quantities(years, past[None])
    survey = SimulatedSurvey({name: as_table(name, found) for name, found in rows.items()}, {})
    return PriorSurvey(
        survey,
        z,
        {name: float(np.squeeze(value)) for name, value in truth.items()},
        trees[one],
        trees[other],
        established,
        len(trees),
        cores,
        {},
    )


def history_quantities(years: np.ndarray, past: np.ndarray) -> dict[str, np.ndarray]:
    """What people read off a history, of draws `past` (draw, year) of the stems per ha past
    emerging: one `(draw,)` each.
    """
    classes = {
        "1905-1924": (1905, 1924),
        "1945-1964": (1945, 1964),
        "1965-1984": (1965, 1984),
        "1985-2004": (1985, 2004),
    }
    found = {
        f"stems per ha of {name}": past[:, (years >= low) & (years <= high)].sum(axis=1)
        for name, (low, high) in classes.items()
    }
    total = past.sum(axis=1)
    found["stems per ha in all"] = total
    found["share of 1955-1974"] = past[:, (years >= 1955) & (years <= 1974)].sum(axis=1) / total
    return found


def _list_stems(rng, z, life, years, living, size, rows) -> tuple[Plants, np.ndarray]:
    """List the plots' stems of 5 cm and more. Returns them and the places of those to be cored."""
    dispersion = 4 * math.exp(0.8 * z["plot_dispersion"])
    area_ha = 0.25
    richness = rng.gamma(dispersion, 1 / dispersion, size.plots)
    expected = living * area_ha * richness.sum()
    if expected.sum() > _PLAYED_AT_MOST:
        # estimated from a part: beyond twice the most wanted, no Poisson number comes down to it
        part = _PLAYED_AT_MOST / 4 / expected.sum()
        few = (grow(rng, life, years, expected * part).stage(SEASON, _LEAST_DBH_CM) == "tree").sum()
        if few / part - 6 * math.sqrt(few) / part > 1.5 * size.stems[1]:
            raise _Refused("too many stems")
    plants = grow(rng, life, years, expected)
    plants = plants.chosen(np.flatnonzero(plants.stage(SEASON, _LEAST_DBH_CM) == "tree"))
    if not size.stems[0] <= len(plants) <= size.stems[1]:
        raise _Refused("too few stems" if len(plants) < size.stems[0] else "too many stems")
    plants = plants.chosen(rng.permutation(len(plants)))
    # cut, not rounded, to the tenth of a centimetre: a stem has to stay in its diameter class
    dbh = np.floor(plants.dbh_cm(SEASON) * 10 + 1e-9) / 10
    if dbh.max() >= 239:
        raise _Refused("a stem thicker than a survey may hold")
    plot = rng.choice(size.plots, len(plants), p=richness / richness.sum())
    for number in range(size.plots):
        rows["plots"].append(
            {
                "plot": f"p{number + 1}",
                "stand": STAND,
                "area_m2": 1e4 * area_ha,
                "min_dbh_cm": _LEAST_DBH_CM,
                "placement": "random",
            }
        )
    large = np.flatnonzero(dbh >= size.least_cored_dbh_cm)
    wanted = int(rng.integers(size.cores[0], size.cores[1] + 1))
    if len(large) < min(8, size.cores[0]):
        raise _Refused("too few stems large enough for a core")
    cored = rng.permutation(large)[:wanted]
    taken = set(cored.tolist())
    for place in range(len(plants)):
        rows["trees"].append(
            {
                "tree": f"t{place + 1}",
                "stand": STAND,
                "plot": f"p{plot[place] + 1}",
                "species": SPECIES,
                "dbh_cm": float(dbh[place]),
                "status": "live",
                "core_outcome": "taken" if place in taken else "not_tried",
            }
        )
    return plants, cored


def _count_stages(rng, z, life, years, living, size, rows) -> None:
    dispersion = math.exp(0.8 * z["count_dispersion"])
    subplots, area_ha = size.plots * size.subplots_per_plot, 25.0 / 1e4
    for stage, factor in zip(STAGES, z["stage_factor"], strict=True):
        clump = rng.gamma(dispersion, 1 / dispersion, subplots)
        expected = living * area_ha * math.exp(factor) * clump.sum()
        part = min(1.0, _PLAYED_AT_MOST / expected.sum())
        found = int(
            (grow(rng, life, years, expected * part).stage(SEASON, _LEAST_DBH_CM) == stage).sum()
        )
        # the expected number is then known to well within the spread that `factor` gives it
        if part < 1:
            found = int(rng.poisson(found / part))
        counts = rng.multinomial(found, clump / clump.sum())
        if counts.max() > 50_000:
            raise _Refused("more seedlings in a subplot than anyone counts")
        for number, count in enumerate(counts):
            rows["counts"].append(
                {
                    "plot": f"p{number // size.subplots_per_plot + 1}",
                    "stage": stage,
                    "species": SPECIES,
                    "area_m2": 1e4 * area_ha,
                    "count": int(count),
                }
            )


def _core(rng, z, profile, plants, cored, rows) -> int:
    """Core the chosen stems, some at two heights."""
    heights = _core_heights(rng, len(cored))
    for place, at in zip(cored, heights, strict=True):
        for number, (height, recorded) in enumerate(at):
            first_ring = int(plants.first_ring_year(height)[place])
            row, missed = _read_centre(rng, z, profile)
            innermost = first_ring + missed
            if innermost > SEASON - _LEAST_RINGS:
                raise _Refused("a core without rings to read")
            row |= _read_years(rng, z, profile, innermost)
            row |= {
                "core": f"t{place + 1}-{'ab'[number]}",
                "tree": f"t{place + 1}",
                "height_cm": height if recorded else math.nan,
                "core_date": SURVEY_DATE,
                "core_state": "dry",
                "reader": "A",
            }
            seen = row.get("first_ring_year") or SEASON - row["ring_count"]
            if seen < SEASON - AXIS_YEARS + 1 + LEAST_YEARS_BEFORE_RING:
                raise _Refused("a core that would lengthen the axis")
            rows["cores"].append(row)
    return len(rows["cores"])


def _core_heights(rng, trees: int) -> list[list[tuple[float, bool]]]:
    """Heights of each tree's cores with whether they are written down; 30 cm is the commonest, and
    is what a blank stands for.
    """
    while True:
        chosen: list[list[tuple[float, bool]]] = []
        for _ in range(trees):
            height = (
                COMMONEST_HEIGHT_CM
                if rng.random() < 0.6
                else float(rng.choice([20.0, 50.0, 100.0, 137.0]))
            )
            if height == COMMONEST_HEIGHT_CM and rng.random() < 0.06:
                chosen.append([(height, False)])
            elif height < 100 and rng.random() < 0.12:
                chosen.append([(height, True), (float(rng.choice([100.0, 137.0])), True)])
            else:
                chosen.append([(height, True)])
        written = Counter(height for tree in chosen for height, recorded in tree if recorded)
        if written and written[COMMONEST_HEIGHT_CM] > max(
            [0, *(n for height, n in written.items() if height != COMMONEST_HEIGHT_CM)]
        ):
            return chosen


def _read_centre(rng, z, profile) -> tuple[dict, int]:
    """A reading of the centre, and the rings missed given that reading (evidence.md, the
    centre).
    """
    kind = rng.choice(list(_CENTRES), p=list(_CENTRES.values()))
    pith_mm, stand_sd = profile["core.pith_radius_mm"], profile["core.early_growth_stand_log_sd"]
    if kind == "pith":
        return {"centre": "pith"}, 0
    if kind == "rings":
        row = {"centre": "arcs", "rings_to_pith": int(rng.integers(1, 16))}
        sd = 0.2 * row["rings_to_pith"] + 1
        if rng.random() < 0.5:
            sd = row["rings_to_pith_sd"] = float(rng.choice([1.0, 1.5, 3.0]))
        return row, _rings(
            rng,
            math.log(row["rings_to_pith"]),
            math.sqrt(math.log1p((sd / row["rings_to_pith"]) ** 2)),
        )
    if kind == "unknown":
        if rng.random() < profile["core.unknown_pith_share"]:
            return {"centre": "unknown"}, 0
        total = profile["core.unknown_missing_rings_log_sd"]
        loading = min(stand_sd, 0.7 * total)
        mu = math.log(profile["core.unknown_missing_rings_median"]) + loading * z["early_growth"]
        return {"centre": "unknown"}, _rings(rng, mu, math.sqrt(total**2 - loading**2))
    row = {"centre": "straight" if kind == "straight" else "arcs"}
    tree, growth = profile["core.early_growth_log_sd"], profile["core.early_growth_mm_per_year"]
    if kind == "straight" or rng.random() < 0.3:
        row["inner_ring_mm"] = max(round(2.5 * math.exp(0.4 * rng.standard_normal()), 2), 0.3)
        growth, tree = row["inner_ring_mm"] * profile["core.early_to_inner_ratio"], 0.6 * tree
    if kind == "arcs unmeasured":
        log_distance, reading = math.log(8.0), 0.7
    elif kind == "arcs":
        chord, height = round(float(rng.uniform(4, 20)), 1), 0.0
        height = row["arc_height_mm"] = max(round(float(chord * rng.uniform(0.08, 0.45)), 1), 0.3)
        row["arc_chord_mm"] = chord
        radius = chord**2 / (8 * height) + height / 2
        by_chord = chord / (4 * height) * 0.3 / radius
        by_height = min(abs(0.5 - chord**2 / (8 * height**2)) * 0.3 / radius, 1)
        radius *= math.exp(-(by_height**2) / 2)
        distance = max(radius - pith_mm, 0.3)
        log_distance, reading = (
            math.log(distance),
            math.sqrt(math.log1p((by_chord**2 + by_height**2) * (radius / distance) ** 2)),
        )
    else:
        low, high = (15, 40) if kind == "straight" else (3, 20)
        row["pith_distance_mm"] = round(float(rng.uniform(low, high)), 1)
        sd = 0.2 * row["pith_distance_mm"] + 1
        if rng.random() < 0.5:
            sd = row["pith_distance_mm_sd"] = float(rng.choice([1.0, 2.0, 4.0]))
        distance = max(row["pith_distance_mm"] - pith_mm, 0.3)
        log_distance, reading = math.log(distance), math.sqrt(math.log1p((sd / distance) ** 2))
    mu = log_distance - math.log(growth) + stand_sd * z["early_growth"]
    return row, _rings(rng, mu, math.hypot(reading, tree))


def _rings(rng, mu: float, sigma: float) -> int:
    return math.floor(math.exp(min(mu + sigma * rng.standard_normal(), 12.0)) + 0.5)


def _read_years(rng, z, profile, innermost: int) -> dict:
    """Date the innermost ring seen (evidence.md, the innermost ring)."""
    dating = rng.choice(["crossdated", "partly", "counted"], p=[0.35, 0.15, 0.5])
    if dating == "counted":
        own_sd = float(rng.choice([1.0, 2.0, 3.0])) if rng.random() < 0.15 else None
        row = {
            "dating": "counted",
            "outer_ring": "partial",
            "ring_count": _count(rng, z, profile, SEASON - innermost, own_sd, gross=True),
        }
        return row if own_sd is None else row | {"count_sd": own_sd}
    row = {
        "dating": "crossdated",
        "outer_ring": "partial",
        "last_ring_year": SEASON,
        "first_ring_year": innermost,
    }
    secure = SEASON - int(rng.integers(6, 60))
    if dating == "partly" and innermost < secure:
        counted = _count(rng, z, profile, secure - innermost, None, gross=False)
        row |= {"crossdated_back_to_year": secure, "first_ring_year": secure - counted}
    return row


def _count(rng, z, profile, true_rings: int, own_sd: float | None, *, gross: bool) -> int:
    """Rings counted where there are `true_rings`, perhaps grossly misread: probability in
    proportion to P(true | counted), or a core that fails.
    """
    reach = 40 + true_rings // 2 + (100 if gross else 0)
    counted = np.arange(max(1, true_rings - reach), true_rings + reach + 1)
    chance = counting_pmf(counted, true_rings, z["counting"], profile, own_sd)
    if gross:
        chance = with_gross_errors(counted, true_rings, z["counting"], profile, own_sd, chance)
    chance = chance / _MOST
    fails = 1 - chance.sum()
    if fails < 0 and abs(z["counting"]) < 4:
        raise RuntimeError(
            f"a count of {true_rings} rings has total chance {chance.sum():.4f}; _MOST is too small"
        )
    if rng.random() < fails:
        raise _Refused("a count put aside (see the module's head)")
    return int(rng.choice(counted, p=chance / chance.sum()))


def with_gross_errors(
    counted: np.ndarray,
    true_rings: int,
    delta: float,
    profile: Profile,
    own_sd: float | None,
    right: np.ndarray,
) -> np.ndarray:
    """P(true rings | rings counted) by rings counted, where 3 readings in 100 are grossly off
    (evidence.md, gross errors); `right`: with none of them.
    """
    k = np.arange(-100, 101)
    any_number = np.where(abs(k) >= 5, np.exp(-abs(k) / 15), 0.0)
    decades = np.select([abs(k) == 10, abs(k) == 20], [0.8, 0.2], 0.0)
    side = np.where(k > 0, 0.6, 0.4)
    moved = 0.4 * decades * side + 0.5 * any_number * side / any_number[k > 0].sum()
    off = sum(
        share * counting_pmf(counted, true_rings - more, delta, profile, own_sd)
        for more, share in zip(k, moved, strict=True)
        if share > 1e-6
    )
    label = 0.1 * (abs(true_rings - counted) <= 100) / 201
    return 0.97 * right + 0.03 * (off + label)


def counting_pmf(
    counted: np.ndarray, true_rings: int, delta: float, profile: Profile, own_sd: float | None
) -> np.ndarray:
    """P(true rings | rings counted) by rings counted: a rounded Student-t of 4 degrees of freedom
    about their bias.
    """
    bias = (1 - profile["rings.false_per_100"] / 100) * (
        1 + profile["rings.absent_per_100"] / 100
    ) - 1
    scale = (
        np.hypot(profile["rings.reader_sd_rings"], profile["rings.reader_sd_share"] * counted)
        if own_sd is None
        else own_sd
    )
    scale = np.maximum(scale, 0.2)
    off = true_rings - counted - counted * (bias + profile["rings.bias_sd"] * delta)
    return stats.t.cdf((off + 0.5) / scale, 4) - stats.t.cdf((off - 0.5) / scale, 4)
