"""One survey from checked tables to a folder of results: what `standage run` does."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from threadpoolctl import threadpool_limits

from standage.commands.run_options import RunOptions
from standage.commands.taken_in import readings_writer, what_took_part
from standage.errors import PlaceError, StandageError
from standage.evidence.account import account
from standage.findings import Findings
from standage.profiles import load_profile, profile_keys
from standage.progress import progress_on_screen
from standage.prose.summary import full_summary, summary
from standage.report import report_writer
from standage.results.folder import check_result_folder
from standage.results.staging import StagingFolder, locked_staging
from standage.results.workbook import workbook_writer
from standage.results.writing import IncompleteResult, write_results
from standage.stand.draws_file import DrawsFile
from standage.stand.fit import fit_stands
from standage.survey.coordinates import coordinates_to
from standage.survey.files.survey_files import read_written
from standage.survey.liberties import table_of_readings
from standage.survey.survey import Survey

DRAWS_KEPT = "The draws are kept: the same command goes on from them, without sampling again."
DRAWS_REUSED = (
    "An earlier run of the same survey and options sampled, but did not end; its draws were used,"
    " and nothing was sampled again."
)
SAMPLER = "No-U-Turn (nutpie)"


@dataclass(frozen=True)
class RunResult:
    """The summary in words, and whether the fit passed its checks.

    full : the summary in all its sentences. notes : what the person who ran it should know of how
    it went. incomplete : which pictures are missing and why; empty if none is.
    """

    text: str
    passed: bool
    full: str = ""
    notes: tuple[str, ...] = ()
    incomplete: str = ""


def run_survey(
    survey: Survey,
    out: str | PathLike[str],
    *,
    options: RunOptions | None = None,
    cores: int = 2,
    quiet: bool = False,
    reuse_draws: bool = True,
) -> RunResult:
    """Fit, find, write. Raises `StandageError` before any sampling if the folder can't take
    results.

    options: what is asked, by default what `RunOptions` says. cores: chains at a time; it makes no
    difference to the result. quiet: no progress on the screen. reuse_draws: whether kept draws of
    the same run may be used in place of sampling.

    Draws are kept beside `out` until the result is whole, and used by the next run that would make
    the same ones. A picture or report that can't be made costs nothing else: the result is
    written, `incomplete` says what is missing, and the draws stay.
    """
    asked = RunOptions() if options is None else options
    level, profile_folder = asked.level, asked.profile_folder
    check_result_folder(out)
    accounted = account(survey, profile_folder=profile_folder)
    if accounted.missing and not asked.accept_left_out:
        raise StandageError(accounted.refusal())
    survey = coordinates_to(survey, asked.coordinates)
    profiles_before = profile_hashes(profile_folder)
    # the last digit of a factorisation depends on its number of threads, and a chain makes another
    # chain of a last digit
    with (
        locked_staging(out) as staging,
        _with_word_of_kept_draws(staging),
        threadpool_limits(1, user_api="blas"),
    ):
        notes = []
        if not reuse_draws:
            staging.discard_draws()
        kept_before = _time_of(staging.draws)
        with nullcontext() if quiet else progress_on_screen() as show:
            posterior = fit_stands(
                survey,
                seed=asked.seed,
                level=level,
                draws=asked.draws,
                chains=asked.chains,
                cores=cores,
                profile_folder=profile_folder,
                progress=show,
                draws_file=DrawsFile(staging.draws),
            )
        if kept_before is not None and _time_of(staging.draws) == kept_before:
            notes.append(DRAWS_REUSED)
        findings = Findings(
            posterior,
            criterion=asked.release_criterion,
            profile_folder=profile_folder,
            diameter_limit_cm=asked.diameter_limit,
            age_over=asked.age_over,
            stocking_per_ha=asked.stocking,
        )
        options_recorded = asked.recorded() | {
            "profile_folder": None if profile_folder is None else _path_from(out, profile_folder)
        }
        settings = {
            "sampler": SAMPLER,
            "options": options_recorded,
            "survey_path": _path_from(out, survey.path),
            "accounted_for": accounted.record(),
            "read_differently": table_of_readings(survey.readings).to_dict("records"),
            "looks_wrong": [str(warning) for warning in survey.warnings],
        }
        changed = changed_inputs(survey, profiles_before, findings.profiles, profile_folder)
        if changed:
            settings["changed_while_running"] = changed
            notes.append(
                f"Changed while this ran: {', '.join(changed)}. The results are of the survey as it"
                " was read; run it again."
            )
        incomplete = ""
        try:
            also = [report_writer(findings, units=asked.units, settings=settings)]
            if asked.xlsx:
                also.append(workbook_writer(findings))
            also.append(readings_writer(survey.readings, accounted))
            write_results(
                findings, out, settings=settings, style=asked.style, also=also, staging=staging
            )
            with suppress(OSError):  # the result is there; the next run takes them up or away
                staging.discard_draws()
        except IncompleteResult as lacking:
            incomplete = (
                f"{lacking} The draws are kept, so that the same command makes the rest without"
                " sampling again."
            )
    took_part = " ".join(filter(None, [accounted.in_a_line(), f"{accounted.of('stems')}."]))
    text = f"{summary(findings, units=asked.units)}\n{took_part}"
    full = "\n\n".join(
        [
            full_summary(findings, units=asked.units),
            *what_took_part(survey, accounted, with_file=True),
        ]
    )
    passed = bool(posterior.verdict["passed"])
    return RunResult(text, passed, full, tuple(notes), incomplete)


@contextmanager
def _with_word_of_kept_draws(staging: StagingFolder) -> Iterator[None]:
    """Whoever stops a run, or lacks the room to write it, should know that its draws are kept."""
    try:
        yield
    except StandageError as problem:
        if not staging.draws.exists():
            raise
        kind = PlaceError if isinstance(problem, PlaceError) else StandageError
        raise kind(f"{problem} {DRAWS_KEPT}") from problem
    except KeyboardInterrupt as stop:
        kept = f"stopped; nothing was written. {DRAWS_KEPT}" if staging.draws.exists() else ""
        raise type(stop)(kept) from stop


def changed_inputs(
    survey: Survey, profiles: Mapping[str, str], species: Iterable[str], profile_folder: str | None
) -> list[str]:
    """Files of the survey, and profiles of these species, that aren't any more what they were when
    they were read; by name.
    """
    if not survey.hashes:  # a survey made by a program
        return []
    now = read_written(Path(survey.path)).hashes
    changed = sorted(
        file
        for file in survey.hashes.keys() | now.keys()
        if survey.hashes.get(file) != now.get(file)
    )
    profiles_now = profile_hashes(profile_folder)
    return changed + [
        f"profile {key}" for key in species if profiles.get(key) != profiles_now.get(key)
    ]


def profile_hashes(profile_folder: str | None) -> dict[str, str]:
    """SHA-256 by key of every profile that can be read; what a profile warns of is told where it is
    used.
    """
    hashes = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for key in profile_keys(profile_folder):
            with suppress(StandageError):
                hashes[key] = load_profile(key, profile_folder).sha256
    return hashes


def _time_of(path: Path) -> int | None:
    return path.stat().st_mtime_ns if path.exists() else None


def _path_from(out: str | PathLike[str], path: str) -> str:
    """A path as seen from the folder of results: it holds when both are moved together, and says
    nothing of the computer.
    """
    try:
        return Path(os.path.relpath(os.path.realpath(path), os.path.realpath(out))).as_posix()
    except ValueError:  # on another drive
        return str(Path(path).absolute())
