"""Runs of a study: many independent jobs, each kept as soon as it is done, so that a study can be
stopped and taken up again.

A study has a name, a list of jobs (plain dictionaries: a seed, a size, a name) and one function
that does a job and answers with a dictionary of numbers. Every finished job is one line of JSON in
`<folder>/<name>.jsonl`, under the sources it was done with: after a change of the package that
could move a number, jobs are done anew.
"""

from __future__ import annotations

import argparse
import functools
import hashlib
import json
import multiprocessing
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from pathlib import Path

import numpy as np
import pandas as pd

PROJECT = Path(__file__).resolve().parents[2]
# rooms that only show, tell or lay out: an edit there moves no number of a study, and hours of
# fits are not to be lost to it
_SHOWS_ONLY = ("figures", "prose", "results", "report", "commands")
_ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)


def default_folder() -> Path:
    """Where studies keep their rows: ~/.cache/standage/studies, or under XDG_CACHE_HOME where that
    is set.
    """
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "standage" / "studies"


@functools.cache
def sources_hash() -> str:
    """Hash of the package's sources that can move a number, and of the species profiles: 16
    hexadecimal digits.
    """
    package = PROJECT / "standage"
    shown = {path for room in _SHOWS_ONLY for path in (package / room).rglob("*.py")}
    files = [path for path in package.rglob("*.py") if path not in shown]
    digest = hashlib.sha256()
    for path in sorted([*files, *(PROJECT / "models").glob("*.toml")]):
        digest.update(str(path.relative_to(PROJECT)).encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:16]


def run_study(
    name: str,
    jobs: list[dict],
    work: Callable[[dict], dict],
    *,
    folder: Path,
    workers: int = 2,
    tell: bool = True,
) -> pd.DataFrame:
    """Do the jobs that are not done yet and return all of them, one row a job in the order of
    `jobs`.

    A row holds the job's entries, those of its result, `error` ("" where there was none) and
    `seconds`. `work` is a function of a module, not a lambda: it is run in `workers` processes
    started afresh with one thread each, or here if `workers` is 0. A job that raises is kept with
    its error and tried again by the next run. `tell`: progress and time left on stderr. Raises
    ValueError for two equal jobs, or where a line of the file, other than a half-written last one,
    cannot be read.
    """
    keys = [_key(job) for job in jobs]
    if len(set(keys)) < len(keys):
        raise ValueError(f"{name}: two jobs are the same")
    path = Path(folder) / f"{name}.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    _drop_half_written(path)
    done = {_key(line["job"]): line for line in _lines(path) if line["sources"] == sources_hash()}
    left = [
        job for job, key in zip(jobs, keys, strict=True) if key not in done or done[key]["error"]
    ]
    telling = _Progress(name, len(jobs), len(jobs) - len(left), tell)
    with path.open("ab") as file:
        for line in _finished(left, work, workers):
            line["sources"] = sources_hash()
            text = json.dumps(line, default=_plain, sort_keys=True) + "\n"
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
            done[_key(line["job"])] = json.loads(text)
            telling.one_more(line)
    return pd.DataFrame([_row(done[key]) for key in keys])


def finished_rows(name: str, *, folder: Path) -> pd.DataFrame:
    """The rows that a study has so far under the present sources, in the order in which they came
    in; empty if there are none.
    """
    path = Path(folder) / f"{name}.jsonl"
    done = {_key(line["job"]): line for line in _lines(path) if line["sources"] == sources_hash()}
    return pd.DataFrame([_row(line) for line in done.values()])


def study_options(parser: argparse.ArgumentParser, *, surveys: int, about: str) -> None:
    """What every study asks on the command line: run or report, how many surveys, workers,
    folder.
    """
    parser.add_argument("verb", choices=("run", "report"))
    parser.add_argument("--surveys", type=int, default=surveys, help=about)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path, default=default_folder())


def rows_asked_for(
    given: argparse.Namespace, name: str, jobs: list[dict], work: Callable[[dict], dict]
) -> pd.DataFrame:
    """The rows of a study, done first where `study_options` were answered with run. Stops with a
    message where there are none.
    """
    if given.verb == "run":
        return run_study(name, jobs, work, folder=given.folder, workers=given.workers)
    rows = finished_rows(name, folder=given.folder)
    if rows.empty:
        raise SystemExit(f"nothing in {given.folder}: run the study first")
    return rows


