"""Pulses and events: how far apart they began, how surprising that is, and what share of a pulse's
stems was there before.

Agreement in time is given with its probability and beside what chance would give; it is no proof of
cause. Where events of a kind recur so often that some event always goes before, nothing is tied to
them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.event_lags import usual_lags
from standage.findings.events_on_record import LAG_WINDOW, Event, stand_events
from standage.findings.intervals import interval_columns
from standage.findings.local_ratio import Scan
from standage.findings.pulses import Burst, wider_columns
from standage.findings.stages_at_event import (
    StageShares,
    StemHistories,
    stage_shares,
    stem_histories,
)
from standage.findings.stems import CORING_HEIGHT, dated_years, unit_basis, unit_label

if TYPE_CHECKING:
    from standage.findings.findings import Findings

SPANS = (5, 10, 20)  # spans after an event of which a probability is given [years]
# before looking, a pulse is as likely to go with none of the events listed as with one of them
# (assumption)
NO_EVENT_PRIOR = 0.5
# Bayes factor under which nothing is claimed about waiting or germinating after
NEEDED_FACTOR = 3.0
NEEDED_SHARE = 0.8  # and share of the posterior that must agree with the claim (assumption)

SHARES = ("waiting", "emerging", "after")
OF_PULSE = "share of its stems"
NO_GRASS_STAGE = "species without a grass stage"
ATTRIBUTION = schema.ResultTable(
    "attribution",
    "a pulse and an event of its stand, and one for no event (`event` blank)",
    (
        *schema.UNIT,
        *schema.whole("pulse", "", "as in `pulses.csv`"),
        *schema.text("event kind", "as in `events.csv`", blank="the row without event"),
        *schema.code(
            "timing",
            "what is known of when",
            {
                "year": "",
                "uncertain year": "known to a range",
                "period": "until `event_ended_year`",
            },
        ),
        *schema.year("event_first_year event_last_year", "range in which it began"),
        *schema.year("event_ended_year", "end of a period"),
        *schema.number(
            "lag_years",
            "years",
            "from event to pulse, start to start; negative: the pulse came first",
            interval=True,
        ),
        *schema.probability(
            " ".join(f"probability_began_within_{span}" for span in SPANS),
            "0 to so many years after the event",
        ),
        *schema.probability(
            "probability_before probability_during",
            "that it began before the event; during a period",
        ),
        *schema.probability(
            "chance_as_close",
            "that of as many events at random one came as"
            " close, before or after (in a period: 0 years)",
        ),
        *schema.probability(
            "probability_none_on_record",
            "in the row without event: that the pulse goes with none, by the"
            " [usual lags](#pulses-and-events)",
            blank="no event to compare",
        ),
        *schema.number(
            "share_waiting",
            OF_PULSE,
            "in the grass stage at the event",
            blank=NO_GRASS_STAGE,
            interval=True,
        ),
        *schema.number(
            "share_emerging", OF_PULSE, "with a stem then, below breast height", interval=True
        ),
        *schema.number(
            "share_after", OF_PULSE, "germinated in the event's year or later", interval=True
        ),
        *schema.number(
            "prior_share_waiting prior_share_emerging prior_share_after",
            OF_PULSE,
            "the same from arrivals and the profile's delays alone",
            interval=True,
        ),
        *schema.probability(
            "probability_mostly_waiting probability_mostly_after",
            "that more than half were waiting; germinated after",
        ),
        *schema.probability(
            "prior_probability_mostly_waiting prior_probability_mostly_after",
            "the same without the rest of the survey",
        ),
        *schema.number(
            "bayes_factor",
            "ratio of odds",
            "by which the survey raised the odds of mostly waiting to mostly after",
        ),
        *schema.code(
            "claim",
            "what the survey speaks for",
            {
                "waiting": "",
                "germinated after": "",
                "nothing": f"a factor between 1/{NEEDED_FACTOR:g} and {NEEDED_FACTOR:g}, or under"
                f" {100 * NEEDED_SHARE:.0f} % of the posterior agree",
            },
        ),
        *schema.sentence(
            "other_explanation",
            "which sizes a cut took, as it may have left the shape",
        ),
        *schema.sentence("words", "the row in sentences"),
        *schema.BASIS,
        *schema.AMOUNTS,
        *schema.internal(
            "probability_in_reach", "number", "that it began in a period or `LAG_WINDOW` after"
        ),
        *schema.internal(
            "removed_from_cm removed_to_cm", "number", "sizes that a cut took, as recorded"
        ),
        *schema.internal(
            "events_on_record events_testable",
            "whole",
            "in the row without event: events of the stand",
        ),
    ),
    remark="[How to read it](#pulses-and-events); mathematics:"
    " [the-model.md](the-model.md), section 10.",
)

Columns = dict[str, Any]  # of a row, by name
NOTHING_CLAIMED: Columns = {"claim": "nothing"}


def attribution_table(findings: Findings) -> pd.DataFrame:
    """Every pulse with every event of its stand, and with none.

    Returns
    -------
    A row for each pulse and event of its stand, numbered as in the pulse table, and one with a
    blank event: that the pulse goes with none of them. See docs/the-model.md, section 10.
    """
    rows = [
        row
        for number, bursts in enumerate(findings.bursts)
        if bursts
        for row in _unit_rows(findings, number, bursts)
    ]
    return ATTRIBUTION.frame(rows)


def none_on_record(densities: list[np.ndarray], possible_years: int) -> float:
    """Probability that a pulse goes with none of the events on record.

    Half of the prior is that it goes with none, and begins in any possible year alike; half is
    spread evenly over the events, and it begins at a lag usual after them.

    Parameters
    ----------
    densities : for each event, the probability of its lag among the usual ones. (draw,)
    possible_years : length of the time in which a pulse could have been found.
    """
    if not densities:
        return np.nan
    none = NO_EVENT_PRIOR / possible_years
    event = (1 - NO_EVENT_PRIOR) * np.mean([each.mean() for each in densities])
    return float(none / (none + event))


def chance_as_close(lag: np.ndarray, lasting: np.ndarray, events: int, years: int) -> float:
    """Probability that of so many events, each as likely to begin in any of so many years, at least
    one comes as close to the pulse's start as this one, before or after.

    lag : from the event's beginning to the pulse. lasting : years it went on after its first; the
    years between count as 0 years away. Both (draw,).
    """
    away = np.maximum(np.maximum(-lag, lag - lasting), 0)
    matching = np.minimum((2 * away + 1 + lasting) / years, 1.0)
    return float(np.mean(1 - (1 - matching) ** events))


def mostly(shares: StageShares) -> tuple[float, float]:
    """Probability that more than half of the stems were waiting, and that more than half germinated
    after; NaN without a draw.
    """
    known = np.isfinite(shares.after)
    if not known.any():
        return np.nan, np.nan
    return float(np.mean(shares.waiting[known] > 0.5)), float(np.mean(shares.after[known] > 0.5))


def bayes_factor(fitted: tuple[float, float], prior: tuple[float, float], draws: int) -> float:
    """By how much the survey raised the odds of mostly waiting against mostly germinated after;
    below 1 it lowered them.

    fitted, prior: `mostly` of posterior and prior, from so many draws; half a draw on each side
    keeps none and all finite. NaN where neither ever held.
    """
    if not (sum(fitted) > 0 and sum(prior) > 0):
        return np.nan
    odds, prior_odds = (
        (waiting * draws + 0.5) / (after * draws + 0.5) for waiting, after in (fitted, prior)
    )
    return odds / prior_odds


def claim_of(fitted: tuple[float, float], factor: float) -> str:
    """`waiting`, `germinated after`, or `nothing` where the Bayes factor is under 3 or the
    posterior is not agreed.
    """
    waiting, after = fitted
    if factor >= NEEDED_FACTOR and waiting >= NEEDED_SHARE:
        return "waiting"
    if factor <= 1 / NEEDED_FACTOR and after >= NEEDED_SHARE:
        return "germinated after"
    return "nothing"


@dataclass(frozen=True)
class _Candidate:
    """An event beside a pulse. began : (draw,) its year. lasting : (draw,) years it went on after
    that, 0 where it is no period. testable : whether the pulse can be set beside it.
    """

    event: Event
    began: np.ndarray
    lasting: np.ndarray
    testable: bool


def _unit_rows(findings: Findings, number: int, bursts: list[Burst]) -> Iterable[Columns]:
    posterior, scan = findings.posterior, findings.scans[number]
    unit = posterior.units[number]
    generator = np.random.default_rng([posterior.seed, number, 73])
    events = stand_events(findings.survey, unit.stand)
    established = unit.basis != CORING_HEIGHT
    profile = findings.profiles[unit.species]
    histories = (
        stem_histories(posterior, number, scan.kept, profile, generator)
        if established and events
        else None
    )
    grass = (
        np.asarray(posterior.unit(number).delays["grass"], dtype=float).mean(axis=0)
        if established and profile.has_grass_stage
        else None
    )
    _, years = dated_years(posterior, number)
    oldest = np.nanmedian(years, axis=0).min() if years.shape[1] else np.inf
    for pulse, burst in enumerate(bursts, start=1):
        there, start = burst.there, scan.years[burst.start].astype(float)
        first = int(min(oldest, np.median(start[there]))) - LAG_WINDOW
        candidates = _candidates(
            events, first, len(start), generator, findings.event_chances, unit.stand
        )
        tested = [one for one in candidates if one.testable]
        possible = unit.season - first + 1
        none = none_on_record(
            [
                usual_lags(one.event, grass).density((start - one.began)[there], one.lasting[there])
                for one in tested
            ],
            possible,
        )
        label = {**unit_label(unit), "pulse": pulse} | unit_basis(unit)
        for one in candidates:
            row = label | _event_columns(one.event)
            if one.event.recurring:
                yield row | NOTHING_CLAIMED
                continue
            row |= _lag_columns(start, one, there, findings.level)
            row["chance_as_close"] = chance_as_close(
                (start - one.began)[there], one.lasting[there], max(len(tested), 1), possible
            )
            yield row | _share_columns(
                histories, scan, burst, one.began, profile.has_grass_stage, findings.level
            )
        yield (
            label
            | NOTHING_CLAIMED
            | {
                "probability_none_on_record": none if established else np.nan,
                "events_on_record": len(events),
                "events_testable": len(tested),
            }
        )


def _candidates(
    events: list[Event],
    first: int,
    draws: int,
    generator: np.random.Generator,
    event_chances: Mapping[tuple[str, str], pd.Series],
    stand: str,
) -> list[_Candidate]:
    """The events of a stand beside one pulse. first: earliest year in which one could be tied to
    it.
    """
    began = [
        event.began(draws, generator, event_chances.get((stand, event.name))) for event in events
    ]
    lasting = [_lasting(event, year) for event, year in zip(events, began, strict=True)]
    return [
        _Candidate(
            event,
            year,
            longer,
            testable=bool(not event.recurring and np.median(year + longer) >= first),
        )
        for event, year, longer in zip(events, began, lasting, strict=True)
    ]


def _lasting(event: Event, began: np.ndarray) -> np.ndarray:
    """Years a period went on after its first, 0 for what is none. (draw,)"""
    return np.maximum(event.ended - began, 0) if event.timing == "period" else np.zeros(len(began))


def _event_columns(event: Event) -> Columns:
    return {
        "event": event.name,
        "kind": event.kind,
        "timing": event.timing,
        "event_first_year": event.first,
        "event_last_year": event.last,
        "event_ended_year": event.ended,
        "removed_from_cm": event.smallest_cut_cm,
        "removed_to_cm": event.largest_cut_cm,
    }


def _lag_columns(
    start: np.ndarray, candidate: _Candidate, there: np.ndarray, level: float
) -> Columns:
    lag, longer = (start - candidate.began)[there], candidate.lasting[there]
    within = {
        f"probability_began_within_{span}": float(np.mean((lag >= 0) & (lag <= span)))
        for span in SPANS
    }
    during = float(np.mean((lag >= 0) & (lag <= longer))) if longer.any() else np.nan
    return (
        wider_columns("lag_years", lag, level, whole=True)
        | within
        | {
            "probability_before": float(np.mean(lag < 0)),
            "probability_during": during,
            "probability_in_reach": float(np.mean((lag >= 0) & (lag <= longer + LAG_WINDOW))),
        }
    )


def _share_columns(
    histories: tuple[np.ndarray, StemHistories, StemHistories] | None,
    scan: Scan,
    burst: Burst,
    year: np.ndarray,
    has_grass_stage: bool,
    level: float,
) -> Columns:
    if histories is None:
        return NOTHING_CLAIMED
    weights, fitted, prior = histories
    first, last = (scan.years[edge][:, None] for edge in (burst.start, burst.end))
    inside = (fitted.established >= first) & (fitted.established <= last)
    # the same stems in every draw: taking each draw's own would leave out, by definition, what
    # germinated before a pulse's first year
    inside = (inside[burst.there].mean(axis=0) > 0.5) & burst.there[:, None]
    by_name = {
        "share": stage_shares(fitted, weights, inside, year),
        "prior_share": stage_shares(prior, weights, inside, year),
    }
    columns = dict(NOTHING_CLAIMED)
    for share in SHARES:
        if has_grass_stage or share != "waiting":
            fitted_share = getattr(by_name["share"], share)
            prior_share = getattr(by_name["prior_share"], share)
            columns |= wider_columns(f"share_{share}", fitted_share, level, most=1.0)
            columns |= interval_columns(f"prior_share_{share}", prior_share, level)
    if has_grass_stage:
        fitted_mostly, prior_mostly = mostly(by_name["share"]), mostly(by_name["prior_share"])
        for when, (waiting, after) in (("", fitted_mostly), ("prior_", prior_mostly)):
            columns |= {
                f"{when}probability_mostly_waiting": waiting,
                f"{when}probability_mostly_after": after,
            }
        columns["bayes_factor"] = bayes_factor(fitted_mostly, prior_mostly, int(burst.there.sum()))
        columns["claim"] = claim_of(fitted_mostly, columns["bayes_factor"])
    return columns
