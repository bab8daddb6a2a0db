"""One sheet that holds trees and cores in the same rows, the shape in which most crews write."""

from __future__ import annotations

from dataclasses import replace

from standage.survey.schema import CORES, PLOTS, STANDS, TABLES, TREES, Column, Table, table
from standage.survey.synonyms import Meaning, code_meaning

CORE_NOTE = "core_note"
PLOT_COLUMNS = {
    "plot_area_m2": "area_m2",
    "plot_min_dbh_cm": "min_dbh_cm",
    "plot_max_dbh_cm": "max_dbh_cm",
}
"""Columns of a flat sheet that are of its plots, and what they are called there."""

EVIDENCE = ("core", "first_ring_year", "ring_count", "centre", "core_length_mm", "rings_to_pith")
"""Columns of which one is filled where a row holds a core."""


OF_CORES = {
    *("height_cm", "centre", "last_ring_year", "outer_ring"),
    *("rings_to_pith", "pith_distance_mm", "core_length_mm"),
}
"""Columns of cores alone: two of them in a list of stems show that it holds cores, whatever the
heading over their rings."""


def _columns() -> tuple[Column, ...]:
    trees = [
        replace(column, kind="reference", refers_to="trees") if column.name == "tree" else column
        for column in TREES.columns
    ]
    cores = [
        replace(
            column,
            name=CORE_NOTE if column.name == "note" else column.name,
            kind="text" if column.kind == "identifier" else column.kind,
            required="",
        )
        for column in CORES.columns
        if column.name != "tree"
    ]
    plots = [replace(PLOTS.column(of), name=name, required="") for name, of in PLOT_COLUMNS.items()]
    return (*trees, *cores, replace(STANDS.column("survey_date"), required=""), *plots)


FLAT = Table("flat", "a tree, or a core of it", _columns(), like=("trees", "cores"))


def table_of(name: str) -> Table:
    """The table of that name, the flat sheet among them. Raises KeyError."""
    return FLAT if name == FLAT.name else table(name)


def code_in(name: str, column: Column, word: str) -> Meaning:
    """The code that a word stands for in a column of a table; in a flat sheet as in those that it
    holds.
    """
    found = (code_meaning(of, column, word) for of in table_of(name).like or (name,))
    return next((each for each in found if each is not None), None)


def tables_needed(columns: set[str]) -> bool:
    """Whether the columns of a sheet are of trees and of cores, so that its rows may hold both."""
    return (
        "tree" in columns
        and bool({"species", "dbh_cm"} & columns)
        and (
            bool({"first_ring_year", "ring_count"} & columns)
            or len((OF_CORES | {"core"}) & columns) > 1
        )
    )


ALL_TABLES: tuple[Table, ...] = (*TABLES, FLAT)
