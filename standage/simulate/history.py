"""Histories to simulate from: when the living stems established, what was cut, and how the stand
was then surveyed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from standage.profiles import Profile
from standage.simulate.cores import Centre, Dating
from standage.simulate.life import LifeHistory
from standage.simulate.plants import Cut


@dataclass(frozen=True)
class Pulse:
    """A time of extra recruitment, `start` to `end` inclusive, rising over the first third and
    fading after; stems that later survive. [stems/ha]
    """

    start: int
    end: int
    stems_per_ha: float

    def per_ha(self, years: np.ndarray) -> np.ndarray:
        """Extra plants by establishment year, shape (year,). [stems/ha/yr]"""
        length = self.end - self.start + 1
        through = (years - self.start + 0.5) / length
        height = np.where(through < 1 / 3, 3 * through, 1.5 * (1 - through)) * (
            (through > 0) & (through < 1)
        )
        total = sum(min(3 * t, 1.5 * (1 - t)) for t in ((k + 0.5) / length for k in range(length)))
        return self.stems_per_ha * height / total


@dataclass(frozen=True)
class SurveyDesign:
    """How a stand is surveyed. Shares are fractions of one; the two mixes are weights by name and
    need not sum to one.

    plot_areas_m2: one plot each, no plots if empty is not provided for. core_heights_cm: drawn with
    equal weight for each entry, repeats count. centres: weights over `CENTRES`.
    datings: weights over `crossdated`, `partly`, `counted`. stage_factor_log_sd: how far a stage's
    counts may stand off from the stand as a whole, as a log-normal factor.
    """

    plot_areas_m2: tuple[float, ...] = (2500.0, 2500.0, 2500.0, 2500.0)
    min_dbh_cm: float = 5.0
    placement: str = "random"
    subplots_per_plot: int = 3
    subplot_area_m2: float = 25.0
    stages: tuple[str, ...] = ("germinant", "grass", "emerging", "sapling")
    stage_factor_log_sd: float = 1.0
    judged_age_share: float = 0.0
    cores: int = 70
    least_cored_dbh_cm: float = 8.0
    core_heights_cm: tuple[float, ...] = (20.0, 30.0, 30.0, 30.0, 30.0, 50.0, 100.0, 137.0)
    height_blank_share: float = 0.05
    second_core_share: float = 0.1
    no_sound_wood_share: float = 0.05
    centres: dict[Centre, float] = field(
        default_factory=lambda: {
            "pith": 0.25,
            "arcs": 0.25,
            "circles": 0.15,
            "estimate": 0.06,
            "straight": 0.1,
            "rotten": 0.09,
            "hollow": 0.03,
            "unknown": 0.07,
        }
    )
    datings: dict[Dating, float] = field(
        default_factory=lambda: {"crossdated": 0.35, "partly": 0.15, "counted": 0.5}
    )


@dataclass(frozen=True)
class Extras:
    """What real surveys hold besides the living natural stems of one species.

    other_species: stems per ha by name, tallied only. picked_by_eye, dead: stems. stumps_of,
    planted_in, turpentined_in: year of the cut that a stump is left of, of a planting in the first
    plot, of faces cut into the larger stems. known_age_stems: how many. winter_core: one core
    of a December.
    """

    other_species: dict[str, float] = field(default_factory=dict)
    picked_by_eye: int = 0
    dead: int = 0
    stumps_of: int | None = None
    planted_in: int | None = None
    known_age_stems: int = 0
    winter_core: bool = False
    turpentined_in: int | None = None


@dataclass(frozen=True)
class StandHistory:
    """One stand's history and survey.

    background_per_ha: plants that ordinary mortality leaves alive at the survey, by establishment
    year from `first_year` to the survey's season, shape (year,) [stems/ha/yr]; `pulses` come on top
    and `cuts` then take their share. `life` None: drawn from the profile's prior. `events`: rows of
    events.csv without `event` and `stand`.
    """

    stand: str
    survey_date: str
    first_year: int
    background_per_ha: np.ndarray
    pulses: tuple[Pulse, ...] = ()
    cuts: tuple[Cut, ...] = ()
    community: str = ""
    origin: str = "natural"
    area_ha: float | None = None
    note: str = ""
    events: tuple[dict, ...] = ()
    life: LifeHistory | None = None
    design: SurveyDesign = field(default_factory=SurveyDesign)
    extras: Extras = field(default_factory=Extras)

    @property
    def years(self) -> np.ndarray:
        """Establishment years of the history, shape (year,)."""
        return self.first_year + np.arange(len(self.background_per_ha))

    @property
    def season(self) -> int:
        """The survey's growing season, last year of the history."""
        return int(self.years[-1])

    def before_cuts_per_ha(self) -> np.ndarray:
        """Background and pulses, before any cut, shape (year,). [stems/ha/yr]"""
        return self.background_per_ha + sum(
            (pulse.per_ha(self.years) for pulse in self.pulses), np.zeros(len(self.years))
        )


