"""What is true of one species in one simulated stand: the numbers a fitted model does not see and
has to recover.

A `LifeHistory` is drawn from a profile as the model page (sections 2 to 5) says: a part shared by
all stands of the survey, a part of the stand's own. It is stated here a second time on purpose; the
simulator shares no code with the evidence or the stand model.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from standage.profiles import Profile
from standage.simulate.departures import Departures, grass_waiting_years

BREAST_HEIGHT_CM = 137.0
# growth by period is given at these steps and runs straight between them (model page, section 5)
_EPOCH_SPACING_YEARS = 25
_EPOCH_LENGTH_YEARS = 50


@dataclass(frozen=True)
class LifeHistory:
    """The true numbers of one species in one stand. Shares are fractions of one, `_sd` are in log
    units unless said otherwise.
    """

    grass_stage: bool
    grass_median_years: float
    grass_log_sd: float
    longest_grass_years: int
    emergence_height_cm: float
    years_to_breast_height: float
    height_exponent: float
    height_dispersion: float
    growth_cm_per_year: float
    asymptote_cm: float
    size_scatter: float
    epoch_first_year: int
    epoch_log_effects: tuple[float, ...]
    pith_radius_mm: float
    early_growth_mm_per_year: float
    early_growth_log_sd: float
    bark_share_of_diameter: float
    taper_per_m: float
    eccentricity_log_sd: float
    dry_shrinkage_share: float
    usual_early_growth_mm_per_year: float
    unknown_pith_share: float
    unknown_missing_rings_median: float
    unknown_missing_rings_log_sd: float
    counting_bias_share: float
    reader_sd_rings: float
    reader_sd_share: float
    # no living stem is further from its age's median than this many scatters, however heavy the
    # tails
    most_scatter: float = 6.0
    # seasons of height growth as the model states them; else negative binomial, of the same mean
    # and variance, where that is above the mean: a stand need not keep to the model's law
    first_passage: bool = False
    # no stem's growth falls below this share of its pace when young; the model has 0.05
    late_growth_share: float = 0.0
    departures: Departures = Departures()

    def grass_years(self, rng: np.random.Generator, plants: int) -> np.ndarray:
        """Growing seasons without a stem, drawn plant by plant, shape (plant,). [growing
        seasons]
        """
        if not self.grass_stage:
            return np.zeros(plants, dtype=int)
        waiting = np.empty(plants)
        due = np.arange(plants)
        shape = self.departures.grass_shape
        while len(due):  # no plant waits less than half a season or longer than the longest
            waiting[due] = grass_waiting_years(
                rng, shape, self.grass_median_years, self.grass_log_sd, len(due)
            )
            due = due[(waiting[due] <= 0.5) | (waiting[due] > self.longest_grass_years + 0.5)]
        return (
            np.clip(np.floor(waiting + 0.5).astype(int), 1, self.longest_grass_years)
            + self.departures.grass_years_longer
        )

    def mean_seasons_to(self, height_cm: float | np.ndarray) -> np.ndarray:
        """Mean growing seasons from the start of the stem to a height. [growing seasons]"""
        above = np.clip(np.asarray(height_cm, dtype=float) - self.emergence_height_cm, 0.0, None)
        return (
            self.years_to_breast_height
            * (above / (BREAST_HEIGHT_CM - self.emergence_height_cm)) ** self.height_exponent
        )

    def median_dbh_cm(self, seasons_since_breast_height: np.ndarray) -> np.ndarray:
        """Median diameter by seasons since breast height was passed, before the effect of the
        period. [cm]
        """
        seasons = np.clip(np.asarray(seasons_since_breast_height, dtype=float), 0.0, None) + 0.5
        slowing = -np.expm1(-self.growth_cm_per_year * seasons / self.asymptote_cm)
        late = self.late_growth_share * self.growth_cm_per_year * seasons
        return self.asymptote_cm * slowing + late

    def log_epoch_effect(self, breast_height_year: np.ndarray) -> np.ndarray:
        """How much better than usual stems grew that passed breast height in a year. [log units]"""
        knots = self.epoch_first_year + _EPOCH_SPACING_YEARS * np.arange(
            len(self.epoch_log_effects)
        )
        return np.interp(breast_height_year, knots, self.epoch_log_effects)

    def log_size_scatter(self, rng: np.random.Generator, plants: int) -> np.ndarray:
        """How far each plant's diameter is from its age's median, heavy-tailed, shape (plant,).
        [log units]
        """
        scatter = rng.standard_t(4, plants)
        while (wild := np.abs(scatter) > self.most_scatter).any():
            scatter[wild] = rng.standard_t(4, int(wild.sum()))
        return self.size_scatter * scatter

    def truth(self, stand: str, species: str) -> pd.DataFrame:
        """The numbers a fit may be held to, one row each: stand, species, name, value."""
        names = (
            "grass_median_years",
            "grass_log_sd",
            "years_to_breast_height",
            "growth_cm_per_year",
            "asymptote_cm",
            "size_scatter",
            "early_growth_mm_per_year",
            "counting_bias_share",
        )
        return pd.DataFrame(
            {
                "stand": stand,
                "species": species,
                "name": names,
                "value": [float(getattr(self, name)) for name in names],
            }
        )


def draw_life_histories(
    profile: Profile,
    rng: np.random.Generator,
    *,
    stands: int,
    first_year: int,
    last_year: int,
    central: bool = False,
) -> list[LifeHistory]:
    """One life history a stand, drawn from the profile's prior: the species' part once, each
    stand's own part on top; stands share their asymptote of diameters.

    `central=True` gives every stand the profile's middle values, without drawing. `first_year` to
    `last_year` is the time over which growth by period is laid out.
    """
    spread = 0.0 if central else 1.0

    def normal() -> float:
        return spread * float(rng.standard_normal())

    grass_species, grass_width, height_species = normal(), normal(), normal()
    growth_species, asymptote_species, scatter_species = normal(), normal(), normal()
    lives = []
    for _ in range(stands):
        slow_start, slow_grass, slow_height = (
            normal(),
            normal(),
            normal(),
        )  # what holds seedlings back holds saplings back
        grass = (
            grass_species * profile["grass_stage.median_log_sd"] if profile.has_grass_stage else 0.0
        )
        if profile.has_grass_stage:
            grass += (
                profile["grass_stage.between_stand_log_sd"]
                * (slow_start + slow_grass)
                / math.sqrt(2)
            )
        height = height_species * profile["height_growth.years_log_sd"]
        height += (
            profile["height_growth.between_stand_log_sd"]
            * (slow_start + slow_height)
            / math.sqrt(2)
        )
        growth = (
            growth_species * profile["size.growth_log_sd"]
            + normal() * profile["size.growth_between_stand_log_sd"]
        )
        bias = (profile["rings.absent_per_100"] - profile["rings.false_per_100"]) / 100
        lives.append(
            LifeHistory(
                grass_stage=profile.has_grass_stage,
                grass_median_years=profile["grass_stage.median_years"] * math.exp(grass),
                grass_log_sd=profile["grass_stage.within_stand_log_sd"]
                * math.exp(grass_width * profile["grass_stage.within_log_sd"]),
                longest_grass_years=int(profile["grass_stage.longest_years"]),
                emergence_height_cm=(
                    profile["grass_stage.emergence_height_cm"] if profile.has_grass_stage else 0.0
                ),
                years_to_breast_height=profile["height_growth.years_to_breast_height"]
                * math.exp(height),
                height_exponent=profile["height_growth.exponent"],
                height_dispersion=profile["height_growth.dispersion"],
                growth_cm_per_year=profile["size.growth_cm_per_year"] * math.exp(growth),
                asymptote_cm=profile["size.asymptote_cm"]
                * math.exp(asymptote_species * profile["size.asymptote_log_sd"]),
                size_scatter=profile["size.scatter"]
                * math.exp(scatter_species * profile["size.scatter_log_sd"]),
                epoch_first_year=first_year,
                epoch_log_effects=_epochs(
                    rng, first_year, last_year, spread * profile["size.epoch_log_sd"]
                ),
                pith_radius_mm=profile["core.pith_radius_mm"],
                early_growth_mm_per_year=profile["core.early_growth_mm_per_year"]
                * math.exp(normal() * profile["core.early_growth_stand_log_sd"]),
                usual_early_growth_mm_per_year=profile["core.early_growth_mm_per_year"],
                early_growth_log_sd=profile["core.early_growth_log_sd"],
                bark_share_of_diameter=profile["core.bark_share_of_diameter"],
                taper_per_m=profile["core.taper_per_m"],
                eccentricity_log_sd=profile["core.eccentricity_log_sd"],
                dry_shrinkage_share=profile["core.dry_shrinkage_share"],
                unknown_pith_share=profile["core.unknown_pith_share"],
                unknown_missing_rings_median=profile["core.unknown_missing_rings_median"],
                # where early growth is slow a core misses more rings; that part of the spread is
                # the stand's
                unknown_missing_rings_log_sd=math.sqrt(
                    max(
                        profile["core.unknown_missing_rings_log_sd"] ** 2
                        - profile["core.early_growth_stand_log_sd"] ** 2,
                        0.0,
                    )
                ),
                counting_bias_share=bias + normal() * profile["rings.bias_sd"],
                reader_sd_rings=profile["rings.reader_sd_rings"],
                reader_sd_share=profile["rings.reader_sd_share"],
            )
        )
    return lives


def standing_off(
    life: LifeHistory, profile: Profile, prior_sds: Mapping[str, float]
) -> LifeHistory:
    """The life history with some of its numbers put at a fixed place of their prior, standard
    deviations from the profile's value.

    prior_sds: by name, of `grass_stage` (the stand's median), `height_growth` (the stand's years to
    breast height; more is slower) and `early_growth` (mm a year next to the pith). One standard
    deviation is that of the stand's own number, species and stand together. Raises KeyError for
    another name.
    """
    spreads = {
        "grass_stage": (
            "grass_median_years",
            "grass_stage.median_years",
            ("grass_stage.median_log_sd", "grass_stage.between_stand_log_sd"),
        ),
        "height_growth": (
            "years_to_breast_height",
            "height_growth.years_to_breast_height",
            ("height_growth.years_log_sd", "height_growth.between_stand_log_sd"),
        ),
        "early_growth": (
            "early_growth_mm_per_year",
            "core.early_growth_mm_per_year",
            ("core.early_growth_stand_log_sd",),
        ),
    }
    fixed: dict[str, Any] = {}
    for name, sds in prior_sds.items():
        attribute, value, log_sds = spreads[name]
        fixed[attribute] = profile[value] * math.exp(
            sds * math.hypot(*(profile[log_sd] for log_sd in log_sds))
        )
    return dataclasses.replace(life, **fixed)


def _epochs(
    rng: np.random.Generator, first_year: int, last_year: int, log_sd: float
) -> tuple[float, ...]:
    """A slowly wandering growth effect at steps of 25 years, correlated over 50."""
    kept = math.exp(-_EPOCH_SPACING_YEARS / _EPOCH_LENGTH_YEARS)
    level = float(rng.standard_normal())
    effects = [log_sd * level]
    for _ in range(math.ceil((last_year - first_year) / _EPOCH_SPACING_YEARS)):
        level = kept * level + math.sqrt(1 - kept**2) * float(rng.standard_normal())
        effects.append(log_sd * level)
    return tuple(effects)
