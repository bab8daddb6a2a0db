"""What a reader must know before using a result, a sentence each."""

from __future__ import annotations

import re
from collections.abc import Iterable

import pandas as pd

from standage.findings.findings import Findings
from standage.findings.rereading import LIKELY_MISREAD
from standage.findings.unit_findings import UnitFindings
from standage.grammar import counted, listed
from standage.growth.tree_series import tree_series
from standage.prose.wording import percent
from standage.survey.survey import Survey

FEW_CORES = 10  # with fewer dated trees, pulses rest on almost nothing (common practice, no source)
# share of attempts without readable core from which the sample may miss the rotten, old trees
# (assumption)
MANY_FAILED = 0.25
MOST_SERIES_NAMED = 8  # series left out that are named one by one; more would fill the screen
# share of a pulse in one plot from which it may be a patch rather than the stand (assumption)
MUCH_ONE_PLOT = 0.6
GENERAL_CAUTIONS = (
    (
        'Stems alive today are not all that recruited. Say "living stems that established in", not'
        ' "recruitment in".'
    ),
    (
        "The years below a core come largely from the species profile, and most of its spreads are"
        " assumptions."
    ),
    (
        "Dates of trees that were not cored are a statement about stems of that size in that stand,"
        " not about one tree."
    ),
    (
        "Agreement of a pulse with an event in time is not proof of its effect, and the year of a"
        " release is not proof of what released the trees."
    ),
    (
        "Coring wounds a tree. Ask the landowner, follow local rules on protected trees, cavity"
        " trees and scars of cultural value, and don't core or cut those."
    ),
    (
        "A date with its interval is evidence, not a licence: burning, cutting and planting stay"
        " with those licensed and responsible for them."
    ),
)

SPARE_CAUTIONS = (
    "This is no marking order: protected and cavity trees are spared first, and local rules and"
    " licensed practice decide.",
    "A tree dated by size is one of many of its size: core it, or spare all of them.",
    "A tree that isn't listed may be old all the same.",
)

_OF_CORES = re.compile(r"(?P<where>[^:]+): of (?P<cores>\d+ cores?) (?P<rest>.+)")


def cautions(findings: Findings) -> list[str]:
    """All cautions of a result."""
    survey = findings.survey
    return [
        *(sentence for unit in findings.units for sentence in _unit_cautions(unit)),
        *(sentence for unit in findings.units for sentence in _pulse_cautions(unit)),
        *_to_read_again(findings.rereading),
        *merged_notes(findings.posterior.notes),
        *_assumed_limit(findings.pulses),
        *_patchy_limit(findings),
        *_series_left_out(survey),
        *_cultural_scars(survey),
        *_trees_left_out(findings.tree_dates),
    ]


def _to_read_again(cores: pd.DataFrame) -> list[str]:
    """The counted cores that are likely misread, first those of which a sure reading changes most.

    cores: the table `rereading`.
    """
    likely = cores[cores["misread_probability"] >= LIKELY_MISREAD]
    if likely.empty:
        return []
    named = [
        f"{row.core} ({percent(row.misread_probability)})" for row in likely.head(3).itertuples()
    ]
    more = " and others" if len(likely) > len(named) else ""
    return [
        f"Counts that may be off by years, and how probably: {listed(named)}{more}. Read these"
        " cores again first; rereading.csv ranks all."
    ]


def merged_notes(notes: Iterable[str]) -> list[str]:
    """Notes that say the same of cores of several stands as one, where the first of them stood.

    >>> merged_notes(["a: of 2 cores nothing is known.", "b", "c: of 1 core nothing is known."])
    ['Of 2 cores (a) and 1 core (c) nothing is known.', 'b']
    """
    alike: dict[str, list[tuple[str, str]]] = {}
    for note in notes:
        found = _OF_CORES.fullmatch(note)
        rest = found["rest"] if found else note
        cores = f"{found['cores']} ({found['where']})" if found else ""
        alike.setdefault(rest, []).append((note, cores))
    return [
        same[0][0]
        if len(same) == 1 or not same[0][1]
        else f"Of {listed([cores for _, cores in same])} {rest}"
        for rest, same in alike.items()
    ]


