"""How fast a batch goes: simulated surveys a minute and core, whether time grows in step with
surveys, and what many more would need.

    python tests/benchmarks/batch_scale.py [--surveys 200] [--workers N] [--draws N] [--chains N] [--stems N] [--cores N] [--out FOLDER]

Each survey is one stand, simulated from its own seed
(`standage.simulate.surveys.small_survey`), run as `standage batch` runs it: checked, fitted,
all tables, figures and the report written. Given an `--out`, surveys and results stay there,
and a run that was stopped is taken up again; times are then those of the surveys that were
left. Core-hours are workers times wall-clock time, so that waiting counts as well.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from standage.commands.batch import run_batch
from standage.commands.batch_summary import batch_in_words, in_words
from standage.commands.batch_surveys import BatchSettings
from standage.processors import processors
from standage.simulate.surveys import small_survey

MANY = 10_000  # surveys for which the need is worked out
MACHINES = (8, 64, 512)  # cores to tell it for


def make_surveys(folder: Path, surveys: int, stems: float, cores: int) -> None:
    for seed in range(surveys):
        if not (folder / f"survey-{seed:05d}" / "stands.csv").exists():
            small_survey(seed, stems=stems, cores=cores).write(folder / f"survey-{seed:05d}")


def measured(ended: list[float], seconds: list[float], workers: int) -> dict[str, float]:
    """Rates of a batch. ended: when each survey was done [s since the start], in order; seconds:
    how long each took by itself.

    `later_over_earlier` is the time that the later half of the surveys took over that of the
    earlier one, without the first of each worker, which loads libraries and compiled code: 1 where
    time grows in step with surveys. NaN where there are too few to tell.
    """
    settled = ended[workers:]
    half = len(settled) // 2
    spans = (
        (settled[half - 1] - ended[workers - 1], settled[2 * half - 1] - settled[half - 1])
        if half
        else (np.nan, np.nan)
    )
    return {
        "surveys_a_minute": 60 * len(ended) / ended[-1],
        "surveys_a_minute_and_core": 60 * len(ended) / ended[-1] / workers,
        "core_hours_a_survey": ended[-1] * workers / len(ended) / 3600,
        "median_seconds": float(np.median(seconds)),
        "longest_seconds": float(np.max(seconds)),
        "later_over_earlier": spans[1] / spans[0],
    }


def needs(rates: dict[str, float], bytes_a_survey: float) -> list[str]:
    """What `MANY` surveys of the same kind would take, in words."""
    core_hours = MANY * rates["core_hours_a_survey"]
    lines = [
        f"{MANY} surveys: {core_hours:.0f} core-hours, {MANY * bytes_a_survey / 1e9:.1f} GB of"
        " results"
    ]
    return lines + [
        f"  on {cores} cores about {in_words(3600 * core_hours / cores)}" for cores in MACHINES
    ]


def largest_worker_mb() -> float:
    """Memory of the largest worker that has ended. [MB] NaN where the system doesn't tell."""
    try:
        import resource
    except ImportError:
        return float("nan")
    unit = 1 if sys.platform == "darwin" else 1024  # bytes there, kilobytes elsewhere
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * unit / 1e6


def run(given: argparse.Namespace, folder: Path) -> None:
    began = time.perf_counter()
    make_surveys(folder / "surveys", given.surveys, given.stems, given.cores)
    print(
        f"{given.surveys} surveys simulated in {in_words(time.perf_counter() - began)}", flush=True
    )
    ended: list[float] = []
    began = time.perf_counter()

    def log(line: str) -> None:
        if " of " in line.split(":")[0]:
            ended.append(time.perf_counter() - began)
            if len(ended) % max(given.surveys // 8, 1) == 0:
                print(
                    f"{len(ended)} done after {ended[-1]:.0f} s, {60 * len(ended) / ended[-1]:.2f}"
                    " a minute",
                    flush=True,
                )

    settings = BatchSettings(draws=given.draws, chains=given.chains)
    outcomes = run_batch(
        folder / "surveys", folder / "results", settings=settings, workers=given.workers, log=log
    )
    print(batch_in_words(outcomes, folder / "results"))
    if not ended:
        raise SystemExit("all surveys were done before: give another --out, or more --surveys")
    rates = measured(
        ended,
        [outcome.seconds for outcome in outcomes if outcome.seconds is not None],
        given.workers,
    )
    written = sum(path.stat().st_size for path in (folder / "results").rglob("*") if path.is_file())
    kind = (
        f"{given.chains} chains of {given.draws} draws, about {given.stems:.0f} stems and"
        f" {given.cores} increment cores each"
    )
    print(f"{given.workers} workers; {kind}")
    for name, value in rates.items():
        print(f"  {name.replace('_', ' ')}: {value:.4g}")
    print(
        f"  largest worker: {largest_worker_mb():.0f} MB; a result:"
        f" {written / given.surveys / 1e6:.2f} MB"
    )
    print("\n".join(needs(rates, written / given.surveys)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--surveys", type=int, default=200)
    parser.add_argument("--workers", type=int, default=processors())
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--chains", type=int, default=4)
    parser.add_argument(
        "--stems", type=float, default=60, help="listed stems of each survey, about"
    )
    parser.add_argument("--cores", type=int, default=25, help="increment cores of each survey")
    parser.add_argument("--out", type=Path, help="folder to keep surveys and results in")
    given = parser.parse_args()
    if given.out:
        run(given, given.out)
        return
    with tempfile.TemporaryDirectory() as folder:
        run(given, Path(folder))


if __name__ == "__main__":
    main()
