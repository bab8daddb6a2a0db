"""Several sheets of one kind, most often one for each plot, put together as one table: read one
under another, the sheet's name being the plot where no column is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

from standage.errors import Problem
from standage.survey.cells.headings import heading_of
from standage.survey.cells.references import alike, cells_of
from standage.survey.files.placing import table_words
from standage.survey.flat_table import FLAT, table_of
from standage.survey.readings import Reading
from standage.survey.schema import TREES
from standage.survey.sheets.group_fill import with_plots_of_groups
from standage.survey.sheets.sheet_dates import with_dates, with_its_date
from standage.survey.sheets.title_plots import said_of_plots, with_titles_of_plots
from standage.survey.units import factor
from standage.survey.written import Stack, WrittenSurvey, WrittenTable, with_column

_NUMBER = re.compile(r"\d+(?:\.\d+)?")
SHEETS_NAMED = 2
"""Sheets that the name of a stack spells out."""
COPIED = 0.5
"""Share of the rows of a sheet that another has too, cell for cell, from which one is a copy
(assumption): two plots seldom share more than a stem.
"""
OF_A_STEM = ("plot", "tree", "species", "dbh_cm")
FEWEST_CELLS = 3
"""Filled cells from which a row is known by them (assumption)."""
ONE_UNDER_ANOTHER = "sheets of one kind, read one under another"
_NO_NAME = re.compile(r"(sheet|table|page|data|tab|form) *\d*", re.IGNORECASE)
"""Names of sheets that nobody gave (common practice, no source)."""
_YEAR = re.compile(r"(?<!\d)(19|20)\d\d(?!\d)")
_COPY = re.compile(
    r"\b(copy|backup|original|orig)\b|\(\d\)|(?<![a-z])old(?=$|(?! ?growth|-growth)[^a-z ])",
    re.IGNORECASE,
)
_NOT_LIVE = re.compile(
    r"(?<![a-z])(dead|snags?|stumps?|cut|removed|removals|logs|logged)(?![a-z])", re.IGNORECASE
)
"""Names of sheets that are copies, and of stems no longer alive (common practice, no source)."""
INSTEAD = (
    'If one is a copy, another survey or another reader\'s, write holds = "" for it into the'
    " draft of `standage check SURVEY --draft`, or take it out."
)

OF_STANDS = (
    "If the sheets are stands, add a column Stand to each, with the names that other sheets give"
    " them. "
)


def take_in(
    read: Mapping[str, Sequence[WrittenTable | None]],
    survey: WrittenSurvey,
    numbers: Mapping[tuple[str, str], set[int]] | None = None,
) -> None:
    """Put the tables that were read into the survey, several sheets of one kind as one. read: by
    name of the table; None for what could not be read. numbers: by file and column, the rows with
    numbers for names.
    """
    tables = {name: [part for part in parts if part is not None] for name, parts in read.items()}
    if "plots" not in tables and FLAT.name in tables:
        tables[FLAT.name] = [
            with_titles_of_plots(part, survey.titles, survey.readings) for part in tables[FLAT.name]
        ]
    for name in {"trees", FLAT.name} & set(tables):
        survey.problems += _stems_not_live(tables[name])
    for name, parts in tables.items():
        if len(parts) == 1:
            survey.tables[name], survey.files[name] = parts[0], parts[0].file
    for name, parts in tables.items():
        if len(parts) > 1 and name not in survey.unreadable:
            _stack_sheets(parts, name, survey)
    for name, table in survey.tables.items():
        stack = table.stack or Stack((table,), (0,))
        for part, before in zip(stack.parts, stack.before, strict=True):
            for (file, column), rows in (numbers or {}).items():
                if file == part.file:
                    mine = survey.numbers.setdefault((name, column), set())
                    mine |= {before + row for row in rows}


def _stack_sheets(parts: Sequence[WrittenTable], name: str, survey: WrittenSurvey) -> None:
    """Put the sheets of a table together, as `survey.tables[name]`. Where their names are not
    plainly those of plots, or they hold the same rows, that is a problem. parts: two or more.
    """
    survey.problems += _empty_ones(parts, name)
    parts = [part for part in parts if part.cells]
    if len(parts) < 2:
        if parts:
            survey.tables[name], survey.files[name] = parts[0], parts[0].file
        return
    if name == FLAT.name:
        parts = with_dates([with_its_date(part, survey) for part in parts], survey)
    survey.files[name] = file = _name_of(parts)
    parts = [_in_unit_of_first(part, parts, name, survey) for part in parts]
    _ask_of_units(parts, name, survey)
    if (copy := _copy(parts, survey)) is not None:
        survey.unreadable.add(name)
        parts = [part for part in parts if part is not copy]
    if len(parts) < 2:
        survey.tables[name], survey.files[name] = parts[0], parts[0].file
        return
    if name != "cores":
        parts = [with_plots_of_groups(part, survey.readings) for part in parts]
    parts = _with_plots(parts, name, survey, file)
    if not _apart(parts, name, survey):
        survey.unreadable.add(name)
        if name == "cores" or any("stand" in part.header for part in parts):
            return
        # asked about, and read on as a stand each, so that what else is wrong comes up with it
        parts = [with_column(part, "stand", part.sheet) for part in parts]
    survey.tables[name] = _stacked(parts, file)


def _stems_not_live(parts: Sequence[WrittenTable]) -> list[Problem]:
    """A question on each sheet of stems that is named after dead or felled ones and says of none
    that it is dead.
    """
    named = [(part, _NOT_LIVE.search(part.sheet)) for part in parts]
    expected = "a column status that says which stems live and which are dead"
    advice = (
        "Write a column Status, with live or dead in each row: stems without it are read as live."
        ' Write holds = "" for the sheet into the draft of `standage check SURVEY --draft` if it is'
        " not to be read."
    )
    return [
        Problem(
            part.file,
            part.header_row,
            "status",
            f"stems without a status in a sheet named '{part.sheet}'",
            expected,
            advice,
        )
        for part, found in named
        if found
        and (len(parts) > 1 or found[0] == part.sheet)
        and not any(cells_of(part, "status"))
    ]


def _empty_ones(parts: Sequence[WrittenTable], name: str) -> list[Problem]:
    """A question on each sheet with headings and no row: nobody knows whether the plot was
    searched.
    """
    found = "headings and no row, in one of several sheets of a kind"
    expected = "rows; or no such sheet"
    advice = (
        "If it is a plot in which nothing stood, write its name under Plot and `none` under the"
        " trees' heading; otherwise delete the sheet."
    )
    if name == "counts":
        advice = (
            "If nothing grew where it was searched, write its plots with the count 0; otherwise"
            " delete the sheet."
        )
    elif name == "cores":
        advice = "Write its cores into it, or delete the sheet."
    return [
        Problem(part.file, None, None, found, expected, advice) for part in parts if not part.cells
    ]


def _name_of(parts: Sequence[WrittenTable]) -> str:
    book, parted, _ = parts[0].file.partition(", sheet ")
    named = ", ".join(part.sheet for part in parts[:SHEETS_NAMED])
    more = f" and {len(parts) - SHEETS_NAMED} more" if len(parts) > SHEETS_NAMED else ""
    return f"{book}, sheets {named}{more}" if parted else f"{named}{more}"


def _stacked(parts: Sequence[WrittenTable], file: str) -> WrittenTable:
    """One table with the columns of all."""
    keys = [_keys(part.header) for part in parts]
    columns = list(dict.fromkeys(key for of in keys for key in of))
    cells: list[list[str]] = []
    rows: list[int] = []
    before: list[int] = []
    last = 0
    for part, of in zip(parts, keys, strict=True):
        before.append(last)
        places = [of.index(key) if key in of else None for key in columns]
        cells += [["" if place is None else row[place] for place in places] for row in part.cells]
        rows += [last + row for row in part.rows]
        last += max([part.header_row, *part.rows])
    return WrittenTable(
        file,
        [column for column, _ in columns],
        cells,
        rows,
        parts[0].header_row,
        _units_of_first(parts),
        {column: own for part in reversed(parts) for column, own in part.headings.items()},
        frozenset().union(*(part.set_aside for part in parts)),
        Stack(tuple(parts), tuple(before)),
    )


def _units_of_first(parts: Sequence[WrittenTable]) -> dict[str, str]:
    """Units of the columns, each as in the first sheet that has the column."""
    first: dict[str, WrittenTable] = {}
    for part in parts:
        for column in part.header:
            first.setdefault(column, part)
    return {name: part.units[name] for name, part in first.items() if name in part.units}


def _keys(header: Sequence[str]) -> list[tuple[str, int]]:
    """Headings, each with how often it was there before."""
    return [(name, header[:place].count(name)) for place, name in enumerate(header)]


def _with_plots(
    parts: Sequence[WrittenTable], name: str, survey: WrittenSurvey, file: str
) -> list[WrittenTable]:
    """The sheets with their names as plots, or as stands where the table of stands has them; what
    each is read as is listed. file: of the stack.
    """
    kind = "trees and cores" if name == FLAT.name else name
    stands, plots = _stands_of_sheets(parts, name, survey), _names_in(survey, "plot")
    column, lacking = "plot", [part for part in parts if not any(cells_of(part, "plot"))]
    if len(stands) == len(parts) and not any(any(cells_of(part, "stand")) for part in parts):
        column, lacking = "stand", list(parts)
    if name == "cores" or _name_their_stands(parts, plots, survey):
        lacking = []
    result, readings = [], []
    for part in parts:
        as_read = kind
        if part in lacking:
            own = stands[part.sheet] if column == "stand" else _plot_name(part.sheet, plots)
            part, as_read = with_column(part, column, own), f"{kind} of {column} {own}"
        readings.append(Reading(file, None, None, part.sheet, as_read, ONE_UNDER_ANOTHER))
        result.append(part)
    survey.readings[:0] = readings  # the first to be looked at
    if column == "plot":
        years = {found[0] if (found := _YEAR.search(part.sheet)) else "" for part in parts}
        of_years = parts if name != "cores" and len(years) > 1 else lacking
        asked = (_asked_of_name(part, part in lacking) for part in of_years)
        survey.problems += [each for each in asked if each is not None][:1]
    return result


def _stands_of_sheets(
    parts: Sequence[WrittenTable], name: str, survey: WrittenSurvey
) -> dict[str, str]:
    """The stand of the other tables that the name of each sheet is, alone or before a word for its
    list (`SR trees`), by sheet; none where two are of one. name: of the table.
    """
    stands = {
        cell
        for table in survey.tables.values()
        for at, own in enumerate(table.header)
        if (of := heading_of(TREES, own) if own else None) and of.column == "stand"
        for cell in {row[at] for row in table.cells} - {""}
    }
    plots, tables = _names_in(survey, "plot"), {name} if name != FLAT.name else {"trees", "cores"}
    lists = [alike(f" {word}") for word, of in table_words().items() if of in tables]
    found: dict[str, str] = {}
    for part in parts:
        own = alike(part.sheet)
        endings = [""] if own in plots else ["", *lists]
        ways = [each for each in sorted(stands) if own in {alike(each) + end for end in endings}]
        found |= {part.sheet: ways[0]} if ways else {}
    return found if len(set(found.values())) == len(found) else {}


def _name_their_stands(
    parts: Sequence[WrittenTable], plots: set[str], survey: WrittenSurvey
) -> bool:
    """Whether all sheets have stands and say nothing of plots: neither by name nor by an area."""
    titles = [each for each in survey.titles if not each.of_notes and "plots" not in survey.tables]
    return all(
        any(cells_of(part, "stand"))
        and "plot_area_m2" not in part.header
        and not any(each.column == "area_m2" for each in said_of_plots(part, titles))
        and alike(part.sheet) not in plots
        and _plot_name(part.sheet, plots) == part.sheet
        for part in parts
    )


def _names_in(survey: WrittenSurvey, column: str) -> set[str]:
    """Names of plots or stands in the other tables."""
    return {cell for table in survey.tables.values() for cell in cells_of(table, column) if cell}


def _plot_name(sheet: str, known: set[str]) -> str:
    """The plot that a sheet is named after: `Plot 3` may be called `3` in other tables."""
    bare = re.sub(r"^plot[\s_-]*", "", sheet, flags=re.IGNORECASE)
    return bare if bare and alike(sheet) not in known and alike(bare) in known else sheet


def _asked_of_name(part: WrittenTable, lacking: bool) -> Problem | None:
    """A question, where the name of a sheet is none of a plot. lacking: whether it has no column of
    plots.
    """
    name = part.sheet
    if _YEAR.search(name):
        what = "a year: another survey of the same stems would list them twice"
    elif lacking and _NO_NAME.fullmatch(name):
        what = "no name of a plot"
    else:
        return None
    if lacking:
        found = f"several sheets of stems without a column plot, and the name '{name}', {what}"
        advice = f"Write a column Plot, or name the sheet after its plot. {INSTEAD}"
    else:
        found = f"one of several sheets of a kind, and the name '{name}', {what}"
        advice = f"If it is the same survey, give it a name without a year. {INSTEAD}"
    return Problem(part.file, part.header_row, "plot", found, "a name of a plot", advice)


def _in_unit_of_first(
    part: WrittenTable, parts: Sequence[WrittenTable], name: str, survey: WrittenSurvey
) -> WrittenTable:
    """A sheet with the numbers of a column whose heading says one unit in the unit that another
    sheet says; as it is where a cell is more than a number.
    """
    for column in (each for each in table_of(name).columns if each.name in part.header):
        first = next(each for each in parts if column.name in each.header)
        unit, other = (each.units.get(column.name, column.unit) for each in (part, first))
        by = factor(unit, other) if unit and other and unit != other else None
        at = part.header.index(column.name)
        filled = [row[at] for row in part.cells if row[at]]
        if not by or not all(_NUMBER.fullmatch(cell) for cell in filled):
            continue
        if _alike_in_size(filled, cells_of(first, column.name)):
            continue  # numbers of one size below two units: a heading may be a slip, and is asked
        cells = [
            [*row[:at], f"{float(row[at]) * by:.6g}" if row[at] else "", *row[at + 1 :]]
            for row in part.cells
        ]
        own = part.headings.get(column.name, column.name)
        why = f"from {unit} to {other}, as the other sheets"
        survey.readings.append(
            Reading(part.file, part.header_row, column.name, own, f"in {other}", why)
        )
        units = {key: each for key, each in part.units.items() if key != column.name}
        if other != column.unit:
            units[column.name] = other
        part = replace(part, cells=cells, units=units)
    return part


def _alike_in_size(cells: Sequence[str], others: Sequence[str]) -> bool:
    """Whether the middle of some numbers is within half as much again of that of others."""
    middles = [
        median(map(float, numbers))
        for each in (cells, others)
        if (numbers := [cell for cell in each if _NUMBER.fullmatch(cell)])
    ]
    return len(middles) == 2 and max(middles) < 1.5 * min(middles)


def _ask_of_units(parts: Sequence[WrittenTable], name: str, survey: WrittenSurvey) -> None:
    """A column in another unit from sheet to sheet is a problem."""
    first: dict[str, tuple[str, WrittenTable]] = {}
    for part in parts:
        for column in part.header:
            known = next((each for each in table_of(name).columns if each.name == column), None)
            if known is None or not known.unit:
                continue
            unit = part.units.get(column, known.unit)
            other, sheet = first.setdefault(column, (unit, part))
            if other != unit:
                found = f"{column} with the unit '{unit or 'none'}', and with"
                found += f" '{other or 'none'}' in sheet '{sheet.sheet}'"
                advice = "Convert the values of one sheet, and head all alike."
                if not unit or not other:
                    advice = "Write the unit into the heading in every sheet."
                expected = "one unit in all sheets of a kind"
                survey.problems.append(
                    Problem(part.file, part.header_row, column, found, expected, advice)
                )


def _copy(parts: Sequence[WrittenTable], survey: WrittenSurvey) -> WrittenTable | None:
    """A sheet that holds the same rows as another, or is a copy by its name: a problem, and the
    others are read on.
    """
    seen: dict[tuple, WrittenTable] = {}
    for part in parts:
        mine = {_as_known(part, row) for row in part.cells if sum(map(bool, row)) >= FEWEST_CELLS}
        same = [seen[row] for row in mine if row in seen]
        other = max(same, key=same.count) if same else parts[parts[0] is part]
        share = same.count(other)
        least = min(len(mine), sum(each is other for each in seen.values()) or len(mine))
        copied = bool(mine) and share >= max(2, COPIED * least)
        if copied or _COPY.search(part.sheet):
            found = f"{share} of {len(part.rows)} rows as in '{other.sheet}'"
            if not copied:
                found = f"a sheet of the same kind as '{other.sheet}', by its name a copy"
            advice = f"{INSTEAD} If it is not, give it another name, and correct its rows."
            survey.problems.append(Problem(part.file, None, None, found, "each row once", advice))
            return part
        seen |= dict.fromkeys(mine, part)
    return None


def _as_known(part: WrittenTable, row: Sequence[str]) -> tuple:
    """What a row is known by: its stem with the diameter, else all of it."""
    cells = sorted(zip(part.header, row, strict=True))
    of_stem = [each for each in cells if each[0] in OF_A_STEM and each[1]]
    return tuple(of_stem if "dbh_cm" in dict(of_stem) else cells)


def _apart(parts: Sequence[WrittenTable], name: str, survey: WrittenSurvey) -> bool:
    """Whether no sheet names what another names; else a problem. Neither do several plots in each
    of several sheets say whether a sheet is a stand.
    """
    own: tuple[str, ...] = ("stand", "plot", "tree")
    if name == "counts":
        own = ("stand", "plot")
    elif name == "cores":
        own = ("core",) if all("core" in part.header for part in parts) else ("tree",)
    first: dict[tuple[str, ...], WrittenTable] = {}
    for part in parts:
        keys = list(zip(*(_named_in(part, column) for column in own), strict=True))
        for place, key in enumerate(keys):
            if not key[-1] or first.setdefault(key, part) is part:
                continue
            shown = " ".join(
                f"{what} '{each}'" for what, each in zip(own, key, strict=True) if each
            )
            found = f"{shown} in this sheet and in '{first[key].sheet}'"
            survey.problems.append(
                Problem(
                    part.file,
                    part.rows[place],
                    own[-1],
                    found,
                    f"each {own[-1]} in one sheet",
                    ("" if name == "cores" else OF_STANDS)
                    + f"If a name is wrong, correct it. {INSTEAD}",
                )
            )
            return False
    if name != "cores":
        _ask_of_stands(parts, name, survey)
    return True


def _named_in(part: WrittenTable, column: str) -> list[str]:
    """Cells of a column of names, also of one that the table hasn't and sheets of stems have, as
    the stand beside the plots of counts.
    """
    for place, heading in enumerate(part.header if column not in part.header else []):
        found = heading_of(TREES, heading) if heading else None
        if found is not None and found.column == column and not found.means:
            cells, above = [alike(row[place]) for row in part.cells], ""
            for at, cell in enumerate(cells):  # written once for its group
                above = cells[at] = cell or above
            return cells
    return cells_of(part, column)


def _ask_of_stands(parts: Sequence[WrittenTable], name: str, survey: WrittenSurvey) -> None:
    """A problem, where it isn't plain in which stand the sheets' plots lie; all else is read on."""
    stands = survey.tables.get("stands")
    plots = [set(cells_of(part, "plot")) - {""} for part in parts]
    if name != FLAT.name or any(any(cells_of(part, "stand")) for part in parts):
        return
    if (stands is not None and len(stands.cells) == 1) or all(len(each) < 2 for each in plots):
        return
    found = "several plots in each of several sheets, and no column stand"
    expected = "it said whether each sheet is a stand of its own"
    advice = "Write a column Stand into each sheet, with the name of the stand in every row."
    survey.problems.append(
        Problem(parts[0].file, parts[0].header_row, "stand", found, expected, advice)
    )
