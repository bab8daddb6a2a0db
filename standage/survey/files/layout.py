"""Rows of a file or sheet to a written table: its header found and read, rows that are no data
taken out, every row held to the length of the header.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace

from standage.errors import Problem
from standage.grammar import counted
from standage.survey.cells.headings import columns_named, read_header
from standage.survey.files.form_rows import header_place, take_out_explanations
from standage.survey.files.formula_escapes import unescape
from standage.survey.files.lines_below import below_the_list, beside_a_legend
from standage.survey.flat_table import table_of
from standage.survey.limits import MOST_CELLS, MOST_COLUMNS, TooLarge
from standage.survey.mapping import SheetMapping, note_of_set_aside
from standage.survey.readings import Reading
from standage.survey.schema import STANDS, Table
from standage.survey.sheets.code_legends import begins_a_legend, beside_pairs
from standage.survey.sheets.foot_counts import (
    ask_of_foot,
    ask_of_side_table,
    foot_counts,
    side_table,
)
from standage.survey.sheets.footnotes import is_footnote
from standage.survey.sheets.history_lines import names_events, take_box, tells_of_stand
from standage.survey.sheets.note_sheets import LONGEST
from standage.survey.sheets.numbers_of_rows import NOTHING_ELSE, ROWS_ABOVE, hold_to_rows
from standage.survey.sheets.plot_banners import (
    WITH_BANNERS,
    are_headings_anew,
    plot_by_title,
    plot_of_row,
    take_bare_banners,
    write_plots,
)
from standage.survey.written import Title, WrittenSurvey, WrittenTable, too_large, unreadable_file

LONG_NAME, WORDS_OF_A_REMARK = 40, 6
"""Letters and words of a cell, alone in its row, that is a remark and no name (assumption)."""
BANNER = "a plot named in a row of its own"
OF_SEVERAL_CELLS = ("flat", "trees", "cores", "counts", "plots", "stands")
"""Tables whose rows need more than one cell."""
OTHER_DELIMITERS = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}


def header_of(
    records: Sequence[Sequence[str]], table: Table, mapped: SheetMapping | None
) -> int | None:
    """The place of the header among the records: where a mapping file says, else as it is found."""
    if mapped is not None and mapped.header_row is not None:
        return min(mapped.header_row, len(records)) - 1 if records else None
    return header_place(records, table)


def lay_out(
    file: str,
    records: list[list[str]],
    name: str,
    survey: WrittenSurvey,
    *,
    source: str = "",
    sheet: bool = False,
) -> WrittenTable | None:
    """Strip cells, find the header and read its headings, drop blank rows and rows of units, and
    hold every row to the length of the header. None, and a problem, where that can't be. sheet:
    from a workbook, where blank cells at the end of a row shift nothing.
    """
    mapped = survey.mapping.get(source or file)
    start = header_of(records, table_of(name), mapped)
    if start is None:
        survey.problems.append(
            unreadable_file(
                file,
                "an empty file",
                "a header row with the names of the columns",
                "Write the header and the rows, or remove it if the table is not needed.",
            )
        )
        survey.unreadable.add(name)
        return None
    titles = [
        Title(file, row, " ".join(cell.strip() for cell in record if cell.strip())[:200])
        for row, record in enumerate(records[:start], 1)
        if any(cell.strip() for cell in record)
    ]
    survey.titles += titles
    if titles:
        survey.notes.append(
            f"{file}: the header was found in row {start + 1}; above it only titles are looked at"
        )
    written = [cell.strip() for cell in records[start]]
    full = len(written)
    while written and not written[-1]:
        written.pop()
    if beside := side_table(name, written, records[start + 1 :]):
        named = ", ".join(f"'{cell}'" for cell in written[beside:] if cell)
        survey.problems.append(ask_of_side_table(file, start + 1, written[beside], named))
        written = written[:beside]
        while written and not written[-1]:
            written.pop()
        records = [record[: len(written)] for record in records]
    width = len(written)
    if width > MOST_COLUMNS or width * len(records) > MOST_CELLS:
        most = f"at most {MOST_COLUMNS:,} columns and {MOST_CELLS:,} cells"
        survey.problems.append(
            too_large(file, TooLarge(f"{width:,} columns and {len(records):,} rows\n{most}"))
        )
        survey.unreadable.add(name)
        return None
    if sheet and _holds_no_list(name, written, records[start + 1 :]):
        survey.problems.append(_no_list(file, start + 1, written[0], name))
        survey.unreadable.add(name)
        return None
    header = read_header(
        table_of(name),
        file,
        start + 1,
        written,
        survey.problems,
        survey.readings,
        mapped.columns if mapped is not None else None,
    )
    cells: list[list[str]] = []
    rows: list[int] = []
    longer, repeated = [], []
    again = [cell.lower() for cell in written]
    plot = plot_by_title(name, file, header.names, titles)
    if plot:
        said = f"plot {plot} of the rows below"
        survey.readings.append(Reading(file, None, "plot", f"Plot {plot}", said, BANNER))
    plots: list[str] = []
    banners: list[tuple[int, str, str]] = []
    padded = [0] * width
    numbers: list[Title] = []
    boxed = counted_to = 0
    for row, record in enumerate(records[start + 1 :], start + 2):
        stripped = [cell.strip() for cell in record]
        joined = "".join(stripped)
        if not joined or row <= boxed:
            continue
        if width > 1 and (banner := plot_of_row(name, file, header.names, stripped)):
            text = " ".join(filter(None, stripped))
            plot, said = banner, f"plot {banner} of the rows below"
            survey.readings.append(Reading(file, row, "plot", text[:80], said, BANNER))
            banners.append((row, banner, text))
            continue
        if width > 1 and "\n" not in joined and sum(map(bool, stripped)) == 1:
            line = Title(file, row, joined[:LONGEST])
            if names_events(joined) and (taken := take_box(line, records[row:], survey)):
                boxed = row + taken
                continue
            footnote = is_footnote(joined)
            if footnote or begins_a_legend(joined):
                survey.below.append(line)
                why = "a footnote" if footnote else "a legend"
                survey.readings.append(Reading(file, row, None, joined[:80], "no data", why))
                if not footnote and (rest := beside_pairs(joined)):
                    survey.doubts.append(beside_a_legend(file, row, rest))
                continue
            if name in OF_SEVERAL_CELLS and tells_of_stand(joined):
                survey.below.append(line)
                why = "words on the past of a stand"
                survey.readings.append(Reading(file, row, None, joined[:80], "no data", why))
                continue
            if name in OF_SEVERAL_CELLS and _is_a_remark(joined, width):
                if name == STANDS.name:
                    survey.titles.append(Title(file, row, joined[:LONGEST], of_notes=True))
                if ROWS_ABOVE.match(joined) and NOTHING_ELSE.fullmatch(joined):
                    numbers.append(line)
                    continue
                survey.below.append(line)
                survey.doubts.append(below_the_list(file, row, joined))
                continue
        if stripped != record:
            for place, (cell, bare) in enumerate(zip(record[:width], stripped, strict=False)):
                padded[place] += bare != "" and cell != bare
        if len(stripped) > width:
            beyond = " ".join(filter(None, stripped[width:]))
            if beyond and begins_a_legend(beyond) and not beside_pairs(beyond):
                survey.below.append(Title(file, row, beyond[:LONGEST]))
                survey.readings.append(Reading(file, row, None, beyond[:80], "no data", "a legend"))
            elif beyond:
                wrong = _beyond_headings if sheet else _wrong_length
                survey.problems.append(wrong(file, row, stripped, width))
            elif len(stripped) > full and not sheet:
                longer.append((row, stripped))
            stripped = stripped[:width]
        elif len(stripped) < width:
            survey.problems.append(_wrong_length(file, row, stripped, width))
            stripped += [""] * (width - len(stripped))
        if [cell.lower() for cell in stripped] == again or (
            name in WITH_BANNERS and are_headings_anew(name, header, stripped)
        ):
            repeated.append(row)
            continue
        if not any(stripped):  # nothing of it stands below a heading
            continue
        if "\n" in joined:
            survey.problems += _swallowed(file, row, written, stripped)
        cells.append([unescape(cell) for cell in stripped] if "'" in joined else stripped)
        rows.append(row)
        plots.append(plot)
    survey.readings += [
        Reading(
            file,
            None,
            name,
            f"blanks around {count} cells",
            "the cells alone",
            "blanks around cells",
        )
        for name, count in zip(header.names, padded, strict=True)
        if count
    ]
    survey.readings += [
        Reading(file, row, None, written[0], "no data", "the headings written anew")
        for row in repeated
    ]
    take_bare_banners(survey, file, name, header, banners, cells, rows, plots)
    if any(plots):
        write_plots(header, cells, plots)
    # A comma at the end of every row is a habit of some programs; one at the end of some may be
    # what a decimal comma has pushed out.
    if len(longer) < len(rows) or len({len(cells) for _, cells in longer}) > 1:
        survey.problems += [_wrong_length(file, *each, width) for each in longer]
    cells, rows = take_out_explanations(
        table_of(name), file, header.names, cells, rows, survey.problems, survey.notes, header.units
    )
    for line in numbers:
        above = bisect_left(rows, line.row)
        hold_to_rows(survey, line, counted_to, above)
        counted_to = above
    for first, end in reversed(foot_counts(name, header.names, cells)):
        survey.problems.append(ask_of_foot(file, rows[first], cells[first:end]))
        del cells[first:end], rows[first:end]
    table = WrittenTable(file, header.names, cells, rows, start + 1, header.units, header.written)
    if mapped is not None:
        aside = frozenset(own for own, (column, _) in mapped.columns.items() if not column)
        aside |= {f"{own} (own)" for own in aside}
        table = _with_values(replace(table, set_aside=aside), mapped, survey)
        survey.notes += note_of_set_aside(file, table.header, table.cells, aside)
    return table


def _holds_no_list(name: str, written: list[str], records: Sequence[Sequence[str]]) -> bool:
    """Whether a sheet is of words and what they mean, side by side, below a single title."""
    if len(written) != 1 or columns_named(table_of(name), written):
        return False
    return sum(sum(bool(cell.strip()) for cell in record) > 1 for record in records) > 1


def _no_list(file: str, row: int, title: str, name: str) -> Problem:
    table = table_of(name)
    needed = ", ".join(column.name for column in table.columns if column.required == "yes")
    return unreadable_file(
        file,
        f"no headings of a list, but '{title[:60]}' in row {row} and cells beside each other below",
        f"a row for {table.one_row}, below the headings {needed}",
        "Write such rows into a sheet of this name; a sheet of notes under another name (Notes) is"
        " not read.",
    )


def _is_a_remark(cell: str, width: int) -> bool:
    if ROWS_ABOVE.match(cell):
        return True
    if _is_a_row(cell, width):
        return False
    return len(cell) > LONG_NAME and len(cell.split()) >= WORDS_OF_A_REMARK


def _is_a_row(cell: str, width: int) -> bool:
    """Whether a cell is a row of the list that stands in one cell for its other delimiter."""
    if any(2 * cell.count(mark) >= width for mark in OTHER_DELIMITERS):
        return True
    first, *others = cell.split()
    numbers = any(each.replace(".", "", 1).isdigit() for each in others)
    named = any(map(str.isdigit, first)) and (not first.isdigit() or len(others) == width - 1)
    return numbers and named


def _with_values(table: WrittenTable, mapped: SheetMapping, survey: WrittenSurvey) -> WrittenTable:
    """The table with the values that a mapping file gives for every row, where a row has none."""
    for column, value in mapped.values.items():
        if column in table.header:
            place = table.header.index(column)
            cells = [[*row[:place], row[place] or value, *row[place + 1 :]] for row in table.cells]
            table = replace(table, cells=cells)
        else:
            cells = [[*row, value] for row in table.cells]
            table = replace(table, header=[*table.header, column], cells=cells)
        survey.readings.append(
            Reading(table.file, None, column, "", value, "in every row, by the mapping file")
        )
    return table


def _wrong_length(file: str, row: int, cells: list[str], width: int) -> Problem:
    """A row with more cells than the header, or fewer."""
    advice = "Look for a missing comma; a blank cell still needs its comma."
    if len(cells) > width:
        advice = (
            "Look for a decimal comma or a comma in a note; cells with commas need quotation marks."
        )
    found = f"{len(cells)} cells: {_shortened(cells)}"
    return Problem(file, row, None, found, f"{width} cells, as in the header", advice)


def _beyond_headings(file: str, row: int, cells: list[str], width: int) -> Problem:
    """A row of a sheet with cells right of its last heading."""
    while cells and not cells[-1]:
        cells = cells[:-1]
    found = f"{counted(len(cells), 'cell')}: {_shortened(cells)}"
    expected = f"a heading over each: there {'is' if width == 1 else 'are'} {width}"
    advice = (
        "Head each column that holds something, in the row that names the others; a title may stand"
        " in a row above it."
    )
    return Problem(file, row, None, found, expected, advice)


def _swallowed(file: str, row: int, header: list[str], cells: list[str]) -> list[Problem]:
    """Cells with line ends and commas enough for rows: a quotation mark left open takes rows in, to
    the next one.
    """
    return [
        Problem(
            file,
            row,
            name,
            f"a cell of {cell.count(chr(10)) + 1} lines with as many commas as rows have",
            "a cell without rows of the table in it",
            "Close the quotation mark at the start of the cell; in a long note leave out commas.",
        )
        for name, cell in zip(header, cells, strict=True)
        if (ends := cell.count("\n"))
        and len(header) > 1
        and max(cell.count(mark) for mark in (",", *OTHER_DELIMITERS)) >= (len(header) - 1) * ends
    ]


def _shortened(cells: list[str]) -> str:
    text = ",".join(cells)
    return f"'{text if len(text) <= 80 else text[:77] + '...'}'"
