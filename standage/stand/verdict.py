"""Whether a fit can be trusted: the chains agree, and what was seen is what the fitted model
expects.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from standage.stand.convergence import (
    ESS_LIMIT,
    SHORT_RUN,
    Convergence,
)
from standage.stand.draws import Draws
from standage.stand.expected import DIAMETER_EDGES, Expected, two_sided
from standage.stand.unit_draws import Unit
from standage.stand.verdict_record import Check, Verdict

# share of draws that may diverge before the fit fails; any at all is named (assumption)
DIVERGENT_LIMIT = 0.005
# two-sided posterior predictive probability below which a check is remarked on (assumption)
CHECK_LIMIT = 0.01


def judge(
    units: Sequence[Unit],
    sampled: Draws,
    found: Convergence,
    expected: Sequence[Expected],
    level: float,
) -> Verdict:
    """The verdict: passed or not, the figures behind it, and in words what to try."""
    diverged = sampled.divergences > DIVERGENT_LIMIT * sampled.made
    notes = [*_of_chains(sampled, found), *_of_divergences(sampled, diverged)]
    checks: list[Check] = []
    for unit, of_unit in zip(units, expected, strict=True):
        checks += _checks(unit, of_unit, level)
        notes += _of_factors(unit, of_unit)
    notes += [
        f"The model fits '{check['name']}' poorly: {check['observed']:.0f} seen,"
        f" {check['low']:.0f} to {check['high']:.0f} expected."
        for check in checks
        if check["p"] < CHECK_LIMIT
    ]
    passed = found.enough and not diverged
    if passed and not notes:
        notes.append("The chains agree and the model reproduces the counts and diameters.")
    return Verdict(
        passed=passed,
        notes=notes,
        rhat_max=found.rhat_max,
        rhat_any_parameter=found.rhat_any,
        ess_min=found.ess_min,
        slowest=found.slowest,
        divergences=sampled.divergences,
        checks=checks,
        steps_per_draw=sampled.steps_per_draw,
        sampling_seconds=round(sampled.seconds, 1),
        chains=len(sampled.values),
        draws_per_chain=sampled.values.shape[1],
    )


def _of_chains(sampled: Draws, found: Convergence) -> Iterator[str]:
    more = 2 * sampled.made // len(sampled.values)
    if not found.agree:  # so put, a number that isn't one is no agreement either
        yield (
            f"The chains disagree (R-hat {found.worst_rhat:.3f}, should be under"
            f" {found.worst_limit:.3f}). Run again with more draws: --draws {more}."
        )
    if not found.ess_min >= ESS_LIMIT:
        yield (
            f"Too few effective draws of '{found.slowest}' ({found.ess_min:.0f}, should be"
            f" {ESS_LIMIT} or more). Run again with more draws: --draws {more}."
        )
    if not found.enough and sampled.made < SHORT_RUN:
        yield (
            f"This was a short run of {sampled.made} draws: that it fails says nothing of what the"
            " survey could tell."
        )


def _of_divergences(sampled: Draws, too_many: bool) -> Iterator[str]:
    if too_many:
        yield (
            f"{sampled.divergences} draws diverged: part of the posterior may not have been"
            " reached. Run again with another --seed. Cores that contradict each other are named"
            " by `standage check`; where it names none, the cause is the sampler, not the survey."
        )
    elif sampled.divergences:
        yield (
            f"{sampled.divergences} draws diverged, too few to matter; more than"
            f" {DIVERGENT_LIMIT:.1%} would fail the fit."
        )


def _checks(unit: Unit, expected: Expected, level: float) -> Iterator[Check]:
    if unit.has_plots:
        for c, observed in enumerate(expected.stems_listed):
            low, high = DIAMETER_EDGES[c], DIAMETER_EDGES[c + 1]
            size = f"{low:.0f}-{high:.0f} cm" if np.isfinite(high) else f"over {low:.0f} cm"
            predicted = expected.stems_by_diameter[:, c]
            # rounded, so that 0.9 leaves out 0.05 to the last digit
            tails = np.round([(1 - level) / 2, (1 + level) / 2], 12)
            ends = np.quantile(predicted, tails)
            yield Check(
                name=f"{unit.name}: listed stems of {size}",
                observed=float(observed),
                low=float(ends[0]),
                high=float(ends[1]),
                p=two_sided(predicted, float(observed)),
            )
    for row in expected.stage_counts.to_dict("records"):
        yield Check(
            name=f"{unit.name}: {row['stage']} counted",
            observed=row["observed"],
            low=row["predicted_low"],
            high=row["predicted_high"],
            p=row["p"],
        )


def _of_factors(unit: Unit, expected: Expected) -> Iterator[str]:
    for row in expected.stage_counts.to_dict("records"):
        if abs(math.log(row["factor"])) > 1:
            yield (
                f"{unit.name}: the counts of the {row['stage']} stage are {row['factor']:.1f} times"
                " what the rest of the survey expects; dates of young stems lean on them."
            )
