"""Speed of the release criteria and of the change-point model.

    python tests/benchmarks/release_speed.py [--series N] [--years N]

Prints seconds for invented series, compiled code loaded before the clock runs, as a markdown table.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from standage.findings.release_criteria import CRITERIA, found_changes
from standage.findings.release_model import changes_of_trees, log_widths


def invented_widths(series: int, years: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    noise = np.zeros((series, years))
    for year in range(1, years):
        noise[:, year] = 0.4 * noise[:, year - 1] + rng.normal(0, 0.25, series)
    steps = (rng.random((series, years)) < 0.01) * rng.normal(0.2, 0.5, (series, years))
    return np.exp(0.7 - 0.006 * np.arange(years) + np.cumsum(steps, axis=1) + noise)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=250)
    parser.add_argument("--years", type=int, default=200)
    options = parser.parse_args()
    widths = invented_widths(options.series, options.years)
    years = np.arange(2020 - options.years, 2020)
    print("| what | series x years | seconds |\n|---|---|---:|")
    for criterion in CRITERIA.values():
        began = time.perf_counter()
        found_changes(widths, years, criterion)
        print(f"| {criterion.name} | {options.series} x {options.years} | {time.perf_counter() - began:.2f} |")
    changes_of_trees([np.log(widths[0])] * 2)  # what is compiled on first use
    for threads in (1, 2):
        began = time.perf_counter()
        changes_of_trees([log_widths(row) for row in widths], threads=threads)
        print(f"| change_point, {threads} threads | {options.series} x {options.years} | {time.perf_counter() - began:.1f} |", flush=True)


if __name__ == "__main__":
    main()
