"""A claim: what is stated of a stand, of which stems, with which probability, and how it would be
held to the truth.

Sentences, pictures and the table of a result are made from claims, and an audit scores them on
stands whose truth is known (docs/validation.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

from standage.findings import schema
from standage.findings.intervals import Interval

Kind = Literal[
    "structure",
    "minimum age",
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
    "before pulse",
    "waiting at event",
    "young cohort",
    "young plants",
    "cohort stems",
    "cohort basal area",
    "regeneration",
    "stocking",
    "stems",
    "basal area",
    "open",
]
Score = Literal["inside", "at least", "category", "event", "none"]
OR = " or "  # between words of a category of which either may hold
KINDS: tuple[Kind, ...] = get_args(Kind)
KIND_MEANINGS = {
    "structure": "even-aged, two-aged or uneven-aged: 20 years, two times 20, or neither hold 80 %",
    "minimum age": "of the oldest cored tree; the stand is at least `low` years old",
    "count in doubt": "that the oldest cored tree's count is grossly off",
    "share over age": "of the stems",
    "basal area over age": "of their basal area",
    "old stems": "how many of those listed are over an age",
    "middle span": "by when a tenth, and nine tenths, had established",
    "most stems": "that more than half established in these years, the fewest of which it is so",
    "shape": "steady recruitment, a rise or a fall that lasted, or a pulse",
    "change year": "first of the level that lasted",
    "pulse": "that it is there",
    "pulse years": "first and last",
    "pulse share": "of the stems, from its first to its last year",
    "before pulse": "years from an event to its first",
    "waiting at event": "share of its stems in the grass stage when an event came",
    "young cohort": "that more than four times as many plants of these years live as steady"
    " recruitment leaves",
    "young plants": "per hectare, of the years of a young cohort",
    "cohort stems": "per hectare, of the years of a pulse",
    "cohort basal area": "per hectare, of the years of a pulse",
    "regeneration": "plants of a stage, or of both that outlived their first season",
    "stocking": "whether grass-stage and emerging plants reach it",
    "stems": "per hectare",
    "basal area": "per hectare",
    "open": "what the survey leaves open, and why",
}
SCORES = {
    "inside": "true from `low` to `high`",
    "at least": "true from `low` on",
    "category": "true if it is `category`",
    "event": "true if it is there",
    "none": "not held to one",
}

CLAIMS = schema.ResultTable(
    "claims",
    "a claim of the summary and the report",
    (
        *schema.UNIT,
        *schema.code("kind", "what is claimed", KIND_MEANINGS),
        *schema.text("subject", "which age, pulse, stage, event, stocking or question"),
        *schema.text("population", "which stems or trees"),
        *schema.text("quantity", "in words"),
        *schema.number(
            "low estimate high", "as in `unit`", "interval and median", blank="no number"
        ),
        *schema.text("unit", "of these"),
        *schema.text("category", "the word claimed", blank="a number is claimed"),
        *schema.probability("probability", "that the claim is true"),
        *schema.code("scored", "how it is held to a known truth", SCORES),
        *schema.text("table", "the result table it rests on"),
        *schema.text("columns", "columns there"),
        *schema.text("rows", "rows there, beside stand and species", blank="all of the unit"),
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
