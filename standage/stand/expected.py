"""What the fitted model expects of diameters and stage counts, beside what was seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.stand.data import BREAST_HEIGHT_CM, STAGES, StandData, UnitData
from standage.stand.states import UnitState

# fine enough to show a misfit, coarse enough to hold some stems each; all of them edges of the
# model's own classes, for a stem is known by its class: what is seen and what is predicted have the
# same limits. [cm]
DIAMETER_EDGES = np.array([0.0, 10.0, 20.0, 28.0, 40.0, 48.0, 64.0, 80.0, 104.0, np.inf])
STAGE_COLUMNS = (
    *("stage", "observed", "predicted_low", "predicted_median", "predicted_high"),
    *("p", "factor"),
)
MOST_EXPECTED = 1e9  # of a Poisson count: beyond, the generator gives up


@dataclass(frozen=True, eq=False)
class Expected:
    """Of one unit: stems listed in plots by class of diameter, `stems_by_diameter` (draw, class)
    as expected and `stems_listed` (class,) as seen; and `stage_counts`, a row a stage.
    """

    stems_by_diameter: np.ndarray
    stems_listed: np.ndarray
    stage_counts: pd.DataFrame


def expected_counts(
    data: StandData, which: int, state: UnitState, generator: np.random.Generator, level: float
) -> Expected:
    """What surveys like this one would list and count in a unit, drawn from the fitted model."""
    unit = data.units[which]
    arrival = state.delays.arrival(state.living, BREAST_HEIGHT_CM)
    predicted = np.zeros((len(state.living), len(DIAMETER_EDGES) - 1))
    if unit.has_plots:
        predicted = _listed(data, unit, state, arrival, generator)
    rows = []
    if len(unit.count_value) and unit.basis == "establishment":
        density = stage_densities(data, which, state, arrival)
        rows = [
            _stage_row(unit, stage, state, density, generator, level)
            for stage in sorted(set(unit.count_stage))
        ]
    return Expected(
        stems_by_diameter=predicted,
        stems_listed=_seen(data, unit),
        stage_counts=pd.DataFrame(rows, columns=list(STAGE_COLUMNS)),
    )


def _seen(data: StandData, unit: UnitData) -> np.ndarray:
    """Stems of the process by class of diameter. (class,)"""
    seen = np.zeros(len(DIAMETER_EDGES) - 1, dtype=int)
    classes = list(np.repeat(unit.uncored_class, unit.uncored_count)) + [
        node.dbh_class for tree in unit.trees for node in tree.nodes if node.dbh_class >= 0
    ]
    for c in classes:
        seen[np.searchsorted(DIAMETER_EDGES, data.class_edges_cm[c], side="right") - 1] += 1
    return seen


def _listed(
    data: StandData,
    unit: UnitData,
    state: UnitState,
    arrival: np.ndarray,
    generator: np.random.Generator,
) -> np.ndarray:
    """Stems that plots like these would list by class of diameter. (draw, class)"""
    edges, coarse = data.class_edges_cm, DIAMETER_EDGES
    expected = np.zeros((len(arrival), len(coarse) - 1, len(unit.plot_area_ha)))
    for p, area in enumerate(unit.plot_area_ha):
        low, high = edges[unit.plot_class_low[p]], edges[unit.plot_class_high[p]]
        for c in range(len(coarse) - 1):
            bottom, top = max(coarse[c], low), min(coarse[c + 1], high)
            if bottom < top:
                expected[:, c, p] = area * (arrival * state.in_class(bottom, top)).sum(axis=1)
    shape = state.plot_dispersion[:, None]
    factor = generator.gamma(shape, 1 / shape, (len(arrival), len(unit.plot_area_ha)))
    mean = (expected * factor[:, None, :]).sum(axis=2)
    return generator.poisson(np.minimum(mean, MOST_EXPECTED)).astype(float)


def _stage_row(
    unit: UnitData,
    stage: int,
    state: UnitState,
    density: dict[tuple[int, int], np.ndarray],
    generator: np.random.Generator,
    level: float,
) -> dict[str, object]:
    """Plants of one stage counted in the unit, beside those expected."""
    subplots = np.flatnonzero(unit.count_stage == stage)
    mean = np.stack(
        [unit.count_area_ha[j] * density[stage, unit.count_class_low[j]] for j in subplots], axis=1
    )
    mean = mean * state.stage_factor[:, stage : stage + 1]
    dispersion = state.count_dispersion[:, None]
    counted = generator.poisson(
        np.minimum(generator.gamma(dispersion, mean / dispersion), MOST_EXPECTED)
    ).sum(axis=1)
    observed = float(unit.count_value[subplots].sum())
    return {
        "stage": STAGES[stage],
        "observed": observed,
        "predicted_low": float(np.quantile(counted, (1 - level) / 2)),
        "predicted_median": float(np.median(counted)),
        "predicted_high": float(np.quantile(counted, (1 + level) / 2)),
        "p": two_sided(counted, observed),
        "factor": float(np.median(state.stage_factor[:, stage])),
    }


def two_sided(predicted: np.ndarray, observed: float) -> float:
    """Posterior predictive probability of what lies as far off or farther, on both sides."""
    above = np.mean(predicted > observed) + 0.5 * np.mean(predicted == observed)
    return float(2 * min(above, 1 - above))


def stage_densities(
    data: StandData, which: int, state: UnitState, arrival: np.ndarray
) -> dict[tuple[int, int], np.ndarray]:
    """Stems per hectare by stage and draw `(draw,)`, keyed by (stage, index of the plot's lower
    class edge).
    """
    unit = data.units[which]
    ages = np.arange(unit.season_index + 1)
    by_age = state.living[:, ::-1]
    grass = np.maximum(1.0 - state.delays.stem_begun_by_age(ages), 0.0)
    grass[:, ages >= state.delays.grass.shape[1]] = 0.0
    grass[:, 0] = 0.0
    past = state.delays.past_emerging_by_age(ages)
    emerging = np.maximum(1.0 - grass - past, 0.0)  # rounding can make it less than nothing
    emerging[:, 0] = 0.0
    out = {}
    for stage, low in set(
        zip(unit.count_stage.tolist(), unit.count_class_low.tolist(), strict=True)
    ):
        if stage == 0:
            out[stage, low] = by_age[:, 0]
        elif stage == 1:
            out[stage, low] = (by_age * grass).sum(axis=1)
        elif stage == 2:
            out[stage, low] = (by_age * emerging).sum(axis=1)
        else:
            out[stage, low] = (arrival * state.in_class(0.0, data.class_edges_cm[low])).sum(axis=1)
    return out
