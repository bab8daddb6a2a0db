"""How the results lean on what was assumed: each assumption is moved a step, and the draws are
weighed as the other prior would have them.

For each assumption of the species profile that a stand's results can hang on, the table says how
far the dates, the number of stems and the pulses would move, and how much of the change the survey
lets through: where stems speak about an assumption, little of it arrives.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.followed_unit import FollowedUnit, Outcome, followed_unit, outcome
from standage.findings.reweighting import (
    Weights,
    error_of_change,
    power_sensitivity,
    with_likelihood_weakened,
    with_prior_moved,
)
from standage.findings.stems import unit_basis, unit_label
from standage.stand.prior_components import PriorComponent

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# sensitivity to a power of the prior from which the prior is felt (Kallioinen et al. 2023)
LEANS = 0.05
# normal points from which the data sit in the outer 5 % of what the prior expects of them (common
# practice, no source)
SURPRISE = 1.96
# share of the prior variance gone below which nothing was learnt that could disagree (assumption)
LEAST_LEARNT = 0.02
WORTH_TELLING_YEARS = 1.0  # a date that moves less than this isn't in the summary (assumption)
STAGE_COUNTS = "stage counts"
LEAN_ON_PRIOR, DISAGREE = "dates lean on the prior", "prior and data disagree"
# left out; where the draws don't bear that, weighed a fifth or a tenth less
COUNT_POWERS = (0.0, 0.8, 0.9)

ASSUMPTIONS = (
    *("grass stage", "height growth", "survivorship slope", "early survivorship"),
    *("recorded cuts", "early growth", "size growth", STAGE_COUNTS),
)
PRIOR_SENSITIVITY = schema.ResultTable(
    "prior_sensitivity",
    "a stand, species and assumption",
    (
        *schema.UNIT,
        *schema.code("component", "the assumption", ASSUMPTIONS),
        *schema.sentence("what_is_changed", "what is assumed instead"),
        *schema.number("change", "as in `unit`", "the same as a number"),
        *schema.text("unit", "its unit"),
        *schema.number(
            "establishment_years_change",
            "years",
            "by which cored trees date later, median over trees of their mean year",
        ),
        *schema.number("establishment_years_error", "years", "its Monte Carlo standard error"),
        *schema.number("stems_per_ha_change", "stems/ha", "of the median number of stems"),
        *schema.number(
            "share_over_100_years_change", "share of stems", "of the mean share of stems this old"
        ),
        *schema.whole("pulses_reported", "pulses", "of the unit in `pulses.csv`"),
        *schema.whole("pulses_lost", "pulses", "that would fall below their reporting limit"),
        *schema.probability("lowest_pulse_probability", "the lowest of theirs then"),
        *schema.number(
            "largest_pulse_move_years",
            "years",
            "of a pulse's centre, later or earlier (negative)",
        ),
        *schema.text("pulses_then", "by pulse: number, probability then, centre year then"),
        *schema.number(
            "share_followed",
            "share",
            "of the change that the survey lets through: 1, it says nothing",
        ),
        *schema.number(
            "sensitivity",
            "per doubling",
            "by which the mean date moves when the prior weighs double:"
            " cumulative Jensen-Shannon distance",
        ),
        *schema.number(
            "surprise",
            "standard deviations",
            "by which data pull the quantity from the prior",
            blank="counts",
        ),
        *schema.code(
            "leaning",
            "whether the dates feel the assumption",
            ("no", LEAN_ON_PRIOR, DISAGREE),
            blank="counts",
        ),
        *schema.number("pareto_k", "shape", "of the weights; over 0.7 they would not be used"),
        *schema.number(
            "share_of_change_tried",
            "share",
            "of the change that the draws bear; the rest is scaled up",
        ),
        *schema.sentence("words", "the row as a sentence"),
        *schema.BASIS,
        *schema.AMOUNTS,
        *schema.internal("parts", "whole", "parameters that the assumption is made of"),
        *schema.internal("trees", "code", "whose dates are followed"),
        *schema.internal("stems_per_ha_before", "number", "median as assumed"),
        *schema.internal("first_pulse_centre", "number", "of the first pulse, as assumed"),
    ),
    remark="Blank: the draws can't tell. [How to read it](#what-rests-on-assumptions).",
)

Columns = dict[str, Any]  # of a row, by name


def sensitivity_table(findings: Findings) -> pd.DataFrame:
    """One row a unit and assumption: what would change if it were another. Blank where the draws
    don't bear the change; no row where the posterior holds no parameters.
    """
    posterior = findings.posterior
    draws = np.asarray(posterior.draws)
    rows = []
    for number, components in enumerate(posterior.prior_components):
        if not components:
            continue
        chains, flat = len(draws), draws.reshape(-1, draws.shape[-1])
        unit = posterior.units[number]
        followed = followed_unit(
            posterior,
            number,
            findings.scans[number],
            findings.bursts[number],
            findings.limits[number].value,
        )
        before = outcome(followed, np.full(len(flat), 1 / len(flat)))
        label: dict[str, object] = {**unit_label(unit), **unit_basis(unit)}
        label |= {"trees": followed.trees, "stems_per_ha_before": before.stems}
        label["first_pulse_centre"] = before.centre[0] if len(before.centre) else np.nan
        label["pulses_reported"] = len(followed.pulses)
        rows += [
            label | _component_columns(component, flat, followed, before, chains)
            for component in components
        ]
        counts = posterior.unit(number).log_counts
        if len(counts):
            rows.append(label | _counts_columns(counts, followed, before, chains))
    return PRIOR_SENSITIVITY.frame(rows)


def _component_columns(
    component: PriorComponent,
    flat: np.ndarray,
    followed: FollowedUnit,
    before: Outcome,
    chains: int,
) -> Columns:
    factors = flat[:, list(component.places)]
    by, own = np.array(component.by), np.array(component.weights)
    quantity = factors @ own / np.linalg.norm(own)  # a standard normal in the prior
    sensitivity = power_sensitivity(followed.mean_year, -0.5 * (factors**2).sum(axis=1))
    surprised = surprise(quantity)
    columns = {
        "component": component.name,
        "change": component.change,
        "unit": component.unit,
        "parts": len(component.places),
        "sensitivity": sensitivity,
        "surprise": surprised,
        "leaning": leaning(sensitivity, surprised),
    }
    weights = with_prior_moved(factors, by)
    if weights is None:
        return columns
    arrived = weights.values @ quantity - quantity.mean()
    asked = weights.share * (own @ by) / np.linalg.norm(own)
    return (
        columns
        | _effect_columns(followed, before, weights, chains)
        | {"share_followed": arrived / asked}
    )


def _counts_columns(
    log_counts: np.ndarray, followed: FollowedUnit, before: Outcome, chains: int
) -> Columns:
    columns = {
        "component": STAGE_COUNTS,
        "change": -100.0,
        "unit": "% of their weight",
        "sensitivity": power_sensitivity(followed.mean_year, log_counts),
        "leaning": "",
    }
    found = with_likelihood_weakened(log_counts, COUNT_POWERS)
    if found is None:
        return columns
    weights, power = found
    effect = _effect_columns(followed, before, weights, chains)
    return columns | effect | {"change": 100 * (power - 1)}


def stems_change(before: float, after: float, whole: float) -> float:
    """The change of a number of stems, scaled up on a straight line in logarithms; of no stems the
    plain one.

    >>> round(stems_change(100.0, 110.0, 2.0), 6), stems_change(0.0, 0.0, 2.0)
    (21.0, 0.0)
    """
    return before * ((after / before) ** whole - 1) if before else after


def _effect_columns(
    followed: FollowedUnit, before: Outcome, weights: Weights, chains: int
) -> Columns:
    """The change of everything that is followed, scaled up to the whole change where the weights
    stand for a part of it.
    """
    after, whole = outcome(followed, weights.values), 1 / weights.share
    probability = np.clip(
        before.probability + whole * (after.probability - before.probability), 0.0, 1.0
    )
    moved = whole * (after.centre - before.centre)
    change = after.years - before.years
    change = change[np.isfinite(change)]
    then = [
        f"{number + 1}: {there:.2f}, {centre + move:.0f}"
        for number, (there, centre, move) in enumerate(
            zip(probability, before.centre, moved, strict=True)
        )
    ]
    some = bool(len(followed.pulses))
    return {
        "establishment_years_change": whole * float(np.median(change)) if change.size else np.nan,
        "establishment_years_error": (
            whole * error_of_change(followed.mean_year, weights.values, chains)
            if change.size
            else np.nan
        ),
        "stems_per_ha_change": stems_change(before.stems, after.stems, whole),
        "share_over_100_years_change": (
            float(np.clip(before.old_share + whole * (after.old_share - before.old_share), 0, 1))
            - before.old_share
        ),
        "pulses_lost": int((probability < followed.limits).sum()),
        "lowest_pulse_probability": float(probability.min()) if some else np.nan,
        "largest_pulse_move_years": (
            float(moved[np.nanargmax(np.abs(moved))])
            if some and np.isfinite(moved).any()
            else np.nan
        ),
        "pulses_then": "; ".join(then),
        "pareto_k": weights.pareto_k,
        "share_of_change_tried": weights.share,
    }


def surprise(quantity: np.ndarray) -> float:
    """How far the data pulled a standard normal quantity from its prior, in standard deviations of
    what the prior expects of such data.

    The posterior mean m of a quantity with prior N(0, 1) has, before the data, mean 0 and variance
    1 - E[posterior variance]; so m / sqrt(1 - s^2) is about standard normal where prior and data
    agree (Evans & Moshonov 2006, Bayesian Analysis 1:893-914). (draw,)
    """
    return float(quantity.mean() / np.sqrt(max(1 - quantity.var(), LEAST_LEARNT)))


def leaning(sensitivity: float, surprised: float) -> str:
    """Whether the dates feel the prior of an assumption, and whether prior and data
    disagree about it.
    """
    if sensitivity < LEANS:
        return "no"
    return DISAGREE if abs(surprised) > SURPRISE else LEAN_ON_PRIOR
