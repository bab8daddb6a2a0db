"""A small invented posterior with known truth, made without a sampler.

Three units: a stand with plots and a burst in 1930-1939, one old field that filled within fifteen
years, and one sampled without plots whose cores have no recorded height.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pandas as pd

from standage.profiles import load_profile
from standage.stand.labelled import labelled_draws
from standage.stand.posterior import Posterior
from standage.stand.unit_draws import Unit, UnitDraws
from standage.survey.schema import table
from standage.survey.survey import Survey, empty_table

DRAWS = 300
SEASON = 2020
YEARS = np.arange(1780, SEASON + 1)
BURST = (1930, 1939)
STANDS = ("Fern Flat", "Old Field", "Stony Ridge")
OF_UNITS = {field.name for field in fields(UnitDraws)}  # what `changed` takes a list of


def fake_posterior(seed: int = 1, *, draws: int = DRAWS) -> Posterior:
    """The invented posterior; the same seed gives the same draws."""
    rng = np.random.default_rng(seed)
    units = (
        _unit("Fern Flat", "longleaf-pine", "establishment", 0.8),
        _unit("Old Field", "loblolly-pine", "establishment", 0.4),
        _unit("Stony Ridge", "longleaf-pine", "coring height", np.nan),
    )
    age = SEASON - YEARS
    past = [_past_emerging(age, 9), _past_emerging(age, 3), np.ones(len(YEARS))]
    shapes = [
        np.exp(-age / 110) * (0.25 + 3.0 * ((BURST[0] <= YEARS) & (BURST[1] >= YEARS)))
        + 40 * np.exp(-age / 3) * (age < 40),
        np.exp(-(((YEARS - 1962) / 5) ** 2)) * 30 + 0.002,
        0.35 * np.exp(-age / 90),
    ]
    living = [shape * _wobble(rng, draws, 0.25) for shape in shapes]
    prior = [
        np.exp(rng.normal(0, 1.5, (draws, 1)))
        * _wobble(rng, draws, 0.9)
        * (1 + 160 * np.exp(-age / 3) * (unit.basis == "establishment"))
        for unit in units
    ]
    trees, established, at_core = _stems(rng, draws, living, past, units)
    grass_only = np.clip(1 - age / 8, 0, 1)
    delay_prior = [_delays(rng, draws, 5.5, 0.5) for _ in units]
    delay_posterior = [_delays(rng, draws, 6.5, 0.2) for _ in units]
    fitted = [_fitted(rng, draws, trees, number, unit) for number, unit in enumerate(units)]
    size_curve = [_size_curve(rng, draws) for _ in units]
    by_unit = [
        UnitDraws(
            unit=unit,
            years=YEARS,
            living=living[number],
            past_emerging=np.broadcast_to(past[number], (draws, len(YEARS))),
            grass_share=np.broadcast_to(
                grass_only * (unit.species == "longleaf-pine"), (draws, len(YEARS))
            ),
            size_curve=size_curve[number],
            delays=delay_posterior[number],
            log_counts=np.zeros(0),
            prior_living=prior[number],
            prior_delays=delay_prior[number],
            **fitted[number],
        )
        for number, unit in enumerate(units)
    ]
    return _posterior(
        by_unit,
        chains=2 if draws % 2 == 0 else 1,
        trees=trees,
        establishment_year=established,
        year_at_core=at_core,
        survey=_survey(trees, units),
        profiles={key: load_profile(key) for key in sorted({unit.species for unit in units})},
        level=0.9,
        seed=seed,
        parameters=_parameters(),
        verdict={
            "passed": True,
            "notes": [],
            "rhat_max": 1.004,
            "rhat_any_parameter": 1.01,
            "ess_min": 612.0,
            "slowest": "stems alive",
            "divergences": 0,
            "chains": 4,
            "draws_per_chain": draws,
            "checks": [
                {"name": "stems listed", "observed": 61.0, "low": 48.0, "high": 77.0, "p": 0.61}
            ],
            "steps_per_draw": 15.0,
            "sampling_seconds": 1.0,
        },
        prior_components=[()] * len(units),
    )


def changed(posterior: Posterior, **own: Any) -> Posterior:
    """The posterior with other parts: attributes of `Posterior`, `establishment_year`,
    `year_at_core`, `draws`, or a list over the units of attributes of `UnitDraws`, such as
    `living`; `units` and `years` as in `Posterior`.
    """
    by_unit = list(posterior.by_unit)
    if "units" in own:
        old = {unit: one for unit, one in zip(posterior.units, by_unit, strict=True)}
        by_unit = [
            replace(old.get(unit, by_unit[min(number, len(by_unit) - 1)]), unit=unit)
            for number, unit in enumerate(own.pop("units"))
        ]
    if "years" in own:
        by_unit = [replace(one, years=own["years"]) for one in by_unit]
        own.pop("years")
    for name in sorted(OF_UNITS & own.keys()):
        values = own.pop(name)
        by_unit = [replace(one, **{name: of}) for one, of in zip(by_unit, values, strict=True)]
    kept = ("survey", "profiles", "level", "seed", "trees", "parameters", "verdict")
    kept += ("prior_components", "notes", "establishment_year", "year_at_core", "draws")
    return _posterior(
        by_unit,
        chains=len(posterior.draws),
        **{name: getattr(posterior, name) for name in kept} | own,
    )


def one_unit(
    unit: Unit,
    *,
    years: np.ndarray,
    trees: pd.DataFrame,
    delays: Mapping[str, np.ndarray],
    establishment_year: np.ndarray,
    year_at_core: np.ndarray,
) -> Posterior:
    """A posterior of one unit of which only dates and delays matter."""
    like = fake_posterior(draws=2)
    blank = np.zeros((len(establishment_year), len(years)))
    only = replace(
        like.unit(0),
        unit=unit,
        years=years,
        delays=delays,
        prior_delays=delays,
        **dict.fromkeys(("living", "past_emerging", "grass_share", "prior_living"), blank),
        size_curve=blank,
        stems_by_diameter=np.zeros((len(blank), len(like.unit(0).stems_listed))),
    )
    return _posterior(
        [only],
        chains=1,
        trees=trees.assign(tree="1", stand=unit.stand, species=unit.species),
        establishment_year=establishment_year,
        year_at_core=year_at_core,
        prior_components=[()],
        **{name: getattr(like, name) for name in ("survey", "profiles", "level", "seed")},
        **{name: getattr(like, name) for name in ("parameters", "verdict")},
    )


def with_tables(posterior: Posterior, **own: Any) -> Posterior:
    """The posterior of the survey with other attributes, such as `events`."""
    return changed(posterior, survey=replace(posterior.survey, **own))


def _posterior(
    by_unit: Sequence[UnitDraws],
    *,
    chains: int,
    trees: pd.DataFrame,
    establishment_year: np.ndarray,
    year_at_core: np.ndarray,
    draws: np.ndarray | None = None,
    **more: Any,
) -> Posterior:
    none = np.zeros((chains, len(establishment_year) // chains, 0))
    parameters = none if draws is None else draws
    counts = [one.stage_counts.assign(unit=number) for number, one in enumerate(by_unit)]
    filled = [table for table in counts if len(table)]
    return Posterior(
        draws_by_name=labelled_draws(
            by_unit,
            trees,
            n_units=len(by_unit),
            establishment_year=establishment_year,
            year_at_core=year_at_core,
            parameters=parameters,
            parameter_names=[f"parameter {number}" for number in range(parameters.shape[2])],
        ),
        trees=trees,
        stage_counts=pd.concat(filled, ignore_index=True) if filled else counts[0],
        **more,
    )


def _unit(stand: str, species: str, basis: str, area_ha: float) -> Unit:
    return Unit(stand, species, basis, bool(np.isfinite(area_ha)), SEASON, area_ha)


def _past_emerging(age: np.ndarray, delay: float) -> np.ndarray:
    return 1 / (1 + np.exp(-(age - delay) / 1.5))


def _wobble(rng, draws: int, size: float) -> np.ndarray:
    """Smooth multiplicative noise along the years. (draw, year)"""
    knots = rng.normal(0, size, (draws, len(YEARS) // 8 + 2))
    place = np.arange(len(YEARS)) / 8
    below = place.astype(int)
    part = place - below
    return np.exp(knots[:, below] * (1 - part) + knots[:, below + 1] * part)


def _stems(rng, draws, living, past, units):
    rows, true_years, spread = [], [], []
    for number, (unit, listed) in enumerate(zip(units, (60, 45, 25), strict=True)):
        mean = (living[number] * past[number]).mean(axis=0) * (SEASON - YEARS > 12)
        for stem in range(listed):
            cored = stem % 3 == 0 or not unit.has_plots
            rows.append(_tree_row(rng, unit, number, stem, cored))
            true_years.append(rng.choice(YEARS, p=mean / mean.sum()))
            spread.append(2.0 if cored else 9.0)
    true_years, spread = np.array(true_years), np.array(spread)
    trees = pd.DataFrame(rows)
    years_since = SEASON - true_years
    trees["dbh_cm"] = np.round(
        55
        * (1 - np.exp(-np.maximum(years_since - 8, 1) / 60))
        * np.exp(rng.normal(0, 0.15, len(trees)))
        + 10,
        1,
    )
    established = np.rint(true_years + rng.normal(0, 1, (draws, len(trees))) * spread).astype(
        np.int32
    )
    established = np.minimum(established, SEASON - 10)
    below = np.maximum(np.rint(rng.normal(8, 2, established.shape)), 1).astype(np.int32)
    at_core = np.where(trees["cored"].to_numpy(), established + below, -1).astype(np.int32)
    ridge = trees["unit"].to_numpy() == 2
    at_core[:, ridge] = established[:, ridge]
    established[:, ridge] = -1
    trees["innermost_ring_year"] = np.where(trees["cored"], np.median(at_core, axis=0) + 3, np.nan)
    return trees, established, at_core


def _tree_row(rng, unit, number: int, stem: int, cored: bool) -> dict:
    return {
        "tree": f"{unit.stand[0]}{stem + 1}",
        "stand": unit.stand,
        "species": unit.species,
        "plot": f"{unit.stand[0]}-p{stem % 4 + 1}" if unit.has_plots else "",
        "unit": number,
        "cored": cored,
        "status": "live",
        "basis": "cored" if cored else "size",
        "in_process": True,
        "dbh_cm": np.nan,
        "coring_height_cm": 30.0 if cored and unit.has_plots else np.nan,
        "innermost_ring_year": np.nan,
        "left_out_reason": "",
        "note": "",
    }


def _survey(trees: pd.DataFrame, units: Sequence[Unit]) -> Survey:
    plots = [
        {
            "plot": f"{unit.stand[0]}-p{place}",
            "stand": unit.stand,
            "area_m2": unit.area_ha * 2500,
            "min_dbh_cm": 5.0,
            "max_dbh_cm": np.nan,
        }
        for unit in units
        if unit.has_plots
        for place in (1, 2, 3, 4)
    ]
    plots = pd.DataFrame(plots).assign(placement="random")
    cored = trees[trees["cored"]]
    centres = np.array(["pith", "arcs", "arcs", "straight", "rotten", "unknown"], dtype=object)
    survey_trees = trees[["tree", "stand", "plot", "species", "dbh_cm", "status", "note"]].copy()
    survey_trees["death_year"] = np.nan
    survey_trees["core_outcome"] = np.where(trees["cored"], "taken", "not_tried")
    survey_trees.loc[1, "core_outcome"] = "no_sound_wood"
    other = pd.DataFrame(
        [
            {
                "tree": "F-oak",
                "stand": "Fern Flat",
                "plot": "F-p1",
                "species": "post-oak",
                "dbh_cm": 22.0,
                "status": "live",
            }
        ]
    )
    survey_trees = pd.concat(
        [survey_trees, other.assign(note="", core_outcome="not_tried")], ignore_index=True
    )
    counts = pd.DataFrame(
        [
            {
                "plot": "F-p1",
                "stage": "grass",
                "species": "longleaf-pine",
                "area_m2": 100.0,
                "count": 9.0,
            }
        ],
    )
    events = pd.DataFrame(
        [
            {
                "event": "cut",
                "stand": "Fern Flat",
                "kind": "logging",
                "first_year": 1926.0,
                "last_year": 1928.0,
                "ended_year": np.nan,
            },
            {
                "event": "fires end",
                "stand": "",
                "kind": "fire-exclusion",
                "first_year": 1945.0,
                "last_year": 1945.0,
                "ended_year": 1980.0,
            },
        ]
    )
    tables = {
        "stands": pd.DataFrame(
            {
                "stand": STANDS,
                "community": "",
                "survey_date": pd.Timestamp("2020-06-15"),
                "origin": "natural",
            }
        ),
        "plots": plots,
        "trees": survey_trees.assign(origin="natural"),
        "cores": pd.DataFrame(
            {
                "core": cored["tree"] + "a",
                "tree": cored["tree"],
                "centre": np.resize(centres, len(cored)),
                "last_ring_year": 2019.0,
                "core_length_mm": 180.0,
            }
        ),
        "counts": counts,
        "events": events,
        "known_age_stems": pd.DataFrame(),
        "ring_widths": pd.DataFrame(),
    }
    return Survey(
        name="invented",
        path="invented",
        **{name: _whole(name, frame) for name, frame in tables.items()},
        notes=(),
        hashes={"trees.csv": "0" * 64},
        main_species="longleaf-pine",
    )


def _whole(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The table with all of its columns, blank where the frame has none."""
    kinds = empty_table(table(name)).dtypes
    full = pd.DataFrame({"row": np.arange(len(frame)) + 2})
    for column, kind in kinds.items():
        if column in frame:
            full[column] = frame[column].to_numpy(dtype=kind)
        elif column != "row":
            full[column] = pd.Series(None if kind.kind in "fM" else "", full.index, dtype=kind)
    return full[list(kinds.index)]