def steady_recruitment(
    profile: Profile,
    first_year: int,
    season: int,
    *,
    per_ha_at_fifty: float,
    slope_per_century: float = 0.0,
) -> np.ndarray:
    """Survivors of a recruitment that never changed, by establishment year, shape (year,).
    [stems/ha/yr]

    `per_ha_at_fifty` is their density for plants fifty seasons old. `slope_per_century`: log units
    by which older years stand higher.
    """
    age = season - np.arange(first_year, season + 1)
    return (
        per_ha_at_fifty
        * np.exp(_log_survivorship(profile, age) - _log_survivorship(profile, 50))
        * np.exp(slope_per_century * (age - 50) / 100)
    )


def mast_years(rng: np.random.Generator, years: int, *, log_sd: float) -> np.ndarray:
    """Yearly seed-crop factors of mean one: most years little, a few years much, shape (year,)."""
    return np.exp(log_sd * rng.standard_normal(years) - log_sd**2 / 2)


def recruitment_from_prior(
    rng: np.random.Generator, profile: Profile, first_year: int, season: int
) -> np.ndarray:
    """A history drawn as the model page's section 2 says, without cuts and with `level` zero, shape
    (year,). [relative]
    """
    years = np.arange(first_year, season + 1)
    age = season - years
    quick = _wandering(rng, years, spacing=4, length=8)
    slow = _wandering(rng, years, spacing=16, length=50)
    threshold = -2.5 + 0.7 * rng.standard_normal()
    quick_scale = 2.0 * math.exp(0.25 * rng.standard_normal())
    slow_scale = 0.3 * math.exp(0.35 * rng.standard_normal())
    trend = profile["survival.slope_sd"] * rng.standard_normal() * age / 100
    early = profile["survival.early_sd"] * rng.standard_normal() * np.exp(-age / 10)
    since_beginning = 200.0 * math.exp(0.8 * rng.standard_normal())
    beginning = -np.logaddexp(0.0, 10.0 * np.log((age + 1) / since_beginning))
    burst = np.logaddexp(0.0, threshold + quick_scale * quick)
    return np.exp(
        slow_scale * slow
        + burst
        + trend
        + early
        + beginning
        + _log_survivorship(profile, age)
        - _log_survivorship(profile, 50)
    )


def _wandering(
    rng: np.random.Generator, years: np.ndarray, *, spacing: int, length: float
) -> np.ndarray:
    """A unit process that forgets over `length` years, given every `spacing` years and smooth
    between, shape (year,).
    """
    kept = math.exp(-spacing / length)
    knots = [float(rng.standard_normal())]
    while years[0] + spacing * (len(knots) - 1) < years[-1]:
        knots.append(kept * knots[-1] + math.sqrt(1 - kept**2) * float(rng.standard_normal()))
    place = (years - years[0]) / spacing
    knot = np.minimum(place.astype(int), len(knots) - 2)
    way = place - knot
    way = way * way * (3 - 2 * way)
    values = np.array(knots)
    return (1 - way) * values[knot] + way * values[knot + 1]


def _log_survivorship(profile: Profile, age: np.ndarray | int) -> np.ndarray:
    decline = profile["survival.seedling_decline_years"]
    seedlings = (
        profile["survival.seedling_hazard_per_year"]
        * decline
        * -np.expm1(-np.asarray(age, dtype=float) / decline)
    )
    return -profile["survival.adult_hazard_per_year"] * np.asarray(age, dtype=float) - seedlings
