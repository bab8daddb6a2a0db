"""Cores that are hard to believe: rings that the stem has no room for, ages that no tree of the
species has reached, heights in another unit, one core entered twice.

What can't be is a problem; what is only unlikely is a warning, and is used as written.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from standage.problems import Problem
from standage.survey.checks.core_checks import (
    NARROWEST_MEAN_RING_MM,
    likely_diameter_cm,
    widest_at_core,
)
from standage.survey.checks.core_slips import judge_slips
from standage.survey.checks.rows import Rows, as_cells
from standage.survey.checks.sibling_cores import judge_siblings
from standage.survey.checks.species_limits import FAR_BEYOND, Limits, limits_beside
from standage.survey.checks.table_checks import reporter
from standage.years import growing_seasons

OFF_CENTRE = 1.3
"""A cored radius may be so much longer than half of the diameter (assumption)."""

CORE_OF_RADIUS = 1.5
"""A core this many times the radius, from the cambium inwards, belongs to another stem or unit
(assumption).
"""

IMPOSSIBLY_WIDE, NOT_LAID_MM = 2.0, 40.0
"""Rings so many times the widest mean ring of the species that still leave so much of the wood
unexplained are refused (assumption). [times, mm]
"""

SHARE_SEEN = 0.5
"""Least share of its rings that a core without a length is taken to hold, where the centre was not
reached (assumption).
"""

METRES_UP_TO, FEET_UP_TO, FEWEST_HEIGHTS = 3.0, 6.0, 3
"""Heights of cores, with decimals and all no larger, that are no centimetres; and how many it takes
to tell (assumption).
"""

LEAST_COMMON_CM = 20.0
"""Height from which others of a survey are centimetres (assumption). [cm]"""
IN_METRES = (0.2, 2.1)
"""Usual heights of cores in metres, and fractions of an inch or foot (assumption). [cm]"""
IN_FEET_CM = np.array([4.5, 4.5 * 2.54])
"""4.5 ft, breast height, written as centimetres or below a heading of inches. [cm]"""

SAME_MEASURES = 2
"""Measures in mm that two cores of a tree share to the last digit when they are one
(assumption).
"""

SAME_RINGS, DIFFERENT_WIDTHS = 20, 10
"""Rings that two series share, width by width, when they are one, and how many of these widths
differ from each other (assumption).
"""

MOST_SEASONS_SHORT = 1
"""The last whole ring of a core is of the season before it was taken, at the earliest."""
YEARS_SHORT, SHARE_SHORT = 5, 0.05
"""A count may be so many years, or so large a share of itself, short of the years it spans
(assumption)."""

FEWEST_OTHERS, TIMES_OLDER, YEARS_OLDER = 5, 2.0, 100
"""Other cores of the species that it takes, and how many times, and by how many rings, one must be
beyond the oldest of them to look like a slip (assumption)."""
MOST_YEARS_APART, FEW_CORES = 5, 0.2
"""Cores so many seasons from the middle one, if no more than this share of all, look like a slip in
the date (assumption)."""

TIMES_THE_OTHERS = 5.0
"""Mean widths of inner rings so many times, or so small a part of, the median of the survey's look
like a slip (assumption)."""

MEASURES = ("arc_chord_mm", "arc_height_mm", "pith_distance_mm", "inner_ring_mm", "core_length_mm")
READ = ("first_ring_year", "last_ring_year", "ring_count", "rings_to_pith", "centre", "dating")


@np.errstate(divide="ignore", invalid="ignore")  # of blanks, and of no rings
def judge_cores(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    limits: Limits,
    problems: list[Problem],
    warnings: list[Problem],
) -> None:
    """All of it. Refused cells are blank by now, and blank cells are not judged; rows that are
    refused already are not judged any further.
    """
    _entered_twice(frames, files, problems, warnings)
    refused = {problem.row for problem in problems if problem.file == files["cores"]}
    cores, trees = Rows(_without(frames["cores"], refused)), Rows(frames["trees"])
    species = trees.of(cores["tree"], "tree", "species", "")
    season = as_cells(growing_seasons(cores["core_date"]))
    span = as_cells(cores["last_ring_year"].fillna(season) - cores["first_ring_year"] + 1)
    table = cores.assign(
        species=species,
        dbh_cm=trees.of(cores["tree"], "tree", "dbh_cm"),
        season=season,
        live=trees.of(cores["tree"], "tree", "status") == "live",
        rings=cores["ring_count"].fillna(span.where(span > 0)),
        read_from=np.where(cores["ring_count"].notna(), "ring_count", "first_ring_year"),
        **limits_beside(species, limits),
    )
    file = files["cores"]
    _ages(file, table, problems, warnings)
    _far_older(file, table, warnings)
    _days_apart(file, table, warnings)
    _last_rings(file, table, warnings)
    _inner_rings(file, table, warnings)
    judge_siblings(file, table, warnings)
    _rings_in_the_stem(file, table, problems, warnings)
    _heights(file, cores, problems, warnings)
    _doubts_of_crossdated(file, cores, warnings)
    judge_slips(file, table, trees, files["trees"], problems, warnings)


def _doubts_of_crossdated(file: str, cores: Rows, warnings: list[Problem]) -> None:
    """A count's standard deviation beside a core crossdated to its innermost ring is not used."""
    sure = (cores["dating"] == "crossdated") & cores["crossdated_back_to_year"].isna()
    reporter(file, cores, warnings)(
        sure & (cores["count_sd"] > 0),
        "count_sd",
        "{count_sd} for a core that is crossdated to its innermost ring",
        "no doubt of a year that is crossdated: it is not used",
        "Write the year to which crossdating is secure into crossdated_back_to_year: further in the"
        " rings are counted, and count_sd holds; or counted in dating.",
    )


