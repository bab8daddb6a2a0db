"""Stands and plots of a sheet that has trees and cores in its rows: a row for each, from what the
rows of its trees say.
"""

from __future__ import annotations

from dataclasses import dataclass

from standage.errors import Problem
from standage.survey.cells.dates import dates_in, order_of
from standage.survey.cells.references import OUTSIDE, alike
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.flat_table import PLOT_COLUMNS
from standage.survey.readings import Reading
from standage.survey.schema import PLOTS, STANDS, Table
from standage.survey.sheets.title_dates import date_by_title
from standage.survey.written import WrittenSurvey, WrittenTable

Row = dict[str, str]


@dataclass
class Part:
    """Rows of one table on their way out of the sheet, with their row numbers."""

    table: Table
    records: list[Row]
    rows: list[int]

    def add(self, record: Row, row: int) -> None:
        self.records.append(record)
        self.rows.append(row)


def stands_of(survey: WrittenSurvey, written: WrittenTable, records: list[Row]) -> Part:
    """A row of stands for each stand: surveyed on the last of its dates."""
    stands = Part(STANDS, [], [])
    dates: dict[str, dict[str, int]] = {}
    names: dict[str, tuple[str, int]] = {}
    column = next((name for name in ("survey_date", "core_date") if name in written.header), None)
    for record, row in zip(records, written.rows, strict=True):
        key = alike(record["stand"])
        if not key:
            continue
        names.setdefault(key, (record["stand"], row))
        if column and record[column].lower() not in {"", *NOT_RECORDED}:
            dates.setdefault(key, {}).setdefault(record[column], row)
    order = order_of(cell for of in dates.values() for cell in of)
    by_title = "" if column or not names else date_by_title(survey)
    for key, (name, row) in names.items():
        row_of_stand = {"stand": name}
        if by_title:
            row_of_stand["survey_date"] = by_title
        if column:
            mine = dates.get(key, {})
            last, row = last_date(mine, order) if mine else ("", row)
            row_of_stand["survey_date"] = last
            if column != "survey_date" or len(mine) > 1 or last not in mine:
                was = f"dates of the rows of {name}" if len(mine) > 1 else "".join(mine)
                why = "survey date of a stand: the last date of its rows"
                if last not in mine:
                    why += f", {order} as others of the column"
                survey.readings.append(Reading(written.file, row, "survey_date", was, last, why))
        stands.add(row_of_stand, row)
    return stands


def settle_order_of_dates(survey: WrittenSurvey, written: WrittenTable, records: list[Row]) -> None:
    """Days of cores that may be either way round, in the order that the dates of all rows show,
    in place: rows without a core show it too.
    """
    cells = [record["core_date"] for record in records] if "core_date" in written.header else []
    order = order_of(dict.fromkeys(cells))
    if not order:
        return
    for record, row, cell in zip(records, written.rows, cells, strict=True):
        days = dates_in(cell)
        if order in days and len(days) > 1:
            record["core_date"] = read = f"{days[order]}"
            why = f"date, {order} as others of the column"
            survey.readings.append(Reading(written.file, row, "core_date", cell, read, why))


def last_date(dates: dict[str, int], order: str) -> tuple[str, int]:
    """The last of several dates and its row, year first where its order is that of others; the
    first that can't be read as one day, so that it is told of. dates: cell to row. order: of the
    column's dates, "" where they show none.
    """
    days = {}
    for cell, row in dates.items():
        found = dates_in(cell)
        if order in found:
            found = {order: found[order]}
        if len(found) != 1:
            return cell, row
        days[cell] = next(iter(found.values()))
    last = max(days, key=lambda cell: days[cell])
    return str(days[last]) if len(dates_in(last)) > 1 else last, dates[last]


LACKING = {"plot_area_m2": "their area", "plot_min_dbh_cm": "the smallest diameter listed"}
LACKING_COLUMNS = {
    "plot_area_m2": "a column 'plot area (m2)'",
    "plot_min_dbh_cm": "a column 'min dbh (cm)'",
}
"""What a sheet lacks of its plots, and where it belongs."""


def plots_of(survey: WrittenSurvey, written: WrittenTable, records: list[Row]) -> Part | None:
    """A row of plots for each plot, where the sheet says how large they are; else a problem."""
    of_plots = [name for name in PLOT_COLUMNS if name in written.header]
    needed = ("plot_area_m2", "plot_min_dbh_cm")
    lacking = [each for each in needed if each not in of_plots]
    if lacking:
        survey.problems.append(
            Problem(
                written.file,
                written.header_row,
                "plot",
                f"plots without {' and '.join(LACKING[each] for each in lacking)}",
                f"a table plots, or {' and '.join(LACKING_COLUMNS[each] for each in lacking)}",
                "Add what lacks; or delete the column plot: results are then about the sampled"
                " trees only, not stems per hectare."
                if written.stack is None
                else "Add them to each sheet, which is taken for a plot; or, where a sheet is a"
                " stand without plots, a column stand.",
            )
        )
        return None
    plots = Part(PLOTS, [], [])
    first: dict[str, tuple[Row, int]] = {}
    for record, row in zip(records, written.rows, strict=True):
        key = alike(record.get("plot", ""))
        if not key or record["plot"].lower() in {*NOT_RECORDED, *OUTSIDE}:
            continue
        mine = {"plot": record["plot"], "stand": record["stand"]}
        mine |= {PLOT_COLUMNS[name]: record[name] for name in of_plots}
        if key not in first:
            first[key] = mine, row
            plots.add(mine, row)
            continue
        known, first_row = first[key]
        for name in of_plots:
            said = record[name]
            if not known[PLOT_COLUMNS[name]]:
                known[PLOT_COLUMNS[name]] = said
            elif said and said != known[PLOT_COLUMNS[name]]:
                survey.problems.append(
                    Problem(
                        written.file,
                        row,
                        name,
                        f"'{said}' for plot '{known['plot']}', of which"
                        f" {written.row_in_words(first_row)} says '{known[PLOT_COLUMNS[name]]}'",
                        "the same in all rows of a plot",
                        "Correct one of the two.",
                    )
                )
    return plots
