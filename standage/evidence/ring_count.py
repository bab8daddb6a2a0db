"""The calendar year of the innermost ring seen: counted, crossdated, or crossdated part of the way.

The reading gives a plug-in year, the number of counted rings that can carry an error, the scale of
the reader's error, and a small pmf for the calendar year of the outer ring where neither the reader
nor the date of the core settles it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standage.evidence.gross_errors import with_eye_errors
from standage.profiles import Profile
from standage.years import growing_seasons

OUTER_UNCLEAR_WEIGHT = 0.15
"""Chance, either way, that a count stands one calendar year off where a September-February core's
outer ring is not described. In September the season's ring is as likely counted as left out: even
chances for the year itself and the one before. Assumed.
"""
READER_SCALES_IN_BOUND = 3.0
SMALLEST_READER_SCALE = 0.2
"""A counted series is never exact: least scale of its error, in rings. Assumed."""
DEATH_YEAR_SPAN = 15
"""Widest shift of the outer ring considered for a recorded year of death that is itself uncertain.
[years]
"""


WOOD_SHARE = 0.5
"""Of the variance of a count: what the wood hides from every reader (rings absent or false in this
core), shared by all readings of the core. The rest is the eye's, another one at each reading.
Careful counts are off by 1.5 years against crossdating (Weisberg & Swanson 2001), and who reads
once more finds most of that again; the share itself is assumed.
"""


@dataclass(frozen=True)
class InnermostRing:
    """Dating of the innermost ring of each core; arrays `(core,)`, the outer-ring pmf `(core, k)`.
    Calendar years, NaN if unreadable.

    `visible_rings` counts from the last ring to the innermost seen, `latest_year` is the last
    season in which the innermost ring can have been laid, `reason` says why a core cannot be read
    and `note` what is odd about one that can.
    """

    innermost_year: NDArray[np.float64]
    counted_rings: NDArray[np.float64]
    reader_scale: NDArray[np.float64]
    outer_years: NDArray[np.int64]
    outer_weights: NDArray[np.float64]
    visible_rings: NDArray[np.float64]
    last_ring_year: NDArray[np.float64]
    latest_year: NDArray[np.float64]
    readable: NDArray[np.bool_]
    reason: NDArray[np.object_]
    note: NDArray[np.object_]


def counting_bias(profile: Profile) -> tuple[float, float]:
    """Mean and stand-to-stand sd of (true - counted)/counted rings.

    With a share f of false rings, and a absent rings to each visible one, n counted rings are n (1
    - f)(1 + a) years: each boundary advances the age by the probability that it is annual (Ricker
    et al. 2020).
    """
    false, absent = profile["rings.false_per_100"] / 100.0, profile["rings.absent_per_100"] / 100.0
    return (1.0 - false) * (1.0 + absent) - 1.0, profile["rings.bias_sd"]


def student_t4_cdf(t: ArrayLike) -> NDArray[np.float64]:
    """Cumulative distribution of Student's t with 4 degrees of freedom, which is algebraic."""
    t = np.asarray(t, float)
    squared = t * t
    return 0.5 + 0.375 * t / np.sqrt(1.0 + squared / 4.0) * (1.0 - squared / (12.0 + 3.0 * squared))


def shift_pmf(
    location: ArrayLike, scale: ArrayLike, shifts: NDArray[np.int64]
) -> NDArray[np.float64]:
    """P(true - counted rings = shift): Student-t with 4 degrees of freedom rounded to whole rings,
    `(..., shift)`.

    `location` and `scale` broadcast to `(...)`; `shifts` are consecutive. A scale of 0 is exact at
    the rounded location.
    """
    location, scale = np.broadcast_arrays(np.asarray(location, float), np.asarray(scale, float))
    exact = scale == 0
    edges = np.append(shifts - 0.5, shifts[-1] + 0.5)
    below = student_t4_cdf((edges - location[..., None]) / np.where(exact, 1.0, scale)[..., None])
    pmf = np.diff(below, axis=-1)
    if exact.any():
        pmf = np.where(exact[..., None], shifts == np.floor(location + 0.5)[..., None], pmf)
    return pmf