def _without(cores: pd.DataFrame, refused: Collection[int | None]) -> pd.DataFrame:
    return cores[~cores["row"].isin(refused)] if refused else cores


def _ages(file: str, cores: Rows, problems: list, warnings: list) -> None:
    far = cores["rings"] > FAR_BEYOND * cores["oldest"]
    for column in ("ring_count", "first_ring_year"):
        here = cores["read_from"] == column
        for target, mask in (
            (problems, far),
            (warnings, (cores["rings"] > cores["oldest"]) & ~far),
        ):
            reporter(file, cores, target)(
                mask & here,
                column,
                "{rings} rings in a {species}",
                "no more than the {oldest} years of the oldest known of the species",
                "Check the count, the years and the species: the tree would be older than any.",
            )


def _far_older(file: str, cores: Rows, warnings: list) -> None:
    """One core with rings far beyond those of all others of its species, in a stem no thicker than
    the thickest of theirs: most likely a slip in the year.
    """
    rings, dbh, species = (np.asarray(cores[name]) for name in ("rings", "dbh_cm", "species"))
    next_oldest = np.full(len(rings), np.nan)
    for name in set(species):
        here = np.flatnonzero((species == name) & ~np.isnan(rings))
        if len(here) <= FEWEST_OTHERS:
            continue
        oldest = here[np.argmax(rings[here])]
        others = here[here != oldest]
        if dbh[oldest] <= np.nanmax(dbh[others], initial=0.0):
            next_oldest[oldest] = rings[others].max()
    table = cores.assign(next_oldest=next_oldest)
    old = (rings > TIMES_OLDER * next_oldest) & (rings > next_oldest + YEARS_OLDER)
    old &= ~(rings > np.asarray(cores["oldest"]))  # told of already
    for column in ("ring_count", "first_ring_year"):
        reporter(file, table, warnings)(
            old & (np.asarray(cores["read_from"]) == column),
            column,
            "{rings} rings in a stem of {dbh_cm} cm, and at most {next_oldest} in any other"
            " {species}, thicker ones among them",
            "rings like those of the others",
            "Check the year or count for a slip; it is used as written.",
        )


