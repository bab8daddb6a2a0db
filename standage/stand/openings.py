"""Openings on record: events that took away trees above plants already there, and for how long
(docs/the-model.md, section 11).
"""

from __future__ import annotations

import numpy as np

from standage.choices import Emergence
from standage.survey.survey import Survey

OFF: Emergence = "off"
# mean and standard deviation of rho beforehand. Assumptions: learned, either way, 2 standard
# deviations making a yearly chance of 0.2 into 0.8; on, faster with 98 % and as likely as not more
# than 2.7 times the usual pace
RELEASE_PRIORS: dict[Emergence, tuple[float, float]] = {"on": (1.0, 0.5), "learned": (0.0, 1.0)}
# kinds of event that take trees of the canopy unless the record has it otherwise
OPENING = ("logging", "thinning", "storm", "insects")
# kinds that do where the record has it; a surface fire leaves the canopy as it was
OPENING_ON_RECORD = ("fire", "turpentining", "other")
FADES_OVER = 3.0  # grass and sprouts close over small plants within years (assumption) [years]
LASTS = 10  # and crowns within about a decade (assumption) [years]


def openness(survey: Survey, stand: str, years: np.ndarray, season: int) -> np.ndarray:
    """Openness of a stand from 0 to 1 by calendar year, shape of `years`; shape `(0,)` where no
    opening reaches a season up to `season`.
    """
    closed = np.ones(len(years))
    for event in survey.events.itertuples():
        if event.stand not in ("", stand) or not opens(event.kind, event.opens_canopy):
            continue
        began = np.arange(int(event.first_year), int(event.last_year) + 1)
        # a blank year is not a number, and not later
        ended = np.where(event.ended_year > event.last_year, event.ended_year, began)
        beyond = years[:, None] - ended - 1.0
        fading = np.where(beyond < LASTS, np.exp(-np.maximum(beyond, 0.0) / FADES_OVER), 0.0)
        share = event.share_removed if np.isfinite(event.share_removed) else 1.0
        closed *= 1.0 - share * np.where(years[:, None] > began, fading, 0.0).mean(axis=1)
    opened = np.where(years <= season, 1.0 - closed, 0.0)
    return opened if opened[1:].any() else np.zeros(0)


def opens(kind: str, opens_canopy: str) -> bool:
    """Whether an event of the kind takes trees of the canopy. opens_canopy: as in the survey."""
    return (kind in OPENING and opens_canopy != "no") or (
        kind in OPENING_ON_RECORD and opens_canopy == "yes"
    )
