"""From written cells to typed columns: names of columns, required cells, repeated identifiers. The
cells themselves: `cell_values`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from itertools import chain, combinations

import numpy as np
import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.cells.areas import are_areas
from standage.survey.cells.cell_values import typed
from standage.survey.cells.class_tallies import CLASSES, class_table
from standage.survey.cells.columns_by_values import by_its_cells
from standage.survey.cells.headings import (
    FAR,
    has_two_meanings,
    heading_of,
    like_column,
    without_unit,
)
from standage.survey.cells.quantities import comma_in
from standage.survey.cells.repeated_names import tell_repeated
from standage.survey.cells.second_counts import LIKE_SECOND_COUNTS
from standage.survey.cells.table_cells import (
    BLANK_WORDS,
    COUNT_ADVICE,
    COUNT_EXPECTED,
    NOT_RECORDED,
    TableCells,
    heads_remarks,
    with_extra,
)
from standage.survey.flat_table import FLAT
from standage.survey.limits import LONGEST_CELL, LONGEST_NAME, unseen_letter
from standage.survey.readings import Reading
from standage.survey.schema import TREES, Column, Table
from standage.survey.written import WrittenTable

READERS = (
    " Of columns of two readers one is in this table; the readings of the other are rows of"
    " core_readings."
)
UNIT_ENDINGS = (
    *("_cm", "_mm", "_m2", "_m", "_ha", "_in", "_inch", "_inches", "_ft", "_feet"),
    *("_acres", "_ac", "_years", "_year", "_yr"),
)
OF_THEIR_OWN = {"cored", "core_taken", "was_it_cored", "was_a_core_taken", "was_core_taken"}
"""Headings of crews that are like a column's and none: whether a stem was cored, cores say."""
_OF_A_PLOT = re.compile(r"plot[ _]?#?\d+", re.IGNORECASE)
OF_STEMS = ("trees", "cores")
BESIDE_THE_LIST = (
    "the name of a plot over cells beside the list, most likely counts",
    "a list of stems or cores alone in its sheet",
    "Move what stands beside the list into a sheet of its own (plot, stage, area, count).",
)
"""What is asked of the name of one plot as a heading."""
NEAR_MISS = 0.8
"""Similarity (share of letters in common, difflib) from which an unknown column name counts as a
known one misspelt.
"""

NOT_KNOWN = "not known, kept and not used"
"""How a note on columns ends that are none of the survey's."""
HISTORY = {
    *("history", "disturbance", "disturbances", "burns", "burned"),
    *("management", "treatment", "scars"),
}
"""Words in headings of what happened to a stand or stem (common practice, no source)."""
OF_NO_USE = {"tree height", "total height", "height of tree", "azimuth", "az", "bearing"}
"""Headings of what crews measure of stems besides (common practice, no source)."""
UNREAD = 8
"""Headings that are not read, and are named where a column lacks."""
NUMBERED = {"stand", "plot", "tree", "core"}
ASKS_FOR = {
    "status": re.compile(r"\b(?:alive|dead|living)\b", re.IGNORECASE),
    "rings_to_pith": re.compile(r"\brings?\b.*\bshort\b|\bshort\b.*\brings?\b", re.IGNORECASE),
}
"""Words in headings that ask for a column (common practice, no source)."""
_A_DAY = re.compile(r"(?:^|[- ])(?:19|20)\d\d-\d\d-\d\d(?: 00:00:00)?(?:-[a-zA-Z]|-?\d)?$")
_A_MONTH = re.compile(
    r"(?:^|[- ])(?:\d{1,2}-(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)"
    r"|^(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)-\d{2})(?:-[a-zA-Z]|-?\d)?$"
)
"""Columns of names that are often numbers with a dash, a day in one, and one as spreadsheets write
it into CSV files."""
UNFIT, FITTING, CELLS_TRIED = 0.5, 0.9, 200
"""Share of refused cells above which a column is held against the others, share that must fit
there, and how many cells are tried.
"""