def _days_apart(file: str, cores: Rows, warnings: list) -> None:
    """A few cores of a survey taken years before or after all others: most likely a slip in the
    year of the date.
    """
    season = np.asarray(cores["season"], dtype=float)
    usual = np.nanmedian(season) if (~np.isnan(season)).any() else np.nan
    apart = np.abs(season - usual) > MOST_YEARS_APART
    if not 0 < apart.sum() <= FEW_CORES * len(season):
        return
    table = cores.assign(usual=np.full(len(season), usual))
    reporter(file, table, warnings)(
        apart,
        "core_date",
        "a core of the season {season}, most others being of {usual}",
        "the season of the field work",
        "Correct the date if its year is a slip: all rings are counted back from it.",
    )


def _last_rings(file: str, cores: Rows, warnings: list) -> None:
    """Of a living tree's core from which no outer ring is said to be lost, the last ring is of the
    season before it was taken, or of that one.
    """
    whole = cores["live"] & ~cores["outer_ring"].isin(["lost"]) & cores["season"].notna()
    last = cores["last_ring_year"]
    by_count = cores["first_ring_year"] + cores["ring_count"] - 1
    short = cores["season"] - by_count
    table = cores.assign(by_count=by_count, short=short)
    report = reporter(file, table, warnings)
    report(
        whole & (last < cores["season"] - MOST_SEASONS_SHORT),
        "last_ring_year",
        "{last_ring_year} as the last ring of a living tree, cored in the season {season}",
        "the season of coring or the one before",
        "Correct it; or, if rings are missing at the bark, write `lost` as outer_ring: a core that"
        " was not crossdated then only bounds the age of its tree.",
    )
    report(
        whole & last.isna() & (short > np.maximum(YEARS_SHORT, SHARE_SHORT * cores["ring_count"])),
        "ring_count",
        "{ring_count} rings from {first_ring_year} on, which end in {by_count}, {short} years"
        " before the core of a living tree was taken",
        "rings up to the bark",
        "Correct ring_count or first_ring_year; or, if rings are missing at the bark, write `lost`"
        " as outer_ring.",
    )


def _inner_rings(file: str, cores: Rows, warnings: list) -> None:
    """Innermost rings wider or narrower than those of any core of the species, or far from those of
    the survey: they say how many rings are missed.
    """
    width = cores["inner_ring_mm"]
    measured = width[~np.isnan(width)]
    usual = np.median(measured) if len(measured) > FEWEST_OTHERS else np.nan
    apart = (width > TIMES_THE_OTHERS * usual) | (width < usual / TIMES_THE_OTHERS)
    outside = (width > cores["widest_mm"]) | (width < cores["narrowest_mm"])
    table = cores.assign(usual=np.full(len(width), np.round(usual, 2)))
    report = reporter(file, table, warnings)
    check = "Check it for a slipped decimal mark, another unit, or two columns exchanged."
    report(
        outside,
        "inner_ring_mm",
        "{inner_ring_mm} mm a ring",
        "the mean width of the innermost rings, {narrowest_mm} to {widest_mm} mm in {species}",
        check,
    )
    report(
        apart & ~outside,
        "inner_ring_mm",
        "{inner_ring_mm} mm a ring",
        "the mean width of the innermost rings, about {usual} mm in the cores of this survey",
        check,
    )


