"""Everything a run leaves behind: tables, verdict, provenance, draws and pictures, in one folder.
"""

from __future__ import annotations

import contextlib
import json
import platform
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from llvmlite.binding import get_host_cpu_name

from standage.errors import StandageError
from standage.figures.files import write_figures
from standage.figures.styles import SCREEN, in_style
from standage.figures.result_figures import result_figures
from standage.figures.comparison import comparison_figures
from standage.findings import attribution, cohorts, comparison, long_table, prior_sensitivity, pulses, rates, scan_units, stand_summary, tree_dates
from standage.findings.cannot_tell import cannot_tell
from standage.findings.disturbances import disturbance_table, event_table, tree_release_table
from standage.findings.events_on_record import event_years_by_rings
from standage.growth.growth_changes import MODEL, GrowthChanges, growth_changes
from standage.findings.long_table import COORDINATES, stand_places
from standage.findings.prior_sensitivity import sensitivity_records
from standage.growth.release_criteria import Criterion
from standage.findings.releases import release_table
from standage.survey.formula_escapes import harmless_table, write_harmless_csv
from standage.profiles import Profile, load_profile
from standage.results.folder import build_result_folder
from standage.results.number_format import in_digits
from standage.results.folder_swap import DISK_FAULTS, Workplace

# what went wrong with the pictures or the report of a result, for whoever mends it
NOT_MADE = "not_made.txt"
LIBRARIES = ("numpy", "pandas", "scipy", "numba", "nutpie", "pymc", "arviz", "matplotlib")

PARAMETER_COLUMNS = (
    *("name", "stand", "prior_low", "prior_median", "prior_high", "posterior_low", "posterior_median", "posterior_high"),
    *("ess", "rhat", "what_it_means"),
)


def result_tables(
    posterior,
    *,
    level: float = 0.9,
    ages: pd.DataFrame | None = None,
    profile_folder: str | None = None,
    changes: GrowthChanges | None = None,
) -> dict[str, pd.DataFrame]:
    """All tables of a result by file name without ending.

    ages: cores dated one by one, for the columns of `tree_dates` that say what each step adds.
    profile_folder: where the species profiles of the fit are, if not the shipped ones. changes:
    `ring_changes(posterior)`, where it is at hand. `releases`, `tree_releases`, `disturbances` and
    `event_years` are there where the survey has ring widths; the rings then also sharpen the years
    of events for `attribution`.
    """
    changes = ring_changes(posterior) if changes is None else changes
    sharpened = {} if changes is None else event_years_by_rings(changes)
    of_rings = {} if changes is None else {
        "releases": release_table(posterior, level=level, changes=changes),
        "tree_releases": tree_release_table(changes, level=level),
        "disturbances": disturbance_table(changes, seed=posterior.seed, level=level),
        "event_years": event_table(posterior.survey, changes, level=level),
    }  
    scans = scan_units(posterior)
    found = pulses(posterior, level=level, scans=scans)
    tables = {
        "stand_summary": with_coordinates(stand_summary(posterior, level=level), posterior.survey),
        "tree_dates": tree_dates(posterior, level=level, ages=ages),
        "cohorts": cohorts(posterior, level=level),
        "rate": rates(posterior, level=level, scans=scans),
        "pulses": found,
        "attribution": attribution(
            posterior, level=level, pulses=found, scans=scans, profile_folder=profile_folder, event_years=sharpened
        ),
        **of_rings,
        "comparison": comparison(posterior, level=level, scans=scans),
        "parameters": posterior.parameters.reindex(columns=list(PARAMETER_COLUMNS)),
        "prior_sensitivity": prior_sensitivity(posterior, scans=scans),
    }
    return tables | {"all_stands": long_table(tables, posterior.survey)}


def with_coordinates(table: pd.DataFrame, survey) -> pd.DataFrame:
    """A table of stands with latitude and longitude after `community`, as exactly as the survey
    holds them; blank where it doesn't.
    """
    places = stand_places(survey.stands).set_index("stand")
    table = table.copy()
    for place, name in enumerate(COORDINATES, start=table.columns.get_loc("community") + 1):
        table.insert(place, name, places[name].reindex(table["stand"]).to_numpy())
    return table


def ring_changes(posterior, *, criterion: str | Criterion = MODEL) -> GrowthChanges | None:
    """Releases and suppressions of all trees with ring widths, see `growth_changes`; None, and no
    work, where the survey has none.
    """
    # posteriors saved before there were ring widths have none
    widths = getattr(posterior.survey, "ring_widths", None)
    return growth_changes(posterior.survey, criterion=criterion, seed=posterior.seed) if widths is not None and len(widths) else None


