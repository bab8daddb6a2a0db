"""Recruitment pulses: bursts of establishment that stand out against the years around them.

A window of 5, 10 or 20 years is a candidate where the probability that it stands out reaches the
reporting limit: that it holds half as many again as its local background, by more dated stems than
chance would bring. So years without dated stems never report, and a crop of seedlings of which none
has grown up is no recruitment yet. The best candidate becomes a pulse; a further one becomes
another pulse only where a valley lies between the two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.cutting import cutting_probability
from standage.findings.intervals import SUFFIXES, credible_points, interval_columns
from standage.findings.local_ratio import WINDOWS, Scan, held_in_windows, window_years
from standage.findings.planted import planting
from standage.findings.pulse_limit import ReportingLimit
from standage.findings.stems import (
    CORING_HEIGHT,
    dated_by_core,
    dated_years,
    unit_basis,
    unit_label,
)
from standage.stand.posterior import Posterior

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# running mean that tells bursts apart: single draws are jagged, with knots every 4 years [years]
SMOOTHING = 11
# a burst seen through smoothing crosses half its height above background at its edges, a quarter
# well outside
HULL_SHARE = 0.25
# share of the excess in the hull that may lie before the start, and after the end
OUTLYING_SHARE = 0.05
# two bursts are two where the rate between them falls below this share of the lower one
VALLEY = 0.5
FEWEST_DRAWS = 50  # from which a variance is parted; fewer would make a part out of chance
FARTHEST_EDGE = 40  # a pulse reaches no further from its peak (assumption) [years]
# share of their width by which intervals of a pulse's years, share and lags are widened on either
# side: its window is chosen once for all draws, so that draws alone hold the truth in 72 % of
# simulated pulses where they state 90 % (docs/validation.md, Claims)
WIDER = 0.5

PULSES = schema.ResultTable(
    "pulses",
    "a pulse, the oldest first",
    (
        *schema.UNIT,
        *schema.whole("pulse", "", "its number within the unit"),
        *schema.BASIS,
        *schema.probability(
            "probability",
            "that the best window of 5, 10 or 20 years [stands out](#pulses)",
        ),
        *schema.year("start", "leaving out a twentieth of its excess before", interval=True),
        *schema.year("centre", "mean of the stems above the background", interval=True),
        *schema.year("end", "leaving out a twentieth after", interval=True),
        *schema.number(
            "stems_per_ha", "stems/ha", "living plants in excess of the background", interval=True
        ),
        *schema.number("share", "share of stems", "of all, from start to end", interval=True),
        *schema.whole(
            "dated_stems",
            "stems",
            "dated by core to it, more likely than not",
        ),
        *schema.whole("plots_with_it", "plots", "with a stem of it"),
        *schema.number("largest_plot_share", "share of its stems", "in the plot that has most"),
        *schema.probability(
            "probability_planted",
            "that its trees [were planted](#pulses), unrecorded",
            blank="it can't be told",
        ),
        *schema.probability(
            "probability_cut",
            "that [cutting by size](#pulses) left it and recruitment was steady",
            blank="it can't be told",
        ),
        *schema.number(
            "spacing_ratio",
            "ratio",
            "mean distance of its stems to the nearest, over that by chance",
            blank="no positions",
        ),
        *schema.probability("spacing_by_chance", "that chance is as regular", blank="no positions"),
        *schema.whole("window_years", "years", "the best window"),
        *schema.probability(
            "prior_share",
            "that it holds 1.5 times its background, before any data",
        ),
        *schema.probability("limit", "that the score had to reach"),
        *schema.code("limit_status", "what it rests on", ("simulated", "patchy", "assumed")),
        *schema.AMOUNTS,
        *schema.number(
            "shared_part_of_centre",
            "share of a variance",
            "of the centre's, from the mean delay to"
            " breast height (least squares over"
            " draws; chance gives 2 in their number)",
            blank=f"at coring height, or under {FEWEST_DRAWS} draws",
        ),
    ),
    remark="Years and amounts are of the draws in which it is there.",
)


@dataclass(frozen=True)
class Burst:
    """One pulse as found: its best window and, for each draw, its edges as places on the axis.

    Attributes
    ----------
    width, place : length of the best window [years] and the place of its centre on the axis.
    there : (draw,) whether the window stands out in the draw.
    start, end : (draw,) first and last place of the burst.
    """

    width: int
    place: int
    there: np.ndarray
    start: np.ndarray
    end: np.ndarray


def pulse_table(findings: Findings) -> pd.DataFrame:
    """The pulses of every unit, numbered from the oldest.

    `probability` is the share of draws in which the best window stands out; years and amounts are
    those of these draws. `stems_per_ha` are the living stems in excess of the background, `share`
    the share of all stems past the emerging stage that established from start to end. `dated_stems`
    counts stems dated by core, more likely than not, to it. `plots_with_it` and
    `largest_plot_share` tell a burst of the stand from one of a single plot.
    `shared_part_of_centre` is the part of the centre's variance that goes with the delays which the
    stand's trees share. Amounts that need plots are blank without them.

    Returns
    -------
    One row a pulse; no row where none is reported.
    """
    rows = [
        _row(findings, number, burst, pulse)
        for number, bursts in enumerate(findings.bursts)
        for pulse, burst in enumerate(bursts, start=1)
    ]
    return PULSES.frame(rows)


def best_score(scan: Scan) -> float:
    """Highest score of any window that might be reported; over surveys simulated without pulses it
    makes the table of limits.
    """
    scores = [scan.score[width][scan.supported(width)] for width in WINDOWS]
    return float(np.concatenate([[0.0], *scores]).max())


def find_bursts(scan: Scan, limit: ReportingLimit) -> list[Burst]:
    """The pulses of one unit, the oldest first, from what stands out in it and the score from which
    that is reported.
    """
    smooth = running_mean(scan.settled, SMOOTHING)
    found: list[Burst] = []
    for width, place in _candidates(scan, limit):
        if all(_apart(smooth, burst, width, place) for burst in found):
            windows = [(burst.width, burst.place) for burst in found] + [(width, place)]
            found = [
                _burst(smooth, scan, *window, within)
                for window, within in zip(windows, _domains(smooth, windows), strict=True)
            ]
    return sorted(found, key=lambda burst: np.median(burst.start[burst.there]))


def _candidates(scan: Scan, limit: ReportingLimit) -> list[tuple[int, int]]:
    """Window length and centre of all windows that may be reported, best score first, then highest
    ratio.
    """
    listed = []
    for width in WINDOWS:
        score = scan.score[width]
        for place in np.flatnonzero((score >= limit.value) & scan.supported(width)):
            listed.append(
                (-score[place], -float(np.median(scan.ratio[width][:, place])), width, int(place))
            )
    return [(width, place) for _, _, width, place in sorted(listed)]


def _apart(smooth: np.ndarray, burst: Burst, width: int, place: int) -> bool:
    """Whether a window is another burst: it doesn't touch the first on its side of the valley, and
    the rate falls there in most draws.
    """
    first, last = window_years(place, width)
    domains = _domains(smooth, [(burst.width, burst.place), (width, place)])
    if domains[0] == domains[1]:  # the same peak
        return False
    low, high = domains[0]
    start, end = np.median(burst.start[burst.there]), np.median(burst.end[burst.there])
    if first <= min(end, high) and last >= max(start, low):
        return False
    other_first, other_last = window_years(burst.place, burst.width)
    draws = np.arange(len(smooth))
    peak = first + smooth[:, first : last + 1].argmax(axis=1)
    other_peak = other_first + smooth[:, other_first : other_last + 1].argmax(axis=1)
    lower = np.minimum(smooth[draws, peak], smooth[draws, other_peak])
    places = np.arange(smooth.shape[1])
    between = (places >= np.minimum(peak, other_peak)[:, None]) & (
        places <= np.maximum(peak, other_peak)[:, None]
    )
    lowest = np.where(between, smooth, np.inf).min(axis=1)
    return bool(np.mean(lowest < VALLEY * lower) > 0.5)


def _domains(smooth: np.ndarray, windows: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """First and last place each burst may reach: a valley belongs to the older side, so that no two
    bursts share a year in any draw.

    A burst's background leaves out a neighbour's years, so that between two close bursts the rate
    may never come down to it.
    """
    mean = smooth.mean(axis=0)
    peaks = [_peak(mean, width, place) for width, place in windows]
    bounds = {peak: [0, len(mean) - 1] for peak in peaks}
    for older, younger in pairwise(sorted(bounds)):
        valley = older + int(mean[older : younger + 1].argmin())
        bounds[older][1], bounds[younger][0] = valley, valley + 1
    return [(bounds[peak][0], bounds[peak][1]) for peak in peaks]


def _peak(rate: np.ndarray, width: int, place: int) -> int:
    """Place of the highest rate in a window."""
    first, last = window_years(place, width)
    return first + int(rate[first : last + 1].argmax())


def _burst(
    smooth: np.ndarray, scan: Scan, width: int, place: int, within: tuple[int, int]
) -> Burst:
    """The edges of the burst in a window; it stays within the places given.

    The hull of the burst is where the mean of all draws, smoothed, lies above a part of its height
    over the background; smoothing and averaging make it too wide. Within it each draw's start and
    end leave a twentieth of its excess on either side.
    """
    there = scan.stands_out[width][:, place]
    base = scan.background[width][:, place]
    mean, mean_base = smooth[there].mean(axis=0), base[there].mean()
    peak = min(max(_peak(mean, width, place), within[0]), within[1])
    low = mean < mean_base + HULL_SHARE * (mean[peak] - mean_base)
    places = np.arange(len(mean))
    before, after = places[low & (places < peak)], places[low & (places > peak)]
    first = max(before.max(initial=-1) + 1, peak - FARTHEST_EDGE + 1, within[0])
    last = min(after.min(initial=len(mean)) - 1, peak + FARTHEST_EDGE - 1, within[1])
    hull = (places >= first) & (places <= last)
    held = np.cumsum(np.maximum(scan.settled - base[:, None], 0) * hull, axis=1)
    total = held[:, -1:]
    some = total[:, 0] > 0
    start = np.where(some, (held <= OUTLYING_SHARE * total).sum(axis=1), peak)
    end = np.where(some, (held < (1 - OUTLYING_SHARE) * total).sum(axis=1), peak)
    return Burst(width, place, there, start, end)


def running_mean(rate: np.ndarray, width: int) -> np.ndarray:
    """Mean of the years round each year, of those on the axis; width: an odd number of years.
    (draw, year)
    """
    return held_in_windows(rate, width) / held_in_windows(np.ones((1, rate.shape[1])), width)


def _row(findings: Findings, number: int, burst: Burst, pulse: int) -> dict[str, Any]:
    posterior, level = findings.posterior, findings.level
    scan, limit = findings.scans[number], findings.limits[number]
    unit = posterior.units[number]
    years, there = scan.years, burst.there
    planted = planting(findings, number, burst)
    inside = (np.arange(len(years)) >= burst.start[:, None]) & (
        np.arange(len(years)) <= burst.end[:, None]
    )
    living = posterior.unit(number).living_rate[scan.kept]
    background = scan.background[burst.width][:, burst.place][:, None] * scan.shape
    excess = np.maximum(living - background, 0) * inside
    centre = excess @ years / np.where(excess.sum(axis=1) > 0, excess.sum(axis=1), np.nan)
    stems = posterior.unit(number).stems_past_emerging[scan.kept]
    share = (stems * inside).sum(axis=1) / np.maximum(stems.sum(axis=1), np.finfo(float).tiny)
    start, end = years[burst.start].astype(float), years[burst.end].astype(float)
    excess_columns = interval_columns("stems_per_ha", excess.sum(axis=1)[there], level)
    row = {
        **unit_label(unit),
        "pulse": pulse,
        "probability": scan.score[burst.width][burst.place],
        **wider_columns("start", start[there], level, whole=True),
        **wider_columns("centre", centre[there], level, whole=True),
        **wider_columns("end", end[there], level, whole=True),
        **(excess_columns if unit.has_plots else {}),
        **wider_columns("share", np.clip(share[there], 0, 1), level, most=1.0),
        **_stems_behind(posterior, number, scan.kept, start, end, there),
        "probability_planted": planted.probability,
        "probability_cut": cutting_probability(
            findings, number, float(np.median(start[there])), float(np.median(end[there]))
        ),
        "spacing_ratio": planted.spacing_ratio,
        "spacing_by_chance": planted.spacing_by_chance,
        "window_years": burst.width,
        "prior_share": scan.prior_share[burst.width][burst.place],
        "limit": limit.value,
        "limit_status": limit.status,
        "shared_part_of_centre": (
            np.nan
            if unit.basis == CORING_HEIGHT
            else _part_of_delays(centre, posterior.unit(number).delays, scan.kept, there)
        ),
    }
    return row | unit_basis(unit)


def wider_columns(
    name: str, draws: np.ndarray, level: float, *, whole: bool = False, most: float = np.inf
) -> dict[str, float]:
    """Columns of an interval of a pulse, `WIDER` than that of its draws; an amount stays between 0
    and `most`.
    """
    low, median, high = credible_points(draws, level)
    margin = WIDER * (high - low)
    points = np.clip([low - margin, median, high + margin], 0 if np.isfinite(most) else None, most)
    rounded = np.rint(points) if whole else points
    return {name + suffix: float(point) for suffix, point in zip(SUFFIXES, rounded, strict=True)}


def _part_of_delays(
    centre: np.ndarray, delays: Mapping[str, np.ndarray], kept: np.ndarray, there: np.ndarray
) -> float:
    """Part of the variance of a pulse's centre that goes with the stand's delays, by least squares
    over draws; NaN where it doesn't vary.

    centre : (kept draw,) [calendar year]. delays : pmfs `(draw, years)` by name, those of the grass
        stage and of the height growth to breast height, the years below the cores. What else the
        trees share (counting bias, early growth near the pith) is not in it.
    """
    used = there & np.isfinite(centre)
    if used.sum() < FEWEST_DRAWS or np.ptp(centre[used]) == 0:
        return np.nan
    means = [
        delays[name][kept][used] @ np.arange(delays[name].shape[1])
        for name in ("grass", "height")
        if name in delays
    ]
    known = np.column_stack([np.ones(used.sum()), *means])
    left = centre[used] - known @ np.linalg.lstsq(known, centre[used], rcond=None)[0]
    return float(1 - left.var() / centre[used].var())


def _stems_behind(
    posterior: Posterior,
    number: int,
    kept: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    there: np.ndarray,
) -> dict[str, float]:
    """Cored stems in the pulse, and how it spreads over the plots (listed stems at their drawn
    years).
    """
    trees, years = dated_years(posterior, number)
    years = years[kept]
    inside = (years >= start[:, None]) & (years <= end[:, None])
    in_typical = (years >= np.median(start[there])) & (years <= np.median(end[there]))
    by_core = dated_by_core(posterior, trees)
    result: dict[str, float] = {"dated_stems": int((in_typical.mean(axis=0) > 0.5)[by_core].sum())}
    plots = trees["plot"].to_numpy()
    names = np.unique(plots[plots != ""])
    if not posterior.units[number].has_plots or not len(names):
        return result
    member = (plots[:, None] == names).astype(float)
    by_plot = (inside @ member)[there]
    stems = by_plot.sum(axis=1)
    largest = by_plot.max(axis=1)[stems > 0] / stems[stems > 0]
    return result | {
        "plots_with_it": float(np.floor(np.median((by_plot > 0).sum(axis=1)))),
        "largest_plot_share": float(np.median(largest)) if largest.size else np.nan,
    }
