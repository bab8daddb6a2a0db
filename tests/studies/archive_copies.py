"""Are decadal ring-width files of the public tree-ring archive read value by value as in the
archive's own plain-text copies?

    python tests/studies/archive_copies.py FILES COPIES

FILES is a folder of `*.rwl` files, COPIES one with the archive's plain-text template of the same
names (`NAME-rwl-noaa.txt`: a header of `#` lines, then a table by tabs, a column a series and a row
a year, widths in mm, blank or NA where a series has none). Both are to be had from the archive;
none is part of the project. Prints a row a file, and ends with 1 where any value differs, is
missing or is one too many.
"""

from __future__ import annotations

import io
import sys
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from standage.survey.rings.decadal_format import read_decadal

MISSING = ("", "NA", "NaN", "-999", "-9999")
CLOSE_MM = 5e-4  # half of the last digit


@dataclass(frozen=True)
class Compared:
    """Counts of one file: rings in both, of them absent (width 0), of another width, only in the
    file, only in its copy; problems told.
    """

    file: str
    rings: int
    absent: int
    differ: int
    only_in_file: int
    only_in_copy: int
    problems: int


def rings_of_file(path: Path) -> tuple[dict[tuple[str, int], float], int]:
    """Widths by series and year [mm] as standage reads them, and how many problems it tells."""
    read = read_decadal(path.name, path.read_bytes())
    rings = {
        (plain(series.name), part.first_year + place): float(width)
        for series in read.series
        for part in series.parts
        for place, width in enumerate(part.widths_mm)
    }
    return rings, len(read.problems)


def rings_of_copy(path: Path) -> dict[tuple[str, int], float]:
    """Widths by series and year [mm] of the plain-text template."""
    lines = [
        line
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines()
        if line.strip() and not line.startswith("#")
    ]
    start = next(
        place
        for place, line in enumerate(lines)
        if line.split("\t")[0].strip().lower() in ("age_ce", "year", "age")
    )
    table = pd.read_csv(
        io.StringIO("\n".join(lines[start:])), sep="\t", dtype=str, keep_default_na=False
    )
    years = table.iloc[:, 0].astype(float).astype(int)
    return {
        (plain(name), year): float(cell)
        for name in table.columns[1:]
        for year, cell in zip(years, table[name].str.strip(), strict=True)
        if cell not in MISSING
    }


def plain(name: str) -> str:
    """A series' name as both write it: the table has `_` for blanks and ends its columns in
    `_raw`.
    """
    return "".join(letter for letter in name.upper().removesuffix("_RAW") if letter not in " _\t")


def compare(path: Path, copy: Path) -> Compared:
    rings, problems = rings_of_file(path)
    others = rings_of_copy(copy)
    both = rings.keys() & others.keys()
    return Compared(
        path.name,
        len(both),
        sum(rings[key] == 0 for key in both),
        sum(abs(rings[key] - others[key]) > CLOSE_MM for key in both),
        len(rings.keys() - both),
        len(others.keys() - both),
        problems,
    )


def main() -> int:
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    files, copies = (Path(argument) for argument in sys.argv[1:])
    found = [
        compare(path, copies / f"{path.stem}-rwl-noaa.txt") for path in sorted(files.glob("*.rwl"))
    ]
    if not found:
        sys.exit(f"no .rwl file in {files}")
    print(
        "| file | rings in both | absent rings | differ | only in the file | only in the copy |"
        " problems |"
    )
    print("|---|---|---|---|---|---|---|")
    for each in found:
        print("| " + " | ".join(str(value) for value in vars(each).values()) + " |")
    return int(
        any(
            each.differ or each.only_in_file or each.only_in_copy or each.problems for each in found
        )
    )


if __name__ == "__main__":
    sys.exit(main())