def study_command(
    about: str,
    name: str,
    *,
    jobs: Callable[[int], list[dict]],
    work: Callable[[dict], dict],
    report: Callable[[pd.DataFrame], str],
    surveys: int,
    counted: str,
) -> None:
    """The command of a study of one kind: asks for `study_options`, does its jobs or not, prints
    its report.

    jobs: the jobs of so many surveys. surveys: how many unless asked otherwise. counted: what they
    are surveys of.
    """
    parser = argparse.ArgumentParser(description=about)
    study_options(parser, surveys=surveys, about=counted)
    given = parser.parse_args()
    print(report(rows_asked_for(given, name, jobs(given.surveys), work)))


def _finished(jobs: list[dict], work: Callable[[dict], dict], workers: int):
    if not workers:
        yield from (_done(work, job) for job in jobs)
        return
    # asked to stop, the study ends as with Ctrl-C: its workers finish what they have in hand and
    # go, too
    earlier = signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    outside = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(
        _ONE_THREAD
    )  # read by libraries when they are first loaded, so it has to be there before a process starts
    pool = ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))
    try:
        waiting, jobs_left = set(), iter(jobs)
        while True:
            for job in jobs_left:
                waiting.add(pool.submit(_done, work, job))
                if len(waiting) > workers:  # one in reserve, so that stopping loses little
                    break
            if not waiting:
                return
            ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in ready:
                yield future.result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        signal.signal(signal.SIGTERM, earlier)
        for name, value in outside.items():
            os.environ.pop(name) if value is None else os.environ.update({name: value})


def _done(work: Callable[[dict], dict], job: dict) -> dict:
    start = time.perf_counter()
    try:
        result, error = work(dict(job)), ""
    except (
        Exception
    ) as fault:  # whatever it was, it is told in the row and counted, and the study goes on
        last = traceback.extract_tb(fault.__traceback__)[-1]
        result, error = (
            {},
            f"{type(fault).__name__}: {fault} ({Path(last.filename).name}, line {last.lineno})",
        )
    return {
        "job": job,
        "result": result,
        "error": error,
        "seconds": round(time.perf_counter() - start, 2),
    }


def _row(line: dict) -> dict:
    return {**line["job"], **line["result"], "error": line["error"], "seconds": line["seconds"]}


def _key(job: dict) -> str:
    return json.dumps(job, default=_plain, sort_keys=True)


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise TypeError(
        f"{type(value).__name__} cannot be kept in a row: give numbers, texts and lists of them"
    )


def _lines(path: Path) -> list[dict]:
    if not path.exists():
        return []
    whole = path.read_bytes().rpartition(b"\n")[
        0
    ]  # what follows the last line end was cut off in writing
    lines = []
    for number, text in enumerate(whole.splitlines(), 1):
        try:
            lines.append(json.loads(text))
        except ValueError as fault:
            raise ValueError(
                f"{path}, line {number}: cannot be read ({fault}); take the line out"
            ) from fault
    return lines


def _drop_half_written(path: Path) -> None:
    if path.exists():
        content = path.read_bytes()
        whole = content.rfind(b"\n") + 1
        if whole < len(content):
            with path.open("r+b") as file:
                file.truncate(whole)


class _Progress:
    """One line on stderr after each job: how many are done, how many failed, and the time left."""

    def __init__(self, name: str, jobs: int, already: int, tell: bool) -> None:
        self.name, self.jobs, self.before, self.tell = name, jobs, already, tell
        self.now, self.failed, self.start = 0, 0, time.perf_counter()
        if tell and already:
            print(f"{name}: {already} of {jobs} done before", file=sys.stderr, flush=True)

    def one_more(self, line: dict) -> None:
        self.now += 1
        self.failed += bool(line["error"])
        if not self.tell:
            return
        if line["error"]:
            print(
                f"{self.name}: {line['job']} failed: {line['error']}", file=sys.stderr, flush=True
            )
        left = self.jobs - self.before - self.now
        minutes = (time.perf_counter() - self.start) / self.now * left / 60
        failed = f", {self.failed} failed" if self.failed else ""
        print(
            f"{self.name}: {self.before + self.now} of {self.jobs}{failed}, {minutes:.0f} min left",
            file=sys.stderr,
            flush=True,
        )