def write_results(
    posterior,
    folder: str | Path,
    *,
    level: float = 0.9,
    ages: pd.DataFrame | None = None,
    profiles: Iterable[Profile] | None = None,
    tables: Mapping[str, pd.DataFrame] | None = None,
    settings: Mapping[str, Any] | None = None,
    changes: GrowthChanges | None = None,
    style: str = SCREEN.name,
    also: Iterable[Callable[[Path], None]] = (),
    place: Workplace | None = None,
) -> Path:
    """Writes a result, all or nothing, and returns its folder.

    Parameters
    ----------
    posterior : the posterior of a survey.
    folder : missing, empty, or an earlier result, which is replaced whole.
    level : credible level of `_low` and `_high`.
    ages : cores dated one by one, see `result_tables`.
    profiles : the life-history profiles the fit used; by default the shipped ones of the
        posterior's species.
    tables : `result_tables`, where they are at hand.
    settings : what else to record in provenance.json, such as the sampler and its numbers of draws.
    changes : `ring_changes`, where it is at hand, or with another criterion of releases than the
        model.
    style : of the figures: `screen`, `print` or `grey`, see
        `standage.figures.result_figures.in_style`.
    also : further writers, functions named for what they write, called with the folder being built;
        what they write belongs to the result.
    place : the folder's workplace, by whoever works on it already.

    Raises
    ------
    StandageError where the folder holds anything but an earlier result, or can't be written. It is
    then as it was. IncompleteResult where pictures, or what `also` writes, could not be made: the
    result is written without them.
    """
    not_made: dict[str, str] = {}

    @contextlib.contextmanager
    def attempt(what: str, building: Path) -> Iterator[None]:
        """Tables that took hours aren't given up for a picture; a disk that can't be written is
        another matter.
        """
        before = set(building.rglob("*"))
        try:
            yield
        except Exception as fault:
            if isinstance(fault, OSError) and fault.errno in DISK_FAULTS:
                raise
            not_made[what] = "".join(traceback.format_exception(fault))
            for half in set(building.rglob("*")) - before:
                half.unlink()

    changes = ring_changes(posterior) if changes is None else changes
    settings = ({} if changes is None else {"release_criterion": changes.recorded_criterion}) | dict(settings or {})
    tables = result_tables(posterior, level=level, ages=ages, changes=changes) if tables is None else dict(tables)

    def fill(building: Path) -> dict[str, Any]:
        for name, table in tables.items():
            write_table(table, building / f"{name}.csv")
        leanings = {"prior_sensitivity": sensitivity_records(tables["prior_sensitivity"])} if "prior_sensitivity" in tables else {}
        write_json({**posterior.verdict, **leanings, "cannot_tell": cannot_tell(tables)}, building / "verdict.json")
        posterior.save(building / "posterior.nc")
        (building / "figures").mkdir()
        figures: dict[str, Any] = {}
        with in_style(style):
            with attempt("figures of the stands", building):
                figures |= result_figures(posterior, tables, level=level, changes=changes)
            if "comparison" in tables:
                with attempt("figures of the comparison", building):
                    figures |= comparison_figures(tables, level=level, events=posterior.survey.events)
            for name, figure in figures.items():
                with attempt(f"figure {name}", building):
                    write_figures({name: figure}, building / "figures")
        for write in also:
            with attempt(write.__name__, building):
                write(building)
        told = provenance(posterior, level=level, profiles=profiles, settings=settings)
        if not_made:
            (building / NOT_MADE).write_text("\n".join(f"{what}:\n{trace}" for what, trace in not_made.items()), encoding="utf-8")
            told["not_made"] = list(not_made)
        return told

    written = build_result_folder(folder, fill, place=place)
    if not_made:
        raise IncompleteResult(written, not_made)
    return written


class IncompleteResult(StandageError):
    """A result that was written, but for some pictures or the report. `not_made`: what went wrong,
    by what is missing.
    """

    def __init__(self, folder: Path, not_made: Mapping[str, str]) -> None:
        self.not_made = dict(not_made)
        missing = "; ".join(f"{what} ({trace.strip().splitlines()[-1]})" for what, trace in not_made.items())
        super().__init__(
            f"Tables and draws are in {folder}, but this could not be made: {missing}. That is a mistake in standage or in a library, and "
            f"not in the survey; where it happened is in {folder / NOT_MADE}."
        )


def provenance(
    posterior, *, level: float = 0.9, profiles: Iterable[Profile] | None = None, settings: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """What is needed to make the result again: version, seed, inputs with their hashes, profiles
    with their sources, libraries.
    """
    if profiles is None:
        profiles = [load_profile(species) for species in dict.fromkeys(unit.species for unit in posterior.units)]
    survey = posterior.survey
    return {
        "version": _version("standage"),
        "written": datetime.now(UTC).isoformat(timespec="seconds"),
        "survey": survey.name,
        "inputs_sha256": dict(survey.hashes),
        "seed": posterior.seed,
        "level": level,
        **plain_values(settings or {}),
        "profiles": [_told(profile) for profile in profiles],
        "libraries": library_versions(),
        "processor": get_host_cpu_name(),
    }


def library_versions() -> dict[str, str]:
    """Python and the libraries whose versions a result records."""
    return {"python": platform.python_version()} | {name: _version(name) for name in LIBRARIES}


def _told(profile: Profile) -> dict[str, Any]:
    named = {"key": profile.key, "name": profile.name, "species": profile.species, "sha256": profile.sha256}
    return named | {"standing": profile.standing(), "sources": list(profile.sources)}


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"


def write_table(table: pd.DataFrame, path: Path) -> None:
    """A table as CSV that spreadsheets read: whole numbers without a point, blanks empty, the rest
    to five digits, no text a formula.
    """
    written = harmless_table(table)
    for name in written.columns[[pd.api.types.is_float_dtype(kind) for kind in written.dtypes]]:
        numbers = written[name].to_numpy(dtype=float, na_value=np.nan)
        written[name] = ["" if np.isnan(number) else in_digits(number, in_full=name in COORDINATES) for number in numbers]
    write_harmless_csv(written, path)


def write_json(values: Mapping[str, Any], path: Path) -> None:
    """Readable JSON; a number that is none becomes null, which every reader takes."""
    path.write_text(json.dumps(plain_values(values), indent=2, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def plain_values(value: Any) -> Any:
    """Arrays, numpy numbers and nested mappings as what JSON knows."""
    if isinstance(value, Mapping):
        return {str(key): plain_values(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray):
        return plain_values(value.tolist())
    if isinstance(value, list | tuple):
        return [plain_values(inner) for inner in value]
    if isinstance(value, np.generic):
        return plain_values(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
