"""Stands, and communities that two or more of them share, beside each other: pictures, a table of
differences, and sentences.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from standage.figures.comparison import differences, side_by_side
from standage.findings.cannot_tell import AGREED
from standage.findings.comparison import NOT_COMPARED, STAND, YES
from standage.findings.comparison_measures import AGE_STRUCTURE_DISTANCE, SHARED_PULSE
from standage.grammar import counted, listed
from standage.prose.comparison import (
    comparison_sentences,
    number_words,
    range_words,
    sign_probability,
    unit_words,
)
from standage.prose.wording import UNSAYABLE, percent, probability_words
from standage.report.pictures import Picture
from standage.report.shown_tables import Cell, ShownTable
from standage.report.svg import inline_svg

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

    tables : one for stands and one for communities, where there are any. refused : what can't be
        compared, with the reason. classes : the
    classes of years in which two stands are told apart.
    """

    intro: tuple[str, ...]
    pictures: list[Picture]
    tables: list[ShownTable]
    refused: list[str]
    classes: list[str]


def compared(
    tables: Mapping[str, pd.DataFrame], events: pd.DataFrame | None = None
) -> SideBySide | None:
    """The section; None where no two stands have a species in common.

    tables: those of the result, `comparison` among them. events: those on record.
    """
    table = tables.get("comparison")
    if table is None or table.empty:
        return None
    stands = table[table["kind"] == STAND]
    communities = table[table["kind"] != STAND]
    by_class = table[
        table["class_first_year"].notna() & (table["told_apart"] == YES) & (table["kind"] == STAND)
    ]
    return SideBySide(
        intro=(*comparison_sentences(table), *_groups(tables["stand_summary"])),
        pictures=_pictures(tables, events),
        tables=[
            shown
            for shown in (_differences(stands, "Stand"), _differences(communities, "Community"))
            if shown.rows
        ],
        refused=list(dict.fromkeys(table.loc[table["told_apart"] == NOT_COMPARED, "words"])),
        classes=list(dict.fromkeys(by_class["words"])),
    )


def _groups(stand_summary: pd.DataFrame) -> list[str]:
    """Which communities two or more stands share; a stand alone in its community is called a
    stand.
    """
    stands = stand_summary.drop_duplicates("stand")
    named = stands[stands["community"].astype(str) != ""]
    shared = {
        name: list(of_one["stand"])
        for name, of_one in named.groupby("community", sort=False)
        if len(of_one) > 1
    }
    alone = [
        stand for stand in stands["stand"] if not any(stand in of_one for of_one in shared.values())
    ]
    if not shared:
        return ["No community has two stands in this survey: stands are compared, not communities."]
    told = [
        f"The community {name} has {counted(len(of_one), 'stand')}: {listed(of_one)}."
        for name, of_one in shared.items()
    ]
    if alone:
        verb = (
            "shares its community with no other and is"
            if len(alone) == 1
            else "share their communities with no other and are"
        )
        told.append(
            f"{listed(alone)} {verb} called by name: one stand does not show what its community is"
            " like."
        )
    return told


def _pictures(tables: Mapping[str, pd.DataFrame], events: pd.DataFrame | None) -> list[Picture]:
    drawn = []
    strips = side_by_side(
        tables["cohorts"], tables["pulses"], tables["stand_summary"], events=events
    )
    if strips is not None:
        strips.suptitle("")
        spans = []
        for _, row in tables["stand_summary"].iterrows():
            known = pd.notna(row["half_span_first"]) and row["half_span_agreed"] >= AGREED
            spans.append(
                f"{row['stand']}: "
                + (f"{row['half_span_first']} to {row['half_span_last']}" if known else UNSAYABLE)
            )
        said = (
            "Histograms of the stands' stems by ten years of establishment, on one axis. Half of"
            f" the stems came in: {'; '.join(spans)}."
        )
        caption = (
            "The stands on one axis of time; pulses are shaded, years in which events on record"
            " began hatched."
        )
        drawn.append(Picture("strips", caption, inline_svg(strips, "strips", said)))
    figure = differences(tables["comparison"])
    if figure is not None:
        figure.suptitle("")
        said = (
            "Differences between pairs of stands with their intervals, measure by measure; the"
            " table below gives the same in words."
        )
        caption = (
            "What differs between the stands, with intervals: filled where two are told apart."
        )
        drawn.append(Picture("differences", caption, inline_svg(figure, "differences", said)))
    return drawn


def _differences(table: pd.DataFrame, what: str) -> ShownTable:
    """A row a pair, a column a measure: the first is later, longer, more than the second, by how
    much, how surely.
    """
    shown = [
        name
        for name in COLUMNS
        if ((table["measure"] == name) & table["difference_median"].notna()).any()
    ]
    more = {
        "Distance of age structures": (AGE_STRUCTURE_DISTANCE, "difference_median", _distance),
        "A pulse of both": (SHARED_PULSE, "probability_shared", _pulse),
    }
    more = {
        head: by
        for head, by in more.items()
        if ((table["measure"] == by[0]) & table[by[1]].notna()).any()
    }
    heads = [f"{what}, beside another", *(COLUMNS[name][0] for name in shown), *more]
    rows = []
    for (first, second, species), pair in list(
        table.groupby(["first", "second", "species"], sort=False)
    )[:MOST_PAIRS]:
        of = {
            row["measure"]: row for row in pair[pair["class_first_year"].isna()].to_dict("records")
        }
        if not of or "all" in of:
            continue
        cells = [Cell(f"{first} beside {second}", str(species).replace("-", " "))]
        cells += [_difference(of.get(name), *COLUMNS[name][1:]) for name in shown]
        cells += [cell(of.get(measure)) for measure, _, cell in more.values()]
        rows.append(cells)
    pairs = table.groupby(["first", "second", "species"], sort=False).ngroups
    part = (
        f" (the first {MOST_PAIRS} of {pairs} pairs; comparison.csv has all)"
        if pairs > MOST_PAIRS
        else ""
    )
    name = "stands" if what == "Stand" else "communities, and communities and single stands"
    return ShownTable(f"Differences between {name}: the first less the second{part}", heads, rows)


def _difference(row: Mapping | None, more: str, less: str) -> Cell:
    if row is None or pd.isna(row["difference_median"]):
        return Cell("not compared")
    low, middle, high = (float(row[f"difference_{point}"]) for point in ("low", "median", "high"))
    unit = unit_words(row).replace("stems/ha", "stems")
    if row["told_apart"] != YES:
        return Cell("can't be told apart", range_words(row))
    ends = sorted((abs(low), abs(high)))
    said = f"{number_words(abs(middle), row)} {unit} {more if middle > 0 else less}"
    return Cell(
        said,
        f"{number_words(ends[0], row)} to {number_words(ends[1], row)};"
        f" {probability_words(sign_probability(row))}",
    )


def _distance(row: Mapping | None) -> Cell:
    if row is None or pd.isna(row["difference_median"]):
        return Cell("not compared")
    chance = f"by chance up to {row['chance_high']:.0f}"
    told = "" if row["told_apart"] == YES else "; can't be told apart"
    return Cell(
        f"{row['difference_median']:.0f} years{told}",
        f"{row['difference_low']:.0f} to {row['difference_high']:.0f}; {chance}",
    )


def _pulse(row: Mapping | None) -> Cell:
    if row is None or pd.isna(row["probability_shared"]):
        return Cell("not compared")
    return Cell(
        probability_words(row["probability_shared"]), f"by chance {percent(row['chance_shared'])}"
    )
