"""Stands, and communities that two or more of them share, beside each other: pictures, a table of
differences, and sentences.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import pandas as pd

from standage.figures.comparison import plot_pair, strips_figure
from standage.figures.distances import plot_distances
from standage.figures.stand import cored_years
from standage.findings.comparison_measures import AGE_STRUCTURE_DISTANCE, SHARED_PULSE
from standage.findings.differences import NOT_COMPARED, STAND, YES
from standage.findings.findings import Findings
from standage.findings.intervals import Interval
from standage.findings.most_different import MOST_PAIRS, distances, extremes
from standage.findings.schema import Row
from standage.findings.unit_findings import rows_of
from standage.prose.communities import community_sentences
from standage.prose.comparison import (
    comparison_sentences,
    distinct_sentences,
    number_words,
    unit_words,
)
from standage.prose.picture_texts import distances_text, pair_text, strips_text
from standage.prose.wording import percent, probability_words
from standage.report.pictures import Picture, has_pictures, picture, small_picture, whole_picture
from standage.report.shown_tables import Cell, ShownTable

ACTED_ON = {  # measure, what it is called, what more and less are called
    "stems_per_ha": ("stems per hectare", "more", "fewer"),
    "median_establishment_year": ("median year", "later", "earlier"),
    "latest_pulse_start": ("latest pulse", "later", "earlier"),
    "share_in_grass_stage": ("share in the grass stage", "more", "less"),
}
MOST_REFUSED = 20  # reasons why two can't be compared; comparison.csv has all
MOST_PICTURES = 6  # of pairs, four stands by pairs; those that lie farthest apart


@dataclass(frozen=True)
class SideBySide:
    """The section on stands beside each other.

    Attributes
    ----------
    tables : one for stands and one for communities, where there are any.
    pairs : a picture each of the pairs whose age structures lie farthest apart.
    refused : what can't be compared, with the reason.
    """

    intro: tuple[str, ...]
    pictures: list[Picture]
    tables: list[ShownTable]
    pairs: list[Picture]
    refused: list[str]


def side_by_side(findings: Findings) -> SideBySide | None:
    """The section; None where no two stands have a species in common."""
    table = findings.comparison
    if table.empty:
        return None
    stands = table[table["kind"] == STAND]
    communities = table[table["kind"] != STAND]
    shown = [_differences(stands, "Stand"), _differences(communities, "Community")]
    return SideBySide(
        intro=(
            *comparison_sentences(table, findings.level),
            *community_sentences(findings.stand_summary),
        ),
        pictures=[*_pictures(findings), *_distance_pictures(stands)],
        tables=[table for table in shown if table.rows],
        pairs=_pair_pictures(findings, stands),
        refused=_first_refused(table[table["told_apart"] == NOT_COMPARED]),
    )


def _pictures(findings: Findings) -> list[Picture]:
    if not has_pictures(findings):
        return []
    drawn = [
        whole_picture(
            partial(
                strips_figure,
                findings.cohorts,
                findings.pulses,
                findings.stand_summary,
                events=findings.survey.events,
            ),
            "strips",
            "The stands on one axis of time. See which pulses, shaded, fall in the same years;"
            " events on record stand below each stand.",
            strips_text(findings.stand_summary),
        ),
    ]
    return [picture for picture in drawn if picture is not None]


def _first_refused(table: pd.DataFrame) -> list[str]:
    """What can't be compared, the first of many."""
    found = distinct_sentences(table)
    left = len(found) - MOST_REFUSED
    more = [f"And {left} more in comparison.csv."] if left > 0 else []
    return [*found[:MOST_REFUSED], *more]


def _distance_pictures(stands: pd.DataFrame) -> list[Picture]:
    """Which stands are most different and which most alike; none where each pair has a picture."""
    pairs = distances(stands)
    if len(pairs) <= MOST_PICTURES:
        return []
    shown = extremes(pairs)
    which = "The pairs" if len(shown) == len(pairs) else f"Of {len(pairs)} pairs those"
    drawn = picture(
        lambda: plot_distances(shown),
        "distances",
        f"{which} most different, at the top, and most alike. See which dots lie beyond the grey"
        " bar, up to which stands alike would differ; filled where they are told apart.",
        distances_text(shown),
    )
    return [drawn]


