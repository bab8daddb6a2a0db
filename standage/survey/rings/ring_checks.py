"""What ring widths say must not contradict cores.csv, the tree, the day of the core or the wood it
had room for.

Contradictions are problems. What is only odd for growth is asked about in a note, and used as
written: nothing is rescaled.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.checks.core_checks import NARROWEST_MEAN_RING_MM, widest_at_core
from standage.survey.checks.rows import Rows, as_cells
from standage.survey.checks.species_limits import FAR_BEYOND, limits_beside, limits_of
from standage.survey.rings.ring_widths import COUNT_TOLERANCE_SHARE, UNMEASURED_OUTER_YEARS
from standage.survey.rings.series_cores import NAMES_LISTED
from standage.survey.written import Stack, row_in_words
from standage.years import growing_seasons

WIDEST_MEAN_RING_MM = 15.0
"""Ten rings or more with a mean above this are taken for a mistake of unit: 3 cm of diameter a year
(common practice, no source).
"""

USUAL_MEAN_RING_MM = (0.25, 7.0)
"""Half of the series of a file have a mean ring in this range, or the unit is asked about (common
practice, no source).
"""

LIKE_OTHERS_FACTOR = 6.0
"""A series this many times wider or narrower than the middle of all is asked about: between one,
and a unit ten times off (assumption).
"""

FEWEST_RINGS_TO_JUDGE = 10
FEWEST_SERIES_TO_COMPARE = 5

LONGEST_OF_CORE = 1.25
"""Measured rings may be longer than the core by this factor, for shrinkage and reading
(assumption).
"""

SHORTEST_OF_CORE = 0.5
"""A fully measured core whose rings come to less than this share of its length contradicts itself
(assumption).
"""

WIDEST_OF_RADIUS, NARROWEST_OF_RADIUS = 2.0, 0.2
"""Rings against half of the diameter over bark: no stem is so far off centre, swollen or barked
(assumption).
"""

NURSERY_YEARS = 3
"""Planting stock is no older (common practice, no source)."""

UNIT_ADVICE = (
    "Is the unit a factor of ten off? Widths are in mm in ring_widths; in a decadal file the end"
    " mark tells, 999 = 0.01 mm and -9999 = 0.001 mm. Nothing was changed: correct the widths, the"
    " end mark or the measure they contradict."
)


@np.errstate(divide="ignore", invalid="ignore")  # of blanks, and of no rings
def check_ring_widths(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    series: pd.DataFrame,
    problems: list[Problem],
    notes: list[str],
    *,
    stacks: Mapping[str, Stack],
    profile_folder: str | None = None,
) -> None:
    """All contradictions of series with cores, trees and stands. series: as
    `ring_widths.gather_ring_widths` gives it. stacks: by file, of tables put together of sheets.

    `frames["cores"]` may have been filled from the series already: then there is nothing left to
    contradict. A core whose own years are refused already is asked nothing more about them.
    """
    if series.empty:
        return
    table = _with_core_and_tree(frames, files, series, problems, stacks)
    _check_years(table, problems)
    _check_ages(table, problems, notes, profile_folder)
    _note_what_is_unmeasured(table, notes)
    _check_wood(table, problems)
    _ask_about_growth(table, notes)


def _with_core_and_tree(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    series: pd.DataFrame,
    problems: list[Problem],
    stacks: Mapping[str, Stack],
) -> Rows:
    """The series of cores that are there, with the columns of core and tree beside them."""
    cores, trees = Rows(frames["cores"]), Rows(frames["trees"])
    table = Rows(series[series["core"].isin(set(cores["core"]))])
    own, core = set(table.columns), table["core"]
    table = table.assign(
        **{
            {"row": "core_row"}.get(name, f"{name}_of_core" if name in own else name): cores.of(
                core, "core", name
            )
            for name in cores.columns
            if name != "core"
        }
    )
    of_tree = ("death_year", "death_year_sd", "planted_year", "dbh_cm", "species")
    table = table.assign(**{name: trees.of(table["tree"], "tree", name) for name in of_tree})
    refused = {
        problem.row
        for problem in problems
        if problem.file == files["cores"]
        and problem.column in ("first_ring_year", "last_ring_year", "ring_count")
    }
    season = growing_seasons(table["core_date"])
    # Only rings to the innermost seen, and to near the bark, come to the whole of a core.
    inward = (table["first"] <= table["first_ring_year"]) | (
        table["span"] - table["absent"] >= table["ring_count"]
    )
    outward = ~(table["last"] < season - UNMEASURED_OUTER_YEARS) & (table["outer_ring"] != "lost")
    diameter = table["diameter_at_core_cm"].fillna(table["dbh_cm"])
    rings = table["measured"] - table["absent"]
    place = [row_in_words(files["cores"], int(row), stacks) for row in table["core_row"]]
    return table.assign(
        core_season=season,
        years_refused=table["core_row"].isin(refused),
        place=np.array(place, dtype=object),
        column=np.where(table["file"] == files["ring_widths"], "year", ""),
        whole=inward & outward & (table["unmeasured"] == 0),
        diameter=diameter,
        radius=5 * diameter,  # mm, over bark
        widest=widest_at_core(table, table["dbh_cm"]),
        mean_mm=table["sum_mm"] / as_cells(rings).where(rings > 0),
    )


def _tell(
    table: Rows,
    mask: ArrayLike,
    problems: list[Problem],
    found: str,
    expected: str,
    what_to_do: str,
    *,
    row: str = "first_row",
    column: str | None = None,
) -> None:
    """A problem for each series where mask holds; {name} in the texts stands for the cell of that
    column.
    """
    for place in np.flatnonzero(np.asarray(mask, dtype=bool))[:TOLD_OF_A_COLUMN]:
        cells = {
            name: f"{value:.6g}" if isinstance(value, float) else str(value)
            for name, value in ((name, table[name][place]) for name in table.columns)
        }
        at = column if cells["column"] and column else cells["column"] or None
        problems.append(
            Problem(
                cells["file"],
                int(table[row][place]),
                at,
                found.format(**cells),
                expected.format(**cells),
                what_to_do.format(**cells),
            )
        )


def _check_years(table: Rows, problems: list[Problem]) -> None:
    """Years of series against those of their core and the day it was taken."""
    first, last, clean = table["first"], table["last"], ~table["years_refused"]
    _tell(
        table,
        last > table["core_season"],
        problems,
        "core {core}: a ring of {last}, after the last season the core can hold, {core_season}",
        "no year after the core was taken (a growing season begins on 1 March)",
        "Correct the years of the series, or core_date ({place}).",
        row="last_row",
    )
    _tell(
        table,
        clean & (first < table["first_ring_year"]),
        problems,
        "core {core}: a ring of {first}, before its first_ring_year {first_ring_year} ({place})",
        "no ring inside the innermost ring seen",
        "Correct the years of the series, or first_ring_year.",
    )
    _tell(
        table,
        clean & (last > table["last_ring_year"]) & ~(last > table["core_season"]),
        problems,
        "core {core}: a ring of {last}, after its last_ring_year {last_ring_year} ({place})",
        "no ring outside the outermost ring",
        "Correct the years of the series, or last_ring_year.",
        row="last_row",
    )
    slack = 1 + COUNT_TOLERANCE_SHARE * table["ring_count"] * (table["dating"] == "crossdated")
    visible = table["span"] - table["absent"]
    _tell(
        table.assign(visible=visible),
        clean & (visible > table["ring_count"] + slack),
        problems,
        "core {core}: {visible} rings from {first} to {last}, and a ring_count of {ring_count}"
        " ({place})",
        "no more rings measured than counted, save one still growing",
        "Correct the series, or ring_count.",
    )


def _check_ages(
    table: Rows, problems: list[Problem], notes: list[str], profile_folder: str | None
) -> None:
    """Years of series against the life of the tree, and of its species."""
    first, last = table["first"], table["last"]
    dead = table["death_year"].notna() & ~(table["death_year_sd"] > 0)
    _tell(
        table,
        dead & (last > table["death_year"]),
        problems,
        "core {core}: a ring of {last}, after the death_year of its tree, {death_year}",
        "no ring after the tree died",
        "Correct the years of the series, or death_year.",
        row="last_row",
    )
    _tell(
        table,
        first < table["planted_year"] - NURSERY_YEARS,
        problems,
        "core {core}: a ring of {first}, and a tree planted in {planted_year}",
        "a series no longer than the life of the tree",
        "Correct the years of the series, or planted_year; check that core and tree belong"
        " together.",
    )
    limits = limits_of(table["species"], profile_folder)
    with_oldest = table.assign(oldest=limits_beside(table["species"], limits)["oldest"])
    oldest = with_oldest["oldest"]
    beyond = table["span"] > FAR_BEYOND * oldest
    _tell(
        with_oldest,
        beyond,
        problems,
        "core {core}: {span} years from {first} to {last}; the oldest known {species} had {oldest}",
        "a series no longer than the life of a tree",
        "Correct the first year of the series; years are calendar years.",
    )
    for place in np.flatnonzero((table["span"] > oldest) & ~beyond):
        notes.append(
            f"core {table['core'][place]}: a series of {table['span'][place]:.0f} years,"
            f" more than the {oldest[place]:.0f} of the oldest known"
            f" {table['species'][place]}; are its years right?"
        )


def _note_what_is_unmeasured(table: Rows, notes: list[str]) -> None:
    """Series that end short of their core, and absent rings in a core only counted."""
    first, last, clean = table["first"], table["last"], ~table["years_refused"]
    later = clean & (first > table["first_ring_year"])
    _note(notes, table, later, "begin later than first_ring_year (inner rings not measured)")
    earlier = clean & (last < table["last_ring_year"] - 1)
    _note(
        notes,
        table,
        earlier,
        "end more than a year before last_ring_year (outer rings not measured)",
    )
    _note(
        notes,
        table,
        (table["absent"] > 0) & (table["dating"] == "counted"),
        "have absent rings (width 0), which only crossdating finds, and dating 'counted': is it"
        " 'crossdated'?",
    )


def _note(notes: list[str], table: Rows, mask: ArrayLike, said: str) -> None:
    names = table["core"][np.asarray(mask, dtype=bool)].tolist()
    if names:
        more = f" and {len(names) - NAMES_LISTED} more" if len(names) > NAMES_LISTED else ""
        notes.append(
            f"{len(names)} of {len(table)} series of ring widths {said}:"
            f" {', '.join(names[:NAMES_LISTED])}{more}"
        )


def _check_wood(table: Rows, problems: list[Problem]) -> None:
    """The sum of the widths against the length of the core and the radius of the stem."""
    total, length = table["sum_mm"], table["core_length_mm"]
    whole = table["whole"]
    with_ratio = table.assign(times=[f"{ratio:.2g}" for ratio in total / length])
    _tell(
        with_ratio,
        total > LONGEST_OF_CORE * length,
        problems,
        "core {core}: rings of {sum_mm} mm in all, {times} times its core_length_mm"
        " {core_length_mm} ({place})",
        "no more rings than the core is long",
        UNIT_ADVICE,
        column="width_mm",
    )
    _tell(
        with_ratio,
        whole & (total < SHORTEST_OF_CORE * length),
        problems,
        "core {core}: all its rings come to {sum_mm} mm, {times} times its core_length_mm"
        " {core_length_mm} ({place})",
        "rings that fill the core",
        UNIT_ADVICE,
        column="width_mm",
    )
    radius = table["radius"]
    told = total > LONGEST_OF_CORE * length
    room = 5 * table["widest"]
    _tell(
        table.assign(room=room),
        (total > WIDEST_OF_RADIUS * room) & ~told,
        problems,
        "core {core}: rings of {sum_mm} mm in all, in a stem of {diameter} cm with a radius of"
        " {room} mm at most at the core",
        "rings that the stem has room for",
        UNIT_ADVICE,
        column="width_mm",
    )
    told = whole & (total < SHORTEST_OF_CORE * length)
    to_pith = table["centre"].isin(["pith", "arcs"]) & whole
    thin = to_pith & (total < NARROWEST_OF_RADIUS * radius)
    _tell(
        table,
        thin & ~told,
        problems,
        "core {core}: all its rings, to the centre, come to {sum_mm} mm, in a stem of {diameter} cm"
        " with a radius of {radius} mm",
        "rings that fill the stem from bark to centre",
        UNIT_ADVICE,
        column="width_mm",
    )
    judged = table["measured"] - table["absent"] >= FEWEST_RINGS_TO_JUDGE
    odd = (
        judged
        & ((table["mean_mm"] < NARROWEST_MEAN_RING_MM) | (table["mean_mm"] > WIDEST_MEAN_RING_MM))
        & ~told
        & ~thin
    )
    odd &= ~(total > LONGEST_OF_CORE * length) & ~(total > WIDEST_OF_RADIUS * room)
    _tell(
        table.assign(middle=[f"{mean:.3g}" for mean in table["mean_mm"]]),
        odd,
        problems,
        "core {core}: a mean ring of {middle} mm",
        f"a mean ring from {NARROWEST_MEAN_RING_MM:g} to {WIDEST_MEAN_RING_MM:g} mm",
        UNIT_ADVICE,
        column="width_mm",
    )


def _ask_about_growth(table: Rows, notes: list[str]) -> None:
    """Questions about files and series that grow unlike trees, or unlike the other series; nothing
    is changed.
    """
    thin = (
        table["whole"]
        & table["centre"].isin(["straight", "unknown"])
        & (table["sum_mm"] < NARROWEST_OF_RADIUS * table["radius"])
    )
    thin &= 10 * table["sum_mm"] <= WIDEST_OF_RADIUS * table["radius"]
    _note(
        notes,
        table,
        thin,
        "come to less than a fifth of the radius of the stem, with no word of a centre missed that"
        " far; is the unit a factor of ten off? Used as written",
    )
    judged = table["measured"] - table["absent"] >= FEWEST_RINGS_TO_JUDGE
    core, file, mean = (table[name][judged] for name in ("core", "file", "mean_mm"))
    low, high = USUAL_MEAN_RING_MM
    for one in sorted(set(file)):
        middle = np.nanmedian(mean[file == one])
        if not low <= middle <= high:
            notes.append(
                f"{one}: the middle series has a mean ring of {middle:.3g} mm; is the unit a"
                " factor of ten off? Used as written"
            )
    if len(mean) < FEWEST_SERIES_TO_COMPARE:
        return
    middle = np.nanmedian(mean)
    unlike = (mean > LIKE_OTHERS_FACTOR * middle) | (mean * LIKE_OTHERS_FACTOR < middle)
    for name, width, of in zip(core[unlike], mean[unlike], file[unlike], strict=True):
        notes.append(
            f"core {name} ({of}): a mean ring of {width:.3g} mm, where the middle of all series is"
            f" {middle:.3g} mm; is its unit a factor of ten off? Used as written"
        )
