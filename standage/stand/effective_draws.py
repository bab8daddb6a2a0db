"""How many independent draws correlated ones are worth, and whether chains agree (Vehtari, Gelman,
Simpson, Carpenter & Buerkner 2021, Bayesian Analysis 16:667-718), for many quantities at once.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

FEWEST = 4  # draws of a chain from which there is anything to say
TAILS = 0.05, 0.95  # quantiles whose effective draws count for the tails


def ess_and_rhat(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bulk effective sample size and rank-normalised R-hat, of location or of scale, the greater;
    of `(chain, draw, quantity)`. NaN for a quantity with a value that is no number, and R-hat of a
    constant.
    """
    values = np.asarray(values, dtype=float)
    quantities = values.shape[-1]
    ess, rhat = np.full((2, quantities), np.nan)
    known = np.isfinite(values).all(axis=(0, 1))
    if values.shape[1] >= FEWEST and known.any():
        halves = _split_chains(values[..., known])
        folded = np.abs(halves - np.median(halves, axis=(0, 1)))
        scores = _normal_scores(halves)
        ess[known] = _effective_draws(scores)
        rhat[known] = np.maximum(_plain_rhat(scores), _plain_rhat(_normal_scores(folded)))
    return ess, rhat


def tail_ess(values: np.ndarray) -> np.ndarray:
    """Effective sample size for the 5 and 95 % points, the smaller; of `(chain, draw, quantity)`.
    NaN for a quantity with a value that is no number.
    """
    values = np.asarray(values, dtype=float)
    ess = np.full(values.shape[-1], np.nan)
    known = np.isfinite(values).all(axis=(0, 1))
    if values.shape[1] >= FEWEST and known.any():
        halves = _split_chains(values[..., known])
        ends = np.quantile(values[..., known], TAILS, axis=(0, 1))
        ess[known] = np.min([_effective_draws((halves <= end) * 1.0) for end in ends], axis=0)
    return ess


def _split_chains(values: np.ndarray) -> np.ndarray:
    """Each half of each chain as a chain: `(2 chain, draw, quantity)`."""
    half = values.shape[1] // 2
    return np.concatenate([values[:, :half], values[:, -half:]])


def _normal_scores(values: np.ndarray) -> np.ndarray:
    """Normal quantiles of the ranks among all draws of a quantity, ties at their mean rank."""
    flat = values.reshape(-1, values.shape[-1])
    ranks = np.empty_like(flat)
    for q in range(flat.shape[1]):
        _, position, counts = np.unique(flat[:, q], return_inverse=True, return_counts=True)
        ranks[:, q] = (np.cumsum(counts) - (counts - 1) / 2)[position]
    return ndtri((ranks - 0.375) / (len(flat) + 0.25)).reshape(values.shape)


def _effective_draws(chains: np.ndarray) -> np.ndarray:
    """Effective draws of means over `(chain, draw, quantity)`: autocorrelations summed in pairs for
    as long as the sums are positive, and made to fall (Geyer 1992, Statistical Science 7:473-483).
    """
    number, draws, quantities = chains.shape
    centred = chains - chains.mean(axis=1, keepdims=True)
    padded = 1 << (2 * draws - 1).bit_length()
    transformed = np.fft.rfft(centred, padded, axis=1)
    products = np.fft.irfft(transformed * transformed.conj(), padded, axis=1)[:, :draws]
    covariance = products.mean(axis=0) / draws  # (lag, quantity)
    within = covariance[0] * draws / (draws - 1)
    total = covariance[0] + chains.mean(axis=1).var(axis=0, ddof=1)
    constant = np.ptp(chains, axis=(0, 1)) == 0
    correlation = 1 - (within - covariance) / np.where(constant, 1.0, total)
    correlation[0] = 1.0
    pairs = correlation[: draws - draws % 2].reshape(-1, 2, quantities).sum(axis=1)
    ended = np.minimum(np.cumprod(pairs > 0, axis=0).sum(axis=0), max(0, (draws - 1) // 2 - 1))
    summed = np.arange(len(pairs))[:, None] < ended
    falling = np.where(summed, np.minimum.accumulate(pairs, axis=0), 0.0)
    # of the first pair left out, its earlier half where that is positive
    left = np.maximum(correlation[2 * ended, np.arange(quantities)], 0.0)
    length = np.maximum(-1 + 2 * falling.sum(axis=0) + left, 1 / np.log10(number * draws))
    return number * draws / np.where(constant, 1.0, length)


def _plain_rhat(chains: np.ndarray) -> np.ndarray:
    draws = chains.shape[1]
    within = chains.var(axis=1, ddof=1).mean(axis=0)
    between = chains.mean(axis=1).var(axis=0, ddof=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt((draws - 1) / draws + between / within)