def typed_table(
    table: Table,
    written: WrittenTable | None,
    problems: list[Problem],
    notes: list[str],
    readings: list[Reading] | None = None,
) -> pd.DataFrame:
    """The table as a DataFrame with every column of its definition, then `row` (int64), then
    unknown columns as text.

    Text is str with "" for blank (dtype object), numbers float64 with NaN, dates datetime64[ns]
    with NaT. A cell that cannot be accepted becomes blank and adds to `problems`, one that is read
    otherwise than written adds to `readings`. written None: no rows.
    """
    if written is None:
        return _without_rows(table).copy()
    places = _places(table, written, problems, notes)
    rows = np.asarray(written.rows, dtype=np.int64)
    columns = (
        list(zip(*written.cells, strict=True)) if written.cells else [()] * len(written.header)
    )
    cells = TableCells(
        written.file,
        table.name,
        written.header_row,
        rows,
        problems,
        [] if readings is None else readings,
        written.units,
        written.headings,
        comma=cache(
            lambda: comma_in(
                cell
                for column in table.columns
                if column.is_number and column.name in places
                for cell in columns[places[column.name]]
            )
        ),
    )
    data: dict[str, np.ndarray] = {}
    unfit: dict[str, np.ndarray] = {}
    for column in table.columns:
        there = column.name in places
        column_cells = columns[places[column.name]] if there else [""] * len(rows)
        required = there and column.required == "yes"
        # most columns of most surveys are blank: nothing to read in them
        if not (required or column.name in cells.extra or any(column_cells)):
            data[column.name] = _blank(column, len(rows))
            continue
        text = with_extra(cells, column, np.array(column_cells, dtype=object))
        if not there:
            data[column.name] = typed(cells, column, text)
            continue
        if column.required == "yes":
            _required(written.file, column, text, rows, problems)
        if not column.is_number and column.kind not in ("date", "code"):
            text = _legible(written.file, column, text, rows, problems)
            if column.name in NUMBERED:
                problems += _turned_into_dates(written.file, column, text, rows)
        if column.name == "community" or (column.name == "species" and not column.required):
            text = _without_words_for_blank(cells, column, text)
        data[column.name] = typed(cells, column, text)
        filled, values = text != "", data[column.name]
        refused = filled & (values == "" if values.dtype == object else np.isnan(values))
        if refused.any():
            refused &= [cell.lower() not in BLANK_WORDS for cell in text]
        if refused.sum() > UNFIT * filled.sum():
            unfit[column.name] = text
    _tell_exchanged(table, unfit, written, problems)
    data["row"] = rows
    known = {column.name for column in table.columns}
    for place, name in enumerate(written.header):
        if name and name not in known:
            kept_as = name if name != "row" else "row (as written)"
            data[kept_as] = np.array(columns[place], dtype=object)
    frame = _frame(data)
    if table.identifier in places:
        tell_repeated(written, table.identifier, frame, problems)
    return frame


@cache
def _without_rows(table: Table) -> pd.DataFrame:
    """Of an absent table: copied before it is handed out."""
    data = {column.name: _blank(column, 0) for column in table.columns}
    return _frame({**data, "row": np.zeros(0, dtype=np.int64)})


def _frame(data: Mapping[str, np.ndarray]) -> pd.DataFrame:
    """Columns of equal length as a table, each of its own type: made by type, for a table made
    column by column takes ten times as long; names as objects, for looking one up among pyarrow's
    takes as long as comparing a column.
    """
    alike: dict[np.dtype, list[str]] = {}
    for name, values in data.items():
        alike.setdefault(values.dtype, []).append(name)
    parts = [
        pd.DataFrame(np.array([data[name] for name in names]).T, columns=_names(*names), dtype=kind)
        for kind, names in alike.items()
    ]
    place = {name: number for number, name in enumerate(chain.from_iterable(alike.values()))}
    return pd.concat(parts, axis=1).take([place[name] for name in data], axis=1)


@cache
def _names(*names: str) -> pd.Index:
    return pd.Index(np.array(names, dtype=object), dtype=object)


def _blank(column: Column, rows: int) -> np.ndarray:
    """The cells of a column that says nothing, of the type it has otherwise. (row,)"""
    if column.is_number:
        return np.full(rows, np.nan)
    if column.kind == "date":
        return np.full(rows, np.datetime64("NaT", "ns"))
    return np.full(rows, "", dtype=object)


