"""Which table each file or sheet holds: by its name, by another word for it, by its headings, or as
a mapping file says.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from functools import cache

from standage.errors import Problem
from standage.survey.cells.class_tallies import CLASSES, class_table
from standage.survey.files.form_rows import header_place
from standage.survey.files.headed_tables import OF_STEMS, Rows, columns_of, table_by_headings
from standage.survey.flat_table import ALL_TABLES, FLAT, tables_needed
from standage.survey.readings import Reading
from standage.survey.schema import CORES, PLOTS, STANDS, TABLES, TREES
from standage.survey.sheets.foot_counts import counts_in_no_table
from standage.survey.sheets.note_sheets import (
    LINES_READ,
    holds_notes,
    lines_of_notes,
    take_legends,
)
from standage.survey.sheets.unread_lists import RINGS, list_in_no_table
from standage.survey.synonyms import plain, synonym_list
from standage.survey.written import WrittenSurvey

GUIDE = "how to fill in"
MARKS_SHEET = "standage check"
"""The sheet of a marked copy that lists its messages."""
NOT_TABLES = {"columns", GUIDE, MARKS_SHEET}
"""Files and sheets that standage writes and that hold no data."""

NOT_READ = "is no table of a survey; it was not read"
OF_LISTS = {"species", "status", "crown_class"}
"""Columns of a list of stems that a sheet of cores seldom repeats."""
STACKED = ("flat", "trees", "cores", "counts")
"""Tables that may be written in several sheets, one for each plot."""


@cache
def table_words() -> dict[str, str]:
    """Plain names of files and sheets, and the table each one holds."""
    listed = synonym_list("headings")["tables"]
    words = {plain(word): name for name, of in listed.items() for word in of}
    return words | {plain(each.name): each.name for each in TABLES}


def place_names(
    names: dict[str, str], survey: WrittenSurvey, *, what: str, top: Callable[[str], Rows]
) -> dict[str, list[str]]:
    """Table name to names of files or sheets, several where each may hold a plot. Misspelt names
    become problems, others notes.

    names: stem to full name. what: `file` or `sheet`. top: the first rows of a file or sheet.
    """
    known = [each.name for each in TABLES]
    placed: dict[str, list[str]] = {}
    open_names = {stem: full for stem, full in names.items() if stem not in NOT_TABLES}
    for stem, full in list(open_names.items()):
        mapped = survey.mapping.get(full) or survey.mapping.get(stem)
        if mapped is not None:
            del open_names[stem]
            if mapped.holds:
                _place({mapped.holds: [full]}, placed, survey, what)
    claimed: dict[str, list[str]] = {}
    for stem in list(open_names):
        if stem in known and stem not in placed and not _lists_stems(stem, top, open_names[stem]):
            placed[stem] = [open_names.pop(stem)]
    for stem in list(open_names):
        table = table_words().get(plain(stem))
        if (
            table
            and table not in placed
            and not _lists_stems(table, top, open_names[stem])
            and not _is_of_notes(table, top(open_names[stem]))
        ):
            claimed.setdefault(table, []).append(open_names.pop(stem))
    _tell(claimed, survey, f"name of a {what}")
    _place(claimed, placed, survey, what)
    by_name = {name for name in placed if name in known and placed[name][0] not in survey.mapping}
    _one_sheet_for_both(placed, survey, top, list(open_names.values()))
    own_names = {name if name in placed else FLAT.name: name for name in by_name}
    among = [table for table in ALL_TABLES if table.name not in placed or table.name in STACKED]
    if {"trees", "cores"} & set(placed):
        among = [table for table in among if table is not FLAT]
    claimed = {}
    for stem, full in list(open_names.items()):
        if FLAT not in among and tables_needed(columns_of(top(full), FLAT)):
            continue  # its cores would be lost
        table = table_by_headings(top(full), among)
        if table is None:
            continue
        beside = own_names.get(FLAT.name if table == "trees" and FLAT.name in placed else table)
        if beside is None or _is_named_as(beside, stem):
            claimed.setdefault(table, []).append(open_names.pop(stem))
    if not {FLAT.name, "trees", "cores"} & set(placed):
        _part_borings(claimed, top)
    if FLAT.name in {*placed, *claimed} and "cores" not in {*placed, *claimed}:
        claimed.setdefault(FLAT.name, []).extend(claimed.pop("trees", []))  # plots without a core
    _tell(claimed, survey, f"headings of a {what}")
    _place(claimed, placed, survey, what)
    _more_lists_of_stems(placed, open_names, survey, top, what)
    _lists_without_names(placed, open_names, survey, top, what)
    if not {"trees", FLAT.name} & set(placed):
        for full in open_names.values():
            headings = (cell.strip() for row in top(full) for cell in row)
            classes = next((cell for cell in headings if CLASSES.search(cell)), None)
            if classes is not None:
                survey.problems.append(class_table(full, None, classes))
                survey.unreadable |= {"trees", "stands"}
                return placed
    for stem, full in open_names.items():
        where = f"{survey.book}, sheet {full}" if survey.book else full
        legends = take_legends(where, top(full), survey)
        if asked := counts_in_no_table(where, top(full)) or _list_unread(where, top(full)):
            survey.problems.append(asked)
            survey.notes.append(f"{what} '{full}' {NOT_READ}")
            survey.titles += lines_of_notes(where, top(full)) if holds_notes(top(full)) else []
        elif not _took_notes(full, where, top(full), survey, what):
            missing = [name for name in known if name not in placed]
            _tell_unplaced(stem, full, missing, survey, what, legends=legends)
    return placed


def _lists_stems(table: str, top: Callable[[str], Rows], full: str) -> bool:
    """Whether a sheet named as one of plots lists their stems."""
    if table != PLOTS.name or "area_m2" in columns_of(top(full), PLOTS):
        return False
    return columns_of(top(full), TREES) >= OF_STEMS


def _is_of_notes(table: str, rows: Rows) -> bool:
    """Whether a sheet named as one of stands or plots has notes in place of their list."""
    of = {STANDS.name: STANDS, PLOTS.name: PLOTS}.get(table)
    return of is not None and len(columns_of(rows, of)) < 2 and holds_notes(rows)


def _took_notes(full: str, where: str, rows: Rows, survey: WrittenSurvey, what: str) -> bool:
    """Whether a file or sheet holds notes, whose lines are then titles of the survey; what else it
    has is not read, and said.
    """
    if not holds_notes(rows):
        return False
    survey.titles += lines_of_notes(where, rows)
    note = f"{what} '{full}' {LINES_READ}"
    if any(sum(bool(cell.strip()) for cell in row) > 2 for row in rows):
        note += f"; otherwise it {NOT_READ}"
    survey.notes.append(note)
    return True


def _list_unread(where: str, rows: Rows) -> Problem | None:
    start = header_place(rows, TREES)
    named = columns_of(rows, TREES) | columns_of(rows, CORES)
    return None if start is None else list_in_no_table(where, rows, start, named)


def _part_borings(claimed: dict[str, list[str]], top: Callable[[str], Rows]) -> None:
    """Sheets of cores that repeat the diameters of their stems, and no more of them, beside sheets
    that list stems with their species: cores, in place.
    """
    with_rings, lists = claimed.get(FLAT.name, []), claimed.get(TREES.name, [])
    if "cores" in claimed or not with_rings or not lists:
        return
    of_cores = [columns_of(top(full), FLAT) & OF_LISTS for full in with_rings]
    of_stems = [columns_of(top(full), TREES) & OF_LISTS for full in lists]
    if not any(of_cores) and all("species" in named for named in of_stems):
        claimed["cores"] = claimed.pop(FLAT.name)


def _is_named_as(table: str, stem: str) -> bool:
    """Whether the name of a file or sheet has the table's, or another word for it, in it: `snags`
    beside `trees` is something else, `trees plot 2` more of it.
    """
    words = [word for word, of in table_words().items() if of == table]
    return any(f" {word} " in f" {plain(stem)} " for word in words)


def _tell(claimed: dict[str, list[str]], survey: WrittenSurvey, reason: str) -> None:
    """Several sheets of one kind are told of where they are put together."""
    for table, full in claimed.items():
        as_read = "trees and cores" if table == FLAT.name else table
        if len(full) == 1:
            survey.readings.append(Reading(full[0], None, None, full[0], as_read, reason))


def _place(
    claimed: dict[str, list[str]], placed: dict[str, list[str]], survey: WrittenSurvey, what: str
) -> None:
    """Give each table its files or sheets; several for one that isn't listed by plots are a
    problem.
    """
    for table, full in claimed.items():
        placed[table] = [*placed.get(table, []), *full]
        if len(placed[table]) > 1 and table not in STACKED:
            both = " and ".join(f"'{each}'" for each in placed[table])
            expected = f"one {what} that is '{table}'"
            advice = (
                f"Put their rows below one another in one {what}. A {what} that is something else"
                " needs other headings and another name."
            )
            survey.problems.append(Problem(placed[table][0], None, None, both, expected, advice))
            survey.unreadable.add(table)


def _one_sheet_for_both(
    placed: dict[str, list[str]],
    survey: WrittenSurvey,
    top: Callable[[str], Rows],
    others: Sequence[str],
) -> None:
    """A sheet of trees, or of cores, that holds the other in its rows while no other sheet does."""
    there = {"trees", "cores"} & set(placed)
    if len(there) != 1 or survey.unreadable & {"trees", "cores"}:
        return
    (name,) = there
    full = placed[name][0]
    if full in survey.mapping:
        return
    named = columns_of(top(full), FLAT)
    listed = any(columns_of(top(each), TREES) >= OF_STEMS for each in others)
    if listed and (name == "cores" or "dbh_cm" not in named):
        return  # what a sheet of cores repeats of its trees is held against their list
    if tables_needed(named):
        placed[FLAT.name] = placed.pop(name)
        survey.readings.append(
            Reading(full, None, None, full, "trees and cores", "both in the same rows")
        )


def _more_lists_of_stems(
    placed: dict[str, list[str]],
    open_names: dict[str, str],
    survey: WrittenSurvey,
    top: Callable[[str], Rows],
    what: str,
) -> None:
    """A file or sheet of trees and cores beside one of trees or of cores: only one of them would be
    read, and the stems of the other lost.
    """
    others = [placed[name][0] for name in ("trees", "cores") if name in placed]
    both = placed.get(FLAT.name, [])[:1]
    both += [full for full in open_names.values() if tables_needed(columns_of(top(full), FLAT))]
    if not others or not both:
        return
    found = f"'{both[0]}', with trees and their cores in its rows, beside '{others[0]}'"
    advice = (
        f"Put the stems of both into one {what}, or all trees into one and all cores into another."
        f" A {what} that is something else, as a copy, needs other headings."
    )
    expected = f"one {what} of trees and cores, or one of trees and one of cores"
    survey.problems.append(Problem(both[0], None, None, found, expected, advice))
    for stem in [stem for stem, full in open_names.items() if full == both[0]]:
        del open_names[stem]
    survey.unreadable |= {FLAT.name, "trees", "cores"}


def _lists_without_names(
    placed: dict[str, list[str]],
    open_names: dict[str, str],
    survey: WrittenSurvey,
    top: Callable[[str], Rows],
    what: str,
) -> None:
    """Where nothing lists stems, what has species and diameters does: the columns it lacks are
    asked for, and its cells read with them.
    """
    if {"trees", FLAT.name} & set(placed) or "trees" in survey.unreadable:
        return
    named = {stem: columns_of(top(full), FLAT) for stem, full in open_names.items()}
    lists = [stem for stem, columns in named.items() if {"species", "dbh_cm"} <= columns]
    if not lists:
        return
    both = "cores" not in placed and any(RINGS & named[stem] for stem in lists)
    claimed = {FLAT.name if both else "trees": [open_names.pop(stem) for stem in lists]}
    _tell(claimed, survey, f"headings of a {what}")
    _place(claimed, placed, survey, what)


def _tell_unplaced(
    stem: str, full: str, missing: list[str], survey: WrittenSurvey, what: str, *, legends: bool
) -> None:
    near = difflib.get_close_matches(stem.strip().lower().replace(" ", "_"), missing, 1, 0.8)
    if not near:
        besides = "says what codes mean; otherwise it " if legends else ""
        survey.notes.append(f"{what} '{full}' {besides}{NOT_READ}")
        return
    should = full.replace(stem, near[0])
    survey.problems.append(
        Problem(
            full,
            None,
            None,
            f"a {what} named '{full}'",
            f"'{should}'",
            f"Rename it to '{should}', or to something unlike it if it is not that table.",
        )
    )
    survey.unreadable.add(near[0])
