"""Whether two stands share a pulse, against what chance would give."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.findings.compared_stands import ComparedStand

# years between the starts of two pulses up to which they are one of both stands; starts are known
# to about that (assumption)
TOLERANCE = 5


@dataclass(frozen=True)
class Synchrony:
    """Pulses of two stands side by side.

    Attributes
    ----------
    probability : that some pulse of the first began within the tolerance of some pulse of the
        second.
    chance : the same if the pulses of either were placed at random in the years that both stands
        can speak about.
    first_pulse, second_pulse : numbers of the two pulses that began closest to each other, as in
        the pulse table.
    """

    probability: float
    chance: float
    first_pulse: int
    second_pulse: int


def synchrony(first: ComparedStand, second: ComparedStand) -> Synchrony | None:
    """Whether two stands share a pulse; None where one of them has none that is told, or they share
    no years to speak about.
    """
    low, high = max(first.telling_from, second.telling_from), min(first.season, second.season)
    if not len(first.starts) or not len(second.starts) or low > high:
        return None
    lags = first.starts[:, None, :] - second.starts[None, :, :]
    # NaN, a draw without the pulse, shares nothing
    shared = (np.abs(lags) <= TOLERANCE).any(axis=(0, 1))
    both = np.isfinite(lags).any(axis=2)
    typical = np.full(both.shape, np.inf)
    typical[both] = np.nanmedian(np.abs(lags[both]), axis=1)
    closest = np.unravel_index(int(np.argmin(typical)), typical.shape)
    return Synchrony(
        probability=float(shared.mean()),
        chance=(
            placed_at_random(first.starts, second.starts, low, high, TOLERANCE)
            + placed_at_random(second.starts, first.starts, low, high, TOLERANCE)
        )
        / 2,
        first_pulse=int(closest[0]) + 1,
        second_pulse=int(closest[1]) + 1,
    )


def placed_at_random(
    fixed: np.ndarray, moved: np.ndarray, low: int, high: int, tolerance: int
) -> float:
    """Probability that one of the moved pulses, each put in any year of low..high alike, falls
    within the tolerance of a fixed one.

    fixed, moved: (pulse, draw) starts, NaN in draws without the pulse.
    """
    years = np.arange(low, high + 1)
    near = (np.abs(years[None, None, :] - fixed[:, :, None]) <= tolerance).any(axis=0)
    count = np.isfinite(moved).sum(axis=0)
    return float(np.mean(1 - (1 - near.mean(axis=1)) ** count))