def _places(
    table: Table, written: WrittenTable, problems: list[Problem], notes: list[str]
) -> dict[str, int]:
    """Where each known column stands in the file. Repeated, misspelt and missing names are
    problems; unknown ones are noted.
    """
    known = [column.name for column in table.columns]
    places: dict[str, int] = {}
    suggested, unknown, seen = set(), [], set()
    for place, name in enumerate(written.header):
        if not name:
            if any(cells[place] for cells in written.cells):
                found = f"cells in column number {place + 1}, which has no name"
                problems += _of_heading(
                    written,
                    name,
                    None,
                    (
                        found,
                        "a name in the header",
                        "Name the column in the first row, or empty it.",
                    ),
                )
        elif name in seen:
            found = f"the name '{name}' twice in the header"
            advice = "Delete or rename one of the two columns."
            problems += _of_heading(written, name, name, (found, "each column once", advice))
        elif name in known:
            places[name] = place
        else:
            near = near_column(name, known, set(written.header))
            if table.name in OF_STEMS and _OF_A_PLOT.fullmatch(name):
                problems += _of_heading(written, name, name, BESIDE_THE_LIST)
            if near is None or has_two_meanings(table, name):
                unknown.append(name)
            else:
                near = by_its_cells(near, (cells[place] for cells in written.cells))
                advice = (
                    f"Rename it to '{near}' (and mind the unit), or to something unlike any"
                    " column of this table."
                )
                expected = f"'{near}'"
                if near in written.header or near in suggested:
                    expected = "one column of its kind"
                    advice = f"Rename it to something unlike '{near}', which is there.{READERS}"
                suggested.add(near)
                # read under its right name, so that further complaints are about cells, not about
                # all of them being blank
                places.setdefault(near, place)
                found = f"the unknown column '{name}'"
                problems += _of_heading(written, name, name, (found, expected, advice))
        seen.add(name)
    _ask_of_plain_headings(table, written, unknown, {*places, *suggested}, problems)
    suggested |= {each.column or "" for each in problems if each.file == written.file and each.row}
    classes = next((name for name in written.header if CLASSES.search(name)), None)
    if table.name == "trees" and "dbh_cm" not in places and classes is not None:
        problems.append(class_table(written.file, written.header_row, classes))
        return places
    missing = [
        column
        for column in table.columns
        if column.required == "yes" and column.name not in places and column.name not in suggested
    ]
    if not places and len(missing) > 1:
        problems.append(_no_headings(table, written, missing))
        missing = []
    asked = frozenset(each.column or "" for each in problems if each.file == written.file)
    aside = replace(written, set_aside=written.set_aside | asked)
    problems += [missing_column(table, aside, column) for column in missing]
    notes += _notes_of_unknown(table, written, unknown)
    return places


def _ask_of_plain_headings(
    table: Table,
    written: WrittenTable,
    unknown: list[str],
    there: set[str],
    problems: list[Problem],
) -> None:
    """A question on headings that no column is called by, and that ask for what one holds."""
    if table.name not in OF_STEMS:
        return
    for place, name in enumerate(written.header):
        if name not in unknown or name in written.set_aside:
            continue
        for column, pattern in ASKS_FOR.items():
            if column in there or not pattern.search(name):
                continue
            cells = [row[place] for row in written.cells if row[place]]
            if not cells or not (
                any(cell.isdecimal() for cell in cells)
                if column == "rings_to_pith"
                else all(cell.lower() in ("yes", "no", "y", "n") for cell in cells)
            ):
                continue
            found = f"the heading '{name}', which may ask for {column}"
            below = " and write live or dead below it" if column == "status" else ""
            advice = (
                f"If it does, name it {column}{below}; else give it to nothing in a columns.toml"
                " (`standage check SURVEY --draft`)."
            )
            words = (found, "a heading of one meaning", advice)
            problems += _of_heading(written, name, name, words)


def _of_heading(
    written: WrittenTable, name: str, column: str | None, words: tuple[str, str, str]
) -> list[Problem]:
    """A problem with a heading, in each sheet that has it. words: found, expected, what to do."""
    return [Problem(written.file, row, column, *words) for row in written.heading_rows(name)]


def missing_column(table: Table, written: WrittenTable, column: Column) -> Problem:
    """The question for a column that a table lacks."""
    known = {each.name for each in (*table.columns, *FLAT.columns)} | written.set_aside
    unread = [
        each
        for each in written.header
        if each not in {"", *known} and not heads_remarks(each) and heading_of(table, each) is None
    ]
    like = [each for each in unread if like_column(table, each, written.header) == column.name]
    add = f"Add the column '{column.name}'"
    if column.name.endswith("dbh_cm"):
        add += f" (in inches '{column.name.removesuffix('_cm').replace('_', ' ')} (in)')"
    if column.unit == "m2":
        like = [each for each in unread if are_areas(_below(written, each))]
    if unread and (like if column.unit == "m2" else not column.is_number):
        named = ", ".join(f"'{each}'" for each in (like or unread)[:UNREAD])
        of = "one of " if len(like or unread) > 1 else ""
        add = f"If {of}{named} holds it, head that '{column.name}'; else add it"
    return Problem(
        written.file,
        written.header_row,
        column.name,
        f"no column '{column.name}'",
        f"{column.name}: {column.meaning}",
        f"{add} beside the others, which are named in row"
        f" {written.header_row}{_of_subplots(table, column)}.",
    )


