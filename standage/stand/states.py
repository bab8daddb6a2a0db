"""What the parameters imply, for many draws at once: establishment, delays, arrivals, sizes. Plain
numpy, shapes start with `(draw,)`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import ndtr

from standage.profiles import Profile
from standage.stand.data import BREAST_HEIGHT_CM, StandData
from standage.stand.emergence import Emergence
from standage.stand.kernel.pieces import delayed_by_draw, in_class_by_draw
from standage.stand.packing import height_share, log_reference
from standage.stand.parameters import (
    EPOCH_SPACING,
    KNOT_NAMES,
    MARGIN_YEARS,
    PULSE_SPACING,
    TREND_SPACING,
    layout,
    unpack,
)


def prior_draws(data: StandData, n_draws: int, generator: np.random.Generator) -> np.ndarray:
    """Parameter vectors from the prior, shape `(draw, parameter)`."""
    places = layout(data)
    draws = generator.standard_normal((n_draws, places.size))
    for offsets, sizes in zip(places.unit_offsets, places.unit_sizes, strict=True):
        for name, spacing, length in KNOT_NAMES:
            rho = math.exp(-spacing / length)
            start = offsets[name]
            for k in range(start + 1, start + sizes[name]):
                draws[:, k] = rho * draws[:, k - 1] + math.sqrt(1 - rho * rho) * draws[:, k]
    return draws


@dataclass(frozen=True)
class Delays:
    """Delays of one unit by draw: pmf of the grass stage `(draw, g)`, negative binomial shape at
    breast height `(draw,)`.

    All are at the stand's own pace; `emergence` says how openings changed it, None where they are
    not asked.
    """

    profile: Profile
    at_coring_height: bool
    median_grass_years: np.ndarray
    grass_spread: np.ndarray
    grass: np.ndarray
    years_to_breast_height: np.ndarray
    emergence: Emergence | None = None
    _known: dict = field(
        default_factory=dict, repr=False, compare=False
    )  # pmfs already worked out, by what they are of

    @property
    def shape(self) -> np.ndarray:
        """Negative binomial shape at breast height, `(draw,)`."""
        return self.years_to_breast_height / (self.profile["height_growth.dispersion"] - 1.0)

    def growth(self, share: float) -> np.ndarray:
        """Pmf of the seasons of height growth over a share of mu(137 cm), `(draw, k)`."""
        if ("growth", share) in self._known:
            return self._known["growth", share]
        longest = int(self.profile["height_growth.longest_height_years"])
        p = 1.0 / self.profile["height_growth.dispersion"]
        r = self.shape * share
        pmf = np.empty((len(r), longest + 1))
        pmf[:, 0] = p**r
        for k in range(1, longest + 1):
            pmf[:, k] = pmf[:, k - 1] * (1 - p) * (r + k - 1) / k
        self._known["growth", share] = pmf
        return pmf

    def to_height(self, height_cm: float) -> np.ndarray:
        """Pmf of the delay from establishment to a height, `(draw, k)`; certainty of 0 under basis
        `coring height`.
        """
        if self.at_coring_height:
            return np.ones((len(self.grass), 1))
        if ("height", height_cm) in self._known:
            return self._known["height", height_cm]
        growth = self.growth(height_share(self.profile, height_cm))
        out = np.zeros((len(growth), self.grass.shape[1] + growth.shape[1] - 1))
        for g in range(self.grass.shape[1]):
            out[:, g : g + growth.shape[1]] += self.grass[:, g : g + 1] * growth
        self._known["height", height_cm] = out
        return out

    def begun(self, living: np.ndarray) -> np.ndarray:
        """Stems by the season in which they start, of `living` by year of establishment; both
        `(draw, year)`.
        """
        return (
            delayed(living, self.grass) if self.emergence is None else self.emergence.begun(living)
        )

    def arrival(
        self, living: np.ndarray, height_cm: float, begun: np.ndarray | None = None
    ) -> np.ndarray:
        """Stems by the year of the first ring at a height, of `living` by year of establishment;
        `begun` as above, if at hand.
        """
        if self.emergence is None:
            return delayed(living, self.to_height(height_cm))
        return delayed(
            self.begun(living) if begun is None else begun,
            self.growth(height_share(self.profile, height_cm)),
        )

    def stem_begun_by_age(self, ages: np.ndarray) -> np.ndarray:
        """P(out of the grass stage at the survey | age) for ages 0, 1, ..., `(draw, age)`."""
        emerged = np.cumsum(self.grass, axis=1)
        emerged = emerged[:, np.minimum(ages, emerged.shape[1] - 1)]
        if self.emergence is not None:
            for age, leaving in self._exposed(ages):
                emerged[:, age] = leaving[:, : age + 1].sum(axis=1)
        return emerged

    def past_emerging_by_age(self, ages: np.ndarray) -> np.ndarray:
        """P(past breast height at the survey | age) for ages 0, 1, ..., `(draw, age)`."""
        past = np.cumsum(self.to_height(BREAST_HEIGHT_CM), axis=1)
        past = past[:, np.minimum(ages, past.shape[1] - 1)]
        if self.emergence is not None:
            grown = np.cumsum(self.growth(1.0), axis=1)
            for age, leaving in self._exposed(ages):
                waited = np.arange(min(age + 1, leaving.shape[1]))
                past[:, age] = (
                    leaving[:, waited] * grown[:, np.minimum(age - waited, grown.shape[1] - 1)]
                ).sum(axis=1)
        return past

    def _exposed(self, ages: np.ndarray):
        """Ages that openings reached, each with the pmf of its grass stage `(draw, g)`."""
        for place in self.emergence.exposed:
            yield len(ages) - 1 - place, self.emergence.leaving(np.full(len(self.grass), place))


def grass_stage_pmfs(log_median: np.ndarray, spread: np.ndarray, longest: int) -> np.ndarray:
    """Pmf of the grass stage by draw, `(draw, longest + 1)`; docs/the-model.md, section 3."""
    edges = np.log(np.arange(longest + 1) + 0.5)
    cdf = ndtr((edges - log_median[:, None]) / spread[:, None])
    pmf = np.zeros((len(log_median), longest + 1))
    pmf[:, 1:] = np.diff(cdf, axis=1) / (cdf[:, -1:] - cdf[:, :1])
    return pmf


def unit_delays(profile: Profile, at_coring_height: bool, z: dict[str, np.ndarray]) -> Delays:
    """Delays from standard normal draws `(draw,)` of grass_median, grass_spread, height_years,
    shared_pace, grass_pace, height_pace.
    """
    half = math.sqrt(0.5)
    years = np.exp(
        math.log(profile["height_growth.years_to_breast_height"])
        + profile["height_growth.years_log_sd"] * z["height_years"]
        + profile["height_growth.between_stand_log_sd"]
        * half
        * (z["shared_pace"] + z["height_pace"])
    )
    if not profile.has_grass_stage:
        return Delays(
            profile,
            at_coring_height,
            np.zeros(len(years)),
            np.zeros(len(years)),
            np.ones((len(years), 1)),
            years,
        )
    log_median = (
        math.log(profile["grass_stage.median_years"])
        + profile["grass_stage.median_log_sd"] * z["grass_median"]
        + profile["grass_stage.between_stand_log_sd"] * half * (z["shared_pace"] + z["grass_pace"])
    )
    spread = np.exp(
        math.log(profile["grass_stage.within_stand_log_sd"])
        + profile["grass_stage.within_log_sd"] * z["grass_spread"]
    )
    pmf = grass_stage_pmfs(log_median, spread, int(profile["grass_stage.longest_years"]))
    return Delays(profile, at_coring_height, np.exp(log_median), spread, pmf, years)


def delayed(source: np.ndarray, pmf: np.ndarray) -> np.ndarray:
    """Convolution along years by draw: out(y) = sum_k pmf(k) source(y - k). Shapes `(draw, year)`,
    `(draw, k)`.
    """
    out = np.empty(source.shape)
    delayed_by_draw(np.ascontiguousarray(source), np.ascontiguousarray(pmf), out)
    return out


def between_knots(
    knots: np.ndarray, spacing: int, years: np.ndarray, *, smooth: bool
) -> np.ndarray:
    """A process between its knots `(draw, knot)` at places `(draw, year)` or `(year,)` in years
    after the first knot.

    Linear in the share f of the way, or smooth: in 3 f^2 - 2 f^3.
    """
    position = np.clip(
        np.broadcast_to(years, (len(knots), np.shape(years)[-1])) / spacing, 0, knots.shape[1] - 1
    )
    left = np.minimum(position.astype(int), knots.shape[1] - 2)
    f = position - left
    if smooth:
        f = f * f * (3 - 2 * f)
    return (
        np.take_along_axis(knots, left, axis=1) * (1 - f)
        + np.take_along_axis(knots, left + 1, axis=1) * f
    )


def years_moved(delays: Delays, reference_height_cm: float) -> np.ndarray:
    """How far the draws' mean delay to the reference height lies from the profile's, `(draw,)`: the
    process moves with it.
    """
    if delays.at_coring_height:
        return np.zeros(len(delays.years_to_breast_height))
    profile = delays.profile
    share = height_share(profile, reference_height_cm)
    moved = share * (
        delays.years_to_breast_height - profile["height_growth.years_to_breast_height"]
    )
    if profile.has_grass_stage:
        central = profile["grass_stage.median_years"] * np.exp(
            0.5 * profile["grass_stage.within_stand_log_sd"] ** 2
        )
        moved = moved + delays.median_grass_years * np.exp(0.5 * delays.grass_spread**2) - central
    return moved


@dataclass(frozen=True)
class UnitState:
    """A unit by draw. `living` `(draw, year)` up to the survey season, `early_growth` and
    `counting` factors `(draw,)`.
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

    def in_class(self, low_cm: float, high_cm: float) -> np.ndarray:
        """Probability that a stem's diameter lies in low..high by year of breast height, `(draw,
        year)`.
        """
        out = np.empty_like(self.median_size_log)
        low = math.log(low_cm) if low_cm > 0 else -math.inf
        in_class_by_draw(self.median_size_log, self.scatter, low, math.log(high_cm), out)
        return out


