"""Communities that two or more stands share, side by side, and beside stands that no other shares a
community with.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain, combinations, product

import numpy as np

from standage.findings.communities import CommunityMeans, community_means, shared_communities
from standage.findings.compared_stands import ComparedStand
from standage.findings.comparison_measures import CLASS_MEASURES, MEASURES, Measure, in_class
from standage.findings.differences import (
    COMMUNITY,
    COMMUNITY_AND_STAND,
    EVERYTHING,
    Obstacle,
    Row,
    classes_worth_showing,
    difference_columns,
    not_comparable,
    refused,
)
from standage.findings.stems import CORING_HEIGHT, PER_HECTARE

# what has a mean over stands; a number of pulses, a distance or a shared pulse is a thing of two
# stands
OF_COMMUNITIES = (
    "stems_per_ha",
    "median_establishment_year",
    "half_span_years",
    "latest_pulse_start",
    "share_in_grass_stage",
)
ESTABLISHMENT = "establishment"

DrawsOf = Callable[[Measure, ComparedStand, int], np.ndarray]


@dataclass(frozen=True)
class _Compared:
    """A measure of all communities. columns : what names it. draws : of a stand. means : found."""

    columns: Row
    draws: Callable[[ComparedStand], np.ndarray]
    means: CommunityMeans


def community_rows(
    stands: Sequence[ComparedStand], draws_of: DrawsOf, level: float, class_years: int, seed: int
) -> Iterator[Row]:
    """Rows of the comparison about the communities of one species. draws_of : a measure of a stand,
    up to a season. class_years : 0 for no classes. seed : of the draws of community means.
    """
    usable, left_out = [], []
    for stand in stands:
        obstacle = _obstacle(stand, stands[0].profile)
        if obstacle is None:
            usable.append(stand)
        else:
            left_out.append((stand, obstacle))
    groups = shared_communities(usable)
    for community, members in shared_communities(stands).items():
        for stand, obstacle in left_out:
            if stand in members:
                about = {"kind": COMMUNITY_AND_STAND, "first": community, "second": stand.name}
                yield {
                    **about,
                    "species": stand.species,
                    "measure": EVERYTHING,
                    "first_estimated": community in groups,
                    **refused(obstacle),
                }
    if not groups:
        return
    grouped = {stand.name for members in groups.values() for stand in members}
    single = [stand for stand in usable if stand.name not in grouped]
    compared, unknown = _measured(groups, single, draws_of, class_years, seed)
    about = {"species": usable[0].species, "basis": ESTABLISHMENT, "amounts": PER_HECTARE}
    pairs: Iterable[tuple[str, str | ComparedStand]] = chain(
        combinations(groups, 2), product(groups, single)
    )
    for first, second in pairs:
        pair: Row = {"first": first, "first_stands": len(groups[first]), **about}
        if isinstance(second, str):
            pair |= {"kind": COMMUNITY, "second": second, "second_stands": len(groups[second])}
        else:
            pair |= {"kind": COMMUNITY_AND_STAND, "second": second.name, "second_stands": 1}
        for one in compared:
            mean, spread = one.means.mean, one.means.spread
            other = mean[second] if isinstance(second, str) else one.draws(second)
            row = pair | one.columns | difference_columns(mean[first], other, level)
            row["first_spread"] = _typical(spread[first])
            if isinstance(second, str):
                row["second_spread"] = _typical(spread[second])
            yield row | {"degrees_of_freedom": one.means.degrees_of_freedom}
        yield from (pair | row for row in unknown)


def _obstacle(stand: ComparedStand, profile: str) -> Obstacle | None:
    """Why a stand can't be part of a community's mean. profile : that of the first stand."""
    if stand.basis == CORING_HEIGHT:
        return Obstacle("no coring heights", (stand.name,))
    if stand.profile != profile:
        return Obstacle("other profile", (stand.name,))
    return None if stand.has_plots else Obstacle("no plots", (stand.name,))


def _measured(
    groups: dict[str, list[ComparedStand]],
    single: list[ComparedStand],
    draws_of: DrawsOf,
    class_years: int,
    seed: int,
) -> tuple[list[_Compared], list[Row]]:
    """Measures by which communities are compared, and rows of those by which they can't be."""
    everyone = [*single, *(stand for members in groups.values() for stand in members)]
    season = min(stand.season for stand in everyone)
    axis = (min(int(stand.years[0]) for stand in everyone), season)

    def compared(
        columns: Row, draws: Callable[[ComparedStand], np.ndarray], scale: str
    ) -> _Compared:
        by_group = {
            name: np.array([draws(stand) for stand in members]) for name, members in groups.items()
        }
        return _Compared(columns, draws, community_means(by_group, scale, axis=axis, seed=seed))

    found, unknown = [], []
    for measure in (measure for measure in MEASURES if measure.name in OF_COMMUNITIES):
        columns: Row = {"measure": measure.name, "unit": measure.unit}
        obstacles = (not_comparable(measure, stand, stand) for stand in everyone)
        obstacle = next((each for each in obstacles if each is not None), None)
        if obstacle is not None:
            unknown.append(columns | refused(obstacle))
            continue
        draws = partial(_up_to, draws_of, measure, season)
        found.append(compared(columns, draws, measure.scale))
    for begin, end in classes_worth_showing(everyone, season, class_years):
        for name, unit, share in CLASS_MEASURES:
            columns = {"measure": name, "unit": unit}
            columns |= {"class_first_year": begin, "class_last_year": end}
            held = partial(in_class, first=begin, last=end, season=season, share=share)
            found.append(compared(columns, held, "share" if share else "amount"))
    return found, unknown


def _up_to(draws_of: DrawsOf, measure: Measure, season: int, stand: ComparedStand) -> np.ndarray:
    return draws_of(measure, stand, season)


def _typical(spread: np.ndarray) -> float:
    known = spread[np.isfinite(spread)]
    return float(np.median(known)) if known.size else np.nan
