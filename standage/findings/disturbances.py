"""What the changes of growth add up to: releases of each tree, disturbances of each stand, and the
years of events on record.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.events_on_record import events_of
from standage.findings.intervals import interval_columns
from standage.findings.releases import AT_RISK, RINGS_ALONE
from standage.growth.growth_changes import DisturbanceHistory, GrowthChanges
from standage.growth.stand_disturbance import APART, RELEASE_LAGS, SUPPRESSION_LAGS, year_chances
from standage.survey.survey import Survey

TREE_WINDOW = 7  # length of the window in which draws tell of the same change of a tree [years]
# from which a change of a tree, or a disturbance, gets a row: likelier than not
LEAST_PROBABILITY = 0.5
# share of a disturbance's years in which a tree must have been at risk to count (assumption)
LEAST_AT_RISK = 0.5
# share of the draws in which an event must begin in a disturbance's window to be named with it
LEAST_NAMED = 0.1
BETWEEN = "; "  # names of events; a name may hold it too
# why the rings say nothing of an event's year: it is known from releases itself; a published
# criterion gives no chances; as recorded it neither opens the canopy nor weakens trees
REASONS = FROM_RELEASES, BY_CRITERION, NO_EFFECT = (
    "from releases",
    "published criterion",
    "no effect",
)

TREE_RELEASES = schema.ResultTable(
    "tree_releases",
    "a tree's release or suppression, likelier than not or found by a published criterion",
    (
        *schema.text("stand tree species", "which tree"),
        *schema.code(
            "kind",
            "a rise that ends a suppression of ten years or less is none",
            ("release", "suppression"),
        ),
        *schema.probability(
            "probability",
            "that its growth changed for long; 1 by a published criterion",
        ),
        *schema.year("year", "first ring of the new growth", interval=True),
        *schema.number("change_percent", "%", "by how much growth changed", interval=True),
        *schema.text("criterion", "as in `releases.csv`"),
    ),
)
DISTURBANCES = schema.ResultTable(
    "disturbances",
    "an opening or a loss of vigour of a stand that is likelier than not; none by a published"
    " criterion",
    (
        *schema.STAND,
        *schema.code(
            "kind",
            "what it was",
            {"opening": "trees were released", "weakening": "trees were suppressed"},
        ),
        *schema.probability("probability", "that it happened, from rings and record"),
        *schema.probability("probability_rings", RINGS_ALONE),
        *schema.year("year", "when new growth began; sentences allow a year more", interval=True),
        *schema.whole("trees_at_risk", "trees", "in which it could have been found"),
        *schema.number("share", AT_RISK, "that responded to it", interval=True),
        *schema.number("share_elsewhere", AT_RISK, "that did so in the survey's other stands"),
        *schema.text("events", "on record that may have been it"),
        *schema.probability("unrecorded_probability", "that it was none of them"),
    ),
)
EVENT_YEARS = schema.ResultTable(
    "event_years",
    "an event and a stand with ring widths: its year as the rings leave it",
    (
        *schema.text("event stand kind source", "as in `events.csv`"),
        *schema.year("first_year last_year", "range in which it began, as recorded"),
        *schema.year("year", "the same with the rings", interval=True),
        *schema.year("likeliest_year", "of them", blank="the rings say nothing of it"),
        *schema.probability("likeliest_probability", "of that year"),
        *schema.probability("seen_in_rings", "that trees responded to it"),
        *schema.code(
            "read_from",
            "which changes of growth",
            ("releases", "suppressions"),
            blank="neither may be",
        ),
        *schema.sentence("note", "why not"),
        *schema.internal("reason", "code", "why not: one of `REASONS`"),
    ),
)


def episodes(drawn: np.ndarray, window: int) -> list[tuple[int, int, float]]:
    """First and last place, and probability, of the windows in which something likelier than not
    began, the likeliest first.

    drawn : (draw, year) bool. Windows never share a year.
    """
    found, left = [], drawn.copy()
    window = min(window, drawn.shape[1])
    while window:
        held = np.concatenate(
            [np.zeros((len(left), 1), dtype=int), np.cumsum(left, axis=1)], axis=1
        )
        inside = (held[:, window:] > held[:, :-window]).mean(axis=0)
        best = int(np.argmax(inside))
        if inside[best] < LEAST_PROBABILITY:
            break
        # of a run of equal windows the middle one
        alike = np.flatnonzero(inside >= inside[best] - 1e-12)
        best = int(alike[alike < best + window].mean())
        found.append((best, best + window - 1, float(inside[best])))
        left[:, best : best + window] = False
    return found


def tree_release_table(changes: GrowthChanges, *, level: float) -> pd.DataFrame:
    """A row for each release and suppression of a tree that is likelier than not: when, how sure,
    and by how much growth changed.
    """
    rows = []
    years = changes.series.years
    for tree, name in enumerate(changes.series.trees):
        for kind, drawn in (("release", changes.released), ("suppression", changes.suppressed)):
            for first, last, probability in episodes(
                drawn[:, tree], TREE_WINDOW if changes.rule is None else 1
            ):
                inside = drawn[:, tree, first : last + 1]
                has = inside.any(axis=1)
                place = first + inside[has].argmax(axis=1)
                size = 100 * changes.change[has, tree, place].astype(float)
                when = interval_columns("year", years[place].astype(float), level, whole=True)
                rows.append(
                    {
                        "stand": changes.series.stands[tree],
                        "tree": name,
                        "species": changes.series.species[tree],
                        "kind": kind,
                        "probability": probability,
                        "criterion": changes.criterion,
                    }
                    | when
                    | interval_columns("change_percent", size, level)
                )
    return TREE_RELEASES.frame(rows).sort_values(
        ["stand", "tree", "year_median", "kind"], ignore_index=True
    )


def disturbance_table(changes: GrowthChanges, *, seed: int, level: float) -> pd.DataFrame:
    """A row for each opening (`kind` opening) or loss of vigour (`weakening`) of a stand that is
    likelier than not.

    `probability_rings` is that of the rings alone. `events` names the events that begin in its
    window in a tenth or more of the draws; `unrecorded_probability` is the chance that it is none
    of them. Empty under a published criterion.
    """
    rows = []
    generator = np.random.default_rng(seed)
    for kind, histories, drawn in (
        ("opening", changes.openings, changes.released),
        ("weakening", changes.weakenings, changes.suppressed),
    ):
        lags = len(RELEASE_LAGS if kind == "opening" else SUPPRESSION_LAGS) - 1
        for stand, of_stand in histories.items():
            chances = year_chances(of_stand.evidence)
            for first, last, probability in episodes(of_stand.drawn.disturbed(), APART):
                span = (of_stand.years[first], of_stand.years[last] + lags)
                rows.append(
                    {
                        "stand": stand,
                        "kind": kind,
                        "probability": probability,
                        "probability_rings": min(float(chances[first : last + 1].sum()), 1.0),
                    }
                    | _when_and_why(of_stand, first, last, level)
                    | _share_that_answered(changes, stand, drawn, span, generator, level)
                )
    return DISTURBANCES.frame(rows).sort_values(["stand", "year_median", "kind"], ignore_index=True)


def is_named(event: str, names: str) -> bool:
    """Whether an event is among the names of a disturbance, see `events` there."""
    return f"{BETWEEN}{event}{BETWEEN}" in f"{BETWEEN}{names}{BETWEEN}"


def _when_and_why(
    of_stand: DisturbanceHistory, first: int, last: int, level: float
) -> dict[str, Any]:
    drawn = of_stand.drawn
    inside = drawn.disturbed()[:, first : last + 1]
    has = inside.any(axis=1)
    place = first + inside[has].argmax(axis=1)
    here = drawn.event_happened & (drawn.event_index >= first) & (drawn.event_index <= last)
    often = here[has].mean(axis=0) >= LEAST_NAMED if here.shape[1] else np.zeros(0, dtype=bool)
    named = [name for name, worth in zip(of_stand.events.names, often, strict=True) if worth]
    unrecorded = float((~here[has].any(axis=1)).mean())
    return interval_columns("year", of_stand.years[place].astype(float), level, whole=True) | {
        "events": BETWEEN.join(named),
        "unrecorded_probability": unrecorded,
    }


def _share_that_answered(
    changes: GrowthChanges,
    stand: str,
    drawn: np.ndarray,
    between: tuple[int, int],
    generator: np.random.Generator,
    level: float,
) -> dict[str, Any]:
    """Share of the trees at risk in a span of years whose change began in it, in this stand and in
    the others.
    """
    years = changes.series.years
    span = np.flatnonzero((years >= between[0]) & (years <= between[1]))
    members = changes.series.of_stand(stand)
    result: dict[str, Any] = {"trees_at_risk": 0}
    if not len(span):
        return result
    for stem, places in (
        ("share", members),
        ("elsewhere", np.setdiff1d(np.arange(len(changes.series.trees)), members)),
    ):
        # a tree whose series touches the span at its edge alone could hardly have shown it
        at_risk = changes.at_risk[np.ix_(places, span)].mean(axis=1) >= LEAST_AT_RISK
        if not at_risk.any():
            continue
        changed = drawn[:, places][:, at_risk][:, :, span].any(axis=2).sum(axis=1)
        trees = int(at_risk.sum())
        if stem == "elsewhere":
            result["share_elsewhere"] = float(changed.mean() / trees)
        else:
            shares = generator.beta(0.5 + changed, 0.5 + trees - changed)
            result |= {"trees_at_risk": trees} | interval_columns("share", shares, level)
    return result


def event_year_table(changes: GrowthChanges, survey: Survey, *, level: float) -> pd.DataFrame:
    """A row for each event and stand with rings: its year as known beforehand, and as the rings
    leave it.

    `seen_in_rings` is the probability that trees answered it; `read_from` says whether releases or
    suppressions were asked, and is empty with a `reason` where neither may be. An event's interval
    is that of its range where the rings say nothing.
    """
    rows = []
    for stand in changes.stands:
        for event in events_of(survey, stand).itertuples():
            about = {
                "event": event.event,
                "stand": stand,
                "kind": event.kind,
                "source": event.source,
                "first_year": event.first_year,
                "last_year": event.last_year,
            }
            possible = np.arange(int(event.first_year), int(event.last_year) + 1)
            drawn, seen, read_from, reason = _event_draws(changes, stand, event)
            if drawn is None:
                drawn = possible
            share = np.array([(drawn == year).mean() for year in possible])
            rows.append(
                about
                | interval_columns("year", np.asarray(drawn, dtype=float), level, whole=True)
                | {
                    "likeliest_year": possible[int(share.argmax())] if read_from else np.nan,
                    "likeliest_probability": float(share.max()),
                    "seen_in_rings": seen,
                    "read_from": read_from,
                    "reason": reason,
                }
            )
    return EVENT_YEARS.frame(rows)


def _event_draws(
    changes: GrowthChanges, stand: str, event: Any
) -> tuple[np.ndarray | None, float, str, str]:
    """Drawn years of an event, how likely trees answered it, from which changes of growth, and why
    not. event: a row of the survey's events.
    """
    if event.source == "release":
        return None, np.nan, "", FROM_RELEASES
    if changes.rule is not None:
        return None, np.nan, "", BY_CRITERION
    for word, histories in (("releases", changes.openings), ("suppressions", changes.weakenings)):
        of_stand = histories.get(stand)
        if of_stand is None or event.event not in of_stand.events.names:
            continue
        other = changes.weakenings[stand].events if word == "releases" else None
        if (
            other
            and event.event in other.names
            and other.chance(event.event) > of_stand.events.chance(event.event)
        ):
            continue
        number = of_stand.events.names.index(event.event)
        years = of_stand.years[of_stand.drawn.event_index[:, number]]
        return years, float(of_stand.drawn.event_seen[:, number].mean()), word, ""
    return None, np.nan, "", NO_EFFECT
