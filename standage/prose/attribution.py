"""Pulses and events in words: one row of the attribution table as a sentence."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from standage.findings.events_on_record import CUTS, LAG_WINDOW
from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.findings.stems import CORING_HEIGHT
from standage.grammar import capital, counted
from standage.prose.wording import of_hundred, probability_words, rounded, share_words

# share of waiting stems that posterior or prior must allow before a sentence is spent on it
# (assumption)
WORTH_TELLING = 0.1
LONGEST_LAG = 40  # an event farther back isn't near a pulse (assumption) [years]
# share of a pulse's stems that may have been seedlings when an event came, from which the event may
# have let them go (assumption)
WAITING = 0.5
MOST_OTHERS = 2  # further events named with a pulse
NO_PROOF = "None of this is the probability of a cause, which dates can't give."
NAMES = {
    "fire-resumed": "return of fire",
    "field-abandoned": "abandonment of the field",
    "grazing-end": "end of grazing",
    "insects": "insect outbreak",
    "other": "event on record",
}


def event_name(row: Row) -> str:
    """An event as a person would name it: `the logging of one year in 1921-1924`."""
    kind = NAMES.get(row["kind"], str(row["kind"]).replace("-", " "))
    first, last = int(row["event_first_year"]), int(row["event_last_year"])
    when = f"of {first}" if first == last else f"of one year in {first}-{last}"
    if row["timing"] == "period":
        when = f"that began {begun_words(first, last)} and ended in {int(row['event_ended_year'])}"
    return f"the {kind} {when}"


def begun_words(first: int, last: int) -> str:
    """When an event began: `in 1926`, `in some year from 1921 to 1924`."""
    return f"in {first}" if first == last else f"in some year from {first} to {last}"


def attribution_columns(table: pd.DataFrame) -> dict[str, list[str]]:
    """The English columns of attribution.csv."""
    rows = table.to_dict("records")
    return {
        "other_explanation": [other_explanation(row) for row in rows],
        "words": [attribution_words(row) for row in rows],
    }


def other_explanation(row: Row) -> str:
    """How a cut could have left the shape of a pulse without any; blank for other events."""
    if row["kind"] not in CUTS:
        return ""
    low, high = float(row["removed_from_cm"]), float(row["removed_to_cm"])
    if not np.isfinite(low) and not np.isfinite(high):
        return "the cut can leave the same picture; which sizes it took is not recorded"
    smallest = f"from {low:g} cm" if np.isfinite(low) and low > 0 else ""
    largest = f"up to {high:g} cm" if np.isfinite(high) else "up"
    sizes = f"{smallest} {largest}".strip() if smallest or np.isfinite(high) else "of all sizes"
    return f"the cut took stems {sizes}, which can leave the same picture"


def attribution_words(row: Row) -> str:
    """A row of the attribution table as sentences."""
    arrivals = row["basis"] == CORING_HEIGHT
    if row["event"] == "":
        return _no_event_words(row, arrivals)
    if np.isnan(row["lag_years_median"]):
        return f"{recurring_words(row['kind'])}: the pulse can't be tied to {event_name(row)}."
    if row["probability_before"] < 0.5:
        within = (
            f"within {LAG_WINDOW} years after it is"
            f" {probability_words(row[f'probability_began_within_{LAG_WINDOW}'])}"
        )
        if row["timing"] == "period":
            within = (
                f"in its years or within {LAG_WINDOW} after them is"
                f" {probability_words(row['probability_in_reach'])}"
            )
        odds = f"that it began {within}"
    else:
        odds = f"that the pulse came first is {probability_words(row['probability_before'])}"
    sentences = [f"The pulse began {lag_words(row)}{_chance_words(row)}; {odds}."]
    if arrivals:
        sentences.append(
            "Its years are those of arrival at the core's height, so that the seasons below the"
            " core lie between."
        )
    elif stage_words(row):
        sentences.append(stage_words(row))
    other = other_explanation(row)
    if other:
        sentences.append(f"{capital(other)}.")
    return " ".join(sentences)


def recurring_words(kind: str) -> str:
    """Why nothing is tied to an event that recurs."""
    kinds = {
        "fire": "fires",
        "storm": "storms",
        "seed-crop": "seed crops",
        "logging": "cuts",
        "thinning": "cuts",
    }.get(kind, "such events")
    return (
        f"On record are {kinds} less than {2 * LAG_WINDOW} years apart, so that one always goes"
        " before"
    )


def _no_event_words(row: Row, arrivals: bool) -> str:
    if not row["events_on_record"]:
        return "No event of this stand is on record, so that the pulse can't be compared with any."
    if arrivals:
        return (
            "Years are those of arrival at the core's height: without the seasons below it, the"
            " pulse can't be tied to an event."
        )
    if not row["events_testable"]:
        return (
            "None of the events on record can be tested against this pulse: they recur too often,"
            " or lie before all that is dated."
        )
    tested = counted(int(row["events_testable"]), "event")
    return (
        f"{capital(tested)} on record can be set beside this pulse, each in a row of its own; that"
        f" it goes with none on record is {probability_words(row['probability_none_on_record'])}."
    )


def near_events(rows: Iterable[Row]) -> list[Row]:
    """The events that are named with a pulse, the nearest first: begun at most `LONGEST_LAG` years
    before it, or after it while `WAITING` of its stems may at most have been seedlings.
    """
    near = [
        row
        for row in rows
        if row["event"] != ""
        and (
            0 <= row["lag_years_median"] <= LONGEST_LAG
            or (row["lag_years_median"] < 0 and _seedlings_then(row) >= WAITING)
        )
    ]
    return sorted(near, key=lambda row: abs(row["lag_years_median"]))


def _seedlings_then(row: Row) -> float:
    """The most of a pulse's stems that may have been below breast height when the event came."""
    return float(np.nansum([row["share_waiting_high"], row["share_emerging_high"]]))


