"""Recorded cuts: what of each establishment year's stems they could have taken."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from standage.profiles import Profile
from standage.stand.parameters import LATE_GROWTH
from standage.survey.survey import Survey

# mean and spread of the cumulative hazard of a cut of unrecorded intensity, log scale (assumption:
# half, within a factor e)
UNRECORDED_LOG_MEAN, UNRECORDED_LOG_SD = math.log(0.5), 1.0
# spread where the share is recorded (assumption)
RECORDED_LOG_SD = 0.5


def recorded_cuts(
    survey: Survey, stand: str, profile: Profile, years: np.ndarray, season: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share of each establishment year's stems in reach of each cut, `(cut, year)`, and mean and
    spread of its cumulative hazard on the log scale, `(cut,)`.
    """
    events = survey.events
    cuts = events[events["kind"].isin(["logging", "thinning"]) & events["stand"].isin(["", stand])]
    shapes, means, spreads = [], [], []
    for cut in cuts.itertuples():
        low = cut.removed_dbh_low_cm if np.isfinite(cut.removed_dbh_low_cm) else 0.0
        high = cut.removed_dbh_high_cm if np.isfinite(cut.removed_dbh_high_cm) else np.inf
        span = np.arange(int(cut.first_year), int(cut.last_year) + 1)
        shape = np.zeros(len(years))
        for year in span[span <= season]:
            shape += _in_reach(profile, year - years, low, high) / len(span)
        shapes.append(shape)
        if np.isfinite(cut.share_removed) and 0 < cut.share_removed < 1:
            means.append(math.log(-math.log1p(-cut.share_removed)))
            spreads.append(RECORDED_LOG_SD)
        else:
            means.append(UNRECORDED_LOG_MEAN)
            spreads.append(UNRECORDED_LOG_SD)
    return np.array(shapes).reshape(-1, len(years)), np.array(means), np.array(spreads)


def _in_reach(profile: Profile, age: np.ndarray, low_cm: float, high_cm: float) -> np.ndarray:
    """Share of the stems of each age whose diameter lies between two. (year,)"""
    delay = profile["height_growth.years_to_breast_height"]
    if profile.has_grass_stage:
        delay += profile["grass_stage.median_years"]
    growth, asymptote, scatter = (
        profile[f"size.{name}"] for name in ("growth_cm_per_year", "asymptote_cm", "scatter")
    )
    since = age - delay
    grown = growth / asymptote * (np.maximum(since, 0.0) + 0.5)
    median = asymptote * (-np.expm1(-grown) + LATE_GROWTH * grown)
    reach = _log_normal_cdf(high_cm, median, scatter) - _log_normal_cdf(low_cm, median, scatter)
    return np.where(since >= 0, reach, 0.0)


def _log_normal_cdf(value: float, median: np.ndarray, log_sd: float) -> np.ndarray:
    if value <= 0:
        return np.zeros_like(median)
    if math.isinf(value):
        return np.ones_like(median)
    return ndtr((math.log(value) - np.log(median)) / log_sd)
