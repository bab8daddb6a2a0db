"""Stands and communities side by side: each difference with its interval and probability, or the
reason why there is none.

Amounts and ages are those of the fitted history, not of the stems listed, so that plots of other
sizes, diameter limits, coring heights and shares cored are already allowed for. What they do to how
well a stand is known is in the interval.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import combinations, product

import numpy as np
import pandas as pd

from standage.findings.age_structure_distance import age_structure_distance
from standage.findings.communities import CommunityMeans, community_means, shared_communities
from standage.findings.compared_stands import ComparedStand, aligned, stand_histories
from standage.findings.comparison_measures import (
    AGE_STRUCTURE_DISTANCE,
    MEASURES,
    SHARE_IN_CLASS,
    SHARED_PULSE,
    STEMS_IN_CLASS,
    Measure,
    in_class,
    not_comparable,
)
from standage.findings.intervals import SUFFIXES, credible_points, whole_numbers
from standage.findings.local_ratio import Scan
from standage.findings.pulse_synchrony import TOLERANCE, synchrony
from standage.findings.stems import CORING_HEIGHT, PER_HECTARE, SAMPLED
from standage.prose.comparison import row_words

CLASS_YEARS = 20  # classes of establishment compared one by one [years]
# classes that hold less in both stands, at their high points, are not worth a row (assumption)
LEAST_CLASS_SHARE = 0.01
# probability of the likelier sign from which two are told apart: a 90 % interval that leaves out 0
# (assumption)
SURELY = 0.95
# of a species; pairs grow with the square, and beyond this nobody reads their classes (assumption)
MOST_STANDS_BY_CLASS = 20
# what has a mean over stands; a number of pulses, a distance or a shared pulse is a thing of two
# stands
OF_COMMUNITIES = (
    "stems_per_ha",
    "median_establishment_year",
    "half_span_years",
    "latest_pulse_start",
    "share_in_grass_stage",
)

CLASS_MEASURES = (
    (SHARE_IN_CLASS, "share of stems", True),
    (STEMS_IN_CLASS, "stems/ha", False),
)  # name, unit, whether a share
ESTABLISHMENT = "establishment"
STAND, COMMUNITY, COMMUNITY_AND_STAND = "stand", "community", "community and stand"
YES, NO, NOT_COMPARED, NOT_ASSESSED = "yes", "no", "not compared", "not assessed"

COLUMNS = (
    *(
        "kind",
        "first",
        "second",
        "species",
        "measure",
        "class_first_year",
        "class_last_year",
        "unit",
        "first_median",
        "second_median",
    ),
    *(
        "difference_low",
        "difference_median",
        "difference_high",
        "probability_greater",
        "probability_equal",
        "probability_both",
    ),
    *(
        "chance_low",
        "chance_median",
        "chance_high",
        "probability_shared",
        "chance_shared",
        "told_apart",
    ),
    *(
        "first_stands",
        "second_stands",
        "first_spread",
        "second_spread",
        "words",
        "basis",
        "amounts",
    ),
)
TEXT = (
    "kind",
    "first",
    "second",
    "species",
    "measure",
    "unit",
    "told_apart",
    "words",
    "basis",
    "amounts",
)


def comparison(
    posterior,
    *,
    level: float = 0.9,
    class_years: int = CLASS_YEARS,
    scans: list[Scan] | None = None,
) -> pd.DataFrame:
    """All stands of a posterior that have a species in common, pair by pair, and the communities
    that two or more of them share.

    posterior: the posterior of a survey. level: credible level of `_low` and `_high`. class_years:
    length of the classes of establishment; classes begin at multiples of it. scans:
    `scan_units(posterior)`, where it is at hand.

    Returns
    -------
    One row for a pair and measure, the difference being first less second. No row where no two
    stands share a species.
    """
    return compare_histories(
        stand_histories(posterior, scans=scans),
        level=level,
        class_years=class_years,
        seed=posterior.seed,
    )


def compare_histories(
    histories: Sequence[ComparedStand],
    *,
    level: float = 0.9,
    class_years: int = CLASS_YEARS,
    seed: int = 0,
) -> pd.DataFrame:
    """The same for stands that may come from separate runs. seed: of the order in which draws of
    separate runs are put side by side.
    """
    if class_years < 1:
        raise ValueError(f"a class of years must be at least 1 year long, not {class_years}")
    rows: list[dict] = []
    histories = aligned(histories, seed=seed)
    for species in dict.fromkeys(history.species for history in histories):
        of_species = [history for history in histories if history.species == species]
        values = _Values()
        by_class = len(of_species) <= MOST_STANDS_BY_CLASS
        for first, second in combinations(of_species, 2):
            rows += _pair(first, second, values, level, class_years if by_class else 0, seed)
        rows += _communities(of_species, values, level, class_years if by_class else 0, seed)
    table = pd.DataFrame([{**row, "words": row_words(row)} for row in rows], columns=list(COLUMNS))
    table = table.assign(
        **{name: table[name].astype(object).where(table[name].notna(), "") for name in TEXT}
    )
    return whole_numbers(
        table, ("class_first_year", "class_last_year", "first_stands", "second_stands")
    )


class _Values:
    """Draws of a measure of a stand, each worked out once for all the pairs it is in."""

    def __init__(self) -> None:
        self._known: dict[tuple, np.ndarray] = {}

    def of(self, measure: Measure, history: ComparedStand, season: int) -> np.ndarray:
        key = (measure.name, history.name, season)
        if key not in self._known:
            self._known[key] = measure.of_draws(history, season)
        return self._known[key]


def _pair(
    first: ComparedStand,
    second: ComparedStand,
    values: _Values,
    level: float,
    class_years: int,
    seed: int,
) -> Iterator[dict]:
    about = _about(STAND, first, second)
    reason = not_on_one_footing(first, second)
    if reason:
        yield {**about, "measure": "all", "told_apart": NOT_COMPARED, "reason": reason}
        return
    season = min(first.season, second.season)
    shifted = first.basis == CORING_HEIGHT
    for measure in MEASURES:
        row = {**about, "measure": measure.name, "unit": measure.unit}
        reason = not_comparable(measure, first, second)
        if reason:
            yield {**row, "told_apart": NOT_COMPARED, "reason": reason}
            continue
        drawn = values.of(measure, first, season), values.of(measure, second, season)
        yield {
            **row,
            **difference_columns(
                *drawn, level, claims=measure.claims and not (shifted and measure.by_calendar)
            ),
        }
    if first.has_plots == second.has_plots:
        for begin, end in classes_worth_showing([first, second], season, class_years):
            for name, unit, share in CLASS_MEASURES if first.has_plots else CLASS_MEASURES[:1]:
                row = {
                    **about,
                    "measure": name,
                    "class_first_year": begin,
                    "class_last_year": end,
                    "unit": unit,
                }
                held, other = (
                    in_class(history, begin, end, season, share=share)
                    for history in (first, second)
                )
                yield {**row, **difference_columns(held, other, level, claims=not shifted)}
        yield _distance_row(about, first, second, season, level, seed, claims=not shifted)
    yield _synchrony_row(about, first, second, level, claims=not shifted)


def not_on_one_footing(first: ComparedStand, second: ComparedStand) -> str:
    """Why nothing of two stands of a species can be compared; blank where something can."""
    if first.profile != second.profile:
        return (
            "their results rest on different profiles of the species, and their dates differ by"
            " what these assume"
        )
    if first.basis != second.basis:
        without = first.name if first.basis == CORING_HEIGHT else second.name
        return (
            f"no coring height is recorded in {without}: its years are those of reaching the core,"
            " not of establishment"
        )
    return ""


def _about(kind: str, first: ComparedStand, second: ComparedStand) -> dict:
    amounts = PER_HECTARE if first.has_plots and second.has_plots else SAMPLED
    names = {"first": first.name, "second": second.name, "species": first.species}
    return {
        "kind": kind,
        **names,
        "basis": first.basis if first.basis == second.basis else "",
        "amounts": amounts,
    }


def difference_columns(
    first: np.ndarray, second: np.ndarray, level: float, *, claims: bool = True
) -> dict:
    """First less second: interval, probability of each sign, and whether they are told apart.
    Shapes (draw,), NaN where one is missing.
    """
    there = np.isfinite(first) & np.isfinite(second)
    if not there.any():
        return {"told_apart": NO, "probability_both": 0.0}
    difference = (first - second)[there]
    greater, equal = float(np.mean(difference > 0)), float(np.mean(difference == 0))
    told = YES if max(greater, 1 - greater - equal) * there.mean() >= SURELY else NO
    return {
        "first_median": float(np.nanmedian(first)),
        "second_median": float(np.nanmedian(second)),
        **{
            f"difference{suffix}": point
            for suffix, point in zip(SUFFIXES, credible_points(difference, level), strict=True)
        },
        "probability_greater": greater,
        "probability_equal": equal,
        "probability_both": float(there.mean()),
        "told_apart": told if claims else NOT_ASSESSED,
    }


def classes_worth_showing(
    histories: Sequence[ComparedStand], season: int, class_years: int
) -> list[tuple[int, int]]:
    """Classes of years, oldest first, that may hold a share of some stand worth a row; the last
    ends with the earlier survey.
    """
    if not class_years:
        return []
    oldest = min(int(history.years[0]) for history in histories) // class_years * class_years
    shown = []
    for begin in range(oldest, season + 1, class_years):
        end = min(begin + class_years - 1, season)
        held = [in_class(history, begin, end, season, share=True) for history in histories]
        if (
            max(float(np.quantile(np.nan_to_num(share), 0.95)) for share in held)
            >= LEAST_CLASS_SHARE
        ):
            shown.append((begin, end))
    return shown


def _distance_row(
    about: dict,
    first: ComparedStand,
    second: ComparedStand,
    season: int,
    level: float,
    seed: int,
    *,
    claims: bool,
) -> dict:
    begin = min(first.years[0], second.years[0])
    found = age_structure_distance(
        *(_on_axis(history, begin, season) for history in (first, second)), seed=seed
    )
    row = {
        **about,
        "measure": AGE_STRUCTURE_DISTANCE,
        "unit": "years",
        "probability_greater": found.probability_beyond_chance,
    }
    for name, draws in (("difference", found.draws), ("chance", found.chance)):
        row |= {
            name + suffix: point
            for suffix, point in zip(SUFFIXES, credible_points(draws, level), strict=True)
        }
    told = YES if found.probability_beyond_chance >= SURELY else NO
    return row | {"told_apart": told if claims else NOT_ASSESSED}


def _on_axis(history: ComparedStand, begin: int, season: int) -> np.ndarray:
    """Stems over the years from begin to season, none in years before the stand's own axis. (draw,
    year)
    """
    years, stems = history.up_to(season)
    return np.pad(stems, ((0, 0), (int(years[0] - begin), 0)))


def _synchrony_row(
    about: dict, first: ComparedStand, second: ComparedStand, level: float, *, claims: bool
) -> dict:
    row = {**about, "measure": SHARED_PULSE, "unit": "years", "tolerance": TOLERANCE}
    found = synchrony(first, second)
    if found is None:
        without = [history.name for history in (first, second) if not len(history.starts)]
        reason = (
            f"no pulse can be told in {' and '.join(without)}"
            if without
            else "the two have no years in common that they speak about"
        )
        return {**row, "told_apart": NOT_COMPARED, "reason": reason}
    columns = difference_columns(
        first.starts[found.first_pulse - 1],
        second.starts[found.second_pulse - 1],
        level,
        claims=claims,
    )
    columns |= {"probability_shared": found.probability, "chance_shared": found.chance}
    if claims:  # a pulse of both is what is looked for here, not a year of difference
        columns["told_apart"] = YES if found.probability <= 1 - SURELY else NO
    return {**row, **columns, "first_pulse": found.first_pulse, "second_pulse": found.second_pulse}


def _communities(
    histories: list[ComparedStand], values: _Values, level: float, class_years: int, seed: int
) -> Iterator[dict]:
    """Communities with each other, and with stands that no other shares a community with."""
    usable, left_out = [], []
    for history in histories:
        if history.basis == CORING_HEIGHT:
            reason = "coring heights are not recorded"
        elif history.profile != histories[0].profile:
            reason = "another profile of the species"
        else:
            reason = "" if history.has_plots else "no plots"
        (left_out if reason else usable).append((history, reason))
    groups = shared_communities([history for history, _ in usable])
    for community, stands in shared_communities(histories).items():
        then = (
            f"it is left out of the mean of {community}"
            if community in groups
            else f"{community} is not estimated"
        )
        for history, reason in left_out:
            if history in stands:
                about = {
                    "kind": COMMUNITY_AND_STAND,
                    "first": community,
                    "second": history.name,
                    "species": history.species,
                }
                yield {
                    **about,
                    "measure": "all",
                    "told_apart": NOT_COMPARED,
                    "reason": f"{reason}, so that {then}",
                }
    if not groups:
        return
    histories = [history for history, _ in usable]
    season = min(history.season for history in histories)
    axis = (min(int(history.years[0]) for history in histories), season)
    grouped = {history.name for stands in groups.values() for history in stands}
    single = [history for history in histories if history.name not in grouped]
    everyone = [*single, *(history for stands in groups.values() for history in stands)]

    def means(draws, scale: str) -> CommunityMeans:
        by_group = {
            name: np.array([draws(history) for history in stands])
            for name, stands in groups.items()
        }
        return community_means(by_group, scale, axis=axis, seed=seed)

    compared, refused = [], []
    for measure in (measure for measure in MEASURES if measure.name in OF_COMMUNITIES):
        about_it = {"measure": measure.name, "unit": measure.unit}
        if reason := next(
            filter(None, (not_comparable(measure, history, history) for history in everyone)), ""
        ):
            refused.append({**about_it, "told_apart": NOT_COMPARED, "reason": reason})
            continue
        draws = partial(_of_stand, values, measure, season)
        compared.append((about_it, draws, means(draws, measure.scale)))
    for begin, end in classes_worth_showing(everyone, season, class_years):
        for name, unit, share in CLASS_MEASURES:
            draws = partial(in_class, first=begin, last=end, season=season, share=share)
            of_class = {
                "measure": name,
                "class_first_year": begin,
                "class_last_year": end,
                "unit": unit,
            }
            compared.append((of_class, draws, means(draws, "share" if share else "amount")))
    about = {"species": histories[0].species, "basis": ESTABLISHMENT, "amounts": PER_HECTARE}
    for first, second in combinations(groups, 2):
        pair = {"kind": COMMUNITY, "first": first, "second": second, **about}
        pair |= {"first_stands": len(groups[first]), "second_stands": len(groups[second])}
        for measure, _, found in compared:
            spreads = {
                "first_spread": _typical(found.spread[first]),
                "second_spread": _typical(found.spread[second]),
            }
            columns = difference_columns(found.mean[first], found.mean[second], level)
            yield {
                **pair,
                **measure,
                **columns,
                **spreads,
                "degrees_of_freedom": found.degrees_of_freedom,
            }
        yield from ({**pair, **row} for row in refused)
    for first, history in product(groups, single):
        pair = {"kind": COMMUNITY_AND_STAND, "first": first, "second": history.name, **about}
        pair |= {"first_stands": len(groups[first]), "second_stands": 1}
        for measure, draws, found in compared:
            columns = difference_columns(found.mean[first], draws(history), level) | {
                "first_spread": _typical(found.spread[first])
            }
            yield {**pair, **measure, **columns, "degrees_of_freedom": found.degrees_of_freedom}
        yield from ({**pair, **row} for row in refused)


def _of_stand(values: _Values, measure: Measure, season: int, history: ComparedStand) -> np.ndarray:
    return values.of(measure, history, season)


def _typical(spread: np.ndarray) -> float:
    known = spread[np.isfinite(spread)]
    return float(np.median(known)) if known.size else np.nan
