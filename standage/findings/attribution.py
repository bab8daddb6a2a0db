"""Pulses and events: how far apart they began, how surprising that is, and what share of a pulse's
stems was there before.

Agreement in time is told with its probability and beside what chance would give; it is no proof of
cause. Where events of a kind recur so often that some event always goes before, nothing is tied to
them.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.findings.events_on_record import LAG_WINDOW, Event, stand_events
from standage.findings.intervals import blank_columns, interval_columns, whole_numbers
from standage.findings.local_ratio import Scan, scan_units
from standage.findings.pulse_limit import unit_limit
from standage.findings.pulses import Burst, find_bursts
from standage.findings.stages_at_event import StageShares, stage_shares, stem_histories
from standage.findings.stems import CORING_HEIGHT, dated_years, unit_basis, unit_label
from standage.profiles import load_profile
from standage.prose.attribution import row_words

SPANS = (5, 10, 20)  # spans after an event that are told [years]
# before looking, a pulse is as likely to follow none of the events listed as one of them
# (assumption)
NO_EVENT_PRIOR = 0.5
# Bayes factor under which nothing is claimed about waiting or germinating after
NEEDED_FACTOR = 3.0
NEEDED_SHARE = 0.8  # and share of the posterior that must agree with the claim (assumption)
CUTS = ("logging", "thinning")

SHARES = ("waiting", "emerging", "after")
COLUMNS = (
    *(
        "stand",
        "species",
        "pulse",
        "event",
        "kind",
        "timing",
        "event_first_year",
        "event_last_year",
        "event_ended_year",
    ),
    *("lag_years_low", "lag_years_median", "lag_years_high"),
    *(f"probability_began_within_{span}" for span in SPANS),
    *("probability_before", "probability_during", "chance_match", "probability_explains"),
    *(f"share_{share}_{point}" for share in SHARES for point in ("low", "median", "high")),
    *(f"prior_share_{share}_{point}" for share in SHARES for point in ("low", "median", "high")),
    *(
        "probability_mostly_waiting",
        "probability_mostly_after",
        "prior_probability_mostly_waiting",
        "prior_probability_mostly_after",
    ),
    *("bayes_factor", "claim", "other_explanation", "words"),
    *("basis", "amounts"),
)


def attribution(
    posterior,
    *,
    level: float = 0.9,
    pulses: pd.DataFrame | None = None,
    scans: list[Scan] | None = None,
    profile_folder: str | None = None,
    event_years: Mapping[tuple[str, str], pd.Series] | None = None,
) -> pd.DataFrame:
    """Every pulse with every event of its stand, and with none.

    Parameters
    ----------
    posterior : the posterior of a survey.
    level : credible level of `_low` and `_high`.
    pulses : the pulse table, where it is at hand: units without a pulse in it are passed over.
    scans : `scan_units(posterior)`, where it is at hand.
    profile_folder : where the species profiles of the fit are, if not the shipped ones.
    event_years : by stand and event, the chance of each year (index) in which it may have begun;
        all alike where not given.

    Returns
    -------
    A row for each pulse and event of its stand, numbered as in the pulse table, and one with a
    blank event: that none of them explains the pulse. See docs/the-model.md, section 10.
    """
    scans = scan_units(posterior) if scans is None else scans
    rows = []
    for number, scan in enumerate(scans):
        unit = posterior.units[number]
        if (
            pulses is not None
            and not ((pulses["stand"] == unit.stand) & (pulses["species"] == unit.species)).any()
        ):
            continue
        bursts = find_bursts(scan, unit_limit(posterior, number))
        if bursts:
            rows += _unit_rows(
                posterior, number, scan, bursts, level, profile_folder, event_years or {}
            )
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return whole_numbers(
        table, ("pulse", "event_first_year", "event_last_year", "event_ended_year")
    )


def explanation_chances(
    lags: list[np.ndarray], lasting: list[np.ndarray], telling_years: int
) -> tuple[np.ndarray, float]:
    """Probability that each event explains a pulse, and that none does.

    Half of the prior is that none does and half is spread evenly over the events. If an event does,
    the pulse begins in any of the years from its beginning to `LAG_WINDOW` years after it, or after
    its last year, alike; if none does, in any telling year, alike.

    Parameters
    ----------
    lags : for each event, years from its beginning to the pulse's start. (draw,)
    lasting : for each event, the years it went on after the first, 0 where it is no period. (draw,)
    telling_years : length of the time that the history can speak about.

    Returns
    -------
    events : (event,); none : the rest, so that all sum to 1.
    """
    none = NO_EVENT_PRIOR / telling_years
    if not lags:
        return np.zeros(0), 1.0
    width = [longer + LAG_WINDOW + 1 for longer in lasting]
    held = np.array(
        [np.mean(((lag >= 0) & (lag < wide)) / wide) for lag, wide in zip(lags, width, strict=True)]
    )
    events = (1 - NO_EVENT_PRIOR) / len(lags) * held
    total = none + events.sum()
    return events / total, float(none / total)


def chance_match(
    start: np.ndarray, longer: np.ndarray, events: int, first: int, last: int
) -> float:
    """Probability that of so many events placed at random in first..last at least one would go
    before the pulse's start closely.

    start: the pulse's first year; longer: years that the event went on after its first. Both
    (draw,).
    """
    earliest = np.maximum(start - LAG_WINDOW - longer, first)
    matching = np.maximum(np.minimum(start, last) - earliest + 1, 0) / (last - first + 1)
    return float(np.mean(1 - (1 - matching) ** events))


def mostly(shares: StageShares) -> tuple[float, float]:
    """Probability that more than half of the stems were waiting, and that more than half germinated
    after; NaN without a draw.
    """
    known = np.isfinite(shares.after)
    if not known.any():
        return np.nan, np.nan
    return float(np.mean(shares.waiting[known] > 0.5)), float(np.mean(shares.after[known] > 0.5))


def bayes_factor(told: tuple[float, float], assumed: tuple[float, float], draws: int) -> float:
    """By how much the survey raised the odds of mostly waiting against mostly germinated after;
    below 1 it lowered them.

    told, assumed: `mostly` of posterior and prior, from so many draws; half a draw on each side
    keeps none and all finite. NaN where neither ever held.
    """
    if not (sum(told) > 0 and sum(assumed) > 0):
        return np.nan
    odds, prior_odds = (
        (waiting * draws + 0.5) / (after * draws + 0.5) for waiting, after in (told, assumed)
    )
    return odds / prior_odds


def claim_of(told: tuple[float, float], factor: float) -> str:
    """`waiting`, `germinated after`, or `nothing` where the Bayes factor is under 3 or the
    posterior is not agreed.
    """
    waiting, after = told
    if factor >= NEEDED_FACTOR and waiting >= NEEDED_SHARE:
        return "waiting"
    if factor <= 1 / NEEDED_FACTOR and after >= NEEDED_SHARE:
        return "germinated after"
    return "nothing"


def _unit_rows(
    posterior,
    number: int,
    scan: Scan,
    bursts: list[Burst],
    level: float,
    profile_folder,
    event_years,
) -> list[dict]:
    unit = posterior.units[number]
    generator = np.random.default_rng([posterior.seed, number, 73])
    events = stand_events(posterior.survey, unit.stand)
    established = unit.basis != CORING_HEIGHT
    _, years = dated_years(posterior, number)
    profile = (
        load_profile(unit.species, profile_folder) if profile_folder else load_profile(unit.species)
    )
    histories = (
        stem_histories(posterior, number, scan.kept, profile, generator)
        if established and events
        else None
    )
    oldest = np.nanmedian(years, axis=0).min() if years.shape[1] else np.inf
    rows = []
    for place, burst in enumerate(bursts):
        start = scan.years[burst.start].astype(float)
        first = int(min(oldest, np.median(start[burst.there]))) - LAG_WINDOW
        began = [
            event.began(len(start), generator, event_years.get((unit.stand, event.name)))
            for event in events
        ]
        lasting = [_lasting(event, year) for event, year in zip(events, began, strict=True)]
        testable = [
            not event.recurring and np.median(year + longer) >= first
            for event, year, longer in zip(events, began, lasting, strict=True)
        ]
        chances, none = explanation_chances(
            [(start - year)[burst.there] for year, can in zip(began, testable, strict=True) if can],
            [longer[burst.there] for longer, can in zip(lasting, testable, strict=True) if can],
            unit.season - first + 1,
        )
        chance_of = iter(chances)
        label = {**unit_label(unit), "pulse": place + 1} | unit_basis(unit)
        for event, year, longer, can in zip(events, began, lasting, testable, strict=True):
            explains = float(next(chance_of)) if can else 0.0
            alike = sum(other.kind == event.kind and other.last >= first for other in events)
            row = label | _event_columns(event)
            row["chance_match"] = chance_match(
                start[burst.there], longer[burst.there], max(alike, 1), first, unit.season
            )
            if event.recurring:
                row |= _blank()
            else:
                row |= _lag_columns(start, year, longer, burst.there, level) | {
                    "probability_explains": explains if established else np.nan
                }
                row |= _share_columns(histories, scan, burst, year, profile.has_grass_stage, level)
            rows.append(row | {"words": row_words(row, LAG_WINDOW)})
        row = (
            label
            | _blank()
            | {
                "event": "",
                "kind": "",
                "timing": "",
                "chance_match": np.nan,
                "other_explanation": "",
            }
        )
        row["probability_explains"] = none if established and any(testable) else np.nan
        rows.append(
            row | {"words": row_words(row, LAG_WINDOW, events=len(events), testable=sum(testable))}
        )
    return rows


def _lasting(event: Event, began: np.ndarray) -> np.ndarray:
    """Years a period went on after its first, 0 for what is none. (draw,)"""
    return np.maximum(event.ended - began, 0) if event.timing == "period" else np.zeros(len(began))


def _event_columns(event: Event) -> dict:
    years = {
        "event_first_year": event.first,
        "event_last_year": event.last,
        "event_ended_year": event.ended,
    }
    return (
        {"event": event.name, "kind": event.kind, "timing": event.timing}
        | years
        | {"other_explanation": _other(event)}
    )


def _other(event: Event) -> str:
    """How a cut could have left the shape of a pulse without any."""
    if event.kind not in CUTS:
        return ""
    low, high = event.smallest_cut_cm, event.largest_cut_cm
    if not np.isfinite(low) and not np.isfinite(high):
        return "the cut can leave the same shape; which sizes it took is not recorded"
    sizes = [
        f"from {low:g} cm" if np.isfinite(low) and low > 0 else "",
        f"up to {high:g} cm" if np.isfinite(high) else "up",
    ]
    told = " ".join(sizes).strip() if sizes != ["", "up"] else "of all sizes"
    return f"the cut took stems {told}, which can leave the same shape"


def _blank() -> dict:
    """Columns of a row about which nothing is told."""
    numbers = [f"probability_began_within_{span}" for span in SPANS]
    numbers += ["probability_before", "probability_during", "probability_explains"]
    return dict.fromkeys(numbers, np.nan) | blank_columns("lag_years") | _blank_shares()


def _blank_shares() -> dict:
    blank = {
        f"{when}probability_mostly_{share}": np.nan
        for when in ("", "prior_")
        for share in ("waiting", "after")
    }
    blank |= {"bayes_factor": np.nan, "claim": "nothing"}
    for share in SHARES:
        blank |= blank_columns(f"share_{share}") | blank_columns(f"prior_share_{share}")
    return blank


def _lag_columns(
    start: np.ndarray, year: np.ndarray, longer: np.ndarray, there: np.ndarray, level: float
) -> dict:
    lag, longer = (start - year)[there], longer[there]
    within = {
        f"probability_began_within_{span}": float(np.mean((lag >= 0) & (lag <= span)))
        for span in SPANS
    }
    during = float(np.mean((lag >= 0) & (lag <= longer))) if longer.any() else np.nan
    before = {"probability_before": float(np.mean(lag < 0)), "probability_during": during}
    # for the words of a period: what `explanation_chances` counts as its reach
    before["probability_in_reach"] = float(np.mean((lag >= 0) & (lag <= longer + LAG_WINDOW)))
    return interval_columns("lag_years", lag, level, whole=True) | within | before


def _share_columns(
    histories, scan: Scan, burst: Burst, year: np.ndarray, has_grass_stage: bool, level: float
) -> dict:
    if histories is None:
        return _blank_shares()
    weights, fitted, prior = histories
    first, last = (scan.years[edge][:, None] for edge in (burst.start, burst.end))
    inside = (fitted.established >= first) & (fitted.established <= last)
    # the same stems in every draw: taking each draw's own would leave out, by definition, what
    # germinated before a pulse's first year
    inside = (inside[burst.there].mean(axis=0) > 0.5) & burst.there[:, None]
    told = {
        "share": stage_shares(fitted, weights, inside, year),
        "prior_share": stage_shares(prior, weights, inside, year),
    }
    columns = _blank_shares()
    for name, shares in told.items():
        for share in SHARES:
            if has_grass_stage or share != "waiting":
                columns |= interval_columns(f"{name}_{share}", getattr(shares, share), level)
    if has_grass_stage:
        fitted_mostly, prior_mostly = mostly(told["share"]), mostly(told["prior_share"])
        for when, (waiting, after) in (("", fitted_mostly), ("prior_", prior_mostly)):
            columns |= {
                f"{when}probability_mostly_waiting": waiting,
                f"{when}probability_mostly_after": after,
            }
        columns["bayes_factor"] = bayes_factor(fitted_mostly, prior_mostly, int(burst.there.sum()))
        columns["claim"] = claim_of(fitted_mostly, columns["bayes_factor"])
    return columns
