"""The verdict on a fit, and what an interval means, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from standage.choices import FAILED, SOUND
from standage.findings.fit_grade import FitGrade, StrainedDelay
from standage.grammar import counted, listed
from standage.prose.wording import rounded

COUNTED = {
    "germinant": "germinants",
    "grass": "grass-stage plants",
    "emerging": "emerging plants",
}
DELAYED = {
    "grass_stage_median_years": "years in the grass stage",
    "years_to_breast_height": "years to breast height",
}


def intervals_sentence(level: float) -> str:
    """What an interval is, once for all sentences."""
    return (
        "In brackets behind a median: the interval that holds the truth with a probability of"
        f" {100 * level:.0f} %, given the survey and the model."
    )


def grade_sentence(grade: FitGrade) -> str:
    """Whether the fit can be used."""
    if grade.grade == FAILED:
        return "THE FIT FAILED: do not use the numbers below."
    checks = counted(grade.checks, "check")
    if grade.grade == SOUND:
        return f"The fit is sound: the chains agree, and the model passes {_all(checks)}."
    doubts = []
    if grade.misfits:
        doubts.append(
            f"{len(grade.misfits)} of {checks} of stems and plants"
            f" {'fails' if len(grade.misfits) == 1 else 'fail'} (by chance about"
            f" {rounded(grade.by_chance)} would)"
        )
    if grade.contradicted:
        doubts.append(
            "the rest of the survey contradicts the counts of"
            f" {listed([_counted_plants(each) for each in grade.contradicted])}"
        )
    doubts += [_strained(each) for each in grade.strained]
    return f"The fit can be used with doubts: the chains agree, but {listed(doubts)}."


def _strained(delay: StrainedDelay) -> str:
    """A delay that nothing measured and something moved, all dates with it."""
    return (
        f"{DELAYED[delay.name]} at {delay.stand} came out at {delay.years:.0f} (the profile has"
        f" {delay.low:.0f} to {delay.high:.0f}) where no plant of known age tells; a broad wave of"
        " recruitment, or a choice of trees to core, may have moved them, and all dates by as much"
    )


def _counted_plants(stand_and_stage: str) -> str:
    """`grass-stage plants at the ridge` of `the ridge: grass`."""
    stand, _, stage = stand_and_stage.rpartition(": ")
    return f"{COUNTED[stage]} at {stand}"


def _all(checks: str) -> str:
    return checks if checks.startswith(("no ", "1 ")) else f"all {checks} of stems and plants"


def convergence_sentence(verdict: Mapping[str, Any]) -> str:
    """The numbers behind the agreement of the chains."""
    return (
        f"Largest R-hat {verdict['rhat_max']:.3f}, smallest effective sample"
        f" {verdict['ess_min']:.0f}, {counted(verdict['divergences'], 'divergent transition')}."
    )


def verdict_paragraph(grade: FitGrade, verdict: Mapping[str, Any]) -> str:
    """The grade with its numbers, and what is to be done."""
    return " ".join([grade_sentence(grade), convergence_sentence(verdict), *verdict["notes"]])