def pulse_sentences(rows: Sequence[Row], pulse: str) -> list[str]:
    """One pulse beside the events of its stand: how long after each it began, how often chance
    would come as close, and what else is near.

    rows: all its rows of the attribution table. pulse: how to name it, such as `the pulse` or
    `pulse 2`.
    """
    (none,) = (row for row in rows if row["event"] == "")
    recurring = [row for row in rows if row["event"] != "" and np.isnan(row["lag_years_median"])]
    if len(rows) == 1 or none["basis"] == CORING_HEIGHT:
        return [attribution_words(none)]
    too_often = (
        [f"{recurring_words(recurring[0]['kind'])}; nothing is tied to them."] if recurring else []
    )
    near = near_events(rows)
    if not near:
        reason = "" if recurring else ": none is near it"
        return [f"No event on record can be tied to {pulse}{reason}.", *too_often]
    first, *others = near
    sentences = [f"{capital(pulse)} began {lag_words(first)}{_chance_words(first)}."]
    if first["claim"] != "nothing":
        most = (
            "were waiting in the grass stage by then"
            if first["claim"] == "waiting"
            else "germinated after it"
        )
        sentences.append(f"Most of its stems {most}.")
    elif first["lag_years_median"] < 0:
        sentences.append("Its stems may have been there as seedlings when that came.")
    if others:
        sentences.append(
            f"Also near: it began {'; '.join(lag_words(row) for row in others[:MOST_OTHERS])}."
        )
    left = next(filter(None, map(other_explanation, near)), "")
    return [*sentences, *([f"But {left}."] if left else []), *too_often]


def _chance_words(row: Row) -> str:
    """How often events of random years would come so near."""
    return f"; chance alone brings an event so near in {of_hundred(row['chance_as_close'])} cases"


def lag_words(row: Row, name: str | None = None) -> str:
    """`about 4 years after the logging of 1921 (1 to 9 years)`. name: of the event, in place of its
    own.
    """
    event = name or event_name(row)
    low, middle, high = map(int, Interval.of(row, "lag_years"))
    about = "" if low == high else "about "
    if middle == 0:
        lag = f"{about}in the year of {event}"
    else:
        beginning = "the beginning of " if row["timing"] == "period" else ""
        what = "its beginning" if beginning and name == "it" else f"{beginning}{event}"
        lag = f"{about}{abs(middle)} {_years(middle)} {_side(middle)} {what}"
    if low == high:
        return lag
    if (low >= 0 or high <= 0) and middle != 0:
        near, far = sorted((abs(low), abs(high)))
        return f"{lag} ({near} to {far} years)"
    return f"{lag} ({_end(low)} to {_end(high).replace(' years', '')})"


def _years(number: int) -> str:
    return "year" if abs(number) == 1 else "years"


def _side(number: int) -> str:
    return "after" if number > 0 else "before"


def _end(number: int) -> str:
    return "the same year" if number == 0 else f"{abs(number)} {_years(number)} {_side(number)}"


def stage_words(row: Row) -> str:
    """Where the pulse's stems stood when the event came; blank where none of them can have been
    there as a plant without a stem.
    """
    some = np.nanmax([row["share_waiting_high"], row["prior_share_waiting_high"], 0.0])
    if np.isnan(row["share_after_median"]) or some < WORTH_TELLING:
        return ""
    return (
        f"Of its stems {_share(row, 'share_waiting')} were then waiting in the grass stage and"
        f" {_share(row, 'share_after')} germinated in that year or later; their arrivals and the"
        f" profile's delays alone would say {_share(row, 'prior_share_waiting')} and"
        f" {_share(row, 'prior_share_after')}. {claim_words(row)}"
    )


def claim_words(row: Row) -> str:
    """What may be said of plants that were there before the event, and from which Bayes factor."""
    factor = row["bayes_factor"]
    if row["claim"] == "nothing":
        number = "" if np.isnan(factor) else f" (Bayes factor {_factor(factor)})"
        return f"Nothing is claimed of which were more{number}."
    most = "were there before the event" if row["claim"] == "waiting" else "germinated after it"
    return f"The survey speaks for it that most {most} (Bayes factor {_factor(factor)})."


def _factor(factor: float) -> str:
    larger = max(factor, 1 / factor)
    side = "for waiting" if factor >= 1 else "against waiting"
    return f"{'over 100' if larger > 100 else rounded(larger)} {side}"


def _share(row: Row, name: str) -> str:
    return share_words(*Interval.of(row, name))
