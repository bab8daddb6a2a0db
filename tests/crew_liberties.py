"""Liberties that crews take when they write a survey, one function each; none changes what a person
reads. A survey is a `Sheets`; functions change it in place.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from openpyxl import Workbook

from standage.survey.schema import Column, table

Random = np.random.Generator


@dataclass
class Sheet:
    """A table on its way to paper. header: the columns' names; heading: how each is written, where
    otherwise; above: rows above the header. written: cells that a liberty was taken with.
    """

    header: list[str]
    cells: list[list[str]]
    name: str
    heading: dict[str, str] = field(default_factory=dict)
    above: list[list[str]] = field(default_factory=list)
    written: set[tuple[int, str]] = field(default_factory=set)

    def columns(self, table_name: str) -> list[tuple[int, Column]]:
        known = {column.name: column for column in table(table_name).columns}
        return [(place, known[name]) for place, name in enumerate(self.header) if name in known]

    def rewrite(self, row: int, place: int, cell: str) -> None:
        """Write a cell otherwise, unless a liberty was taken with it before."""
        if (row, self.header[place]) not in self.written and self.cells[row][place] != cell:
            self.cells[row][place] = cell
            self.written.add((row, self.header[place]))


@dataclass
class Sheets:
    """tables: by their name. book: as a workbook. mark: between the cells of a CSV file."""

    tables: dict[str, Sheet]
    book: bool = False
    mark: str = ","
    start: str = ""

    def write(self, folder: Path) -> Path:
        if self.book:
            book = Workbook()
            book.remove(book.active)
            for sheet in self.tables.values():
                to = book.create_sheet(sheet.name)
                for row in self._rows(sheet):
                    to.append(row)
            book.save(folder / "field book.xlsx")
            return folder / "field book.xlsx"
        for sheet in self.tables.values():
            stream = io.StringIO()
            csv.writer(stream, delimiter=self.mark, lineterminator="\n").writerows(
                self._rows(sheet)
            )
            (folder / f"{sheet.name}.csv").write_text(self.start + stream.getvalue(), "utf-8")
        return folder

    @staticmethod
    def _rows(sheet: Sheet) -> list[list[str]]:
        above = [row + [""] * (len(sheet.header) - len(row)) for row in sheet.above]
        return [*above, [sheet.heading.get(name, name) for name in sheet.header], *sheet.cells]


def sheets_of(folder: Path) -> Sheets:
    """The CSV files of a survey."""
    tables = {}
    for path in sorted(folder.glob("*.csv")):
        header, *cells = csv.reader(io.StringIO(path.read_text("utf-8")))
        tables[path.stem] = Sheet(header, cells, path.stem)
    return Sheets(tables)


def _pick(rng: Random, choices):
    choices = list(choices)
    return choices[int(rng.integers(len(choices)))]


def _cells(sheets: Sheets, rng: Random, wanted: Callable[[Column], bool], share: float = 0.5):
    """Some of the cells of columns of a kind: sheet, row, place, column, cell."""
    for name, sheet in sheets.tables.items():
        for place, column in sheet.columns(name):
            if wanted(column):
                for row, cells in enumerate(sheet.cells):
                    if rng.random() < share:
                        yield sheet, row, place, column, cells[place]


def capitals(sheets: Sheets, rng: Random) -> None:
    kinds = ("code", "reference")
    for sheet, row, place, _, cell in _cells(sheets, rng, lambda c: c.kind in kinds):
        sheet.rewrite(row, place, _pick(rng, (cell.upper(), cell.title())))


def blanks_around_cells(sheets: Sheets, rng: Random) -> None:
    for sheet, row, place, _, cell in _cells(sheets, rng, lambda c: True, 0.1):
        sheet.cells[row][place] = f" {cell} " if cell else cell


def marks_in_names(sheets: Sheets, rng: Random) -> None:
    for sheet, row, place, _, cell in _cells(sheets, rng, lambda c: c.kind == "reference"):
        sheet.rewrite(row, place, cell.replace("-", _pick(rng, "_ ")))


HEADINGS = {
    ("trees", "dbh_cm"): ["DBH (cm)", "Dbh Cm", "DBH [cm]", "Diam. at breast height, cm"],
    ("trees", "tree"): ["Tree", "Tag #", "Stem no."],
    ("trees", "plot"): ["Plot", "Plot No.", "PLOT"],
    ("trees", "species"): ["Species", "Spp.", "Species code"],
    ("trees", "status"): ["Status", "Live/Dead"],
    ("trees", "crown_class"): ["Crown class", "Crown position"],
    ("trees", "stand"): ["Site", "Stand ID"],
    ("cores", "height_cm"): ["Core height (cm)", "coring height [cm]", "Ht of core (cm)"],
    ("cores", "ring_count"): ["Rings", "No. of rings", "Ring count"],
    ("cores", "centre"): ["Centre", "Center", "Pith"],
    ("cores", "core_date"): ["Date cored", "Coring date"],
    ("cores", "core_length_mm"): ["Length of core (mm)", "Core length, mm"],
    ("cores", "first_ring_year"): ["Inner year", "First ring"],
    ("cores", "tree"): ["Tree", "Tag #"],
    ("plots", "area_m2"): ["Plot area (m2)", "Size (m2)", "Area, sq m"],
    ("plots", "min_dbh_cm"): ["Min. DBH (cm)", "Smallest DBH (cm)"],
    ("stands", "survey_date"): ["Survey date", "Date of survey"],
    ("counts", "area_m2"): ["Area searched (m2)", "Subplot area (m2)"],
    ("counts", "count"): ["Number", "Tally", "Count"],
    ("counts", "stage"): ["Stage", "Life stage"],
    ("events", "kind"): ["Kind of event", "Type"],
}


def other_headings(sheets: Sheets, rng: Random) -> None:
    for (name, column), words in HEADINGS.items():
        sheet = sheets.tables.get(name)
        if sheet and column in sheet.header and column not in sheet.heading and rng.random() < 0.7:
            sheet.heading[column] = _pick(rng, words)


def inches_in_the_heading(sheets: Sheets, rng: Random) -> None:
    sheet = sheets.tables["trees"]
    place = sheet.header.index("dbh_cm")
    if any((row, "dbh_cm") in sheet.written for row in range(len(sheet.cells))):
        return
    sheet.heading["dbh_cm"] = _pick(rng, ("DBH (in)", "dbh, inches", "DBH [in.]"))
    for row, cells in enumerate(sheet.cells):
        if cells[place]:
            sheet.rewrite(row, place, f"{float(cells[place]) / 2.54:.12g}")


def units_in_cells(sheets: Sheets, rng: Random) -> None:
    said = {"cm": 2.54, "mm": 25.4}
    for sheet, row, place, column, cell in _cells(sheets, rng, lambda c: c.unit in said):
        own = column.name not in sheet.heading or "in" not in sheet.heading[column.name].lower()
        if cell and own:
            inches = f"{float(cell) / said[column.unit]:.12g} in"
            sheet.rewrite(row, place, _pick(rng, (f"{cell} {column.unit}", inches)))


def marks_between_thousands(sheets: Sheets, rng: Random) -> None:
    for sheet, row, place, _, cell in _cells(sheets, rng, lambda c: c.name == "area_m2", 1.0):
        if cell.isdigit() and len(cell) == 4:
            sheet.rewrite(row, place, f"{cell[0]}{_pick(rng, (' ', chr(39), chr(160)))}{cell[1:]}")


def title_above(sheets: Sheets, rng: Random) -> None:
    for sheet in sheets.tables.values():
        if rng.random() < 0.5:
            sheet.above = [["Field sheets, summer"], *([[]] if rng.random() < 0.5 else [])]


def words_for_not_recorded(sheets: Sheets, rng: Random) -> None:
    def optional(column: Column) -> bool:
        return column.required != "yes" and column.kind in ("number", "whole", "date", "code")

    for sheet, row, place, _, cell in _cells(sheets, rng, optional, 0.3):
        if not cell:
            sheet.rewrite(row, place, _pick(rng, ("N/A", "NA", "-", ".", "?")))


def dates_in_other_orders(sheets: Sheets, rng: Random) -> None:
    for sheet, row, place, _, cell in _cells(sheets, rng, lambda c: c.kind == "date", 0.7):
        if not cell:
            continue
        day = dt.date.fromisoformat(cell)
        ways = [f"{day:%d %B %Y}", f"{day:%B %d, %Y}", f"{day:%Y/%m/%d}", f"{day:%d-%b-%Y}"]
        if day.day > 12:
            ways += [f"{day:%d.%m.%Y}", f"{day:%m/%d/%Y}"]
        sheet.rewrite(row, place, _pick(rng, ways))


NAMES = {"longleaf-pine": ["Longleaf", "Longleaf Pine", "Pinus palustris", "P. palustris", "PIPA2"]}


def other_names_of_species(sheets: Sheets, rng: Random) -> None:
    for sheet, row, place, _, cell in _cells(sheets, rng, lambda c: c.name == "species"):
        sheet.rewrite(row, place, _pick(rng, NAMES.get(cell, [cell])))


CODES = {
    "crown_class": {
        **{"dominant": ["D", "Dom."], "codominant": ["CD", "co-dominant"]},
        **{"intermediate": ["I", "Int."], "suppressed": ["S", "overtopped"]},
    },
    "status": {"live": ["L", "alive"], "dead": ["snag"]},
    "stage": {"grass": ["grass stage"], "emerging": ["bottlebrush"], "sapling": ["Saplings"]},
    "centre": {"pith": ["yes", "hit pith"], "rotten": ["hollow"], "arcs": ["close to pith"]},
}


def other_words_for_codes(sheets: Sheets, rng: Random) -> None:
    for sheet, row, place, column, cell in _cells(sheets, rng, lambda c: c.name in CODES):
        sheet.rewrite(row, place, _pick(rng, CODES[column.name].get(cell, [cell])))


def written_once_for_a_group(sheets: Sheets, rng: Random) -> None:
    """Required names of other tables and of species, where all groups are whole and long enough."""
    for name, column in (("trees", "stand"), ("trees", "species"), ("counts", "plot")):
        sheet = sheets.tables.get(name)
        if sheet is None or column not in sheet.header:
            continue
        place = sheet.header.index(column)
        values = [cells[place].strip() for cells in sheet.cells]
        starts = [row for row, value in enumerate(values) if not row or value != values[row - 1]]
        groups = {values[row].casefold() for row in starts}
        touched = any((row, column) in sheet.written for row in range(len(values)))
        long = len(values) - len(starts) >= max(2, len(starts))
        if not touched and len(groups) == len(starts) and long:
            for row in set(range(len(values))) - set(starts):
                sheet.rewrite(row, place, "")


def ditto_marks(sheets: Sheets, rng: Random) -> None:
    sheet = sheets.tables["trees"]
    place = sheet.header.index("species")
    for row in range(len(sheet.cells) - 1, 0, -1):
        above = sheet.cells[row - 1][place]
        if above and above == sheet.cells[row][place] and rng.random() < 0.5:
            sheet.rewrite(row, place, '"')


def other_names_of_sheets(sheets: Sheets, rng: Random) -> None:
    words = {"trees": ["Tree list", "Stems"], "cores": ["Increment cores", "Core data"]}
    words |= {"counts": ["Seedlings"], "plots": ["Plot list"], "stands": ["Sites"]}
    for name, sheet in sheets.tables.items():
        sheet.name = _pick(rng, words.get(name, [name.title()]))


def columns_in_another_order(sheets: Sheets, rng: Random) -> None:
    for sheet in sheets.tables.values():
        order = rng.permutation(len(sheet.header))
        sheet.header = [sheet.header[place] for place in order]
        sheet.cells = [[cells[place] for place in order] for cells in sheet.cells]


def columns_of_ones_own(sheets: Sheets, rng: Random) -> None:
    for sheet in sheets.tables.values():
        if rng.random() < 0.6:
            sheet.header.append(_pick(rng, ("Crew", "Photo", "Weather")))
            for cells in sheet.cells:
                cells.append(_pick(rng, ("", "AB", "12")))


def a_workbook(sheets: Sheets, rng: Random) -> None:
    sheets.book = True


def semicolons_and_decimal_commas(sheets: Sheets, rng: Random) -> None:
    if sheets.book:
        return
    sheets.mark = ";"
    for sheet, row, place, _, cell in _cells(sheets, rng, lambda c: c.is_number, 1.0):
        if "." in cell and len(cell.rpartition(".")[2]) < 3:
            sheet.rewrite(row, place, cell.replace(".", ","))


def a_mark_of_the_computer(sheets: Sheets, rng: Random) -> None:
    sheets.start = "\ufeff"


def trees_and_cores_in_one_sheet(sheets: Sheets, rng: Random) -> None:
    """Each tree in as many rows as it has cores; in all of them, or in the first alone."""
    trees, cores = sheets.tables["trees"], sheets.tables["cores"]
    both = (set(trees.header) & set(cores.header)) - {"tree"}
    if both or trees.written or cores.written or trees.heading or cores.heading:
        return
    key, at = trees.header.index("tree"), cores.header.index("tree")
    more = [place for place in range(len(cores.header)) if place != at]
    rows = []
    for cells in trees.cells:
        mine = [row for row in cores.cells if row[at] == cells[key]]
        rows += [[*cells, *(row[place] for place in more)] for row in mine]
        rows += [] if mine else [[*cells, *[""] * len(more)]]
    header = [*trees.header, *(cores.header[place] for place in more)]
    del sheets.tables["cores"]
    sheets.tables["trees"] = Sheet(header, rows, "field data")


LIBERTIES: tuple[Callable[[Sheets, Random], None], ...] = (
    trees_and_cores_in_one_sheet,
    a_workbook,
    capitals,
    written_once_for_a_group,
    ditto_marks,
    inches_in_the_heading,
    units_in_cells,
    marks_between_thousands,
    words_for_not_recorded,
    dates_in_other_orders,
    other_names_of_species,
    other_words_for_codes,
    marks_in_names,
    semicolons_and_decimal_commas,
    other_headings,
    other_names_of_sheets,
    columns_in_another_order,
    columns_of_ones_own,
    title_above,
    blanks_around_cells,
    a_mark_of_the_computer,
)
"""In the order in which they are taken: shapes, cells, headings, what stands around them."""
