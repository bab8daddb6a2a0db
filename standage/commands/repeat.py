"""A run repeated from what its result recorded: what `standage run --again` does."""

from __future__ import annotations

import codecs
import os
from dataclasses import dataclass, replace
from importlib.metadata import version
from os import PathLike
from pathlib import Path

import pandas as pd
from llvmlite.binding import get_host_cpu_name

from standage.commands.run import RunResult, profile_hashes, run_survey
from standage.commands.run_options import RunOptions
from standage.errors import StandageError
from standage.profiles import profile_keys
from standage.replaced_file import passing_folder
from standage.results.provenance import library_versions
from standage.results.run_record import RunRecord, read_run_record
from standage.survey.files.survey_files import read_written
from standage.survey.reading import read_survey

MOVES_NUMBERS = (
    "numpy",
    "pandas",
    "scipy",
    "numba",
    "nutpie",
    "arviz",
)  # libraries whose versions may change a table


@dataclass(frozen=True)
class Repeated:
    """A run made again. `run`: how the new one ended; `differences`: a line for each table that
    isn't the same; `notes`: what else is.
    """

    run: RunResult
    differences: tuple[str, ...]
    tables: int
    notes: tuple[str, ...]

    @property
    def same(self) -> bool:
        return not self.differences

    def __str__(self) -> str:
        lines = (
            [f"All {self.tables} tables came out the same, byte for byte."]
            if self.same
            else [
                f"{len(self.differences)} of {self.tables} tables came out otherwise:",
                *(f"  {line}" for line in self.differences),
            ]
        )
        return "\n".join([*lines, *self.notes])


def repeat_run(
    results: str | PathLike[str],
    out: str | PathLike[str] | None = None,
    *,
    survey: str | PathLike[str] | None = None,
) -> Repeated:
    """Makes a result again with everything it recorded, and compares the tables byte for byte.

    Parameters
    ----------
    results : folder that `standage run` wrote.
    out : where the new result goes; by default it is only compared and not kept.
    survey : where the survey is now, if not where the result recorded it, as seen from its folder.

    Raises
    ------
    StandageError with all reasons, before any sampling, where the inputs or the versions aren't
    those recorded.
    """
    folder = Path(results)
    record = read_run_record(folder)
    if not record.options or not record.survey_path:
        raise StandageError(
            f"{folder} can't be repeated: it doesn't say how it was made, so `standage run` didn't"
            " write it."
        )
    if out is not None and Path(os.path.realpath(out)) == Path(os.path.realpath(folder)):
        raise StandageError(
            f"{out} is the result to be repeated and would be lost. Choose another folder."
        )
    path = Path(survey) if survey is not None else folder / record.survey_path
    try:
        options = RunOptions.from_record(record.options)
    except StandageError as odd:
        raise StandageError(f"{folder} can't be repeated: {odd}") from odd
    if options.profile_folder is not None:
        options = replace(options, profile_folder=str(folder / options.profile_folder))
    reasons = [*_other_versions(record), *_other_inputs(path, record, options)]
    if reasons:
        raise StandageError(
            "\n".join([f"{folder} can't be repeated:", *(f"  {reason}" for reason in reasons)])
        )
    read = read_survey(path, known_species=profile_keys(options.profile_folder))
    with passing_folder() as temporary:
        new = Path(out) if out is not None else temporary / Path(os.path.realpath(folder)).name
        run = run_survey(read, new, options=options, reuse_draws=False)
        names = sorted({path.name for place in (folder, new) for path in place.glob("*.csv")})
        differences = tuple(
            line for name in names if (line := _difference(folder / name, new / name))
        )
    notes = []
    processor = get_host_cpu_name()
    if differences and record.processor != processor:
        notes.append(
            f"The processor was another one ({record.processor}, now {processor}): its last"
            " digits may differ, and then the draws do."
        )
    return Repeated(run, differences, len(names), tuple(notes))


def _other_versions(record: RunRecord) -> list[str]:
    """Versions that may change a number and aren't those of the result, a line each."""
    now = {"standage": version("standage")} | library_versions()
    then = {"standage": record.version} | record.libraries
    return [
        f"{name} was {then.get(name, 'not recorded')} and is {now[name]} here; install that"
        " version, or run the survey anew"
        for name in ("standage", *MOVES_NUMBERS)
        if then.get(name) != now[name]
    ]


def _other_inputs(path: Path, record: RunRecord, options: RunOptions) -> list[str]:
    """How the survey and the profiles differ from those of the result, a line each."""
    if not path.exists():
        return [
            f"the survey is not at {path}; if it was moved, give its place: standage run SURVEY"
            " --again RESULTS"
        ]
    reasons = []
    then, now = record.inputs_sha256, read_written(path).hashes
    for file in sorted(then.keys() | now.keys()):
        if then.get(file) != now.get(file):
            what = (
                "is missing"
                if file not in now
                else "was not there"
                if file not in then
                else "has been changed"
            )
            reasons.append(f"{path / file if path.is_dir() else path} {what} since")
    folder = options.profile_folder
    if folder is not None and not Path(folder).is_dir():
        return [*reasons, f"the species profiles are not at {folder}"]
    profiles = profile_hashes(folder)
    for key, sha256 in record.profiles.items():
        if profiles.get(key) != sha256:
            what = "has been changed" if key in profiles else "is missing"
            reasons.append(f"the profile {key} {what} since")
    return reasons


def _difference(then: Path, now: Path) -> str:
    """How a table differs, by its first cell that does; empty if it doesn't."""
    if not then.exists() or not now.exists():
        return (
            f"{then.name}:"
            f" {'was not there before' if not then.exists() else 'is not made any more'}"
        )
    if then.read_bytes().removeprefix(codecs.BOM_UTF8) == now.read_bytes().removeprefix(
        codecs.BOM_UTF8
    ):
        return ""
    before, after = (pd.read_csv(path, dtype=str, keep_default_na=False) for path in (then, now))
    if list(before) != list(after) or len(before) != len(after):
        return (
            f"{then.name}: {len(before)} rows and {before.shape[1]} columns, now {len(after)} and"
            f" {after.shape[1]}"
        )
    cells = [
        (row + 2, column, old, new)
        for column in before
        for row, (old, new) in enumerate(zip(before[column], after[column], strict=True))
        if old != new
    ]
    if not cells:
        return f"{then.name}: the same cells, written otherwise"
    row, column, old, new = min(cells, key=lambda cell: cell[0])
    count = f"{len(cells)} cells" if len(cells) > 1 else "1 cell"
    return (
        f"{then.name}: {count}; first in row {row}, column {column}: {old or 'blank'}, now"
        f" {new or 'blank'}"
    )
