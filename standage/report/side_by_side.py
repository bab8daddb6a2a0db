"""Stands, and communities that two or more of them share, beside each other: pictures, a table of
differences, and sentences.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import pandas as pd

from standage.figures.comparison import differences_figure, strips_figure
from standage.findings.comparison_measures import AGE_STRUCTURE_DISTANCE, SHARED_PULSE
from standage.findings.differences import NOT_COMPARED, STAND, YES
from standage.findings.findings import Findings
from standage.findings.schema import Row
from standage.prose.communities import community_sentences
from standage.prose.comparison import (
    comparison_sentences,
    distinct_sentences,
    number_words,
    range_words,
    sign_probability,
    unit_words,
)
from standage.prose.picture_texts import DIFFERENCES_TEXT, strips_text
from standage.prose.wording import percent, probability_words
from standage.report.pictures import Picture, whole_picture
from standage.report.shown_tables import Cell, ShownTable

COLUMNS = {  # of the table: measure, its head, what more and less are called
    "median_establishment_year": ("Median year of establishment", "later", "earlier"),
    "half_span_years": ("Span that holds half of the stems", "longer", "shorter"),
    "stems_per_ha": ("Stems per hectare", "more", "fewer"),
    "latest_pulse_start": ("Start of the latest pulse", "later", "earlier"),
    "share_in_grass_stage": ("Share of plants in the grass stage", "more", "less"),
}
MOST_PAIRS = 45  # shown, ten stands by pairs; comparison.csv has all


@dataclass(frozen=True)
class SideBySide:
    """The section on stands beside each other.

    Attributes
    ----------
    tables : one for stands and one for communities, where there are any.
    refused : what can't be compared, with the reason.
    classes : the classes of years in which two stands are told apart.
    """

    intro: tuple[str, ...]
    pictures: list[Picture]
    tables: list[ShownTable]
    refused: list[str]
    classes: list[str]


def side_by_side(findings: Findings) -> SideBySide | None:
    """The section; None where no two stands have a species in common."""
    table = findings.comparison
    if table.empty:
        return None
    stands = table[table["kind"] == STAND]
    communities = table[table["kind"] != STAND]
    by_class = stands[stands["class_first_year"].notna() & (stands["told_apart"] == YES)]
    shown = [_differences(stands, "Stand"), _differences(communities, "Community")]
    return SideBySide(
        intro=(*comparison_sentences(table), *community_sentences(findings.stand_summary)),
        pictures=_pictures(findings),
        tables=[table for table in shown if table.rows],
        refused=distinct_sentences(table[table["told_apart"] == NOT_COMPARED]),
        classes=distinct_sentences(by_class),
    )


def _pictures(findings: Findings) -> list[Picture]:
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
        whole_picture(
            partial(differences_figure, findings.comparison),
            "differences",
            "What differs between the stands, with intervals. See the filled marks: those two are"
            " told apart.",
            DIFFERENCES_TEXT,
        ),
    ]
    return [picture for picture in drawn if picture is not None]


def _differences(table: pd.DataFrame, what: str) -> ShownTable:
    """A row a pair, a column a measure: the first is later, longer, more than the second, by how
    much, how surely.
    """
    shown = [
        name
        for name in COLUMNS
        if ((table["measure"] == name) & table["difference_median"].notna()).any()
    ]
    others = {
        "Distance of age structures": (AGE_STRUCTURE_DISTANCE, "difference_median", _distance),
        "A pulse of both": (SHARED_PULSE, "probability_shared", _pulse),
    }
    more = {
        head: (measure, cell)
        for head, (measure, column, cell) in others.items()
        if ((table["measure"] == measure) & table[column].notna()).any()
    }
    heads = [f"{what}, beside another", *(COLUMNS[name][0] for name in shown), *more]
    rows = []
    pairs = list(table.groupby(["first", "second", "species"], sort=False))
    for (first, second, species), pair in pairs[:MOST_PAIRS]:
        whole = pair[pair["class_first_year"].isna()].to_dict("records")
        by_measure: dict[str, Row] = {row["measure"]: row for row in whole}
        if not by_measure or "all" in by_measure:
            continue
        rows.append(
            [
                Cell(f"{first} beside {second}", str(species).replace("-", " ")),
                *(_difference(by_measure.get(name), *COLUMNS[name][1:]) for name in shown),
                *(cell(by_measure.get(measure)) for measure, cell in more.values()),
            ]
        )
    part = (
        f" (the first {MOST_PAIRS} of {len(pairs)} pairs; comparison.csv has all)"
        if len(pairs) > MOST_PAIRS
        else ""
    )
    name = "stands" if what == "Stand" else "communities, and communities and single stands"
    return ShownTable(f"Differences between {name}: the first less the second{part}", heads, rows)


def _difference(row: Row | None, more: str, less: str) -> Cell:
    if row is None or pd.isna(row["difference_median"]):
        return Cell("not compared")
    low, middle, high = (float(row[f"difference_{point}"]) for point in ("low", "median", "high"))
    unit = unit_words(row).replace("stems/ha", "stems")
    if row["told_apart"] != YES:
        return Cell("can't be told apart", range_words(row))
    ends = sorted((abs(low), abs(high)))
    return Cell(
        f"{number_words(abs(middle), row)} {unit} {more if middle > 0 else less}",
        f"{number_words(ends[0], row)} to {number_words(ends[1], row)};"
        f" {probability_words(sign_probability(row))}",
    )


def _distance(row: Row | None) -> Cell:
    if row is None or pd.isna(row["difference_median"]):
        return Cell("not compared")
    chance = f"by chance up to {row['chance_high']:.0f}"
    apart = "" if row["told_apart"] == YES else "; can't be told apart"
    return Cell(
        f"{row['difference_median']:.0f} years{apart}",
        f"{row['difference_low']:.0f} to {row['difference_high']:.0f}; {chance}",
    )


def _pulse(row: Row | None) -> Cell:
    if row is None or pd.isna(row["probability_shared"]):
        return Cell("not compared")
    return Cell(
        probability_words(row["probability_shared"]), f"by chance {percent(row['chance_shared'])}"
    )
