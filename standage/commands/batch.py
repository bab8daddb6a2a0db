"""Every survey below a folder, many at a time: what `standage batch` does."""

from __future__ import annotations

import codecs
import csv
import functools
import io
import os
import sys
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

from standage.commands.batch_surveys import (
    BAD_INPUT,
    ERROR,
    FAILED,
    NOT_RUN,
    PASSED,
    BatchSettings,
    BatchSurvey,
    Outcome,
    find_surveys,
    finished,
    run_one,
    unlike_the_first_machine,
)
from standage.commands.batch_workers import WorkerLost, on_cluster, on_this_machine
from standage.errors import StandageError
from standage.processors import processors
from standage.profiles import profile_keys
from standage.results.staging import locked_staging, staging_folder
from standage.survey.formula_escapes import encoding_for, escape_formula, unescape

SUMMARY = "surveys.csv"
LONG_TABLE = "all_stands.csv"  # of each result, and joined beside the summary
COLUMNS = ("survey", "stands", "state", "seconds", "message")
# so that even a machine that goes down leaves a summary that is nearly true
SECONDS_BETWEEN_SUMMARIES = 30.0


def run_batch(
    folder: str | Path,
    out: str | Path,
    *,
    settings: BatchSettings | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    tell: Callable[[str], None] | None = None,
) -> list[Outcome]:
    """Run every survey below `folder` and write each one's results to the same place below `out`;
    returns the summary's rows.

    Parameters
    ----------
    folder, out : see `find_surveys`. A survey whose result is there and would come out the same is
        not run again, see `finished`.
    settings : seed, level, draws and the like, the same for all surveys.
    workers : surveys at a time on this machine, by default one a processor allowed; 0 runs all in
        this process.
    cluster : address of a Dask scheduler, in place of this machine. All its machines must see
        `folder` and `out` under the same paths.
    tell : called with each line of progress; by default they go to standard error.

    Raises
    ------
    StandageError if nothing can be run at all. What goes wrong with one survey is in its row, and
    in its file of problems. KeyboardInterrupt after the workers have stopped and the summary is
    written; surveys that were done stay done.
    """
    settings = BatchSettings() if settings is None else settings
    tell = _to_screen if tell is None else tell
    profile_keys(
        settings.profile_folder
    )  # a folder of profiles that can't be read would be every survey's error
    surveys, without_place = find_surveys(folder, out)
    if not surveys:
        expected = "folders with stands.csv, or workbooks with a sheet 'stands'"
        raise StandageError.at(
            folder, "no survey below it", expected, "Give the folder below which the surveys are."
        )
    out = Path(out).absolute()
    summary = _Summary(
        out, [*(one.name for one in surveys), *(outcome.survey for outcome in without_place)]
    )
    for outcome in without_place:
        summary.add(outcome)
        tell(outcome.message)
    left = []
    for survey in surveys:
        if summary.add_if_there(finished(survey, settings)):
            survey.problems.unlink(
                missing_ok=True
            )  # of a time in between, when the survey was not as it is
        else:
            left.append(survey)
    before = len(surveys) - len(left)
    workers = processors() if workers is None else workers
    where = (
        f"on the cluster at {cluster}"
        if cluster
        else f"{min(max(workers, 1), len(left))} at a time"
    )
    tell(
        f"{_surveys(len(left))} to run"
        + (f" {where}" if left else "")
        + (f"; {before} done before" if before else "")
    )
    work = functools.partial(_outcome_of, settings=settings)
    answers = (
        on_cluster(
            left,
            work,
            cluster,
            look=functools.partial(
                _fit_for, str(Path(folder).absolute()), str(out), settings.version
            ),
        )
        if cluster
        else on_this_machine(left, work, workers)
    )
    progress = _Progress(len(left), tell)
    try:
        for survey, answer in answers if left else ():
            outcome = (
                Outcome(survey.name, None, ERROR, None, answer.reason)
                if isinstance(answer, WorkerLost)
                else answer
            )
            summary.add(outcome)
            progress.one_more(outcome)
    finally:
        answers.close()  # first, so that no worker is writing any more
        done = [survey for survey in surveys if summary.has_results(survey.name)]
        try:
            summary.write()
            _join_long_tables(out / LONG_TABLE, done)
        except OSError as error:  # the results are there
            tell(
                f"The tables of all in {out} could not be written ({error.strerror or error}); give"
                " the same command again when they can."
            )
        if not cluster:
            clear_half_written(surveys, done={survey.name for survey in done})
    return summary.rows()


def _outcome_of(survey: BatchSurvey, *, settings: BatchSettings) -> Outcome:
    return run_one(survey, settings)


def _fit_for(folder: str, out: str, wanted: str) -> str:
    return unlike_the_first_machine(folder, wanted) or unlike_the_first_machine(out, wanted)


