"""Results of separate runs side by side: what `standage compare` does."""

from __future__ import annotations

import json
import os
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import Any

import pandas as pd

from standage.choices import FigureStyle
from standage.errors import StandageError
from standage.figures.comparison import comparison_figures
from standage.figures.files import write_figures
from standage.figures.styles import in_style
from standage.findings import Findings
from standage.findings.compared_stands import ComparedStand, compared_stands
from standage.findings.comparison import CLASS_YEARS, compare_stands
from standage.findings.differences import EVERYTHING, NOT_COMPARED
from standage.prose.comparison import comparison_sentences, distinct_sentences
from standage.results.folder import build_result_folder, check_result_folder
from standage.results.run_record import RunRecord, read_run_record
from standage.results.table_files import write_table
from standage.results.written_tables import as_written

DRAWS = "posterior.nc"
A_RESULT = ("a result of a survey", "Give folders that `standage run` has written.")
POOLED_NOTE = (
    "Stands of separate runs were fitted without each other: what is unknown of their species"
    " counts twice between them, and their differences are less sure than from one survey with all"
    " stands in it."
)


@dataclass(frozen=True)
class Joined:
    """What a comparison of results found.

    Attributes
    ----------
    comparison : the table, see `standage.findings.comparison`.
    tables : `stand_summary`, `cohorts`, `pulses` and `all_stands` of all stands that take part,
        named as in the comparison.
    notes : what can't be compared and what to mind, one sentence each.
    level : credible level of all of it.
    """

    comparison: pd.DataFrame
    tables: dict[str, pd.DataFrame]
    notes: tuple[str, ...]
    level: float

    def __str__(self) -> str:
        sentences = comparison_sentences(self.comparison, self.level)
        sentences = sentences or ["No stands can be told apart."]
        parts = [" ".join(sentences)]
        if self.notes:
            parts.append("Mind this:\n" + "\n".join(f"- {note}" for note in self.notes))
        return "\n\n".join(parts) + "\n"


@dataclass(frozen=True)
class _Result:
    """One result as it takes part: only what is compared is kept, so that many results fit into
    memory.
    """

    name: str
    record: RunRecord
    histories: list[ComparedStand]
    tables: dict[str, pd.DataFrame]
    failed: bool


def compare_results(
    folders: Sequence[str | PathLike[str]],
    *,
    level: float | None = None,
    class_years: int = CLASS_YEARS,
    seed: int = 1,
) -> Joined:
    """Joins results and compares all their stands.

    Parameters
    ----------
    folders : results of `standage run`.
    level : credible level; by default that of the results, or 0.9 where they differ.
    class_years : length of the classes of establishment.
    seed : of the order in which draws of separate runs are put side by side.

    Raises
    ------
    StandageError where a folder is no result, or no two stands can be compared; all faults are told
    at once.

    >>> joined = compare_results(two_results)  # folders that `standage run` wrote, east and west
    >>> table = joined.comparison.query("measure == 'stems_per_ha'")
    >>> print(table[["first", "second", "told_apart"]].to_string(index=False))
                 first             second   told_apart
      Fern Flat (east)   Fern Flat (west)           no
    Stony Ridge (east) Stony Ridge (west) not compared
      Old Field (east)   Old Field (west)           no
    >>> print(joined.notes[0])
    Stands of separate runs were fitted without each other: ...
    """
    paths = [Path(folder) for folder in folders]
    records = _records(paths)
    notes = []
    levels = sorted({record.level for record in records})
    level = level or (levels[0] if len(levels) == 1 else 0.9)
    if levels != [level]:
        written = " and ".join(f"{100 * one:g} %" for one in levels)
        notes.append(
            f"The results were written with intervals of {written}; here all intervals are worked"
            f" out anew at {100 * level:g} %."
        )
    names = _names(paths)
    results = [
        _read(folder, record, name, level)
        for folder, record, name in zip(paths, records, names, strict=True)
    ]
    notes += _notes(results)
    sound = _named([result for result in results if not result.failed])
    histories = [history for result in sound for history in result.histories]
    table = compare_stands(histories, level=level, class_years=class_years, seed=seed)
    if table.empty or (table["told_apart"] == NOT_COMPARED).all():
        nothing = ["No two stands have a species in common."]
        reasons = [*notes, *(distinct_sentences(table) or nothing)]
        raise StandageError(
            "Nothing can be compared:\n" + "\n".join(f"  {reason}" for reason in reasons)
        )
    whole = table[(table["measure"] == EVERYTHING) & (table["told_apart"] == NOT_COMPARED)]
    notes += distinct_sentences(whole)
    notes += _partly(histories)
    tables = {
        name: pd.concat([result.tables[name] for result in sound], ignore_index=True)
        for name in sound[0].tables
    }
    return Joined(table, tables, tuple(notes), level)


def write_comparison(
    joined: Joined,
    results: Sequence[str | PathLike[str]],
    out: str | PathLike[str],
    *,
    style: FigureStyle = "screen",
) -> Path:
    """Writes comparison.csv, all_stands.csv and the pictures into a folder, all or nothing; an
    earlier one is replaced whole.
    """

    def fill(building: Path) -> dict[str, Any]:
        write_table(as_written("comparison", joined.comparison), building / "comparison.csv")
        write_table(joined.tables["all_stands"], building / "all_stands.csv")
        (building / "figures").mkdir()
        with in_style(style):
            write_figures(
                comparison_figures(
                    {**joined.tables, "comparison": joined.comparison}, level=joined.level
                ),
                building / "figures",
            )
        (building / "comparison.txt").write_text(str(joined), encoding="utf-8")
        return {
            "compared": [str(result) for result in results],
            "level": joined.level,
            "notes": list(joined.notes),
        }

    return build_result_folder(out, fill)


