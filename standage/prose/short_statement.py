"""The claims about a stand in the fewest words: a headline, what stands there, what isn't known.

The printed summary, the first screen of the report and the brief take the same sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from standage.findings.cannot_tell import OpenQuestion
from standage.findings.claim import OR, Claim, of_kind
from standage.findings.findings import Findings
from standage.findings.regeneration import ESTABLISHED, ESTABLISHED_SEEDLINGS, STOCKING_PER_HA
from standage.findings.rereading import LIKELY_MISREAD
from standage.findings.schema import Row
from standage.findings.stems import CORING_HEIGHT
from standage.findings.unit_findings import UnitFindings
from standage.grammar import capital, uncapital
from standage.prose.attribution import WORTH_TELLING, event_name, lag_words, near_events
from standage.prose.cannot_tell import QUESTIONS, open_question_sentence
from standage.prose.measures import HECTARES_PER_ACRE, US, Measures
from standage.prose.wording import (
    age_words,
    between_words,
    either_words,
    likelihood,
    of_hundred,
    rounded,
    share_words,
    shown_percent,
)
from standage.prose.young_cohort import young_sentences

MOST_UNKNOWN = 3  # lines of open questions
OLD_AGE = "100"  # whose share of the stems is given [years]
# from which probability on a structure is stated without a doubt (assumption)
NO_DOUBT = 0.9


NO_CAUSE = "Dates can't say what causes a pulse."
PER_HECTARE = " per hectare"
# of any stand; beside it stands what isn't known of one
NEVER_KNOWN = (
    "Not known of any stand: what caused a pulse; whether an uncored tree is older; how many trees"
    " came and died."
)


@dataclass(frozen=True)
class ShortStatement:
    """A unit in few words. `headline`: structure, pulses and regeneration; `more`: what came before
    a pulse, the oldest tree and what stands there; `unknown`: at most three lines; `questions`: all
    open questions without reasons.
    """

    title: str
    headline: str
    more: tuple[str, ...]
    unknown: tuple[str, ...]
    questions: tuple[str, ...]


def in_common_units(words: str, measures: Measures) -> str:
    """Numbers without what `common_words` says of them."""
    return words if measures.units == US else words.replace(PER_HECTARE, "")


def common_words(findings: Findings, measures: Measures) -> str:
    """Species, year of the survey and the stems spoken of, where these are the same of several
    stands and can be said once above them; else blank.
    """
    spoken_of: dict[tuple[str, str], str] = {}  # in one pass, for this is asked for each stand
    for claim in findings.claims_of_units:
        if claim.kind == "structure":
            spoken_of.setdefault((claim.stand, claim.species), claim.population)
    units = [(unit, str(unit.summary["species"])) for unit in findings.units]
    found = {
        (species, unit.survey_year, spoken_of.get((unit.stand, species), ""))
        for unit, species in units
    }
    if len(found) != 1 or len(units) < 2:
        return ""
    ((named, year, population),) = found
    if not population:
        return ""
    numbers = "" if measures.units == US else f"; numbers{PER_HECTARE}"
    return f"{capital(named.replace('-', ' '))}, surveyed in {year}; {population}{numbers}."


def short_statement(findings: Findings, unit: UnitFindings, measures: Measures) -> ShortStatement:
    """The statement about one unit, from its claims. What holds for all, as `common_words` has it,
    stands above all of them and is left out.
    """
    common = bool(common_words(findings, measures))
    claims = findings.claims_of(unit)
    headline = " ".join(
        [
            *_structure(unit, claims, common),
            *_pulses(unit, claims),
            *young_sentences(claims, measures),
            *_stocking(findings, claims, measures),
        ]
    )
    asked = _unanswered(unit, claims)
    more = (
        *_before(unit, claims, common),
        *_oldest(claims, unit.survey_year, common),
        *_standing(claims, measures, common),
    )
    if common:
        headline = in_common_units(headline, measures)
        more = tuple(in_common_units(sentence, measures) for sentence in more)
    return ShortStatement(
        title=unit.stand if common else unit.name,
        headline=headline,
        more=more,
        unknown=_unknown_lines(asked, measures),
        questions=tuple(QUESTIONS[each.question] for each in asked),
    )


def _unanswered(unit: UnitFindings, claims: Sequence[Claim]) -> list[OpenQuestion]:
    """The open questions: not how many seedlings there are where it is plain that
    they reach a stocking, or don't.
    """
    settled = any(claim.probability >= NO_DOUBT for claim in of_kind(claims, "stocking"))
    return [
        asked for asked in unit.open_questions if not (settled and asked.question == "grass stage")
    ]


def _unknown_lines(asked: Sequence[OpenQuestion], measures: Measures) -> tuple[str, ...]:
    """Each open question with its reason; of many the last ones together, without."""
    named = asked if len(asked) <= MOST_UNKNOWN else asked[: MOST_UNKNOWN - 1]
    rest = [uncapital(QUESTIONS[each.question]) for each in asked[len(named) :]]
    lines = [open_question_sentence(each, measures) for each in named]
    return (*lines, *([f"Also: {'; '.join(rest)}."] if rest else []))


def _structure(unit: UnitFindings, claims: Sequence[Claim], common: bool) -> list[str]:
    found = of_kind(claims, "structure")
    if not found:
        return ["When the stems established can't be told from this survey."]
    (claim,) = found
    chance, most = shown_percent(claim.probability), _most(unit, claims, common)
    if OR in claim.category:
        return [f"{capital(claim.category)} ({chance}; which isn't known){most}."]
    sure = "" if claim.probability >= NO_DOUBT else f", {likelihood(claim.probability)}"
    return [f"{capital(claim.category)}{sure} ({chance}){most}."]


def _most(unit: UnitFindings, claims: Sequence[Claim], common: bool) -> str:
    """When most stems established."""
    at_core = unit.summary["basis"] == CORING_HEIGHT
    verb = "reached the height of the cores" if at_core else "established"
    return "".join(
        f": over half the {_whose(claim, common)} {verb} in"
        f" {claim.subject.replace(' to ', '-')}"
        f" ({shown_percent(claim.probability)})"
        for claim in of_kind(claims, "most stems")
    )


def _whose(claim: Claim, common: bool) -> str:
    """The stems of a claim, or no more than `stems` where these were named above."""
    return "stems" if common else claim.population.removeprefix("living ").removeprefix("the ")


def _pulses(unit: UnitFindings, claims: Sequence[Claim]) -> list[str]:
    pulses = of_kind(claims, "pulse")
    if not pulses:
        known = bool(of_kind(claims, "structure"))
        return [f"No recruitment pulse stands out{_lasting(claims)}."] if known else []
    at_core = unit.summary["basis"] == CORING_HEIGHT
    burst = "burst of arrivals at the height of the cores" if at_core else "recruitment pulse"
    sentences = []
    for pulse in pulses:
        own = [claim for claim in claims if claim.subject == pulse.subject]
        begun, ended = (between_words(claim.interval) for claim in of_kind(own, "pulse years"))
        _, either, other = pulse.category.partition(OR)
        what = burst + (f", or {other}" if either else "")
        together = "together " if either else ""
        perhaps = ", perhaps planted" if of_kind(own, "planted") else ""
        # the probability is that of the pulse, and stands before its years
        sentences.append(
            f"A {what} ({together}{shown_percent(pulse.probability)}), begun {begun}, ended"
            f" {ended}{perhaps}."
        )
    return sentences


def _lasting(claims: Sequence[Claim]) -> str:
    """A rise or fall of recruitment that lasted, with its year."""
    words = {"rise": ("rose", "high"), "fall": ("fell", "low")}
    return "".join(
        f"; recruitment {words[year.subject][0]} about {year.estimate:.0f} and stayed"
        f" {words[year.subject][1]} ({shown_percent(shape.probability)})"
        for shape in of_kind(claims, "shape")
        for year in of_kind(claims, "change year")
    )


def _stocking(findings: Findings, claims: Sequence[Claim], measures: Measures) -> list[str]:
    sentences = []
    for claim in of_kind(claims, "stocking"):
        verb = "reach" if claim.category == "reached" else "short of"
        amounts = [
            f": {measures.density(*each.interval)},"
            for each in of_kind(claims, "regeneration")
            if each.subject == ESTABLISHED_SEEDLINGS
        ]
        sentences.append(
            f"Established seedlings{''.join(amounts)} {verb} {_stocking_words(findings, measures)}"
            f" ({shown_percent(claim.probability)}{_doubt(findings, claim.stand)})."
        )
    return sentences


def _doubt(findings: Findings, stand: str) -> str:
    """That the seedlings counted in a stand don't go with the rest of its survey."""
    counts = [f"{stand}: {stage}" for stage in ESTABLISHED]
    doubtful = set(findings.fit_grade.contradicted) & set(counts)
    return "; doubtful, as counts and ages disagree" if doubtful else ""


