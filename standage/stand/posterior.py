"""The posterior of a survey: draws, dates and checks, as plain data that can be saved and
reloaded.
"""

from __future__ import annotations

import errno
import gc
import json
import os
import sys
import traceback
from dataclasses import dataclass, field, fields
from pathlib import Path

import numpy as np
import pandas as pd

from standage.errors import StandageError
from standage.stand.prior_components import PriorComponent
from standage.survey.schema import TABLES
from standage.survey.survey import Survey

# of all arrays of a saved posterior (assumption: a hundred stands have two); a damaged one may ask
# for any amount
MOST_BYTES = 8e9
# [bytes] of a saved file beside its numbers, which are compressed; assumption
ROOM_FOR_LAYOUT = 100_000
# of the saved file; raised when its layout changes, so that an older one is refused by name
FORMAT = 2


@dataclass(frozen=True)
class Unit:
    """A species in a stand. `season` is the growing season begun last at the survey; `area_ha` the
    listed area (NaN without plots).
    """

    stand: str
    species: str
    basis: str
    has_plots: bool
    season: int
    area_ha: float


@dataclass(frozen=True)
class Posterior:
    """What the model says, by draw. Lists run over `units`; arrays `(draw, year)` over `years`; -1
    stands for no year.

    The delays are those of the stand's own pace; where openings may have changed emergence, rho is
    with them as `release` `(draw, 1)`. `prior_components` are the assumptions that can be moved,
    `log_counts` `(draw,)` how likely the stage counts are (empty without any).
    """

    survey: Survey
    level: float
    seed: int
    units: tuple[Unit, ...]
    years: np.ndarray
    living: list[np.ndarray]
    past_emerging: list[np.ndarray]
    grass_share: list[np.ndarray]
    prior_living: list[np.ndarray]
    trees: pd.DataFrame
    year_at_core: np.ndarray
    establishment_year: np.ndarray
    parameters: pd.DataFrame
    verdict: dict
    delay_prior: list[dict[str, np.ndarray]]
    delay_posterior: list[dict[str, np.ndarray]]
    fitted: list[dict]
    size_curve: list[np.ndarray]
    notes: tuple[str, ...] = ()
    draws: np.ndarray = field(default_factory=lambda: np.zeros((0, 0, 0)), repr=False)
    prior_components: list[list[PriorComponent]] = field(default_factory=list, repr=False)
    log_counts: list[np.ndarray] = field(default_factory=list, repr=False)

    def __str__(self) -> str:
        dated = int(
            (
                (self.establishment_year >= 0).any(axis=0) | (self.year_at_core >= 0).any(axis=0)
            ).sum()
        )
        lines = [
            (
                f"Posterior of {self.survey.name}: {len(self.living[0])} draws, "
                f"years {self.years[0]}-{self.years[-1]}, intervals of {self.level:.0%}"
            ),
            *(
                f"  {unit.stand}, {unit.species}: by {unit.basis}"
                + ("" if unit.has_plots else ", among sampled trees")
                for unit in self.units
            ),
            f"  {dated} of {len(self.trees)} stems dated; the fit "
            + ("passes its checks" if self.verdict["passed"] else "FAILS its checks"),
        ]
        return "\n".join(lines)

    def save(self, path: str | Path) -> None:
        """Write the posterior to one netCDF file (ArviZ InferenceData groups; tables as JSON text
        in `constant_data`).
        """
        import arviz

        chains = len(self.draws)
        by_chain = {
            "parameters": self.draws,
            "year_at_core": _split(self.year_at_core, chains),
            "establishment_year": _split(self.establishment_year, chains),
        }
        for u in range(len(self.units)):
            for name in ("living", "past_emerging", "grass_share"):
                by_chain[f"{name}_{u}"] = _split(getattr(self, name)[u].astype(np.float32), chains)
            by_chain[f"size_curve_{u}"] = _split(self.size_curve[u].astype(np.float32), chains)
            for name, pmf in self.delay_posterior[u].items():
                by_chain[f"delay_{name}_{u}"] = _split(pmf.astype(np.float32), chains)
            by_chain[f"fitted_dbh_{u}"] = _split(
                np.asarray(self.fitted[u]["dbh_predicted"], dtype=np.float32), chains
            )
        by_chain |= {
            f"log_counts_{u}": _split(of_unit, chains)
            for u, of_unit in enumerate(self.log_counts)
            if len(of_unit)
        }
        prior = {}
        for u in range(len(self.units)):
            prior[f"living_{u}"] = self.prior_living[u].astype(np.float32)[None]
            for name, pmf in self.delay_prior[u].items():
                prior[f"delay_{name}_{u}"] = pmf.astype(np.float32)[None]
        survey = {
            item.name: (
                _table(getattr(self.survey, item.name))
                if isinstance(getattr(self.survey, item.name), pd.DataFrame)
                else None
            )
            for item in fields(self.survey)
        }
        about = {
            "format": FORMAT,
            "level": self.level,
            "seed": self.seed,
            "units": [vars(unit) for unit in self.units],
            "notes": list(self.notes),
            "verdict": self.verdict,
            "trees": _table(self.trees),
            "parameters": _table(self.parameters),
            "prior_components": [
                [vars(component) for component in of_unit] for of_unit in self.prior_components
            ],
            "survey_tables": {name: text for name, text in survey.items() if text is not None},
            "survey": {
                "name": self.survey.name,
                "path": (
                    Path(self.survey.path).name
                ),  # whose computer it was read on is nobody's business
                "notes": list(self.survey.notes),
                "hashes": self.survey.hashes,
                "main_species": self.survey.main_species,
            },
            "fitted": [
                {
                    "dbh_edges": [float(e) for e in part["dbh_edges"]],
                    "dbh_observed": [int(c) for c in part["dbh_observed"]],
                    "counts": _table(part["counts"]),
                }
                for part in self.fitted
            ],
        }
        text = json.dumps(about)
        saved = arviz.from_dict(
            posterior=by_chain,
            prior=prior,
            constant_data={"years": self.years},
            attrs={"standage": text},
        )
        _look_for_room(
            Path(path),
            sum(values.nbytes for values in (*by_chain.values(), *prior.values())) + len(text),
        )
        saved.to_netcdf(str(path))


