"""From written cells to typed columns: names of columns, required cells, numbers, dates, codes,
ranges, repeated identifiers.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from itertools import combinations

import numpy as np
import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.files import WrittenTable
from standage.survey.form_rows import TO_METRIC, unit_of
from standage.survey.limits import LONGEST_CELL, LONGEST_NAME, unseen_letter
from standage.survey.schema import Column, Table

EARLIEST_DATE = pd.Timestamp(1800, 1, 1)
"""Increment borers came into use in the middle of the nineteenth century (from memory): earlier
field work is a slip of the pen.
"""

UNIT_ENDINGS = (
    "_cm",
    "_mm",
    "_m2",
    "_m",
    "_ha",
    "_in",
    "_inch",
    "_inches",
    "_ft",
    "_feet",
    "_acres",
    "_ac",
    "_years",
    "_year",
    "_yr",
)
NEAR_MISS = 0.8
"""Similarity (share of letters in common, difflib) from which an unknown column name counts as a
known one misspelt.
"""

MIDNIGHT = r"(?<=^\d{4}-\d{2}-\d{2})[ T]00:00(:00(\.0+)?)?$"
LETTERS_FOR_DIGITS = str.maketrans("OolIS", "00115")
"""Letters that hands and scanners write for digits (common practice, no source)."""

UNFIT, FITTING, CELLS_TRIED = 0.5, 0.9, 200
"""Share of refused cells above which a column is held against the others, share that must fit
there, and how many cells are tried.
"""

ADVISED = 200
"""Different wrong words of a column for which likely ones are looked for; beyond that the column is
another one.
"""

BLANK_WORDS = {"na", "n/a", "nan", "none", "null", "#n/a", "-", ".", "?", "missing", "unknown"}


def typed_table(
    table: Table, written: WrittenTable | None, problems: list[Problem], notes: list[str]
) -> pd.DataFrame:
    """The table as a DataFrame with every column of its definition, then `row` (int64), then
    unknown columns as text.

    Text is str with "" for blank (dtype object), numbers float64 with NaN, dates datetime64[ns]
    with NaT. A cell that cannot be accepted becomes blank and adds to `problems`. written None: no
    rows.
    """
    if written is None:
        written = WrittenTable(table.file, [column.name for column in table.columns], [], [])
    places = _places(table, written, problems, notes)
    rows = np.asarray(written.rows, dtype=np.int64)
    columns = (
        list(zip(*written.cells, strict=True)) if written.cells else [()] * len(written.header)
    )
    data: dict[str, pd.Series] = {}
    unfit: dict[str, pd.Series] = {}
    for column in table.columns:
        if column.name not in places:
            data[column.name] = _typed(
                written.file, column, pd.Series([""] * len(rows), dtype=object), rows, problems
            )
            continue
        text = pd.Series(list(columns[places[column.name]]), dtype=object)
        if column.required == "yes":
            _required(written.file, column, text, rows, problems)
        if not column.is_number and column.kind not in ("date", "code"):
            text = _legible(written.file, column, text, rows, problems)
        data[column.name] = _typed(written.file, column, text, rows, problems)
        refused = (text != "") & (data[column.name].isna() | (data[column.name] == ""))
        if refused.sum() > UNFIT * (text != "").sum():
            unfit[column.name] = text
    _tell_exchanged(table, unfit, written, problems)
    data["row"] = pd.Series(rows, dtype=np.int64)
    known = {column.name for column in table.columns}
    for place, name in enumerate(written.header):
        if name and name not in known:
            data[name if name != "row" else "row (as written)"] = pd.Series(
                list(columns[place]), dtype=object
            )
    frame = pd.DataFrame(data)
    if table.identifier in places:
        _unique(written.file, table.identifier, frame, problems)
    return frame


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
                problems.append(
                    Problem(
                        written.file,
                        written.header_row,
                        None,
                        f"cells in column number {place + 1}, which has no name",
                        "a name in the header",
                        "Name the column in the first row, or empty it.",
                    )
                )
        elif name in seen:
            problems.append(
                Problem(
                    written.file,
                    written.header_row,
                    name,
                    f"the name '{name}' twice in the header",
                    "each column once",
                    "Delete or rename one of the two columns.",
                )
            )
        elif name in known:
            places[name] = place
        else:
            near = near_column(name, known, set(written.header))
            if near is None:
                unknown.append(name)
            else:
                suggested.add(near)
                # read under its right name, so that further complaints are about cells, not about
                # all of them being blank
                places.setdefault(near, place)
                problems.append(
                    Problem(
                        written.file,
                        written.header_row,
                        name,
                        f"the unknown column '{name}'",
                        f"'{near}'",
                        f"Rename it to '{near}' (and mind the unit), or to something unlike any"
                        " column of this table.",
                    )
                )
        seen.add(name)
    for column in table.columns:
        if column.required == "yes" and column.name not in places and column.name not in suggested:
            problems.append(
                Problem(
                    written.file,
                    written.header_row,
                    column.name,
                    f"no column '{column.name}'",
                    f"{column.name}: {column.meaning}",
                    f"Add the column '{column.name}'; names stand in the first row, as in the forms"
                    " of `standage new`.",
                )
            )
    if unknown:
        notes.append(
            f"{written.file}: {'column' if len(unknown) == 1 else 'columns'} {', '.join(unknown)}"
            " not known, kept and not used"
        )
    return places


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
    used = [candidate for candidate in known if candidate != "note"]
    for candidate in used:
        if plain == candidate:
            return candidate
        if _without_unit(plain) == _without_unit(candidate):
            return None if candidate in header else candidate
    near = difflib.get_close_matches(plain, used, 1, NEAR_MISS)
    return near[0] if near else None


def _legible(
    file: str, column: Column, text: pd.Series, rows: np.ndarray, problems: list[Problem]
) -> pd.Series:
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


def _required(
    file: str, column: Column, text: pd.Series, rows: np.ndarray, problems: list[Problem]
) -> None:
    for row in rows[(text == "").to_numpy(dtype=bool)][:TOLD_OF_A_COLUMN]:
        problems.append(
            Problem(
                file,
                int(row),
                column.name,
                "a blank cell",
                column.allowed,
                f"Write it down: {column.meaning}.",
            )
        )


def _typed(
    file: str, column: Column, text: pd.Series, rows: np.ndarray, problems: list[Problem]
) -> pd.Series:
    if column.kind == "date":
        return _dates(file, column, text, rows, problems)
    if column.is_number:
        return _numbers(file, column, text, rows, problems)
    if column.kind == "code":
        return _codes(file, column, text, rows, problems)
    return text


def _numbers(
    file: str, column: Column, text: pd.Series, rows: np.ndarray, problems: list[Problem]
) -> pd.Series:
    written = (text != "").to_numpy(dtype=bool)
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float).copy()
    bad = written & ~np.isfinite(values)
    for place in np.flatnonzero(bad)[:TOLD_OF_A_COLUMN]:
        problems.append(
            Problem(
                file,
                int(rows[place]),
                column.name,
                f"'{text[place]}'",
                column.allowed,
                _advice(column, text[place]),
            )
        )
    values[bad] = np.nan
    if column.kind == "whole":
        broken = written & ~bad & (values != np.round(values))
        for place in np.flatnonzero(broken)[:TOLD_OF_A_COLUMN]:
            problems.append(
                Problem(
                    file,
                    int(rows[place]),
                    column.name,
                    f"'{text[place]}'",
                    column.allowed,
                    "Write a whole number.",
                )
            )
        values[broken] = np.nan
    if column.low is not None and column.high is not None:
        low = values <= column.low if column.above_low else values < column.low
        outside = low | (values > column.high)
        for place in np.flatnonzero(outside)[:TOLD_OF_A_COLUMN]:
            problems.append(
                Problem(
                    file,
                    int(rows[place]),
                    column.name,
                    f"'{text[place]}'",
                    column.allowed,
                    _range_advice(column),
                )
            )
        values[outside] = np.nan
    return pd.Series(values)


def _range_advice(column: Column) -> str:
    if column.unit == "calendar year":
        return "Write the calendar year in four digits."
    if column.unit == "share of stems":
        return "Write a share, not a percentage: 0.3 for 30 percent."
    unit = f" (the unit is {column.unit})" if column.unit else ""
    return f"Check the value and its unit{unit}" + (
        "." if column.required == "yes" else "; leave the cell blank if it was not recorded."
    )


def _advice(column: Column, cell: str) -> str:
    """What to do about a cell that is not a number."""
    if re.fullmatch(r"[-+]?\d+,\d+", cell):
        return (
            "Write a decimal point in place of the comma, and no mark between thousands:"
            f" {cell.replace(',', '.')}."
        )
    if cell.lower() in BLANK_WORDS:
        if column.required == "yes":
            return "Write the value; this column may not be left out."
        return "Leave the cell blank: a blank means 'not recorded'."
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", cell):
        return (
            "The spreadsheet turned the number into a date: format the column as a number and write"
            " the value again."
        )
    if re.fullmatch(r"[<>~=±]+\s*[\d.]+", cell):
        return (
            "Write the best single value; put the doubt into the column for its standard deviation,"
            " or into note."
        )
    if re.fullmatch(r"\[.*\]", cell):
        return "Words in square brackets are the form's: write a value, or empty the cell."
    digits = cell.translate(LETTERS_FOR_DIGITS)
    if digits != cell and re.fullmatch(r"-?\d+(\.\d+)?", digits):
        return (
            "There is a letter in it that looks like a digit; look it up, and write the number"
            f" (perhaps {digits})."
        )
    if column.unit == "calendar year":
        return "Write the calendar year in four digits, without words; remarks belong into note."
    other = re.fullmatch(r"(-?\d+(?:\.\d+)?)\s*(\D+)", cell)
    how = (other and unit_of(other[2])) or ""
    if how == column.unit:
        return f"Write the number alone, without the unit: {other[1]}."
    if (how, column.unit) in TO_METRIC:
        return (
            f"Write the number alone, converted from {how} to {column.unit}"
            f" ({TO_METRIC[how, column.unit]})."
        )
    unit = f" in {column.unit}" if column.unit else ""
    return f"Write the number alone{unit}, without words or unit; remarks belong into note."


def _tell_exchanged(
    table: Table, unfit: dict[str, pd.Series], written: WrittenTable, problems: list[Problem]
) -> None:
    """Two columns whose cells fit under each other's name and not under their own: a problem more,
    which explains the others.
    """

    def fits(name: str, text: pd.Series) -> bool:
        some = text[text != ""].head(CELLS_TRIED).reset_index(drop=True)
        refused: list[Problem] = []
        _typed(written.file, table.column(name), some, np.arange(len(some)), refused)
        return len(refused) <= (1 - FITTING) * len(some)

    typed = [
        name
        for name in unfit
        if table.column(name).is_number or table.column(name).kind in ("date", "code")
    ]
    for one, other in combinations(typed, 2):
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


def _dates(
    file: str, column: Column, text: pd.Series, rows: np.ndarray, problems: list[Problem]
) -> pd.Series:
    written = (text != "").to_numpy(dtype=bool)
    text = text.str.replace(
        MIDNIGHT, "", regex=True
    )  # a workbook saved as CSV may show the time of a date, as a workbook stores it
    shaped = text.str.fullmatch(r"\d{4}-\d{2}-\d{2}").to_numpy(dtype=bool)
    # In microseconds until the range is checked: nanoseconds end in 2262, and a slip of the pen may
    # lie beyond.
    dates = pd.Series(pd.NaT, index=text.index, dtype="datetime64[us]")
    if shaped.any():
        dates[shaped] = pd.to_datetime(text[shaped], format="%Y-%m-%d", errors="coerce").astype(
            "datetime64[us]"
        )
    for place in np.flatnonzero(written & dates.isna().to_numpy())[:TOLD_OF_A_COLUMN]:
        problems.append(
            Problem(
                file,
                int(rows[place]),
                column.name,
                f"'{text[place]}'",
                "a date written YYYY-MM-DD, e.g. 2019-05-12",
                _date_advice(text[place]),
            )
        )
    today = pd.Timestamp(dt.date.today())
    out_of_range = ((dates > today) | (dates < EARLIEST_DATE)).to_numpy()
    for place in np.flatnonzero(out_of_range)[:TOLD_OF_A_COLUMN]:
        found = "in the future" if dates[place] > today else "before 1800"
        problems.append(
            Problem(
                file,
                int(rows[place]),
                column.name,
                f"'{text[place]}', a date {found}",
                f"a date from 1800-01-01 to today, {today.date()}",
                "Correct the date.",
            )
        )
    dates[out_of_range] = pd.NaT
    return dates.astype("datetime64[ns]")


def _date_advice(cell: str) -> str:
    if re.fullmatch(r"\d{5}(\.\d+)?", cell):
        return (
            "This is a spreadsheet's own day number: format the column as YYYY-MM-DD before saving"
            " as CSV."
        )
    if re.fullmatch(r"\d{4}", cell):
        return (
            f"Write a full date; if only the year is known, write {cell}-12-31 (the season of"
            f" {cell}), and say so in note."
        )
    if re.fullmatch(r"\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}", cell):
        return "Day and month could be either way round: write year-month-day, YYYY-MM-DD."
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}[ T].*", cell):
        return "Leave out the time of day."
    return "Write the date as YYYY-MM-DD."


def _codes(
    file: str, column: Column, text: pd.Series, rows: np.ndarray, problems: list[Problem]
) -> pd.Series:
    bad = ~text.isin([*column.codes, ""]).to_numpy(dtype=bool)
    if not bad.any():
        return text
    by_plain = {_plain(code): code for code in column.codes}
    told = text[bad].head(TOLD_OF_A_COLUMN)
    advice = {
        value: _code_advice(column, value, by_plain if number < ADVISED else {})
        for number, value in enumerate(told.unique())
    }
    for row, value in zip(rows[told.index], told, strict=True):
        problems.append(
            Problem(
                file,
                int(row),
                column.name,
                f"'{value}'",
                f"one of: {column.allowed}",
                advice[value],
            )
        )
    return text.where(~bad, "").astype(object)


def _code_advice(column: Column, value: str, by_plain: dict[str, str]) -> str:
    """What to do about a word that is none of the column's. by_plain: the words to compare it with,
    by their letters.
    """
    near = difflib.get_close_matches(_plain(value[:100]), list(by_plain), 1, 0.7)
    if near:
        return f"Did you mean '{by_plain[near[0]]}'?"
    if column.required == "yes":
        return "Use one of these words as they stand."
    if value.lower() in BLANK_WORDS:
        return "Leave the cell blank: a blank means 'not recorded'."
    return "Use one of these words as they stand, or leave the cell blank."


def _unique(file: str, identifier: str, frame: pd.DataFrame, problems: list[Problem]) -> None:
    names = frame[identifier]
    repeated = names.duplicated() & (names != "")
    if not repeated.any():
        return
    first = frame.loc[~names.duplicated()].set_index(identifier)["row"]
    for name, row in (
        frame.loc[repeated, [identifier, "row"]].head(TOLD_OF_A_COLUMN).itertuples(index=False)
    ):
        problems.append(
            Problem(
                file,
                int(row),
                identifier,
                f"'{name}' again (first in row {first[name]})",
                f"each {identifier} once",
                f"Give every {identifier} its own name, or delete the repeated row.",
            )
        )
