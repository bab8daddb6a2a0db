"""One survey from checked tables to a folder of results: what `standage run` does."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from os import PathLike

from threadpoolctl import threadpool_limits

from standage.coordinates import coordinates_to
from standage.evidence import date_trees
from standage.findings.growth_changes import check_criterion
from standage.profiles import load_profile
from standage.progress import progress_on_screen
from standage.report import report_writer
from standage.result_folder import check_result_folder
from standage.results import result_tables, ring_changes, write_results
from standage.results_workbook import workbook_writer
from standage.run_options import RunOptions
from standage.spoken import summary
from standage.stand.fit import fit_stands
from standage.survey import Survey

SAMPLER = "nutpie, No-U-Turn, whitened coordinates"


@dataclass(frozen=True)
class RunResult:
    """The summary in words, and whether the fit passed its checks."""

    text: str
    passed: bool


def run_survey(
    survey: Survey,
    out: str | PathLike,
    *,
    options: RunOptions | None = None,
    cores: int = 2,
    quiet: bool = False,
) -> RunResult:
    """Fit, find, write. Raises `StandageError` before any sampling if the folder can't take results.

    options: what is asked, by default what `RunOptions` says. cores: chains at a time; it makes no difference to the result. quiet: no
    progress on the screen.
    """
    asked = RunOptions() if options is None else options
    level, profile_folder = asked.level, asked.profile_folder
    check_result_folder(out)
    check_criterion(asked.release_criterion)
    survey = coordinates_to(survey, asked.coordinates)
    # the last digit of a factorisation depends on its number of threads, and a chain makes another chain of a last digit
    with threadpool_limits(1, user_api="blas"), nullcontext() if quiet else progress_on_screen() as show:
        posterior = fit_stands(
            survey, seed=asked.seed, level=level, draws=asked.draws, chains=asked.chains, cores=cores, profile_folder=profile_folder,
            emergence=asked.emergence, progress=show,
        )  # fmt: skip
        ages = date_trees(survey, level=level, folder=profile_folder)
        changes = ring_changes(posterior, criterion=asked.release_criterion)
        tables = result_tables(posterior, level=level, ages=ages, profile_folder=profile_folder, changes=changes)
        species = sorted({unit.species for unit in posterior.units})
        told = {
            "level": level,
            "profiles": [load_profile(key, profile_folder) for key in species],
            "changes": changes,
            "settings": {"sampler": SAMPLER, "options": asked.recorded()},
        }
        also = [report_writer(posterior, tables, units=asked.units, **told)]
        if asked.xlsx:
            also.append(workbook_writer(tables, survey=survey.name, level=level))
        write_results(posterior, out, tables=tables, style=asked.style, also=also, **told)
    return RunResult(summary(posterior, level=level, tables=tables, units=asked.units), bool(posterior.verdict["passed"]))
