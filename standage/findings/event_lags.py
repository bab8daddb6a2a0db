"""How long after events of a kind recruitment usually begins, before this survey is looked at.

A pulse may begin before its event by as long as plants wait in the grass stage: what stood there as
seedlings was let go.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.findings.events_on_record import Event

# seed crops large enough to regenerate longleaf come once in five to seven years (Boyer 1997, Tree
# Farmer, Sept/Oct), in any year alike; for other species an assumption [years]
SEED_CROP_INTERVAL = 6.0
LONGEST_LAG = 30  # five intervals: under one crop in a hundred comes later [years]
# share of pulses after an opening of the canopy whose stems stood there as seedlings, where the
# species has a grass stage (assumption)
WAITING_SHARE = 0.5
# seed that falls in autumn has its first growing season in the year after; the crop may be recorded
# under the year of its cones or of its seedlings (assumption)
AFTER_SEED_CROP = {0: 0.25, 1: 0.5, 2: 0.25}
# stock has spent a season or two in the nursery, or was sown in the year of planting; failed rows
# are filled within two years (assumption)
AFTER_PLANTING = {-2: 0.1, -1: 0.4, 0: 0.4, 1: 0.05, 2: 0.05}


@dataclass(frozen=True)
class UsualLags:
    """Probability of each lag from an event to the start of a pulse that goes with it.

    Attributes
    ----------
    first : the earliest lag; negative: the pulse begins before the event. [years]
    chance : (lag,) sums to 1.
    """

    first: int
    chance: np.ndarray

    def density(self, lag: np.ndarray, lasting: np.ndarray) -> np.ndarray:
        """Probability of lags counted from the beginning of an event that went on so many years
        after its first, and may have acted in any of them alike. (draw,)
        """
        upto = np.concatenate([[0.0], np.cumsum(self.chance)])
        latest = np.clip(lag - self.first + 1, 0, len(self.chance)).astype(int)
        before = np.clip(lag - lasting - self.first, 0, len(self.chance)).astype(int)
        return (upto[latest] - upto[before]) / (lasting + 1)


def usual_lags(event: Event, grass_stage: np.ndarray | None) -> UsualLags:
    """The usual lags after an event of its kind.

    grass_stage : (season,) pmf of the stand's grass stage; None for a species without one.
    """
    fixed = {"seed-crop": AFTER_SEED_CROP, "planting": AFTER_PLANTING}.get(event.kind)
    if fixed is not None:
        return UsualLags(min(fixed), np.array(list(fixed.values())))
    years = np.arange(LONGEST_LAG + 1)
    after = np.exp(-years / SEED_CROP_INTERVAL)
    after /= after.sum()
    if grass_stage is None or not event.opens_canopy:
        return UsualLags(0, after)
    # of plants that stand in the grass stage at a time: how long they have been there
    still = 1 - np.cumsum(grass_stage)[:-1]
    still = still[still > 1e-3]
    if not len(still):
        return UsualLags(0, after)
    waited = WAITING_SHARE * still[::-1] / still.sum()
    return UsualLags(-len(still), np.concatenate([waited, (1 - WAITING_SHARE) * after]))
