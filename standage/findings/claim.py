"""A claim: what is stated of a stand, of which stems, with which probability, and how it would be
held to the truth.

Sentences, pictures and the table of a result are made from claims, and an audit scores them on
stands whose truth is known (docs/validation.md).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal, get_args

from standage.findings import schema
from standage.findings.intervals import Interval

Kind = Literal[
    "structure",
    "minimum age",
    "next oldest",
    "one of two ages",
    "count in doubt",
    "share over age",
    "basal area over age",
    "old stems",
    "middle span",
    "most stems",
    "shape",
    "change year",
    "pulse",
    "pulse years",
    "pulse share",
    "pulse rather than cutting",
    "planted",
    "before pulse",
    "waiting at event",
    "young cohort",
    "no young cohort",
    "young years",
    "young plants",
    "cohort stems",
    "cohort basal area",
    "regeneration",
    "stocking",
    "stems",
    "basal area",
    "open",
    "greater",
    "difference",
    "age structures differ",
    "shared pulse",
    "no shared pulse",
    "pairs",
    "not told apart",
    "disturbance",
    "disturbance year",
    "trees disturbed",
    "would be found",
    "event not seen",
    "event year",
    "changes by criterion",
]
Score = Literal["inside", "at least", "category", "event", "none"]
OR = " or "  # between words of a category of which either may hold
KINDS: tuple[Kind, ...] = get_args(Kind)
KIND_MEANINGS = {
    "structure": "even-aged, two-aged or uneven-aged",
    "minimum age": "of the stand, at least `low` years: the oldest cored tree",
    "next oldest": "of the cored trees, where the oldest may be younger",
    "one of two ages": "of the oldest cored tree, where its ages lie apart",
    "count in doubt": "that the oldest cored tree's count is off by five years or more",
    "share over age": "",
    "basal area over age": "",
    "old stems": "number of those listed",
    "middle span": "from a tenth to nine tenths established",
    "most stems": "that more than half established in these, the fewest such, years",
    "shape": "steady, rise, fall or pulse",
    "change year": "of a rise or fall",
    "pulse": "that it is there",
    "pulse years": "first and last",
    "pulse share": "of the stems",
    "pulse rather than cutting": "if either left it",
    "planted": "",
    "before pulse": "years from an event to its first",
    "waiting at event": "share of its stems in the grass stage at an event",
    "young cohort": "that over four times as many plants of these years live as steady"
    " recruitment leaves",
    "no young cohort": "that none of the last decades has so many",
    "young years": "first and last of a young cohort",
    "young plants": "of a young cohort",
    "cohort stems": "of the years of a pulse",
    "cohort basal area": "",
    "regeneration": "plants of a stage, or grass-stage and emerging",
    "stocking": "whether grass-stage and emerging plants reach it",
    "stems": "",
    "basal area": "",
    "open": "what can't be told, and why",
    "greater": "more, or later, than another stand",
    "difference": "of two stands",
    "age structures differ": "",
    "shared pulse": "`estimate`: by chance",
    "no shared pulse": "",
    "pairs": "of which that holds; `high`: of all compared",
    "not told apart": "",
    "disturbance": "from ring widths",
    "disturbance year": "",
    "trees disturbed": "",
    "would be found": "an opening in these years",
    "event not seen": "in rings",
    "event year": "narrowed by rings",
    "changes by criterion": "",
}
SCORES = {
    "inside": "true from `low` to `high`",
    "at least": "true from `low` on",
    "category": "true if it is `category`",
    "event": "true if there",
    "none": "not held to one",
}

CLAIMS = schema.ResultTable(
    "claims",
    "a claim of the summary and the report",
    (
        *schema.UNIT,
        *schema.code("kind", "what is claimed", KIND_MEANINGS),
        *schema.text("subject", "which age, pulse, stage, event, question or other stand"),
        *schema.text("population", "which stems or trees"),
        *schema.text("quantity", "in words"),
        *schema.number(
            "low estimate high", "as in `unit`", "interval and median", blank="no number"
        ),
        *schema.text("unit", "of these"),
        *schema.text("category", "the word claimed, or the measure of two stands"),
        *schema.probability("probability", "that the claim is true"),
        *schema.code("scored", "how it is held to a known truth", SCORES),
        *schema.text("table", "the result table it rests on"),
        *schema.text("columns", "columns there"),
        *schema.text("rows", "rows there", blank="all of the unit"),
        *schema.BASIS,
    ),
    remark="How often claims of each kind were true: [validation.md](validation.md).",
)


@dataclass(frozen=True)
class Claim:
    """One statement about a stand and species, in numbers.

    Attributes
    ----------
    kind : what sort of statement, see `KIND_MEANINGS`.
    subject : of an age, a pulse, a stage, an event or a question: which.
    population : the stems or trees that it is about.
    quantity : the quantity in words.
    probability : that the claim is true.
    scored : how it is held to a known truth, see `SCORES`.
    table, columns, rows : what it rests on.
    interval : ends and median; NaN where the claim is a word. [unit]
    category : the word claimed; blank where it is a number.
    basis : what years are years of, as in the result tables.
    """

    stand: str
    species: str
    kind: Kind
    subject: str
    population: str
    quantity: str
    probability: float
    scored: Score
    table: str
    columns: str
    rows: str = ""
    interval: Interval = Interval(math.nan, math.nan, math.nan)
    unit: str = ""
    category: str = ""
    basis: str = ""

    @property
    def low(self) -> float:
        return self.interval.low

    @property
    def estimate(self) -> float:
        return self.interval.median

    @property
    def high(self) -> float:
        return self.interval.high

    @property
    def ends(self) -> tuple[float, float]:
        return self.low, self.high

    @property
    def row(self) -> dict[str, Any]:
        """Its row of `claims`."""
        low, estimate, high = self.interval
        return {
            "stand": self.stand,
            "species": self.species,
            "kind": self.kind,
            "subject": self.subject,
            "population": self.population,
            "quantity": self.quantity,
            "low": low,
            "estimate": estimate,
            "high": high,
            "unit": self.unit,
            "category": self.category,
            "probability": self.probability,
            "scored": self.scored,
            "table": self.table,
            "columns": self.columns,
            "rows": self.rows,
            "basis": self.basis,
        }

    def holds(self, truth: float | str | bool) -> bool:
        """Whether the claim is true where the truth is this. Raises ValueError for a claim that
        isn't scored.

        >>> claim = Claim("a", "longleaf-pine", "stems", "", "all", "stems", 0.9, "inside", "", "",
        ...               interval=Interval(90, 100, 115))
        >>> claim.holds(99), claim.holds(120)
        (True, False)
        """
        if self.scored == "inside":
            return self.low <= float(truth) <= self.high
        if self.scored == "at least":
            return float(truth) >= self.low
        if self.scored == "category":
            return truth in self.category.split(OR)
        if self.scored == "event":
            return bool(truth)
        raise ValueError(f"a claim of kind '{self.kind}' isn't scored")


def of_kind(claims: Iterable[Claim], kind: Kind, subject: str | None = None) -> list[Claim]:
    """Those of a kind, about a subject where one is given."""
    return [claim for claim in claims if claim.kind == kind and subject in (None, claim.subject)]
