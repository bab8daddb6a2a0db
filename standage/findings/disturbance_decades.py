"""disturbance_decades.csv: what the trees of a stand show of openings, decade by decade: releases,
trees that grew fast from the pith (Lorimer & Frelich 1989), and pulses; and whether an opening
would have been found at all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.disturbances import LEAST_AT_RISK
from standage.findings.intervals import interval_columns
from standage.findings.releases import BETA_DRAWS
from standage.growth.growth_changes import GrowthChanges

if TYPE_CHECKING:
    from standage.findings.findings import Findings

FIRST_RINGS = 10  # whose mean width is a tree's early growth (assumption) [rings]
# rings by which a series may begin after the pith for its early growth to be known (assumption)
NEAR_PITH = 5
FAST = 1.0  # above the profile's early growth, from which a start is fast (assumption) [log-sds]
GROWTH_AFTER = 62  # of an opening that takes four fifths of an open wood's basal area [% more]
# trees at risk, and of 24 invented stands with so many the share in which such an opening, on no
# record, is found (tests/benchmarks/release_detection.py --found --stands 24 --seed 11; where more
# trees found less, both are averaged)
TREES_AT_RISK = (0, 2, 3, 5, 8, 15, 30)
CHANCE_FOUND = (0.0, 0.25, 0.25, 0.5, 0.77, 0.77, 0.83)

DISTURBANCE_DECADES = schema.ResultTable(
    "disturbance_decades",
    "a stand with ring widths and a decade in which a tree could have shown an opening",
    (
        *schema.STAND,
        *schema.year("first_year last_year", "of the decade"),
        *schema.whole(
            "trees_at_risk", "trees", "in which a release or a fast start could have been seen"
        ),
        *schema.number("released_trees", "trees", "expected number that were released"),
        *schema.whole(
            "fast_starting_trees",
            "trees",
            "that reached the coring height then, the first ten rings wider than five in six"
            " stems' by the profile's early growth, as in a gap (assumption)",
        ),
        *schema.number(
            "share", "share of trees at risk", "released, or with a fast start", interval=True
        ),
        *schema.probability(
            "probability_opened",
            "that the stand was opened, from rings and record",
            blank="a published criterion gives none",
        ),
        *schema.probability("probability_pulse", "that a reported pulse began"),
        *schema.probability(
            "chance_found",
            f"that so many rings show an opening after which trees grow {GROWTH_AFTER} % more:"
            " where it is small, none found says nothing",
            blank="a published criterion",
        ),
    ),
)


def decade_table(findings: Findings, changes: GrowthChanges) -> pd.DataFrame:
    """A row a stand and decade with a tree at risk. A share's interval holds what is not known of
    each tree, and that so few trees stand for all (see `chronology_table`).
    """
    at_core = _years_at_core(findings, changes)
    early = _early_growth(findings, changes)
    begun = np.where(_first_ring(changes) - at_core <= NEAR_PITH, at_core, np.nan)
    begun[np.isnan(early)] = np.nan
    generator = np.random.default_rng(findings.posterior.seed)
    rows = []
    for stand in changes.stands:
        members = changes.series.of_stand(stand)
        pulses = _pulse_starts(findings, stand)
        for decade in decades_of(changes.series.years):
            span = np.flatnonzero(_within(changes.series.years, decade))
            at_risk = changes.at_risk[np.ix_(members, span)].mean(axis=1) >= LEAST_AT_RISK
            starting = members[~at_risk & _within(begun[members], decade)]
            number = int(at_risk.sum()) + len(starting)
            if number == 0:
                continue
            released = changes.released[:, members[at_risk]][:, :, span].any(axis=2).sum(axis=1)
            shown = released + int((early[starting] >= FAST).sum())
            rows.append(
                {
                    "stand": stand,
                    "first_year": decade[0],
                    "last_year": decade[1],
                    "trees_at_risk": number,
                    "released_trees": float(released.mean()),
                    "fast_starting_trees": int((early[starting] >= FAST).sum()),
                    "probability_pulse": max(
                        (float(_within(start, decade).mean()) for start in pulses), default=0.0
                    ),
                }
                | interval_columns("share", _shares(shown, number, generator), findings.level)
                | chances_by_model(changes, stand, decade)
            )
    return DISTURBANCE_DECADES.frame(rows)


def _shares(shown: np.ndarray, number: int, generator: np.random.Generator) -> np.ndarray:
    """Drawn shares of so many trees that show an opening, from how many did. shown: (draw,)"""
    shown = np.resize(shown, max(len(shown), BETA_DRAWS))
    return generator.beta(0.5 + shown, 0.5 + number - shown)


def decades_of(years: np.ndarray) -> list[tuple[int, int]]:
    return [(first, first + 9) for first in range(int(years[0]) // 10 * 10, int(years[-1]) + 1, 10)]


def _within(years: np.ndarray, span: tuple[int, int]) -> np.ndarray:
    """Whether each lies in the span; NaN never does."""
    return (years >= span[0]) & (years <= span[1])


def _years_at_core(findings: Findings, changes: GrowthChanges) -> np.ndarray:
    """(tree,) Year in which each tree of the series reached its coring height, NaN if unknown."""
    dated = findings.tree_dates.set_index("tree")["coring_height_year_median"].astype(float)
    return dated.reindex(changes.series.trees).to_numpy()


def _first_ring(changes: GrowthChanges) -> np.ndarray:
    """(tree,) Year of the first ring of each series."""
    return changes.series.years[np.isfinite(changes.series.widths).argmax(axis=1)]


def _early_growth(findings: Findings, changes: GrowthChanges) -> np.ndarray:
    """(tree,) How far the mean of the first rings lies above the early growth of the species'
    profile [log-sds]; NaN if there is none, or a series has fewer rings.
    """
    found = np.full(len(changes.series.trees), np.nan)
    for tree, species in enumerate(changes.series.species):
        widths = changes.series.widths[tree]
        first = widths[np.isfinite(widths)][:FIRST_RINGS]
        if species in findings.profiles and len(first) == FIRST_RINGS:
            profile = findings.profiles[species]
            above = np.log(max(first.mean(), 1e-3) / profile["core.early_growth_mm_per_year"])
            found[tree] = above / profile["core.early_growth_log_sd"]
    return found


def _pulse_starts(findings: Findings, stand: str) -> list[np.ndarray]:
    """Of each reported pulse of a stand the drawn years in which it began, NaN in draws without."""
    starts = []
    for unit, scan, bursts in zip(
        findings.posterior.units, findings.scans, findings.bursts, strict=True
    ):
        if unit.stand == stand:
            starts += [np.where(b.there, scan.years[b.start], np.nan) for b in bursts]
    return starts


def chances_by_model(
    changes: GrowthChanges, stand: str, decade: tuple[int, int]
) -> dict[str, float]:
    """What only the model of releases gives. An opening of a decade's last years shows in trees
    that were at risk to its end.
    """
    if changes.rule is not None:
        return {}
    history = changes.openings[stand]
    inside = _within(history.years, decade)
    span = _within(changes.series.years, decade)
    throughout = changes.at_risk[changes.series.of_stand(stand)][:, span].sum(axis=1) == 10
    return {
        "probability_opened": float(history.drawn.disturbed()[:, inside].any(axis=1).mean()),
        "chance_found": float(np.interp(throughout.sum(), TREES_AT_RISK, CHANCE_FOUND)),
    }
