"""One core, all evidence together: the likelihood of the year in which the tree reached the core's
height.

`E(y) = sum_x P(innermost ring seen is that of year x) P(m = x - y)`, with m the rings missed
between it and the pith (`docs/the-model.md`, section 4); `P(x >= y)` where the rings seen are a
least number only. Cores are read once, before any model is
fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standage.evidence import gross_errors, height, ring_count, ring_witness
from standage.evidence.arrays import Floats
from standage.evidence.centre import at_least, missing_rings_pmf, read_centres
from standage.profiles import Profile

if TYPE_CHECKING:
    from standage.survey.survey import Survey

Nodes = tuple[Sequence[float] | Floats, Sequence[float] | Floats]

SPLINE_VARIANCE = 1.0 / 3.0
"""Variance that a uniform cubic B-spline adds to a factor, in squared node spacings."""
SMALLEST_SHARE_LEFT = 0.1
"""At least this share of a variance is kept when the B-spline's is taken off it."""
SHIFT_SCALES = 20
"""Reader errors beyond this many scales carry 4 in 100,000 of a Student-t with 4 degrees of freedom
and are dropped.
"""
COUNTING_NODES = 7
OWN_LOG_SD_FLOOR = 0.15
"""Two cores of one tree never share their early growth to better than this. Assumed."""

_TREE_COLUMNS = (
    "tree",
    "stand",
    "species",
    "dbh_cm",
    "status",
    "death_year",
    "death_year_sd",
    "origin",
    "planted_year",
    "alive_in_year",
)


@dataclass(frozen=True)
class CoreReadings:
    """Cores of live and dead stems, in the order of `core`; every array is `(core,)` except the
    outer-ring pmf, `(core, k)`.

    innermost_year: plug-in calendar year of the innermost ring seen, NaN if none can be read.
    counted_rings: rings that carry counting error, 0 if exact. reader_scale: scale of the reader's
    Student-t error. [rings] outer_years, outer_weights: shifts to be added to innermost_year, and
    their weights. centre_mu, centre_sigma, centre_loading: log-normal of the rings missed; -inf, 0,
    0 where the pith is in the core; centre_tree_log_sd the part of sigma common to cores of one
    tree. height_cm: to 5 cm, NaN if not recorded; a core below emergence height stands at emergence
    height and has below_emergence set. latest_year: no ring of the core can be later. reached_by:
    arrival cannot be later, since the tree is on record in that year. at_least: the rings seen
    bound the age from below and say nothing of how many there are further in. further_shifts: rings
    by which each further reading goes further back than innermost_year, NaN for none; (core,
    reading). gross_share: probability that the reading is grossly off. by_widths: factor by the
    ring widths on each number of years by which the innermost ring is older than read, `SHIFTS` of
    `ring_witness`; (core, shift), (core, 0) where no core has widths.

    >>> readings = read_cores(survey, "a", "longleaf-pine", standage.load_profile("longleaf-pine"))
    >>> bool((readings.innermost_year <= readings.last_ring_year)[readings.readable].all())
    True
    """

    core: NDArray[np.object_]
    tree: NDArray[np.object_]
    innermost_year: Floats
    counted_rings: Floats
    reader_scale: Floats
    outer_years: NDArray[np.int64]
    outer_weights: Floats
    centre: NDArray[np.object_]
    centre_mu: Floats
    centre_sigma: Floats
    centre_loading: Floats
    centre_tree_log_sd: Floats
    centre_pith_share: Floats
    height_cm: Floats
    below_emergence: NDArray[np.bool_]
    latest_year: Floats
    reached_by: Floats
    last_ring_year: Floats
    readable: NDArray[np.bool_]
    left_out_reason: NDArray[np.object_]
    note: NDArray[np.object_]
    at_least: NDArray[np.bool_]
    further_shifts: Floats
    gross_share: Floats
    by_widths: Floats

    def __len__(self) -> int:
        return len(self.core)


def read_cores(survey: Survey, stand: str, species: str, profile: Profile) -> CoreReadings:
    """Readings of all cores of a stand and species, live and dead stems alike, in the order of
    cores.csv.

    >>> readings = read_cores(survey, "a", "longleaf-pine", standage.load_profile("longleaf-pine"))
    >>> len(readings.core) == len(survey.cores)
    True
    """
    table = core_table(survey)
    table = table[(table["stand"] == stand) & (table["species"] == species)]
    return readings_of(table, profile, survey.ring_widths)


