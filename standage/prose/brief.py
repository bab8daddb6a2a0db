"""The brief: the claims about each stand with what a manager needs beside them, on two pages."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version

from standage.choices import DOUBTFUL
from standage.findings.findings import Findings
from standage.findings.fit_grade import FitGrade
from standage.findings.regeneration import ESTABLISHED_SEEDLINGS
from standage.findings.schema import Row
from standage.findings.stems import CORING_HEIGHT
from standage.findings.unit_findings import UnitFindings, rows_of
from standage.findings.young_cohort import MANY_MORE
from standage.grammar import capital, counted, listed
from standage.prose.cautions import SPARE_CAUTIONS, cautions
from standage.prose.measures import US, Measures
from standage.prose.picture_texts import PULSE_SHADE, cored_with_year, event_key
from standage.prose.short_statement import (
    NEVER_KNOWN,
    PER_HECTARE,
    common_words,
    doubt_words,
    in_common_units,
    short_statement,
    stocking_note,
)
from standage.prose.tree_story import tree_age_words
from standage.prose.verdict import grade_sentence
from standage.prose.wording import age_words, shown_percent

MOST_VETERANS = 8  # of a stand that are named
LEAST_CHANCE = 0.5  # of being over the age to spare, from which a tree is named (assumption)
CHANCE = "probability_over_spare_age"
MOST_CAUTIONS = 4  # of this survey; the report has all
STAGES = {
    "germinant": "germinants",
    "grass": "grass-stage",
    "emerging": "emerging",
}
WORDS = (
    "A percentage behind a statement: the probability that it is true. Even-aged: one 20-year span"
    " holds 80 % of the stems; two-aged: two together do; uneven-aged: neither. Chance as near:"
    " so often would an event of a random year be. Pulse: years from"
    " which clearly more stems above breast height live than from those around. Established"
    " seedlings: past their first season, below breast height."
)
COHORT_KINDS = {"young cohort", "no young cohort"}
YOUNG = (
    f"Young cohort: ten years with over {MANY_MORE:g} times the plants of the years before, their"
    " dying allowed for; those below breast height are among the seedlings."
)
CAUTIONS = (
    SPARE_CAUTIONS[0],
    "Coring wounds a tree: ask the landowner; core no further protected, cavity or scarred tree.",
    "Dates are evidence, not a licence: burning, cutting and planting stay with those licensed for"
    " them, under local rules.",
)


@dataclass(frozen=True)
class StandBrief:
    """A stand in the brief. headline, more, unknown: as in the short statement. old: how many of
    its stems are old. likely: how many are likelier so than not. veterans: the oldest of them, a
    line each. regeneration: plants by stage.
    """

    title: str
    headline: str
    more: tuple[str, ...]
    unknown: tuple[str, ...]
    old: str
    likely: int
    veterans: tuple[str, ...]
    regeneration: str

    def old_trees(self, most: int = MOST_VETERANS) -> tuple[str, ...]:
        """How many stems are old, then the oldest that are likelier so than not, so many at
        most.
        """
        named = self.veterans[:most]
        shown = f"the {len(named)} oldest" if self.likely > len(named) else "oldest first"
        if not named:
            return (f"{self.old}; of none is it likelier than not.",)
        return (f"{self.old}; {self.likely} likelier so than not, {shown}:", *named)


@dataclass(frozen=True)
class Brief:
    """All words of the brief. common: what holds for all stands, said once; blank if nothing is."""

    common: str
    stands: tuple[StandBrief, ...]
    picture_note: str
    words_note: str
    old_note: str
    not_to_conclude: tuple[str, ...]
    cautions: tuple[str, ...]
    method: tuple[str, ...]
    citation: str


def brief(findings: Findings, measures: Measures) -> Brief:
    """The words of the brief, from the claims and the list of old trees."""
    return Brief(
        common=common_words(findings, measures),
        stands=tuple(_stand(findings, unit, measures) for unit in findings.units),
        picture_note=(
            "Bars: age classes of ten years as modelled, with intervals; hollow, without cored"
            f" trees. Ticks: cored trees at their dates. {PULSE_SHADE}"
            f" {event_key(findings.survey.events)}"
        ).strip(),
        words_note=" ".join(
            filter(
                None,
                [
                    _doubts(findings.fit_grade),
                    NEVER_KNOWN,
                    WORDS,
                    YOUNG if any(c.kind in COHORT_KINDS for c in findings.claims_of_units) else "",
                    stocking_note(findings),
                ],
            )
        ),
        old_note=(
            f"Age in {surveyed_years(findings)}, then the chance of being over"
            f" {findings.spare_age:g} years; dated by core where nothing else is said."
            " Sorted by age, not by the chance. Trees not listed may be older: core before"
            " cutting. old_trees.csv has all."
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
    rows = rows_of(findings.old_trees, unit.summary)
    likely = rows[rows[CHANCE] >= LEAST_CHANCE]
    return StandBrief(
        title=short.title,
        headline=short.headline,
        more=short.more,
        unknown=short.unknown,
        old=_old(unit),
        likely=len(likely),
        veterans=tuple(
            _veteran(row, unit) for row in likely.head(MOST_VETERANS).to_dict("records")
        ),
        regeneration=_regeneration(unit, measures),
    )


def _regeneration(unit: UnitFindings, measures: Measures) -> str:
    stages = [
        in_common_units(f"{STAGES[claim.subject]} {measures.density(*claim.interval)}", measures)
        for claim in unit.claims_of("regeneration")
        if claim.subject != ESTABLISHED_SEEDLINGS  # which the headline has
    ]
    unit_once = "" if measures.units == US else PER_HECTARE
    return f"{capital('; '.join(stages))}{unit_once}." if stages else ""


def _old(unit: UnitFindings) -> str:
    claim = unit.claim("old stems")
    if claim is None:
        return "No stem is dated"
    low, about, high = (f"{number:.0f}" for number in claim.interval)
    number = f"About {about} ({low} to {high})"
    if low == high:
        number = "None" if high == "0" else about
    elif about == "0":
        number = f"{low} to {high}"
    return (
        f"{number} of {claim.population} {'is' if number == '1' else 'are'} over"
        f" {claim.subject} years"
    )


def _veteran(row: Row, unit: UnitFindings) -> str:
    """A tree with its age, the chance that it is over the age to spare, and its scar and note."""
    age = age_words(row["age_low"], row["age_median"], row["age_high"]).removeprefix("about ")
    if row["dated_by"] == "size":  # an age would say too much of one of many of its size
        age = ""
    dated = unit.trees[unit.trees["tree"] == row["tree"]].iloc[0]
    if dated["separate_years"]:
        age = tree_age_words(dated.to_dict())
    by = "" if row["dated_by"] == "cored" else f"dated by {row['dated_by']}"
    scar = "" if row["scar"] in ("", "none") else f"{row['scar']} scar"
    chance = shown_percent(row[CHANCE])
    least = "the years below its core not counted" if row["basis"] == CORING_HEIGHT else ""
    doubt = doubt_words(row["misread_probability"])
    rest = [part for part in (age, least, chance, doubt, by, scar, row["note"]) if part]
    return f"{row['tree']}: {', '.join(rest)}"


def _not_to_conclude(findings: Findings) -> tuple[str, ...]:
    sentences = ["That few trees came when few stand today: only those alive now are seen."]
    if any(unit.pulses.empty for unit in findings.units):
        sentences.append("That there was no pulse where none stands out: one may be hidden.")
    if (findings.attribution["event"] != "").any():
        sentences.append(
            "That an event made a pulse, or how probably: dates tell what came before, not why."
        )
    sentences += [
        "That a seedling count will become trees: their survival isn't known.",
    ]
    if len(findings.units) > 1:
        sentences.append("That stands differ whose intervals overlap: the report compares them.")
    return tuple(sentences)


def _of_this_survey(findings: Findings) -> tuple[str, ...]:
    found = cautions(findings)
    left = len(found) - MOST_CAUTIONS
    more = (f"{counted(left, 'more caution')} in report.html.",) if left > 0 else ()
    return (*found[:MOST_CAUTIONS], *more)


def _doubts(grade: FitGrade) -> str:
    """Why the fit is to be doubted, for the first page; blank where it is sound, or failed and said
    so above.
    """
    return grade_sentence(grade) if grade.grade == DOUBTFUL else ""


def surveyed_years(findings: Findings) -> str:
    """The year or years of the survey, to which ages are counted."""
    years = [unit.survey_year for unit in findings.units]
    return f"{min(years)}" if min(years) == max(years) else f"{min(years)} to {max(years)}"


def _method(findings: Findings) -> tuple[str, ...]:
    survey, level = findings.survey, f"{100 * findings.level:.0f} %"
    stages = any(profile.has_grass_stage for profile in findings.profiles.values())
    below = "the years below it and in the grass stage" if stages else "the years below it"
    cored = sum(cored_with_year(unit) for unit in findings.units)
    seen = [
        counted(len(survey.trees), "stem"),
        counted(len(survey.plots), "plot"),
        counted(len(survey.cores), "core"),
    ]
    return (
        f"Surveyed in {surveyed_years(findings)}: {listed(seen)}; the cores date"
        f" {counted(cored, 'living tree')}.",
        f"A core gives a range of years: rings counted, rings missed at the centre, {below}.",
        "Cores, diameters and seedling counts of a stand are fitted together in one Bayesian model"
        " of when its living trees established; trees without core are dated by their size.",
        f"A range holds the truth with {level} probability, given survey and model.",
        grade_sentence(findings.fit_grade),
    )
