"""What ring widths say of each stand's disturbances, and of events whose year they sharpen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from standage.findings.disturbance_decades import GROWTH_AFTER
from standage.findings.disturbances import BY_CRITERION, FROM_RELEASES, NO_EFFECT
from standage.findings.findings import Findings
from standage.findings.schema import Row
from standage.grammar import capital, counted, listed
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words
from standage.prose.wording import percent, probability_words, year_words

# of the range on record, below which a year that the rings have sharpened is named (assumption)
SHARPER = 0.7
LIKELIER = 0.5  # probability from which the rings count as showing a disturbance
NO_CAUSE = "A release dates a change of growth; it doesn't prove what caused it."


NOT_READ = {  # why the rings say nothing of an event's year
    "": "",
    FROM_RELEASES: "known from growth releases itself, so not combined with ring widths",
    BY_CRITERION: (
        "a published criterion gives no chances by which the year of an event could be narrowed"
    ),
    NO_EFFECT: "neither opens the canopy nor weakens trees, as recorded",
}


def event_year_columns(table: pd.DataFrame) -> dict[str, list[str]]:
    """The English column of event_years.csv."""
    return {"note": [NOT_READ[reason] for reason in table["reason"]]}


def disturbance_paragraphs(findings: Findings) -> list[str]:
    """A paragraph a stand with rings; none without ring widths."""
    changes, releases, disturbances = (
        findings.growth_changes,
        findings.releases,
        findings.disturbances,
    )
    event_years, decades = findings.event_years, findings.disturbance_decades
    if changes is None or releases is None or disturbances is None:
        return []
    if event_years is None or decades is None:
        return []
    stands = dict.fromkeys([*event_years["stand"], *disturbances["stand"], *releases["stand"]])
    return [
        _stand_paragraph(
            stand,
            changes.criterion,
            *(
                table[table["stand"] == stand]
                for table in (releases, disturbances, event_years, decades)
            ),
        )
        for stand in stands
    ]


def _stand_paragraph(
    stand: str,
    criterion: str,
    releases: pd.DataFrame,
    disturbances: pd.DataFrame,
    event_years: pd.DataFrame,
    decades: pd.DataFrame,
) -> str:
    if criterion != MODEL:
        return _criterion_paragraph(stand, criterion, releases)
    events: list[dict[str, Any]] = event_years.to_dict("records")
    rows = disturbances.to_dict("records")
    seen = [row for row in rows if _seen_in_rings(row, events)]
    sentences = [_disturbance_words(row) for row in seen]
    found = (
        capital("; ".join(sentences))
        or "No disturbance is likelier than not; light cuts leave no mark in open woodland"
    )
    return " ".join(
        [
            f"{stand}, from ring widths. {found}.{_detectable_years(decades)}",
            *_unseen_events([row for row in rows if row not in seen], events),
            *_sharpened_years(events),
            *([NO_CAUSE] if sentences else []),
        ]
    )


def _disturbance_words(row: Row) -> str:
    what = "trees were let go as by an opening" if row["kind"] == "opening" else "trees lost vigour"
    share = (
        f", seen in {percent(row['share_median'])} of {counted(row['trees_at_risk'], 'tree')}"
        if row["trees_at_risk"]
        else ""
    )
    when = year_words(row["year_low"], row["year_median"], row["year_high"])
    return f"{what} {when}, {probability_words(row['probability'])}{share}"


def _detectable_years(decades: pd.DataFrame) -> str:
    """In which decades an opening would have been found."""
    detectable = decades[decades["chance_found"] >= LIKELIER]
    if detectable.empty:
        when = "would rather be missed in any decade: too few trees"
    else:
        runs = (detectable["first_year"].diff() != 10).cumsum()
        spans = detectable.groupby(runs).agg({"first_year": "first", "last_year": "last"})
        when = "is found, more likely than not, only in " + listed(
            [f"{span.first_year} to {span.last_year}" for span in spans.itertuples()]
        )
    return f" An opening on no record, after which trees grow {GROWTH_AFTER} % more, {when}."


def _seen_in_rings(row: Row, events: Sequence[Row]) -> bool:
    """Whether a disturbance is known from the rings, or from what they make of an event on record;
    otherwise it is on record only.
    """
    if row["probability_rings"] >= LIKELIER or not row["events"]:
        return True
    names = row["events"].split("; ")
    return any(
        float(event["seen_in_rings"]) >= LIKELIER for event in events if event["event"] in names
    )


def _unseen_events(unseen: Sequence[Row], events: Sequence[Row]) -> list[str]:
    if not unseen:
        return []
    names = "; ".join(row["events"] for row in unseen).split("; ")
    spans = listed(
        [
            f"{event['kind'].replace('-', ' ')} {_range(event['first_year'], event['last_year'])}"
            for event in events
            if event["event"] in names
        ]
    )
    return [
        "On record and not to be seen in the rings, which is no proof that nothing happened:"
        f" {spans}."
    ]


def _sharpened_years(events: Sequence[Row]) -> list[str]:
    return [
        f"The {event['kind'].replace('-', ' ')} known to {event['first_year']} to"
        f" {event['last_year']} began"
        f" {year_words(event['year_low'], event['year_median'], event['year_high'])}."
        for event in events
        if event["read_from"]
        and event["year_high"] - event["year_low"]
        < SHARPER * (event["last_year"] - event["first_year"])
    ]


def _range(first: int, last: int) -> str:
    return f"{first}" if first == last else f"{first} to {last}"


def _criterion_paragraph(stand: str, criterion: str, rows: pd.DataFrame) -> str:
    """The releases of a stand's trees by a published criterion, which says nothing of the stand
    itself.
    """
    releases, suppressions = (
        int(rows[name].sum()) for name in ("released_trees", "suppressed_trees")
    )
    most_often = ""
    if releases:
        most = rows.loc[rows["share_released_median"].astype(float).idxmax()]
        most_often = (
            f", releases most often about {most['year']} ({percent(most['share_released_median'])}"
            f" of {most['trees_at_risk']} trees)"
        )
    return (
        f"{stand}, from ring widths by the criterion"
        f" {criterion_words(criterion)}. {counted(releases, 'release')} and"
        f" {counted(suppressions, 'suppression')} of trees{most_often}. A criterion gives no"
        f" probability that the stand was disturbed. {NO_CAUSE}"
    )
