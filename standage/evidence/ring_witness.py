"""Ring widths as a witness of a count: how much better the rings of a core would agree with those
of crossdated trees of its stand, were its innermost ring some years older or younger than read.

Along a core, from its last ring inwards, the reading may go wrong anywhere: a ring absent or false,
a decade skipped, another core's label. The agreement is therefore summed over all such paths
(a hidden Markov chain, Rabiner 1989), as a factor on each number of years by which the innermost
ring is older than read, which multiplies what the count says.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from standage.evidence.arrays import Floats
from standage.evidence.gross_errors import (
    GROSS_SHARE,
    LEAST_SHIFT,
    LONGEST_SHIFT,
    parts,
    with_eye_errors,
    with_label_errors,
)
from standage.evidence.ring_count import shift_pmf

SHIFTS = np.arange(-LONGEST_SHIFT, LONGEST_SHIFT + 1)
"""Years by which the innermost ring is older than read."""
MEMORY_YEARS = 3
"""The step from ring to ring is foretold from so many before it, and what is left is compared: slow
growth in common then counts for nothing (Box & Jenkins 1970, from memory; the number is assumed).
"""
FEWEST_RINGS = 30
"""Shorter series are not compared (assumption)."""
FEWEST_TREES = 4
"""Other trees that must have a ring of a year for it to be compared: with fewer, nobody can tell
which of two is misread (assumption)."""
LARGEST_AGREEMENT = 0.95
"""Correlation of two trees above which none is believed (assumption)."""
AGREEMENT_SHARES = ((0.0, 0.1), (0.5, 0.3), (1.0, 0.6))
"""A core agrees with the others as they do among themselves, half as well, or not at all, and how
probably (assumption). Its own rings then tell which; one that agrees nowhere stays as it was read.
"""
RINGS_A_STEP = 5
"""Gross errors are taken to happen between every fifth ring and the next: to the ring is more than
anyone asks, and five times the work."""
OUTER_YEAR_OFF = 0.05
"""Probability, either way, that the reading begins a year off at its last ring (assumption)."""
CHANCE_SDS = 3.0
"""Standard deviations of the mean correlation of strangers that agreement must exceed (assumption).
"""
SMALLEST_RATE = 0.002
"""Least probability of a ring absent, and of a false one, at each ring (assumption). Else as the
usual error of the count has it: the variance of that many steps is that of the count."""
LARGEST_RATE = 0.25
LARGEST_LOG_FACTOR = 600.0
LEAST_FACTOR = 1e-9
"""Of the largest: ring widths never rule a year out (assumption)."""
CORES_AT_ONCE = 100
"""Of one stand: their paths take 8 MB."""
WORTH_A_NOTE = 0.5
"""Probability from which a core that fits other years better is named (assumption)."""
SMALL_SHIFT = 2
"""Years by which the widths move the middle of a count from where it is named (assumption)."""


def ring_scores(widths: Floats) -> Floats:
    """What is new in each ring of a series: residuals of an autoregression of the steps of log
    widths, by ranks as normal scores. `(year,)`, NaN for the first rings and outside the series.
    """
    scores = np.full(widths.shape, np.nan)
    there = np.flatnonzero(np.isfinite(widths))
    if there.size < FEWEST_RINGS or not (widths[there] > 0).any():
        return scores
    own = widths[there[0] : there[-1] + 1]
    smallest = own[own > 0].min() / 2.0  # an absent ring is narrower than any seen
    steps = np.diff(np.log(np.maximum(own, smallest)))
    windows = np.lib.stride_tricks.sliding_window_view(steps, MEMORY_YEARS + 1)
    full = np.isfinite(windows).all(axis=1)
    if full.sum() < FEWEST_RINGS - MEMORY_YEARS - 1:
        return scores
    known = np.column_stack([np.ones(full.sum()), windows[full, :-1]])
    weights = np.linalg.lstsq(known, windows[full, -1], rcond=None)[0]
    left = windows[full, -1] - known @ weights
    place = there[0] + 1 + MEMORY_YEARS + np.flatnonzero(full)
    scores[place] = ndtri((pd.Series(left).rank().to_numpy() - 0.5) / left.size)
    return scores


def factors_by_widths(
    scores: Floats,
    tree: NDArray[np.int64],
    last: NDArray[np.int64],
    rings: NDArray[np.int64],
    rate: Floats,
    witness: NDArray[np.bool_],
) -> Floats:
    """Factor on each of `SHIFTS` by the ring widths, `(core, shift)`: 1 is what chance would give.

    scores : `(core, year)` as of `ring_scores`, at the years as read. tree : number of the tree of
    each core, from 0. last : place in `year` of the last ring read; rings : from it to the
    innermost one read, both included. rate : probability that a ring is absent, and that one is
    false, at each ring. witness : cores that the others are held against, `(core,)`, at the years
    at which they were read.

    Cores of one tree share what is odd about it: their factors are drawn in, so that together they
    count as one.
    """
    number = int(tree.max(initial=-1)) + 1
    by_tree = _of_trees(np.where(witness[:, None], scores, np.nan), tree, number)
    others, likeness = _others(by_tree)
    compared = np.isfinite(scores).any(axis=1) & np.isfinite(others[tree]).any(axis=1)
    factors = np.ones((len(scores), SHIFTS.size))
    used = np.flatnonzero(compared)
    used = used[np.argsort(rings[used], kind="stable")]
    for first in range(0, len(used), CORES_AT_ONCE):
        rows = used[first : first + CORES_AT_ONCE]
        factors[rows] = _along(
            scores[rows],
            others[tree[rows]],
            likeness[tree[rows]],
            last[rows],
            rings[rows],
            rate[rows],
        )
    cores = np.bincount(tree[used], minlength=number)[tree[used]]
    factors[used] **= 1.0 / cores[:, None]
    return factors


def _of_trees(scores: Floats, tree: NDArray[np.int64], number: int) -> Floats:
    """Score of each tree, the mean of its cores' brought to a variance of 1, `(tree, year)`; NaN
    where none has one.
    """
    there = np.isfinite(scores)
    total, count = np.zeros((number, scores.shape[1])), np.zeros((number, scores.shape[1]))
    np.add.at(total, tree, np.where(there, scores, 0.0))
    np.add.at(count, tree, there)
    mean = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)
    squares = np.where(count > 0, mean, 0.0) ** 2
    variance = squares.sum(axis=1) / np.maximum((count > 0).sum(axis=1), 1)
    return mean / np.sqrt(np.where(variance > 0, variance, 1.0))[:, None]


def _others(by_tree: Floats) -> tuple[Floats, Floats]:
    """Mean of the other trees in each year, as a normal score, and the correlation that a tree
    like them has with it, `(tree, year)` each; NaN and 0 where there are too few, or where they
    agree no better than chance.
    """
    there = np.isfinite(by_tree)
    filled = np.where(there, by_tree, 0.0)
    total = filled.sum(axis=0) - filled
    squares = (filled**2).sum(axis=0) - filled**2
    count = there.sum(axis=0) - there
    # mean product of two of the others, over years and pairs
    products = (total**2 - squares).sum(axis=1)
    pairs = (count * (count - 1)).sum(axis=1)
    agreement = np.divide(products, pairs, out=np.zeros(len(by_tree)), where=pairs > 0)
    agreement[agreement < CHANCE_SDS / np.sqrt(np.maximum(pairs / 2.0, 1.0))] = 0.0
    agreement = np.minimum(agreement, LARGEST_AGREEMENT)[:, None]
    enough = (count >= FEWEST_TREES) & (agreement > 0)
    number = np.where(enough, count, 1)
    spread = np.sqrt((1.0 + (number - 1) * agreement) / number)
    return np.where(enough, total / number / spread, np.nan), np.where(
        enough, agreement / spread, 0.0
    )


def _along(
    own: Floats,
    others: Floats,
    likeness: Floats,
    last: NDArray[np.int64],
    rings: NDArray[np.int64],
    rate: Floats,
) -> Floats:
    """Factors of some cores, `(core, shift)`: agreement summed over the paths that end at each
    shift, over what those paths weigh by themselves. own, others, likeness: `(core, year)`; the
    cores by ascending number of rings.
    """
    shares = np.array([share for share, _ in AGREEMENT_SHARES])
    chances = np.array([chance for _, chance in AGREEMENT_SHARES])
    start = np.where(SHIFTS == 0, 1.0 - 2.0 * OUTER_YEAR_OFF, 0.0)
    start[np.abs(SHIFTS) == 1] = OUTER_YEAR_OFF
    start = (1.0 - GROSS_SHARE) * start + GROSS_SHARE / SHIFTS.size
    paths = np.tile(start, (len(own), len(shares) + 1, 1))  # the last row: without the widths
    scale = np.zeros((len(own), len(shares)))
    gross = (GROSS_SHARE * RINGS_A_STEP / np.maximum(rings, RINGS_A_STEP))[:, None]
    single = rate[:, None, None]
    factors = np.ones((len(own), SHIFTS.size))
    first = 0  # cores before it, the shorter ones, have ended
    for ring in range(int(rings[-1])):
        if ring:
            paths = (1.0 - 2.0 * single[first:]) * paths + single[first:] * (
                _moved(paths, 1) + _moved(paths, -1)
            )
            if ring % RINGS_A_STEP == 0:
                paths = with_eye_errors(paths, gross[first:])
        year = (last[first:] - ring)[:, None]
        score = _taken(own[first:], year)
        other = _taken(others[first:], year - SHIFTS)
        alike = np.where(np.isfinite(score + other), _taken(likeness[first:], year - SHIFTS), 0.0)
        paths[:, :-1] *= _agrees(
            np.nan_to_num(score)[:, None],
            np.nan_to_num(other)[:, None],
            shares[:, None] * alike[:, None],
        )
        total = paths[:, :-1].sum(axis=2)
        paths[:, :-1] /= total[..., None]
        scale[first:] += np.log(total)
        ended = int((rings[first:] == ring + 1).sum())
        if ended:
            with np.errstate(divide="ignore"):
                logs = np.log(paths[:ended, :-1]) - np.log(paths[:ended, -1:])
            logs += scale[first : first + ended, :, None]
            found = np.exp(np.clip(logs, -LARGEST_LOG_FACTOR, LARGEST_LOG_FACTOR))
            factors[first : first + ended] = np.einsum("w,cws->cs", chances, found)
            first, paths = first + ended, paths[ended:]
    return factors


def _taken(values: Floats, place: NDArray[np.int64]) -> Floats:
    """`values` `(core, year)` at some places of each row, `(core, k)`; NaN beyond the ends."""
    inside = np.clip(place, 0, values.shape[1] - 1)
    return np.where(inside == place, np.take_along_axis(values, inside, axis=1), np.nan)


def _moved(paths: Floats, by: int) -> Floats:
    """Paths one shift on; those that leave the axis stay at its end."""
    moved = np.roll(paths, by, axis=-1)
    edge, kept = (0, -1) if by > 0 else (-1, 0)
    moved[..., edge] = 0.0
    moved[..., kept] += paths[..., kept]
    return moved


def _agrees(own: Floats, other: Floats, correlation: Floats) -> Floats:
    """Density of two normal scores of such a correlation over that of two strangers."""
    left = 1.0 - correlation**2
    inside = correlation * (2.0 * own * other - correlation * (own**2 + other**2)) / (2.0 * left)
    return np.exp(inside) / np.sqrt(left)


def witness_of_stands(
    ring_widths: pd.DataFrame,
    cores: pd.DataFrame,
    last_year: Floats,
    innermost_year: Floats,
    scale: Floats,
) -> Floats:
    """Factors by ring widths of all `cores` (`core`, `tree`, `stand`; of one species), `(core,
    shift)`, each over the largest of its core and not under `LEAST_FACTOR`; `(core, 0)` where no
    core has ring widths.

    last_year, innermost_year : of the core as read, NaN if unknown. scale : of the usual error of
    the count, 0 for none. [rings]

    A core is held against the crossdated ones of its stand alone: counted ones may have missed the
    same rings, and agree in a year that is wrong.
    """
    measured = ring_widths[ring_widths["core"].isin(cores["core"])]
    if measured.empty:
        return np.ones((len(cores), 0))
    factors = np.ones((len(cores), SHIFTS.size))
    row = pd.Series(np.arange(len(cores)), index=cores["core"].to_numpy(object))
    of = row.loc[measured["core"]].to_numpy()
    year, width = measured["year"].to_numpy(int), measured["width_mm"].to_numpy(float)
    inside = (year >= innermost_year[of]) & (year <= last_year[of])
    dated = np.isfinite(last_year) & np.isfinite(innermost_year)
    dated[np.unique(of[~inside])] = False  # rings of other years than the core's: no witness
    for members in cores.groupby("stand", sort=False).indices.values():
        members = members[dated[members]]
        here = np.isin(of, members)
        if not here.any():
            continue
        start = int(year[here].min())
        widths = np.full((len(members), int(year[here].max()) - start + 1), np.nan)
        widths[np.searchsorted(members, of[here]), year[here] - start] = width[here]
        scores = np.stack([ring_scores(each) for each in widths])
        rings = (last_year - innermost_year)[members].astype(int) + 1
        factors[members] = factors_by_widths(
            scores,
            np.unique(cores["tree"].to_numpy(str)[members], return_inverse=True)[1],
            (last_year[members] - start).astype(int),
            rings,
            np.clip(scale[members] ** 2 / (2.0 * rings), SMALLEST_RATE, LARGEST_RATE),
            witness=scale[members] == 0,
        )
    largest = factors.max(axis=1, keepdims=True)
    return np.maximum(factors / np.maximum(largest, 1.0), LEAST_FACTOR)


def at_years_before(factors: Floats, first: int, number: int) -> Floats:
    """Factors `(..., shift)` for the innermost ring `first` years before the year read, and so on,
    `(..., number)`; as unlikely as the unlikeliest beyond the ends.
    """
    place = np.arange(first, first + number) + LONGEST_SHIFT
    inside = np.clip(place, 0, SHIFTS.size - 1)
    return np.where(inside == place, factors[..., inside], factors.min(axis=-1, keepdims=True))


def notes(
    factors: Floats,
    location: Floats,
    scale: Floats,
    moved: NDArray[np.bool_],
    note: NDArray[np.object_],
) -> NDArray[np.object_]:
    """`note` of each core, `(core,)`, with what widths say against its innermost ring added.

    factors : as of `witness_of_stands`. location, scale : of the usual error of the count. [rings]
    moved : whether the widths bear on the date of the core; of others, marked crossdated or a least
    number, only `LEAST_SHIFT` years off or more are named.
    """
    label, eye = parts(GROSS_SHARE)
    note = note.copy()
    for core in np.flatnonzero((factors < 1.0).any(axis=1)):
        count = shift_pmf(location[core], scale[core], SHIFTS)
        count = with_label_errors(with_eye_errors(count, eye), SHIFTS, label)
        pmf = count * factors[core] / (count * factors[core]).sum()
        off = np.where(np.abs(SHIFTS) >= LEAST_SHIFT, pmf, 0.0)
        far = off.sum() >= WORTH_A_NOTE
        middle = int(SHIFTS[np.searchsorted(np.cumsum(pmf), 0.5)])
        years = int(SHIFTS[off.argmax()]) if far else middle
        if not far and (not moved[core] or abs(middle - round(location[core])) < SMALL_SHIFT):
            continue
        words = (
            f"by the ring widths of crossdated trees its innermost ring is {abs(years)} years"
            f" {'older' if years > 0 else 'younger'} than read"
        )
        words += f" ({off.sum():.0%}): read it again" if far else ""
        words += "" if moved[core] else "; the date is kept as read"
        note[core] = f"{note[core]}; {words}".lstrip("; ")
    return note
