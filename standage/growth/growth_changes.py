"""What the rings say of the changes of growth of all trees, and of the history of each stand.

The model of `standage.growth.release_model` is the default; a published criterion by its name gives
the years of changes, but no probabilities, which it doesn't have.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from standage.growth.classified_steps import LEAST_SIDE
from standage.growth.dated_events import (
    LIKELY_OPENING,
    OPENING,
    WEAKENING,
    EventsOnAxis,
    effect_chance,
    events_on_axis,
)
from standage.growth.release_criteria import CRITERIA, Criterion, criterion_named, found_changes
from standage.growth.release_model import DRAWS, changes_of_trees, prior_probabilities
from standage.growth.stand_disturbance import (
    RELEASE_LAGS,
    SUPPRESSION_LAGS,
    DrawnDisturbances,
    drawn_disturbances,
    with_common_rise,
    year_evidence,
)
from standage.growth.tree_series import TreeSeries, model_series, tree_series
from standage.survey.survey import Survey

MODEL = "change_point"


@dataclass(frozen=True)
class DisturbanceHistory:
    """A stand's years, evidence and drawn disturbances, of releases or of suppressions.

    years : (year,) consecutive, of the rings and of all events. evidence : (year,) log, 0 where no
        tree is at risk.
    """

    years: np.ndarray
    evidence: np.ndarray
    drawn: DrawnDisturbances
    events: EventsOnAxis


@dataclass(frozen=True)
class GrowthChanges:
    """What the rings say of the changes of growth of all trees.

    Attributes
    ----------
    criterion : `change_point`, or the name of a published criterion.
    rule : the criterion; None under the model.
    series : one ring series a tree.
    at_risk : (tree, year) bool, years in which a change could have been told.
    released, suppressed : (draw, tree, year) bool, whether one began with the ring of the year; a
        single draw under a criterion.
    change : (draw, tree, year) growth after over growth before, less 1; 0 elsewhere.
    openings, weakenings : by stand, its history; empty under a criterion.
    """

    criterion: str
    series: TreeSeries
    at_risk: np.ndarray
    released: np.ndarray
    suppressed: np.ndarray
    change: np.ndarray
    openings: dict[str, DisturbanceHistory]
    weakenings: dict[str, DisturbanceHistory]
    rule: Criterion | None = None

    @property
    def recorded_criterion(self) -> str | dict[str, Any]:
        """What provenance says of the criterion: its name, or all its numbers where they are not
        those of the name.
        """
        return (
            self.criterion
            if self.rule is None or self.rule == CRITERIA.get(self.criterion)
            else asdict(self.rule)
        )

    @property
    def stands(self) -> list[str]:
        return list(dict.fromkeys(self.series.stands))

    @property
    def release_probability(self) -> np.ndarray:
        """Probability that a release of the tree began with the ring of the year. (tree, year)"""
        return self.released.mean(axis=0)

    @property
    def suppression_probability(self) -> np.ndarray:
        """Probability that a suppression began with the ring of the year. (tree, year)"""
        return self.suppressed.mean(axis=0)


def check_criterion(criterion: str | Criterion) -> None:
    """Raises ValueError, which lists the names, where there is no criterion of that name."""
    if isinstance(criterion, str) and criterion != MODEL:
        criterion_named(criterion)


def growth_changes(
    survey: Survey,
    *,
    criterion: str | Criterion = MODEL,
    seed: int = 1,
    draws: int = DRAWS,
    remove_common: bool = True,
) -> GrowthChanges:
    """Releases and suppressions of every tree with rings.

    Parameters
    ----------
    survey : with `ring_widths` (no rows are fine), `cores`, `trees`, `events`.
    criterion : `change_point` (the model), a name in `release_criteria.CRITERIA`, or a `Criterion`
        of your own.
    draws : of each tree's chain. remove_common : take out what the trees of a stand have in common
        but for lasting steps.

    Raises
    ------
    ValueError for a criterion that there is not.

    >>> changes = growth_changes(with_rings.survey, criterion="sustained")
    >>> changes.released.shape  # (draw, tree, year)
    (1, 12, 81)
    """
    series = tree_series(survey)
    if criterion == MODEL:
        generator = np.random.default_rng(seed)
        return _by_model(survey, series, generator, draws=draws, remove_common=remove_common)
    return _by_rule(
        series, criterion if isinstance(criterion, Criterion) else criterion_named(criterion)
    )


def _by_rule(series: TreeSeries, rule: Criterion) -> GrowthChanges:
    shape = (1, *series.widths.shape)
    drawn = {"release": np.zeros(shape, dtype=bool), "suppression": np.zeros(shape, dtype=bool)}
    change = np.zeros(shape, dtype=np.float32)
    found = found_changes(series.widths, series.years, rule) if series.trees else pd.DataFrame()
    for row in found.itertuples():
        if row.kind == "recovery":
            continue
        year = row.first_year - int(series.years[0])
        drawn[row.kind][0, row.series, year] = True
        grew = row.after_mm / row.before_mm - 1 if row.before_mm > 0 else np.inf
        change[0, row.series, year] = grew
    return GrowthChanges(
        rule.name,
        series,
        _rings_on_both_sides(series.widths, rule.window),
        drawn["release"],
        drawn["suppression"],
        change,
        openings={},
        weakenings={},
        rule=rule,
    )


def _by_model(
    survey: Survey,
    series: TreeSeries,
    generator: np.random.Generator,
    *,
    draws: int,
    remove_common: bool,
) -> GrowthChanges:
    of_common, of_trees, of_stands = generator.spawn(3)
    given = model_series(
        series, of_common, controls=_controls(survey, series), remove_common=remove_common
    )
    shape = (draws, *series.widths.shape)
    released, suppressed = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    change = np.zeros(shape, dtype=np.float32)
    for tree, found in enumerate(changes_of_trees(given.logs, of_trees, draws=draws)):
        span = slice(given.first[tree], given.first[tree] + len(given.logs[tree]))
        released[:, tree, span], suppressed[:, tree, span] = found.released, found.suppressed
        change[:, tree, span] = np.expm1(found.change)
    at_risk = _rings_on_both_sides(series.widths, LEAST_SIDE)
    stands = list(dict.fromkeys(series.stands))
    prior_release, prior_suppression = prior_probabilities()
    histories: dict[str, dict[str, DisturbanceHistory]] = {OPENING: {}, WEAKENING: {}}
    for stand, own in zip(stands, of_stands.spawn(len(stands)), strict=True):
        members = series.of_stand(stand)
        for aim, drawn, prior, lags in (
            (OPENING, released, prior_release, RELEASE_LAGS),
            (WEAKENING, suppressed, prior_suppression, SUPPRESSION_LAGS),
        ):
            evidence = year_evidence(
                drawn[:, members].mean(axis=0), prior, at_risk[members], lags, draws=draws
            )
            if aim == OPENING:
                evidence = with_common_rise(evidence, given.of_stand(stand))
            events = survey.events[survey.events["stand"].isin([stand, ""])]
            histories[aim][stand] = _history(events, series.years, evidence, aim, own)
    return GrowthChanges(
        MODEL,
        series,
        at_risk,
        released,
        suppressed,
        change,
        openings=histories[OPENING],
        weakenings=histories[WEAKENING],
    )


def _controls(survey: Survey, series: TreeSeries) -> set[str]:
    """Stands that nothing on record is likely to have opened."""
    opened = {
        event.stand
        for event in survey.events.itertuples()
        if effect_chance(event.kind, event.opens_canopy, OPENING) >= LIKELY_OPENING
    }
    return set() if "" in opened else set(series.stands) - opened


def _rings_on_both_sides(widths: np.ndarray, side: int) -> np.ndarray:
    """Years that have `side` rings of the series before them, and as many from them on. (tree,
    year) bool
    """
    there = np.isfinite(widths)
    before = np.cumsum(there, axis=1) - there
    return there & (before >= side) & (there.sum(axis=1, keepdims=True) - before >= side)


def _history(
    events: pd.DataFrame,
    years: np.ndarray,
    evidence: np.ndarray,
    aim: str,
    generator: np.random.Generator,
) -> DisturbanceHistory:
    """A stand's history from its events, and the evidence of the years with rings. (year,)"""
    first = int(min([years[0], *events["first_year"]]))
    last = int(max([years[-1], *events["last_year"]]))
    axis = np.arange(first, last + 1)
    of_axis = np.zeros(len(axis))
    of_axis[years[0] - first : years[0] - first + len(years)] = evidence
    on_axis = events_on_axis(events, axis, aim)
    drawn = drawn_disturbances(of_axis, on_axis.known, generator)
    return DisturbanceHistory(axis, of_axis, drawn, on_axis)


def ring_years(changes: GrowthChanges) -> pd.DataFrame:
    """Every ring of every tree, for the pictures.

    Columns: stand, tree, species, year, width_mm, release_probability, suppression_probability,
    criterion.
    """
    tree, place = np.nonzero(np.isfinite(changes.series.widths))
    of_tree = {
        name: (
            np.array(getattr(changes.series, names), dtype=object)[tree]
            if len(tree)
            else np.zeros(0, dtype=object)
        )
        for name, names in (("stand", "stands"), ("tree", "trees"), ("species", "species"))
    }
    return pd.DataFrame(
        of_tree
        | {
            "year": changes.series.years[place],
            "width_mm": changes.series.widths[tree, place],
            "release_probability": changes.release_probability[tree, place],
            "suppression_probability": changes.suppression_probability[tree, place],
            "criterion": changes.criterion,
        }
    )
