"""Speed of the release criteria and of the change-point model.

    python tests/benchmarks/release_speed.py [--series N] [--years N]

Prints seconds for invented series, compiled code loaded before the clocks run, as a markdown table:
as they passed, and of the processors, which other work on the machine does not lengthen.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from standage.growth.release_criteria import CRITERIA, found_changes
from standage.growth.release_model import changes_of_trees, log_widths


def invented_widths(series: int, years: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    noise = np.zeros((series, years))
    for year in range(1, years):
        noise[:, year] = 0.4 * noise[:, year - 1] + rng.normal(0, 0.25, series)
    steps = (rng.random((series, years)) < 0.01) * rng.normal(0.2, 0.5, (series, years))
    return np.exp(0.7 - 0.006 * np.arange(years) + np.cumsum(steps, axis=1) + noise)


def _since(began: float, worked: float) -> str:
    return f"{time.perf_counter() - began:.2f} | {time.process_time() - worked:.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--series", type=int, default=250)
    parser.add_argument("--years", type=int, default=200)
    options = parser.parse_args()
    widths = invented_widths(options.series, options.years)
    years = np.arange(2020 - options.years, 2020)
    print("| what | series x years | seconds passed | of the processors |\n|---|---|---:|---:|")
    for criterion in CRITERIA.values():
        began, worked = time.perf_counter(), time.process_time()
        found_changes(widths, years, criterion)
        print(
            f"| {criterion.name} | {options.series} x {options.years} | {_since(began, worked)} |"
        )
    changes_of_trees(
        [np.log(widths[0])] * 2, np.random.default_rng(1)
    )  # what is compiled on first use
    for threads in (1, 2):
        began, worked = time.perf_counter(), time.process_time()
        changes_of_trees(
            [log_widths(row) for row in widths], np.random.default_rng(1), threads=threads
        )
        print(
            f"| change_point, {threads} threads | {options.series} x {options.years} |"
            f" {_since(began, worked)} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