def _unit_cautions(unit: UnitFindings) -> list[str]:
    row = unit.summary
    sentences = []
    if "chosen" in row["placement"]:
        sentences.append(
            "plots were placed by choice, so results speak for the plots and not for the stand."
        )
    if "not recorded" in row["placement"]:
        sentences.append(
            "how the plots were placed is not recorded; only plots placed by chance or by a grid"
            " speak for it."
        )
    if row["trees_dated"] < FEW_CORES:
        few = "only " if row["trees_dated"] else ""
        verb = "are" if row["trees_dated"] > 1 else "is"
        sentences.append(
            f"{few}{counted(int(row['trees_dated']), 'tree')} of the stand {verb} dated by core;"
            " years rest mostly on sizes and on what the profile assumes."
        )
    attempts = row["cores"] + row["attempts_failed"]
    if attempts and row["attempts_failed"] > MANY_FAILED * attempts:
        sentences.append(
            f"{row['attempts_failed']} of {attempts} attempts to core gave nothing to read. Where"
            " rot goes with age, old trees are missed, and stems dated by size may be 20 years"
            " older than said."
        )
    return [f"{unit.name}: {sentence}" for sentence in sentences]


def _pulse_cautions(unit: UnitFindings) -> list[str]:
    sentences = []
    for pulse in unit.pulses.to_dict("records"):
        name = f"{unit.stand}, pulse {pulse['pulse']}"
        share = pulse["largest_plot_share"]
        if unit.summary["plots"] == 1:
            sentences.append(
                f"{name}: the stand has one plot, so that a patch can't be told from the stand."
            )
        elif pd.notna(share) and share > MUCH_ONE_PLOT and pulse["plots_with_it"] >= 1:
            sentences.append(
                f"{name}: {percent(share)} of its stems stand in one plot; it may be a patch and"
                " not the stand."
            )
    return sentences


def _patchy_limit(findings: Findings) -> list[str]:
    """A pulse that isn't reported for it has no row, so that the limits are asked."""
    return [
        f"{unit.name}: plots differ in when their trees came, so that a pulse is reported from a"
        f" probability of {100 * limit.value:.0f} % on."
        for unit, limit in zip(findings.units, findings.limits, strict=False)
        if limit.plots_differ
    ]


def _assumed_limit(pulses: pd.DataFrame) -> list[str]:
    assumed = pulses.loc[pulses["limit_status"] == "assumed", "limit"]
    if assumed.empty:
        return []
    values = " or ".join(f"{100 * value:.0f}" for value in sorted(set(assumed)))
    return [
        f"Pulses are told from a probability of {values} % on; that limit is"
        " assumed, not tested by simulation."
    ]


def _series_left_out(survey: Survey) -> list[str]:
    """Cores and trees whose rings say nothing of releases, each with its reason, the first few of
    many.
    """
    if survey.ring_widths.empty:
        return []
    reasons = tree_series(survey).left_out
    if not reasons:
        return []
    left = len(reasons) - MOST_SERIES_NAMED
    more = f"; and {left} more" if left > 0 else ""
    return [f"Ring widths not used for releases: {'; '.join(reasons[:MOST_SERIES_NAMED])}{more}."]


def _cultural_scars(survey: Survey) -> list[str]:
    """A caution where the survey tells of scars that people made, monuments in places, or where
    ring widths invite more cores.
    """
    scarred = (survey.trees["scar"] == "turpentine").any()
    turpentined = (survey.events["kind"] == "turpentining").any()
    if not scarred and not turpentined and survey.ring_widths.empty:
        return []
    return [
        "Turpentine scars and other marks that people left are protected in places: don't core or"
        " cut them to date them."
    ]


def _trees_left_out(trees: pd.DataFrame) -> list[str]:
    foreign = trees["left_out_reason"].str.startswith("no profile for species")
    sentences = []
    if foreign.any():
        sentences.append(
            f"Tallied only, for want of a profile: {counted(int(foreign.sum()), 'stem')} of"
            f" {listed(sorted(set(trees.loc[foreign, 'species'])))}."
        )
    reasons = trees.loc[~foreign & (trees["left_out_reason"] != ""), "left_out_reason"]
    return sentences + [
        f"{counted(count, 'tree')} left out: {reason}."
        for reason, count in reasons.value_counts().items()
    ]
