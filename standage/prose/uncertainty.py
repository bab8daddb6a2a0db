"""What a date's uncertainty is made of, step by step, and what would lower it most, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.findings.uncertainty_budget import FAR_WORSE, STEPS, Budget
from standage.findings.unit_findings import UnitFindings
from standage.grammar import capital, counted, listed
from standage.prose.wording import percent

# shared part of the variance of a pulse's centre from which more cores aren't advised for it
# (assumption)
MOSTLY = 0.5
MORE_CORES_FOR_A_PULSE = (
    "Pulses that were not told: more cores. Of simulated pulses of five times the background for"
    " ten years about half are told with 12 "
    "cored trees in them, and 85 % with 20."  # docs/validation.md, Pulses
)
MORE_CORES = (
    "More cores lower what trees don't share. They lower only slowly what they do: a bias in"
    " counting, the pace of early growth and of the grass stage are common to a stand."
)


@dataclass(frozen=True)
class StepWords:
    """A step from a ring count to a year: what it is called, and what field work lowers it."""

    name: str
    remedy: str


STEP_WORDS = dict(
    zip(
        STEPS,
        (
            StepWords(
                "counting rings",
                "crossdate, at least the inner part, or have a second reader count",
            ),
            StepWords(
                "rings missed at the centre",
                "take a second core from another side, measure chord and height of an inner arc,"
                " and the width of the inner rings",
            ),
            StepWords(
                "growing to the height of the core",
                "core lower, or count the rings of small cut stems at two heights"
                " (known_age_stems.csv)",
            ),
            StepWords(
                "years in the grass stage",
                "enter more stems of known age (known_age_stems.csv) and count grass-stage and"
                " emerging plants on more subplots; coring can't lower it",
            ),
        ),
        strict=True,
    )
)


def budget_sentences(budget: Budget) -> list[str]:
    """Where the uncertainty comes from and what would lower it most."""
    first, second = sorted(STEPS, key=lambda step: -budget.shares[step])[:2]
    largest = STEP_WORDS[budget.largest_step]
    sentences = [
        (
            "Gross errors of counts apart, a core taken alone dates its tree with a standard"
            f" deviation of {budget.alone:.1f} years (typical of {budget.trees} trees)."
        ),
        (
            f"On average over trees most of its variance comes from {STEP_WORDS[first].name}"
            f" ({percent(budget.shares[first])}), then from {STEP_WORDS[second].name}"
            f" ({percent(budget.shares[second])})."
        ),
        (
            f"What would help a single date most: {largest.remedy}. With {largest.name} known"
            f" exactly, {budget.alone:.1f} years would become"
            f" {budget.without[budget.largest_step]:.1f}."
        ),
    ]
    if budget.far_worse:
        worst = STEP_WORDS[budget.worst_step]
        verb = "tree is" if budget.far_worse == 1 else "trees are"
        sentences.append(
            f"{budget.far_worse} {verb} dated over {FAR_WORSE:.0f} times worse than that, mostly"
            f" for {worst.name}: there, {worst.remedy}."
        )
    if np.isfinite(budget.given_all):
        sentences.append(
            f"Given the whole survey, a cored tree's standard deviation is {budget.given_all:.1f}"
            " years."
        )
    return sentences


def budgets_in_words(units: Sequence[UnitFindings]) -> str:
    """The shares of all steps, unit by unit, in place of their picture."""
    parts = []
    for unit in units:
        if unit.budget is not None:
            shares = ", ".join(
                f"{step.removeprefix('sd_')} {percent(share)}"
                for step, share in unit.budget.shares.items()
            )
            parts.append(f"{unit.name}: {shares}")
    return f"{'; '.join(parts)}."


def remedy_sentences(unit: UnitFindings) -> list[str]:
    """What a unit's dates, pulses and amounts hang on most, and what would make them surer. What
    holds for all units is said once, see `common_remedies`.
    """
    sentences = []
    if unit.budget is not None:
        step = unit.budget.largest_step
        sentences.append(
            f"For the date of a tree: what is known worst is {STEP_WORDS[step].name}. With it known"
            f" exactly, a core alone would date its tree to {unit.budget.without[step]:.1f} instead"
            f" of {unit.budget.alone:.1f} years, as a standard deviation."
        )
    sentences += _pulse_remedies(unit.pulses)
    stems = unit.interval("stems_per_ha")
    if np.isfinite(stems.low):
        sentences.append("For the number of stems: more plots.")
    elif not stems.known:
        sentences.append("For anything about a hectare: plots in which all stems are listed.")
    return sentences


def _pulse_remedies(pulses: pd.DataFrame) -> list[str]:
    """A sentence for each pulse of which it is known how much of its centre's variance its trees
    share.
    """
    sentences = []
    for pulse in pulses.to_dict("records"):
        part = pulse["shared_part_of_centre"]
        if pd.isna(part):
            continue
        which = "the pulse" if len(pulses) == 1 else f"pulse {pulse['pulse']}"
        cores = "" if part >= MOSTLY else "more cored trees of those years; "
        sentences.append(
            f"For the years of {which}: {cores}{percent(part)} of the variance of its centre is"
            " that of the years below the cores, which all its trees share. Stems of known age"
            " lower that part, more cores hardly."
        )
    return sentences


def common_remedies(units: Sequence[UnitFindings]) -> list[str]:
    """What holds for all units, each once: how the steps that are known worst are lowered, and what
    it takes for a pulse to stand out where none did.
    """
    steps = dict.fromkeys(unit.budget.largest_step for unit in units if unit.budget is not None)
    sentences = [f"{capital(STEP_WORDS[step].name)}: {STEP_WORDS[step].remedy}." for step in steps]
    if any(unit.pulses.empty for unit in units):
        sentences.append(MORE_CORES_FOR_A_PULSE)
    return sentences


def amount_sentence(units: Sequence[UnitFindings]) -> str:
    """How well the numbers of stems are known, and what would sharpen them; blank without plots."""
    factors = []
    for unit in units:
        stems = unit.interval("stems_per_ha")
        if stems.low > 0:
            plots = counted(int(unit.summary["plots"]), "plot")
            factors.append(f"{stems.high / stems.low:.1f} in {unit.name} ({plots})")
    if not factors:
        return ""
    return (
        "The number of stems per hectare is known, from end to end of its interval, to a factor of"
        f" {listed(factors)}; more plots would narrow it, more cores would not."
    )
