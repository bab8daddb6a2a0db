"""Draws with names: the arrays of all units as one xarray tree, in the groups that ArviZ knows, and
the arrays of one unit taken from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
import xarray as xr

from standage.stand.unit_draws import Unit, UnitDraws

NO_YEAR = -1  # where a stem has no year to give
# of a delay of a unit: its variable, and the dimension of its seasons
DELAYS = {
    "grass": ("grass_stage", "seasons_in_grass_stage"),
    "height": ("height_growth", "seasons_of_height_growth"),
    "breast_height": ("to_breast_height", "seasons_to_breast_height"),
}
RATE = "stems per hectare and year; stems a year where amounts are among sampled trees"
# of variables and coordinates: unit, and what it is
MEANINGS = {
    "living": (RATE, "living stems at the survey by year of establishment, 0 after the season"),
    "past_emerging": ("share", "share of them that has passed breast height (1.37 m)"),
    "grass_share": ("share", "share of them that is in the grass stage"),
    "median_dbh": ("cm", "median diameter by growing seasons since breast height"),
    "grass_stage": ("probability", "chance of each length of the grass stage"),
    "height_growth": ("probability", "chance of each length of height growth to breast height"),
    "to_breast_height": ("probability", "chance of each delay from establishment to breast height"),
    "stems_by_diameter": ("stems", "stems listed in plots by class of diameter"),
    "log_counts": ("log probability", "how likely the stage counts are"),
    "establishment_year": ("calendar year", "first growing season of the stem"),
    "year_at_core": ("calendar year", "first growing season at the height of the lowest core"),
    "misread": ("probability", "that the core's reading is grossly off, given the draw's year"),
    "parameters": ("standard deviations of the prior", "parameters as they are sampled"),
    "year": ("calendar year", "year of establishment, or of arrival at coring height: see basis"),
    "basis": ("", "what the unit's years are years of"),
    "amounts": ("", "what the unit's stems are amounts of"),
    "season": ("calendar year", "growing season begun last at the survey"),
    "area_ha": ("ha", "area of the unit's plots"),
    "diameter_from_cm": ("cm", "lower edge of the class"),
    "diameter_to_cm": ("cm", "upper edge of the class"),
}


def labelled_draws(
    by_unit: Iterable[UnitDraws],
    trees: pd.DataFrame,
    *,
    n_units: int,
    establishment_year: np.ndarray,
    year_at_core: np.ndarray,
    parameters: np.ndarray,
    parameter_names: Sequence[str],
    misread: Mapping[str, np.ndarray] | None = None,
) -> xr.DataTree:
    """The draws of all units and stems, labelled.

    Parameters
    ----------
    by_unit : the arrays of the units, `n_units`; draws run through the chains one after another.
    trees : a row a stem.
    establishment_year, year_at_core : (draw, stem), `NO_YEAR` where there is none.
    parameters : (chain, draw of a chain, parameter).
    misread : by core whose reading may be grossly off, the probability that it is. (draw,)

    Returns
    -------
    Groups `posterior`, `prior`, `posterior_predictive` and `observed_data`. Units differ in their
    seasons: where one has none, values are NaN, stems by year 0.
    """
    chains, draws, _ = parameters.shape
    found = _SideBySide(n_units, chains)
    units: list[Unit] = []
    for one in by_unit:
        found.add(one)
        units.append(one.unit)

    def of_stems(values: np.ndarray) -> xr.Variable:
        return xr.Variable(("chain", "draw", "tree"), values.reshape(chains, draws, -1))

    names = {"unit": np.array([unit.name for unit in units], dtype=object)}
    years = {"year": one.years}
    posterior = xr.Dataset(
        {
            **found.posterior(),
            "establishment_year": of_stems(establishment_year),
            "year_at_core": of_stems(year_at_core),
            "parameters": (("chain", "draw", "parameter"), parameters),
        },
        coords=names
        | years
        | _unit_coordinates(units)
        | {
            "tree": trees["tree"].to_numpy(dtype=object),
            "stand_of_tree": ("tree", trees["stand"].to_numpy(dtype=object)),
            "species_of_tree": ("tree", trees["species"].to_numpy(dtype=object)),
            "parameter": np.array(parameter_names, dtype=object),
        },
    )
    if misread:
        chances = np.stack(list(misread.values()), axis=1).reshape(chains, draws, -1)
        posterior["misread"] = (("chain", "draw", "core"), chances)
        posterior = posterior.assign_coords(core=np.array(list(misread), dtype=object))
    prior = xr.Dataset(found.prior(), coords=names | years)
    edges = one.diameter_edges_cm
    classes = names | {
        "diameter_from_cm": ("diameter_class", edges[:-1]),
        "diameter_to_cm": ("diameter_class", edges[1:]),
    }
    predicted = xr.Dataset(found.predictive(), coords=classes)
    listed = np.stack(found.stems_listed)
    observed = xr.Dataset(
        {"stems_by_diameter": (("unit", "diameter_class"), listed)}, coords=classes
    )
    groups = {
        "posterior": _numbered(posterior),
        "prior": _numbered(prior),
        "posterior_predictive": _numbered(predicted),
        "observed_data": observed,
    }
    return xr.DataTree.from_dict({name: _explained(group) for name, group in groups.items()})


def units_of(draws: xr.DataTree) -> tuple[Unit, ...]:
    """The units that the draws are of."""
    of = draws["posterior"].dataset.coords
    columns = (of[name].values.tolist() for name in Unit.__dataclass_fields__)
    return tuple(Unit(*values) for values in zip(*columns, strict=True))


def unit_draws(draws: xr.DataTree, number: int, stage_counts: pd.DataFrame) -> UnitDraws:
    """The arrays of unit `number`; `stage_counts` are its own."""
    posterior, prior = draws["posterior"].dataset, draws["prior"].dataset
    observed = draws["observed_data"].dataset
    log_counts = _of_unit(posterior["log_counts"], number)
    edges = [observed["diameter_from_cm"].values, observed["diameter_to_cm"].values[-1:]]
    return UnitDraws(
        unit=units_of(draws)[number],
        years=posterior["year"].values,
        living=_of_unit(posterior["living"], number),
        past_emerging=_of_unit(posterior["past_emerging"], number),
        grass_share=_of_unit(posterior["grass_share"], number),
        size_curve=_without_blanks(_of_unit(posterior["median_dbh"], number)),
        delays=_delays_of_unit(posterior, number),
        stems_by_diameter=_of_unit(
            draws["posterior_predictive"].dataset["stems_by_diameter"], number
        ),
        stems_listed=observed["stems_by_diameter"].values[number],
        diameter_edges_cm=np.concatenate(edges),
        stage_counts=stage_counts,
        log_counts=log_counts[~np.isnan(log_counts)],
        prior_living=_of_unit(prior["living"], number),
        prior_delays=_delays_of_unit(prior, number),
    )


def with_blank_years(years: xr.DataArray) -> xr.DataArray:
    """Years with NaN where there is none, for whoever takes means."""
    return years.astype(np.float32).where(years != NO_YEAR)


class _Beside:
    """Arrays `(draw, last)` of the units as one, put there as they come, so that they are in memory
    once; each unit's draws lie together.
    """

    def __init__(self, n_units: int, fill: float) -> None:
        self.n_units, self.fill, self.values = n_units, fill, np.zeros((0, 0, 0))

    def add(self, number: int, part: np.ndarray) -> None:
        if number == 0 or part.shape[1] > self.values.shape[2]:
            kind = np.result_type(np.float32, part)
            wider = np.full((self.n_units, *part.shape), self.fill, dtype=kind)
            if number > 0:
                wider[:number, :, : self.values.shape[2]] = self.values[:number]
            self.values = wider
        self.values[number, :, : part.shape[1]] = part

    def variable(self, chains: int, last: str) -> xr.Variable:
        n_units, _, longest = self.values.shape
        values = self.values.reshape(n_units, chains, -1, longest)
        return xr.Variable(("unit", "chain", "draw", last), values).transpose(
            "chain", "draw", "unit", last
        )


class _SideBySide:
    """The arrays of all units, by what they are."""

    def __init__(self, n_units: int, chains: int) -> None:
        self.chains = chains
        self.by_year = {
            name: _Beside(n_units, 0.0)
            for name in ("living", "past_emerging", "grass_share", "prior_living")
        }
        self.size_curve, self.stems_by_diameter = (_Beside(n_units, np.nan) for _ in range(2))
        self.delays, self.prior_delays = (
            {name: _Beside(n_units, np.nan) for name in DELAYS} for _ in range(2)
        )
        self.log_counts: list[np.ndarray] = []
        self.stems_listed: list[np.ndarray] = []

    def add(self, one: UnitDraws) -> None:
        number = len(self.stems_listed)
        for name, beside in self.by_year.items():
            beside.add(number, getattr(one, name))
        self.size_curve.add(number, one.size_curve)
        self.stems_by_diameter.add(number, one.stems_by_diameter)
        for name in DELAYS:
            self.delays[name].add(number, one.delays[name])
            self.prior_delays[name].add(number, one.prior_delays[name])
        self.log_counts.append(one.log_counts)
        self.stems_listed.append(one.stems_listed)

    def posterior(self) -> dict[str, xr.Variable]:
        draws = self.by_year["living"].values.shape[1] // self.chains
        return {
            **{
                name: self.by_year[name].variable(self.chains, "year")
                for name in ("living", "past_emerging", "grass_share")
            },
            "median_dbh": self.size_curve.variable(self.chains, "seasons_since_breast_height"),
            **_delays(self.delays, self.chains),
            "log_counts": _or_blank(self.log_counts, self.chains, draws),
        }

    def prior(self) -> dict[str, xr.Variable]:
        return {
            "living": self.by_year["prior_living"].variable(1, "year"),
            **_delays(self.prior_delays, 1),
        }

    def predictive(self) -> dict[str, xr.Variable]:
        predicted = self.stems_by_diameter.variable(self.chains, "diameter_class")
        return {"stems_by_diameter": predicted}


def _or_blank(parts: Sequence[np.ndarray], chains: int, draws: int) -> xr.Variable:
    """Arrays `(draw,)` or `(0,)` of the units as one, NaN for those without."""
    values = np.full((chains, draws, len(parts)), np.nan)
    for number, part in enumerate(parts):
        if len(part):
            values[:, :, number] = part.reshape(chains, draws)
    return xr.Variable(("chain", "draw", "unit"), values)


def _delays(delays: Mapping[str, _Beside], chains: int) -> dict[str, xr.Variable]:
    return {
        variable: delays[name].variable(chains, seasons)
        for name, (variable, seasons) in DELAYS.items()
    }


def _delays_of_unit(group: xr.Dataset, number: int) -> dict[str, np.ndarray]:
    return {
        name: _without_blanks(_of_unit(group[variable], number))
        for name, (variable, _) in DELAYS.items()
    }


def _of_unit(array: xr.DataArray, number: int) -> np.ndarray:
    """`(draw, ...)` of one unit, chains one after another."""
    values = array.transpose("unit", "chain", "draw", ...).values[number]
    return np.ascontiguousarray(values).reshape(-1, *values.shape[2:])


def _without_blanks(values: np.ndarray) -> np.ndarray:
    """The part of `(draw, season)` that a unit has, uncopied: sizes of many units are large."""
    return values[:, : int((~np.isnan(values[0])).sum())]


def _unit_coordinates(units: Sequence[Unit]) -> dict[str, object]:
    def every(name: str, kind: type) -> tuple[str, np.ndarray]:
        return "unit", np.array([getattr(unit, name) for unit in units], dtype=kind)

    return {
        "stand": every("stand", object),
        "species": every("species", object),
        "basis": every("basis", object),
        "amounts": every("amounts", object),
        "has_plots": every("has_plots", bool),
        "season": every("season", int),
        "area_ha": every("area_ha", float),
    }


def _numbered(group: xr.Dataset) -> xr.Dataset:
    """With numbers for chains and draws, as ArviZ has them."""
    return group.assign_coords({name: np.arange(group.sizes[name]) for name in ("chain", "draw")})


def _explained(group: xr.Dataset) -> xr.Dataset:
    """With unit and meaning at each variable."""
    for name, variable in group.variables.items():
        if str(name) in MEANINGS:
            unit, meaning = MEANINGS[str(name)]
            variable.attrs = ({"units": unit} if unit else {}) | {"long_name": meaning}
    return group
