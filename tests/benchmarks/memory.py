"""Memory of `standage run` on surveys of many small stands, and where in the run it is taken.

    python tests/benchmarks/memory.py [--stands 20 60] [--draws N] [--chains N] [--sampled] [--where]

Each run is a process of its own, whose resident memory, that of its children added, is looked at
ten times a second; the most is printed. Stands are simulated, of some 20 stems and 8 cores; beyond
the twentieth they are repeated under other names. Sampling many stands takes an hour; unless
`--sampled` is given the draws come from a normal distribution round the mode, in the coordinates
that the sampler would walk in: as many numbers, near enough the same ones. `--where` prints of each
step how much memory was taken at most in it and how much it left behind.
"""

from __future__ import annotations

import argparse
import functools
import sys
import tempfile
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import psutil

from standage.simulate.surveys import small_survey
from standage.simulate.tables import SimulatedSurvey

STEMS, CORES, DIFFERENT = 20, 8, 20
NAMES = ("stand", "plot", "tree", "core", "stem")
EVERY = 0.1  # [s]
# exit code of a run whose fit fails its checks; all is written all the same
FAILED_CHECKS = 3
STEPS = {
    "standage.commands.run": ("account", "write_results", "summary", "full_summary"),
    "standage.stand.fit": (
        *("build_stands", "sample", "convergence", "assemble", "date_stems", "expected_counts"),
        *("labelled_draws", "parameter_table", "prior_components"),
    ),
    "standage.results.writing": ("_write_tables", "_write_figures", "provenance"),
    "standage.stand.posterior": ("tree_of", "write_netcdf"),
    "standage.report.page": ("report_html", "tree_cards_html"),
}


def many_stands(stands: int) -> SimulatedSurvey:
    """A survey of so many stands of longleaf pine."""
    different = [
        small_survey(seed, stems=STEMS, cores=CORES).tables
        for seed in range(min(stands, DIFFERENT))
    ]
    tables = [
        {
            name: _renamed(rows, f"s{number:03d}")
            for name, rows in different[number % DIFFERENT].items()
        }
        for number in range(stands)
    ]
    return SimulatedSurvey(
        {name: pd.concat([one[name] for one in tables], ignore_index=True) for name in tables[0]},
        {},
    )


def _renamed(rows: pd.DataFrame, stand: str) -> pd.DataFrame:
    named = [name for name in NAMES if name in rows]
    return rows.assign(**{name: f"{stand}-" + rows[name].astype(str) for name in named})


def most_memory(command: list[str]) -> float:
    """The most that a process and its children have in memory at a time. [bytes] Raises
    RuntimeError where it fails.
    """
    most = 0.0
    with tempfile.TemporaryFile("w+") as said:
        process = psutil.Popen(command, stderr=said)
        while process.poll() is None:
            try:
                family = [process, *process.children(recursive=True)]
                most = max(most, sum(one.memory_info().rss for one in family))
            except psutil.NoSuchProcess:
                pass
            time.sleep(EVERY)
        said.seek(0)
        if process.returncode not in (0, FAILED_CHECKS):
            raise RuntimeError(f"ended with {process.returncode}:\n{said.read()[-2000:]}")
    return most


def run_command(survey: Path, out: Path, draws: int, chains: int) -> list[str]:
    """What runs this script as a process that runs a survey."""
    numbers = ["--draws", str(draws), "--chains", str(chains)]
    return [sys.executable, __file__, "--run", str(survey), str(out), *numbers]


