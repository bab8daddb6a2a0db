"""The stems that shares, spans and age classes speak of: those at or above one diameter.

Below the diameter from which on all plots list stems, nothing was listed: what stands there is
regeneration, and is reported apart.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from standage.survey.survey import Survey


def survey_diameter_limit(survey: Survey) -> float:
    """The largest lower limit of the plots, from which on stems were listed in all of them; 0
    without plots. [cm]
    """
    limits = survey.plots["min_dbh_cm"].dropna()
    return float(limits.max()) if len(limits) else 0.0


def share_at_least(
    limit_cm: float, size_curve: np.ndarray, scatter: np.ndarray, delay: np.ndarray | None
) -> np.ndarray:
    """Share of the living stems of an age whose diameter is at least the limit.

    Parameters
    ----------
    limit_cm : 0 counts all that are past breast height. [cm]
    size_curve : median diameter by seasons since breast height. (draw, season) [cm]
    scatter : standard deviation of the logarithm of a diameter at one age. (draw,)
    delay : chance of each number of seasons from establishment to breast height (draw, season);
        None where ages are counted from the height of the core.

    Returns
    -------
    By seasons since establishment, 0 first. (draw, season)
    """
    reached = np.ones_like(size_curve)
    if limit_cm > 0:
        reached = ndtr((np.log(size_curve) - np.log(limit_cm)) / scatter[:, None])
    if delay is None:
        return reached
    seasons = size_curve.shape[1]
    share = np.zeros_like(reached)
    for wait in range(min(delay.shape[1], seasons)):
        share[:, wait:] += delay[:, wait, None] * reached[:, : seasons - wait]
    return share
