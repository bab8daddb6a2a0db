"""What of a survey the model can't use, or uses on an assumption, in sentences that go with the
result.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from standage.errors import StandageError
from standage.evidence.centre import reach_unknown
from standage.evidence.core import CoreReadings
from standage.grammar import counted
from standage.survey.survey import Survey

# reader's scales by which two counts may differ by misreading alone (assumption)
SCALES_APART = 4.0


def no_history(survey: Survey, reasons: Iterable[str], readable: int) -> StandageError:
    """The refusal of a survey of which no stand can be given a history: why, stand by stand, and
    what can be told all the same.
    """
    if readable:
        told = (
            f"What can be told: {counted(readable, 'core')} can be dated, each tree by itself, with"
            " `standage ages`."
        )
    else:
        told = "No core can be read either, so nothing in this survey can be dated."
    open_ = (
        "How many stems came when, and whether there was a recruitment pulse, can't be told from"
        " this survey"
    )
    return StandageError(
        "\n".join([f"{survey.name}: {open_}.", *(f"- {reason}" for reason in reasons), told])
    )


def why_no_history(
    stand: str, species: str, stems: pd.DataFrame, counted_in: pd.Series, fewest: int
) -> str:
    """Why a species of a stand has no history of its own.

    stems: its rows of trees. counted_in: bool by row, live, not planted and, where there are plots,
    inside one.
    """
    parts = [
        counted(int(number), what, what)
        for number, what in (
            ((stems["status"] != "live").sum(), "dead"),
            (((stems["status"] == "live") & (stems["origin"] == "planted")).sum(), "planted"),
            (
                ((stems["status"] == "live") & (stems["origin"] != "planted") & ~counted_in).sum(),
                "outside the plots",
            ),
        )
        if number
    ]
    of = f" (and {', '.join(parts)})" if parts else ""
    number = int(counted_in.sum())
    if number < fewest:
        return (
            f"{stand}: {counted(number, 'live natural stem')} of {species}{of}, too few for a"
            f" history of their own ({fewest} are needed)"
        )
    return (
        f"{stand}: {counted(number, 'live natural stem')} of {species}, without a core that can be"
        " read or a diameter in a plot"
    )


def event_notes(survey: Survey) -> list[str]:
    """Events that can't have acted on what was surveyed, and cuts that what was surveyed denies."""
    notes = []
    for event in survey.events.itertuples():
        stands = [event.stand] if event.stand else list(survey.stands["stand"])
        season = max(survey.survey_season(stand) for stand in stands)
        kind = event.kind.replace("-", " ")
        if event.first_year > season:
            notes.append(
                f"The {kind} '{event.event}' of {int(event.first_year)} came after the survey of"
                f" {season}: it explains nothing."
            )
        elif event.kind in ("logging", "thinning") and event.share_removed == 1:
            notes.append(
                f"The {kind} '{event.event}' is recorded to have taken every stem in its reach, and"
                " stems of those years may stand: its share is taken as not recorded."
            )
    return notes


def core_notes(
    stand: str,
    species: str,
    readings: CoreReadings,
    cores: pd.DataFrame,
    *,
    at_odds: list[str],
    too_early: list[str],
    misread: pd.Series,
) -> list[str]:
    """What cores of a stand and species contradict or leave open.

    cores: their rows of `core_table`, in the order of the readings. at_odds: trees whose cores no
    history could bring together. too_early: trees whose cores lie before the years considered.
    misread: by tree, that one of its cores probably is, "" where none is.
    """
    notes, name = [], f"{stand}, {species.replace('-', ' ')}"
    if at_odds:
        notes.append(
            f"{name}: the cores of {counted(len(at_odds), 'tree')} ({_first_names(at_odds)})"
            " contradict each other, or the year in which it is on record. They are left out; read"
            " these cores again."
        )
    if too_early:
        notes.append(
            f"{name}: the cores of {counted(len(too_early), 'tree')} ({_first_names(too_early)})"
            " lie before all years considered. They are left out."
        )
    notes += [
        f"{name}: tree {tree} is dated, but {words}." for tree, words in misread.items() if words
    ]
    odd = [tree for tree in _older_above(readings) if not misread.get(tree)]
    if odd:
        notes.append(
            f"{name}: in {counted(len(odd), 'tree')} ({_first_names(odd)}) a core begins years"
            " before one below it whose pith was seen. One of the two is misread or its height is"
            " wrong; their dates can't be trusted."
        )
    usable = np.asarray(readings.readable, dtype=bool)
    unknown = int((usable & reach_unknown(cores)).sum())
    if unknown:
        notes.append(
            f"{name}: {counted(unknown, 'core')} with neither the pith nor its distance nor a"
            " length of core beside the diameter. How many rings they missed is assumed; record"
            " core_length_mm or pith_distance_mm."
        )
    blank = int(
        (
            usable
            & (cores["centre"] == "unknown")
            & cores["rings_to_pith"].isna()
            & cores["pith_distance_mm"].isna()
        ).sum()
    )
    if blank:
        notes.append(
            f"{name}: of {counted(blank, 'core')} nothing is recorded of the centre. How many rings"
            " they missed is what the profile says of such cores; the trees may be older."
        )
    live = cores["status"].to_numpy() == "live"
    no_bark = (
        usable
        & live
        & (cores["outer_ring"] == "unknown")
        & cores["last_ring_year"].isna()
        & cores["first_ring_year"].isna()
    )
    if no_bark.any():
        notes.append(
            f"{name}: of {counted(int(no_bark.sum()), 'core')} neither the year of the last ring"
            " nor whether it was the last is known; that rings were counted from the bark is"
            " assumed. Where outer rings were lost, the trees are older by as many."
        )
    return notes


def too_old_records(name: str, stems: pd.DataFrame, first_year: int) -> list[str]:
    """Trees on record before all years considered, which reach back as far as the species lives."""
    odd = list(stems.loc[stems["alive_in_year"] < first_year, "tree"])
    if not odd:
        return []
    return [
        f"{name}: {counted(len(odd), 'tree')} ({_first_names(odd)}) on record before {first_year},"
        " longer ago than the species lives. These records are not used; look at alive_in_year."
    ]


def _older_above(readings: CoreReadings) -> list[str]:
    """Trees of which a core begins before one below it that holds the pith, by more than counts
    stray.
    """
    odd = []
    for tree in dict.fromkeys(readings.tree):
        rows = np.flatnonzero(
            (readings.tree == tree)
            & np.isfinite(readings.innermost_year)
            & np.isfinite(readings.height_cm)
        )
        for low in rows[readings.centre[rows] == "pith"]:
            above = rows[readings.height_cm[rows] > readings.height_cm[low]]
            slack = SCALES_APART * np.hypot(
                readings.reader_scale[above], readings.reader_scale[low]
            )
            if (readings.innermost_year[above] < readings.innermost_year[low] - slack).any():
                odd.append(str(tree))
                break
    return odd


def _first_names(names: list[str]) -> str:
    return ", ".join(names[:3]) + (", ..." if len(names) > 3 else "")