def readings_shift_pmf(
    location: NDArray[np.float64],
    wood_scale: float,
    eye_scale: float,
    further: NDArray[np.float64],
    shifts: NDArray[np.int64],
    gross_share: float = 0.0,
    *,
    right: bool = False,
) -> NDArray[np.float64]:
    """`shift_pmf` of a core that was read several times: the eye's errors of its readings are
    independent Student-t's, the wood's is common to them. (d, shift)

    location : of the wood's error. (d,) further : rings by which each further reading goes further
    back than the core's own. (reading,) gross_share : probability that the eye was grossly off, at
    each reading by itself. right : only what there is with the core's own reading not so.
    """
    own, *others = (
        shift_pmf(np.array(read), np.array(eye_scale), shifts) for read in (0.0, *further)
    )
    rest = np.ones(shifts.size)
    for each in others:
        rest = rest * with_eye_errors(each, gross_share)
    total = (rest * with_eye_errors(own, gross_share)).sum()
    seen = rest * ((1.0 - gross_share) * own if right else with_eye_errors(own, gross_share))
    seen = seen / total
    wide = np.arange(shifts[0] - shifts[-1], shifts[-1] - shifts[0] + 1)
    wood = shift_pmf(location, np.full(location.shape, wood_scale), wide)
    found = np.zeros((*location.shape, shifts.size))
    for place in np.flatnonzero(seen > 1e-9):
        start = shifts.size - 1 - place
        found += seen[place] * wood[..., start : start + shifts.size]
    return found


def further_shifts(table: pd.DataFrame, ring: InnermostRing) -> NDArray[np.float64]:
    """Rings by which each further reading of a core goes further back than its own, NaN for none.
    (core, reading)

    Only beside a counted reading of all rings: crossdated years are not averaged with counts, and a
    least number is none.
    """
    if "further" not in table or table["further"].isna().all():
        return np.full((len(table), 0), np.nan)
    counted = ring.readable & (ring.reader_scale > 0) & (table["dating"] != "crossdated").to_numpy()
    counted &= (table["at_least"] != "yes").to_numpy()
    lists = [each if isinstance(each, tuple) else () for each in table["further"]]
    shifts = np.full((len(table), max(map(len, lists))), np.nan)
    for row, readings in enumerate(lists):
        for place, (first, count) in enumerate(readings if counted[row] else ()):
            year = ring.last_ring_year[row] - count + 1.0 if np.isnan(first) else first
            shifts[row, place] = ring.innermost_year[row] - year
    return shifts


def date_innermost_rings(table: pd.DataFrame, profile: Profile) -> InnermostRing:
    """Date the innermost ring of each row of `table`: columns of cores.csv, and `status`,
    `death_year`, `death_year_sd` of the tree.
    """
    first, last, count = (
        table[name].to_numpy(float) for name in ("first_ring_year", "last_ring_year", "ring_count")
    )
    back_to = table["crossdated_back_to_year"].to_numpy(float)
    outer = _outer_rings(table)
    crossdated = table["dating"].to_numpy(object) == "crossdated"
    dead = np.isin(table["status"].to_numpy(object), ("dead", "stump"))
    season, month = growing_seasons(table["core_date"]), table["core_date"].dt.month.to_numpy(float)
    death_year, death_sd = (
        table["death_year"].to_numpy(float),
        np.nan_to_num(table["death_year_sd"].to_numpy(float)),
    )

    outermost = _outermost_complete_ring(last, outer, season, month, dead, death_year)
    innermost = np.where(np.isnan(first), outermost - count + 1.0, first)
    no_ring = np.isnan(first) & np.isnan(count)
    # Behind lost outer rings a counted year rests on a last ring that nobody dated.
    no_anchor = ~no_ring & (np.isnan(innermost) | ((outer == "lost") & ~crossdated))
    readable = ~(no_ring | no_anchor)
    # A crossdated last ring counts even where it was still growing: only its year matters, not
    # whether it is complete.
    outer_end = np.where(
        crossdated & ~np.isnan(last), last, np.where(np.isnan(outermost), season, outermost)
    )
    visible = np.where(np.isnan(first), count, outer_end - first + 1.0)
    visible = np.where(no_ring, np.nan, np.maximum(visible, 1.0))

    secure_back_to = np.where(np.isnan(back_to), innermost, np.maximum(back_to, innermost))
    counted = np.where(crossdated, secure_back_to - innermost, visible)
    counted = np.where(readable, counted, 0.0)
    scale = _reader_scale(counted, table["count_sd"].to_numpy(float), profile)
    latest = np.where(dead & ~np.isnan(outermost), np.minimum(outermost, season), season)
    # Rings without a calendar year still bound the arrival: so many seasons passed since, give or
    # take the count.
    latest = np.where(
        no_anchor,
        season
        - visible
        + 1.0
        + np.ceil(READER_SCALES_IN_BOUND * _usual_reader_scale(visible, profile)),
        latest,
    )
    weights, shifts = _outer_ring_pmf(
        table, crossdated, dead & np.isnan(first) & np.isnan(last), death_sd, month
    )
    beyond = readable & ~dead & (outermost < season - 2)
    behind_lost = no_anchor & (outer == "lost") & ~np.isnan(first)
    unanchored = np.where(
        behind_lost,
        "its outer rings are lost and the others only counted: their years are not known",
        np.where(
            no_anchor,
            "no anchor of the count: last_ring_year, or death_year of its tree, gives one",
            "",
        ),
    )
    reason = np.where(no_ring, "no ring could be read", unanchored)
    note = np.where(
        beyond,
        "last ring lies years before the core was taken: its outer rings are missing (sapwood lost"
        " or not counted)",
        "",
    )
    return InnermostRing(
        innermost_year=np.where(readable, innermost, np.nan),
        counted_rings=counted,
        reader_scale=scale,
        outer_years=np.broadcast_to(shifts, weights.shape).copy(),
        outer_weights=weights,
        visible_rings=visible,
        last_ring_year=outermost,
        latest_year=latest,
        readable=readable,
        reason=reason.astype(object),
        note=note.astype(object),
    )


