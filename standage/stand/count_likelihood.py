"""How likely the stage counts of a unit are under each draw, with the counts' own factors averaged
out.

Each stage has a factor of its own (mast years, search), a parameter that only the counts know.
Weights that take the counts out of a posterior, 1/p(counts | draw), are far calmer if these factors
are integrated over their prior first, and as exact: nothing else in the model depends on them.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaln, logsumexp

from standage.stand.data import BREAST_HEIGHT_CM, STAGES, StandData
from standage.stand.expected import stage_densities
from standage.stand.states import UnitState

SMALLEST = 1e-300  # a density below this is held here, as in the kernel
NODES = 15  # of Gauss-Hermite quadrature round the highest point; the integrand is log-concave
NEWTON_STEPS = 40
# prior standard deviations; keeps Newton's method from overshooting where the counts say little
LONGEST_STEP = 1.0


def counts_used(data: StandData, which: int) -> bool:
    """Whether the likelihood of a unit holds stage counts."""
    unit = data.units[which]
    return bool(len(unit.count_value)) and unit.basis == "establishment"


def log_counts(data: StandData, which: int, state: UnitState) -> np.ndarray:
    """Log probability of the stage counts and judged age ranges of a unit by draw, `(draw,)`;
    docs/the-model.md, section 6.

    The stage factors are integrated over their standard normal prior; everything else is as drawn.
    """
    unit = data.units[which]
    arrival = state.delays.arrival(state.living, BREAST_HEIGHT_CM)
    density = stage_densities(data, which, state, arrival)
    total = np.zeros(len(state.living))
    for stage in np.unique(unit.count_stage):
        alike: dict[tuple[int, float], list[float]] = {}
        for j in np.flatnonzero(unit.count_stage == stage):
            alike.setdefault(
                (int(unit.count_class_low[j]), float(unit.count_area_ha[j])), []
            ).append(float(unit.count_value[j]))
        means = [np.maximum(area * density[int(stage), low], SMALLEST) for low, area in alike]
        total += log_negative_binomials(
            np.stack(means, axis=1),
            list(alike.values()),
            state.count_dispersion,
            unit.stage_factor_scale,
        )
    return total + _log_judged(data, which, state)


def log_negative_binomials(
    mean: np.ndarray, counts: list[list[float]], dispersion: np.ndarray, scale: float
) -> np.ndarray:
    """Log probability of counts that share a factor `exp(scale z)`, `z` standard normal and
    integrated out.

    Parameters
    ----------
    mean : (draw, group) expected count of each subplot of a group, without the factor.
    counts : the counts of each group.
    dispersion : (draw,) shape phi of the negative binomial.
    scale : log-sd of the factor.

    Returns
    -------
    (draw,) log probabilities.
    """
    number = np.array([len(group) for group in counts], dtype=float)
    seen = np.array([sum(group) for group in counts])
    phi = dispersion[:, None]
    weight = number * phi + seen  # (draw, group)
    log_odds = np.log(mean) - np.log(
        phi
    )  # the sum over a group's subplots needs only their number and the sum of their counts

    def excess(z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What the counts and the prior of z together say of z, and its first two derivatives.
        (draw,)
        """
        x = log_odds + scale * z[:, None]
        p = 1.0 / (1.0 + np.exp(-np.clip(x, -700, 700)))
        value = (seen * x - weight * np.logaddexp(0.0, x)).sum(axis=1) - 0.5 * z * z
        slope = scale * (seen - weight * p).sum(axis=1) - z
        bend = -scale * scale * (weight * p * (1 - p)).sum(axis=1) - 1.0
        return value, slope, bend

    z = np.zeros(len(mean))
    for _ in range(NEWTON_STEPS):
        _, slope, bend = excess(z)
        step = np.clip(-slope / bend, -LONGEST_STEP, LONGEST_STEP)
        z = z + step
        if np.abs(step).max() < 1e-8:
            break
    width = 1.0 / np.sqrt(-excess(z)[2])
    nodes, weights = np.polynomial.hermite.hermgauss(NODES)
    terms = np.stack(
        [
            np.log(w) + x * x + excess(z + np.sqrt(2.0) * width * x)[0]
            for x, w in zip(nodes, weights, strict=True)
        ]
    )
    integral = logsumexp(terms, axis=0) + np.log(width) - 0.5 * np.log(np.pi)
    every = np.concatenate([np.asarray(group, dtype=float) for group in counts])
    values, often = np.unique(every, return_counts=True)
    fixed = (often * (gammaln(phi + values) - gammaln(phi) - gammaln(values + 1.0))).sum(axis=1)
    return fixed + integral


def _log_judged(data: StandData, which: int, state: UnitState) -> np.ndarray:
    """What judged age ranges add: each counted plant lies in its range with the probability its
    stage's ages give it. (draw,)
    """
    unit = data.units[which]
    total = np.zeros(len(state.living))
    judged = (
        np.isfinite(unit.count_age_low)
        & np.isfinite(unit.count_age_high)
        & (unit.count_stage != STAGES.index("sapling"))
    )
    ranges: dict[tuple[int, float, float], float] = {}
    for j in np.flatnonzero(judged & (unit.count_value > 0)):
        key = (
            int(unit.count_stage[j]),
            float(unit.count_age_low[j]),
            float(unit.count_age_high[j]),
        )
        ranges[key] = ranges.get(key, 0.0) + float(unit.count_value[j])
    if not ranges:
        return total
    ages = np.arange(unit.season_index + 1)
    by_age = state.living[:, ::-1]
    for (stage, low, high), seen in ranges.items():
        plants = by_age * _in_stage(state, STAGES[stage], ages)
        inside = plants[:, (ages >= low) & (ages <= high)].sum(axis=1)
        total += seen * (
            np.log(np.maximum(inside, SMALLEST)) - np.log(np.maximum(plants.sum(axis=1), SMALLEST))
        )
    return total


def _in_stage(state: UnitState, stage: str, ages: np.ndarray) -> np.ndarray:
    """Probability that a plant of each age is in a stage before the sapling. (draw, age)"""
    if stage == "germinant":
        return np.broadcast_to(ages == 0, (len(state.living), len(ages)))
    emerged = state.delays.stem_begun_by_age(ages)
    if stage == "grass":
        return (ages >= 1) * np.maximum(1.0 - emerged, 0.0)
    return (ages >= 1) * np.maximum(emerged - state.delays.past_emerging_by_age(ages), 0.0)
