"""A cohort too small for cores in words: that it is there, or that there is none."""

from __future__ import annotations

from collections.abc import Iterable

from standage.findings.claim import Claim
from standage.prose.measures import Measures
from standage.prose.wording import between_words, shown_percent


def young_sentences(claims: Iterable[Claim], measures: Measures) -> list[str]:
    """What is claimed of it; nothing where it isn't known, which is an open question."""
    own = {(claim.kind, claim.subject): claim for claim in claims}
    none, cohort = own.get(("no young cohort", "")), own.get(("young cohort", ""))
    if none is not None:
        return [f"No young cohort ({shown_percent(none.probability)})."]
    if cohort is None:
        return []
    begun, ended = (between_words(own["young years", end].interval) for end in ("first", "last"))
    return [
        f"A young cohort ({shown_percent(cohort.probability)}), mostly too small to core, begun"
        f" {begun}, ended {ended}; plants: {measures.density(*own['young plants', ''].interval)}."
    ]
