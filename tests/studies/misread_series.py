"""Do ring widths find out a count that is wrong, and leave a right one alone? Archived series, dated
by those who archived them, are misread on purpose.

    python tests/studies/misread_series.py FILES [--series 40]

FILES is a folder of `*.rwl` files of the public tree-ring archive, each taken for a stand; none is
part of the project. Of each file so many series of 40 rings and more, drawn at random, are fed one
at a time as counted among the others at their archived dates: as they are; with a ring left out at
one place; with 5, 10 or 20 rings left out; with all rings of another year (a wrong label, 7 years
off). A series is of its own tree unless names differ in a last letter alone. Prints a row a file
and misreading: share of series whose likeliest number of years is the true one, mean probability of
the true one with ring widths and without, share that a probability of 0.5 or more puts 5 years off
or more, share of 90 % intervals that hold the truth and their mean width [years].
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd

from standage.evidence import ring_witness
from standage.evidence.gross_errors import GROSS_SHARE, parts, with_eye_errors, with_label_errors
from standage.evidence.ring_count import shift_pmf
from standage.survey.rings.decadal_format import read_decadal

SHIFTS = ring_witness.SHIFTS
FEWEST_RINGS = 40
MISREAD = {"right": 0, "1 ring": 1, "5 rings": 5, "10 rings": 10, "20 rings": 20, "label": 7}
READER_SD, READER_SHARE = 1.0, 0.02  # usual error of a count, about that of the profiles [rings]


def series_of(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Number of the tree of each series, and widths (series, year) [mm], NaN outside."""
    longest = [
        (series.name, max(series.parts, key=lambda part: len(part.widths_mm)))
        for series in read_decadal(path.name, path.read_bytes()).series
        if series.parts
    ]
    start = min(part.first_year for _, part in longest)
    end = max(part.first_year + len(part.widths_mm) for _, part in longest)
    widths = np.full((len(longest), end - start), np.nan)
    for row, (_, part) in enumerate(longest):
        first = part.first_year - start
        widths[row, first : first + len(part.widths_mm)] = part.widths_mm
    trees = [name[:-1] if name[-1:].isalpha() else name for name, _ in longest]
    return np.unique(trees, return_inverse=True)[1], widths


def as_misread(widths: np.ndarray, kind: str, rng: np.random.Generator) -> np.ndarray | None:
    """The series as read; None where it would be too short."""
    there = np.flatnonzero(np.isfinite(widths))
    begin, end, off = there[0], there[-1] + 1, MISREAD[kind]
    read = np.full(len(widths), np.nan)
    if kind == "label":
        read[begin + off :] = widths[begin:-off]
        return read
    if not off:
        return widths
    at = begin + round((end - begin) * rng.uniform(0.4, 0.9))
    if at - off - begin < FEWEST_RINGS // 4:
        return None
    read[at:end] = widths[at:end]
    read[begin + off : at] = widths[begin : at - off]
    return read


def one_series(tree: np.ndarray, widths: np.ndarray, row: int, kind: str, seed: int) -> dict | None:
    """What is found of a series misread in one way."""
    read = as_misread(widths[row], kind, np.random.default_rng([seed, row]))
    if read is None:
        return None
    scores = np.stack(
        [ring_witness.ring_scores(each) for each in (*widths[:row], read, *widths[row + 1 :])]
    )
    there = np.flatnonzero(np.isfinite(read))
    rings, last = np.zeros(len(widths), int), np.zeros(len(widths), int)
    rings[:], last[row], rings[row] = 1, there[-1], there.size
    scale = float(np.hypot(READER_SD, READER_SHARE * there.size))
    rate = max(scale**2 / (2 * there.size), ring_witness.SMALLEST_RATE)
    factors = ring_witness.factors_by_widths(
        scores, tree, last, rings, np.full(len(widths), rate), np.ones(len(widths), dtype=bool)
    )
    label, eye = parts(GROSS_SHARE)
    count = with_label_errors(
        with_eye_errors(shift_pmf(np.array(0.0), np.array(scale), SHIFTS), eye), SHIFTS, label
    )
    found, off = count * factors[row], MISREAD[kind]
    found /= found.sum()
    below = np.cumsum(found)
    low, high = SHIFTS[np.searchsorted(below, (0.05, 0.95))]
    return {
        "likeliest": SHIFTS[found.argmax()] == off,
        "probability": found[off == SHIFTS][0],
        "without": count[off == SHIFTS][0] / count.sum(),
        "five_years_off": found[np.abs(SHIFTS) >= 5].sum() >= 0.5,
        "held": low <= off <= high,
        "width": high - low,
    }


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("files", type=Path)
    parser.add_argument("--series", type=int, default=40)
    options = parser.parse_args()
    table = []
    for path in sorted(options.files.glob("*.rwl")):
        tree, widths = series_of(path)
        long = np.flatnonzero(np.isfinite(widths).sum(axis=1) >= FEWEST_RINGS)
        rng = np.random.default_rng(1)
        chosen = rng.permutation(long)[: options.series]
        for kind in MISREAD:
            found = [one_series(tree, widths, int(row), kind, 2) for row in chosen]
            rows = pd.DataFrame([each for each in found if each is not None])
            if len(rows):
                table.append(
                    {"file": path.stem, "misread": kind, "series": len(rows), **rows.mean()}
                )
    if not table:
        print(f"no series of {FEWEST_RINGS} rings in *.rwl of {options.files}", file=sys.stderr)
        return 1
    print(pd.DataFrame(table).round(2).to_string(index=False))
    return 0


if __name__ == "__main__":
    sys.exit(main())