def _rings_in_the_stem(file: str, cores: Rows, problems: list, warnings: list) -> None:
    """The rings seen against the radius of the stem, and the core against both."""
    likely = likely_diameter_cm(cores)
    radius = 10.0 * likely * (0.5 - cores["bark_share"])  # [mm] of wood
    widest, length = widest_at_core(cores, cores["dbh_cm"]), cores["core_length_mm"]
    rings, measured = cores["rings"], length.notna()
    unmeasured = cores["diameter_at_core_cm"].isna()
    told = (length > 10 * widest) & unmeasured
    table = cores.assign(likely=likely.round(1), room=(10 * widest).round(0))
    problem, warn = reporter(file, table, problems), reporter(file, table, warnings)
    problem(
        told,
        "core_length_mm",
        "{core_length_mm} mm, in a stem of {dbh_cm} cm at breast height",
        "less than the {room} mm that the stem can measure at the core",
        "Check core_length_mm (in mm), dbh_cm (in cm) and which tree the core is of.",
    )
    warn(
        (length > CORE_OF_RADIUS * 5 * likely) & ~(length > 10 * widest),
        "core_length_mm",
        "{core_length_mm} mm from the cambium inwards, in a stem of about {likely} cm at the core",
        "about the radius at most",
        "Check core_length_mm (in mm) and the diameter (in cm, not inches); a core that passes the"
        " pith counts to the pith.",
    )
    too_narrow = (5 * widest / rings < NARROWEST_MEAN_RING_MM) & ~measured
    problem(
        too_narrow,
        None,
        "{rings} rings in a stem of {likely} cm, a mean ring below 0.1 mm",
        "rings that the stem has room for",
        "Check the count and years of the core, the diameter and which tree the core is of.",
    )
    mean = length.fillna(OFF_CENTRE * radius) / rings
    table = table.assign(mean=mean.round(2))
    reporter(file, table, warnings)(
        (mean < cores["narrowest_mm"]) & ~too_narrow & ~(length / rings < NARROWEST_MEAN_RING_MM),
        None,
        "{rings} rings in a stem of {likely} cm, a mean ring of {mean} mm at most",
        "rings of {narrowest_mm} mm and more in the mean of a core of {species}",
        "Check the count and years of the core, the diameter and which tree the core is of.",
    )
    _few_rings(file, table, radius, told, problems, warnings)


def _few_rings(
    file: str,
    cores: Rows,
    radius: np.ndarray,
    told: np.ndarray,
    problems: list,
    warnings: list,
) -> None:
    """Too few rings for the stem: by the length of the core, else by what the centre says."""
    centre, length, rings = cores["centre"], cores["core_length_mm"], cores["rings"]
    to_pith = centre.isin(["pith", "arcs"])
    missed = cores["rings_to_pith"].fillna(cores["unknown_missed"].where(centre == "unknown", 0.0))
    open_ended = centre.isin(["straight", "rotten"]) & cores["rings_to_pith"].isna()
    open_ended &= cores["pith_distance_mm"].isna()
    whole = (rings + missed) / np.where(open_ended, SHARE_SEEN, 1.0)
    distance = cores["pith_distance_mm"].fillna(0.0)
    wood = np.where(cores["pith_distance_mm"].isna(), radius, np.maximum(radius - distance, 0.0))
    mean = as_cells(length / rings).fillna(wood / whole)
    table = cores.assign(mean=mean.round(1))
    laid = IMPOSSIBLY_WIDE * cores["widest_mm"] * whole
    far = (wood - laid > NOT_LAID_MM) & to_pith & length.isna()
    far |= length - IMPOSSIBLY_WIDE * cores["widest_mm"] * rings > NOT_LAID_MM
    words = (
        "{rings} rings, in a stem of about {likely} cm at the core: a mean ring of {mean} mm",
        "a mean ring of {widest_mm} mm at most, the widest of {species}",
        "Check the count and years of the core, its length (mm), the diameter (cm) and which tree"
        " the core is of: the tree would be dated far too young.",
    )
    reporter(file, table, problems)(far & ~told, None, *words)
    reporter(file, table, warnings)((mean > cores["widest_mm"]) & ~far & ~told, None, *words)