def _below(written: WrittenTable, heading: str) -> list[str]:
    at = written.header.index(heading)
    return [row[at] for row in written.cells]


def _of_subplots(table: Table, column: Column) -> str:
    if table.name != "counts" or column.name != "area_m2":
        return ""
    return (
        " (or 'area (ac)'): the area on which the plants of its row were counted, of a subplot or"
        " of all together, not of the plot; where stages differ, in their headings: 'Saplings (1/10"
        " ac)', 'Saplings (50 m2)'"
    )


def _no_headings(table: Table, written: WrittenTable, missing: Sequence[Column]) -> Problem:
    """A table none of whose headings is known: a list in sentences, or one in other words."""
    shown = "; ".join(name for name in written.header if name)[:80]
    needed = ", ".join(column.name for column in missing)
    return Problem(
        written.file,
        written.header_row,
        None,
        f"no heading of a table of {table.name} ('{shown}')",
        f"a row for {table.one_row}, below the headings {needed}",
        "Write it as such rows; or give the file or sheet another name, and it is not read.",
    )


def _notes_of_unknown(table: Table, written: WrittenTable, unknown: Sequence[str]) -> list[str]:
    """What is said of columns that no table has, but for those that a mapping file sets aside."""
    named = [name for name in unknown if name not in written.set_aside]
    remarks = [name for name in named if heads_remarks(name)]
    history = [name for name in named if HISTORY & set(re.findall("[a-z]+", name.lower()))]
    recounts = [name for name in named if LIKE_SECOND_COUNTS.search(name)]
    useless = [name for name in named if table is TREES and _is_of_no_use(name)]
    others = [name for name in named if name not in (*remarks, *history, *recounts, *useless)]
    notes = [f"{written.file}: {', '.join(remarks)} kept and not read"] if remarks else []
    if useless:
        named_so = ", ".join(useless)
        notes.append(f"{written.file}: {named_so}: kept, and nothing is worked out from it")
    if history:
        notes.append(
            f"{written.file}: {', '.join(history)}: what happened, and when, is read from a table"
            f" events (stand, kind, first_year); here it is {NOT_KNOWN}"
        )
    if recounts:
        notes.append(
            f"{written.file}: {', '.join(recounts)}: what another reader counted is read from a"
            f" table core_readings (core, reader, ring_count); here it is {NOT_KNOWN}"
        )
    if others:
        columns = "column" if len(others) == 1 else "columns"
        of = FLAT if table.name in FLAT.like else table  # trees keep what a row of both has more
        like = {
            name: None if _plain(name) in OF_THEIR_OWN else like_column(of, name, written.header)
            for name in others
        }
        named = [f"{name}{_in_sheets(written, name)}{_asked_of(of, like[name])}" for name in others]
        notes.append(f"{written.file}: {columns} {', '.join(named)} {NOT_KNOWN}")
    return notes


def _asked_of(table: Table, like: str | None) -> str:
    """Whether a heading is a column that it is like, with the words that may stand there."""
    if like is None:
        return ""
    column = table.column(like)
    words = f" ({column.allowed})" if column.kind == "code" else ""
    return f" (is it {like}{words}?)"


def _is_of_no_use(heading: str) -> bool:
    """Whether a heading of stems is of what nothing is worked out from; a height in other units
    than those of trees may be that of a core.
    """
    words, unit = without_unit(heading)
    return words in OF_NO_USE or (words == "height" and unit in FAR)


def _in_sheets(written: WrittenTable, name: str) -> str:
    """Of a heading that only some sheets of a stack have: in which."""
    if written.stack is None:
        return ""
    sheets = [part.sheet for part in written.stack.parts if name in part.header]
    if len(sheets) in (0, len(written.stack.parts)):
        return ""
    more = f" and {len(sheets) - 1} more" if len(sheets) > 1 else ""
    return f" in sheet {sheets[0]}{more}"


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


def _without_unit(name: str) -> str:
    return next(
        (name.removesuffix(ending) for ending in UNIT_ENDINGS if name.endswith(ending)), name
    )


def near_column(name: str, known: list[str], header: set[str]) -> str | None:
    """The known column that an unknown name was meant to be, or None.

    A name that differs only in its unit is a near miss unless the known column is there as well:
    `dbh_in` may stand beside `dbh_cm`, and not in place of it. `notes` and the like are harmless,
    for nothing is computed from `note`.
    """
    plain = _plain(name)
    if plain in OF_THEIR_OWN or _OF_A_PLOT.fullmatch(name):
        return None
    used = [candidate for candidate in known if candidate != "note"]
    for candidate in used:
        if plain == candidate:
            return candidate
        if _without_unit(plain) == _without_unit(candidate):
            return None if candidate in header else candidate
    near = difflib.get_close_matches(plain, used, 1, NEAR_MISS)
    return near[0] if near else None


