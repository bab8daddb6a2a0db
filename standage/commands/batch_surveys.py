"""The surveys of a batch: how they are found below a folder, when one counts as done, and what
doing one means.
"""

from __future__ import annotations

import functools
import os
import re
import socket
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from standage.commands.run_options import RunOptions
from standage.errors import PlaceError, StandageError, SurveyError
from standage.profiles import load_profile, profile_keys
from standage.results.folder import FORMAT, provenance_of
from standage.results.records import read_record
from standage.survey.files import read_written

PASSED, FAILED, BAD_INPUT, ERROR, NOT_RUN = "passed", "failed", "bad input", "error", "not run"
STATES = (PASSED, FAILED, BAD_INPUT, ERROR, NOT_RUN)
PROBLEMS_ENDING = ".problems.txt"  # beside the folder of results, under its name
VERDICT = "verdict.json"
WORKBOOK = ".xlsx"
# characters of a cell of the summary; whatever is longer stands whole in a file
LONGEST_MESSAGE = 300


@dataclass(frozen=True)
class BatchSurvey:
    """A survey to run. `name`: its path below the batch's folder, with `/`; `path`: where it is;
    `out`: where its results go.
    """

    name: str
    path: str
    out: str

    @property
    def problems(self) -> Path:
        """The file that tells what prevented a result."""
        return Path(self.out + PROBLEMS_ENDING)


@dataclass(frozen=True)
class BatchSettings(RunOptions):
    """What all surveys of a batch are run with; `version` of standage is that of the machine that
    started the batch.
    """

    cores: int = 1
    version: str = version("standage")


@dataclass(frozen=True)
class Outcome:
    """A row of the summary: `state` is one of `STATES`; `stands` and `seconds` are None where they
    are not known.
    """

    survey: str
    stands: int | None
    state: str
    seconds: float | None
    message: str = ""


def find_surveys(folder: str | Path, out: str | Path) -> tuple[list[BatchSurvey], list[Outcome]]:
    """All surveys below `folder`, by name, and an outcome for each that has no place for its
    results.

    A survey is a folder with stands.csv, or with trees.csv and cores.csv, so that one whose stands
    are missing is told of and not passed over; or a workbook with such sheets, or one that does not
    open. Workbooks beside the tables of a survey belong to that survey. Hidden folders, results and
    `out` are not searched. Raises StandageError if `folder` is no folder, or is `out`.
    """
    folder, out = Path(folder).absolute(), Path(out).absolute()
    if not folder.is_dir():
        raise StandageError.at(
            folder,
            "no such folder",
            "a folder of surveys",
            "Give the folder below which the surveys are.",
        )
    if folder.resolve() == out.resolve():
        found = (
            "the folder of the surveys in --out; the results of a batch can't go into the folder of"
            " its surveys"
        )
        raise StandageError.at(folder, found, "another folder", "Choose another --out.")
    paths = sorted(_survey_paths(folder, out), key=lambda path: path.relative_to(folder).as_posix())
    surveys: dict[str, BatchSurvey] = {}
    without_place: list[Outcome] = []
    for path in sorted(
        paths, key=lambda path: len(path.relative_to(folder).parts)
    ):  # a folder before what lies in it
        name = _name(folder, path)
        parts = name.split("/")
        held = next(
            (
                surveys[above]
                for n in range(1, len(parts) + 1)
                if (above := "/".join(parts[:n])) in surveys
            ),
            None,
        )
        if held is None:
            surveys[name] = BatchSurvey(name, str(path), str(out.joinpath(*parts)))
            continue
        place = "the same folder as" if held.name == name else "a folder inside"
        full = path.relative_to(folder).as_posix()
        told = (
            f"{full} was not run: its results would go into {place} those of"
            f" {Path(held.path).name}. Move it elsewhere or rename it."
        )
        without_place.append(Outcome(full, None, BAD_INPUT, None, told))
    return [surveys[name] for name in sorted(surveys)], without_place


def _survey_paths(folder: Path, out: Path):
    """Paths of surveys below a folder; a folder that can't be read is one, too, so that it is told
    of and not passed over.
    """
    met: set[str] = set()
    closed: list[str] = []
    for here, folders, files in os.walk(
        folder, followlinks=True, onerror=lambda error: closed.append(error.filename)
    ):
        real = os.path.realpath(here)
        if real in met or real == os.path.realpath(out) or (provenance_of(here) is not None):
            folders.clear()
            continue
        met.add(real)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        lower = {name.lower() for name in files}
        if _has_tables({name.removesuffix(".csv") for name in lower if name.endswith(".csv")}):
            yield Path(here)
            continue
        for name in files:
            if (
                name.lower().endswith(WORKBOOK)
                and not name.startswith((".", "~$"))
                and _is_survey_workbook(Path(here) / name)
            ):
                yield Path(here) / name
    yield from (Path(place) for place in closed)


def _has_tables(names: set[str]) -> bool:
    return "stands" in names or {"trees", "cores"} <= names


