"""One grade for a fit: sound, doubtful, or failed."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from standage.choices import DOUBTFUL, FAILED, SOUND, Grade
from standage.stand.verdict import CHECK_LIMIT

# times as many plants of a stage as the rest of the survey expects, or as few, from which the two
# contradict each other (assumption; the verdict's notes name the same)
LARGE_FACTOR = math.e
# prior standard deviations from which a delay that no plant of known age measured is a doubt: one
# in ten of the prior's stands lies beyond, and far fewer of the medians found; sooner where no
# seedlings were counted either, for then a broad wave of recruitment is taken for one short pulse
# of plants that differ in their delay (assumptions)
FAR_OFF, FAR_OFF_UNCOUNTED = float(ndtri(0.95)), 1.0
DELAYS = ("grass_stage_median_years", "years_to_breast_height")


@dataclass(frozen=True)
class StrainedDelay:
    """A delay that came out beyond what the profile gives, and that no plant of known age measured.

    name : of `DELAYS`. years : its posterior median. low, high : the prior's interval. [years]
    """

    stand: str
    name: str
    years: float
    low: float
    high: float


@dataclass(frozen=True)
class FitGrade:
    """How far a fit can be trusted.

    Attributes
    ----------
    grade : `failed` where the chains don't agree; `doubtful` where they do and the fitted model
        contradicts something that was seen, or a delay is strained; `sound` otherwise.
    checks : how many numbers of stems and plants were held against the model.
    misfits : names of those that the model can hardly make.
    by_chance : how many misfits so many checks would have of a true model.
    contradicted : stages whose counts the rest of the survey contradicts, with their stand.
    strained : delays that something unmeasured moved beyond the profile's.
    """

    grade: Grade
    checks: int
    misfits: tuple[str, ...]
    by_chance: float
    contradicted: tuple[str, ...]
    strained: tuple[StrainedDelay, ...]


def strained_delays(
    parameters: pd.DataFrame, measured: Collection[str], counted: Collection[str], level: float
) -> tuple[StrainedDelay, ...]:
    """Delays far from their prior's median in log years, by the table of parameters at this level.

    measured, counted : stands with plants of known age; with counts of seedlings.
    """
    to_end = ndtri((1 + level) / 2)
    found = []
    for row in parameters[parameters["name"].isin(DELAYS)].to_dict("records"):
        low, middle, high = (math.log(row[f"prior_{end}"]) for end in ("low", "median", "high"))
        moved = math.log(row["posterior_median"]) - middle
        sd = (high - middle if moved > 0 else middle - low) / to_end
        far = FAR_OFF if row["stand"] in counted else FAR_OFF_UNCOUNTED
        if row["stand"] not in measured and abs(moved) > far * sd:
            found.append(
                StrainedDelay(
                    row["stand"], row["name"], row["posterior_median"],
                    row["prior_low"], row["prior_high"],
                )
            )  # fmt: skip
    return tuple(found)


def fit_grade(
    verdict: Mapping[str, Any],
    count_check: pd.DataFrame,
    strained: tuple[StrainedDelay, ...] = (),
) -> FitGrade:
    """The grade of a fit, from its verdict, the stage counts beside those expected, and strained
    delays.
    """
    checks = verdict["checks"]
    misfits = tuple(check["name"] for check in checks if check["p"] < CHECK_LIMIT)
    factor = count_check["factor"].astype(float)
    far_off = np.abs(np.log(factor)) > np.log(LARGE_FACTOR)
    contradicted = tuple(
        f"{row['stand']}: {row['stage']}" for row in count_check[far_off].to_dict("records")
    )
    grade = DOUBTFUL if misfits or contradicted or strained else SOUND
    return FitGrade(
        grade=grade if verdict["passed"] else FAILED,
        checks=len(checks),
        misfits=misfits,
        by_chance=CHECK_LIMIT * len(checks),
        contradicted=contradicted,
        strained=strained,
    )
