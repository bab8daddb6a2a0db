"""Whether the stems that were cored differ from others of their size.

Stems without a core are dated by the sizes and ages of those with one, as if within a size trees to
core had been drawn by chance. Where old-looking trees were picked, sizes date the others too old:
by 29 years in one trial. Ages of uncored stems are not known, but their place in the canopy is.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

# crown classes from the lowest; `upper` is dominant or codominant (the trade's order of classes,
# common practice, no source)
CROWN_RANKS = {
    "suppressed": 0.0,
    "intermediate": 1.0,
    "codominant": 2.0,
    "upper": 2.5,
    "dominant": 3.0,
    "open": 3.0,
}
SIZE_CLASS_CM = 10.0  # within which stems count as of one size (assumption)
FEWEST_COMPARED = 5  # stems with and without a core in classes that have both (assumption)
# two-sided probability by chance below which a difference is remarked on (assumption); as in the
# checks of the fitted model
CHOSEN_LIMIT = 0.01


def crown_difference(
    dbh_cm: np.ndarray, rank: np.ndarray, cored: np.ndarray
) -> tuple[float, float]:
    """How far cored stems stand above others of their size in the canopy, and how likely chance
    makes as great a difference.

    dbh_cm, rank, cored : (stem,) diameter [cm], crown rank, bool; NaN where not known.

    Within each class of size the sum of the cored stems' ranks is held against its mean and
    variance under a random draw without replacement, and the sums are added up: van Elteren's
    stratified rank test with ranks given (van Elteren 1960, from memory).

    Returns
    -------
    Mean difference [crown classes] and two-sided probability; NaN, 1 where too few can be compared.
    """
    known = np.isfinite(dbh_cm) & np.isfinite(rank)
    size = np.floor(dbh_cm[known] / SIZE_CLASS_CM)
    rank, cored = rank[known], cored[known]
    excess = variance = 0.0
    with_core = without = 0
    for one in np.unique(size):
        here = size == one
        of_class, taken = rank[here], cored[here]
        number, chosen = len(of_class), int(taken.sum())
        if not 0 < chosen < number:
            continue
        with_core, without = with_core + chosen, without + number - chosen
        excess += float(of_class[taken].sum() - chosen * of_class.mean())
        variance += chosen * (number - chosen) / number * float(of_class.var(ddof=1))
    if min(with_core, without) < FEWEST_COMPARED or variance == 0:
        return math.nan, 1.0
    return excess / with_core, math.erfc(abs(excess) / math.sqrt(2 * variance))


def choice_note(name: str, stems: pd.DataFrame, cored: set[str]) -> list[str]:
    """A sentence where the cored stems of a stand and species were not drawn by chance within
    sizes.

    stems : rows of trees. cored : trees that a core was tried of.
    """
    live = stems[stems["status"] == "live"]
    difference, chance = crown_difference(
        live["dbh_cm"].to_numpy(dtype=float),
        live["crown_class"].map(CROWN_RANKS).to_numpy(dtype=float),
        live["tree"].isin(cored).to_numpy(dtype=bool),
    )
    if chance >= CHOSEN_LIMIT:
        return []
    where = "higher" if difference > 0 else "lower"
    return [
        f"{name}: of stems of like diameter those cored stand {where} in the canopy than the"
        " others. Stems without a core are dated as if trees to core were"
        " drawn by chance within a size; they were not, and these stems may be decades older or"
        " younger than said."
    ]
