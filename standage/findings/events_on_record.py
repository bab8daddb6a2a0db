"""The events on record for a stand: periods and single years told apart, recurring ones marked,
their years drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standage.growth.growth_changes import GrowthChanges
from standage.survey.survey import Survey

# events nearer than twice this recur too often to be told apart, and nothing is dated longer than
# this before the oldest stem (assumption) [years]
LAG_WINDOW = 10
# kinds of event that take trees of the canopy unless the record has it otherwise
OPENING = ("logging", "thinning", "storm", "insects")
# kinds that do where the record has it; a surface fire leaves the canopy as it was
OPENING_ON_RECORD = ("fire", "turpentining", "other")
# so many events of a kind, each nearer than twice the lag window to the next, are a recurrence and
# no events to tie to
RECURRING = 3
CUTS = ("logging", "thinning")  # cutting by size can leave what looks like a pulse


@dataclass(frozen=True)
class Event:
    """An event of a stand. `first`, `last`: range of years in which it began; `ended`: last year of
    a period, NaN where it is none.

    `opens_canopy`: whether it took trees above plants already there. `recurring`: one of a run of
    events of its kind that follow each other too closely for any to be told as the one.
    """

    name: str
    kind: str
    first: int
    last: int
    ended: float
    smallest_cut_cm: float
    largest_cut_cm: float
    opens_canopy: bool = False
    recurring: bool = False

    @property
    def timing(self) -> str:
        """`period`, `uncertain year` or `year`."""
        if np.isfinite(self.ended) and self.ended > self.last:
            return "period"
        return "year" if self.first == self.last else "uncertain year"

    def began(
        self, draws: int, generator: np.random.Generator, chances: pd.Series | None = None
    ) -> np.ndarray:
        """Drawn years in which it began, `(draw,)`: each of its range equally likely, or by
        `chances` indexed by year.
        """
        years = np.arange(self.first, self.last + 1)
        weights = (
            None if chances is None else chances.reindex(years).fillna(0.0).to_numpy(dtype=float)
        )
        if weights is None or not weights.sum() > 0:
            return generator.choice(years, size=draws).astype(float)
        return generator.choice(years, size=draws, p=weights / weights.sum()).astype(float)


def events_of(survey: Survey, stand: str) -> pd.DataFrame:
    """Rows of the survey's events for a stand, those of all stands among them."""
    return survey.events[survey.events["stand"].isin([stand, ""])]


def stand_events(survey: Survey, stand: str) -> list[Event]:
    """The events on record for a stand, those of all stands among them, oldest first; recurring
    ones are marked.
    """
    own = events_of(survey, stand)
    blank = pd.Series(np.nan, index=own.index)
    low, high = (
        own.get(name, blank).astype(float) for name in ("removed_dbh_low_cm", "removed_dbh_high_cm")
    )
    light = own.get("opens_canopy", pd.Series("", index=own.index)).fillna("")
    listed = [
        Event(
            row.event,
            row.kind,
            int(row.first_year),
            int(row.last_year),
            float(row.ended_year),
            low[row.Index],
            high[row.Index],
            opens(row.kind, light[row.Index]),
        )
        for row in own.itertuples()
    ]
    return _recurring_marked(
        sorted(listed, key=lambda event: (event.first + event.last, event.name))
    )


def _recurring_marked(events: list[Event]) -> list[Event]:
    """The events, in order of years, with those marked that recur faster than twice the lag
    window.
    """
    recurring = set()
    for kind in {event.kind for event in events}:
        run: list[Event] = []
        for event in (*(each for each in events if each.kind == kind), None):
            if run and (
                event is None
                or (event.first + event.last - run[-1].first - run[-1].last) / 2 >= 2 * LAG_WINDOW
            ):
                recurring |= {each.name for each in run} if len(run) >= RECURRING else set()
                run = []
            if event is not None:
                run.append(event)
    return [replace(event, recurring=event.name in recurring) for event in events]


def event_years_by_rings(changes: GrowthChanges) -> dict[tuple[str, str], pd.Series]:
    """By stand and event, the chance of each year in which it may have begun, as the ring widths
    leave it.

    changes: `growth_changes` of the survey. An event may have opened the canopy or weakened trees:
    whichever was likelier beforehand is asked. An event known from growth releases is in neither,
    since the same rings would be asked twice.
    """
    chances: dict[tuple[str, str], pd.Series] = {}
    beforehand: dict[tuple[str, str], float] = {}
    for histories in (changes.openings, changes.weakenings):
        for stand, history in histories.items():
            for number, name in enumerate(history.events.names):
                if history.events.chance(name) > beforehand.get((stand, name), 0.0):
                    beforehand[stand, name] = history.events.chance(name)
                    years = pd.Series(history.years[history.drawn.event_index[:, number]])
                    chances[stand, name] = years.value_counts(normalize=True)
    return chances


def opens(kind: str, opens_canopy: str) -> bool:
    """Whether an event of the kind takes trees of the canopy. opens_canopy: as in the survey."""
    return (kind in OPENING and opens_canopy != "no") or (
        kind in OPENING_ON_RECORD and opens_canopy == "yes"
    )
