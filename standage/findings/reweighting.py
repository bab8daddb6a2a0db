"""The draws of one posterior as draws of another, by weights: what a different prior would have
given without sampling again.

Weights are importance ratios, smoothed in their upper tail by a generalized Pareto distribution
(Vehtari, Simpson, Gelman, Yao & Gabry 2024, Journal of Machine Learning Research 25(72):1-58); its
shape, k, says whether they can be trusted. Sensitivity to a power of the prior is that of
Kallioinen, Paananen, Buerkner & Vehtari (2023), Statistics and Computing 34:57.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# above it weights are not to be trusted however many draws there are (Vehtari et al. 2024)
HIGHEST_PARETO_K = 0.7
SHARES_TRIED = (
    1.0,
    0.5,
    0.25,
    0.125,
)  # of a change that is too far for the draws; what is found is then scaled up in a straight line
# how far the power of the prior is moved from 1 either way (Kallioinen et al. 2023: a derivative)
POWER_STEP = 0.01


@dataclass(frozen=True)
class Weights:
    """Normalised weights `(draw,)`, the Pareto k behind them, and the share of the wanted change
    that they stand for.
    """

    values: np.ndarray
    pareto_k: float
    share: float = 1.0


def highest_k(draws: int) -> float:
    """Largest Pareto k at which weights of so many draws are still used; few draws bear less
    (Vehtari et al. 2024).
    """
    return min(1 - 1 / math.log10(max(draws, 20)), HIGHEST_PARETO_K)


def smoothed_weights(log_ratios: np.ndarray, share: float = 1.0) -> Weights:
    """Pareto-smoothed weights from log importance ratios, (draw,)."""
    import arviz

    if np.ptp(log_ratios) < 1e-12:
        return Weights(np.full(len(log_ratios), 1 / len(log_ratios)), 0.0, share)
    logs, k = arviz.psislw(np.ascontiguousarray(log_ratios, dtype=float))
    return Weights(np.exp(np.asarray(logs)), float(k), share)


def with_prior_moved(factors: np.ndarray, by: np.ndarray) -> Weights | None:
    """Weights that move the prior mean of standard normal factors from 0 to `by`; None if even an
    eighth of it is too far.

    factors : (draw, factor). by : (factor,), in prior standard deviations.
    """
    along = factors @ by
    for share in SHARES_TRIED:
        found = smoothed_weights(
            share * along, share
        )  # N(z; c, 1)/N(z; 0, 1) is exp(c z) but for a constant
        if found.pareto_k <= highest_k(len(factors)):
            return found
    return None


def with_likelihood_weakened(
    log_likelihood: np.ndarray, powers: tuple[float, ...]
) -> tuple[Weights, float] | None:
    """Weights that raise a part of the likelihood to a power below 1, and the first of the powers
    that the draws bear.

    log_likelihood : (draw,) of that part. powers : tried in order; 0 leaves it out. None if no
        power is borne.
    """
    for power in powers:
        found = smoothed_weights((power - 1) * log_likelihood)
        if found.pareto_k <= highest_k(len(log_likelihood)):
            return found, power
    return None


def power_sensitivity(summary: np.ndarray, log_component: np.ndarray) -> float:
    """How far the distribution of a summary moves per doubling of the power of a component, at
    power 1.

    Cumulative Jensen-Shannon distance between the posterior and that with the power at 1 +-
    `POWER_STEP`, over the change in log2 of the power. About 0.05 is a mean that moves by 0.3 of
    its standard deviation per doubling (Kallioinen et al. 2023).

    summary : (draw,) what is looked at. log_component : (draw,) log density of the component.
    """
    if np.ptp(summary) == 0:
        return 0.0
    distances = []
    for power in (1 - POWER_STEP, 1 + POWER_STEP):
        ratios = np.exp((power - 1) * (log_component - log_component.mean()))
        weights = ratios / ratios.sum()
        distances.append(max(cumulative_distance(side * summary, weights) for side in (1.0, -1.0)))
    return sum(distances) / (2 * math.log2(1 + POWER_STEP))


def cumulative_distance(summary: np.ndarray, weights: np.ndarray) -> float:
    """Cumulative Jensen-Shannon distance, 0 to 1, between equally weighted draws and the same draws
    with weights.

    With P and Q the distribution functions and M their mean, the square root of
    integral of P log2(P/M) + Q log2(Q/M), over the integral of P + Q.
    """
    order = np.argsort(summary, kind="stable")
    steps = np.diff(summary[order])
    plain = np.arange(1, len(summary)) / len(summary)
    weighted = np.minimum(np.cumsum(weights[order])[:-1], 1.0)
    middle = (plain + weighted) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = plain * np.log2(plain / middle) + np.where(
            weighted > 0, weighted * np.log2(weighted / middle), 0.0
        )
    bound = steps @ (plain + weighted)
    return math.sqrt(max(float(steps @ gap), 0.0) / bound) if bound > 0 else 0.0


def weighted_median(ordered: np.ndarray, weights: np.ndarray) -> float:
    """Median of values in ascending order under weights of the same order, halfway between the two
    that share the middle.
    """
    held = np.cumsum(weights)
    held /= held[-1]
    return float(np.interp(0.5, held - weights / (2 * weights.sum()), ordered))


def error_of_change(values: np.ndarray, weights: np.ndarray, chains: int) -> float:
    """Monte Carlo standard error of a weighted less a plain mean of the same draws, autocorrelation
    allowed for. (draw,) values
    """
    import arviz

    count = len(values)
    each = (count * weights - 1) * (values - weights @ values)
    spread = float(np.std(each))
    if spread == 0:
        return 0.0
    effective = float(arviz.ess(each.reshape(chains, -1), method="mean"))
    return spread / math.sqrt(max(min(effective, count), 1.0))