def run_comparison(
    folders: Sequence[str | PathLike[str]],
    out: str | PathLike[str],
    *,
    level: float | None = None,
    class_years: int = CLASS_YEARS,
    seed: int = 1,
    style: FigureStyle = "screen",
) -> Joined:
    """Joins, compares, writes; style: of the figures. Raises `StandageError` before any work where
    the folder can't take it.
    """
    check_result_folder(out)
    if Path(os.path.realpath(out)) in {Path(os.path.realpath(folder)) for folder in folders}:
        found = "one of the results compared in --out; it would be lost"
        raise StandageError.at(out, found, "another folder", "Choose another --out.")
    joined = compare_results(folders, level=level, class_years=class_years, seed=seed)
    write_comparison(joined, folders, out, style=style)
    return joined


def _records(folders: Sequence[Path]) -> list[RunRecord]:
    """What each result records. Raises StandageError, with all faults, where a folder is none, or
    two are results of one survey.
    """
    records, faults, by_input = [], [], defaultdict(set)
    for folder in folders:
        try:
            record = read_run_record(folder)
        except StandageError as problem:
            faults.append(str(problem))
            continue
        records.append(record)
        by_input[json.dumps(record.inputs_sha256, sort_keys=True)].add(str(folder))
        if not (folder / DRAWS).is_file():
            found = f"no result of a survey, for want of its draws ({DRAWS})"
            faults.append(str(StandageError.at(folder, found, *A_RESULT)))
    given = Counter(Path(os.path.realpath(folder)) for folder in folders)
    once = ("a result that is given twice", "each result once", "Give it once.")
    faults += [str(StandageError.at(folder, *once)) for folder, times in given.items() if times > 1]
    other = ("results of one survey", "results of other stands", "Give one of them.")
    faults += [
        str(StandageError.at(" and ".join(sorted(same)), *other))
        for same in by_input.values()
        if len(same) > 1
    ]
    if faults:
        raise StandageError("\n".join(faults))
    return records


def _names(folders: Sequence[Path]) -> list[str]:
    """Each result by its folder, with as much of the path as tells them apart."""
    parts = 1
    while True:
        names = ["/".join(Path(os.path.realpath(folder)).parts[-parts:]) for folder in folders]
        if len(set(names)) == len(names):
            return names
        parts += 1


def _read(folder: Path, record: RunRecord, name: str, level: float) -> _Result:
    from standage.stand.posterior import load_posterior

    posterior = load_posterior(folder / DRAWS)
    findings = Findings(posterior, level=level)
    tables = {
        "stand_summary": findings.stand_summary,
        "cohorts": findings.cohorts,
        "pulses": findings.pulses,
    }
    tables["all_stands"] = findings.all_stands.assign(survey=name)
    histories = compared_stands(findings, source=name, profiles=record.profiles)
    return _Result(name, record, histories, tables, not posterior.verdict["passed"])


def _named(results: list[_Result]) -> list[_Result]:
    """Stands of the same name in several results get the result's name in brackets, in histories
    and tables alike.
    """
    times = Counter(
        stand for result in results for stand in {history.stand for history in result.histories}
    )
    named = []
    for result in results:
        renamed = {
            history.stand: f"{history.stand} ({result.name})"
            for history in result.histories
            if times[history.stand] > 1
        }
        histories = [
            replace(history, name=renamed.get(history.stand, history.name))
            for history in result.histories
        ]
        tables = {
            name: table.assign(stand=table["stand"].replace(renamed))
            for name, table in result.tables.items()
        }
        named.append(replace(result, histories=histories, tables=tables))
    return named


def _notes(results: list[_Result]) -> list[str]:
    """What is left out, and what the results as wholes don't have in common."""
    notes = [
        f"{result.name} failed its checks and is left out; run it again as its summary says."
        for result in results
        if result.failed
    ]
    if len([result for result in results if not result.failed]) > 1:
        notes.append(POOLED_NOTE)
    versions = sorted({result.record.version for result in results})
    if len(versions) > 1:
        notes.append(
            f"The results were made by different versions of standage ({', '.join(versions)});"
            " their models may differ."
        )
    return notes


def _partly(histories: list[ComparedStand]) -> list[str]:
    """Stands of which only some things can be compared, in a sentence each."""
    notes = []
    without = [history.name for history in histories if not history.has_plots]
    if without and len(without) < len(histories):
        notes.append(
            f"No plots in {', '.join(dict.fromkeys(without))}: against stands with plots, only"
            " pulses are compared."
        )
    elif without:
        notes.append(
            "No plots anywhere: nothing per hectare is compared, and ages are those of the trees"
            " sampled."
        )
    species = {
        kind: [history.name for history in histories if history.species == kind]
        for kind in {h.species for h in histories}
    }
    alone = sorted(
        f"{stands[0]} ({kind.replace('-', ' ')})"
        for kind, stands in species.items()
        if len(stands) == 1
    )
    if alone:
        notes.append(f"Alone with its species, and so compared with no other: {', '.join(alone)}.")
    seasons = sorted({history.season for history in histories})
    if len(seasons) > 1:
        notes.append(
            f"Surveyed from {seasons[0]} to {seasons[-1]}: stems that came after the earlier survey"
            " of a pair are not counted."
        )
    return notes