def _stocking_words(findings: Findings, measures: Measures) -> str:
    wanted = findings.stocking_per_ha
    whose = "the customary" if wanted == STOCKING_PER_HA else "the wanted"
    acre = f" ({rounded(wanted * HECTARES_PER_ACRE)} per acre)" if measures.units == US else ""
    return f"{whose} {wanted:g}{acre}"


def stocking_note(findings: Findings) -> str:
    """Whose yardstick seedlings are held against; blank where none is."""
    if not any(unit.claims_of("stocking") for unit in findings.units):
        return ""
    wanted = findings.stocking_per_ha
    if wanted != STOCKING_PER_HA:
        return f"{wanted:g} seedlings per hectare: the stocking asked for."
    return (
        f"{wanted:g} seedlings per hectare: by common practice, without source, the least for a"
        " stocked young longleaf stand."
    )


def _before(unit: UnitFindings, claims: Sequence[Claim], common: bool) -> list[str]:
    """The event nearest to each pulse, how often chance would bring one so near, and the share of
    the pulse's stems that were waiting then.
    """
    if unit.attribution.empty:
        return []
    sentences = []
    for number, rows in unit.attribution.groupby("pulse", sort=True):
        near = near_events(rows.to_dict("records"))
        if near:
            words = _near_words(near[0], _pulse_name(unit, number))
            waited = "".join(
                f" Of its stems {share_words(*claim.interval)} waited in the grass stage then."
                for claim in of_kind(claims, "waiting at event")
                if claim.rows == f"pulse {number}, event {near[0]['event']}"
                and claim.estimate >= WORTH_TELLING
            )
            sentences.append(f"{words}{waited}")
    if sentences and not common:
        sentences[-1] += f" {NO_CAUSE}"
    return sentences


