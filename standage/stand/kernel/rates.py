"""What parameters imply for a unit: the quantities that its likelihood is written in.

The same tuple holds their values and, as `bars`, the derivatives of the log likelihood with respect
to them: `bar` in a name means derivative of the log density.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from standage.compiled import Floats, compiled_part
from standage.stand.kernel.inputs import DelayInputs


class Rates(NamedTuple):
    """Amounts by year up to the survey season [stems/ha/year, or sampled stems/year without plots],
    and probabilities.

    Attributes
    ----------
    living : (year,) by year of establishment.
    begun : (year,) by the season in which the stem starts.
    arrival : (height, year) by the year of the first ring at a height.
    grass : (season,) pmf of the grass stage.
    growth : (height, season) pmf of the seasons of growth up to a height.
    increment : (segment, season) pmf of those between two heights.
    cdf : (edge, year) probability of a diameter below a class edge, by year of breast height.
    """

    living: Floats
    begun: Floats
    arrival: Floats
    grass: Floats
    growth: Floats
    increment: Floats
    cdf: Floats


@compiled_part
def no_rates(n: int, n_edges: int, delays: DelayInputs) -> Rates:
    """All 0, for n years."""
    species = delays.species
    n_heights = len(delays.shares)
    n_seasons = species.longest_growth + 1
    return Rates(
        np.zeros(n),
        np.zeros(n),
        np.zeros((n_heights, n)),
        np.zeros(species.longest_grass + 1),
        np.zeros((n_heights, n_seasons)),
        np.zeros((len(delays.segments), n_seasons)),
        np.zeros((n_edges, n)),
    )
