"""One survey of a batch: when it counts as done, and what doing it means."""

from __future__ import annotations

import functools
import os
import socket
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from standage.choices import DOUBTFUL
from standage.commands.batch_outcome import BAD_INPUT, ERROR, FAILED, PASSED, Outcome
from standage.commands.batch_search import PROBLEMS_ENDING, BatchSurvey
from standage.commands.run_options import RunOptions, without_emergence
from standage.errors import PlaceError, StandageError, SurveyError
from standage.notices import Notice
from standage.profiles import load_profile, profile_keys
from standage.replaced_file import is_earlier, made_folder, replaced
from standage.results.folder import FORMAT, provenance_of
from standage.results.records import is_as_written, read_record
from standage.survey.files.survey_files import read_written
from standage.survey.written import WrittenSurvey

VERDICT = "verdict.json"
PROBLEMS_HEADER = "Written by standage batch: what prevents a result of this survey."
LONGEST_MESSAGE = 300
"""Characters of a cell of the summary; whatever is longer stands whole in a file."""


@dataclass(frozen=True)
class BatchSettings(RunOptions):
    """What all surveys of a batch are run with; `version` of standage is that of the machine that
    started the batch.
    """

    cores: int = 1
    version: str = version("standage")


def finished(survey: BatchSurvey, settings: BatchSettings) -> Outcome | None:
    """The outcome of a result that is there already and would come out the same; None where the
    survey has to be run.

    The same: standage's version, every option of a run, every input file and every species profile
    used, byte for byte. The folder of profiles may be another one.
    """
    out = Path(survey.out)
    provenance, verdict = provenance_of(out), read_record(out / VERDICT)
    if provenance is None or verdict is None or "not_made" in provenance:
        return None
    if not (is_as_written(provenance) and is_as_written(verdict)):
        return None
    try:
        same_options = _compared(provenance["options"]) == _compared(settings.recorded())
        used = {profile["key"]: profile["sha256"] for profile in provenance["profiles"]}
        whole = all((out / file).is_file() for file in provenance["files"])
        judged = _judged(verdict)
    except (
        KeyError,
        TypeError,
        ValueError,
        AttributeError,
        OSError,
        StandageError,
    ):  # somebody has edited it
        return None
    made_by = (provenance.get("format"), provenance.get("version"))
    if not whole or not same_options or made_by != (FORMAT, settings.version):
        return None
    written = read_written(Path(survey.path))
    if written.hashes != provenance.get("inputs_sha256"):
        return None
    if any(_profile_hash(key, settings.profile_folder) != sha256 for key, sha256 in used.items()):
        return None
    return Outcome(survey.name, _stands(written), judged[0], None, judged[1])


def _compared(options: Mapping[str, Any]) -> dict[str, Any]:
    """Options but for the place of the profiles: what counts is what is in them. Raises
    StandageError where openings changed the grass stage, which no run does now.
    """
    named = without_emergence(options)
    return {name: value for name, value in named.items() if name != "profile_folder"}


@functools.lru_cache
def _profile_hash(key: str, profile_folder: str | None) -> str | None:
    try:
        with warnings.catch_warnings():
            # told where the profile is used, not where it is compared
            warnings.simplefilter("ignore")
            return load_profile(key, profile_folder).sha256
    except StandageError:
        return None


def _judged(verdict: Mapping[str, Any]) -> tuple[str, str]:
    """State and message of a fit; of one that passed, why it is to be doubted."""
    if verdict.get("passed"):
        doubtful = verdict.get("grade") == DOUBTFUL
        return PASSED, _short(str(verdict["grade_sentence"])) if doubtful else ""
    return FAILED, _short(" ".join(verdict.get("notes", ())))


def _stands(written: WrittenSurvey) -> int | None:
    """Rows of the table of stands, read or not."""
    return len(written.tables["stands"].rows) if "stands" in written.tables else None