def unit_state(draws: np.ndarray, data: StandData, which: int) -> UnitState:
    """State of one unit for parameter vectors `(draw, parameter)`."""
    unit = data.units[which]
    profile = data.species[unit.species_index].profile
    named = unpack(draws, data)
    own = {
        name: value[:, which]
        for name, value in named.items()
        if isinstance(value, np.ndarray) and value.ndim >= 2 and name not in SPECIES
    }
    species = {name: named[name][:, unit.species_index] for name in SPECIES}
    at_coring_height = unit.basis == "coring height"
    n = unit.season_index + 1
    age = unit.season_index - np.arange(n, dtype=float)
    delays = unit_delays(profile, at_coring_height, {**species, **own})
    if len(unit.openness):
        rho = unit.release_mean + unit.release_sd * named["release"][which][:, 0]
        delays = replace(delays, emergence=Emergence(unit.openness[:n], rho, delays.grass))
    places = np.arange(n) + MARGIN_YEARS + years_moved(delays, unit.reference_height_cm)[:, None]
    pulse = between_knots(named["pulse_knots"][which], PULSE_SPACING, places, smooth=True)
    trend = between_knots(named["trend_knots"][which], TREND_SPACING, places, smooth=True)
    link = (-2.5 + 0.7 * own["activity"])[:, None] + (2.0 * np.exp(0.25 * own["pulse_scale"]))[
        :, None
    ] * pulse
    log_living = (
        2.0 * own["level"][:, None]
        + (0.3 * np.exp(0.35 * own["trend_scale"]))[:, None] * trend
        + np.logaddexp(0.0, link)
    )
    log_living += log_reference(profile, age, adult_only=at_coring_height)
    log_living += profile["survival.slope_sd"] * own["slope"][:, None] * age / 100.0
    if not at_coring_height:
        log_living += profile["survival.early_sd"] * own["early"][:, None] * np.exp(-age / 10.0)
    hazard = np.exp(unit.removal_m + unit.removal_sd * named["removal"][which])
    log_living -= hazard @ unit.removal_shape[:, :n]
    scatter = profile["size.scatter"] * np.exp(profile["size.scatter_log_sd"] * species["scatter"])
    asymptote = profile["size.asymptote_cm"] * np.exp(
        profile["size.asymptote_log_sd"] * species["asymptote"]
    )
    growth = profile["size.growth_cm_per_year"] * np.exp(
        profile["size.growth_log_sd"] * species["growth"]
        + profile["size.growth_between_stand_log_sd"] * own["growth_pace"]
    )
    epoch = between_knots(named["epoch_knots"][which], EPOCH_SPACING, np.arange(n), smooth=False)
    q = (growth / asymptote)[:, None] * (age + 0.5)
    median_size_log = (
        np.log(asymptote)[:, None] + np.log(-np.expm1(-q)) + profile["size.epoch_log_sd"] * epoch
    )
    return UnitState(
        living=np.exp(np.minimum(log_living, 60.0)),
        delays=delays,
        median_size_log=median_size_log,
        scatter=scatter,
        early_growth=own["early_growth"],
        counting=own["counting"],
        plot_dispersion=4.0 * np.exp(0.8 * named["plot_dispersion"]),
        count_dispersion=np.exp(0.8 * named["count_dispersion"]),
        stage_factor=np.exp(unit.stage_factor_scale * own["stage_factor"]),
        growth=growth,
        asymptote=asymptote,
        removed_shares=-np.expm1(-hazard),
    )


SPECIES = ("grass_median", "grass_spread", "height_years", "growth", "asymptote", "scatter")