def _is_survey_workbook(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            text = archive.read("xl/workbook.xml").decode("utf-8", "replace")
    except (OSError, KeyError, ValueError, zipfile.BadZipFile, RuntimeError):
        return (
            True  # it may be a survey, and whoever put it there has to know that it can't be read
        )
    return _has_tables(
        {
            name.strip().lower()
            for name in re.findall(r'<(?:\w+:)?sheet\s[^>]*?\bname="([^"]*)"', text)
        }
    )


def _name(folder: Path, path: Path) -> str:
    below = path.relative_to(folder)
    if not below.parts:
        return folder.resolve().name or "survey"
    return (below.with_suffix("") if path.is_file() else below).as_posix()


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
    try:
        same_options = _compared(provenance["options"]) == _compared(settings.recorded())
        used = {profile["key"]: profile["sha256"] for profile in provenance["profiles"]}
        whole = all((out / file).is_file() for file in provenance["files"])
    except (KeyError, TypeError, ValueError):  # somebody has edited it
        return None
    made_by = (provenance.get("format"), provenance.get("version"))
    if not whole or not same_options or made_by != (FORMAT, settings.version):
        return None
    written = read_written(Path(survey.path))
    if written.hashes != provenance.get("inputs_sha256"):
        return None
    if any(_profile_hash(key, settings.profile_folder) != sha256 for key, sha256 in used.items()):
        return None
    return Outcome(survey.name, _stands(written), *_judged(verdict))


def _compared(options: Mapping[str, Any]) -> dict[str, Any]:
    """Options but for the place of the profiles: what counts is what is in them."""
    return {name: value for name, value in options.items() if name != "profile_folder"}


@functools.lru_cache
def _profile_hash(key: str, profile_folder: str | None) -> str | None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore"
            )  # told where the profile is used, not where it is compared
            return load_profile(key, profile_folder).sha256
    except StandageError:
        return None


def _judged(verdict: dict) -> tuple[str, None, str]:
    return (
        (PASSED, None, "")
        if verdict.get("passed")
        else (FAILED, None, _short(" ".join(verdict.get("notes", ()))))
    )


def _stands(written) -> int | None:
    """Rows of the table of stands, read or not."""
    return len(written.tables["stands"].rows) if "stands" in written.tables else None


def run_one(survey: BatchSurvey, settings: BatchSettings) -> Outcome:
    """Run a survey as `standage run` does. Whatever goes wrong becomes its outcome, with all of it
    in the survey's file of problems.
    """
    began = time.perf_counter()
    stands, whole = None, ""
    try:
        if problem := unlike_the_first_machine(survey.path, settings.version):
            raise RuntimeError(problem)
        stands, state, message = _run(survey, settings)
    except SurveyError as error:
        stands = _stands(read_written(Path(survey.path)))
        state, message, whole = (
            BAD_INPUT,
            _counted(error),
            "\n".join(str(problem) for problem in error.problems),
        )
    except StandageError as error:
        state = ERROR if isinstance(error, PlaceError) else BAD_INPUT
        message = whole = str(error)
    except (
        Exception
        # one survey never stops the rest; what it was is told in the summary, and where in the file
    ) as fault:
        state, message, whole = ERROR, f"{type(fault).__name__}: {fault}", traceback.format_exc()
    if whole:
        message = f"{_short(message)} {_kept(survey, whole)}"
        if provenance_of(survey.out) is not None:
            message += " The result in its folder is an earlier one."
    else:
        survey.problems.unlink(missing_ok=True)
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
    if not Path(path).exists():
        return (
            f"{socket.gethostname()} does not see {path}; surveys and results have to be in a place"
            " that all machines share."
        )
    return ""


def _run(survey: BatchSurvey, settings: BatchSettings) -> tuple[int, str, str]:
    """Number of stands, state and message of a survey that came through."""
    from standage.commands.run import (
        run_survey,
    )  # loads the libraries of the model; a worker that meets bad input only never needs them
    from standage.survey.reading import read_survey

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", UserWarning)
        read = read_survey(survey.path, known_species=profile_keys(settings.profile_folder))
        result = run_survey(read, survey.out, options=settings, cores=settings.cores, quiet=True)
    # what a profile warns of is for people; what libraries say of themselves isn't
    own = str(Path(__file__).parent)
    notes = list(
        dict.fromkeys(
            str(one.message)
            for one in caught
            if one.category is UserWarning and one.filename.startswith(own)
        )
    )
    if result.incomplete:
        raise RuntimeError(result.incomplete)
    notes += [note for note in result.notes if note not in notes]
    verdict = read_record(Path(survey.out) / VERDICT) or {}
    _, _, reasons = _judged(verdict)
    return (
        len(read.stands),
        PASSED if result.passed else FAILED,
        _short(" ".join([reasons, *notes]).strip()),
    )


def _counted(error: SurveyError) -> str:
    """How many problems, in which files, and the first."""
    places = ", ".join(
        f"{count} in {file}"
        for file, count in Counter(problem.file for problem in error.problems).items()
    )
    count = len(error.problems)
    return f"{places}. First: {error.problems[0]}" if count > 1 else str(error.problems[0])


def _kept(survey: BatchSurvey, whole: str) -> str:
    """Writes the survey's file of problems and says where it is."""
    try:
        survey.problems.parent.mkdir(parents=True, exist_ok=True)
        survey.problems.write_text(whole.rstrip("\n") + "\n", encoding="utf-8")
    except OSError as error:
        return f"(More could not be written: {error.strerror}.)"
    return f"All of it: {survey.name}{PROBLEMS_ENDING}."


def _short(text: str) -> str:
    text = _one_line(text)
    return text if len(text) <= LONGEST_MESSAGE else text[: LONGEST_MESSAGE - 3] + "..."


def _one_line(text: str) -> str:
    return " ".join(text.split())
