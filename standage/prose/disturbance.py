"""What ring widths say of each stand's disturbances, and of events whose year they sharpen."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from standage.findings.claim import Claim, of_kind
from standage.findings.disturbance_decades import GROWTH_AFTER
from standage.findings.disturbances import BY_CRITERION, FROM_RELEASES, NO_EFFECT
from standage.findings.findings import Findings
from standage.grammar import capital, counted, listed
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words
from standage.prose.wording import percent, probability_words, year_words

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
    changes = findings.growth_changes
    if changes is None:
        return []
    by_stand: dict[str, list[Claim]] = {}
    for claim in findings.claims_of_rings:
        by_stand.setdefault(claim.stand, []).append(claim)
    return [
        _paragraph(stand, claims)
        if changes.criterion == MODEL
        else _criterion_paragraph(stand, criterion_words(changes.criterion), claims)
        for stand, claims in by_stand.items()
    ]


def _paragraph(stand: str, claims: Sequence[Claim]) -> str:
    seen = [_disturbance_words(claim, claims) for claim in of_kind(claims, "disturbance")]
    found = (
        capital("; ".join(seen))
        or "No disturbance is likelier than not; light cuts leave no mark in open woodland"
    )
    return " ".join(
        [
            f"{stand}, from ring widths. {found}.{_detectable_years(claims)}",
            *_unseen_events(claims),
            *_narrowed_years(claims),
            *([NO_CAUSE] if seen else []),
        ]
    )


def _disturbance_words(claim: Claim, claims: Sequence[Claim]) -> str:
    own = [each for each in claims if each.rows == claim.rows and each.table == claim.table]
    (year,) = of_kind(own, "disturbance year")
    opening = claim.category == "opening"
    what = "trees were let go as by an opening" if opening else "trees lost vigour"
    share = "".join(
        f", seen in {percent(each.estimate)} of {each.population}"
        for each in of_kind(own, "trees disturbed")
    )
    return f"{what} {year_words(*year.interval)}, {probability_words(claim.probability)}{share}"


def _detectable_years(claims: Sequence[Claim]) -> str:
    """In which decades an opening would have been found."""
    found = of_kind(claims, "would be found")
    spans = [claim.subject for claim in found if claim.scored != "none"]
    when = "would rather be missed in any decade: too few trees"
    if spans:
        when = f"is found, more likely than not, only in {listed(spans)}"
    return f" An opening on no record, after which trees grow {GROWTH_AFTER} % more, {when}."


def _unseen_events(claims: Sequence[Claim]) -> list[str]:
    unseen = [
        f"{claim.category.replace('-', ' ')} {_range(claim.low, claim.high)}"
        for claim in of_kind(claims, "event not seen")
    ]
    if not unseen:
        return []
    return [
        "On record and not to be seen in the rings, which is no proof that nothing happened:"
        f" {listed(unseen)}."
    ]


def _narrowed_years(claims: Sequence[Claim]) -> list[str]:
    return [
        f"The {claim.category.replace('-', ' ')} {claim.quantity.removeprefix('the year, ')} began"
        f" {year_words(*claim.interval)}."
        for claim in of_kind(claims, "event year")
    ]


def _range(first: float, last: float) -> str:
    return f"{first:.0f}" if first == last else f"{first:.0f} to {last:.0f}"


def _criterion_paragraph(stand: str, criterion: str, claims: Sequence[Claim]) -> str:
    """The releases of a stand's trees by a published criterion, which says nothing of the stand
    itself.
    """
    releases, suppressions, *most = claims
    most_often = "".join(
        f", releases most often about {claim.subject} ({percent(claim.estimate)} of"
        f" {claim.population})"
        for claim in most
    )
    return (
        f"{stand}, from ring widths by the criterion {criterion}."
        f" {counted(int(releases.estimate), 'release')} and"
        f" {counted(int(suppressions.estimate), 'suppression')} of trees{most_often}. A criterion"
        f" gives no probability that the stand was disturbed. {NO_CAUSE}"
    )
