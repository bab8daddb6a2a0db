"""Ring widths from ring_widths.csv and from the decadal files in `rings/`: matched to cores,
joined, and what cores.csv lacks filled in.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from functools import cache

import numpy as np
import pandas as pd

from standage.errors import Problem
from standage.survey.cells.cells import typed_table
from standage.survey.checks.table_checks import looked_up
from standage.survey.readings import Reading
from standage.survey.rings.decadal_format import DecadalFile, read_decadal
from standage.survey.rings.series_cores import cores_of_series, names_listed
from standage.survey.schema import RING_WIDTHS
from standage.years import growing_seasons

RING_COLUMNS = ("core", "year", "width_mm", "row", "file")
UNMEASURED_OUTER_YEARS = 2
"""A series that ends further than this before the core of a live stem was taken does not tell the
core's last ring (assumption).
"""

FEWEST_OF_A_PART = 5
"""A shorter run of years in ring_widths.csv is taken for a year mistyped (assumption)."""

COUNT_TOLERANCE_SHARE = 0.1
"""As for the cells of cores.csv: rings of a crossdated core may differ from its count by this share
(assumption).
"""


def ring_frame(
    csv: pd.DataFrame,
    csv_file: str,
    decadal: list[DecadalFile],
    core_of: Mapping[tuple[str, str], str],
) -> pd.DataFrame:
    """All rings with `core`, `year`, `width_mm`, `row`, unknown columns of the csv, `file`; sorted
    by core, year and file.

    csv: the typed table; rows without core or year are left out. core_of: core by (file, series).
    """
    written = csv[(csv["core"] != "") & csv["year"].notna()]
    pieces = [written.assign(file=csv_file)]
    columns: dict[str, list] = {name: [] for name in RING_COLUMNS}
    for each in decadal:
        for series in each.series:
            core = core_of.get((each.file, series.name))
            for part in series.parts if core is not None else ():
                number = len(part.widths_mm)
                columns["core"].extend([core] * number)
                columns["file"].extend([each.file] * number)
                columns["year"].append(
                    np.arange(part.first_year, part.first_year + number, dtype=float)
                )
                columns["width_mm"].append(part.widths_mm)
                columns["row"].append(part.lines)
    if columns["core"]:
        read = {
            name: cells if name in ("core", "file") else np.concatenate(cells)
            for name, cells in columns.items()
        }
        pieces.append(pd.DataFrame(read).astype({"core": object, "file": object}))
    extra = [name for name in csv.columns if name not in RING_COLUMNS]
    # Pieces without rows would lend their types to the whole.
    pieces = [piece for piece in pieces if len(piece)] or pieces[:1]
    frame = pd.concat(pieces, ignore_index=True).reindex(
        columns=["core", "year", "width_mm", "row", *extra, "file"]
    )
    frame[extra] = frame[extra].astype(object).where(frame[extra].notna(), "")
    frame = frame.astype({"core": object, "file": object, "row": np.int64})
    return frame.sort_values(["core", "year", "file"], kind="stable", ignore_index=True)


def gather_ring_widths(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    contents: Mapping[str, bytes],
    problems: list[Problem],
    notes: list[str],
    readings: list[Reading],
    *,
    cores_readable: bool,
    written_out: Collection[str] = (),
) -> tuple[pd.DataFrame, pd.DataFrame, tuple[str, ...]]:
    """The rings of all cores, years consecutive within a core, and a table of series, one row a
    core.

    frames, files: the survey so far. contents: ring files by name, bytes. written_out: cores whose
    names begin anew on each tree, called TREE-CORE by now. Returns (rings, series,
    unused): rings as `Survey.ring_widths`; unused, series that no core is called after, `FILE:
    NAME`, of which a mistake is no problem of the survey; series with core, first, last (calendar
    years, unmeasured years between parts included), span, absent (rings coded 0), unmeasured (years
    between parts), sum_mm, file, first_row, last_row.
    """
    if frames["ring_widths"].empty and not contents:
        rings, series = _none_measured()
        return rings.copy(), series.copy(), ()
    decadal = [read_decadal(file, content) for file, content in contents.items()]
    for each in decadal:
        problems.extend(each.of_file)
        notes.extend(each.notes)
    csv, csv_file = frames["ring_widths"], files["ring_widths"]
    known = [core for core in frames["cores"]["core"] if core]
    core_of, unused = (
        cores_of_series(decadal, known, problems, notes, readings, written_out)
        if cores_readable
        else ({}, {})
    )
    for each in decadal:
        for name, of_series in each.spoilt.items():
            if name not in unused.get(each.file, ()):
                problems.extend(of_series)
    frame = ring_frame(csv[csv["core"].isin(set(known))], csv_file, decadal, core_of)
    incomplete = set(csv.loc[csv["year"].isna(), "core"])
    frame = _once_a_year(frame, csv_file, problems, notes)
    series = series_table(frame)
    frame = _longest_runs(frame, csv_file, incomplete, problems, notes)
    rings = frame[frame["width_mm"].notna()].reset_index(drop=True)
    return rings, series, tuple(f"{file}: {name}" for file in unused for name in unused[file])


@cache
def _none_measured() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rings and series of a survey without any: copied before they are handed out."""
    rings = ring_frame(typed_table(RING_WIDTHS, None, [], []), RING_WIDTHS.file, [], {})
    return rings, series_table(rings)