def core_table(survey: Survey) -> pd.DataFrame:
    """cores.csv with what is needed of each core's tree beside it; a blank core date is the stand's
    survey date.
    """
    called_so = [
        name for name in _TREE_COLUMNS if name != "tree"
    ]  # an unknown column of cores.csv may be
    cores = survey.cores.drop(columns=called_so, errors="ignore")
    table = cores.merge(survey.trees[list(_TREE_COLUMNS)], on="tree", how="inner", sort=False)
    survey_date = table["stand"].map(survey.stands.set_index("stand")["survey_date"])
    readings = survey.core_readings
    pairs = zip(readings["first_ring_year"], readings["ring_count"], strict=True)
    further: dict[str, tuple[tuple[float, float], ...]] = {}
    for core, pair in zip(readings["core"], pairs, strict=True):
        further[core] = (*further.get(core, ()), pair)
    return table.assign(
        core_date=table["core_date"].fillna(survey_date),
        further=[further.get(core) for core in table["core"]],
    )


def readings_of(
    table: pd.DataFrame, profile: Profile, ring_widths: pd.DataFrame | None = None
) -> CoreReadings:
    """Readings of the rows of a `core_table`, all of one species; with `ring_widths`, those of the
    survey, counted cores are held against the crossdated trees of their stand.
    """
    ring = ring_count.date_innermost_rings(table, profile)
    centre = read_centres(table, ring.visible_rings, profile)
    recorded = table["height_cm"].to_numpy(float)
    emergence = height.emergence_node_cm(profile)
    below = (
        recorded < profile["grass_stage.emergence_height_cm"]
        if profile.has_grass_stage
        else np.zeros(len(table), bool)
    )
    gross_share = gross_errors.gross_shares(table["dating"], ring.readable)
    by_widths, note = np.ones((len(table), 0)), ring.note
    if ring_widths is not None:
        by_widths = ring_witness.witness_of_stands(
            ring_widths, table, ring.last_ring_year, ring.innermost_year, ring.reader_scale
        )
        usual = ring.counted_rings * ring_count.counting_bias(profile)[0], ring.reader_scale
        # a date marked crossdated is never overridden, and a least number has nothing to move
        moved = (gross_share > 0) & (ring.reader_scale > 0) & ~at_least(table)
        note = ring_witness.notes(by_widths, *usual, moved, note)
        by_widths = np.where(moved[:, None], by_widths, 1.0)
    alive = np.where(_lowest_of_tree(table), table["alive_in_year"].to_numpy(float), np.nan)
    return CoreReadings(
        core=table["core"].to_numpy(object),
        tree=table["tree"].to_numpy(object),
        innermost_year=ring.innermost_year,
        counted_rings=ring.counted_rings,
        reader_scale=ring.reader_scale,
        outer_years=ring.outer_years,
        outer_weights=ring.outer_weights,
        centre=table["centre"].to_numpy(object),
        centre_mu=centre.mu,
        centre_sigma=centre.sigma,
        centre_loading=centre.loading,
        centre_tree_log_sd=centre.tree_log_sd,
        centre_pith_share=centre.pith_share,
        height_cm=np.maximum(height.round_height_cm(recorded), emergence),
        below_emergence=below,
        latest_year=ring.latest_year,
        reached_by=np.fmin(ring.latest_year, alive),
        last_ring_year=ring.last_ring_year,
        readable=ring.readable,
        left_out_reason=ring.reason,
        note=note,
        at_least=at_least(table),
        further_shifts=ring_count.further_shifts(table, ring),
        gross_share=gross_share,
        by_widths=by_widths,
    )