def _heights(file: str, cores: Rows, problems: list, warnings: list) -> None:
    """Coring heights that are metres or feet."""
    height = np.asarray(cores["height_cm"])
    height = height[height > 0]
    if len(height) < FEWEST_HEIGHTS or not (height % 1 != 0).any() or height.max() > FEET_UP_TO:
        highest = height.max(initial=0.0)
        among = (cores["height_cm"] > 0) & (highest >= LEAST_COMMON_CM)
        report = reporter(file, cores, warnings)
        low, high = IN_METRES
        metres = (cores["height_cm"] >= low) & (cores["height_cm"] <= high)
        metres &= cores["height_cm"] % 1 != 0
        feet = np.isclose(np.asarray(cores["height_cm"])[:, None], IN_FEET_CM, atol=0.02)
        for mask, unit in ((among & metres, "m"), (among & feet.any(axis=1), "ft")):
            report(
                mask,
                "height_cm",
                "{height_cm} cm above the ground, among heights up to " + f"{highest:g}",
                "whole centimetres, as 30 or 137",
                f"If it is another unit, write it into the cell, as '1.37 {unit}'."
                if unit == "m"
                else "If it is 4.5 ft, which is 137 cm, write the unit into the cell: '4.5 ft'.",
            )
        return
    low, high = height.min(), height.max()
    metres = high <= METRES_UP_TO
    problem = Problem(
        file,
        None,
        "height_cm",
        f"heights from {low:g} to {high:g}",
        "centimetres above the ground, as 30 or 137",
        "These look like metres: multiply by 100. Heights that are so low are whole centimetres."
        if metres
        else "Are these feet? Then multiply by 30.48. They are used as centimetres.",
    )
    (problems if metres else warnings).append(problem)


def _entered_twice(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    problems: list[Problem],
    warnings: list[Problem],
) -> None:
    """A core under a second name narrows the date of its tree as if it were another."""
    cores = frames["cores"]
    series = _series_told_apart(frames["ring_widths"], problems)
    same = ["tree", "height_cm", *READ, *MEASURES, "diameter_at_core_cm", "bark_mm"]
    if len(set(Rows(cores).row_keys(same))) == len(cores):
        return
    read = cores[["first_ring_year", "ring_count"]].notna().any(axis=1) & (cores["tree"] != "")
    # cores whose own rings differ are two, whatever else they share
    read &= ~cores["core"].isin(series)
    twins = cores[read & cores.duplicated(same, keep=False)]
    if len(twins):
        first = twins.groupby(same, dropna=False, sort=False)["core"].transform("first")
        again = twins.assign(first=first)[twins["core"] != first]
        certain = again[list(MEASURES)].notna().sum(axis=1) >= SAME_MEASURES
        words = (
            "the same in all columns as core '{first}' of tree '{tree}'",
            "each core once",
            "Delete the row if it is one core under two names: it would narrow the date of its"
            " tree.",
        )
        reporter(files["cores"], Rows(again), problems)(certain, "core", *words)
        reporter(files["cores"], Rows(again), warnings)(~certain, "core", *words)


def _series_told_apart(rings: pd.DataFrame, problems: list[Problem]) -> set[str]:
    """Cores with long ring series of their own; one under a second name is a problem."""
    if rings.empty:
        return set()
    lengths = rings["core"].map(rings["core"].value_counts())
    first_of: dict[bytes, str] = {}
    for core, each in rings[lengths >= SAME_RINGS].groupby("core", sort=False):
        if each["width_mm"].nunique() < DIFFERENT_WIDTHS:
            continue
        key = each["year"].to_numpy().tobytes() + each["width_mm"].to_numpy().tobytes()
        first = first_of.setdefault(key, str(core))
        if first != core:
            problems.append(
                Problem(
                    str(each["file"].iat[0]),
                    int(each["row"].iat[0]),
                    None,
                    f"the ring widths of core '{first}' again, under the name '{core}'",
                    "each core once",
                    "Delete one of the two, or give each its own widths.",
                )
            )
    return set(first_of.values())