def series_table(rings: pd.DataFrame) -> pd.DataFrame:
    """One row a core of `rings`, which is sorted by core and year; columns as in
    `gather_ring_widths`.
    """
    grouped = rings.groupby("core", sort=False)
    table = pd.DataFrame(
        {
            "first": grouped["year"].first(),
            "last": grouped["year"].last(),
            "measured": grouped.size(),
            "absent": (rings["width_mm"] == 0).groupby(rings["core"], sort=False).sum(),
            "sum_mm": grouped["width_mm"].sum(),
            "file": grouped["file"].first(),
            "first_row": grouped["row"].first(),
            "last_row": grouped["row"].last(),
        }
    ).reset_index()
    table["core"] = table["core"].astype(object)
    table["span"] = table["last"] - table["first"] + 1
    table["unmeasured"] = table["span"] - table["measured"]
    return table


def _once_a_year(
    rings: pd.DataFrame, csv_file: str, problems: list[Problem], notes: list[str]
) -> pd.DataFrame:
    """Each year of a core once. A core in two files is noted where the widths are the same, and a
    problem otherwise.
    """
    in_csv = rings["file"] == csv_file
    again = in_csv & rings.duplicated(["core", "year", "file"])
    # Sorting was stable: of equal years the first stands first.
    before = (rings[~again & in_csv] if again.any() else rings[:0]).set_index(["core", "year"])
    for place in np.flatnonzero(again):
        core, year = rings["core"].iat[place], rings["year"].iat[place]
        first = before["row"].at[core, year]
        problems.append(
            Problem(
                csv_file,
                int(rings["row"].iat[place]),
                "year",
                f"the year {year:.0f} of core '{core}' again (first in row {first})",
                "each year of a core once",
                "Correct the year or the core, or delete the repeated row.",
            )
        )
    rings = rings[~again]
    in_files = rings.groupby("core", sort=False)["file"].nunique()
    twice = rings[rings["core"].isin(in_files.index[in_files > 1])]
    same: dict[tuple[str, ...], list[str]] = {}
    dropped: list[int] = []
    for core, of_both in twice.groupby("core", sort=False):
        of_core = [part for _, part in of_both.groupby("file", sort=False)]
        names = tuple(part["file"].iat[0] for part in of_core)
        for part in of_core[1:]:
            dropped.extend(part.index)
            ours, theirs = (each[["year", "width_mm"]].to_numpy() for each in (of_core[0], part))
            # written as decimal figures in one file and as whole hundredths in the other: the same
            # to the last digit of both
            if ours.shape != theirs.shape or not np.allclose(ours, theirs, rtol=0, atol=1e-6):
                problems.append(
                    Problem(
                        names[1],
                        int(part["row"].iat[0]),
                        None,
                        f"other ring widths of core '{core}' than in {names[0]}",
                        "the rings of a core in one file",
                        "Keep one of the two, or give each core its own name.",
                    )
                )
                break
        else:
            same.setdefault(names, []).append(core)
    for names, cores in same.items():
        notes.append(
            f"the ring widths of {names_listed(cores)} stand in {' and in '.join(names)} alike;"
            " they were taken once"
        )
    return rings.drop(index=dropped).reset_index(drop=True)