def _pair_pictures(findings: Findings, stands: pd.DataFrame) -> list[Picture]:
    """Two age structures on one axis for each of the pairs that lie farthest apart."""
    drawn = []
    for number, row in enumerate(distances(stands).head(MOST_PICTURES).to_dict("records")):
        names = (str(row["first"]), str(row["second"]))
        units = [{"stand": name, "species": row["species"]} for name in names]
        shown = (
            [rows_of(findings.cohorts, unit) for unit in units],
            names,
            [cored_years(rows_of(findings.tree_dates, unit)) for unit in units],
        )
        drawn.append(
            small_picture(
                partial(plot_pair, *shown),
                f"pair-{number}",
                f"{names[0]}, upwards, beside {names[1]}: age structures"
                f" {row['difference_median']:.0f} years apart. Bars are medians; hollow ones rest"
                " on sizes.",
                pair_text(*names),
            )
        )
    return drawn


def _differences(table: pd.DataFrame, what: str) -> ShownTable:
    """A row a pair: how far apart their age structures lie, whether they share a pulse, and the
    differences that somebody would act on, where they are told apart by them.
    """
    others = {
        "Distance of age structures": (AGE_STRUCTURE_DISTANCE, "difference_median", _distance),
        "A pulse in common": (SHARED_PULSE, "probability_shared", _pulse),
    }
    shown = {
        head: (measure, cell)
        for head, (measure, column, cell) in others.items()
        if ((table["measure"] == measure) & table[column].notna()).any()
    }
    rows = []
    by_pair = ["first", "second", "species"]
    pairs = table.groupby(by_pair, sort=False).ngroups
    if pairs > MOST_PAIRS:
        known = distances(table)
        chosen = extremes(known) if len(known) else table.drop_duplicates(by_pair)
        table = chosen[by_pair].head(MOST_PAIRS).merge(table, on=by_pair, how="left")
    for (first, second, species), pair in table.groupby(by_pair, sort=False):
        whole = pair[pair["class_first_year"].isna()].to_dict("records")
        by_measure: dict[str, Row] = {row["measure"]: row for row in whole}
        if not by_measure or "all" in by_measure:
            continue
        rows.append(
            [
                Cell(f"{first} beside {second}", str(species).replace("-", " ")),
                *(cell(by_measure.get(measure)) for measure, cell in shown.values()),
                Cell(_told_apart(by_measure)),
            ]
        )
    part = (
        f" (the most different and the most alike of {pairs} pairs; comparison.csv has all)"
        if pairs > MOST_PAIRS
        else ""
    )
    name = "stands" if what == "Stand" else "communities, and communities and single stands"
    heads = [f"{what}, beside another", *shown, "The first, beside the second, has"]
    return ShownTable(f"Differences between {name}{part}", heads, rows)


def _told_apart(by_measure: dict[str, Row]) -> str:
    """The differences that the two are told apart by, each with its interval."""
    parts = []
    for measure, words in ACTED_ON.items():
        row = by_measure.get(measure)
        if row is not None and row["told_apart"] == YES:
            parts.append(_difference(row, *words))
    return "; ".join(parts) or "nothing that can be told apart"


def _difference(row: Row, name: str, more: str, less: str) -> str:
    low, middle, high = Interval.of(row, "difference")
    ends = sorted((abs(low), abs(high)))
    unit = unit_words(row).removesuffix("stems/ha").strip()
    by = " ".join(part for part in (number_words(abs(middle), row), unit) if part)
    between = f"{number_words(ends[0], row)} to {number_words(ends[1], row)}"
    return f"{name} {by} {more if middle > 0 else less} ({between})"


def _distance(row: Row | None) -> Cell:
    """The distance of two age structures, and how surely it is more than chance would give."""
    if row is None or pd.isna(row["difference_median"]):
        return Cell("not compared")
    return Cell(
        f"{row['difference_median']:.0f} years ({row['difference_low']:.0f} to"
        f" {row['difference_high']:.0f})",
        f"more than by chance: {probability_words(row['probability_greater'])}",
    )


def _pulse(row: Row | None) -> Cell:
    if row is None or pd.isna(row["probability_shared"]):
        return Cell("not compared")
    return Cell(
        probability_words(row["probability_shared"]), f"by chance {percent(row['chance_shared'])}"
    )