def _parameters() -> pd.DataFrame:
    row = {
        "name": "level",
        "stand": "Fern Flat",
        "prior_low": -3.3,
        "prior_median": 0.0,
        "prior_high": 3.3,
    }
    row |= {
        "posterior_low": -1.9,
        "posterior_median": -1.4,
        "posterior_high": -0.8,
        "ess": 900.0,
        "rhat": 1.001,
    }
    return pd.DataFrame([row | {"what_it_means": "log stems per hectare and year in quiet times"}])


def _delays(rng, draws: int, median: float, spread: float) -> dict[str, np.ndarray]:
    stages = {"grass": (1.0, 31), "height": (1.3, 41), "breast_height": (2.3, 71)}
    return {
        stage: _mass(rng, draws, share * median, spread, length)
        for stage, (share, length) in stages.items()
    }


def _mass(rng, draws: int, median: float, spread: float, length: int) -> np.ndarray:
    centre = np.log(median) + rng.normal(0, spread, (draws, 1))
    mass = np.exp(-0.5 * ((np.log(np.arange(length) + 0.5) - centre) / 0.45) ** 2)
    return mass / mass.sum(axis=1, keepdims=True)


def _fitted(rng, draws: int, trees: pd.DataFrame, number: int, unit) -> dict:
    edges = np.arange(0.0, 102.0, 4.0)
    observed, _ = np.histogram(trees.loc[trees["unit"] == number, "dbh_cm"], edges)
    smooth = np.convolve(observed, np.ones(3) / 3, "same")
    counts = pd.DataFrame(
        {
            "stage": ["germinant", "grass", "emerging", "sapling"],
            "observed": [0, 9, 4, 3],
            "predicted_low": [0.0, 4.0, 1.0, 1.0],
            "predicted_median": [2.0, 8.0, 3.0, 3.0],
            "predicted_high": [7.0, 15.0, 7.0, 6.0],
            "p": [0.3, 0.9, 0.8, 0.9],
            "factor": [1.0, 1.1, 1.2, 1.0],
        }
    )
    return {
        "diameter_edges_cm": edges,
        "stems_listed": observed,
        "stems_by_diameter": rng.poisson(smooth, (draws, len(observed))),
        "stage_counts": counts if unit.has_plots else counts[:0],
    }


def _size_curve(rng, draws: int) -> np.ndarray:
    seasons = np.arange(240)
    asymptote = 60 * np.exp(rng.normal(0, 0.05, (draws, 1)))
    return asymptote * (1 - np.exp(-(seasons + 0.5) / 60))
