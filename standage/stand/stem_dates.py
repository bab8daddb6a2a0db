"""Calendar years of every stem of a survey, by draw."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from standage.profiles import Profile
from standage.stand.build import BuiltStands, DatedStem
from standage.stand.dating import Recruits, chain_years, size_years
from standage.stand.kernel.delays import DelayFactors
from standage.stand.labelled import NO_YEAR
from standage.stand.misreads import chances_misread
from standage.stand.packing import log_reference
from standage.stand.states import UnitState, unit_delays
from standage.survey.survey import Survey


@dataclass(frozen=True)
class StemDates:
    """Calendar years of every stem, by draw.

    Attributes
    ----------
    year_at_core, establishment_year : of the first ring at the core, and of establishment;
        `NO_YEAR` where there is none to give. (draw, stem)
    misread : by core whose reading may be grossly off, the probability that it is, given the draw
        and its year at the core; NaN in a draw without a year. (draw,)
    """

    year_at_core: np.ndarray
    establishment_year: np.ndarray
    misread: Mapping[str, np.ndarray]


def date_stems(
    survey: Survey,
    built: BuiltStands,
    states: Sequence[UnitState],
    generator: np.random.Generator,
) -> StemDates:
    """The years of every stem, drawn."""
    stems, edges, first_year = built.stems, built.data.class_edges_cm, built.data.first_year
    shape = len(states[0].living), len(stems)
    at_core, established = (np.full(shape, NO_YEAR, dtype=np.int32) for _ in range(2))
    sources = _Sources(survey, built, states, generator)
    by_size: dict[tuple[int, int], list[int]] = {}
    misread: dict[str, np.ndarray] = {}

    @lru_cache(maxsize=1)
    def in_class(unit: int, c: int) -> np.ndarray:
        return states[unit].in_class(edges[c], edges[c + 1])

    # by what dates them and by diameter class, so that each is worked out once and only one is held
    # at a time
    def together(i: int) -> tuple[int, str, str, int, int]:
        stem = stems[i]
        outside = ("", "") if stem.in_process else (stem.stand, stem.species)
        return stem.unit, *outside, stem.dbh_class, i

    for i in sorted(range(len(stems)), key=together):
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
            sizes = in_class(stem.unit, stem.dbh_class) if has_size else None
            core, year = chain_years(stem.chain, source, sizes, generator)
            at_core[:, i] = _calendar(core, first_year)
            for name, chance in chances_misread(stem.chain, source, sizes, core).items():
                misread[name] = chance.astype(np.float32)
            known_height = not stem.cored or np.isfinite(stem.coring_height_cm)
            if known_height and not source.delays.at_coring_height:
                established[:, i] = _calendar(year, first_year)
    for (unit, c), members in by_size.items():
        sizes = states[unit].in_class(edges[c], edges[c + 1])
        years = size_years(sources.of_unit(unit), sizes, len(members), generator)
        established[:, members] = _calendar(years, first_year)
    return StemDates(at_core, established, misread)


def _calendar(places: np.ndarray, first_year: int) -> np.ndarray:
    """Places on the axis, -1 for none, as calendar years."""
    return np.where(places >= 0, first_year + places, NO_YEAR)


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
        self.of_unit = lru_cache(maxsize=1)(self._of_unit)
        self.outside = lru_cache(maxsize=1)(self._outside)

    def of(self, stem: DatedStem) -> Recruits:
        if stem.in_process:
            return self.of_unit(stem.unit)
        return self.outside(stem.stand, stem.species, stem.unit)

    def _of_unit(self, unit: int) -> Recruits:
        state = self.states[unit]
        return Recruits(state.living, state.delays, state.early_growth, state.counting)

    def _outside(self, stand: str, species: str, unit: int) -> Recruits:
        profile = self.built.profiles[species]
        living = self._reference(stand, profile)
        if unit >= 0:
            state = self.states[unit]
            return Recruits(living, state.delays, state.early_growth, state.counting)
        n_draws = len(living)
        factors = {name: self.generator.standard_normal(n_draws) for name in DelayFactors._fields}
        early_growth, counting = self.generator.standard_normal((2, n_draws))
        return Recruits(living, unit_delays(profile, False, factors), early_growth, counting)

    def _reference(self, stand: str, profile: Profile) -> np.ndarray:
        """Reference survivorship by year of establishment, the same in every draw. (draw, year)"""
        age = self.survey.survey_season(stand) - self.built.data.years
        age = age[age >= 0].astype(float)
        shape = len(self.states[0].living), len(age)
        survived = np.exp(log_reference(profile, age, adult_only=True))
        return np.ascontiguousarray(np.broadcast_to(survived, shape))
