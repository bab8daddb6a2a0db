"""The posterior of a survey: draws with names, dates and checks, as plain data that can be saved
and reloaded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from standage.errors import StandageError
from standage.profiles import Profile
from standage.stand.labelled import unit_draws, units_of, with_blank_years
from standage.stand.netcdf_file import read_netcdf, write_netcdf
from standage.stand.posterior_card import object_card, stems_dated, text_card
from standage.stand.posterior_groups import FORMAT, parts_of, tree_of
from standage.stand.prior_components import PriorComponent
from standage.stand.unit_draws import Unit, UnitDraws
from standage.stand.verdict_record import Verdict
from standage.survey.schema import TABLES
from standage.survey.survey import Survey

YEARS_OF_STEMS = ("establishment_year", "year_at_core")


@dataclass(frozen=True, eq=False, repr=False)
class Posterior:
    """What the model says, by draw: `posterior["living"]` is an xarray array with its names.

    Attributes
    ----------
    survey, profiles : what was fitted, and the life histories of its species, by key.
    level : credible level of every interval that is made of it.
    seed : of the sampler.
    draws_by_name : the draws as an xarray tree, see `standage.stand.labelled`; -1 stands for no
        year.
    trees : a row a stem, in the order of the draws' stems.
    parameters : a row a parameter that means something by itself, prior beside posterior.
    stage_counts : a row a unit and stage counted, beside what the model expects.
    verdict : whether to trust the fit, and the numbers behind it.
    prior_components : by unit, the assumptions that can be moved.
    notes : what of the survey the model can't use, or uses on an assumption.

    >>> posterior
    <Posterior of small: 1 histories, 95 of 95 stems dated, the fit FAILS its checks>
    >>> posterior["living"].dims
    ('chain', 'draw', 'unit', 'year')
    """

    survey: Survey
    profiles: Mapping[str, Profile]
    level: float
    seed: int
    draws_by_name: xr.DataTree
    trees: pd.DataFrame
    parameters: pd.DataFrame
    stage_counts: pd.DataFrame
    verdict: Verdict
    prior_components: Sequence[Sequence[PriorComponent]]
    notes: tuple[str, ...] = ()

    def __getitem__(self, name: str) -> xr.DataArray:
        """Draws by name: `living`, `past_emerging`, `grass_share`, `establishment_year` and others,
        with dimensions `chain` and `draw` and units, years and trees by name; NaN where there is no
        year. Raises KeyError.
        """
        array = self.draws_by_name["posterior"].dataset[name]
        return with_blank_years(array) if name in YEARS_OF_STEMS else array

    @cached_property
    def units(self) -> tuple[Unit, ...]:
        """The stands and species that have a history."""
        return units_of(self.draws_by_name)

    @cached_property
    def by_unit(self) -> tuple[UnitDraws, ...]:
        """The draws of each unit as plain arrays."""
        counts = self.stage_counts
        return tuple(
            unit_draws(
                self.draws_by_name,
                number,
                counts[counts["unit"] == number].drop(columns="unit").reset_index(drop=True),
            )
            for number in range(len(self.units))
        )

    def unit(self, number: int) -> UnitDraws:
        """The draws of unit `number` of `units`."""
        return self.by_unit[number]

    @property
    def years(self) -> np.ndarray:
        """Calendar years of the axis that all units share. (year,)"""
        return self.draws_by_name["posterior"].dataset["year"].values

    @cached_property
    def establishment_year(self) -> np.ndarray:
        """Calendar year of establishment, -1 for none. (draw, stem)"""
        return self._of_stems("establishment_year")

    @cached_property
    def year_at_core(self) -> np.ndarray:
        """Calendar year of the first ring at the lowest core, -1 for none. (draw, stem)"""
        return self._of_stems("year_at_core")

    @cached_property
    def misread(self) -> pd.DataFrame:
        """Probability that a core's reading is grossly off, given each draw's year at the core: a
        row a draw, a column a core; none for cores of which it isn't doubted. NaN without a year.
        """
        dataset = self.draws_by_name["posterior"].dataset
        if "misread" not in dataset:
            return pd.DataFrame(index=range(len(self.establishment_year)))
        values = dataset["misread"].transpose("chain", "draw", "core").values
        return pd.DataFrame(
            values.reshape(-1, values.shape[-1]), columns=dataset["core"].values.tolist()
        )

    @property
    def draws(self) -> np.ndarray:
        """Parameters as they are sampled. (chain, draw of the chain, parameter)"""
        return self.draws_by_name["posterior"].dataset["parameters"].values

    def _of_stems(self, name: str) -> np.ndarray:
        values = self.draws_by_name["posterior"].dataset[name].values
        return values.reshape(-1, values.shape[-1])

    def __str__(self) -> str:
        return text_card(self)

    def __repr__(self) -> str:
        return (
            f"<Posterior of {self.survey.name}: {len(self.units)} histories, {stems_dated(self)} of"
            f" {len(self.trees)} stems dated, the fit "
            + ("passes its checks>" if self.verdict["passed"] else "FAILS its checks>")
        )

    def _repr_html_(self) -> str:
        return object_card(self).html()

    def datatree(self) -> xr.DataTree:
        """All of it as one xarray tree, as the file holds it: draws in the groups that ArviZ knows,
        tables, survey and profiles below `constant_data`.
        """
        tree = tree_of(self)
        drawn = tree["posterior"].dataset
        blanked = {name: with_blank_years(drawn[name]) for name in YEARS_OF_STEMS}
        tree["posterior"] = xr.DataTree(drawn.assign(blanked))
        return tree

    def save(self, path: str | Path) -> None:
        """Write the posterior to one netCDF file, which ArviZ and xarray read with its names.

        Raises OSError where there is no room for it.
        """
        write_netcdf(tree_of(self), path)


def load_posterior(path: str | Path) -> Posterior:
    """Read a posterior written by `Posterior.save`. Raises `StandageError` if the file is missing,
    damaged or not one of ours.

    Nothing in the file is ever run: it holds arrays of numbers and of text.

    >>> posterior.save(folder / "posterior.nc")
    >>> load_posterior(folder / "posterior.nc").level
    0.9
    """
    if not Path(path).is_file():
        raise StandageError.at(
            path, "no such file", "a posterior saved by standage", "Check the path."
        )
    try:
        tree = read_netcdf(path)
        layout = int(tree.attrs["format"])
    except StandageError:
        raise
    except Exception as problem:  # a damaged file fails in its library, with errors of every kind
        advice = "Give a posterior.nc that `standage run` wrote."
        raise StandageError.at(
            path, "something else", "a posterior saved by standage", advice
        ) from problem
    if layout != FORMAT:
        found = f"the draws of another version of standage (layout {layout})"
        raise StandageError.at(path, found, f"layout {FORMAT}", "Run the survey again.")
    try:
        return _checked(Posterior(**parts_of(tree)))
    except Exception as problem:
        raise StandageError.at(
            path, "a damaged posterior", "a whole one", "Run the survey again."
        ) from problem


def _checked(posterior: Posterior) -> Posterior:
    """The posterior, if its parts belong together. Raises ValueError; xarray itself has seen to
    dimensions of one length.
    """
    if len(posterior.trees) != posterior.establishment_year.shape[1]:
        raise ValueError("stems without draws, or draws without stems")
    if not isinstance(posterior.verdict["passed"], bool) or not 0.5 <= posterior.level < 1:
        raise ValueError("no verdict, or no level")
    if not all(np.isfinite(one.living).all() for one in posterior.by_unit):
        raise ValueError("draws that are no numbers")
    if not np.isfinite(posterior.draws).all():
        raise ValueError("parameters that are no numbers")
    for each in TABLES:
        missing = {column.name for column in each.columns} - set(
            getattr(posterior.survey, each.name)
        )
        if missing and each.name != "ring_widths":
            raise ValueError(f"{each.name} without {missing}")
    return posterior