def _lowest_of_tree(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Which cores are at the lowest height of their tree, or at one not recorded, `(core,)`."""
    height_cm = table["height_cm"]
    lowest = height_cm.groupby(table["tree"]).transform("min")
    return (height_cm.isna() | (height_cm == lowest)).to_numpy(dtype=bool)


def evidence_over_years(
    readings: CoreReadings,
    index: int,
    years: NDArray[np.int64],
    profile: Profile,
    nodes: Nodes | None = None,
    *,
    right: bool = False,
) -> Floats:
    """Likelihood of each year of arrival at the core's height.

    `years` `(year,)`, calendar years. Without `nodes` the early-growth and counting factors are
    averaged out: `(year,)`. With nodes = (values of the early-growth factor, values of the counting
    factor): `(g, d, year)`, made for mixing by B-splines of spacing 1, whose variance is taken off
    beforehand. A core without a readable ring is flat up to `reached_by`. A core below emergence
    height speaks about the year of emergence. Years must be consecutive. right: the part of it with
    the reading not grossly off.

    >>> profile = standage.load_profile("longleaf-pine")
    >>> readings = read_cores(survey, "a", "longleaf-pine", profile)
    >>> years = np.arange(1800, 2025)
    >>> evidence_over_years(readings, 0, years, profile).shape
    (225,)
    """
    right_core = index if right else None
    return pooled_evidence_over_years(readings, [index], years, profile, nodes, right=right_core)


def pooled_evidence_over_years(
    readings: CoreReadings,
    indices: Sequence[int],
    years: NDArray[np.int64],
    profile: Profile,
    nodes: Nodes | None = None,
    *,
    right: int | None = None,
) -> Floats:
    """Joint likelihood of several cores at the same height of one tree, of the shapes of
    `evidence_over_years`.

    The cores share the early growth of their tree (averaged over a grid fine enough for the
    sharpest of them) besides the stand's factors; it is never a product of separately averaged
    likelihoods. right: the core of which only the part with a reading not grossly off is taken.
    Raises ValueError where the cores' heights differ.

    >>> profile = standage.load_profile("longleaf-pine")
    >>> readings = read_cores(survey, "a", "longleaf-pine", profile)
    >>> years = np.arange(1800, 2025)
    >>> pooled_evidence_over_years(readings, [0], years, profile).shape
    (225,)
    """
    rows = np.asarray(indices, int)
    if np.unique(readings.height_cm[rows][~np.isnan(readings.height_cm[rows])]).size > 1:
        raise ValueError(
            "cores of different heights cannot be pooled:"
            f" {', '.join(map(str, readings.core[rows]))}"
        )
    years = np.asarray(years, np.int64)
    if nodes is None:
        counting, counting_weights = height.normal_nodes(COUNTING_NODES)
        early = np.zeros(1)
    else:
        early, counting = (np.asarray(axis, float) for axis in nodes)
    mu, own, shared = _split_spread(readings, rows, with_nodes=nodes is not None)
    tree_nodes, tree_weights = _tree_factor_grid(own, shared)
    result = np.zeros((early.size, counting.size, years.size))
    for node, weight in zip(tree_nodes, tree_weights, strict=True):
        product = np.ones_like(result)
        for place, row in enumerate(rows):
            log_mean = mu[place] + readings.centre_loading[row] * early + shared[place] * node
            product *= _one_core(
                readings,
                int(row),
                years,
                profile,
                log_mean,
                own[place],
                counting,
                with_nodes=nodes is not None,
                right=row == right,
            )
        result += weight * product
    if nodes is None:
        return counting_weights @ result[0]
    return result


def _split_spread(
    readings: CoreReadings, rows: NDArray[np.int64], *, with_nodes: bool
) -> tuple[Floats, Floats, Floats]:
    """Log mean, own log-sd and log-sd shared by the cores of the tree, each `(row,)`.

    With nodes the spline's variance comes off the shared part first, being shared itself, and off
    the own part for the rest. Without nodes the stand's factor is one more thing that cores of a
    tree share.
    """
    mu, sigma, loading = (
        readings.centre_mu[rows],
        readings.centre_sigma[rows],
        readings.centre_loading[rows],
    )
    shared_variance = (
        np.minimum(readings.centre_tree_log_sd[rows], sigma) ** 2
        if rows.size > 1
        else np.zeros(rows.size)
    )
    own_variance = sigma**2 - shared_variance
    if with_nodes:
        excess = SPLINE_VARIANCE * loading**2
        off_shared = np.minimum(excess, shared_variance)
        shared_variance = shared_variance - off_shared
        own_variance = np.maximum(
            own_variance - (excess - off_shared), SMALLEST_SHARE_LEFT * own_variance
        )
    elif rows.size > 1:
        shared_variance = shared_variance + loading**2
    else:
        own_variance = own_variance + loading**2
    if rows.size > 1:
        own_variance = np.where(
            sigma > 0, np.maximum(own_variance, OWN_LOG_SD_FLOOR**2), own_variance
        )
    return mu, np.sqrt(own_variance), np.sqrt(shared_variance)


def _tree_factor_grid(own: Floats, shared: Floats) -> tuple[Floats, Floats]:
    """Nodes and weights of the tree's own early-growth factor: a grid on -4 ... 4 no wider than the
    sharpest core can tell apart.
    """
    told = (shared > 0) & (own > 0)
    if not told.any():
        return np.zeros(1), np.ones(1)
    spacing = min(1.0, float((own[told] / shared[told]).min()))
    nodes = np.linspace(-4.0, 4.0, 2 * int(np.ceil(4.0 / spacing)) + 1)
    weights = np.exp(-0.5 * nodes**2)
    return nodes, weights / weights.sum()


def innermost_ring_pmf(
    readings: CoreReadings,
    row: int,
    profile: Profile,
    counting: Floats,
    *,
    with_nodes: bool,
    right: bool = False,
) -> tuple[NDArray[np.int64], Floats]:
    """Years before the plug-in year of the innermost ring `(s,)`; their probabilities at each value
    of the counting factor, `(d, s)`. right: only what there is with a reading not grossly off.
    """
    bias_mean, bias_sd = ring_count.counting_bias(profile)
    counted, scale = readings.counted_rings[row], readings.reader_scale[row]
    location = counted * (bias_mean + bias_sd * counting)
    if with_nodes and scale > 0:
        # The variance of a Student-t with 4 degrees of freedom is twice its squared scale.
        scale = np.sqrt(
            max(
                scale**2 - SPLINE_VARIANCE * (counted * bias_sd) ** 2 / 2.0,
                SMALLEST_SHARE_LEFT * scale**2,
            )
        )
    further = readings.further_shifts[row]
    further = further[np.isfinite(further)]
    share = readings.gross_share[row]
    label, eye_share = gross_errors.parts(share)
    doubted = share > 0 and (further.size > 0 or not right)
    reach = SHIFT_SCALES * scale + doubted * gross_errors.LONGEST_SHIFT
    first, last = location.min() - reach, location.max() + reach
    if further.size:
        first, last = min(first, first + further.min()), max(last, last + further.max())
    shifts = np.arange(int(np.floor(first)), int(np.ceil(last)) + 1)
    if further.size:
        eye = np.sqrt(1.0 - ring_count.WOOD_SHARE) * readings.reader_scale[row]
        wood = np.sqrt(
            max(scale**2 - eye**2, SMALLEST_SHARE_LEFT * ring_count.WOOD_SHARE * scale**2)
        )
        pmf = ring_count.readings_shift_pmf(
            location, wood, eye, further, shifts, float(eye_share), right=right
        )
    else:
        pmf = ring_count.shift_pmf(location, np.full(location.shape, scale), shifts)
        pmf = (1.0 - eye_share) * pmf if right else gross_errors.with_eye_errors(pmf, eye_share)
    pmf = (1.0 - label) * pmf if right else gross_errors.with_label_errors(pmf, shifts, label)
    before, pmf = _with_outer_ring(
        shifts, pmf, readings.outer_years[row], readings.outer_weights[row]
    )
    if readings.by_widths.shape[1]:
        pmf = pmf * ring_witness.at_years_before(
            readings.by_widths[row], int(before[0]), before.size
        )
    return before, pmf


def _with_outer_ring(
    shifts: NDArray[np.int64], pmf: Floats, outer_years: NDArray[np.int64], weights: Floats
) -> tuple[NDArray[np.int64], Floats]:
    used = weights > 0
    outer_years, weights = outer_years[used], weights[used]
    before = np.arange(shifts[0] - outer_years.max(), shifts[-1] - outer_years.min() + 1)
    total = np.zeros((*pmf.shape[:-1], before.size))
    for year, weight in zip(outer_years, weights, strict=True):
        start = shifts[0] - year - before[0]
        total[..., start : start + shifts.size] += weight * pmf
    return before, total


def _one_core(
    readings: CoreReadings,
    row: int,
    years: NDArray[np.int64],
    profile: Profile,
    log_mean: Floats,
    own: float,
    counting: Floats,
    *,
    with_nodes: bool,
    right: bool,
) -> Floats:
    """E at each early-growth log mean `(g,)` and counting factor `(d,)`: `(g, d, year)`; size 1 on
    an axis the core does not depend on.
    """
    reachable = years <= readings.reached_by[row]
    if not readings.readable[row]:
        return np.where(reachable, 1.0, 0.0)[None, None, :]
    counting = counting if readings.counted_rings[row] > 0 else np.zeros(1)
    before, ring = innermost_ring_pmf(
        readings, row, profile, counting, with_nodes=with_nodes, right=right
    )
    already = (
        height.years_already_waited_pmf(profile) if readings.below_emergence[row] else np.ones(1)
    )
    # Years at the core itself: as many more before the first as a core below emergence height can
    # be early.
    at_core = np.arange(years[0] - already.size + 1, years[-1] + 1)
    lag = int(readings.innermost_year[row]) - before[:, None] - at_core[None, :]
    log_mean = (
        log_mean
        if np.isfinite(log_mean).all() and readings.centre_loading[row] != 0
        else log_mean[:1]
    )
    if readings.at_least[row]:
        # P(rings seen at least so many | y): the innermost ring seen is that of y or a later year.
        by_lag = np.where(lag >= 0, 1.0, 0.0)[None]
    else:
        longest = max(int(lag.max()), 0)
        missed = missing_rings_pmf(
            log_mean, np.full(log_mean.shape, own), longest, readings.centre_pith_share[row]
        )
        by_lag = np.where(lag >= 0, missed[:, np.clip(lag, 0, longest)], 0.0)
    evidence = np.einsum("ds,gsy->gdy", ring, by_lag, optimize=True)
    evidence = np.where(at_core <= readings.reached_by[row], evidence, 0.0)
    if already.size > 1:
        evidence = np.apply_along_axis(np.convolve, -1, evidence, already, mode="valid")
    return evidence
