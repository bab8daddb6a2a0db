"""The survey: read once, checked once, frozen; everything later trusts it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from os import PathLike
from pathlib import Path

import numpy as np
import pandas as pd

from standage.errors import Problem
from standage.grammar import counted
from standage.survey.cells.cells import NOT_KNOWN, typed_table
from standage.survey.cells.references import OUTSIDE, alike, check_names, resolve_references
from standage.survey.cells.species_names import check_species, read_species
from standage.survey.cells.table_cells import NOT_RECORDED, NOT_RECORDED_REASON
from standage.survey.checks.core_checks import check_cores, check_readings
from standage.survey.checks.core_plausibility import judge_cores
from standage.survey.checks.missing_counts import check_missing_counts
from standage.survey.checks.remarks import judge_remarks, note_scars
from standage.survey.checks.rows import Rows
from standage.survey.checks.species_limits import limits_of
from standage.survey.checks.stand_plausibility import judge_stands
from standage.survey.checks.table_checks import (
    check_counts,
    check_events,
    check_plots,
    check_references,
    check_sections,
    check_trees,
)
from standage.survey.files.placing import NOT_READ
from standage.survey.files.survey_files import read_written
from standage.survey.readings import RefusedSurvey
from standage.survey.rings.ring_checks import check_ring_widths
from standage.survey.rings.ring_widths import fill_core_years, gather_ring_widths
from standage.survey.schema import TABLES, table
from standage.survey.sheets.code_legends import read_codes_by_legends
from standage.survey.sheets.collar_classes import with_classes_added_up
from standage.survey.sheets.completion import complete_tables
from standage.survey.survey import Survey, keys_of_profiles
from standage.survey.written import Stack, WrittenSurvey, located

UNDATED = (
    "no word on crossdating: read as counted. Write crossdated, or counted, in a column dating"
)
"""How a note on such cores ends."""
NO_HEIGHTS = (
    "no column of coring heights: trees are dated at coring height only. Write them into a column"
    " 'coring height (cm)', or a height of all into a line above the headings, `cores at 30 cm`"
)
"""How a note on cores without heights ends."""
TREES_NAMED = 5
"""In a note; more would fill the screen."""


def read_survey(
    path: str | PathLike,
    *,
    known_species: Sequence[str] | None = None,
    profile_folder: str | None = None,
) -> Survey:
    """Read a folder of CSV files or an .xlsx workbook, check it whole, and fill in the documented
    defaults.

    path: the folder or the workbook; a folder that holds one workbook and no CSV file stands for
    the workbook. known_species: keys of the species that have a profile, the installed ones and
    those of `profile_folder` by default. profile_folder: of own profiles, whose limits then hold.
    Raises SurveyError with all problems found, never the first alone.

    >>> survey = read_survey("demo/longleaf-survey")
    >>> survey.stands["stand"].nunique()
    4
    """
    path = Path(path)
    written = read_written(path)
    problems, notes = written.problems, written.notes
    stacks = {each.file: each.stack for each in written.tables.values() if each.stack is not None}
    survey_name = path.resolve().name if path.is_dir() else path.stem
    keys = keys_of_profiles(known_species, profile_folder)
    read_codes_by_legends(written, keys)
    complete_tables(written, survey_name)
    frames = {
        each.name: typed_table(
            each, written.tables.get(each.name), problems, notes, written.readings
        )
        for each in TABLES
    }
    book = written.book
    files = {
        each.name: written.files.get(each.name, f"{book}, sheet {each.name}" if book else each.file)
        for each in TABLES
    }
    if not path.is_dir() and not book and not written.tables:
        raise RefusedSurvey(problems, written.readings)
    _check_presence(frames, files, written)
    check_names(frames, files, problems)
    resolve_references(
        frames, files, written.numbers, problems, written.readings, written.short_names
    )
    _stems_of_planted_stands(frames, notes)
    trees = frames["trees"]
    _note_undated(frames["cores"], notes)
    without_status = {
        row
        for row, status, tree in Rows(trees).row_keys(("row", "status", "tree"))
        if not status and tree
    }
    _fill_defaults(frames)
    _take_counts_behind_lost_rings(frames, notes)
    # A table without its names, or not readable, is not held against the tables that refer to it:
    # one problem, not a thousand.
    unheld = written.unreadable | {
        each.name
        for each in TABLES
        if each.identifier
        and (
            _lacks_names(frames[each.name], each.identifier)
            or (each.name in ("stands", "plots") and each.name not in written.tables)
        )
    }
    for each in TABLES:
        if each.name not in written.unreadable:  # read on with stands that are only supposed
            check_references(each, frames, files, unheld, problems)
    frames["ring_widths"], series, unused_series = gather_ring_widths(
        frames,
        files,
        written.rings,
        problems,
        notes,
        written.readings,
        cores_readable="cores" not in unheld,
        written_out={core for of in written.short_names.get("core", {}).values() for core in of},
    )
    fill_core_years(frames, series, notes)
    check_plots(frames, files, problems)
    lost_dbh = {
        each.row
        for each in written.readings
        if (each.file, each.column, each.reason) == (files["trees"], "dbh_cm", NOT_RECORDED_REASON)
        and each.row is not None
    }
    check_trees(frames, files, problems, cores_readable="cores" not in unheld, lost_dbh=lost_dbh)
    check_cores(frames, files, problems)
    warnings = list(written.doubts)
    check_missing_counts(frames, files, problems, warnings)
    check_readings(frames, files, problems, warnings)
    check_ring_widths(
        frames, files, series, problems, notes, stacks=stacks, profile_folder=profile_folder
    )
    check_counts(frames, files, problems)
    check_sections(frames, files, problems)
    check_events(frames, files, problems)
    read_species(frames, files, keys, problems, written.readings, warnings)
    without_profile = check_species(frames, files, keys, problems)
    notes += without_profile
    limits = limits_of(frames["trees"]["species"], profile_folder)
    judge_stands(frames, files, limits, problems, warnings, without_status)
    judge_cores(frames, files, limits, problems, warnings)
    judge_remarks(frames, files, warnings)
    note_scars(frames, files, stacks, notes)
    sheets = [each for file in files.values() for each in (file, *_sheets_of(file, stacks))]
    if "height_cm" not in getattr(written.tables.get("cores"), "header", ["height_cm"]):
        notes.append(f"{files['cores']}: {NO_HEIGHTS}")
    order = {file: place for place, file in enumerate([*sheets, *written.rings])}
    frames["counts"] = with_classes_added_up(frames["counts"], files["counts"], written.readings)
    warnings, readings = located(warnings, stacks), located(written.readings, stacks)
    if problems:
        unknown = [
            note for note in notes if note.endswith((NOT_KNOWN, NOT_READ, UNDATED, NO_HEIGHTS))
        ]
        in_order = _in_order(located(problems, stacks), order)
        rows = {(each.file, each.row) for each in in_order}
        besides = [each for each in warnings if each.row and (each.file, each.row) not in rows]
        notes = [*without_profile, *unknown]
        raise RefusedSurvey(in_order, readings, notes, _in_order(besides, order))
    sheet_of_rows: dict[str, tuple[str, ...]] = {}
    for name, frame in frames.items():
        if files[name] in stacks:
            place_of = stacks[files[name]].place_of
            sheet_of_rows[name] = tuple(place_of(row)[0].sheet for row in frame["row"])
            frame["row"] = pd.Series([place_of(row)[1] for row in frame["row"]], dtype=np.int64)
    _take_low_stems(frames["trees"], notes)
    main = _main_species(frames["trees"], keys)
    _note_main_species(frames, files, main, keys, notes)
    for name in ("counts", "known_age_stems"):
        frames[name]["species"] = (
            frames[name]["species"].where(frames[name]["species"] != "", main).astype(object)
        )
    outcome = frames["trees"]["core_outcome"]
    default = np.where(
        frames["trees"]["tree"].isin(set(frames["cores"]["tree"])), "taken", "not_tried"
    )
    frames["trees"]["core_outcome"] = outcome.where(
        outcome != "", pd.Series(default, dtype=object)
    ).astype(object)
    _note_what_is_missing(frames, notes)
    return Survey(
        name=survey_name,
        path=str(path),
        notes=tuple(dict.fromkeys(notes)),
        hashes=written.hashes,
        main_species=main,
        known_species=keys,
        readings=tuple(dict.fromkeys(readings)),
        unused_series=unused_series,
        warnings=tuple(_in_order(warnings, order)),
        sheets=sheet_of_rows,
        **frames,
    )


def _in_order(problems: Sequence[Problem], order: Mapping[str, int]) -> list[Problem]:
    """Each once, by file and row."""
    return sorted(
        dict.fromkeys(problems),
        key=lambda problem: (order.get(problem.file, -1), problem.row or 0),
    )


def _sheets_of(file: str, stacks: Mapping[str, Stack]) -> list[str]:
    return [part.file for part in stacks[file].parts] if file in stacks else []


def _lacks_names(frame: pd.DataFrame, identifier: str) -> bool:
    return len(frame) > 0 and not any(frame[identifier].tolist())


def _check_presence(
    frames: Mapping[str, pd.DataFrame], files: Mapping[str, str], written: WrittenSurvey
) -> None:
    """Stands and trees must be there with rows; cores too, unless plots with stems let size speak
    alone.
    """

    def missing(name: str, expected: str, advice: str) -> None:
        found = "a header and no rows" if name in written.tables else "no such table in the survey"
        written.problems.append(Problem(files[name], None, None, found, expected, advice))

    for name in ("stands", "trees"):
        if frames[name].empty and name not in written.unreadable:
            what_to_do = "`standage new DIR` makes forms to fill in."
            if name == "trees" and not frames["stands"].empty:
                what_to_do = (
                    "List stems and core some: counts of seedlings alone say how many there are,"
                    " not when they came. " + what_to_do
                )
            expected = f"at least one row; a row is {table(name).one_row}"
            if name == "stands" and (of := _listed_in(frames, "stand")):
                expected = f"a row for each of its stands ({of}), with its survey_date"
                what_to_do = (
                    "Write them below the headings stand and survey_date; or the day into the first"
                    " line of each sheet of stems, 'Surveyed 2021-07-14'."
                )
            missing(name, expected, what_to_do)
    in_plots = _listed_in(frames, "plot")
    in_some = in_plots or "counts" in written.tables  # which have no column of them
    if "plots" not in written.tables and "plots" not in written.unreadable and in_some:
        named = f" ({in_plots})" if in_plots else ""
        missing(
            "plots",
            f"a row for each of its plots{named}, with stand, area_m2 and min_dbh_cm",
            "Write it; or leave the column plot out of trees: results are then about the sampled"
            " trees only, not stems per hectare."
            if any(frames["trees"]["plot"].tolist())
            else "Write it, and add a column plot to trees, with the plot of each stem: with one"
            " plot, its name in each row.",
        )
    if frames["cores"].empty and "cores" not in written.unreadable and not frames["trees"].empty:
        if (frames["trees"]["plot"] != "").any():
            written.notes.append(
                "there are no cores: stems are dated by size alone, from the species profile, with"
                " wide intervals"
            )
        else:
            missing(
                "cores",
                "cores, or trees in plots",
                "Without cores, only stems listed in plots can be dated, by size.",
            )
    optional = [each.name for each in TABLES if not each.needed]
    blank = [
        written.files[name] for name in optional if name in written.tables and frames[name].empty
    ]
    if blank:
        written.notes.append(f"a header and no rows, treated as absent: {', '.join(blank)}")


def _stems_of_planted_stands(frames: Mapping[str, pd.DataFrame], notes: list[str]) -> None:
    """Stems without an origin are planted where their stand is: the delays of natural seedlings
    don't apply to them.
    """
    trees = frames["trees"]
    of = Rows(trees)
    origin = Rows(frames["stands"]).of(of["stand"], "stand", "origin")
    blank = np.asarray((of["origin"] == "") & (origin == "planted"))
    if blank.any():
        trees["origin"] = trees["origin"].where(~blank, "planted").astype(object)
        notes.append(
            f"{counted(int(blank.sum()), 'stem')} without an origin taken for planted, since"
            " their stand is; write natural in trees for those that came by themselves."
        )


def _note_undated(cores: pd.DataFrame, notes: list[str]) -> None:
    """Cores with a first ring year typed and the dating left blank, which means counted."""
    of = Rows(cores)
    number = int((of["first_ring_year"].notna() & (of["dating"] == "")).sum())
    if number:
        have = "has" if number == 1 else "have"
        notes.append(f"{counted(number, 'core')} {have} a first ring year and {UNDATED}")


def _take_counts_behind_lost_rings(frames: Mapping[str, pd.DataFrame], notes: list[str]) -> None:
    """A count behind lost outer rings is a least number, in place: up to the last ring that is
    written of a dead tree, else up to the season; of a live one nobody knows a year that is
    written.
    """
    cores, trees = frames["cores"], frames["trees"]
    of, dead = Rows(cores), set(trees["tree"][trees["status"].isin(["dead", "stump"])])
    least = (of["outer_ring"] == "lost") & (of["dating"] == "counted") & (of["at_least"] == "no")
    least &= of["ring_count"].notna() & of["first_ring_year"].isna()
    least = np.asarray(least & (of["last_ring_year"].isna() | of["tree"].isin(dead)))
    if least.any():
        cores["at_least"] = cores["at_least"].where(~least, "yes").astype(object)
        notes.append(
            f"the rings counted of {counted(int(least.sum()), 'core')} with lost outer rings are"
            " taken for a least number"
        )


def _listed_in(frames: Mapping[str, pd.DataFrame], column: str) -> str:
    """The names of stands or plots that trees and counts are in."""
    first: dict[str, str] = {}
    for of, frame in frames.items():
        for name in (
            dict.fromkeys(frame[column].tolist()) if column in frame and of != "plots" else ()
        ):
            if name.casefold() not in {"", *OUTSIDE, *NOT_RECORDED}:
                first.setdefault(alike(name), name)
    return _named(list(first.values()))


def _fill_defaults(frames: dict[str, pd.DataFrame]) -> None:
    """Defaults of single cells, and the survey date where a core has none."""
    for each in TABLES:
        frame = frames[each.name]
        for column in each.columns:
            if not column.default or frame.empty:
                continue
            cells = frame[column.name].tolist()
            if "" in cells:
                filled = np.array([cell or column.default for cell in cells], dtype=object)
                frame[column.name] = pd.Series(filled, dtype=object)
    cores = frames["cores"]
    if not np.isnat(cores["core_date"].to_numpy()).any():
        return
    stand = Rows(frames["trees"]).of(cores["tree"], "tree", "stand", "")
    surveyed = Rows(frames["stands"]).of(stand, "stand", "survey_date")
    taken = cores["core_date"].to_numpy()
    cores["core_date"] = np.where(np.isnat(taken), surveyed, taken)


def _take_low_stems(trees: pd.DataFrame, notes: list[str]) -> None:
    """Stems below breast height have no diameter there: blank from here on, in place."""
    low = trees["dbh_cm"].to_numpy() == 0
    if low.any():
        number = int(low.sum())
        notes.append(
            f"{number} {'stem is' if number == 1 else 'stems are'} below breast height (dbh_cm 0):"
            " dated by core only, never by size"
        )
        trees["dbh_cm"] = trees["dbh_cm"].where(~low)


def _main_species(trees: pd.DataFrame, keys: tuple[str, ...]) -> str:
    """The commonest species with a profile; of equals the first in the alphabet."""
    numbers = Counter(species for species in trees["species"].tolist() if species in keys)
    return min(numbers, key=lambda species: (-numbers[species], species))


def _note_main_species(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    main: str,
    keys: tuple[str, ...],
    notes: list[str],
) -> None:
    """Rows without a species, taken as the main one, where stems are of several that have a
    profile.
    """
    if not set(frames["trees"]["species"].tolist()).intersection(keys) - {main}:
        return
    for name in ("counts", "known_age_stems"):
        if (frames[name]["species"] == "").any():
            number = int((frames[name]["species"] == "").sum())
            notes.append(
                f"{files[name]}: {counted(number, 'row')} without a species taken for {main}, the"
                " main species of the stems; write the species where it is another"
            )


def _note_what_is_missing(frames: Mapping[str, pd.DataFrame], notes: list[str]) -> None:
    cores, trees, plots = (Rows(frames[name]) for name in ("cores", "trees", "plots"))
    if not len(plots):
        notes.append(
            "there are no plots: results are about the sampled trees, not stems per hectare"
        )
    cored = trees["tree"].isin(set(cores["tree"]))
    unsized = (trees["status"] == "live") & (trees["plot"] != "") & trees["dbh_cm"].isna()
    for kind, of in (
        ("dated by their cores alone", trees["tree"][unsized & cored]),
        ("which nothing dates", trees["tree"][unsized & ~cored]),
    ):
        if len(of):
            stems = counted(len(of), "live stem")
            notes.append(
                f"{stems} in plots without a diameter, {kind}, and not among the stems per hectare"
                f" nor in the basal area: {_named(of.tolist())}"
            )
    without_height = int(cores["height_cm"].isna().sum())
    if without_height and not any(note.endswith(NO_HEIGHTS) for note in notes):
        notes.append(
            f"{without_height} of {len(cores)} cores without coring height: their trees are dated"
            " at coring height only"
        )
    outside = (
        (trees["plot"] == "")
        & trees["stand"].isin(set(plots["stand"]))
        & ~trees["tree"].isin(set(cores["tree"]))
    )
    if outside.any():
        notes.append(
            "outside the plots and without a core, so that nothing dates or counts them:"
            f" {int(outside.sum())} of the trees ({_named(trees['tree'][outside].tolist())})"
        )
    with_trees = set(trees["stand"])
    for stand in frames["stands"]["stand"]:
        if stand not in with_trees:
            notes.append(f"stand {stand} has no trees")
    empty_plots = sorted(set(plots["plot"]) - set(trees["plot"]))
    if empty_plots:
        notes.append(f"plots without a listed stem, taken as found empty: {', '.join(empty_plots)}")


def _named(names: Sequence[str]) -> str:
    """The first names, and how many more."""
    more = len(names) - TREES_NAMED
    return ", ".join(names[:TREES_NAMED]) + (f" and {more} more" if more > 0 else "")