def _look_for_room(path: Path, size: int) -> None:
    """Raises OSError where the disk has no room for `size` [bytes]: HDF5 does not say so, but
    brings the process down at its end.
    """
    if not hasattr(os, "posix_fallocate"):
        return
    try:
        with path.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, size + ROOM_FOR_LAYOUT)
    except OSError as error:
        if error.errno in (
            errno.ENOSPC,
            errno.EDQUOT,
            errno.EFBIG,
        ):  # others: file systems that can't be asked
            raise
    finally:
        path.unlink(missing_ok=True)


def load_posterior(path: str | Path) -> Posterior:
    """Read a posterior written by `Posterior.save`. Raises `StandageError` if the file is missing,
    damaged or not one of ours.

    Nothing in the file is ever run: it holds arrays of numbers, and tables as JSON.
    """
    import arviz

    if not Path(path).is_file():
        raise StandageError.at(
            path, "no such file", "a posterior saved by standage", "Check the path."
        )
    try:
        with arviz.rc_context({"data.load": "lazy"}):
            saved = arviz.from_netcdf(str(path))
        about = json.loads(saved.attrs["standage"])
        layout = about["format"]
    except (
        Exception
    ) as problem:  # a damaged file fails in the library of its format, with errors of every kind
        _close_in_silence(problem)
        advice = "Give a posterior.nc that `standage run` wrote."
        raise StandageError.at(
            path, "something else", "a posterior saved by standage", advice
        ) from problem
    if layout != FORMAT:
        found = f"the draws of another version of standage (layout {layout})"
        raise StandageError.at(path, found, f"layout {FORMAT}", "Run the survey again.")
    size = sum(group.nbytes for group in (saved[name] for name in saved.groups()))
    if size > MOST_BYTES:
        raise StandageError.at(
            path,
            f"{size / 1e9:,.0f} GB of draws",
            f"at most {MOST_BYTES / 1e9:.0f} GB",
            "Run the survey again.",
        )
    try:
        return _checked(_posterior(saved, about))
    except Exception as problem:
        del saved
        _close_in_silence(problem)
        raise StandageError.at(
            path, "a damaged posterior", "a whole one", "Run the survey again."
        ) from problem


def _close_in_silence(problem: Exception) -> None:
    """Let go of what was open when `problem` came up. A damaged file can't be closed in order
    either, and Python would print that, as a traceback, whenever the file's object happens to go.
    """
    printed, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        cause: BaseException | None = problem
        while cause is not None:
            traceback.clear_frames(cause.__traceback__)
            cause = cause.__context__
        gc.collect()
    finally:
        sys.unraisablehook = printed


def _checked(posterior: Posterior) -> Posterior:
    """The posterior, if its parts belong together. Raises ValueError."""
    stems, years, draws = len(posterior.trees), len(posterior.years), len(posterior.living[0])
    shapes = [
        *(
            (array.shape, (draws, stems))
            for array in (posterior.year_at_core, posterior.establishment_year)
        ),
        *(
            (np.shape(array)[0], draws)
            for arrays in (posterior.past_emerging, posterior.grass_share)
            for array in arrays
        ),
        *((array.shape, (draws, array.shape[1])) for array in posterior.living),
        ((np.prod(posterior.draws.shape[:2]),), (draws,)),
        ((max(array.shape[1] for array in posterior.living) <= years,), (True,)),
    ]
    if not all(found == wanted for found, wanted in shapes):
        raise ValueError(f"arrays that do not belong together: {shapes}")
    if not isinstance(posterior.verdict["passed"], bool) or not 0.5 <= posterior.level < 1:
        raise ValueError("no verdict, or no level")
    if not all(np.isfinite(array).all() for array in (posterior.draws, *posterior.living)):
        raise ValueError("draws that are no numbers")
    for each in TABLES:
        missing = {column.name for column in each.columns} - set(
            getattr(posterior.survey, each.name)
        )
        if missing and each.name != "ring_widths":
            raise ValueError(f"{each.name} without {missing}")
    return posterior


