"""Every survey below a folder, many at a time: what `standage batch` does."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Collection, Sequence
from contextlib import closing, suppress
from pathlib import Path

from standage.commands.batch_outcome import ERROR, Outcome
from standage.commands.batch_search import BatchSurvey, find_surveys
from standage.commands.batch_summary import LONG_TABLE, Progress, Summary, join_long_tables
from standage.commands.batch_surveys import (
    BatchSettings,
    finished,
    remove_problems,
    run_one,
    unlike_the_first_machine,
)
from standage.commands.cluster import UNPROTECTED, is_protected, on_cluster
from standage.commands.local_pool import WorkerLost, on_this_machine
from standage.errors import PlaceError, StandageError
from standage.processors import processors
from standage.profiles import profile_keys
from standage.results.staging import locked_staging, staging_folder


def run_batch(
    folder: str | Path,
    out: str | Path,
    *,
    settings: BatchSettings | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    log: Callable[[str], None] | None = None,
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
    log : called with each line of progress; by default they go to standard error.

    Raises
    ------
    StandageError if nothing can be run at all, or the tables of all can't be written at the end.
    What goes wrong with one survey is in its row, and in its file of problems. KeyboardInterrupt
    after the workers have stopped and the summary is written; surveys that were done stay done.
    """
    settings = BatchSettings() if settings is None else settings
    log = _to_screen if log is None else log
    # a folder of profiles that can't be read would be every survey's error
    profile_keys(settings.profile_folder)
    surveys, without_place = find_surveys(folder, out)
    if not surveys:
        expected = "folders with stands.csv, or workbooks with a sheet 'stands'"
        raise StandageError.at(
            folder, "no survey below it", expected, "Give the folder below which the surveys are."
        )
    out = Path(out).absolute()
    summary = Summary(
        out, [each.name for each in surveys] + [each.survey for each in without_place]
    )
    left = [survey for survey in surveys if not _was_done(survey, settings, summary)]
    summary.begin()
    for outcome in without_place:
        summary.add(outcome)
        log(outcome.message)
    workers = processors() if workers is None else workers
    if cluster and not is_protected(cluster):
        log(UNPROTECTED.format(address=cluster))
    log(_plan(len(left), len(surveys) - len(left), cluster, workers))
    work = functools.partial(run_one, settings=settings)
    check = functools.partial(_unfit, str(Path(folder).absolute()), str(out), settings.version)
    progress = Progress(len(left), log)
    try:
        with closing(
            on_cluster(left, work, cluster, check=check, log=log)
            if cluster and left
            else on_this_machine(left, work, workers)
        ) as answers:  # closed first, so that no worker is writing any more
            for survey, answer in answers:
                outcome = (
                    Outcome(survey.name, None, ERROR, None, answer.reason)
                    if isinstance(answer, WorkerLost)
                    else answer
                )
                summary.add(outcome)
                progress.one_more(outcome)
    except BaseException:
        if unwritten := _finish(surveys, summary, out, clear=not cluster):
            log(unwritten)
        raise
    if unwritten := _finish(surveys, summary, out, clear=not cluster):
        raise PlaceError(unwritten)
    return summary.rows()


def _finish(surveys: Sequence[BatchSurvey], summary: Summary, out: Path, *, clear: bool) -> str:
    """Write the summary and the tables of all, and return why they could not be; clear away what
    workers of this machine left half written.
    """
    unwritten = ""
    done = [survey for survey in surveys if summary.has_results(survey.name)]
    try:
        summary.write()
        join_long_tables(out / LONG_TABLE, done)
    except (OSError, StandageError) as error:  # the results are there
        why = error.strerror if isinstance(error, OSError) else error
        unwritten = (
            f"The tables of all in {out} could not be written ({why or error}); the results of the"
            " surveys are there. Give the same command again when the tables can."
        )
    if clear:
        clear_half_written(surveys, done={survey.name for survey in done})
    return unwritten


def _was_done(survey: BatchSurvey, settings: BatchSettings, summary: Summary) -> bool:
    """Whether an earlier batch has done it, which the summary then says."""
    try:
        outcome = finished(survey, settings)
        if outcome is not None:
            remove_problems(survey)
    except Exception:  # whatever is wrong with it, running it makes it one row
        return False
    if outcome is not None:
        summary.add_earlier(outcome)
    return outcome is not None


def _plan(left: int, before: int, cluster: str | None, workers: int) -> str:
    where = f"on the cluster at {cluster}" if cluster else f"{min(max(workers, 1), left)} at a time"
    return (
        f"{left} survey{'' if left == 1 else 's'} to run"
        + (f" {where}" if left else "")
        + (f"; {before} done before" if before else "")
    )


def _unfit(folder: str, out: str, wanted: str) -> str:
    return unlike_the_first_machine(folder, wanted) or unlike_the_first_machine(out, wanted)


def clear_half_written(surveys: Sequence[BatchSurvey], done: Collection[str]) -> None:
    """Removes what a worker that was killed left beside the results; the draws of surveys that are
    not done stay for the next batch.
    """
    for survey in surveys:
        if staging_folder(survey.out).path.exists():
            # another run may have begun there
            with suppress(StandageError, OSError), locked_staging(survey.out) as staging:
                if survey.name in done:
                    staging.discard_draws()


def _to_screen(line: str) -> None:
    print(line, file=sys.stderr, flush=True)
