"""Years from germination to a height, of stands and their region, as a table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from standage.evidence.arrays import Floats
from standage.evidence.delays import (
    BREAST_HEIGHT_CM,
    dispersion_at_pace,
    grass_stage_pmf,
    height_growth_pmf,
    height_share,
    species_delays,
)
from standage.evidence.known_age import KnownAge
from standage.evidence.local_delays import LocalDelays
from standage.profiles import Profile

DRAWS = 2000
SEED = 1  # of the draws from the grid: the same stems give the same table
HEIGHTS_CM = (20.0, 30.0, 50.0, 100.0, BREAST_HEIGHT_CM)
REGION, ANOTHER_STAND, STAND = "region", "another stand", "stand"
COLUMNS = (
    "about",
    "stand",
    "species",
    "height_cm",
    "mean_years",
    "mean_years_low",
    "mean_years_high",
    "plants_years_low",
    "plants_years_median",
    "plants_years_high",
    "before_mean_years",
    "before_mean_years_low",
    "before_mean_years_high",
    "stems_about_grass",
    "stems_about_growth",
)


def years_to_height(
    delays: LocalDelays,
    known: Mapping[str, KnownAge],
    profile: Profile,
    *,
    level: float = 0.9,
    heights_cm: Iterable[float] = (),
) -> pd.DataFrame:
    """A row for the region (its middle stand), for another stand of it and for each stand, at each
    height: growing seasons from the first one to that of the first ring at the height. Added
    to the rings at that height they give the age.

    `mean_years`: of the plants of the stand, with the interval of `level`; `plants_*`: the middle
    `level` of single plants; `before_*`: the same mean by the profile alone. heights_cm: beside the
    usual ones.
    """
    everyone = _joined(known.values())
    beliefs = [
        (REGION, "", delays.middle, everyone),
        (ANOTHER_STAND, "", delays.another, everyone),
        *((STAND, stand, belief, known[stand]) for stand, belief in delays.stands.items()),
    ]
    before = delays.before.drawn(DRAWS, np.random.default_rng(SEED))
    rows = []
    heights = _heights(profile, heights_cm)
    ahead = {height: _means(_delay(before, profile, height)) for height in heights}
    for about, stand, belief, stems in beliefs:
        drawn = belief.drawn(DRAWS, np.random.default_rng(SEED))
        for height in heights:
            delay = _delay(drawn, profile, height)
            rows.append(
                (
                    about,
                    stand,
                    profile.key,
                    height,
                    *_summary(_means(delay), level),
                    *_of_plants(delay.mean(axis=0), level),
                    *_summary(ahead[height], level),
                    stems.about_grass,
                    stems.about_growth,
                )
            )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _joined(known: Iterable[KnownAge]) -> KnownAge:
    parts = list(known)
    return KnownAge(
        np.concatenate([each.kind for each in parts]),
        np.concatenate([each.seasons for each in parts]),
        np.concatenate([each.height_cm for each in parts]),
    )


def _heights(profile: Profile, others: Iterable[float]) -> list[float]:
    """The start of the stem, the usual heights above it, and others. [cm]"""
    start = profile["grass_stage.emergence_height_cm"] if profile.has_grass_stage else 0.0
    first = [start] if profile.has_grass_stage else []
    return first + sorted({height for height in (*HEIGHTS_CM, *others) if height > start})


def _delay(drawn: Floats, profile: Profile, height_cm: float) -> Floats:
    """Chance of each number of seasons to a height, for drawn numbers. (draw, season)"""
    median, spread, years, at_usual_pace = drawn.T
    grass = np.ones((len(drawn), 1))
    if profile.has_grass_stage:
        grass = grass_stage_pmf(median, spread, int(profile["grass_stage.longest_years"]))
    longest = int(profile["height_growth.longest_height_years"])
    share = height_share(profile, height_cm)
    if share <= 0:
        return grass
    dispersion = dispersion_at_pace(species_delays(profile), np.log(at_usual_pace), np.log(years))
    growth = height_growth_pmf(years * share, dispersion, longest)
    both = np.zeros((len(drawn), grass.shape[1] + longest))
    for seasons in range(grass.shape[1]):
        both[:, seasons : seasons + longest + 1] += grass[:, seasons, None] * growth
    return both / both.sum(axis=1, keepdims=True)


def _means(delay: Floats) -> Floats:
    return delay @ np.arange(delay.shape[1])


def _summary(values: Floats, level: float) -> tuple[float, float, float]:
    middle, low, high = np.quantile(values, [0.5, (1 - level) / 2, (1 + level) / 2])
    return float(middle), float(low), float(high)


def _of_plants(chance: Floats, level: float) -> tuple[int, int, int]:
    running = np.cumsum(chance)
    low, middle, high = (
        int(np.searchsorted(running, share * running[-1]))
        for share in ((1 - level) / 2, 0.5, (1 + level) / 2)
    )
    return low, middle, high
