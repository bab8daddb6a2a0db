"""What the uncertainty of a stand's dates is made of, step by step from ring count to year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

# steps from a ring count to a year: columns of `tree_dates` with their standard deviations [years]
STEPS = ("sd_count", "sd_centre", "sd_height", "sd_grass")
# times the typical standard deviation from which a tree is called far worse dated (assumption)
FAR_WORSE = 3.0


@dataclass(frozen=True)
class Budget:
    """A unit's uncertainty of dates, over its cored trees; dictionaries are keyed by step.

    Attributes
    ----------
    trees : how many cored trees these are of.
    typical : median standard deviation each step adds. [years]
    shares : each step's part of the variance of a core by itself, the mean over trees. (A sum over
        trees would speak of the few rotten ones only.)
    alone, given_all : median standard deviation of the core by itself, and given the whole survey.
        [years]
    without : `alone` if a step were known exactly. [years]
    far_worse : how many trees are dated `FAR_WORSE` times worse than the typical one.
    worst_step : the step that is largest in most of these.
    """

    trees: int
    typical: dict[str, float]
    shares: dict[str, float]
    alone: float
    given_all: float
    without: dict[str, float]
    far_worse: int
    worst_step: str

    @property
    def largest_step(self) -> str:
        """The step whose removal would lower the typical standard deviation most."""
        return min(STEPS, key=lambda step: self.without[step])


def uncertainty_budget(trees: pd.DataFrame) -> Budget | None:
    """The budget of a unit; None where no cored tree has its steps worked out.

    trees: its rows of `tree_dates`.
    """
    if trees.empty:
        return None
    steps = list(STEPS)
    cored = trees[(trees["basis"] == "cored") & trees[steps].notna().any(axis=1)]
    variances = cored[steps].astype(float).fillna(0.0).to_numpy() ** 2
    total = variances.sum(axis=1)
    uncertain = total > 0
    variances, total, cored = variances[uncertain], total[uncertain], cored[uncertain]
    if not len(total):
        return None
    alone = float(np.median(np.sqrt(total)))
    worse = np.sqrt(total) > FAR_WORSE * alone
    largest = np.bincount(variances[worse].argmax(axis=1), minlength=len(steps))
    by_step = dict(zip(steps, variances.T, strict=True))
    given_all = cored["sd_total"].astype(float)
    return Budget(
        trees=len(cored),
        typical={step: float(np.median(np.sqrt(own))) for step, own in by_step.items()},
        shares={step: float((own / total).mean()) for step, own in by_step.items()},
        alone=alone,
        given_all=float(np.nanmedian(given_all)) if given_all.notna().any() else float("nan"),
        without={
            step: float(np.median(np.sqrt(np.maximum(total - own, 0))))
            for step, own in by_step.items()
        },
        far_worse=int(worse.sum()),
        worst_step=steps[int(largest.argmax())],
    )
