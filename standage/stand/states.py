"""What the parameters imply, for many draws at once: establishment, delays, arrivals, sizes. Shapes
start with `(draw,)`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from standage.evidence.delays import height_share, species_delays
from standage.profiles import Profile
from standage.stand.data import BREAST_HEIGHT_CM, StandData
from standage.stand.few_held import FewHeld
from standage.stand.kernel.by_draw import ASYMPTOTE, GROWTH, SCATTER, rates_by_draw
from standage.stand.kernel.convolution import delayed_by_draw
from standage.stand.kernel.delays import (
    DelayFactors,
    DelayValues,
    delays_by_draw,
    grass_by_draw,
    growth_by_draw,
)
from standage.stand.kernel.diameters import in_class_by_draw
from standage.stand.packing import pack_rates
from standage.stand.parameters import (
    BEGINNING,
    BEGINNING_LOG_SD,
    COUNT_DISPERSION_LOG_SD,
    KNOT_NAMES,
    PLOT_DISPERSION,
    PLOT_DISPERSION_LOG_SD,
    layout,
    of_unit,
)


def prior_draws(data: StandData, n_draws: int, generator: np.random.Generator) -> np.ndarray:
    """Parameter vectors from the prior, shape `(draw, parameter)`."""
    whole = layout(data)
    draws = generator.standard_normal((n_draws, whole.size))
    for offsets, sizes in zip(whole.unit_offsets, whole.unit_sizes, strict=True):
        for name, spacing, length in KNOT_NAMES:
            rho = math.exp(-spacing / length)
            start = offsets[name]
            for k in range(start + 1, start + sizes[name]):
                draws[:, k] = rho * draws[:, k - 1] + math.sqrt(1 - rho * rho) * draws[:, k]
    return draws


@dataclass(frozen=True)
class Delays:
    """Delays of one unit by draw, at the stand's own pace.

    Attributes
    ----------
    profile : of the species.
    at_coring_height : there are no delays under basis `coring height`.
    median_grass_years, grass_spread : (draw,) median of the grass stage [seasons] and its log-sd; 0
        for species without one.
    grass : (draw, season) pmf of the grass stage.
    years_to_breast_height : (draw,) mean seasons from the start of the stem. [seasons]
    dispersion : (draw,) variance of the seasons of height growth over their mean.
    """

    profile: Profile
    at_coring_height: bool
    median_grass_years: np.ndarray
    grass_spread: np.ndarray
    grass: np.ndarray
    years_to_breast_height: np.ndarray
    dispersion: np.ndarray
    _known: dict[tuple[str, float], np.ndarray] = field(
        default_factory=dict, repr=False, compare=False
    )  # pmfs already worked out, by what they are of

    def growth(self, share: float) -> np.ndarray:
        """Pmf of the seasons of growth over a share of the years to breast height, `(draw,
        season)`.
        """
        if ("growth", share) not in self._known:
            species = species_delays(self.profile)
            mean = self.years_to_breast_height * share
            pmf = np.empty((len(mean), species.longest_growth + 1))
            growth_by_draw(mean, self.dispersion, pmf)
            self._known["growth", share] = pmf
        return self._known["growth", share]

    def to_height(self, height_cm: float) -> np.ndarray:
        """Pmf of the delay from establishment to a height, `(draw, season)`; certainty of 0 under
        basis `coring height`.
        """
        if self.at_coring_height:
            return np.ones((len(self.grass), 1))
        if ("height", height_cm) not in self._known:
            growth = self.growth(height_share(self.profile, height_cm))
            out = np.zeros((len(growth), self.grass.shape[1] + growth.shape[1] - 1))
            for g in range(self.grass.shape[1]):
                out[:, g : g + growth.shape[1]] += self.grass[:, g : g + 1] * growth
            self._known["height", height_cm] = out
        return self._known["height", height_cm]

    def arrival(self, living: np.ndarray, height_cm: float) -> np.ndarray:
        """Stems by the year of the first ring at a height, of `living` by year of establishment;
        both `(draw, year)`.
        """
        return delayed(living, self.to_height(height_cm))

    def stem_begun_by_age(self, ages: np.ndarray) -> np.ndarray:
        """P(out of the grass stage at the survey | age) for ages 0, 1, ..., `(draw, age)`."""
        emerged = np.cumsum(self.grass, axis=1)
        return emerged[:, np.minimum(ages, emerged.shape[1] - 1)]

    def past_emerging_by_age(self, ages: np.ndarray) -> np.ndarray:
        """P(past breast height at the survey | age) for ages 0, 1, ..., `(draw, age)`."""
        past = np.cumsum(self.to_height(BREAST_HEIGHT_CM), axis=1)
        return past[:, np.minimum(ages, past.shape[1] - 1)]


def unit_delays(
    profile: Profile, at_coring_height: bool, factors: Mapping[str, np.ndarray]
) -> Delays:
    """Delays at standard normal factors `(draw,)`, by the names of `kernel.delays.DelayFactors`."""
    species = species_delays(profile)
    z = np.stack([np.asarray(factors[name], dtype=float) for name in DelayFactors._fields], axis=1)
    values = np.empty((len(z), len(DelayValues._fields)))
    delays_by_draw(species, z, values)
    log_median, spread, years, dispersion = values.T.copy()
    median, pmf = np.exp(log_median), np.ones((len(z), 1))
    if species.has_grass_stage:
        pmf = np.empty((len(z), species.longest_grass + 1))
        grass_by_draw(log_median, spread, pmf)
    else:
        median, spread = np.zeros((2, len(z)))
    return Delays(profile, at_coring_height, median, spread, pmf, years, dispersion)


def delayed(source: np.ndarray, pmf: np.ndarray) -> np.ndarray:
    """Convolution along years by draw: out(y) = sum_k pmf(k) source(y - k). Shapes `(draw, year)`,
    `(draw, season)`.
    """
    out = np.empty(source.shape)
    delayed_by_draw(np.ascontiguousarray(source), np.ascontiguousarray(pmf), out)
    return out


@dataclass(frozen=True)
class UnitState:
    """A unit by draw.

    Attributes
    ----------
    living : (draw, year) up to the survey season. [stems/ha/year, or sampled stems/year without
        plots]
    delays : from establishment to a height.
    median_size_log : (draw, year) of diameters by year of breast height. [log cm]
    scatter : (draw,) of log diameters round their median.
    early_growth, counting : (draw,) standard normal factors of the unit's cores.
    plot_dispersion, count_dispersion : (draw,) shape of the negative binomial.
    stage_factor : (draw, stage) of the stage counts.
    growth, asymptote : (draw,) diameter growth of a young stem [cm/year], and diameter where it has
        slowed down [cm].
    removed_shares : (draw, cut) of the stems in reach of a recorded cut.
    beginning : (draw,) years between the stand's beginning and the survey. [years]
    """

    living: np.ndarray
    delays: Delays
    median_size_log: np.ndarray
    scatter: np.ndarray
    early_growth: np.ndarray
    counting: np.ndarray
    plot_dispersion: np.ndarray
    count_dispersion: np.ndarray
    stage_factor: np.ndarray
    growth: np.ndarray
    asymptote: np.ndarray
    removed_shares: np.ndarray
    beginning: np.ndarray

    def in_class(self, low_cm: float, high_cm: float) -> np.ndarray:
        """Probability that a stem's diameter lies in low..high by year of breast height, `(draw,
        year)`.
        """
        out = np.empty_like(self.median_size_log)
        in_class_by_draw(self.median_size_log, self.scatter, float(low_cm), float(high_cm), out)
        return out


def unit_state(draws: np.ndarray, data: StandData, which: int) -> UnitState:
    """State of one unit for parameter vectors `(draw, parameter)`."""
    unit = data.units[which]
    named = of_unit(draws, data, which)
    own = {name: named[name] for name in OF_UNIT}
    factors = own | {name: named[name] for name in OF_SPECIES}
    inputs = pack_rates(data, which)
    n = unit.season_index + 1
    living = np.empty((len(draws), n))
    log_median = np.empty((len(draws), n))
    of_sizes = np.empty((3, len(draws)))
    rates_by_draw(np.ascontiguousarray(draws, float), *inputs, living, log_median, of_sizes)
    profile = data.species[unit.species_index].profile
    delays = unit_delays(profile, unit.basis == "coring height", factors)
    strength = np.exp(unit.removal_m + unit.removal_sd * named["removal"])
    plot_log = PLOT_DISPERSION_LOG_SD * named["plot_dispersion"]
    return UnitState(
        living=living,
        delays=delays,
        median_size_log=log_median,
        scatter=of_sizes[SCATTER],
        early_growth=own["early_growth"],
        counting=own["counting"],
        plot_dispersion=PLOT_DISPERSION * np.exp(plot_log),
        count_dispersion=np.exp(COUNT_DISPERSION_LOG_SD * named["count_dispersion"]),
        stage_factor=np.exp(unit.stage_factor_scale * named["stage_factor"]),
        growth=of_sizes[GROWTH],
        asymptote=of_sizes[ASYMPTOTE],
        removed_shares=-np.expm1(-strength),
        beginning=BEGINNING * np.exp(BEGINNING_LOG_SD * named["beginning"]),
    )


class UnitStates(FewHeld[UnitState]):
    """States of all units for parameter vectors `(draw, parameter)`; one takes ten times what a
    posterior holds of it.
    """

    HELD = 5

    def __init__(self, draws: np.ndarray, data: StandData) -> None:
        super().__init__(len(data.units), partial(unit_state, draws, data), held=self.HELD)


OF_SPECIES = ("grass_median", "grass_spread", "height_years", "height_spread")
OF_UNIT = ("shared_pace", "grass_pace", "height_pace", "early_growth", "counting")
