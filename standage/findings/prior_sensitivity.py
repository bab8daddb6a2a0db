"""How the answer leans on what was assumed: each assumption is moved a step, and the draws are
weighed as the other prior would have them.

For each assumption of the species profile that a stand's answer can hang on, the table says how far
the dates, the number of stems and the pulses would move, and how much of the change the survey lets
through: where stems speak about an assumption, little of it arrives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.findings.intervals import whole_numbers
from standage.findings.local_ratio import Scan, scan_units
from standage.findings.pulse_limit import unit_limit
from standage.findings.pulses import Burst, find_bursts
from standage.findings.reweighting import (
    Weights,
    error_of_change,
    power_sensitivity,
    weighted_median,
    with_likelihood_weakened,
    with_prior_moved,
)
from standage.findings.stems import (
    completed_season,
    dated_years,
    stems_past_emerging,
    unit_basis,
    unit_label,
    unit_years,
)

# sensitivity to a power of the prior from which the prior is felt (Kallioinen et al. 2023)
LEANS = 0.05
# normal points from which the data sit in the outer 5 % of what the prior expects of them (common
# practice, no source)
SURPRISE = 1.96
# share of the prior variance gone below which nothing was learnt that could disagree (assumption)
LEAST_LEARNT = 0.02
OLD_AGE = 100  # years; the share of stems past it is followed
# a pulse may move so far with the dates and be the same one (assumption: the longest delay changed
# is 2 years)
NEAR_YEARS = 5
# dates that move by less stay; a change known less well than this is told with its Monte Carlo
# error [years]
SMALLEST_MOVE = 0.1
WORTH_TELLING_YEARS = 1.0  # a date that moves less than this isn't told in the summary (assumption)
STAGE_COUNTS = "stage counts"
DISAGREE = "prior and data disagree"
COUNT_POWERS = (
    0.0,
    0.8,
    0.9,
)  # left out; where the draws don't bear that, weighed a fifth or a tenth less

COLUMNS = (
    *("stand", "species", "component", "what_is_changed", "change", "unit"),
    *(
        "establishment_years_change",
        "establishment_years_error",
        "stems_per_ha_change",
        "share_over_100_years_change",
    ),
    *(
        "pulses_reported",
        "pulses_lost",
        "lowest_pulse_probability",
        "largest_pulse_move_years",
        "pulses_then",
    ),
    *(
        "share_followed",
        "sensitivity",
        "surprise",
        "leaning",
        "pareto_k",
        "share_of_change_tried",
        "words",
        "basis",
        "amounts",
    ),
)


@dataclass(frozen=True)
class PulseSeen:
    """A reported pulse by kept draw: which windows near its own stand out `(draw, window)`, whether
    its own does, its centre year.
    """

    near: np.ndarray
    there: np.ndarray
    centre: np.ndarray
    limit: float


@dataclass(frozen=True)
class UnitSeen:
    """What is followed of a unit, by draw.

    Attributes
    ----------
    whose : `cored trees`, or `trees dated by size` where there is no cored one.
    years, dated : (draw, tree) year of each of them, 0 where a draw has none, and whether it has
        one.
    mean_year : (draw,) their mean.
    order, stems : places of the draws by number of stems past the emerging stage, and these numbers
        in order; blank without plots.
    old_share : (draw,) share of stems older than `OLD_AGE`.
    kept : draws that were scanned for pulses. pulses : those reported.
    """

    whose: str
    years: np.ndarray
    dated: np.ndarray
    mean_year: np.ndarray
    order: np.ndarray
    stems: np.ndarray
    old_share: np.ndarray
    kept: np.ndarray
    pulses: tuple[PulseSeen, ...]


@dataclass(frozen=True)
class Answer:
    """The same under one set of weights: years by tree, median stems per hectare, mean share, each
    pulse's probability and centre.
    """

    years: np.ndarray
    stems: float
    old_share: float
    probability: np.ndarray
    centre: np.ndarray


def prior_sensitivity(
    posterior, *, scans: list[Scan] | None = None, limits: pd.DataFrame | None = None
) -> pd.DataFrame:
    """One row a unit and assumption: what would change if it were another.

    Parameters
    ----------
    posterior : the posterior of a survey.
    scans : `scan_units(posterior)`, where it is at hand.
    limits : a table of reporting limits in place of the package's own.

    Returns
    -------
    Columns as in docs/results.md; no row where the posterior holds no parameters.
    """
    components = getattr(posterior, "prior_components", [])
    rows = []
    if components:
        scans = scan_units(posterior) if scans is None else scans
        draws = np.asarray(posterior.draws)
        chains, flat = len(draws), draws.reshape(-1, draws.shape[-1])
        for number, of_unit in enumerate(components):
            seen = unit_seen(posterior, number, scans[number], limits)
            before = answer(seen, np.full(len(flat), 1 / len(flat)))
            label = unit_label(posterior.units[number])
            ends = unit_basis(posterior.units[number])
            for component in of_unit:
                rows.append(label | _component_row(component, flat, seen, before, chains) | ends)
            if len(posterior.log_counts[number]):
                rows.append(
                    label | _counts_row(posterior.log_counts[number], seen, before, chains) | ends
                )
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return whole_numbers(table, ["pulses_reported", "pulses_lost"])


def unit_seen(posterior, number: int, scan: Scan, limits: pd.DataFrame | None = None) -> UnitSeen:
    """What is followed of one unit."""
    unit = posterior.units[number]
    trees, years = dated_years(posterior, number, in_process=False)
    cored = trees["cored"].to_numpy().astype(bool)
    years = years[:, cored] if cored.any() else years
    dated = np.isfinite(years)
    stems = stems_past_emerging(posterior, number)
    total = stems.sum(axis=1)
    age = completed_season(posterior.survey, unit.stand) - unit_years(posterior, unit) + 1
    order = np.argsort(total, kind="stable")
    return UnitSeen(
        whose="cored trees" if cored.any() else "trees dated by size",
        years=np.where(dated, years, 0.0),
        dated=dated,
        mean_year=np.where(dated, years, 0.0).sum(axis=1) / np.maximum(dated.sum(axis=1), 1),
        order=order,
        stems=total[order] if unit.has_plots else np.full(len(total), np.nan),
        old_share=stems[:, age > OLD_AGE].sum(axis=1) / np.maximum(total, np.finfo(float).tiny),
        kept=scan.kept,
        pulses=_pulses_seen(posterior, number, scan, limits),
    )


def _pulses_seen(
    posterior, number: int, scan: Scan, limits: pd.DataFrame | None
) -> tuple[PulseSeen, ...]:
    limit = unit_limit(posterior, number, table=limits)
    found = find_bursts(scan, limit)
    return tuple(
        _pulse_seen(
            scan, burst, [other.place for other in found if other is not burst], limit.value
        )
        for burst in found
    )


def _pulse_seen(scan: Scan, burst: Burst, others: list[int], limit: float) -> PulseSeen:
    places = np.arange(
        max(burst.place - NEAR_YEARS, 0), min(burst.place + NEAR_YEARS + 1, len(scan.years))
    )
    own = np.array(
        [all(abs(place - burst.place) < abs(place - other) for other in others) for place in places]
    )
    allowed = (own & scan.supported(burst.width)[places]) | (places == burst.place)
    on_axis = np.arange(len(scan.years))
    inside = (on_axis >= burst.start[:, None]) & (on_axis <= burst.end[:, None])
    excess = (
        np.maximum(scan.settled - scan.background[burst.width][:, burst.place][:, None], 0)
        * scan.shape
        * inside
    )
    held = excess.sum(axis=1)
    centre = excess @ scan.years / np.where(held > 0, held, np.nan)
    there = burst.there & np.isfinite(centre)
    near = scan.stands_out[burst.width][:, places[allowed]]
    return PulseSeen(near.astype(float), there.astype(float), np.where(there, centre, 0.0), limit)


def answer(seen: UnitSeen, weights: np.ndarray) -> Answer:
    """What the draws say under weights, (draw,)."""
    present = weights @ seen.dated
    among_kept = weights[seen.kept] / weights[seen.kept].sum()
    there = [among_kept @ pulse.there for pulse in seen.pulses]
    return Answer(
        years=(weights @ seen.years) / np.where(present > 0, present, np.nan),
        stems=(
            weighted_median(seen.stems, weights[seen.order])
            if np.isfinite(seen.stems).all()
            else np.nan
        ),
        old_share=float(weights @ seen.old_share),
        probability=np.array([float((among_kept @ pulse.near).max()) for pulse in seen.pulses]),
        centre=np.array(
            [
                among_kept @ pulse.centre / held if held > 0 else np.nan
                for pulse, held in zip(seen.pulses, there, strict=True)
            ]
        ),
    )


def _component_row(
    component, flat: np.ndarray, seen: UnitSeen, before: Answer, chains: int
) -> dict:
    factors = flat[:, list(component.places)]
    by, own = np.array(component.by), np.array(component.weights)
    quantity = factors @ own / np.linalg.norm(own)  # a standard normal in the prior
    told = {
        "component": component.name,
        "what_is_changed": component.changed,
        "change": component.change,
        "unit": component.unit,
        "sensitivity": power_sensitivity(seen.mean_year, -0.5 * (factors**2).sum(axis=1)),
        "surprise": surprise(quantity),
    }
    told["leaning"] = leaning(told["sensitivity"], told["surprise"])
    weights = with_prior_moved(factors, by)
    if weights is None:
        return told | _not_told(
            seen, f"What would be if {component.changed} can't be told without another fit."
        )
    effect = _effect(seen, before, weights, chains)
    followed = (weights.values @ quantity - quantity.mean()) / (
        weights.share * (own @ by) / np.linalg.norm(own)
    )
    words = _words(f"If {component.changed}", effect, seen, before)
    if weights.share < 1:
        words += (
            f" (Scaled up from {_part(weights.share)} of the change, the most that the draws bear.)"
        )
    return told | effect | {"share_followed": followed, "words": words}


def _counts_row(log_counts: np.ndarray, seen: UnitSeen, before: Answer, chains: int) -> dict:
    told = {
        "component": STAGE_COUNTS,
        "what_is_changed": "the counts of seedling stages are left out",
        "change": -100.0,
        "unit": "% of their weight",
        "sensitivity": power_sensitivity(seen.mean_year, log_counts),
        "leaning": "",
    }
    refit = (
        "What leaving the stage counts out altogether would do can't be told without another fit:"
        " run the survey without counts.csv."
    )
    found = with_likelihood_weakened(log_counts, COUNT_POWERS)
    if found is None:
        return told | _not_told(seen, refit)
    weights, power = found
    effect = _effect(seen, before, weights, chains)
    if power == 0:
        return told | effect | {"words": _words("Without the stage counts", effect, seen, before)}
    less = f"the counts of seedling stages weigh {100 * (1 - power):.0f} % less"
    words = _words(f"If {less}", effect, seen, before)
    return (
        told
        | effect
        | {
            "what_is_changed": less,
            "change": 100 * (power - 1),
            "words": f"{words} {refit}",
        }
    )


def _effect(seen: UnitSeen, before: Answer, weights: Weights, chains: int) -> dict:
    """The change of everything that is followed, scaled up to the whole change where the weights
    stand for a part of it.
    """
    after, whole = answer(seen, weights.values), 1 / weights.share
    probability = np.clip(
        before.probability + whole * (after.probability - before.probability), 0.0, 1.0
    )
    moved = whole * (after.centre - before.centre)
    limit = np.array([pulse.limit for pulse in seen.pulses])
    change = after.years - before.years
    change = change[np.isfinite(change)]
    then = [
        f"{number + 1}: {there:.2f}, {centre + move:.0f}"
        for number, (there, centre, move) in enumerate(
            zip(probability, before.centre, moved, strict=True)
        )
    ]
    some = bool(len(seen.pulses))
    return {
        "establishment_years_change": whole * float(np.median(change)) if change.size else np.nan,
        "establishment_years_error": (
            whole * error_of_change(seen.mean_year, weights.values, chains)
            if change.size
            else np.nan
        ),
        "stems_per_ha_change": (
            before.stems * ((after.stems / before.stems) ** whole - 1)
        ),  # a straight line in logarithms
        "share_over_100_years_change": (
            float(np.clip(before.old_share + whole * (after.old_share - before.old_share), 0, 1))
            - before.old_share
        ),
        "pulses_reported": len(seen.pulses),
        "pulses_lost": int((probability < limit).sum()),
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


def _not_told(seen: UnitSeen, words: str) -> dict:
    return {"pulses_reported": len(seen.pulses), "pulses_then": "", "words": words}


def surprise(quantity: np.ndarray) -> float:
    """How far the data pulled a standard normal quantity from its prior, in standard deviations of
    what the prior expects of such data.

    The posterior mean m of a quantity with prior N(0, 1) has, before the data, mean 0 and variance
    1 - E[posterior variance]; so m / sqrt(1 - s^2) is about standard normal where prior and data
    agree (Evans & Moshonov 2006, Bayesian Analysis 1:893-914). (draw,)
    """
    return float(quantity.mean() / np.sqrt(max(1 - quantity.var(), LEAST_LEARNT)))


def leaning(sensitivity: float, surprised: float) -> str:
    """In words: whether the dates feel the prior of an assumption, and whether prior and data
    disagree about it.
    """
    if sensitivity < LEANS:
        return "no"
    return DISAGREE if abs(surprised) > SURPRISE else "dates lean on the prior"


def _words(condition: str, effect: dict, seen: UnitSeen, before: Answer) -> str:
    moved, error = effect["establishment_years_change"], effect["establishment_years_error"]
    if not np.isfinite(moved):
        dates = "no tree is dated"
    elif abs(moved) < max(SMALLEST_MOVE, 2 * min(error, SMALLEST_MOVE)):
        dates = f"the dates of {seen.whose} stay"
    else:
        give_or_take = f" (give or take {2 * error:.1f})" if error > SMALLEST_MOVE else ""
        dates = (
            f"{seen.whose} date {abs(moved):.1f} years"
            f" {'earlier' if moved < 0 else 'later'}{give_or_take}"
        )
    said = [f"{condition}, {dates}"]
    change = effect["stems_per_ha_change"]
    if np.isfinite(change) and abs(change) >= 0.05 * before.stems:
        said.append(
            f"there are {100 * abs(change) / before.stems:.0f} %"
            f" {'fewer' if change < 0 else 'more'} stems past the emerging stage"
        )
    lost = effect["pulses_lost"]
    if len(seen.pulses) == 1:
        said.append(
            f"the pulse around {before.centre[0]:.0f} {'would not be told' if lost else 'stays'}"
        )
    elif seen.pulses:
        said.append(
            f"{lost} of {len(seen.pulses)} pulses would not be told"
            if lost
            else f"all {len(seen.pulses)} pulses stay"
        )
    return "; ".join(said) + "."


def _part(share: float) -> str:
    return {0.5: "half", 0.25: "a quarter", 0.125: "an eighth"}[share]


def sensitivity_records(table: pd.DataFrame) -> list[dict]:
    """The table as a list for verdict.json: what was changed, what came of it, and whether the
    dates lean on it.
    """
    blanks = table.astype(object).where(table.notna(), None)
    return blanks.drop(columns=["basis", "amounts"]).to_dict("records")
