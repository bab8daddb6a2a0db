"""Simulated surveys as tables: column orders, rounding and writing, the same bytes for the same
survey everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from standage.survey.schema import table

_TABLES = ("stands", "plots", "trees", "cores", "counts", "known_age_stems", "events")
COLUMNS: dict[str, tuple[str, ...]] = {
    name: tuple(column.name for column in table(name).columns) for name in _TABLES
}
_ALWAYS_WRITTEN = ("stands", "trees", "cores")


@dataclass(frozen=True)
class SimulatedSurvey:
    """A survey whose truth is known: `tables` as they would come in, `truth` beside them, both by
    name without `.csv`.

    Truth: `trees` (tree, stand, species, establishment_year, grass_years, years_to_core_height,
    year_at_core_height, year_at_breast_height), `cores` (what each core missed), `living` (stand,
    species, year, living_per_ha as intended, listed_stems as they fell), `pulses` (stand, species,
    start, end, excess stems per ha), `parameters` (stand, species, name, value).
    """

    tables: dict[str, pd.DataFrame]
    truth: dict[str, pd.DataFrame]

    def write(self, folder: str | Path) -> Path:
        """Write the survey to a folder as CSV files and return the folder. The truth is not
        written: see `write_truth`.
        """
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        for name, columns in COLUMNS.items():
            rows = self.tables[name]
            if len(rows) or name in _ALWAYS_WRITTEN:
                always = {c.name for c in table(name).columns if c.required == "yes"}
                used = [
                    column for column in columns if column in always or rows[column].notna().any()
                ]
                _write_csv(rows[used], folder / f"{name}.csv")
        return folder

    def write_truth(self, folder: str | Path) -> Path:
        """Write the truth to a folder of its own, so that nobody reads it by mistake, and return
        the folder.
        """
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        for name, rows in self.truth.items():
            _write_csv(rows, folder / f"{name}.csv")
        return folder

    def __str__(self) -> str:
        sizes = ", ".join(f"{len(rows)} {name}" for name, rows in self.tables.items())
        return f"simulated survey: {sizes}"


def as_table(name: str, rows: list[dict]) -> pd.DataFrame:
    """Rows as a table of the survey with every column in order; what a row does not say is blank.
    Raises KeyError for a column unknown.
    """
    unknown = {column for row in rows for column in row} - set(COLUMNS[name])
    if unknown:
        raise KeyError(f"{name} has no column {', '.join(sorted(unknown))}")
    return (
        pd.DataFrame(rows, columns=list(COLUMNS[name]))
        .astype(object)
        .where(lambda cells: cells.notna(), None)
    )


def _write_csv(rows: pd.DataFrame, path: Path) -> None:
    lines = [",".join(rows.columns)]
    lines += [
        ",".join(_cell(value) for value in row) for row in rows.itertuples(index=False, name=None)
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _cell(value: object) -> str:
    if value is None or value is pd.NaT or value != value:
        return ""
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, float):
        return f"{value:.6g}" if value != int(value) else str(int(value))
    text = str(value)
    return f'"{text}"' if "," in text else text