def run_one(survey: BatchSurvey, settings: BatchSettings) -> Outcome:
    """Run a survey as `standage run` does. Whatever goes wrong becomes its outcome, with all of it
    in the survey's file of problems.
    """
    began = time.perf_counter()
    stands, in_full, before = None, "", provenance_of(survey.out)
    try:
        stands, state, message = _run(survey, settings)
        in_full = message if state == ERROR else ""
    except SurveyError as error:
        stands = _stands(read_written(Path(survey.path)))
        state, message = BAD_INPUT, _counted(error)
        in_full = "\n".join(str(problem) for problem in error.problems)
    except StandageError as error:
        state = ERROR if isinstance(error, PlaceError) else BAD_INPUT
        message = in_full = str(error)
    except OSError as fault:
        place = fault.filename or survey.out
        state, message = ERROR, f"{place}: can't be read or written ({fault.strerror or fault})."
        in_full = traceback.format_exc()
    # one survey never stops the rest; what it was is told in the summary, and where in the file
    except Exception as fault:
        state, message = ERROR, f"{type(fault).__name__}: {fault}"
        in_full = traceback.format_exc()
    if in_full:
        message = f"{_short(message)} {_write_problems(survey, in_full)}"
        if before is not None and provenance_of(survey.out) == before:
            message += " The result in its folder is an earlier one."
    else:
        remove_problems(survey)
    return Outcome(
        survey.name, stands, state, round(time.perf_counter() - began, 1), _one_line(message)
    )


def unlike_the_first_machine(path: str, wanted: str) -> str:
    """What keeps this machine from doing its part of a batch: another standage, or no such place
    here. Empty if nothing does.
    """
    here = version("standage")
    if here != wanted:
        return (
            f"{socket.gethostname()} has standage {here}, and the batch was started by {wanted};"
            " install the same everywhere."
        )
    if not os.path.lexists(path):  # a link to nothing is told as what it is when it is read
        return (
            f"{socket.gethostname()} does not see {path}; surveys and results have to be in a place"
            " that all machines share."
        )
    return ""


def _run(survey: BatchSurvey, settings: BatchSettings) -> tuple[int | None, str, str]:
    """Number of stands, state and message of a survey that came through; an error where something
    of its result is missing, or this machine can't run it, which leaves the number unknown.
    """
    if problem := unlike_the_first_machine(survey.path, settings.version):
        return None, ERROR, problem
    # loads the libraries of the model; a worker that meets bad input only never needs them
    from standage.commands.run import run_survey
    from standage.survey.reading import read_survey

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", Notice)
        read = read_survey(survey.path, known_species=profile_keys(settings.profile_folder))
        result = run_survey(read, survey.out, options=settings, cores=settings.cores, quiet=True)
    if result.incomplete:
        return len(read.stands), ERROR, result.incomplete
    _, reasons = _judged(read_record(Path(survey.out) / VERDICT) or {})
    notes = dict.fromkeys([*(str(warning.message) for warning in caught), *result.notes])
    state = PASSED if result.passed else FAILED
    return len(read.stands), state, _short(" ".join([reasons, *notes]).strip())


def _counted(error: SurveyError) -> str:
    """How many problems, in which files, and the first."""
    places = ", ".join(
        f"{count} in {file}"
        for file, count in Counter(problem.file for problem in error.problems).items()
    )
    count = len(error.problems)
    return f"{places}. First: {error.problems[0]}" if count > 1 else str(error.problems[0])


def _write_problems(survey: BatchSurvey, in_full: str) -> str:
    """Writes the survey's file of problems and says where it is."""
    try:
        with (
            made_folder(survey.problems.parent),
            replaced(survey.problems, header=PROBLEMS_HEADER, what="a file of problems") as file,
        ):
            file.write_text(f"{PROBLEMS_HEADER}\n{in_full.rstrip()}\n", encoding="utf-8")
    except StandageError as error:
        return f"(More could not be written: {error})"
    except OSError as error:
        return f"(More could not be written: {error.strerror}.)"
    return f"All of it: {survey.name}{PROBLEMS_ENDING}."


def remove_problems(survey: BatchSurvey) -> None:
    """Of a time in between, when the survey was not as it is."""
    # a file that has to stay is no reason to stop
    with suppress(OSError):
        if is_earlier(survey.problems, PROBLEMS_HEADER):
            survey.problems.unlink()


def _short(text: str) -> str:
    text = _one_line(text)
    return text if len(text) <= LONGEST_MESSAGE else text[: LONGEST_MESSAGE - 3] + "..."


def _one_line(text: str) -> str:
    return " ".join(text.split())
