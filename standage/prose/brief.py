"""The brief: the claims about each stand with what a manager needs beside them, on two pages."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version

from standage.findings.findings import Findings
from standage.findings.old_trees import RANKED_BY
from standage.findings.regeneration import STOCKING_PER_HA
from standage.findings.unit_findings import UnitFindings, rows_of
from standage.grammar import counted, listed
from standage.prose.cautions import SPARE_CAUTIONS, cautions
from standage.prose.measures import Measures
from standage.prose.short_statement import short_statement
from standage.prose.verdict import grade_sentence
from standage.prose.wording import age_words, percent

MOST_VETERANS = 5  # of a stand that are named
LEAST_CHANCE = 0.5  # of being over `RANKED_BY` years, from which a tree is named (assumption)
MOST_CAUTIONS = 4  # of this survey; the report has all
STAGES = {"grass": "grass-stage", "emerging": "emerging", "germinant": "germinants"}
CAUTIONS = (
    SPARE_CAUTIONS[0],
    "Coring wounds a tree: ask the landowner, and core no protected, cavity or scarred tree.",
    "Dates are evidence, not a licence: burning, cutting and planting stay with those licensed for"
    " them, under local rules.",
)


@dataclass(frozen=True)
class StandBrief:
    """A stand in the brief. headline, more, unknown: as in the summary. regeneration, veterans:
    plants by stage, and the trees likeliest to be old, a line each.
    """

    title: str
    headline: str
    more: tuple[str, ...]
    unknown: tuple[str, ...]
    regeneration: str
    veterans: tuple[str, ...]


@dataclass(frozen=True)
class Brief:
    """All words of the brief."""

    stands: tuple[StandBrief, ...]
    picture_note: str
    not_to_conclude: tuple[str, ...]
    cautions: tuple[str, ...]
    method: tuple[str, ...]
    citation: str


def brief(findings: Findings, measures: Measures) -> Brief:
    """The words of the brief, from the claims and the list of old trees."""
    return Brief(
        stands=tuple(_stand(findings, unit, measures) for unit in findings.units),
        picture_note=(
            "Bars: age classes of ten years, as the model has them, with intervals. Ticks below:"
            " cored trees at their dates. A hollow bar has no cored tree. Shaded: pulses."
        ),
        not_to_conclude=_not_to_conclude(findings),
        cautions=(*CAUTIONS, *_of_this_survey(findings)),
        method=_method(findings),
        citation=(
            f"standage {version('standage')}, survey {findings.survey.name}, seed"
            f" {findings.posterior.seed}. Methods and sources to cite are in report.html; versions"
            " and checksums of all files in provenance.json."
        ),
    )


def _stand(findings: Findings, unit: UnitFindings, measures: Measures) -> StandBrief:
    short = short_statement(findings, unit, measures)
    return StandBrief(
        title=unit.name,
        headline=short.headline,
        more=short.more,
        unknown=short.unknown,
        regeneration=_regeneration(unit, measures),
        veterans=_veterans(findings, unit),
    )


def _regeneration(unit: UnitFindings, measures: Measures) -> str:
    stages = [
        f"{STAGES[claim.subject]} {measures.density(*claim.interval)}"
        for claim in unit.claims_of("regeneration")
    ]
    return f"Plants below breast height: {'; '.join(stages)}." if stages else ""


def _veterans(findings: Findings, unit: UnitFindings) -> tuple[str, ...]:
    rows = rows_of(findings.old_trees, unit.summary)
    likely = rows[rows[f"probability_over_{RANKED_BY}_years"] >= LEAST_CHANCE]
    if likely.empty:
        return (f"No stem is likelier than not to be over {RANKED_BY} years.",)
    lines = [
        f"{row['tree']}: {age_words(row['age_low'], row['age_median'], row['age_high'])}; over"
        f" {RANKED_BY} years {percent(row[f'probability_over_{RANKED_BY}_years'])}; dated by"
        f" {'its core' if row['dated_by'] == 'cored' else row['dated_by']}"
        for row in likely.head(MOST_VETERANS).to_dict("records")
    ]
    left = len(likely) - len(lines)
    if left:
        lines.append(f"and {left} more that {'is' if left == 1 else 'are'} likelier than not.")
    return tuple(lines)


def _not_to_conclude(findings: Findings) -> tuple[str, ...]:
    sentences = ["That few trees came when few stand today: only those alive now are seen."]
    if any(unit.pulses.empty for unit in findings.units):
        sentences.append("That there was no pulse where none stands out: one may be hidden.")
    if (findings.attribution["event"] != "").any():
        sentences.append("That an event made a pulse: dates tell what came before, not why.")
    sentences += [
        "That a tree has the age given for its size: trees of one size differ by decades.",
        "That a seedling count will become trees: their survival isn't known.",
    ]
    if any(unit.claims_of("stocking") for unit in findings.units):
        chosen = findings.stocking_per_ha != STOCKING_PER_HA
        whose = "the one chosen" if chosen else "common practice for longleaf pine, without source"
        sentences.append(
            f"That a stand short of {findings.stocking_per_ha:g} seedlings per hectare fails: that"
            f" yardstick is {whose}."
        )
    if len(findings.units) > 1:
        sentences.append("That stands differ whose intervals overlap: the report compares them.")
    return tuple(sentences)


def _of_this_survey(findings: Findings) -> tuple[str, ...]:
    found = cautions(findings)
    left = len(found) - MOST_CAUTIONS
    more = (f"{counted(left, 'more caution')} in report.html.",) if left > 0 else ()
    return (*found[:MOST_CAUTIONS], *more)


def _method(findings: Findings) -> tuple[str, ...]:
    survey, level = findings.survey, f"{100 * findings.level:.0f} %"
    stages = any(profile.has_grass_stage for profile in findings.profiles.values())
    below = "the years below it and in the grass stage" if stages else "the years below it"
    seen = [
        counted(len(survey.trees), "stem"),
        counted(len(survey.plots), "plot"),
        counted(len(survey.cores), "core"),
    ]
    return (
        f"Surveyed: {listed(seen)}.",
        f"A core gives a range of years: rings counted, rings missed at the centre, {below}.",
        "Cores, diameters and seedling counts of a stand are fitted together in one Bayesian model"
        " of when its living trees established; trees without core are dated by their size.",
        f"A range holds the truth with {level} probability, given survey and model; a percentage"
        " behind a statement is the probability that it is true.",
        grade_sentence(findings.fit_grade),
    )
