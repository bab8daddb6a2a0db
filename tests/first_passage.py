"""The law of height growth of docs/the-model.md, section 3, by scipy: an inverse Gaussian in whole
seasons.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import invgauss


def seasons_cdf(seasons, mean, dispersion):
    """P(B <= seasons) of a mean and of variance dispersion x mean; scipy's parameter is the mean
    over the shape, mean^2/dispersion.
    """
    if mean == 0:
        return np.where(np.asarray(seasons) >= 0, 1.0, 0.0)
    return invgauss(dispersion / mean, scale=mean**2 / dispersion).cdf(np.asarray(seasons) + 0.5)


def seasons_pmf(seasons, mean, dispersion):
    """P(B = seasons)."""
    below = seasons_cdf(np.asarray(seasons) - 1, mean, dispersion)
    return seasons_cdf(seasons, mean, dispersion) - np.where(np.asarray(seasons) > 0, below, 0.0)
