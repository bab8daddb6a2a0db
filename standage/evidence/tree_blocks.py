"""Arithmetic of dating many trees: blocks of trees with equally many cores, on an axis of lags.

A lag is a number of years before the plug-in year of a tree's lowest core, so that trees of all
ages share one short axis.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from standage.evidence import gross_errors, height, ring_count, ring_witness
from standage.evidence.agreement import (
    REACH_SCALES,
    growth_between,
    last_years_in_common,
    longest_missed,
    without_tail,
)
from standage.evidence.arrays import Floats, Integers
from standage.evidence.centre import missing_rings_pmf
from standage.evidence.core import OWN_LOG_SD_FLOOR, CoreReadings
from standage.profiles import Profile

NUMBERS_IN_A_BLOCK = 1_000_000
TREE_NODES = np.linspace(-3.0, 3.0, 7)
"""Grid of the early-growth factor that the cores of one tree share; the cores' own log-sd is kept
at half its spacing or more.
"""
BELOW_EMERGENCE = 0.0
"""Stands in for the height of a core below emergence height: all such cores are alike."""
_COUNTING = height.normal_nodes(3)
_COUNTING_ALONE = height.normal_nodes(5)


def _node_height(readings: CoreReadings) -> Floats:
    return np.where(readings.below_emergence, BELOW_EMERGENCE, readings.height_cm)


def tree_blocks(readings: CoreReadings, place: Integers, profile: Profile) -> Iterator[Integers]:
    """Positions of readable cores as arrays `(tree, core)`, cores by descending height, of one
    height by the year of their innermost ring: the last is the lowest, and goes back furthest.

    Trees of a block have equally many cores, and much the same range of rings missed. Cores
    without a height are used only where the tree has no other.
    """
    rows = np.flatnonzero(readings.readable)
    blank = np.isnan(readings.height_cm[rows])
    has_height = np.zeros(place.max() + 1, bool)
    has_height[place[rows[~blank]]] = True
    rows = rows[~blank | ~has_height[place[rows]]]
    rows = rows[
        np.lexsort(
            (
                -readings.innermost_year[rows],
                -np.nan_to_num(_node_height(readings)[rows]),
                place[rows],
            )
        )
    ]
    _, start, count = np.unique(place[rows], return_index=True, return_counts=True)
    longest = np.zeros(len(readings), int)
    longest[rows] = longest_missed(readings, rows, profile)
    for cores in np.unique(count):
        chosen = rows[start[count == cores][:, None] + np.arange(cores)]
        length = longest[chosen].max(axis=1)
        # years that gross errors reach, on either side
        length += 2 * gross_errors.LONGEST_SHIFT * (readings.gross_share[chosen] > 0).any(axis=1)
        counted = (readings.reader_scale[chosen] > 0).any(axis=1)
        order = np.lexsort((length, counted))
        chosen, length = chosen[order], length[order]
        nodes = 1 if cores == 1 else TREE_NODES.size * _COUNTING[0].size
        first = 0
        while first < len(chosen):
            size = max(1, int(NUMBERS_IN_A_BLOCK / (nodes * (length[first] + 100))))
            last = first + size
            yield chosen[first:last]
            first = last


def _ring_pmf(
    readings: CoreReadings,
    rows: Integers,
    profile: Profile,
    counting: Floats,
    *,
    doubted: bool = True,
) -> tuple[int, Floats]:
    """Years before the plug-in year of the innermost ring: the first of them, and probabilities
    `(core, counting factor, years before)`. doubted: whether a reading may be grossly off.
    """
    bias_mean, bias_sd = ring_count.counting_bias(profile)
    counted, scale = readings.counted_rings[rows], readings.reader_scale[rows]
    location = counted[:, None] * (bias_mean + bias_sd * counting)
    used = np.flatnonzero((readings.outer_weights[rows] > 0).any(axis=0))
    outer, weights = readings.outer_years[rows[0]], readings.outer_weights[rows]
    further = readings.further_shifts[rows]
    apart = np.nanmax(np.abs(further)) if np.isfinite(further).any() else 0.0
    reach = int(np.ceil(np.abs(location).max() + REACH_SCALES * scale.max() + apart))
    share = readings.gross_share[rows] * doubted
    label, eye_share = gross_errors.parts(share)
    doubts = bool((share > 0).any())
    reach += gross_errors.LONGEST_SHIFT * doubts
    shifts = np.arange(-reach, reach + 1)
    pmf = ring_count.shift_pmf(location, scale[:, None] * np.ones(counting.size), shifts)
    if doubts:
        pmf = gross_errors.with_eye_errors(pmf, eye_share[:, None])
    for core in np.flatnonzero(np.isfinite(further).any(axis=1)):
        own = further[core][np.isfinite(further[core])]
        wood, eye = (
            float(scale[core]) * np.sqrt(share)
            for share in (ring_count.WOOD_SHARE, 1.0 - ring_count.WOOD_SHARE)
        )
        pmf[core] = ring_count.readings_shift_pmf(
            location[core], wood, eye, own, shifts, float(eye_share[core])
        )
    if doubts:
        pmf = gross_errors.with_label_errors(pmf, shifts, label[:, None])
    first = -reach - int(outer[used].max())
    total = np.zeros((*pmf.shape[:-1], shifts.size + int(np.ptp(outer[used]))))
    for column in used:
        start = -reach - int(outer[column]) - first
        total[..., start : start + shifts.size] += weights[:, column, None, None] * pmf
    if readings.by_widths.shape[1]:
        factors = ring_witness.at_years_before(readings.by_widths[rows], first, total.shape[-1])
        total *= factors[:, None, :]
    return first, total


def _convolve(left: Floats, right: Floats) -> Floats:
    """Full convolution along the last axis, other axes broadcast; short left sides are summed
    directly.
    """
    length = left.shape[-1] + right.shape[-1] - 1
    if left.shape[-1] == 1:
        return left * right
    size = fft.next_fast_len(length, real=True)
    product = fft.rfft(left, size) * fft.rfft(right, size)
    return np.maximum(fft.irfft(product, size)[..., :length], 0.0)


def _take_lags(values: Floats, first: int, offset: Integers, lags: Integers) -> Floats:
    """`values` `(tree, ..., n)` given at lags first, first + 1, ...; returned at `lags + offset` of
    each tree, 0 outside.
    """
    if (offset == offset[0]).all():
        start = int(lags[0] + offset[0] - first)
        result = np.zeros((*values.shape[:-1], lags.size))
        low, high = max(start, 0), min(start + lags.size, values.shape[-1])
        if high > low:
            result[..., low - start : high - start] = values[..., low:high]
        return result
    index = lags + offset[:, None] - first
    inside = (index >= 0) & (index < values.shape[-1])
    index = np.where(inside, index, 0)
    shape = (len(values), *(1,) * (values.ndim - 2), lags.size)
    return np.take_along_axis(values, index.reshape(shape), axis=-1) * inside.reshape(shape)


def date_block(
    readings: CoreReadings, rows: Integers, profile: Profile, level: float
) -> dict[str, Floats]:
    """Dates of a block of trees with equally many cores, `rows` `(tree, core)` by descending
    height. Arrays `(tree,)` by column name; years are NaN where the cores contradict each other.
    """
    longevity = int(profile["longevity.years"])
    lowest = rows[:, -1]
    reference = readings.innermost_year[lowest].astype(int)
    missed = missing_rings_pmf(
        readings.centre_mu[lowest],
        np.hypot(readings.centre_sigma[lowest], readings.centre_loading[lowest]),
        int(longest_missed(readings, lowest, profile).max()),
        readings.centre_pith_share[lowest],
    )
    missed = _any_number(missed, readings.at_least[lowest])
    ring_first, ring = _ring_pmf(readings, lowest, profile, _COUNTING_ALONE[0])
    ring = np.einsum("tds,d->ts", ring, _COUNTING_ALONE[1])
    if rows.shape[1] == 1:
        lags = np.arange(ring_first, ring_first + ring.shape[1] + missed.shape[1] - 1)
        arrival = _convolve(ring, missed)
        arrival = arrival * (lags >= (reference - readings.reached_by[lowest])[:, None])
    else:
        lags, arrival = _joint_arrival(readings, rows, profile, reference)
    heights = _node_height(readings)[lowest]
    latest = readings.latest_year[lowest]
    if readings.at_least[rows].any():  # nothing else ends the years before a bound
        arrival = arrival * (lags - (reference - latest)[:, None] <= longevity)
    found = _summary("coring_height_year", _normalised(arrival), reference, lags, level)
    added = np.where(readings.at_least[lowest][:, None], np.nan, missed)  # no number is known
    found |= _points("rings_added_centre", _normalised(added), np.arange(missed.shape[1]), level)
    _, usual = _ring_pmf(readings, lowest, profile, _COUNTING_ALONE[0], doubted=False)
    usual = np.einsum("tds,d->ts", usual, _COUNTING_ALONE[1])
    found["sd_count"] = _sd(_normalised(usual), np.arange(usual.shape[1]))
    found["sd_centre"] = _sd(_normalised(added), np.arange(missed.shape[1]))
    for name in (
        "establishment_year_low",
        "establishment_year_median",
        "establishment_year_high",
        "sd_total",
        "sd_height",
        "sd_grass",
    ):
        found[name] = np.full(len(rows), np.nan)
    for name in ("low", "median", "high"):
        found[f"years_below_core_{name}"] = np.full(len(rows), np.nan)
    for node in np.unique(heights[~np.isnan(heights)]):
        here = heights == node
        delay, grass_sd, height_sd = _delay(profile, float(node))
        below = np.arange(lags[0], lags[-1] + delay.size)
        established = _convolve(arrival[here], delay[None, :])
        age = below - (reference - latest)[here, None]
        established = _normalised(established * ((age >= 0) & (age <= longevity)))
        part = _summary("establishment_year", established, reference[here], below, level)
        part["sd_total"] = part.pop("establishment_year_sd")
        for name, values in part.items():
            found[name][here] = values
        for name, value in _points(
            "years_below_core", delay[None, :], np.arange(delay.size), level
        ).items():
            found[name][here] = value
        found["sd_grass"][here], found["sd_height"][here] = grass_sd, height_sd
    found.pop("coring_height_year_sd")
    in_common = last_years_in_common(
        readings,
        rows.ravel(),
        np.repeat(np.arange(len(rows)), rows.shape[1]),
        np.nan_to_num(readings.height_cm[rows]).ravel(),
        profile,
    )
    for name in found:
        if name.startswith(("coring_height_year", "establishment_year")) or name == "sd_total":
            found[name] = np.where(np.isnan(in_common), np.nan, found[name])
    return found


def _any_number(missed: Floats, at_least: NDArray[np.bool_]) -> Floats:
    """The pmf of rings missed `(core, ..., k)`, with every number alike where the rings seen are a
    least number only: a bound, which the longevity of the species ends.
    """
    if at_least.any():
        missed[at_least] = 1.0
    return missed


def _joint_arrival(
    readings: CoreReadings, rows: Integers, profile: Profile, reference: Integers
) -> tuple[Integers, Floats]:
    """Lags `(u,)` and the joint likelihood `(tree, u)` of the year at the lowest core, from the top
    core down.
    """
    nodes, node_weights = TREE_NODES, np.exp(-0.5 * TREE_NODES**2)
    spacing = TREE_NODES[1] - TREE_NODES[0]
    counted = bool((readings.reader_scale[rows] > 0).any())
    counting, counting_weights = _COUNTING if counted else (np.zeros(1), np.ones(1))
    parts = []
    for column in range(rows.shape[1]):
        row = rows[:, column]
        variance, tree = (
            readings.centre_sigma[row] ** 2,
            np.minimum(readings.centre_tree_log_sd[row], readings.centre_sigma[row]) ** 2,
        )
        shared = np.sqrt(tree + readings.centre_loading[row] ** 2)
        own = np.maximum(
            np.sqrt(variance - tree), np.maximum(OWN_LOG_SD_FLOOR, spacing * shared / 2.0)
        )
        longest = int(longest_missed(readings, row, profile).max())
        missed = missing_rings_pmf(
            readings.centre_mu[row][:, None] + shared[:, None] * nodes,
            own[:, None],
            longest,
            readings.centre_pith_share[row][:, None],
        )
        missed = _any_number(missed, readings.at_least[row])
        first, ring = _ring_pmf(readings, row, profile, counting)
        parts.append((first, _convolve(ring[:, :, None, :], missed[:, None, :, :])))
    offsets = [
        readings.innermost_year[rows[:, column]].astype(int) - reference
        for column in range(rows.shape[1])
    ]
    start = min(
        first - int(offset.max()) for (first, _), offset in zip(parts, offsets, strict=True)
    )
    end = max(
        first + values.shape[-1] - int(offset.min())
        for (first, values), offset in zip(parts, offsets, strict=True)
    )
    end += int(profile["height_growth.longest_height_years"])
    lags = np.arange(start, end)
    message, height_above = None, None
    for column, (first, values) in enumerate(parts):
        row = rows[:, column]
        evidence = _take_lags(values, first, offsets[column], lags)
        evidence *= (lags >= (reference - readings.reached_by[row])[:, None])[:, None, None, :]
        height_here = np.nan_to_num(_node_height(readings)[row])
        if message is None or height_above is None:
            message = evidence
        else:
            _descend(message, height_above, height_here, profile)
            message *= evidence
        height_above = height_here
    assert message is not None
    return lags, np.einsum("tdzu,d,z->tu", message, counting_weights, node_weights, optimize=True)


def _descend(message: Floats, upper: Floats, lower: Floats, profile: Profile) -> None:
    """Move the messages of each tree from one height to the next, in place: an earlier year by the
    seasons of growth between.
    """
    for high, low in {(float(a), float(b)) for a, b in zip(upper, lower, strict=True) if a != b}:
        chosen = (upper == high) & (lower == low)
        step = _step(profile, high, low)
        above, below = message[chosen], np.zeros((int(chosen.sum()), *message.shape[1:]))
        for seasons, chance in enumerate(step):  # short: cheaper than a transform
            below[..., seasons:] += chance * above[..., : above.shape[-1] - seasons]
        message[chosen] = below


@lru_cache(maxsize=1024)
def _step(profile: Profile, high: float, low: float) -> Floats:
    """Prior pmf `(k,)` of the seasons of growth between two heights, without its rare tail."""
    if low != BELOW_EMERGENCE or not profile.has_grass_stage:
        return growth_between(profile, high, low)
    from_node = height.height_growth_pmf_prior(profile, height.emergence_node_cm(profile), high)
    return without_tail(np.convolve(from_node, height.years_already_waited_pmf(profile)))


@lru_cache(maxsize=256)  # crews core at a few heights, and many blocks ask for each
def _delay(profile: Profile, node_cm: float) -> tuple[Floats, float, float]:
    """Prior pmf `(k,)` of the seasons below a core, and the sds of its two parts: grass stage and
    height growth. [years]
    """
    if node_cm == BELOW_EMERGENCE and profile.has_grass_stage:
        waited = height.years_already_waited_pmf(profile)
        return waited, float(_sd(waited[None, :], np.arange(waited.size))[0]), 0.0
    delay = height.delay_pmf_prior(profile, node_cm)
    growth = height.height_growth_pmf_prior(profile, 0.0, node_cm)
    grass = height.grass_stage_pmf_prior(profile)
    spreads = [
        float(_sd(_normalised(part[None, :]), np.arange(part.size))[0]) for part in (grass, growth)
    ]
    return delay, spreads[0], spreads[1]


def _normalised(pmf: Floats) -> Floats:
    total = pmf.sum(axis=-1, keepdims=True)
    return np.divide(pmf, total, out=np.full(pmf.shape, np.nan), where=total > 0)


def _sd(pmf: Floats, values: Integers) -> Floats:
    mean = pmf @ values
    return np.sqrt(np.maximum(pmf @ values.astype(float) ** 2 - mean**2, 0.0))


def _points(name: str, pmf: Floats, values: Integers, level: float) -> dict[str, Floats]:
    """Low, median and high of each row: the smallest values with that share at or below them,
    `(tree,)`; NaN where the row is blank.
    """
    tail = (1.0 - level) / 2.0
    below, blank = np.cumsum(pmf, axis=-1), np.isnan(pmf[..., 0])
    shares = {"low": tail, "median": 0.5, "high": 1.0 - tail}
    points = {
        point: values[np.argmax(below >= share - 1e-9, axis=-1)].astype(float)
        for point, share in shares.items()
    }
    return {f"{name}_{point}": np.where(blank, np.nan, found) for point, found in points.items()}


def _summary(
    name: str, pmf: Floats, reference: Integers, lags: Integers, level: float
) -> dict[str, Floats]:
    """Low, median, high and sd of calendar years, from a pmf `(tree, u)` over lags before each
    tree's reference year.
    """
    points = {
        key: reference - value
        for key, value in _points(name, pmf[:, ::-1], lags[::-1], level).items()
    }
    return {**points, f"{name}_sd": _sd(pmf, lags)}
