"""How a window of years stands out against the years around it, for each draw and each year.

A pulse is defined locally. A median over the whole history is near zero in a stand that recruited
in bursts, so that every year with a tree would stand out against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standage.compiled import compiled
from standage.findings.stems import CORING_HEIGHT, dated_by_core, dated_years, stage_count_area
from standage.stand.posterior import Posterior

WINDOWS = (5, 10, 20)  # lengths of the windows looked at [years]
# the years right beside a window are its shoulders, not its background [years]
NEAREST_BACKGROUND = 5
FARTHEST_BACKGROUND = 25  # further away, another pulse is as likely as quiet years [years]
# share of the background years used, the lowest: a second pulse nearby must not hide the first
LOWEST_SHARE = 0.6
# years of background after a window without which it may be the beginning of a rise as well as a
# pulse (assumption)
FEWEST_YOUNGER = 5
# ratio to the background from which a window stands out: dates that are years off wash a burst of
# thrice as many to less
STANDS_OUT = 1.5
# and by so many standard errors its dated stems exceed what the background would give: a few trees
# are chance
NEEDED_EXCESS = 2.0
# one stem of the sample in so many years is the amount below which nothing can be told [years]
YEARS_A_STEM = 20.0
# from this age the steady shape of a stand without bursts is flat enough to need no correction
# [years]
SETTLED_AGE = 40
# share past the emerging stage below which a year's plants are a seedling crop, not yet recruits
# (assumption)
LEAST_GROWN = 0.1
# more say nothing that can be told from chance: a score of 0.95 is known within 0.007 [draws]
MOST_DRAWS = 1000
MOST_PRIOR_DRAWS = 300  # enough to know a chance within 0.03 [draws]


@dataclass(frozen=True)
class Scan:
    """What stands out in one unit, year by year. Arrays end at the survey season.

    Attributes
    ----------
    years : (year,) calendar years, each the centre of its windows.
    kept : (draw,) which of the posterior's draws were looked at; "draw" below counts these.
    shape : (year,) how much denser than at a settled age the living are without any burst; 1 for
        older years.
    settled : (draw, year) living over shape, the rate that is scanned.
    ratio, background : by window length, (draw, year); ratio to, and level of, the local
        background, the latter over shape as `settled`. NaN where the window leaves the axis or too
        few years follow it.
    stands_out : by window length, (draw, year) bool; whether the ratio and the excess of dated
        stems both reach what is needed.
    score : by window length, (year,); share of draws in which the window stands out.
    prior_share : by window length, (year,); share of prior draws whose ratio reaches what is
        needed. A prior has no dated stems.
    prior_draws : number of prior draws behind `prior_share`.
    last_telling : place of the last year whose plants have begun to grow past the emerging stage.
        What germinated later is a seedling crop of which nobody knows whether it will be recruits;
        no window that reaches beyond is reported.
    """

    years: np.ndarray
    kept: np.ndarray
    shape: np.ndarray
    settled: np.ndarray
    ratio: dict[int, np.ndarray]
    background: dict[int, np.ndarray]
    stands_out: dict[int, np.ndarray]
    score: dict[int, np.ndarray]
    prior_share: dict[int, np.ndarray]
    prior_draws: int
    last_telling: int

    def supported(self, width: int) -> np.ndarray:
        """Whether the data speak: odds raised over the prior, by a window that ends among grown
        plants. (year,) bool
        """
        last = np.arange(len(self.years)) - width // 2 + width - 1
        return (self.odds_against_prior(width) > 1) & (last <= self.last_telling)

    def odds_against_prior(self, width: int) -> np.ndarray:
        """Posterior odds that a window stands out, over the prior odds of its ratio. (year,)"""
        return _odds(self.score[width], len(self.settled)) / _odds(
            self.prior_share[width], self.prior_draws
        )


def _odds(share: np.ndarray, draws: int) -> np.ndarray:
    """Odds of a share of draws; half a draw is added to each side so that none and all stay
    finite.
    """
    return (share * draws + 0.5) / ((1 - share) * draws + 0.5)


def window_years(centre: int, width: int) -> tuple[int, int]:
    """First and last place of the window round a place on the axis."""
    first = centre - width // 2
    return first, first + width - 1


def scan_unit(posterior: Posterior, number: int) -> Scan:
    """Ratios to the local background of one unit and how often they stand out, posterior and
    prior.
    """
    one = posterior.unit(number)
    years, living = one.own_years, one.living_rate
    kept = np.arange(0, len(living), -(-len(living) // MOST_DRAWS))
    prior = np.asarray(one.prior_living, dtype=float)[:MOST_PRIOR_DRAWS, : len(years)]
    shape = steady_shape(prior)
    settled = living[kept] / shape
    smallest = smallest_telling_rate(posterior, number) / shape
    grown = one.share_past_emerging.mean(axis=0) >= LEAST_GROWN
    last_telling = int(np.flatnonzero(grown)[-1]) if grown.any() else -1
    dated = dated_stems(posterior, number, years)[kept]
    ratio, background, stands_out, score, prior_share = {}, {}, {}, {}, {}
    for width in WINDOWS:
        inside, around = inside_and_background(settled, width)
        ratio[width] = (inside + smallest) / (around + smallest)
        background[width] = around
        excess = excess_in_errors(held_in_windows(dated, width), ratio[width])
        stands_out[width] = (ratio[width] >= STANDS_OUT) & (excess >= NEEDED_EXCESS)
        score[width] = stands_out[width].mean(axis=0)
        inside, around = inside_and_background(prior / shape, width)
        prior_share[width] = np.mean(
            (inside + smallest) / (around + smallest) >= STANDS_OUT, axis=0
        )
    return Scan(
        years,
        kept,
        shape,
        settled,
        ratio,
        background,
        stands_out,
        score,
        prior_share,
        len(prior),
        last_telling,
    )


def dated_stems(posterior: Posterior, number: int, years: np.ndarray) -> np.ndarray:
    """Stems dated by their core, by their year in each draw. (draw, year)"""
    trees, drawn = dated_years(posterior, number)
    place = drawn[:, dated_by_core(posterior, trees)] - years[0]
    draw, stem = np.nonzero((place >= 0) & (place < len(years)))
    held = np.zeros((len(drawn), len(years)))
    np.add.at(held, (draw, place[draw, stem].astype(int)), 1.0)
    return held


def held_in_windows(stems: np.ndarray, width: int) -> np.ndarray:
    """Sum of the yearly stems in the window round each year; of a window that leaves the axis,
    those on it. (draw, year)
    """
    upto = np.concatenate([np.zeros((len(stems), 1)), np.cumsum(stems, axis=1)], axis=1)
    first = np.arange(stems.shape[1]) - width // 2
    return (
        upto[:, np.clip(first + width, 0, stems.shape[1])]
        - upto[:, np.clip(first, 0, stems.shape[1])]
    )


def excess_in_errors(held: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    """By how many standard errors a count exceeds the count that the background would give, `held /
    ratio`; shape of both.

    Counts are compared by 2 sqrt(count + 3/8), whose variance is nearly 1 whatever the mean
    (Anscombe 1948, Biometrika 35:246-254).
    """
    return 2.0 * (np.sqrt(held + 0.375) - np.sqrt(held / ratio + 0.375))


def steady_shape(prior: np.ndarray) -> np.ndarray:
    """How much denser than at a settled age the living of each year are where recruitment never
    changed. (year,) at least 1

    Seedlings are always many and die fast, so that the years before any survey hold more living
    plants than older ones. That is no pulse. The shape is the prior's geometric mean by age
    relative to `SETTLED_AGE`, and 1 beyond it.
    """
    settled = max(prior.shape[1] - 1 - SETTLED_AGE, 0)
    with np.errstate(divide="ignore"):
        logs = np.log(np.maximum(prior, np.finfo(float).tiny))
    shape = np.exp(np.mean(logs - logs[:, settled][:, None], axis=0))
    shape[:settled] = 1.0
    return np.maximum(shape, 1.0)


def smallest_telling_rate(posterior: Posterior, number: int) -> np.ndarray:
    """One stem of the sample in `YEARS_A_STEM` years, carried through detection. (year,)
    [stems/ha/year or sampled stems/year]

    With plots a plant is seen in the plots' whole area once it is past the emerging stage, before
    that only in the area searched for seedlings.
    """
    one, unit = posterior.unit(number), posterior.units[number]
    if not unit.has_plots:
        return np.full(len(one.own_years), 1 / YEARS_A_STEM)
    grown = one.share_past_emerging.mean(axis=0)
    searched = 0.0 if unit.basis == CORING_HEIGHT else stage_count_area(posterior.survey, unit)
    # a tenth of a per cent keeps a year in which nothing can be seen finite; its ratio is then 1
    # whatever the rate
    seen = unit.area_ha * np.maximum(grown, 1e-3) + searched * (1 - grown)
    return 1 / (YEARS_A_STEM * seen)


def inside_and_background(rate: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean rate inside the window round each year, and its background: of the years before and
    those after it the side that is higher.

    A rise, or a trend, has more on one side than on the other; a pulse stands out from both. Of
    each side the mean of the lowest years is taken. Nothing may lie before the window, but the
    years after it have to be known.

    Parameters
    ----------
    rate : (draw, year) rates.
    width : length of the window. [years]

    Returns
    -------
    inside, background : (draw, year), NaN where the window leaves the axis or fewer than
        `FEWEST_YOUNGER` background years follow it.
    """
    inside = np.full(rate.shape, np.nan)
    background = np.full(rate.shape, np.nan)
    _slide(
        np.ascontiguousarray(rate),
        width,
        NEAREST_BACKGROUND,
        FARTHEST_BACKGROUND,
        LOWEST_SHARE,
        FEWEST_YOUNGER,
        inside,
        background,
    )
    return inside, background