class _Summary:
    """The rows so far, and the file they are kept in; `names` are all surveys of the batch, in the
    order of the file.
    """

    def __init__(self, out: Path, names: Iterable[str]) -> None:
        self.path, self.names = out / SUMMARY, list(names)
        self.took = _seconds_before(self.path)
        self.outcomes: dict[str, Outcome] = {}
        try:
            out.mkdir(parents=True, exist_ok=True)
            self.write()
        except OSError as error:
            raise StandageError.at(
                out,
                f"a place that can't be written ({error.strerror})",
                "a folder",
                "Choose another --out.",
            ) from error

    def add(self, outcome: Outcome) -> None:
        self.outcomes[outcome.survey] = outcome
        if time.monotonic() - self.written > SECONDS_BETWEEN_SUMMARIES:
            with suppress(
                OSError
            ):  # a disk that is full for now doesn't stop a batch; the end tells if it still is
                self.write()

    def has_results(self, name: str) -> bool:
        return name in self.outcomes and self.outcomes[name].state in (PASSED, FAILED)

    def add_if_there(self, outcome: Outcome | None) -> bool:
        """An outcome of an earlier run, with the time that it took then."""
        if outcome is not None:
            self.add(
                Outcome(
                    outcome.survey,
                    outcome.stands,
                    outcome.state,
                    self.took.get(outcome.survey),
                    outcome.message,
                )
            )
        return outcome is not None

    def rows(self) -> list[Outcome]:
        return [self.outcomes.get(name, Outcome(name, None, NOT_RUN, None)) for name in self.names]

    def write(self) -> None:
        written = io.StringIO()
        writer = csv.writer(written, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in self.rows():
            cells = [getattr(row, name) for name in COLUMNS]
            writer.writerow(
                [
                    escape_formula(cell) if isinstance(cell, str) else "" if cell is None else cell
                    for cell in cells
                ]
            )
        with _replaced_whole(self.path, encoding_for(written.getvalue())) as file:
            file.write(written.getvalue())
        self.written = time.monotonic()


def _join_long_tables(path: Path, surveys: list[BatchSurvey]) -> None:
    """All stands of all surveys in one long table, one survey after another; `survey` is then its
    path below the folder.
    """
    if not surveys:
        path.unlink(missing_ok=True)
        return
    header = None
    beyond_ascii = any(
        not survey.name.isascii() or _has_mark(Path(survey.out) / LONG_TABLE) for survey in surveys
    )
    with _replaced_whole(path, "utf-8-sig" if beyond_ascii else "utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        for survey in surveys:
            with (Path(survey.out) / LONG_TABLE).open(encoding="utf-8-sig", newline="") as table:
                names, *rows = csv.reader(table)
                if header is None:
                    writer.writerow(header := names)
                writer.writerows([escape_formula(survey.name), *row[1:]] for row in rows)


def _has_mark(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(codecs.BOM_UTF8)) == codecs.BOM_UTF8


@contextmanager
def _replaced_whole(path: Path, encoding: str) -> Iterator[TextIO]:
    """A text file to write, which takes the place of the one at `path` when all of it is written,
    and is gone if not.
    """
    half = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with half.open("w", encoding=encoding, newline="") as file:
            yield file
        half.replace(path)
    finally:
        half.unlink(missing_ok=True)


def _seconds_before(path: Path) -> dict[str, float]:
    """Seconds by survey from the summary of an earlier run; none where there is none, or somebody
    has edited it out of shape.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return {
                unescape(row["survey"]): float(row["seconds"])
                for row in csv.DictReader(file)
                if row["seconds"]
            }
    except (OSError, ValueError, KeyError, TypeError, csv.Error):
        return {}


class _Progress:
    """A line for each survey done: how many are, how this one ended, and the time left."""

    def __init__(self, surveys: int, tell: Callable[[str], None]) -> None:
        self.surveys, self.tell, self.done, self.began = surveys, tell, 0, time.monotonic()

    def one_more(self, outcome: Outcome) -> None:
        self.done += 1
        left = (time.monotonic() - self.began) / self.done * (self.surveys - self.done)
        took = "" if outcome.seconds is None else f" in {outcome.seconds:.0f} s"
        rest = f"; about {in_words(left)} left" if self.done < self.surveys else ""
        self.tell(f"{self.done} of {self.surveys}: {outcome.survey} {outcome.state}{took}{rest}")
        if outcome.state in (BAD_INPUT, ERROR):
            self.tell(f"    {outcome.message}")


def in_words(seconds: float) -> str:
    """A time as people say it, in its two largest units.

    >>> in_words(40), in_words(750), in_words(9000), in_words(200000)
    ('40 s', '12 min', '2 h 30 min', '2 d 8 h')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = int(seconds // 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h"


def batch_in_words(outcomes: list[Outcome], out: str | Path) -> str:
    """The batch in words: how many ended how, and where the table is."""
    counts = Counter(outcome.state for outcome in outcomes)
    states = ", ".join(
        f"{counts[state]} {state}"
        for state in (PASSED, FAILED, BAD_INPUT, ERROR, NOT_RUN)
        if counts[state]
    )
    return f"{_surveys(len(outcomes))}: {states}. The table of all is in {Path(out) / SUMMARY}"


def clear_half_written(surveys: list[BatchSurvey], done: Collection[str]) -> None:
    """Removes what a worker that was killed left beside the results; the draws of surveys that are
    not done stay for the next batch.
    """
    for survey in surveys:
        if staging_folder(survey.out).path.exists():
            with (
                suppress(StandageError),
                locked_staging(survey.out) as staging,
            ):  # another run may have begun there
                if survey.name in done:
                    staging.discard_draws()


def _surveys(count: int) -> str:
    return f"{count} survey" + ("" if count == 1 else "s")


def _to_screen(line: str) -> None:
    print(line, file=sys.stderr, flush=True)
