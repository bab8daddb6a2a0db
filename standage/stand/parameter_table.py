"""What the parameters of the stand model mean in the field's units, prior beside posterior."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standage.stand.data import STAGES, UnitData
from standage.stand.draws import Draws
from standage.stand.effective_draws import ess_and_rhat
from standage.stand.states import UnitState

COLUMNS = (
    *("name", "stand", "prior_low", "prior_median", "prior_high"),
    *("posterior_low", "posterior_median", "posterior_high", "ess", "rhat", "what_it_means"),
)


@dataclass(frozen=True)
class Parameter:
    """One row for each unit that has it. value: by draw, (draw,)."""

    name: str
    meaning: str
    value: Callable[[UnitState], np.ndarray]


def parameter_table(
    units: tuple[UnitData, ...],
    sampled: Draws,
    prior_states: Sequence[UnitState],
    states: Sequence[UnitState],
    level: float,
) -> pd.DataFrame:
    """A row a unit and parameter: its interval before and after, its effective draws and R-hat."""
    tails = [(1 - level) / 2, 0.5, (1 + level) / 2]
    rows: list[dict[str, object]] = []
    values = []
    for unit, before, after in zip(units, prior_states, states, strict=True):
        for one in _parameters(unit, after):
            drawn = one.value(after)
            values.append(drawn.reshape(len(sampled.values), -1))
            ends = [*np.quantile(one.value(before), tails), *np.quantile(drawn, tails)]
            rows.append(
                {"name": one.name, "stand": unit.stand, "what_it_means": one.meaning}
                | dict(zip(COLUMNS[2:8], ends, strict=True))
            )
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    if rows:
        table["ess"], table["rhat"] = ess_and_rhat(np.stack(values, axis=-1))
    return table


def _parameters(unit: UnitData, state: UnitState) -> Iterator[Parameter]:
    """Those that the unit's likelihood or process uses."""
    yield Parameter(
        "stand_beginning_years",
        "before the survey, when the stand began: hardly a stem is much older [years]",
        lambda state: state.beginning,
    )
    if unit.basis == "establishment":
        yield from _delays(state)
    if len(unit.removal_m):
        yield Parameter(
            "share_removed",
            "share of the stems in reach that recorded cuts took, all cuts together",
            lambda state: 1 - np.prod(1 - state.removed_shares, axis=1),
        )
    if unit.has_plots or any(node.dbh_class >= 0 for tree in unit.trees for node in tree.nodes):
        yield from _sizes()
    if unit.has_plots:
        yield Parameter(
            "plot_dispersion",
            "likeness of plots: small means clumped (gamma shape), one for the survey",
            lambda state: state.plot_dispersion,
        )
    if len(unit.count_value) and unit.basis == "establishment":
        for stage in np.unique(unit.count_stage):
            yield _stage_factor(int(stage))


def _delays(state: UnitState) -> Iterator[Parameter]:
    if state.delays.profile.has_grass_stage:
        yield Parameter(
            "grass_stage_median_years",
            "median length of the grass stage in this stand [years]",
            lambda state: state.delays.median_grass_years,
        )
    yield Parameter(
        "years_to_breast_height",
        "mean seasons from the start of the stem to 1.37 m [years]",
        lambda state: state.delays.years_to_breast_height,
    )
    yield Parameter(
        "height_growth_dispersion",
        "how plants of the stand differ in these seasons: their variance over their mean; under 1"
        " more alike than chance",
        lambda state: state.delays.dispersion,
    )
    yield Parameter(
        "early_growth_factor",
        "early growth against the profile's: positive means slower, so more rings missed [standard"
        " deviations of the prior]",
        lambda state: state.early_growth,
    )
    yield Parameter(
        "counting_factor",
        "false or absent rings against the profile's [standard deviations of the prior]",
        lambda state: state.counting,
    )


def _sizes() -> Iterator[Parameter]:
    yield Parameter(
        "dbh_growth_cm_per_year",
        "diameter growth of young stems at breast height [cm/year]",
        lambda state: state.growth,
    )
    yield Parameter(
        "dbh_asymptote_cm",
        "diameter where their growth has slowed down [cm]",
        lambda state: state.asymptote,
    )
    yield Parameter(
        "dbh_scatter",
        "spread of diameter at one age [log scale]",
        lambda state: state.scatter,
    )


def _stage_factor(stage: int) -> Parameter:
    name = STAGES[stage]
    return Parameter(
        f"stage_factor_{name}",
        f"{name} counts against what the history expects: mast years, search, clumping [factor]",
        lambda state: state.stage_factor[:, stage],
    )
