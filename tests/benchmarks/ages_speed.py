"""Speed of `date_trees`: each cored tree by itself, without the stand model.

    python tests/benchmarks/ages_speed.py [--cores N] [--repeats N]

Prints seconds and milliseconds a core for a simulated survey and for one of ten times the cores,
and of the whole process `standage ages` on both, each the least of its repeats, as a markdown
table.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from standage.evidence import date_trees
from standage.simulate.surveys import small_survey
from standage.survey.reading import read_survey


def least_seconds(work: Callable[[], object], repeats: int) -> float:
    taken = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return min(taken)


def run_ages(folder: Path, scratch: Path) -> None:
    """The command as a process of its own; raises CalledProcessError if it fails."""
    command = [
        sys.executable,
        "-c",
        "from standage.commands.cli import main; main()",
        "ages",
        str(folder),
        "--csv",
        str(scratch / "ages.csv"),
    ]
    subprocess.run(command, check=True, capture_output=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cores", type=int, default=60, help="cores of the smaller survey")
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    print("| cores | date_trees [s] | a core [ms] | whole process [s] |\n|---:|---:|---:|---:|")
    with tempfile.TemporaryDirectory() as scratch:
        for times in (1, 10):
            cores = options.cores * times
            folder = small_survey(3, stems=2 * cores, cores=cores, plots=max(4, cores // 15)).write(
                Path(scratch) / str(times)
            )
            survey = read_survey(folder)
            date_trees(
                survey
                # once before the clock runs: what is loaded or compiled on first use is in the
                # process's time
            )
            seconds = least_seconds(lambda survey=survey: date_trees(survey), options.repeats)
            process = least_seconds(
                lambda folder=folder: run_ages(folder, Path(scratch)), options.repeats
            )
            taken = len(survey.cores)
            print(f"| {taken} | {seconds:.3f} | {1000 * seconds / taken:.2f} | {process:.2f} |")


if __name__ == "__main__":
    main()