def _outer_rings(table: pd.DataFrame) -> NDArray[np.object_]:
    """What is on record of the outermost ring; a least number of rings stands where one is lost."""
    lost = (table["at_least"] == "yes") & (table["outer_ring"] == "lost")
    return table["outer_ring"].where(~lost, "unknown").to_numpy(object)


def _outermost_complete_ring(
    last: NDArray[np.float64],
    outer: NDArray[np.object_],
    season: NDArray[np.float64],
    month: NDArray[np.float64],
    dead: NDArray[np.bool_],
    death_year: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Calendar year of the last complete ring, `(core,)`; NaN where nothing tells.

    A given last ring stands, less one if it was still growing. Otherwise the core's date decides:
    by September the season's ring counts as complete, before it does not, unless the reader says
    otherwise. Outer rings lost, or a dead stem without a year of death, leave no anchor. Common
    practice, no source.
    """
    autumn_or_winter = (month >= 9) | (month < 3)
    full_latewood = (outer == "complete") & (month >= 7)
    from_date = np.where(
        (autumn_or_winter | full_latewood) & (outer != "partial"), season, season - 1.0
    )
    from_date = np.where(dead, death_year, from_date)
    from_date = np.where(outer == "lost", np.nan, from_date)
    return np.where(np.isnan(last), from_date, np.where(outer == "partial", last - 1.0, last))


def _outer_ring_pmf(
    table: pd.DataFrame,
    crossdated: NDArray[np.bool_],
    by_death: NDArray[np.bool_],
    death_sd: NDArray[np.float64],
    month: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Weights `(core, k)` of whole-year shifts `(k,)`, to be added to the plug-in year."""
    unstated = (table["outer_ring"].to_numpy(object) == "unknown") & np.isnan(
        table["last_ring_year"].to_numpy(float)
    )
    unclear = unstated & ~crossdated & ~by_death & ((month >= 9) | (month < 3))
    widest = min(DEATH_YEAR_SPAN, max(1, int(np.ceil(3.0 * death_sd[by_death].max(initial=0.0)))))
    shifts = np.arange(-widest, widest + 1)
    weights = np.where(shifts == 0, 1.0, 0.0) * np.ones((len(table), 1))
    weights[unclear] = np.where(
        shifts == 0,
        1.0 - 2.0 * OUTER_UNCLEAR_WEIGHT,
        np.where(np.abs(shifts) == 1, OUTER_UNCLEAR_WEIGHT, 0.0),
    )
    weights[unclear & (month == 9)] = np.where((shifts == 0) | (shifts == -1), 0.5, 0.0)
    spread = by_death & (death_sd > 0)
    if spread.any():
        bell = np.exp(-0.5 * (shifts / death_sd[spread, None]) ** 2)
        weights[spread] = bell / bell.sum(axis=1, keepdims=True)
    return weights, shifts


def _usual_reader_scale(counted: NDArray[np.float64], profile: Profile) -> NDArray[np.float64]:
    return np.hypot(profile["rings.reader_sd_rings"], profile["rings.reader_sd_share"] * counted)


def _reader_scale(
    counted: NDArray[np.float64], count_sd: NDArray[np.float64], profile: Profile
) -> NDArray[np.float64]:
    """Scale of the Student-t of each count: the reader's own standard deviation, else the profile's
    fixed and growing parts.

    A standard deviation is taken as the scale itself: about two counts in three lie within one of
    it, in either reading of the word.
    """
    scale = np.where(np.isnan(count_sd), _usual_reader_scale(counted, profile), count_sd)
    return np.where(counted > 0, np.maximum(scale, SMALLEST_READER_SCALE), 0.0)
