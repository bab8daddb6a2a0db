"""Whether the stems that were cored differ from others of their size.

Stems without a core are dated by the sizes and ages of those with one, as if within a size trees to
core had been drawn by chance. Where old-looking trees were picked, sizes date the others too old:
by 29 years in one trial. Ages of uncored stems are not known, but their place in the canopy is, and
how far off their neighbours stand: what stands high or free grew faster to its size.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

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
CLOSEST_M = 0.1  # stems nearer to each other are of one root or one spot (assumption)


def difference_within_sizes(
    dbh_cm: np.ndarray, score: np.ndarray, cored: np.ndarray
) -> tuple[float, float]:
    """How much more of something cored stems have than a draw by chance within sizes would give
    them, and how likely chance makes as great a difference.

    dbh_cm, score, cored : (stem,) diameter [cm], crown rank or the like, bool; NaN where not known.

    Within each class of size the sum of the cored stems' scores is held against its mean and
    variance under a random draw without replacement, and the sums are added up: van Elteren's
    stratified rank test with scores given (van Elteren 1960, from memory).

    Returns
    -------
    Mean difference, in the unit of the score, and two-sided probability; NaN, 1 where too few can
    be compared.
    """
    known = np.isfinite(dbh_cm) & np.isfinite(score)
    size = np.floor(dbh_cm[known] / SIZE_CLASS_CM)
    score, cored = score[known], cored[known]
    excess = variance = 0.0
    with_core = without = 0
    for one in np.unique(size):
        here = size == one
        of_class, taken = score[here], cored[here]
        number, chosen = len(of_class), int(taken.sum())
        if not 0 < chosen < number:
            continue
        with_core, without = with_core + chosen, without + number - chosen
        excess += float(of_class[taken].sum() - chosen * of_class.mean())
        variance += chosen * (number - chosen) / number * float(of_class.var(ddof=1))
    if min(with_core, without) < FEWEST_COMPARED or variance == 0:
        return math.nan, 1.0
    return excess / with_core, math.erfc(abs(excess) / math.sqrt(2 * variance))


def log_distance_to_next(stems: pd.DataFrame) -> np.ndarray:
    """Log of the distance to the nearest live stem of the same plot, of any species, shape (stem,);
    NaN where places are not known. [log m]

    stems : rows of trees, all of the stand.
    """
    found = np.full(len(stems), math.nan)
    places = stems[["x_m", "y_m"]].to_numpy(dtype=float)
    known = np.isfinite(places).all(axis=1) & (stems["status"] == "live").to_numpy()
    plots = stems["plot"].to_numpy()
    for plot in pd.unique(plots[known]):
        here = np.flatnonzero(known & (plots == plot))
        if len(here) > 1:
            nearest = cKDTree(places[here]).query(places[here], k=2)[0][:, 1]
            found[here] = np.log(np.maximum(nearest, CLOSEST_M))
    return found


def choice_notes(name: str, trees: pd.DataFrame, species: str, cored: set[str]) -> list[str]:
    """A sentence each where the cored stems of a stand and species were not drawn by chance within
    sizes: by crown class, by distance to the next stem.

    trees : rows of trees of the stand. cored : trees that a core was tried of.
    """
    trees = trees.assign(distance=log_distance_to_next(trees))
    live = trees[(trees["status"] == "live") & (trees["species"] == species)]
    dbh = live["dbh_cm"].to_numpy(dtype=float)
    with_core = live["tree"].isin(cored).to_numpy(dtype=bool)
    crown = live["crown_class"].map(CROWN_RANKS).to_numpy(dtype=float)
    notes = []
    for score, words in ((crown, _crown_words), (live["distance"].to_numpy(), _distance_words)):
        difference, chance = difference_within_sizes(dbh, score, with_core)
        if chance < CHOSEN_LIMIT:
            older = "older" if difference > 0 else "younger"
            notes.append(
                f"{name}: of stems of like diameter those cored {words(difference)} (by chance less"
                f" than once in {math.floor(1 / max(chance, 0.001))} times). Stems without a core"
                " are dated as if trees to core were drawn by chance within a size; they were not,"
                f" and these stems may be decades {older} than said."
            )
    return notes


def _crown_words(classes: float) -> str:
    where = "higher" if classes > 0 else "lower"
    return f"stand {abs(classes):.1f} crown classes {where} in the canopy than the mean"


def _distance_words(log_ratio: float) -> str:
    return f"stand {math.exp(log_ratio):.1f} times as far from the next stem as the mean"
