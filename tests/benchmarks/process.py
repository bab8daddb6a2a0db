"""Whole processes: `standage run` on one stand of the demo survey beside a process that only starts
PyMC and nutpie and samples.

    python tests/benchmarks/process.py [--stand NAME] [--times N] [--cold] [--demo]

Both are started in turn, N times, and timed from start to end; least, median and ratio are printed
as a markdown table. The other process imports pymc, compiles a model of one normal variable for
nutpie and samples it with standage's numbers of chains, draws and steps: what any program built on
these libraries pays before its own model. With warm caches each is run once before it is timed;
with `--cold` every process gets new, empty caches. `--demo` adds the whole demo survey, all stands
jointly, once.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

PROJECT = Path(__file__).resolve().parents[2]
DEMO = PROJECT / "demo" / "longleaf-survey"
# exit code of a run whose fit fails its checks; all tables are written all the same
FAILED_CHECKS = 3

TRIVIAL = """
import nutpie, pymc as pm
with pm.Model() as model:
    pm.Normal("one")
trace = nutpie.sample(nutpie.compile_pymc_model(model), draws=1000, tune=300, chains=4, cores=2, seed=1, progress_bar=False)
assert trace.posterior["one"].shape == (4, 1000)
"""


def cut_out(stand: str, survey: Path, folder: Path) -> Path:
    """The tables of one stand of a survey, cell by cell as they stand there. Raises ValueError if
    there is no such stand.
    """

    def read(name: str) -> pd.DataFrame:
        return pd.read_csv(survey / f"{name}.csv", dtype=str, keep_default_na=False)

    stands = read("stands")
    if stand not in set(stands["stand"]):
        raise ValueError(f"no stand {stand}; there are {', '.join(stands['stand'])}")
    plots, trees = read("plots"), read("trees")
    plots, trees = plots[plots["stand"] == stand], trees[trees["stand"] == stand]
    cores, counts, events, sections = (
        read("cores"),
        read("counts"),
        read("events"),
        read("known_age_stems"),
    )
    kept = {
        "stands": stands[stands["stand"] == stand],
        "plots": plots,
        "trees": trees,
        "cores": cores[cores["tree"].isin(trees["tree"])],
        "counts": counts[counts["plot"].isin(plots["plot"])],
        "events": events[events["stand"].isin(["", stand])],
        "known_age_stems": sections[sections["stand"] == stand],
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in kept.items():
        if len(rows):
            rows.to_csv(folder / f"{name}.csv", index=False)
    return folder


def seconds_of(command: list[str], *, cold: bool, allowed: tuple[int, ...] = (0,)) -> float:
    """Seconds from start to end of a process; raises RuntimeError with what it said if it fails."""
    with tempfile.TemporaryDirectory() as empty:
        environment = dict(os.environ)
        if cold:
            environment |= {
                "XDG_CACHE_HOME": empty,
                "PYTENSOR_FLAGS": f"base_compiledir={empty}/pytensor",
            }
            environment.pop("NUMBA_CACHE_DIR", None)
        began = time.perf_counter()
        ended = subprocess.run(
            command,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            cwd=empty,
        )
        seconds = time.perf_counter() - began
    if ended.returncode not in allowed:
        raise RuntimeError(
            f"{' '.join(command[:3])} ended with {ended.returncode}:\n{ended.stderr}"
        )
    return seconds


def run_standage(survey: Path, *, cold: bool) -> float:
    """One run from process start to all tables and figures."""
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "results"
        command = [
            sys.executable,
            "-c",
            "from standage.commands.cli import main; main()",
            "run",
            str(survey),
            "--out",
            str(out),
        ]
        seconds = seconds_of(command, cold=cold, allowed=(0, FAILED_CHECKS))
        if not list(out.glob("*.csv")):
            raise RuntimeError("standage run wrote no tables")
    return seconds


def run_trivial(*, cold: bool) -> float:
    return seconds_of([sys.executable, "-c", TRIVIAL], cold=cold)


def table(timed: dict[str, list[float]], reference: str) -> str:
    """Least and median seconds of each, and their ratios to those of the reference."""
    least, middle = min(timed[reference]), statistics.median(timed[reference])
    lines = [
        "| process | runs | least [s] | median [s] | ratio of least | ratio of medians |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for name, seconds in timed.items():
        own, own_middle = min(seconds), statistics.median(seconds)
        lines.append(
            f"| {name} | {len(seconds)} | {own:.2f} | {own_middle:.2f} | {own / least:.2f} |"
            f" {own_middle / middle:.2f} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--stand", default="oxbell-upland", help="which stand of the demo survey")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--cold", action="store_true", help="empty caches for every process")
    parser.add_argument("--demo", action="store_true", help="the whole demo survey too, once")
    options = parser.parse_args()
    ours, theirs = f"standage run, {options.stand}", "pymc and nutpie, one normal variable"
    timed: dict[str, list[float]] = {theirs: [], ours: []}
    with tempfile.TemporaryDirectory() as scratch:
        survey = cut_out(options.stand, DEMO, Path(scratch) / options.stand)
        if not options.cold:
            run_trivial(cold=False)
            run_standage(survey, cold=False)
        for _ in range(options.times):
            timed[theirs].append(run_trivial(cold=options.cold))
            timed[ours].append(run_standage(survey, cold=options.cold))
        if options.demo:
            timed["standage run, all stands of the demo survey"] = [
                run_standage(DEMO, cold=options.cold)
            ]
    print(f"Caches {'empty' if options.cold else 'warm'}; {os.cpu_count()} processors.\n")
    print(table(timed, theirs))


if __name__ == "__main__":
    main()
