"""Calendar years of every stem of a survey, by draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np

from standage.profiles import Profile
from standage.stand.build import BuiltStands, DatedStem
from standage.stand.data import BREAST_HEIGHT_CM
from standage.stand.dating import chain_years, size_years
from standage.stand.labelled import NO_YEAR
from standage.stand.packing import log_reference
from standage.stand.states import Delays, UnitState, unit_delays
from standage.survey.survey import Survey

DELAY_FACTORS = (
    *("grass_median", "grass_spread", "height_years"),
    *("shared_pace", "grass_pace", "height_pace"),
)


def date_stems(
    survey: Survey,
    built: BuiltStands,
    states: Sequence[UnitState],
    generator: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Calendar years `(draw, stem)` of the first ring at the core and of establishment; `NO_YEAR`
    where there is none to give.
    """
    stems, edges, first_year = built.stems, built.data.class_edges_cm, built.data.first_year
    shape = len(states[0].living), len(stems)
    at_core, established = (np.full(shape, NO_YEAR, dtype=np.int32) for _ in range(2))
    sources = _Sources(survey, built, states, generator)
    by_size: dict[tuple[int, int], list[int]] = {}

    @lru_cache(maxsize=1)
    def in_class(unit: int, c: int) -> np.ndarray:
        return states[unit].in_class(edges[c], edges[c + 1])

    # by unit and diameter class, so that one class's probabilities are worked out once and only one
    # is held at a time
    for i in sorted(range(len(stems)), key=lambda i: (stems[i].unit, stems[i].dbh_class, i)):
        stem = stems[i]
        if stem.basis == "planted":
            established[:, i] = int(stem.planted_year)
        elif stem.left_out_reason:
            continue
        elif stem.chain is None:
            by_size.setdefault((stem.unit, stem.dbh_class), []).append(i)
        else:
            source = sources.of(stem)
            has_size = stem.in_process and any(node.dbh_class >= 0 for node in stem.chain.nodes)
            core, year = chain_years(
                stem.chain,
                source.living,
                source.arrival(stem.chain.nodes[-1].height_cm),
                source.delays,
                in_class(stem.unit, stem.dbh_class) if has_size else None,
                source.early_growth,
                source.counting,
                generator,
                source.begun,
            )
            at_core[:, i] = _calendar(core, first_year)
            if np.isfinite(stem.coring_height_cm) and not source.delays.at_coring_height:
                established[:, i] = _calendar(year, first_year)
    for (unit, c), members in by_size.items():
        source = sources.of_unit(unit)
        years = size_years(
            source.living,
            source.delays,
            source.arrival(BREAST_HEIGHT_CM),
            states[unit].in_class(edges[c], edges[c + 1]),
            len(members),
            generator,
        )
        established[:, members] = _calendar(years, first_year)
    return at_core, established


def _calendar(places: np.ndarray, first_year: int) -> np.ndarray:
    """Places on the axis, -1 for none, as calendar years."""
    return np.where(places >= 0, first_year + places, NO_YEAR)


@dataclass(frozen=True, eq=False)
class _Source:
    """What stems of a kind are dated with, by draw: who came when, how long they took to a height,
    and the factors of their cores.
    """

    living: np.ndarray
    delays: Delays
    early_growth: np.ndarray
    counting: np.ndarray
    _arrivals: dict[float, np.ndarray] = field(default_factory=dict)

    @cached_property
    def begun(self) -> np.ndarray | None:
        """Stems by the season in which they start, where openings changed it; else None."""
        return None if self.delays.emergence is None else self.delays.begun(self.living)

    def arrival(self, height_cm: float) -> np.ndarray:
        """Stems by the year of their first ring at a height. (draw, year)"""
        if height_cm not in self._arrivals:
            self._arrivals[height_cm] = self.delays.arrival(self.living, height_cm, self.begun)
        return self._arrivals[height_cm]


class _Sources:
    """By what each stem is dated; those outside the process of their unit by reference survivorship
    in place of recruitment, with the delays of their stand, or the prior's.
    """

    def __init__(
        self,
        survey: Survey,
        built: BuiltStands,
        states: Sequence[UnitState],
        generator: np.random.Generator,
    ) -> None:
        self.survey, self.built, self.states = survey, built, states
        self.generator = generator
        self.units: dict[int, _Source] = {}
        self.outside: dict[tuple[str, str], _Source] = {}

    def of(self, stem: DatedStem) -> _Source:
        if stem.in_process:
            return self.of_unit(stem.unit)
        key = (stem.stand, stem.species)
        if key not in self.outside:
            self.outside[key] = self._outside(stem)
        return self.outside[key]

    def of_unit(self, unit: int) -> _Source:
        if unit not in self.units:
            state = self.states[unit]
            self.units[unit] = _Source(
                state.living, state.delays, state.early_growth, state.counting
            )
        return self.units[unit]

    def _outside(self, stem: DatedStem) -> _Source:
        profile = self.built.profiles[stem.species]
        living = self._reference(stem.stand, profile)
        if stem.unit >= 0:
            state = self.states[stem.unit]
            return _Source(living, state.delays, state.early_growth, state.counting)
        n_draws = len(living)
        factors = {name: self.generator.standard_normal(n_draws) for name in DELAY_FACTORS}
        early_growth, counting = self.generator.standard_normal((2, n_draws))
        return _Source(living, unit_delays(profile, False, factors), early_growth, counting)

    def _reference(self, stand: str, profile: Profile) -> np.ndarray:
        """Reference survivorship by year of establishment, the same in every draw. (draw, year)"""
        age = self.survey.survey_season(stand) - self.built.data.years
        age = age[age >= 0].astype(float)
        shape = len(self.states[0].living), len(age)
        survived = np.exp(log_reference(profile, age, adult_only=True))
        return np.ascontiguousarray(np.broadcast_to(survived, shape))
