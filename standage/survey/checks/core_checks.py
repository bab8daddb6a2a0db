"""What a core says must not contradict itself, its tree or the day it was taken."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.errors import Problem
from standage.survey.checks.rows import Cells, Rows
from standage.survey.checks.table_checks import Report, reporter, seasons_of_stands
from standage.years import growing_seasons

NARROWEST_MEAN_RING_MM = 0.1
"""A mean ring narrower than this over a whole core is taken for a mistake of count or unit (common
practice, no source).
"""

BREAST_HEIGHT_CM = 137.0
SWELLING_CM = 30.0
"""A stem may be so much thicker at the ground than at breast height, and at a core in between in
proportion: many stems of a juniper share one butt, and a sapling of no diameter at breast height
has one at the ground. [cm] Assumption, generous.
"""

COUNT_TOLERANCE_SHARE = 0.1
"""Crossdating finds rings that a count misses or doubles: years and rings of a crossdated core may
differ by this share (assumption).
"""


def likely_diameter_cm(cores: Rows) -> Cells:
    """Diameter of the stem at each core, as written, else by its taper from that at breast height.
    [cm]
    """
    taper = 1.0 + cores["taper"] * (BREAST_HEIGHT_CM - cores["height_cm"].fillna(0.0)) / 100.0
    return cores["diameter_at_core_cm"].fillna(cores["dbh_cm"] * taper)


def widest_at_core(cores: Rows, dbh_cm: Cells) -> Cells:
    """How thick a stem can be where the core was taken: as measured there, else by its diameter at
    breast height; NaN where neither is known. [cm]

    cores: `diameter_at_core_cm` and `height_cm`, where a blank may be the ground.
    """
    below = 1.0 - cores["height_cm"].fillna(0.0) / BREAST_HEIGHT_CM
    by_dbh = dbh_cm + SWELLING_CM * np.maximum(below, 0.0)
    return cores["diameter_at_core_cm"].fillna(by_dbh)


@np.errstate(divide="ignore", invalid="ignore")  # of blanks, and of no rings
def check_cores(
    frames: Mapping[str, pd.DataFrame], files: Mapping[str, str], problems: list[Problem]
) -> None:
    """All contradictions within cores, and of cores with trees and stands. Blank and refused cells
    contradict nothing.
    """
    cores, trees = Rows(frames["cores"]), Rows(frames["trees"])
    stand = trees.of(cores["tree"], "tree", "stand", "")
    with_tree = cores.assign(
        core_season=growing_seasons(cores["core_date"]),
        survey_season=seasons_of_stands(stand, frames["stands"]),
        death=trees.of(cores["tree"], "tree", "death_year"),
        death_sd=trees.of(cores["tree"], "tree", "death_year_sd"),
    )
    report = reporter(files["cores"], with_tree, problems)
    _check_years(with_tree, report)
    _check_crossdating(with_tree, report)
    _check_centre(with_tree, report)
    _check_wood(with_tree, report)


def check_readings(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    problems: list[Problem],
    warnings: list[Problem],
) -> None:
    """A further reading must say what was read, and no ring younger than the core can hold."""
    rows = Rows(frames["core_readings"])
    tree = Rows(frames["cores"]).of(rows["core"], "core", "tree")
    stand = Rows(frames["trees"]).of(tree, "tree", "stand", "")
    season = seasons_of_stands(stand, frames["stands"])
    report = reporter(files["core_readings"], rows.assign(season=season), problems)
    report(
        rows["first_ring_year"].isna() & rows["ring_count"].isna(),
        "ring_count",
        "neither first_ring_year nor ring_count",
        "one of the two",
        "Write what was read, or delete the row.",
    )
    report(
        rows["first_ring_year"] > season,
        "first_ring_year",
        "{first_ring_year}, after the season of the survey, {season}",
        "a year not after it",
        "Correct the year.",
    )
    of_core = Rows(frames["cores"]).of(rows["core"], "core", "dating", "")
    reporter(files["core_readings"], rows, warnings)(
        (rows["dating"] == "crossdated") & (of_core == "counted"),
        "dating",
        "a crossdated reading of a core that is counted in cores",
        "the crossdated reading in cores, and counts here: here it is one more count",
        "Exchange the two: the crossdated reading into cores, with crossdated in dating; the count"
        " into this row.",
    )


def _check_years(cores: Rows, report: Report) -> None:
    first, last, count = cores["first_ring_year"], cores["last_ring_year"], cores["ring_count"]
    report(
        first > cores["core_season"],
        "first_ring_year",
        "{first_ring_year}, after the last season the core can hold, {core_season}",
        "a year not after the core was taken (a growing season begins on 1 March)",
        "Correct first_ring_year or core_date.",
    )
    report(
        (first > cores["survey_season"]) & ~(first > cores["core_season"]),
        "first_ring_year",
        "{first_ring_year}, after the season of the survey, {survey_season}",
        "a year not after the survey",
        "Correct first_ring_year or the survey_date of the stand.",
    )
    report(
        last > cores["core_season"],
        "last_ring_year",
        "{last_ring_year}, after the last season the core can hold, {core_season}",
        "a year not after the core was taken (a growing season begins on 1 March)",
        "Correct last_ring_year or core_date.",
    )
    report(
        first > last,
        "first_ring_year",
        "{first_ring_year}, after last_ring_year {last_ring_year}",
        "the innermost ring before the outermost",
        "Exchange or correct the two years.",
    )
    # The outermost ring may be left out of the count where it was still growing: one ring fewer
    # than years is no contradiction.
    span = last - first + 1
    more, fewer = count - span, span - count
    crossdated = cores["dating"] == "crossdated"
    slack = np.where(crossdated, np.maximum(1, COUNT_TOLERANCE_SHARE * span), 0)
    wrong = (span >= 1) & ((more > slack) | (fewer > slack + 1))
    report(
        wrong,
        "ring_count",
        "{ring_count} rings for the years {first_ring_year} to {last_ring_year}",
        "as many rings as years, or one fewer if the last was still growing",
        "Correct the count or one of the two years.",
    )
    report(
        (first + count - 1 > cores["core_season"] + _slack_without_last(cores)) & last.isna(),
        "ring_count",
        "{ring_count} rings from {first_ring_year} on, which end after the core was taken"
        " ({core_season})",
        "no more rings than years from first_ring_year to the core",
        "Correct ring_count, first_ring_year or core_date.",
    )
    dead = cores["death"].notna() & ~(cores["death_sd"] > 0)
    report(
        dead & (first > cores["death"]),
        "first_ring_year",
        "{first_ring_year}, after the death_year of the tree, {death}",
        "a year not after its death",
        "Correct first_ring_year or death_year.",
    )
    report(
        dead & (last > cores["death"]),
        "last_ring_year",
        "{last_ring_year}, after the death_year of the tree, {death}",
        "a year not after its death",
        "Correct last_ring_year or death_year.",
    )


def _slack_without_last(cores: Rows) -> np.ndarray:
    """Rings by which a count may exceed the years to the core, (core,): none if counted, a share of
    the count if crossdated.
    """
    return np.where(
        cores["dating"] == "crossdated",
        np.maximum(1, COUNT_TOLERANCE_SHARE * cores["ring_count"]),
        0,
    )


def _check_crossdating(cores: Rows, report: Report) -> None:
    secure, crossdated = cores["crossdated_back_to_year"], cores["dating"] == "crossdated"
    report(
        secure.notna() & ~crossdated,
        "crossdated_back_to_year",
        "{crossdated_back_to_year} for a core with dating '{dating}'",
        "dating crossdated, or a blank cell",
        "Write crossdated in dating, or empty crossdated_back_to_year.",
    )
    outside = (
        (secure < cores["first_ring_year"])
        | (secure > cores["last_ring_year"])
        | (secure > cores["core_season"])
    )
    report(
        outside,
        "crossdated_back_to_year",
        "{crossdated_back_to_year}, outside the years of the core",
        "a year from first_ring_year to last_ring_year",
        "Correct the year; leave it blank if the whole core is secure.",
    )
    placed = cores["first_ring_year"].notna() | (
        cores["last_ring_year"].notna() & cores["ring_count"].notna()
    )
    report(
        crossdated & ~placed & (cores["centre"] != "rotten") & cores["ring_count"].notna(),
        "dating",
        "crossdated, with ring_count alone",
        "first_ring_year, or last_ring_year and ring_count",
        "Write first_ring_year, or counted in dating.",
    )


def _check_centre(cores: Rows, report: Report) -> None:
    pith, straight = cores["centre"] == "pith", cores["centre"] == "straight"
    bound = cores["at_least"] == "yes"
    report(
        bound
        & (cores["outer_ring"] != "lost")
        & (pith | cores["rings_to_pith"].notna() | cores["pith_distance_mm"].notna()),
        "at_least",
        "yes, for a core of which the way to the pith is known (centre '{centre}')",
        "a least number of rings, or how many there are to the pith",
        "If all rings from the innermost seen on were counted, write their number without + or >,"
        " and no in at_least; if rings are missing at the bark, lost in outer_ring; otherwise empty"
        " rings_to_pith and pith_distance_mm, and centre is not pith.",
    )
    report(
        bound & cores["ring_count"].isna() & cores["first_ring_year"].isna(),
        "at_least",
        "yes, without ring_count or first_ring_year",
        "the least number of rings, or the year before which the first was laid",
        "Write ring_count or first_ring_year, or leave at_least blank.",
    )
    for name in ("rings_to_pith", "pith_distance_mm"):
        report(
            pith & (cores[name] > 0),
            name,
            "{" + name + "} for a core with centre 'pith'",
            "0 or a blank cell where the pith is in the core",
            f"Correct centre, or empty {name}.",
        )
    for name in ("arc_chord_mm", "arc_height_mm"):
        report(
            (pith | straight) & cores[name].notna(),
            name,
            "{" + name + "} for a core with centre '{centre}'",
            "a blank cell, or centre arcs",
            f"Correct centre, or empty {name}.",
        )
    chord, height = cores["arc_chord_mm"], cores["arc_height_mm"]
    report(
        chord.isna() & height.notna(),
        "arc_chord_mm",
        "a blank cell beside arc_height_mm {arc_height_mm}",
        "both or none",
        "Height alone gives no distance: write the chord too, or empty arc_height_mm; centre arcs"
        " still says that the inner rings curve.",
    )
    report(
        chord.notna() & height.isna(),
        "arc_height_mm",
        "a blank cell beside arc_chord_mm {arc_chord_mm}",
        "both or none",
        "The chord alone gives no distance: write the height too, or empty arc_chord_mm; centre"
        " arcs still says that the inner rings curve.",
    )
    # A flatter arc than a half circle has a height below half its chord; a fuller one would have
    # its pith in the core.
    report(
        height > chord / 2,
        "arc_height_mm",
        "{arc_height_mm}, more than half of arc_chord_mm {arc_chord_mm}",
        "at most half of the chord",
        "The two may be exchanged; correct them.",
    )
    for name in ("pith_distance_mm", "rings_to_pith"):
        report(
            cores[name + "_sd"].notna() & cores[name].isna(),
            name + "_sd",
            "{" + name + "_sd} without " + name,
            "both, or none",
            f"Write {name} too, or empty {name}_sd.",
        )


def _check_wood(cores: Rows, report: Report) -> None:
    rings = cores["ring_count"].fillna(cores["last_ring_year"] - cores["first_ring_year"] + 1)
    length = cores["core_length_mm"]
    narrow = (rings > 0) & (length / rings.where(rings > 0) < NARROWEST_MEAN_RING_MM)
    report(
        narrow,
        "core_length_mm",
        "{core_length_mm} mm for all rings, a mean ring below 0.1 mm",
        "at least 0.1 mm a ring",
        "Check the length (in mm, not cm) and the number of rings.",
    )
    widest = cores["diameter_at_core_cm"] * 10
    report(
        length > widest,
        "core_length_mm",
        "{core_length_mm} mm, more than the whole stem ({diameter_at_core_cm} cm)",
        "the wood from the cambium to the innermost ring",
        "Check core_length_mm (in mm) and diameter_at_core_cm (in cm).",
    )
    report(
        2 * cores["bark_mm"] >= widest,
        "bark_mm",
        "{bark_mm} mm on one side of a stem of {diameter_at_core_cm} cm",
        "less than the radius",
        "Check bark_mm (in mm) and diameter_at_core_cm (in cm).",
    )
    report(
        cores["inner_ring_mm"] > length,
        "inner_ring_mm",
        "{inner_ring_mm} mm, more than core_length_mm {core_length_mm}",
        "the mean width of the innermost rings",
        "Check both values; the unit is mm.",
    )
