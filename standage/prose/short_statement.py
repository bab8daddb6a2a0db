"""The claims about a stand in the fewest words: a headline, what stands there, what isn't known.

The printed summary, the first screen of the report and the brief take the same sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from standage.findings.cannot_tell import OpenQuestion
from standage.findings.claim import OR, Claim, Kind
from standage.findings.findings import Findings
from standage.findings.planted import MAY_BE_PLANTED
from standage.findings.schema import Row
from standage.findings.stems import CORING_HEIGHT
from standage.findings.unit_findings import UnitFindings
from standage.grammar import capital, counted, listed
from standage.prose.attribution import event_name, near_events
from standage.prose.cannot_tell import QUESTIONS, open_question_sentence
from standage.prose.measures import HECTARES_PER_ACRE, US, Measures
from standage.prose.wording import likelihood, percent, rounded, share_words

MOST_UNKNOWN = 3  # open questions that are named
OLD_AGE = "100"  # whose share of the stems is given [years]
# from which probability on a structure is stated without a doubt (assumption)
NO_DOUBT = 0.9


@dataclass(frozen=True)
class ShortStatement:
    """A unit in few words. `headline`: structure, pulses and regeneration; `more`: what came before
    a pulse, the oldest tree and what stands there; `unknown`: at most three lines; `questions`: the
    same without reasons.
    """

    title: str
    headline: str
    more: tuple[str, ...]
    unknown: tuple[str, ...]
    questions: tuple[str, ...]


def short_statement(findings: Findings, unit: UnitFindings, measures: Measures) -> ShortStatement:
    """The statement about one unit, from its claims."""
    claims = findings.claims_of(unit)
    headline = [*_structure(claims), *_pulses(unit, claims), *_stocking(claims, measures)]
    asked = _unanswered(unit, claims)
    more = [*_before(unit), *_oldest(claims), *_standing(claims, measures)]
    return ShortStatement(
        title=unit.name,
        headline=" ".join(headline),
        more=tuple(more),
        unknown=tuple(open_question_sentence(each, measures) for each in asked),
        questions=tuple(QUESTIONS[each.question] for each in asked),
    )


def _unanswered(unit: UnitFindings, claims: Sequence[Claim]) -> list[OpenQuestion]:
    """The open questions that are named: not how many seedlings there are where it is plain that
    they reach a stocking, or don't.
    """
    settled = any(claim.probability >= NO_DOUBT for claim in _of_kind(claims, "stocking"))
    left = [
        asked for asked in unit.open_questions if not (settled and asked.question == "grass stage")
    ]
    return left[:MOST_UNKNOWN]


def _of_kind(claims: Sequence[Claim], kind: Kind) -> list[Claim]:
    return [claim for claim in claims if claim.kind == kind]


def _structure(claims: Sequence[Claim]) -> list[str]:
    found = _of_kind(claims, "structure")
    if not found:
        return ["When the stems established can't be told from this survey."]
    (claim,) = found
    if OR in claim.category:
        which = f"{capital(claim.category)} ({percent(claim.probability)})"
        return [f"{which}; which of them can't be told."]
    sure = "" if claim.probability >= NO_DOUBT else f", {likelihood(claim.probability)}"
    return [f"{capital(claim.category)}{sure} ({percent(claim.probability)})."]


def _pulses(unit: UnitFindings, claims: Sequence[Claim]) -> list[str]:
    pulses = _of_kind(claims, "pulse")
    if not pulses:
        known = bool(_of_kind(claims, "structure"))
        return ["No recruitment pulse stands out."] if known else []
    at_core = unit.summary["basis"] == CORING_HEIGHT
    burst = "Burst of arrivals at the height of the cores" if at_core else "Recruitment pulse"
    sentences = []
    for pulse in pulses:
        own = [claim for claim in claims if claim.subject == pulse.subject]
        start, end = (round(claim.estimate) for claim in _of_kind(own, "pulse years"))
        planted = unit.pulses.set_index(unit.pulses["pulse"].astype(str))["probability_planted"]
        perhaps = ", perhaps planted" if planted[pulse.subject] >= MAY_BE_PLANTED else ""
        sentences.append(f"{burst} about {start} to {end} ({percent(pulse.probability)}){perhaps}.")
    return sentences


def _stocking(claims: Sequence[Claim], measures: Measures) -> list[str]:
    return [
        f"Established seedlings {'reach' if claim.category == 'reached' else 'fall short of'}"
        f" {_stocking_words(claim, measures)} ({percent(claim.probability)})."
        for claim in _of_kind(claims, "stocking")
    ]


def _stocking_words(claim: Claim, measures: Measures) -> str:
    wanted = float(claim.subject)
    acre = f" ({rounded(wanted * HECTARES_PER_ACRE)} per acre)" if measures.units == US else ""
    return f"{wanted:g} per hectare{acre}"


def _before(unit: UnitFindings) -> list[str]:
    """The event nearest to each pulse, and how often chance would bring one so near."""
    if unit.attribution.empty:
        return []
    sentences = []
    for number, rows in unit.attribution.groupby("pulse", sort=True):
        near = near_events(rows.to_dict("records"))
        if near:
            sentences.append(_near_words(near[0], number, len(unit.pulses) > 1))
    return sentences


def _near_words(row: Row, number: object, several: bool) -> str:
    lag = round(float(row["lag_years_median"]))
    years = counted(abs(lag), "year")
    when = f"{years} after" if lag > 0 else f"{years} before" if lag < 0 else "in the year of"
    pulse = f"Pulse {number}" if several else "The pulse"
    chance = f"; by chance one is as near in {percent(row['chance_as_close'])}"
    return f"{pulse} began about {when} {event_name(row)}{chance} (no proof of cause)."


def _oldest(claims: Sequence[Claim]) -> list[str]:
    return [
        f"Oldest cored tree: about {claim.estimate:.0f} years, at least {claim.low:.0f}."
        for claim in _of_kind(claims, "minimum age")
    ]


def _standing(claims: Sequence[Claim], measures: Measures) -> list[str]:
    parts = []
    population = next((claim.population for claim in claims if claim.kind == "structure"), "")
    for claim in _of_kind(claims, "stems"):
        population = claim.population
        parts.append(measures.stems_between(*claim.interval))
    for claim in _of_kind(claims, "share over age"):
        if claim.subject == OLD_AGE:
            parts.append(f"{share_words(*claim.interval)} over {OLD_AGE} years")
    return [f"{capital(population)}: {listed(parts)}."] if parts else []
