"""All a run leaves behind: tables, verdict, provenance, draws and pictures, in one folder."""

from __future__ import annotations

import contextlib
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from standage.choices import FigureStyle
from standage.errors import StandageError
from standage.figures.comparison import comparison_figures
from standage.figures.files import write_figures
from standage.figures.result_figures import result_figures
from standage.figures.styles import in_style
from standage.findings.findings import Findings
from standage.prose.cannot_tell import cannot_tell_records
from standage.prose.verdict import grade_sentence
from standage.results.folder import build_result_folder
from standage.results.provenance import provenance
from standage.results.records import sealed
from standage.results.staging import DISK_FAULTS, StagingFolder
from standage.results.table_files import json_rows, plain_values, write_json, write_table
from standage.results.written_tables import written_tables
from standage.stand.posterior import Posterior

# what went wrong with the pictures or the report of a result, for whoever mends it
NOT_MADE = "not_made.txt"


def write_results(
    result: Posterior | Findings,
    folder: str | PathLike[str],
    *,
    settings: Mapping[str, Any] | None = None,
    style: FigureStyle = "screen",
    also: Iterable[Callable[[Path], None]] = (),
    staging: StagingFolder | None = None,
) -> Path:
    """Writes a result, all or nothing, and returns its folder.

    Parameters
    ----------
    result : a posterior, whose findings are then those at the level of its fit, or findings.
    folder : missing, empty, or an earlier result, which is replaced whole.
    settings : what else to record in provenance.json, such as the sampler and its numbers of draws.
    style : of the figures: `screen`, `print` or `grey`, see
        `standage.figures.in_style`.
    also : further writers, functions named for what they write, called with the folder being built;
        what they write belongs to the result.
    staging : the locked staging folder, where the caller holds it already.

    Raises
    ------
    StandageError where the folder holds anything but an earlier result, or can't be written. It is
    then as it was. IncompleteResult where pictures, or what `also` writes, could not be made: the
    result is written without them.

    >>> written = write_results(posterior, folder / "results")
    >>> (written / "tree_dates.csv").exists()
    True
    """
    findings, attempts = Findings.of(result), _Attempts()

    def fill(building: Path) -> dict[str, Any]:
        _write_tables(findings, building)
        findings.posterior.save(building / "posterior.nc")
        _write_figures(findings, building / "figures", style, attempts)
        for write in also:
            with attempts.making(write.__name__, building):
                write(building)
        return _recorded(findings, settings or {}) | attempts.recorded(building)

    written = build_result_folder(folder, fill, staging=staging)
    if attempts.not_made:
        raise IncompleteResult(written, attempts.not_made)
    return written


class IncompleteResult(StandageError):
    """A result that was written, but for some pictures or the report. `not_made`: what went wrong,
    by what is missing.
    """

    def __init__(self, folder: Path, not_made: Mapping[str, str]) -> None:
        self.not_made = dict(not_made)
        reasons = {what: trace.strip().splitlines()[-1] for what, trace in not_made.items()}
        missing = "; ".join(f"{what} ({reason})" for what, reason in reasons.items())
        fault = "a mistake in standage or in a library"
        if all("[Errno " in reason for reason in reasons.values()):
            fault = "the system refused a file"
        super().__init__(
            f"Tables and draws are in {folder}, but this could not be made: {missing}. The survey"
            f" isn't at fault: {fault}; where it happened is in {folder / NOT_MADE}."
        )


@dataclass
class _Attempts:
    """What may fail without costing the tables, and what did, by what is missing."""

    not_made: dict[str, str] = field(default_factory=dict)

    @contextlib.contextmanager
    def making(self, what: str, building: Path) -> Iterator[None]:
        """Tables that took hours aren't given up for a picture; a disk that can't be written is
        another matter.
        """
        before = set(building.rglob("*"))
        try:
            yield
        except Exception as fault:
            if isinstance(fault, OSError) and (
                fault.errno in DISK_FAULTS
                or (isinstance(fault, PermissionError) and str(building) in str(fault.filename))
            ):
                raise
            self.not_made[what] = "".join(traceback.format_exception(fault))
            for half in set(building.rglob("*")) - before:
                half.unlink()

    def recorded(self, building: Path) -> dict[str, list[str]]:
        """What provenance says of it, with the traces in a file of the folder; nothing where
        everything was made.
        """
        if not self.not_made:
            return {}
        traces = "\n".join(f"{what}:\n{trace}" for what, trace in self.not_made.items())
        (building / NOT_MADE).write_text(traces, encoding="utf-8")
        return {"not_made": list(self.not_made)}


def _write_tables(findings: Findings, building: Path) -> None:
    """Every table as CSV, and verdict.json."""
    tables = written_tables(findings)
    for name, table in tables.items():
        write_table(table, building / f"{name}.csv")
    sensitivity = tables["prior_sensitivity"].drop(columns=["basis", "amounts"])
    verdict = {
        **findings.posterior.verdict,
        "grade": findings.fit_grade.grade,
        "grade_sentence": grade_sentence(findings.fit_grade),
        "prior_sensitivity": json_rows(sensitivity),
        "cannot_tell": cannot_tell_records(findings),
    }
    write_json(sealed(plain_values(verdict)), building / "verdict.json")


def _write_figures(
    findings: Findings, folder: Path, style: FigureStyle, attempts: _Attempts
) -> None:
    folder.mkdir()

    def write_each(figures: Iterable[tuple[str, Figure]]) -> None:
        for name, figure in figures:
            with attempts.making(f"figure {name}", folder):
                write_figures({name: figure}, folder)
            figure.clear()  # its parts hold each other, and would wait for a collection

    with in_style(style):
        with attempts.making("figures of the stands", folder):
            write_each(result_figures(findings))
        with attempts.making("figures of the comparison", folder):
            write_each(
                comparison_figures(
                    findings.tables, level=findings.level, events=findings.survey.events
                ).items()
            )


def _recorded(findings: Findings, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Provenance, with the criterion of releases where there are ring widths."""
    changes = findings.growth_changes
    criterion = {} if changes is None else {"release_criterion": changes.recorded_criterion}
    return provenance(
        findings.posterior,
        level=findings.level,
        profiles=findings.profiles.values(),
        settings={**criterion, **settings},
    )