@compiled
def _slide(
    rate: np.ndarray,
    width: int,
    nearest: int,
    farthest: int,
    lowest_share: float,
    fewest_younger: int,
    inside: np.ndarray,
    background: np.ndarray,
) -> None:
    """Fills `inside` and `background`; the years of each side are kept sorted while the window
    moves by one year.
    """
    draws, years = rate.shape
    before = np.empty(farthest - nearest + 3)
    after = np.empty(farthest - nearest + 3)
    for draw in range(draws):
        row = rate[draw]
        older, younger = 0, 0
        # start one step before the first centre, so that every centre is reached by one move
        last = -(width // 2) + width - 2
        for year in range(max(last + nearest, 0), min(last + farthest, years - 1) + 1):
            younger = _move(after, younger, np.nan, row[year])
        for centre in range(years):
            first = centre - width // 2
            last = first + width - 1
            leaves, joins = first - 1 - farthest, first - nearest
            older = _move(
                before,
                older,
                row[leaves] if leaves >= 0 else np.nan,
                row[joins] if 0 <= joins < years else np.nan,
            )
            leaves, joins = last - 1 + nearest, last + farthest
            younger = _move(
                after,
                younger,
                row[leaves] if leaves < years else np.nan,
                row[joins] if joins < years else np.nan,
            )
            if first < 0 or last >= years or younger < fewest_younger:
                continue
            inside[draw, centre] = _mean(row[first : last + 1])
            background[draw, centre] = _lowest(after[:younger], lowest_share)
            if older > 0:
                background[draw, centre] = max(
                    background[draw, centre], _lowest(before[:older], lowest_share)
                )


@compiled
def _lowest(ordered: np.ndarray, share: float) -> float:
    """Mean of the lowest share of sorted values, of one at least."""
    return _mean(ordered[: max(1, int(np.floor(share * len(ordered) + 0.5)))])


@compiled
def _mean(values: np.ndarray) -> float:
    total = 0.0
    for value in values:
        total += value
    return total / len(values)


@compiled
def _move(kept: np.ndarray, size: int, leaves: float, joins: float) -> int:
    """Takes one value out of the sorted list and puts one in, shifting only what lies between; NaN
    stands for none.
    """
    if np.isnan(leaves):
        if np.isnan(joins):
            return size
        index = size
        size += 1
    else:
        index = int(np.searchsorted(kept[:size], leaves))
        if np.isnan(joins):
            for move in range(index, size - 1):
                kept[move] = kept[move + 1]
            return size - 1
    while index > 0 and kept[index - 1] > joins:
        kept[index] = kept[index - 1]
        index -= 1
    while index < size - 1 and kept[index + 1] < joins:
        kept[index] = kept[index + 1]
        index += 1
    kept[index] = joins
    return size