def invented_draws(data: Any, *, seed: int, draws: int, chains: int, every: int, **_: Any) -> Any:
    """Draws as `standage.stand.sampler.sample` gives them, normal round the mode."""
    from standage.stand.draws import Draws
    from standage.stand.kernel.log_density import Kernel
    from standage.stand.sampler import find_mode
    from standage.stand.whitening import from_whitened, whitening

    kernel = Kernel(data)
    mode = find_mode(kernel, np.zeros(kernel.size))
    where = whitening(kernel, data, mode[None])
    generator = np.random.default_rng(seed)
    values = np.empty((chains, draws // every, kernel.size))
    for chain in values:
        for one in chain:
            z = generator.standard_normal(kernel.size)
            one[:] = from_whitened(where.center, where.rows, where.ends, z)
    return Draws(values, 0, 1.0, 1.0, chains * draws, where)


class Steps:
    """Of each step of a run by name: how often, the most memory in it, and what it left. [bytes]"""

    def __init__(self) -> None:
        self.seen: dict[str, list[float]] = {}
        self._most: list[float] = [0.0]

    def watched(self, name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(step)
        def inside(*args: Any, **more: Any) -> Any:
            self._most[-1] = max(self._most[-1], _resident("VmHWM"))
            before = _resident("VmRSS")
            _forget_most()
            self._most.append(0.0)
            began = time.perf_counter()
            try:
                return step(*args, **more)
            finally:
                most = max(self._most.pop(), _resident("VmHWM"))
                self._most[-1] = max(self._most[-1], most)
                _forget_most()
                row = self.seen.setdefault(name, [0, 0.0, 0.0, 0.0])
                row[0] += 1
                row[1] = max(row[1], most)
                row[2] += _resident("VmRSS") - before
                row[3] += time.perf_counter() - began

        return inside

    def __str__(self) -> str:
        lines = ["| step | times | most [MB] | left [MB] | [s] |", "|---|---:|---:|---:|---:|"]
        lines += [
            f"| {name} | {times:.0f} | {most / 1e6:,.0f} | {left / 1e6:,.0f} | {seconds:.1f} |"
            for name, (times, most, left, seconds) in self.seen.items()
        ]
        return "\n".join(lines)


def _resident(field: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(field):
            return 1024.0 * int(line.split()[1])
    raise RuntimeError(f"no {field} here: this needs Linux")


def _forget_most() -> None:
    Path("/proc/self/clear_refs").write_text("5")  # man proc: the peak is what is held now


def one_run(survey: str, out: str, draws: int, chains: int, sampled: bool, where: bool) -> None:
    """`standage run` in this process."""
    fit = import_module("standage.stand.fit")
    if not sampled:
        fit.sample = invented_draws
    steps = Steps()
    if where:
        for module, names in STEPS.items():
            loaded = import_module(module)
            for name in names:
                setattr(loaded, name, steps.watched(name, getattr(loaded, name)))
        findings = import_module("standage.findings.findings").Findings
        for name, table in vars(findings).items():
            if isinstance(table, functools.cached_property):
                table.func = steps.watched(f"findings.{name}", table.func)
    from standage.commands.run import run_survey
    from standage.commands.run_options import RunOptions
    from standage.survey.reading import read_survey

    options = RunOptions(draws=draws, chains=chains, accept_left_out=True)
    run_survey(read_survey(survey), out, options=options, quiet=True)
    if where:
        print(steps)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--stands", type=int, nargs="+", default=[20, 40])
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--chains", type=int, default=4)
    parser.add_argument("--sampled", action="store_true", help="draws by the sampler")
    parser.add_argument("--where", action="store_true", help="what each step takes")
    parser.add_argument("--run", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.run:
        one_run(*options.run, options.draws, options.chains, options.sampled, options.where)
        return
    found = []
    with tempfile.TemporaryDirectory() as scratch:
        for stands in options.stands:
            survey = many_stands(stands).write(Path(scratch) / f"survey-{stands}")
            more = ["--sampled"] * options.sampled + ["--where"] * options.where
            command = run_command(
                survey, Path(scratch) / f"out-{stands}", options.draws, options.chains
            )
            began = time.perf_counter()
            most = most_memory([*command, *more])
            found.append((stands, most / 1e6, time.perf_counter() - began))
    print("\n| stands | most memory [MB] | [s] |\n|---:|---:|---:|")
    for stands, most, seconds in found:
        print(f"| {stands} | {most:,.0f} | {seconds:.0f} |")


if __name__ == "__main__":
    main()
