"""The printed summary, on one screen and in full: the verdict, each stand and species, cautions."""

from __future__ import annotations

from standage.choices import Units
from standage.findings.findings import Findings
from standage.grammar import counted, uncapital
from standage.prose.cautions import cautions
from standage.prose.comparison import comparison_sentences
from standage.prose.disturbance import disturbance_paragraphs
from standage.prose.measures import METRIC, Measures
from standage.prose.sensitivity import sensitivity_sentences
from standage.prose.short_statement import (
    NO_CAUSE,
    ShortStatement,
    common_words,
    short_statement,
)
from standage.prose.unit_statement import UnitStatement, never_known, unit_statement
from standage.prose.verdict import grade_sentence, intervals_sentence, verdict_paragraph
from standage.stand.posterior import Posterior


def summary(result: Posterior | Findings, *, units: Units = METRIC) -> str:
    """The result on one screen, at the level of the fit or of the findings given: whether to trust
    it, and each stand in few words.

    Parameters
    ----------
    result : a posterior, or its findings.
    units : `metric`, or `us` for acres and feet beside.

    >>> print(summary(posterior))
    THE FIT FAILED: do not use the numbers below...
    """
    findings, measures = Findings.of(result), Measures(units)
    parts = [grade_sentence(findings.fit_grade)]
    if not findings.posterior.verdict["passed"]:
        parts += findings.posterior.verdict["notes"]
    common = common_words(findings, measures)
    parts += [common] if common else []
    parts += [_short(short_statement(findings, unit, measures)) for unit in findings.units]
    if common and any(not unit.attribution.empty for unit in findings.units):
        parts.append(NO_CAUSE)
    warned = len(cautions(findings))
    if warned:
        parts.append(f"{counted(warned, 'caution')} in report.html and with --full.")
    return "\n\n".join(parts) + "\n"


def _short(statement: ShortStatement) -> str:
    lines = [f"{statement.title}. {statement.headline}", " ".join(statement.more)]
    if statement.questions:
        lines.append(f"Not known: {'; '.join(map(uncapital, statement.questions))}.")
    return "\n".join(line for line in lines if line)


def full_summary(result: Posterior | Findings, *, units: Units = METRIC) -> str:
    """The result in all its sentences; parameters as those of `summary`."""
    findings, measures = Findings.of(result), Measures(units)
    parts = [
        verdict_paragraph(findings.fit_grade, findings.posterior.verdict),
        intervals_sentence(findings.level),
    ]
    parts += [_paragraph(unit_statement(unit, measures)) for unit in findings.units]
    parts += disturbance_paragraphs(findings)
    compared = comparison_sentences(findings.comparison, findings.level)
    if compared:
        parts.append("Side by side. " + " ".join(compared))
    parts.append(_list_of("No survey of this kind can tell:", never_known(findings.attribution)))
    rests_on = sensitivity_sentences(findings.prior_sensitivity)
    if rests_on:
        parts.append(" ".join(rests_on))
    warned = cautions(findings)
    if warned:
        parts.append(_list_of("Mind this:", warned))
    return "\n\n".join(parts) + "\n"


def _list_of(heading: str, sentences: list[str]) -> str:
    return "\n".join([heading, *(f"- {sentence}" for sentence in sentences)])


def _paragraph(statement: UnitStatement) -> str:
    """A unit: its sentences, then what can't be told of it."""
    lines = [" ".join([f"{statement.title}.", *statement.timing])]
    for sentences in (statement.preceded, statement.composition):
        if sentences:
            lines.append(" ".join(sentences))
    if statement.unknown:
        lines.append(_list_of("Can't be told:", list(statement.unknown)))
    return "\n".join(lines)