def _pulse_name(unit: UnitFindings, number: object) -> str:
    return f"pulse {number}" if len(unit.pulses) > 1 else "the pulse"


def _near_words(row: Row, pulse: str) -> str:
    return (
        f"{capital(event_name(row).removeprefix('the '))}: {pulse} began {lag_words(row, 'it')};"
        f" chance as near: {of_hundred(row['chance_as_close'])}."
    )


def _oldest(claims: Sequence[Claim], survey_year: int, common: bool) -> list[str]:
    """The oldest cored tree: its age, or the ages of which it has one, and whether its count is in
    doubt.
    """
    ages = of_kind(claims, "one of two ages")
    either = either_words([(*claim.ends, claim.probability) for claim in ages], "years")
    doubt = "".join(
        "; its ring count is in doubt" if ages else f"; {doubt_words(claim.probability)}"
        for claim in of_kind(claims, "count in doubt")
    )
    when = "" if common else f" in {survey_year}"
    after = "".join(
        f"; next {claim.subject}, {age_words(*claim.interval)}"
        for claim in of_kind(claims, "next oldest")
    )
    return [
        f"Oldest cored living tree{when}: {claim.subject},"
        f" {either if ages else age_words(*claim.interval)}{doubt}{after}."
        for claim in of_kind(claims, "minimum age")
    ]


def doubt_words(chance: float) -> str:
    """That a tree's ring count may be grossly off; blank where that is unlikely or not known."""
    doubted = chance >= LIKELY_MISREAD  # not where it isn't known
    return (
        f"its ring count may be off by 5 years or more ({shown_percent(chance)})" if doubted else ""
    )


def _standing(claims: Sequence[Claim], measures: Measures, common: bool) -> list[str]:
    parts = []
    population = next((claim.population for claim in claims if claim.kind == "structure"), "")
    for claim in of_kind(claims, "stems"):
        population = claim.population
        parts.append(measures.stems_between(*claim.interval, what=""))
    for claim in of_kind(claims, "share over age"):
        if claim.subject == OLD_AGE:
            parts.append(f"{share_words(*claim.interval)} over {OLD_AGE} years")
    area = "".join(
        f"; basal area {measures.basal_area(claim.estimate)}"
        for claim in of_kind(claims, "basal area")
    )
    whose = "stems" if common else population
    return [f"{capital(whose)}: {', '.join(parts)}{area}."] if parts else []