def _longest_runs(
    rings: pd.DataFrame,
    csv_file: str,
    incomplete: set[str],
    problems: list[Problem],
    notes: list[str],
) -> pd.DataFrame:
    """Years without a gap: of parts with years between that could not be measured the longest is
    used, with a note. In the csv a part of few rings is more likely a wrong year: a problem.
    """
    core, year = rings["core"].to_numpy(object), rings["year"].to_numpy(float)
    gaps = np.flatnonzero((core[1:] == core[:-1]) & (np.diff(year) > 1)) + 1
    kept = np.ones(len(rings), dtype=bool)
    for name in dict.fromkeys(core[gaps]):
        begins = [place for place in gaps if core[place] == name]
        whole = np.flatnonzero(core == name)
        bounds = [whole[0], *begins, whole[-1] + 1]
        short = min(np.diff(bounds)) < FEWEST_OF_A_PART
        if rings["file"].iat[begins[0]] == csv_file and (short or name in incomplete):
            for place in begins if name not in incomplete else ():
                problems.append(
                    Problem(
                        csv_file,
                        int(rings["row"].iat[place]),
                        "year",
                        f"{year[place]:.0f} after {year[place - 1]:.0f} in core '{name}'",
                        "every year from the first ring to the last, or parts of at least"
                        f" {FEWEST_OF_A_PART} rings with unmeasured years between",
                        "Correct the year, or write the years between too: 0 where the ring is"
                        " absent.",
                    )
                )
            continue
        start, end = max(
            zip(bounds[:-1], bounds[1:], strict=True), key=lambda run: (run[1] - run[0], run[0])
        )
        kept[whole] = False
        kept[start:end] = True
        missing = ", ".join(f"{year[place - 1] + 1:.0f}-{year[place] - 1:.0f}" for place in begins)
        notes.append(
            f"core {name}: no widths for {missing}; of its parts the longest is used for releases, "
            f"{year[start]:.0f} to {year[end - 1]:.0f}"
        )
    return rings[kept].reset_index(drop=True)


def fill_core_years(
    frames: Mapping[str, pd.DataFrame], series: pd.DataFrame, notes: list[str]
) -> None:
    """Blank first_ring_year and last_ring_year of cores from their series, in place, where the rest
    of the row agrees with it.

    The first ring measured is taken for the first seen only where nothing says that more were seen.
    The last one measured is taken for the last of the core where it can be: the stem is dead, the
    core has lost its outer rings, or the series ends within two years of the season of the core. A
    last ring that was still growing may have been left unmeasured: with outer_ring `partial` the
    series has to end in that very season.
    """
    if series.empty:
        return
    cores, trees = frames["cores"], frames["trees"]
    by_core = series.set_index("core").reindex(cores["core"])
    first, last, absent = (by_core[name].to_numpy(float) for name in ("first", "last", "absent"))
    season = growing_seasons(cores["core_date"])
    death = looked_up(cores["tree"], trees, "tree", "death_year").to_numpy(float)
    exact_death = ~(looked_up(cores["tree"], trees, "tree", "death_year_sd").to_numpy(float) > 0)
    given_first, given_last, count = (
        cores[name].to_numpy(float) for name in ("first_ring_year", "last_ring_year", "ring_count")
    )
    sound = (
        (last <= season)
        & ~(exact_death & (last > death))
        & ~(first < given_first)
        & ~(last > given_last)
    )
    crossdated = (cores["dating"] == "crossdated").to_numpy(dtype=bool)
    live = (looked_up(cores["tree"], trees, "tree", "status") == "live").to_numpy(dtype=bool)
    partial, lost = (
        (cores["outer_ring"] == word).to_numpy(dtype=bool) for word in ("partial", "lost")
    )
    grown = np.where(
        partial, last == season, ~live | lost | (last >= season - UNMEASURED_OUTER_YEARS)
    )
    wanted_last = sound & np.isnan(given_last) & grown & ~(given_first > last)
    new_last = np.where(wanted_last, last, given_last)

    def agrees(first_ring: np.ndarray) -> np.ndarray:
        """Whether the count fits the years, as `core_checks` will ask; a blank count fits."""
        span = new_last - first_ring + 1
        slack = np.where(crossdated, np.maximum(1, COUNT_TOLERANCE_SHARE * span), 0)
        return (
            np.isnan(count)
            | np.isnan(span)
            | ((count - span <= slack) & (span - count <= slack + 1))
        )

    most_visible = count + 1 + COUNT_TOLERANCE_SHARE * crossdated * np.nan_to_num(count)
    wanted_last &= agrees(given_first) & ~(last - first + 1 - absent > most_visible)
    new_last = np.where(wanted_last, last, given_last)
    wanted_first = (
        sound
        & np.isnan(given_first)
        & ~(first > new_last)
        & (np.isnan(count) | (~np.isnan(new_last) & agrees(first)))
    )
    cores["first_ring_year"] = np.where(wanted_first, first, given_first)
    cores["last_ring_year"] = new_last
    told = [
        f"{name} of {number} {'core' if number == 1 else 'cores'}"
        for name, number in (
            ("first_ring_year", int(wanted_first.sum())),
            ("last_ring_year", int(wanted_last.sum())),
        )
        if number
    ]
    if told:
        notes.append(f"taken from the ring widths: {' and '.join(told)}")