def _legible(
    file: str, column: Column, text: np.ndarray, rows: np.ndarray, problems: list[Problem]
) -> np.ndarray:
    """Text that may stand in tables, pictures and names of files: of some length, and without
    characters that nobody sees.
    """
    free = column.kind == "text" and column.name != "species" and column.name != "community"
    longest = LONGEST_CELL if free else LONGEST_NAME
    clean = text.copy()
    for place, cell in enumerate(text):
        unseen = None if cell.isprintable() else unseen_letter(cell, free=free)
        if len(cell) <= longest and unseen is None:
            continue
        if unseen is None:
            problem = (
                f"{len(cell):,} characters",
                f"at most {longest:,}",
                "Shorten it; remarks belong into note.",
            )
        else:
            code = f"U+{ord(unseen):04X}"
            problem = (
                f"'{cell}', with the character {code}, which nobody sees",
                "plain text",
                "Write the cell anew.",
            )
        problems.append(Problem(file, int(rows[place]), column.name, *problem))
        clean[place] = ""
    return clean


def _turned_into_dates(
    file: str, column: Column, text: np.ndarray, rows: np.ndarray
) -> list[Problem]:
    """Names of stems and cores that a spreadsheet took for days, as 4-05 for 5-Apr."""
    days = [_A_DAY] if ", sheet" in file else [_A_DAY, _A_MONTH]
    found = [
        place
        for place, cell in enumerate(text)
        if len(cell) > 4 and any(day.search(cell) for day in days)
    ]
    return [
        Problem(
            file,
            int(rows[place]),
            column.name,
            f"'{text[place]}', a date that the spreadsheet made of a name like 4-05",
            "the name as it is on the tag",
            "Format the column as text, and write the name anew.",
        )
        for place in found[:TOLD_OF_A_COLUMN]
    ]


def _without_words_for_blank(cells: TableCells, column: Column, text: np.ndarray) -> np.ndarray:
    """Text without `N/A` and the like, by which groups would be made."""
    words = np.array([cell.lower() in NOT_RECORDED for cell in text], dtype=bool)
    for place in np.flatnonzero(words):
        cells.reading(place, column, text[place], "", "not recorded")
    return np.where(words, "", text)


def _required(
    file: str, column: Column, text: np.ndarray, rows: np.ndarray, problems: list[Problem]
) -> None:
    if column.name == "count":
        expected, advice = COUNT_EXPECTED, COUNT_ADVICE
    else:
        expected, advice = column.allowed, f"Write it down: {column.meaning}."
    if column.name == "species":
        expected = "the species of each stem"
        advice = (
            "Write it into each row; if a blank means one species, one line above the headings"
            " says so: `species blank = longleaf`."
        )
    if column.kind == "identifier":
        advice = f"Write it down: {column.meaning}; or delete the row if it is none."
    blank = text == ""
    if column.name == "last_year":  # which the first year would say, could it be read
        asked = {each.row for each in problems if (each.file, each.column) == (file, "first_year")}
        blank &= np.array([row not in asked for row in rows.tolist()], dtype=bool)
    for row in rows[blank][:TOLD_OF_A_COLUMN]:
        problems.append(
            Problem(
                file,
                int(row),
                column.name,
                "a blank cell",
                expected,
                advice,
            )
        )


def _tell_exchanged(
    table: Table, unfit: dict[str, np.ndarray], written: WrittenTable, problems: list[Problem]
) -> None:
    """Two columns whose cells fit under each other's name and not under their own: a problem more,
    which explains the others.
    """

    def fits(name: str, text: np.ndarray) -> bool:
        some = text[text != ""][:CELLS_TRIED]
        refused: list[Problem] = []
        rows = np.arange(len(some))
        typed(
            TableCells(written.file, table.name, 1, rows, refused, [], written.units),
            table.column(name),
            some,
        )
        return len(refused) <= (1 - FITTING) * len(some)

    shaped = [
        name
        for name in unfit
        if table.column(name).is_number or table.column(name).kind in ("date", "code")
    ]
    for one, other in combinations(shaped, 2):
        if fits(one, unfit[other]) and fits(other, unfit[one]):
            found = f"cells that fit '{other}', while those of '{other}' fit '{one}'"
            problems.append(
                Problem(
                    written.file,
                    written.header_row,
                    one,
                    found,
                    "each column under its own name",
                    "Exchange the two names in the header if the columns were mixed up.",
                )
            )
