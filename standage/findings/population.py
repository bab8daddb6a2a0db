"""The stems that shares, spans and age classes are about: those at or above one diameter limit, or,
without plots, the sampled trees alone.

Below the diameter from which on all plots list stems nothing was listed in some of them; what
stands there is regeneration, and is reported apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import f

from standage.findings.stems import (
    basal_area_each,
    completed_season,
    dated_years,
    stems_per_hectare_each,
)
from standage.stand.posterior import Posterior
from standage.survey.survey import Survey

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# of the negative binomial of plots where the posterior has no parameter of that name: the median
# and log standard deviation of its prior (docs/the-model.md, section 6)
PLOT_DISPERSION, PLOT_DISPERSION_LOG_SD = 4.0, 0.8
# Jeffreys' prior of a share: half a stem on either side
HALF_STEM = 0.5
# fewer plots say too little of how much plots differ in age (assumption)
FEWEST_PLOTS = 3
# point of the F distribution from which plots differ in age by more than chance (assumption)
NOT_BY_CHANCE = 0.99


@dataclass(frozen=True, eq=False)
class Population:
    """Stems that a unit's shares and classes are about.

    Attributes
    ----------
    diameter_limit_cm : smallest diameter counted; NaN without plots, where the population is the
        sampled trees. [cm]
    listed : stems listed, or trees sampled.
    sampled_share : of the stand's area that the plots cover; NaN where the area isn't recorded.
    years : calendar years of the axis. (year,)
    season : last growing season completed at the survey.
    drawn : year of each listed stem, NaN in a draw without one. (draw, stem)
    stems : what each listed stem stands for. (draw, stem) [stems/ha, or trees]
    dbh_cm, basal_area : diameter and cross-section of each listed stem. (stem,) [cm, m2]
    others : stems over an age, and not over it, that stand though none such need be listed.
        (draw, 2) [as stems]
    """

    diameter_limit_cm: float
    listed: int
    sampled_share: float
    years: np.ndarray
    season: int
    drawn: np.ndarray
    stems: np.ndarray
    dbh_cm: np.ndarray
    basal_area: np.ndarray
    others: np.ndarray

    @property
    def has_plots(self) -> bool:
        return bool(np.isfinite(self.diameter_limit_cm))

    @property
    def name(self) -> str:
        """The population in words, as in the column `population` of `claims`."""
        if not self.has_plots:
            return f"the {self.listed} trees sampled"
        if self.diameter_limit_cm > 0:
            return f"living stems of {self.diameter_limit_cm:g} cm and more"
        return "living stems past breast height"

    @property
    def total(self) -> np.ndarray:
        """All stems. (draw,) [stems/ha, or trees]"""
        return self.stems.sum(axis=1) + self.others.sum(axis=1)

    @property
    def total_basal_area(self) -> np.ndarray:
        """Basal area of the listed stems and of others like them. (draw,) [m2/ha, or m2]"""
        return np.nansum(self.stems * self.basal_area, axis=1)

    @property
    def by_year(self) -> np.ndarray:
        """Stems by year; those before the axis are in its first year. (draw, year)"""
        return self._summed(self.stems)

    @property
    def basal_area_by_year(self) -> np.ndarray:
        """Basal area by year. (draw, year) [m2/ha, or m2]"""
        return self._summed(self.stems * self.basal_area)

    def share_over(self, age: float, *, by_basal_area: bool = False) -> np.ndarray:
        """Share of the stems, or of their basal area, that completed more than so many growing
        seasons. (draw,) NaN where there is none.
        """
        each = self.stems * self.basal_area if by_basal_area else self.stems
        older = self.season - self.drawn + 1 > age
        known = np.isfinite(self.drawn)
        areas = self.basal_area[np.isfinite(self.basal_area)]
        mean = (areas.mean() if len(areas) else np.nan) if by_basal_area else 1.0
        others = self.others * mean
        over = np.nansum(each * (older & known), axis=1) + others[:, 0]
        total = np.nansum(each * known, axis=1) + others.sum(axis=1)
        return over / np.where(total > 0, total, np.nan)

    def _summed(self, amounts: np.ndarray) -> np.ndarray:
        held = np.zeros((len(self.drawn), len(self.years)))
        draw, stem = np.nonzero(np.isfinite(self.drawn) & np.isfinite(amounts))
        index = np.clip(self.drawn[draw, stem] - self.years[0], 0, len(self.years) - 1)
        np.add.at(held, (draw, index.astype(int)), amounts[draw, stem])
        return held


def survey_diameter_limit(survey: Survey) -> float:
    """The largest lower limit of the plots, from which on stems were listed in all of them; 0
    without plots. [cm]
    """
    limits = survey.plots["min_dbh_cm"].dropna()
    return float(limits.max()) if len(limits) else 0.0


def population(findings: Findings, number: int) -> Population:
    """The stems that unit `number` is described by.

    With plots: the stand's stems at or above the findings' diameter limit. What was listed is
    known; of what stands outside the plots only that stems are like those listed, within what a
    sample of so many tells (a Bayesian bootstrap, Rubin 1981, Annals of Statistics 9:130-134; with
    plots that differ in age more than chance would, by fewer stems). Plots over the whole stand
    leave nothing outside (finite population). Without plots: the sampled trees as dated.
    """
    posterior = findings.posterior
    unit = posterior.units[number]
    axis: dict[str, Any] = {
        "years": posterior.unit(number).own_years,
        "season": completed_season(posterior.survey, unit.stand),
    }
    trees, drawn = dated_years(posterior, number, in_process=unit.has_plots)
    if not unit.has_plots:
        return Population(
            diameter_limit_cm=np.nan,
            listed=len(trees),
            sampled_share=np.nan,
            drawn=drawn,
            stems=np.ones(drawn.shape),
            dbh_cm=trees["dbh_cm"].to_numpy(dtype=float),
            basal_area=basal_area_each(trees),
            others=np.zeros((len(drawn), 2)),
            **axis,
        )
    limit = findings.diameter_limit_cm
    each = stems_per_hectare_each(posterior, trees, unit.stand)
    member = np.isfinite(each) & (trees["dbh_cm"].to_numpy(dtype=float) >= limit)
    trees, drawn, each = trees[member], drawn[:, member], each[member]
    generator = np.random.default_rng([posterior.seed, number, 41])
    area_ha = _stand_area(posterior.survey, unit.stand)
    # of the area in which a stem of this diameter was listed
    inside = np.minimum(1 / (each * area_ha), 1.0) if area_ha else np.zeros(len(each))
    worth = _stems_worth(trees["plot"].to_numpy(), drawn, each) / max(len(each), 1)
    outside = each * (1 - inside)
    mix = generator.gamma(np.full(drawn.shape, max(worth, 1e-9)))
    halves = generator.gamma(HALF_STEM, size=(len(drawn), 2))
    whole = (mix * outside).sum(axis=1) + halves.sum(axis=1) * outside.mean() if len(each) else 1.0
    unlisted = _unlisted(posterior, number, len(each), outside, area_ha, generator)
    scale = (unlisted / np.where(whole > 0, whole, 1.0))[:, None]
    return Population(
        diameter_limit_cm=limit,
        listed=len(trees),
        sampled_share=min(unit.area_ha / area_ha, 1.0) if area_ha else np.nan,
        drawn=drawn,
        stems=each * inside + mix * outside * scale,
        dbh_cm=trees["dbh_cm"].to_numpy(dtype=float),
        basal_area=basal_area_each(trees),
        others=halves * scale * (outside.mean() if len(each) else 0.0),
        **axis,
    )


def _stand_area(survey: Survey, stand: str) -> float:
    """Area of the whole stand; 0 where it isn't recorded. [ha]"""
    recorded = survey.stands.loc[survey.stands["stand"] == stand, "area_ha"].dropna()
    return float(recorded.iloc[0]) if len(recorded) else 0.0


