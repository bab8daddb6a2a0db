"""What a survey leaves open, in words."""

from __future__ import annotations

from standage.findings.cannot_tell import OpenQuestion
from standage.findings.findings import Findings
from standage.grammar import counted
from standage.prose.measures import Measures

QUESTIONS = {
    "years of establishment": "Years of establishment",
    "amounts": "Stems and seedlings per hectare, and whether there is a young cohort",
    "stems": "How many stems are alive, to better than fivefold",
    "grass stage": "How many grass-stage seedlings there are, to better than fivefold",
    "oldest tree": "How old the stand is",
    "when": "When the stems came",
    "half span": "Which years hold half of the stems",
    "steady": "Whether there was a short pulse",
    "young cohort": "Whether there is a young cohort",
    "waiting": "How many of a pulse's stems waited as seedlings for the event near it",
}


def open_question_sentence(asked: OpenQuestion, measures: Measures) -> str:
    """A question that stays open, with the reason after a colon."""
    return f"{QUESTIONS[asked.question]}: {reason_words(asked, measures)}"


def reason_words(asked: OpenQuestion, measures: Measures) -> str:
    """Why a question stays open, to follow a colon."""
    match asked.reason:
        case "no coring height":
            return (
                "no coring height is recorded, so years are those of reaching the height of the"
                " core."
            )
        case "no plots":
            return "there are no plots."
        case "plots differ":
            amount = measures.density(*asked.interval)
            return f"{amount}, for the plots are too few, or differ too much."
        case "reach assumed":
            return f"{reach_words(asked.assumed, asked.dated)}."
        case "no tree dated":
            return "no living tree is dated by its core."
        case "sizes alone":
            return (
                "no tree is dated by its core; years rest on sizes and the species profile alone."
            )
        case "spans disagree":
            return "several spans would do."
        case "hidden by dates":
            return "uncertain dates could hide one."
        case "seedlings unsure":
            return "seedling counts leave it open."
        case "delays too wide":
            return "the years in the grass stage aren't known well enough."


def reach_words(assumed: int, dated: int) -> str:
    """What is known of trees whose cores may have ended anywhere before the pith."""
    return (
        f"{assumed} of {counted(dated, 'tree')} dated by core have neither the pith nor its"
        " distance recorded, so that ages are mostly assumed; what is known is that a tree is no"
        " younger than its rings seen"
    )


def cannot_tell_records(findings: Findings) -> list[dict[str, str]]:
    """All of it as records `stand`, `species`, `what`, `why`, for verdict.json."""
    metric = Measures()
    return [
        {
            "stand": unit.stand,
            "species": str(unit.summary["species"]),
            "what": QUESTIONS[asked.question],
            "why": reason_words(asked, metric),
        }
        for unit in findings.units
        for asked in unit.open_questions
    ]
