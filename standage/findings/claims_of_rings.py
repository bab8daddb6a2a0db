"""What is claimed of a stand from ring widths: openings and losses of vigour, years of events on
record that the rings narrow, and in which years an opening would have been found.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings.claim import Claim
from standage.findings.disturbance_decades import GROWTH_AFTER
from standage.findings.disturbances import is_named
from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.grammar import counted
from standage.growth.growth_changes import MODEL

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# of the range on record, below which a year that the rings have narrowed is named (assumption)
SHARPER = 0.7
# trees answer an opening at once or a year later, and take up to three years to grow at their new
# rate, where the model has a step: how far that may move it either way (assumption) [years]
SLOW_ANSWER = 1
LIKELIER = 0.5  # probability from which the rings count as showing a disturbance
WITH_RINGS = "the trees with ring widths"

Make = partial[Claim]


def ring_claims(findings: Findings) -> tuple[Claim, ...]:
    """The claims about each stand with rings; none without ring widths."""
    changes, releases = findings.growth_changes, findings.releases
    disturbances, decades = findings.disturbances, findings.disturbance_decades
    event_years = findings.event_years
    if changes is None or releases is None or disturbances is None:
        return ()
    if event_years is None or decades is None:
        return ()
    found: list[Claim] = []
    stands = dict.fromkeys([*event_years["stand"], *disturbances["stand"], *releases["stand"]])
    for stand in stands:
        of = partial(Claim, stand=stand, species="", population=WITH_RINGS)
        if changes.criterion != MODEL:
            found += _by_criterion(of, releases[releases["stand"] == stand])
            continue
        rows, events, spans = (
            table[table["stand"] == stand] for table in (disturbances, event_years, decades)
        )
        found += by_model(of, rows, events, spans, findings.level)
    return tuple(found)


def by_model(
    of: Make,
    disturbances: pd.DataFrame,
    event_years: pd.DataFrame,
    decades: pd.DataFrame,
    level: float,
) -> Iterator[Claim]:
    """The claims about a stand, from its rows of the tables. of: a claim about it."""
    events, rows = event_years.to_dict("records"), disturbances.to_dict("records")
    seen = [row for row in rows if _seen_in_rings(row, events)]
    for row in seen:
        yield from _disturbance(of, row, level)
    yield from _would_be_found(of, decades)
    unseen = [row["events"] for row in rows if row not in seen]
    for event in events:
        if not any(is_named(event["event"], names) for names in unseen):
            continue
        yield of(
            kind="event not seen", subject=str(event["event"]), category=str(event["kind"]),
            quantity="an event on record that the rings don't show", probability=np.nan,
            scored="none", table="event_years", columns="seen_in_rings",
            rows=f"event {event['event']}", unit="calendar year",
            interval=Interval(event["first_year"], np.nan, event["last_year"]),
        )  # fmt: skip
    yield from _narrowed_years(of, events, level)


def _disturbance(of: Make, row: Row, level: float) -> Iterator[Claim]:
    year, kind = Interval.of(row, "year"), str(row["kind"])
    when = Interval(year.low - SLOW_ANSWER, year.median, year.high + SLOW_ANSWER)
    at = partial(
        of, subject=f"{year.median:.0f}", category=kind, table="disturbances",
        rows=f"kind {kind}, year {year.median:.0f}",
    )  # fmt: skip
    yield at(
        kind="disturbance", quantity="that it happened within five years of then",
        probability=float(row["probability"]), scored="event", columns="probability",
    )  # fmt: skip
    yield at(
        kind="disturbance year", quantity="its year: of the new growth, a year more either way",
        probability=level, scored="inside", columns="year_*", interval=when, unit="calendar year",
    )  # fmt: skip
    if row["trees_at_risk"]:
        yield at(
            kind="trees disturbed", quantity="share that responded", probability=level,
            scored="none", columns="share_*, trees_at_risk", unit="share",
            population=counted(row["trees_at_risk"], "tree"), interval=Interval.of(row, "share"),
        )  # fmt: skip


def _would_be_found(of: Make, decades: pd.DataFrame) -> Iterator[Claim]:
    """Spans of decades in which an opening on no record would be found, more likely than not; one
    without years where there is none.
    """
    detectable = decades[decades["chance_found"] >= LIKELIER]
    runs = (detectable["first_year"].diff() != 10).cumsum()
    spans = [
        (int(run["first_year"].iloc[0]), int(run["last_year"].iloc[-1]), run["chance_found"].min())
        for _, run in detectable.groupby(runs)
    ]
    found = partial(
        of, kind="would be found", table="disturbance_decades", columns="chance_found",
        quantity=f"that an opening after which trees grow {GROWTH_AFTER} % more is found",
    )  # fmt: skip
    for first, last, chance in spans:
        yield found(
            subject=f"{first} to {last}", probability=float(chance), scored="event",
            interval=Interval(first, np.nan, last), unit="calendar year",
        )  # fmt: skip
    if not spans:
        yield found(subject="any decade", probability=np.nan, scored="none", category="missed")


def _narrowed_years(of: Make, events: Sequence[Row], level: float) -> Iterator[Claim]:
    for event in events:
        recorded, year = event["last_year"] - event["first_year"], Interval.of(event, "year")
        if event["read_from"] and year.width < SHARPER * recorded:
            yield of(
                kind="event year", subject=str(event["event"]), category=str(event["kind"]),
                quantity=f"the year, known to {event['first_year']} to {event['last_year']}",
                probability=level, scored="inside", table="event_years", columns="year_*",
                rows=f"event {event['event']}", interval=year, unit="calendar year",
            )  # fmt: skip


def _seen_in_rings(row: Row, events: Sequence[Row]) -> bool:
    """Whether a disturbance is known from the rings, or from what they make of an event on record;
    otherwise it is on record only.
    """
    if row["probability_rings"] >= LIKELIER or not row["events"]:
        return True
    return any(
        float(event["seen_in_rings"]) >= LIKELIER
        for event in events
        if is_named(event["event"], row["events"])
    )


def _by_criterion(of: Make, releases: pd.DataFrame) -> Iterator[Claim]:
    """Changes of single trees by a published criterion, which says nothing of the stand; and the
    year in which most were released.
    """
    by = partial(of, kind="changes by criterion", scored="none", table="releases")
    for name in ("released_trees", "suppressed_trees"):
        number = int(releases[name].sum())
        yield by(
            subject=name, quantity="of trees, of all years", columns=name, unit="trees",
            probability=np.nan, interval=Interval(np.nan, number, np.nan),
        )  # fmt: skip
    if releases["released_trees"].sum():
        most = releases.loc[releases["share_released_median"].astype(float).idxmax()]
        yield by(
            subject=str(most["year"]), quantity="share released, of the year with most",
            columns="share_released_*", rows=f"year {most['year']}", probability=np.nan,
            population=counted(most["trees_at_risk"], "tree"), unit="share",
            interval=Interval.of(most, "share_released"),
        )  # fmt: skip
