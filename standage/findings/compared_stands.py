"""What of a stand takes part in a comparison: its age structure and pulses by draw, and on what
footing they stand.

Draws of one joint fit belong together: what is unknown of the species moves all its stands at once
and drops out of their differences. Draws of separate runs don't, and are put side by side in random
order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from standage.findings.local_ratio import Scan
from standage.findings.pulse_limit import LEAST_LIMIT, ReportingLimit
from standage.findings.pulses import Burst, find_bursts
from standage.findings.stems import CORING_HEIGHT, dated_by_core, dated_years, stage_count_area
from standage.stand.posterior import Posterior

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# years before the oldest dated stem from which on a pulse could have been told, as for pulses and
# events [years]
BEFORE_OLDEST_STEM = 10


@dataclass(frozen=True)
class ComparedStand:
    """A unit, a species in a stand, as it is compared.

    Attributes
    ----------
    name : what it is called: the stand, with its result in brackets where two results have a stand
        of that name.
    source : the result it comes from, blank within one result; draws of one source are paired.
    profile : hash of the species profile behind it; blank where it is that of all.
    season : growing season begun last at the survey.
    searched : whether plants in the grass stage were searched for.
    years : (year,) calendar years.
    stems : (draw, year) stems of the unit's `Population` by year of establishment. [stems/ha,
        or sampled trees]
    grass : (draw,) share of all living plants still without a stem; NaN where nothing tells it.
    starts, ends : (pulse, draw) first and last year of each reported pulse, oldest first; NaN in
        draws without it.
    possible : (draw,) number of pulses, those that are likelier than not but below their reporting
        limit too.
    telling_from : first year in which a pulse could have been told.
    dated : years of the stems dated by core, medians; in years without any the stems rest on sizes
        and the profile, and nothing is compared. None where that is not asked.
    """

    name: str
    stand: str
    species: str
    community: str
    basis: str
    has_plots: bool
    searched: bool
    season: int
    years: np.ndarray
    stems: np.ndarray
    grass: np.ndarray
    starts: np.ndarray
    ends: np.ndarray
    possible: np.ndarray
    telling_from: int
    source: str = ""
    profile: str = ""
    dated: np.ndarray | None = None

    def dates_any(self, first: int, last: int) -> bool:
        """Whether a stem is dated by core to these years."""
        if self.dated is None:
            return True
        return bool(((self.dated >= first) & (self.dated <= last)).any())

    def up_to(self, season: int) -> tuple[np.ndarray, np.ndarray]:
        """Years and stems up to a season: stems that came after an earlier survey of another stand
        are no difference between them.
        """
        keep = self.years <= season
        return self.years[keep], self.stems[:, keep].astype(float)


def compared_stands(
    findings: Findings, *, source: str = "", profiles: Mapping[str, str] | None = None
) -> list[ComparedStand]:
    """All units of a posterior as they are compared, in its order.

    source, profiles : the result it comes from and the hash of each species' profile, where results
    are joined.
    """
    hashes = profiles or {}
    return [
        _compared_stand(findings, number, source, hashes.get(unit.species, ""))
        for number, unit in enumerate(findings.posterior.units)
    ]


def _compared_stand(findings: Findings, number: int, source: str, profile: str) -> ComparedStand:
    posterior, scan, bursts = findings.posterior, findings.scans[number], findings.bursts[number]
    unit = posterior.units[number]
    stands = findings.survey.stands
    possible = find_bursts(scan, ReportingLimit(LEAST_LIMIT, "assumed"))
    none = np.zeros(len(scan.kept))
    return ComparedStand(
        name=unit.stand,
        stand=unit.stand,
        species=unit.species,
        community=str(stands.loc[stands["stand"] == unit.stand, "community"].iloc[0]),
        basis=unit.basis,
        has_plots=bool(unit.has_plots),
        searched=bool(
            unit.has_plots
            and unit.basis != CORING_HEIGHT
            and stage_count_area(findings.survey, unit) > 0
        ),
        season=int(unit.season),
        years=scan.years,
        # of many stands they are what takes most memory after the draws, which are as precise
        stems=findings.populations[number].by_year[scan.kept].astype(np.float32),
        grass=_grass_share(posterior, number)[scan.kept],
        starts=_edges(bursts, scan, "start"),
        ends=_edges(bursts, scan, "end"),
        possible=np.sum([burst.there for burst in possible], axis=0) if possible else none,
        telling_from=_telling_from(posterior, number, scan),
        source=source,
        profile=profile,
        dated=_dated(posterior, number),
    )


def _dated(posterior: Posterior, number: int) -> np.ndarray:
    """Median years of the stems dated by core. (stem,)"""
    trees, years = dated_years(posterior, number, in_process=False)
    years = years[:, dated_by_core(posterior, trees)]
    return np.nanmedian(years, axis=0) if years.size else np.zeros(0)


def _edges(bursts: list[Burst], scan: Scan, edge: str) -> np.ndarray:
    """(pulse, draw) calendar years of an edge; NaN in draws without the pulse."""
    rows = [np.where(burst.there, scan.years[getattr(burst, edge)], np.nan) for burst in bursts]
    return np.array(rows, dtype=float).reshape(len(bursts), len(scan.kept))


def _grass_share(posterior: Posterior, number: int) -> np.ndarray:
    one = posterior.unit(number)
    living, grass = one.living_rate, one.share_in_grass_stage
    if one.unit.basis == CORING_HEIGHT or not grass.any():
        return np.full(len(living), np.nan)
    total = living.sum(axis=1)
    return (living * grass).sum(axis=1) / np.where(total > 0, total, np.nan)


def _telling_from(posterior: Posterior, number: int, scan: Scan) -> int:
    """First year in which a pulse could be told: a little before the oldest dated stem."""
    _, years = dated_years(posterior, number)
    if not years.shape[1]:
        return int(scan.years[0])
    return max(int(np.nanmedian(years, axis=0).min()) - BEFORE_OLDEST_STEM, int(scan.years[0]))


def aligned(stands: Sequence[ComparedStand], *, seed: int) -> list[ComparedStand]:
    """The same with as many draws each, those of one source still paired and those of others in an
    order of their own.

    seed: of the orders; within one source nothing is reordered.
    """
    if not stands:
        return []
    least = min(len(stand.stems) for stand in stands)
    generator = np.random.default_rng(seed)
    orders: dict[str, np.ndarray] = {}
    for stand in stands:
        if stand.source not in orders:
            draws = len(stand.stems)
            thinned = np.linspace(0, draws - 1, least).round().astype(int)
            # the first keeps its order; one random order among two is enough to make them
            # independent
            orders[stand.source] = generator.permutation(thinned) if orders else thinned
    return [_taken(stand, orders[stand.source]) for stand in stands]


def _taken(stand: ComparedStand, order: np.ndarray) -> ComparedStand:
    if np.array_equal(order, np.arange(len(stand.stems))):
        return stand  # of many stands the copy would be large
    return replace(
        stand,
        stems=stand.stems[order],
        grass=stand.grass[order],
        starts=stand.starts[:, order],
        ends=stand.ends[:, order],
        possible=stand.possible[order],
    )
