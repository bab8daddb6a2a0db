"""What the sampler gives: parameter vectors, and how they were made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from standage.stand.whitening import Whitening

Progress = Callable[[float, str], None]  # share done (0 to 1), what is being done


@dataclass(frozen=True)
class Draws:
    """Parameter vectors `(chain, draw, parameter)` and what the sampler says of itself.

    `made` counts the draws before any thinning; `coordinates` are those the chains walked in.
    """

    values: np.ndarray
    divergences: int
    steps_per_draw: float
    seconds: float
    made: int
    coordinates: Whitening
