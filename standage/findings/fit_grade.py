"""One grade for a fit: sound, doubtful, or failed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from standage.stand.verdict import CHECK_LIMIT

SOUND, DOUBTFUL, FAILED = "sound", "doubtful", "failed"
# times as many plants of a stage as the rest of the survey expects, or as few, from which the two
# contradict each other (assumption; the verdict's notes name the same)
LARGE_FACTOR = math.e


@dataclass(frozen=True)
class FitGrade:
    """How far a fit can be trusted.

    Attributes
    ----------
    grade : `failed` where the chains don't agree; `doubtful` where they do and the fitted model
        contradicts something that was seen; `sound` otherwise.
    checks : how many numbers of stems and plants were held against the model.
    misfits : names of those that the model can hardly make.
    by_chance : how many misfits so many checks would have of a true model.
    contradicted : stages whose counts the rest of the survey contradicts, with their stand.
    """

    grade: str
    checks: int
    misfits: tuple[str, ...]
    by_chance: float
    contradicted: tuple[str, ...]


def fit_grade(verdict: Mapping[str, Any], count_check: pd.DataFrame) -> FitGrade:
    """The grade of a fit, from its verdict and the stage counts beside those expected."""
    checks = verdict["checks"]
    misfits = tuple(check["name"] for check in checks if check["p"] < CHECK_LIMIT)
    factor = count_check["factor"].astype(float)
    far_off = np.abs(np.log(factor)) > np.log(LARGE_FACTOR)
    contradicted = tuple(
        f"{row['stand']}: {row['stage']}" for row in count_check[far_off].to_dict("records")
    )
    grade = DOUBTFUL if misfits or contradicted else SOUND
    return FitGrade(
        grade=grade if verdict["passed"] else FAILED,
        checks=len(checks),
        misfits=misfits,
        by_chance=CHECK_LIMIT * len(checks),
        contradicted=contradicted,
    )
