"""The surveys below a folder, and where the results of each go."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from standage.commands.batch_outcome import BAD_INPUT, Outcome
from standage.errors import StandageError
from standage.results.folder import provenance_of
from standage.results.records import PROVENANCE_FILE
from standage.survey.files.workbook_guard import sheet_names

PROBLEMS_ENDING = ".problems.txt"  # beside the folder of results, under its name
WORKBOOK = ".xlsx"


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
    if Path(os.path.realpath(folder)) == Path(os.path.realpath(out)):
        found = (
            "the folder of the surveys in --out; the results of a batch can't go into the folder of"
            " its surveys"
        )
        raise StandageError.at(folder, found, "another folder", "Choose another --out.")
    surveys: dict[str, BatchSurvey] = {}
    without_place: list[Outcome] = []
    for path in _in_order(_survey_paths(folder, out), folder):
        name = _name(folder, path)
        parts = name.split("/")
        above = ("/".join(parts[:count]) for count in range(1, len(parts) + 1))
        held = next((surveys[outer] for outer in above if outer in surveys), None)
        if held is None:
            surveys[name] = BatchSurvey(name, str(path), str(out.joinpath(*parts)))
            continue
        where = "the same folder as" if held.name == name else "a folder inside"
        full = path.relative_to(folder).as_posix()
        message = (
            f"{full} was not run: its results would go into {where} those of"
            f" {Path(held.path).name}. Move it elsewhere or rename it."
        )
        without_place.append(Outcome(full, None, BAD_INPUT, None, message))
    return [surveys[name] for name in sorted(surveys)], without_place


def _in_order(paths: Iterator[Path], folder: Path) -> list[Path]:
    """By name, a folder before what lies in it."""
    below = {path: path.relative_to(folder) for path in paths}
    return sorted(below, key=lambda path: (len(below[path].parts), below[path].as_posix()))


def _survey_paths(folder: Path, out: Path) -> Iterator[Path]:
    """Paths of surveys below a folder; a folder that can't be read is one, too, so that it is told
    of and not passed over.
    """
    met: set[str] = set()
    closed: list[str] = []
    for here, folders, files in os.walk(
        folder, followlinks=True, onerror=lambda error: closed.append(error.filename)
    ):
        real = os.path.realpath(here)
        is_result = PROVENANCE_FILE in files and provenance_of(here) is not None
        if real in met or real == os.path.realpath(out) or is_result:
            folders.clear()
            continue
        met.add(real)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        lower = {name.lower() for name in files}
        if _has_tables({name.removesuffix(".csv") for name in lower if name.endswith(".csv")}):
            yield Path(here)
            continue
        for name in files:
            workbook = name.lower().endswith(WORKBOOK) and not name.startswith((".", "~$"))
            if workbook and _is_survey_workbook(Path(here) / name):
                yield Path(here) / name
    yield from (Path(place) for place in closed)


def _has_tables(names: set[str]) -> bool:
    return "stands" in names or {"trees", "cores"} <= names


def _is_survey_workbook(path: Path) -> bool:
    """A workbook that doesn't open may be one, and whoever put it there has to know of it."""
    try:
        names = sheet_names(path)
    except Exception:  # the archive, the XML or the system, each with errors of its own
        return True
    return _has_tables({name.strip().lower() for name in names})


def _name(folder: Path, path: Path) -> str:
    below = path.relative_to(folder)
    if not below.parts:
        return Path(os.path.realpath(folder)).name or "survey"
    return (below if path.is_dir() else below.with_suffix("")).as_posix()