def _posterior(saved, about: dict) -> Posterior:
    post = saved.posterior
    n_units = len(about["units"])

    def flat(name):
        values = post[name].to_numpy()
        return values.reshape(-1, *values.shape[2:])

    def delays(group, u):
        return {
            name: (
                group[f"delay_{name}_{u}"]
                .to_numpy()
                .reshape(-1, group[f"delay_{name}_{u}"].shape[-1])
            )
            for name in ("grass", "height", "breast_height", "release")
            if f"delay_{name}_{u}" in group
        }

    survey = _survey(about)
    fitted = [
        {
            "dbh_edges": np.array(part["dbh_edges"]),
            "dbh_observed": np.array(part["dbh_observed"]),
            "dbh_predicted": flat(f"fitted_dbh_{u}"),
            "counts": _read_table(part["counts"]),
        }
        for u, part in enumerate(about["fitted"])
    ]
    return Posterior(
        survey=survey,
        level=about["level"],
        seed=about["seed"],
        units=tuple(Unit(**unit) for unit in about["units"]),
        years=saved.constant_data["years"].to_numpy(),
        living=[flat(f"living_{u}") for u in range(n_units)],
        past_emerging=[flat(f"past_emerging_{u}") for u in range(n_units)],
        grass_share=[flat(f"grass_share_{u}") for u in range(n_units)],
        prior_living=[saved.prior[f"living_{u}"].to_numpy()[0] for u in range(n_units)],
        trees=_read_table(about["trees"]),
        year_at_core=flat("year_at_core"),
        establishment_year=flat("establishment_year"),
        parameters=_read_table(about["parameters"]),
        verdict=about["verdict"],
        delay_prior=[delays(saved.prior, u) for u in range(n_units)],
        delay_posterior=[delays(post, u) for u in range(n_units)],
        fitted=fitted,
        size_curve=[flat(f"size_curve_{u}") for u in range(n_units)],
        notes=tuple(about["notes"]),
        draws=post["parameters"].to_numpy(),
        prior_components=[
            [_component(saved_one) for saved_one in of_unit]
            for of_unit in about["prior_components"]
        ],
        log_counts=[
            flat(f"log_counts_{u}") if f"log_counts_{u}" in post else np.zeros(0)
            for u in range(n_units)
        ],
    )


def _component(saved: dict) -> PriorComponent:
    return PriorComponent(
        **{
            name: tuple(value) if isinstance(value, list) else value
            for name, value in saved.items()
        }
    )


def _split(values: np.ndarray, chains: int) -> np.ndarray:
    return values.reshape(chains, -1, *values.shape[1:])


def _table(table: pd.DataFrame) -> dict:
    """A table as plain lists with its column kinds, so that it comes back as it was."""
    columns = {}
    for name in table.columns:
        column = table[name]
        if pd.api.types.is_datetime64_any_dtype(column):
            columns[name] = [
                "date",
                [None if pd.isna(value) else value.date().isoformat() for value in column],
            ]
        elif pd.api.types.is_bool_dtype(column):
            columns[name] = ["bool", [bool(value) for value in column]]
        elif pd.api.types.is_integer_dtype(column):
            columns[name] = ["int", [int(value) for value in column]]
        elif pd.api.types.is_float_dtype(column):
            columns[name] = [
                "float",
                [None if not np.isfinite(value) else float(value) for value in column],
            ]
        else:
            columns[name] = ["text", [None if value is None else str(value) for value in column]]
    return columns


def _read_table(columns: dict) -> pd.DataFrame:
    kinds = {
        "date": "datetime64[ns]",
        "bool": bool,
        "int": "int64",
        "float": "float64",
        "text": object,
    }
    return pd.DataFrame(
        {name: pd.Series(values, dtype=kinds[kind]) for name, (kind, values) in columns.items()}
    )


def _survey(about: dict) -> Survey:
    tables = {name: _read_table(columns) for name, columns in about["survey_tables"].items()}
    plain = about["survey"]
    return Survey(
        **tables,
        name=plain["name"],
        path=plain["path"],
        notes=tuple(plain["notes"]),
        hashes=plain["hashes"],
        main_species=plain["main_species"],
    )