def _stems_worth(plots: np.ndarray, drawn: np.ndarray, each: np.ndarray) -> float:
    """How many stems drawn one by one tell as much of a share as those listed.

    Stems that stand for more than others, and plots that differ in age by more than chance, tell
    less (design effect: Kish 1965, Survey Sampling; Rao & Scott 1981, JASA 76:221-230).
    """
    if not len(each):
        return 0.0
    worth = each.sum() ** 2 / (each**2).sum()
    names, of_plot = np.unique(plots, return_inverse=True)
    if len(names) < FEWEST_PLOTS or len(each) <= len(names):
        return float(worth)
    year = np.nanmedian(drawn)
    older = np.nanmean(np.where(np.isfinite(drawn), drawn < year, np.nan), axis=0)
    stems = np.bincount(of_plot)
    means = np.bincount(of_plot, weights=older) / stems
    within = np.sum((older - means[of_plot]) ** 2) / (len(older) - len(names))
    between = np.sum(stems * (means - older.mean()) ** 2) / (len(names) - 1)
    by_chance = f.ppf(NOT_BY_CHANCE, len(names) - 1, len(older) - len(names))
    if between <= max(by_chance, 1.0) * within:
        return float(worth)
    return float(max(worth * within / between, min(worth, len(names) - 1)))


def _unlisted(
    posterior: Posterior,
    number: int,
    listed: int,
    outside: np.ndarray,
    area_ha: float,
    generator: np.random.Generator,
) -> np.ndarray:
    """Stems of the stand that are not in its plots, over the whole area. (draw,) [stems/ha]

    The density behind a count of stems in plots that differ by a negative binomial: a gamma of the
    stems, over one of the plots' mean.
    """
    draws = len(posterior.unit(number).living)
    if not outside.sum() > 0:
        # nothing listed: a stem or so, in plots of this area
        covered = area_ha and posterior.units[number].area_ha >= area_ha
        if listed or covered:
            return np.zeros(draws)
        return generator.gamma(HALF_STEM, size=draws) / posterior.units[number].area_ha
    survey = posterior.survey
    plots = int((survey.plots["stand"] == posterior.units[number].stand).sum())
    # one plot fewer, for how much they differ is known from them alone
    shape = plot_dispersion(posterior) * max(plots - 1, 1)
    density = (
        outside.sum() * generator.gamma(listed + HALF_STEM, size=draws) / listed
        * shape / generator.gamma(shape)
    )  # fmt: skip
    return generator.poisson(density * area_ha) / area_ha if area_ha else density


def plot_dispersion(posterior: Posterior) -> np.ndarray:
    """Shape of the negative binomial by which plots differ. (draw,)"""
    drawn = posterior.draws_by_name["posterior"].dataset["parameters"]
    draws = len(posterior.unit(0).living)
    if "plot_dispersion" not in drawn["parameter"].values:
        return np.full(draws, PLOT_DISPERSION)
    factor = drawn.sel(parameter="plot_dispersion").values.reshape(-1)
    return PLOT_DISPERSION * np.exp(PLOT_DISPERSION_LOG_SD * factor)
