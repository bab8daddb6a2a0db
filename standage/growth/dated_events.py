"""Which events on record can have changed the growth of trees, and in which years: what is assumed
before the rings are asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.growth.stand_disturbance import KnownEvent

OPENING, WEAKENING = "opening", "weakening"

# chance that an event of a kind let light to the crowns that stayed, where `opens_canopy` is blank
# (assumptions)
OPENS = {
    "logging": 0.9,
    "storm": 0.8,
    "thinning": 0.8,
    "insects": 0.5,
    "site-preparation": 0.3,
    "fire": 0.1,
    "other": 0.1,
}
# chance from which an event keeps its stand from being a control for the others (assumption)
LIKELY_OPENING = 0.3
# chance that an event of a kind cost living trees crown, roots or resin enough to grow less
# (assumptions)
WEAKENS = {
    "turpentining": 0.7,
    "insects": 0.7,
    "fire": 0.3,
    "storm": 0.3,
    "fire-resumed": 0.2,
    "other": 0.1,
}
# chance that an opening stated as such was one: a record may still be about the stand next to it
# (assumption)
ON_RECORD = 0.99


@dataclass(frozen=True)
class EventsOnAxis:
    """Events that may have had an effect. names : identifiers, in the order of `known`."""

    names: tuple[str, ...]
    known: tuple[KnownEvent, ...]

    def chance(self, name: str) -> float:
        """Chance beforehand that the event had the effect. Raises ValueError for a name it does not
        hold.
        """
        return self.known[self.names.index(name)].chance


def effect_chance(kind: str, opens_canopy: str, aim: str) -> float:
    """Chance beforehand that an event opened the canopy, or weakened trees; what the survey says of
    the canopy goes before the kind.
    """
    if aim == OPENING:
        return {"yes": ON_RECORD, "no": 0.0}.get(opens_canopy, OPENS.get(kind, 0.0))
    return WEAKENS.get(kind, 0.0)


def events_on_axis(events: pd.DataFrame, years: np.ndarray, aim: str) -> EventsOnAxis:
    """The events of one stand as the history needs them.

    events : rows of events.csv. years : consecutive, holding all ranges. aim : `opening` or
        `weakening`. An event known from growth
    releases is left out: the same rings would be asked twice. A period (`ended_year`) counts by its
    beginning.
    """
    names, known = [], []
    for event in events.itertuples():
        chance = effect_chance(event.kind, event.opens_canopy, aim)
        if event.source == "release" or chance == 0:
            continue
        names.append(event.event)
        known.append(
            KnownEvent(
                int(event.first_year) - int(years[0]), int(event.last_year) - int(years[0]), chance
            )
        )
    return EventsOnAxis(tuple(names), tuple(known))
