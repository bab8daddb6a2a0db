"""One survey from checked tables to a folder of results: what `standage run` does."""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike

from standage.evidence import date_trees
from standage.profiles import load_profile
from standage.progress import progress_on_screen
from standage.result_folder import check_result_folder
from standage.results import result_tables, ring_changes, write_results
from standage.spoken import summary
from standage.stand.fit import fit_stands
from standage.survey import Survey


@dataclass(frozen=True)
class RunResult:
    """The summary in words, and whether the fit passed its checks."""

    text: str
    passed: bool


def run_survey(
    survey: Survey,
    out: str | PathLike,
    *,
    seed: int = 1,
    level: float = 0.9,
    profile_folder: str | None = None,
    draws: int = 1000,
    chains: int = 4,
) -> RunResult:
    """Fit, find, write. Raises `StandageError` before any sampling if the folder can't take results."""
    check_result_folder(out)
    with progress_on_screen() as show:
        posterior = fit_stands(survey, seed=seed, level=level, draws=draws, chains=chains, profile_folder=profile_folder, progress=show)
        ages = date_trees(survey, level=level, folder=profile_folder)
        changes = ring_changes(posterior)
        tables = result_tables(posterior, level=level, ages=ages, profile_folder=profile_folder, changes=changes)
        species = sorted({unit.species for unit in posterior.units})
        write_results(
            posterior, out, level=level, tables=tables, profiles=[load_profile(key, profile_folder) for key in species],
            changes=changes, settings={"sampler": "nutpie, No-U-Turn, whitened coordinates", "draws_per_chain": draws, "chains": chains},
        )  # fmt: skip
    return RunResult(summary(posterior, level=level, tables=tables), bool(posterior.verdict["passed"]))
