"""One unit of the PyMC statement: its rates and delays as expressions, and its log likelihood.
Section numbers are those of docs/the-model.md.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytensor.tensor as pt

from standage.evidence.delays import HEIGHT_CLASS_CM
from standage.stand.data import BREAST_HEIGHT_CM, STAGES, Node, StandData, UnitData
from standage.stand.expressions import (
    between_knots,
    first_passage_pmf,
    floored_log,
    grass_stage_pmf,
    spline_weights,
    student_t4_cdf,
    toeplitz,
)
from standage.stand.parameters import (
    MARGIN_YEARS,
    SPECIES_NAMES,
    SURVEY_NAMES,
    UNIT_NAMES,
    knot_count,
)

KNOTS = {
    "pulse_knots": (4, 8.0),
    "trend_knots": (16, 50.0),
    "epoch_knots": (25, 50.0),
}  # spacing and length of each process. [years]
(
    SECTION_GRASS_YEARS,
    SECTION_STILL_IN_GRASS,
    SECTION_OUT_OF_GRASS,
    SECTION_RINGS,
    SECTION_HEIGHT_OF_AGE,
    SECTION_HEIGHT_OF_STEM,
) = range(6)  # kinds of section


class UnitStatement:
    """One unit: its rates and delays as expressions of the factors, and its log likelihood.

    All expressions end at the survey season: `n_years` is the number of years from the first of the
    axis to the survey season.
    """

    def __init__(self, data: StandData, index: int, factors: Mapping[str, Any]) -> None:
        self.unit: UnitData = data.units[index]
        self.species = data.species[self.unit.species_index]
        self.n_years = int(self.unit.season_index) + 1
        self.age = (
            self.n_years - 1 - np.arange(self.n_years)
        )  # seasons begun after the first one, by year of establishment
        self.n_classes = len(data.class_edges_cm) - 1
        self.establishment = self.unit.basis == "establishment"
        self.longest_grass = (
            int(self.species.profile["grass_stage.longest_years"])
            if self.species.has_grass_stage
            else 0
        )
        self.longest_height = int(self.species.profile["height_growth.longest_height_years"])
        self.survey_factors = {name: factors[name] for name in SURVEY_NAMES}
        self.of_species = {name: factors[name][self.unit.species_index] for name in SPECIES_NAMES}
        self.of_unit = {name: factors[name][index] for name in UNIT_NAMES}
        self.of_unit["stage_factor"] = factors["stage_factor"][index]
        years = pt.arange(self.n_years)
        places = {"epoch_knots": years} | dict.fromkeys(
            ("pulse_knots", "trend_knots"), years + MARGIN_YEARS + self._years_moved()
        )
        for name, (spacing, _) in KNOTS.items():
            count = knot_count(data.n_years, name, spacing)
            self.of_unit[name] = between_knots(
                factors[f"{name}_{index}"],
                spacing,
                places[name],
                count,
                smooth=name != "epoch_knots",
            )
        self.of_unit["removal"] = factors.get(f"removal_{index}")
        self.grass = self._grass()
        self.leaving = self._leaving()
        self.class_probability = self._class_probability(
            np.asarray(data.class_edges_cm, dtype=float)
        )
        self.living = self._living()
        self._arrivals: dict[float, Any] = {}

    def number(self, key: str) -> float:
        """A number of the species profile."""
        return float(self.species.profile[key])

    def log_number(self, key: str, log_sd: str, factor: str) -> Any:
        """Logarithm of a number of the profile that is uncertain for the species: the centre plus
        the stated sd times the factor.
        """
        return math.log(self.number(key)) + self.number(log_sd) * self.of_species[factor]

    # Section 2: establishment

    def _living(self) -> Any:
        """Living stems by establishment year, shape `(year,)` [stems/ha/year or sampled
        stems/year].
        """
        at_level_0 = self._living_at_level_0()
        stems = (150.0 if self.unit.has_plots else 50.0) * pt.exp(1.75 * self.of_unit["level"])
        return stems / self._stems_of(at_level_0) * at_level_0

    def _stems_of(self, living: Any) -> Any:
        """What so many living stems would be as listed stems per hectare, all plots together, or
        as sampled stems without plots.
        """
        if not self.unit.has_plots:
            return pt.sum(pt.dot(self.delay(self.unit.reference_height_cm), living))
        area = np.asarray(self.unit.plot_area_ha, dtype=float)
        arrival = pt.dot(self.delay(BREAST_HEIGHT_CM), living)
        return pt.dot(area / area.sum(), self._listed_of(arrival))

    def _listed_of(self, arrival: Any) -> Any:
        """Listed stems per hectare in each plot, of arrivals at breast height `(year,)`."""
        which = np.arange(self.n_classes)
        listed = (which >= np.asarray(self.unit.plot_class_low)[:, None]) & (
            which < np.asarray(self.unit.plot_class_high)[:, None]
        )
        return pt.dot(listed.astype(float), pt.dot(arrival, self.class_probability))

    def _living_at_level_0(self) -> Any:
        f = self.of_unit
        log_rate = 0.3 * pt.exp(0.35 * f["trend_scale"]) * f["trend_knots"]
        log_beginning = math.log(200) + 0.8 * f["beginning"]
        log_rate -= pt.softplus(10 * (np.log(self.age + 1) - log_beginning))
        log_rate += pt.softplus(
            -2.5 + 0.7 * f["activity"] + 2 * pt.exp(0.25 * f["pulse_scale"]) * f["pulse_knots"]
        )
        log_rate += self._cumulative_hazard(50.0) - self._cumulative_hazard(self.age)
        log_rate += self.number("survival.slope_sd") * f["slope"] * self.age / 100
        if self.establishment:
            log_rate += self.number("survival.early_sd") * f["early"] * np.exp(-self.age / 10)
        if f["removal"] is not None:
            strength = pt.exp(
                np.asarray(self.unit.removal_m) + np.asarray(self.unit.removal_sd) * f["removal"]
            )
            log_rate -= pt.dot(
                strength, np.asarray(self.unit.removal_shape, dtype=float)[:, : self.n_years]
            )
        return pt.exp(log_rate)

    def _years_moved(self) -> Any:
        """How far the mean delay to the unit's commonest coring height lies from the profile's: the
        process moves with it. [years]
        """
        if not self.establishment:
            return pt.zeros(())
        moved = self._share_of_way(self.unit.reference_height_cm) * (
            self._years_to_breast_height() - self.number("height_growth.years_to_breast_height")
        )
        if self.species.has_grass_stage:
            log_median, log_spread = self._grass_scale()
            usual = self.number("grass_stage.median_years") * math.exp(
                self.number("grass_stage.within_stand_log_sd") ** 2 / 2
            )
            moved += pt.exp(log_median + pt.exp(2 * log_spread) / 2) - usual
        return moved

    def _cumulative_hazard(self, age: Any) -> Any:
        hazard = self.number("survival.adult_hazard_per_year") * age
        if self.establishment:
            decline = self.number("survival.seedling_decline_years")
            hazard = hazard + self.number("survival.seedling_hazard_per_year") * decline * (
                1 - np.exp(-age / decline)
            )
        return hazard

    # Section 3: delays

    def _grass(self) -> Any:
        """P(G = g), shape `(longest + 1,)`."""
        if not self.species.has_grass_stage:
            return pt.ones(1)
        return grass_stage_pmf(*self._grass_scale(), self.longest_grass)

    def _leaving(self) -> Any:
        """P(the stem starts in season i | established in j) as a delay matrix, shape `(year,
        year)`.
        """
        return toeplitz(self.grass, self.longest_grass, self.n_years)

    def _grass_scale(self) -> tuple[Any, Any]:
        """Logarithms of the median and of the spread of the grass stage."""
        pace = (self.of_unit["shared_pace"] + self.of_unit["grass_pace"]) / math.sqrt(2)
        log_median = self.log_number(
            "grass_stage.median_years", "grass_stage.median_log_sd", "grass_median"
        )
        log_median += self.number("grass_stage.between_stand_log_sd") * pace
        return log_median, self.log_number(
            "grass_stage.within_stand_log_sd", "grass_stage.within_log_sd", "grass_spread"
        )

    def climb_pmf(self, low_cm: float, high_cm: float) -> Any:
        """P(B(high) - B(low) = k), shape `(longest_height_years + 1,)`."""
        share = self._share_of_way(high_cm) - self._share_of_way(low_cm)
        if share == 0:
            return pt.concatenate([[1.0], pt.zeros(self.longest_height)])
        log_dispersion = self.log_number(
            "height_growth.dispersion", "height_growth.dispersion_log_sd", "height_spread"
        )
        years = self._years_to_breast_height()
        slower = (years / self.number("height_growth.years_to_breast_height")) ** 4
        dispersion = pt.exp(log_dispersion) / ((1 + slower) / 2) ** 0.25
        return first_passage_pmf(years * share, dispersion, self.longest_height)

    def _share_of_way(self, height_cm: float) -> float:
        emergence = (
            self.number("grass_stage.emergence_height_cm") if self.species.has_grass_stage else 0.0
        )
        return (max(height_cm - emergence, 0.0) / (BREAST_HEIGHT_CM - emergence)) ** self.number(
            "height_growth.exponent"
        )

    def _years_to_breast_height(self) -> Any:
        pace = (self.of_unit["shared_pace"] + self.of_unit["height_pace"]) / math.sqrt(2)
        log_years = self.log_number(
            "height_growth.years_to_breast_height", "height_growth.years_log_sd", "height_years"
        )
        return pt.exp(log_years + self.number("height_growth.between_stand_log_sd") * pace)

    def climb(self, low_cm: float, high_cm: float) -> Any:
        """The increment between two heights as a delay matrix, shape `(year, year)`."""
        return toeplitz(self.climb_pmf(low_cm, high_cm), self.longest_height, self.n_years)

    def delay(self, height_cm: float) -> Any:
        """The delay from establishment to a height, D_h = G + B(h), as a delay matrix, shape
        `(year, year)`.
        """
        if not self.establishment:
            return pt.eye(self.n_years)
        return pt.dot(self.climb(0.0, height_cm), self.leaving)

    def arrival(self, height_cm: float) -> Any:
        """Living stems by the year of the first ring at a height, shape `(year,)`."""
        if height_cm not in self._arrivals:
            self._arrivals[height_cm] = pt.dot(self.delay(height_cm), self.living)
        return self._arrivals[height_cm]

    def stage_probability(self, stage: str, class_low: int) -> Any:
        """P(stage at the survey | year of establishment), shape `(year,)`; a sapling is past breast
        height and below class `class_low`.
        """
        if stage == "germinant":
            return pt.as_tensor((self.age == 0).astype(float))
        delay = self.delay(BREAST_HEIGHT_CM)
        if stage == "sapling":
            return pt.dot(pt.sum(self.class_probability[:, :class_low], axis=1), delay)
        begun = (self.age >= 1).astype(float)
        grass_gone = pt.sum(self.leaving, axis=0)  # P(G <= age)
        if stage == "grass":
            return begun * (1 - grass_gone)
        return begun * (grass_gone - pt.sum(delay, axis=0))

    # Section 5: diameters

    def _class_probability(self, edges_cm: np.ndarray) -> Any:
        """P(diameter class | year of the first ring at breast height), shape `(year, class)`."""
        log_growth = self.log_number("size.growth_cm_per_year", "size.growth_log_sd", "growth")
        growth = pt.exp(
            log_growth
            + self.number("size.growth_between_stand_log_sd") * self.of_unit["growth_pace"]
        )
        asymptote = pt.exp(
            self.log_number("size.asymptote_cm", "size.asymptote_log_sd", "asymptote")
            + self.number("size.asymptote_between_stand_log_sd") * self.of_unit["site_asymptote"]
        )
        scatter = pt.exp(self.log_number("size.scatter", "size.scatter_log_sd", "scatter"))
        grown = (growth / asymptote) * (self.age + 0.5)
        log_median = pt.log(asymptote * (1 - pt.exp(-grown) + grown / 20))
        location = log_median + self.number("size.epoch_log_sd") * self.of_unit["epoch_knots"]
        inner = student_t4_cdf((np.log(edges_cm[1:-1])[None, :] - location[:, None]) / scatter)
        below = pt.concatenate(
            [pt.zeros((self.n_years, 1)), inner, pt.ones((self.n_years, 1))], axis=1
        )
        return below[:, 1:] - below[:, :-1]

    # Section 4: trees with a core

    def core_evidence(self, nodes: list[Node]) -> Any:
        """Likelihood of the readings of like nodes of several trees, shape `(tree, year)`."""
        evidence = [node.evidence for node in nodes if node.evidence is not None]
        on_axis = np.zeros((len(nodes), *evidence[0].shape[:2], self.n_years))
        for row, node, own in zip(on_axis, nodes, evidence, strict=True):
            band = own[:, :, : max(self.n_years - node.band_start, 0)]
            row[:, :, node.band_start : node.band_start + band.shape[2]] = band
        gamma = spline_weights(self.of_unit["early_growth"]) if nodes[0].loads_gamma else pt.ones(1)
        delta = spline_weights(self.of_unit["counting"]) if nodes[0].loads_delta else pt.ones(1)
        weights = (gamma[:, None] * delta[None, :]).flatten()
        return pt.tensordot(weights, on_axis.reshape(len(nodes), -1, self.n_years), axes=[[0], [1]])

    def log_trees(self) -> Any:
        """Sum of log T over the cored trees; trees whose nodes are alike are taken together."""
        alike = defaultdict(list)
        for tree in self.unit.trees:
            alike[
                tuple(
                    (
                        n.height_cm,
                        n.evidence is None,
                        n.loads_gamma,
                        n.loads_delta,
                        n.dbh_class >= 0,
                    )
                    for n in tree.nodes
                )
            ].append(tree)
        total = pt.zeros(())
        for trees in alike.values():
            message = pt.ones((len(trees), self.n_years))
            above_cm = None
            for level, first in enumerate(trees[0].nodes):
                nodes = [tree.nodes[level] for tree in trees]
                if above_cm is not None:
                    message = pt.dot(message, self.climb(first.height_cm, above_cm))
                if first.evidence is not None:
                    message *= self.core_evidence(nodes)
                if first.dbh_class >= 0:
                    message *= self.class_probability[:, [node.dbh_class for node in nodes]].T
                above_cm = first.height_cm
            arriving = self.arrival(trees[0].nodes[-1].height_cm)
            total += pt.sum(floored_log(pt.dot(message, arriving)))
        return total

    # Section 6: the likelihood

    def log_likelihood(self) -> Any:
        """Log likelihood of all evidence on the unit."""
        total = (
            self.log_plots()
            if self.unit.has_plots
            else -pt.sum(self.arrival(self.unit.reference_height_cm))
        )
        total += self.log_trees()
        if len(self.unit.uncored_class):
            by_class = pt.dot(self.arrival(BREAST_HEIGHT_CM), self.class_probability)
            total += pt.sum(
                np.asarray(self.unit.uncored_count)
                * floored_log(by_class[np.asarray(self.unit.uncored_class)])
            )
        if self.establishment:
            total += self.log_counts() + self.log_sections()
        return total

    def log_plots(self) -> Any:
        """The numbers of listed stems, gamma-Poisson over plots, as far as the stems themselves do
        not bring it.
        """
        phi = 4 * pt.exp(0.8 * self.survey_factors["plot_dispersion"])
        area, stems = (
            np.asarray(self.unit.plot_area_ha, dtype=float),
            np.asarray(self.unit.plot_stems),
        )
        expected = area * self._listed_of(self.arrival(BREAST_HEIGHT_CM))
        total = (
            phi * pt.log(phi)
            - pt.gammaln(phi)
            + pt.gammaln(phi + stems)
            - (phi + stems) * pt.log(phi + expected)
        )
        return pt.sum(total + stems * np.log(area))

    def log_counts(self) -> Any:
        """Stems counted by stage in subplots, and the age ranges judged for them."""
        unit = self.unit
        if not len(unit.count_stage):
            return pt.zeros(())
        phi = pt.exp(0.8 * self.survey_factors["count_dispersion"])
        stage, count = np.asarray(unit.count_stage, dtype=int), np.asarray(unit.count_value)
        searched = zip(stage, unit.count_class_low, strict=True)
        density = self.living * pt.stack(
            [self.stage_probability(STAGES[j], int(class_low)) for j, class_low in searched]
        )  # (count, year)
        factor = pt.exp(unit.stage_factor_scale * self.of_unit["stage_factor"][stage])
        mean = np.asarray(unit.count_area_ha) * pt.sum(density, axis=1) * factor
        total = pt.gammaln(phi + count) - pt.gammaln(phi) - pt.gammaln(count + 1.0)
        total += phi * pt.log(phi / (phi + mean)) + count * (floored_log(mean) - pt.log(phi + mean))

        judged = (
            np.isfinite(unit.count_age_low)
            & np.isfinite(unit.count_age_high)
            & (unit.count_stage != STAGES.index("sapling"))
        )
        youngest = np.where(np.isnan(unit.count_age_low), 0, unit.count_age_low)
        oldest = np.where(np.isnan(unit.count_age_high), np.inf, unit.count_age_high)
        in_range = (self.age >= youngest[:, None]) & (self.age <= oldest[:, None])
        total += (
            judged
            * count
            * (
                floored_log(pt.sum(density * in_range, axis=1))
                - floored_log(pt.sum(density, axis=1))
            )
        )
        return pt.sum(total)

    def log_sections(self) -> Any:
        """Small stems of known age, and ring counts between heights."""
        probabilities = []
        for kind, value, height in zip(
            self.unit.section_kind,
            self.unit.section_value,
            self.unit.section_height_cm,
            strict=True,
        ):
            if kind == SECTION_GRASS_YEARS:
                probability = (
                    self.grass[int(value)] if value <= self.longest_grass else pt.zeros(())
                )
            elif kind == SECTION_STILL_IN_GRASS:
                probability = 1 - pt.sum(self.grass[: int(value) + 1])
            elif kind == SECTION_OUT_OF_GRASS:
                probability = pt.sum(self.grass[: int(value) + 1])
            elif kind == SECTION_RINGS:
                probability = self._ring_difference(int(value), float(height))
            else:
                waits = kind == SECTION_HEIGHT_OF_AGE
                probability = self._height_class(int(value), float(height), waits)
            probabilities.append(probability)
        return pt.sum(floored_log(pt.stack(probabilities))) if probabilities else pt.zeros(())

    def _height_class(self, seasons: int, height_cm: float, waits: bool) -> Any:
        """P(a plant has passed this height and not the next class's after so many seasons), of its
        life with the grass stage before, else of its stem.
        """
        between = self.climb_pmf(0.0, height_cm) - self.climb_pmf(0.0, height_cm + HEIGHT_CLASS_CM)
        passed = pt.cumsum(between)
        if not waits:
            return passed[min(seasons, self.longest_height)]
        waited = np.arange(min(seasons, self.longest_grass) + 1)
        grown = np.minimum(seasons - waited, self.longest_height)
        return pt.sum(self.grass[waited] * passed[grown])

    def _ring_difference(self, difference: int, height_cm: float) -> Any:
        """P(rings at the ground less those at a height): visible seasons of the grass stage,
        seasons of height growth, and the error of two counts.
        """
        shares = self.grass / (1 + np.arange(self.longest_grass + 1))
        visible = pt.cumsum(shares[::-1])[::-1]
        climb = self.climb_pmf(0.0, height_cm)
        probability = pt.zeros(())
        for error, chance in {-2: 0.03, -1: 0.17, 0: 0.6, 1: 0.17, 2: 0.03}.items():
            left = difference - error
            seen = np.arange(min(left, self.longest_grass) + 1)
            seen = seen[left - seen <= self.longest_height]
            if len(seen):
                probability += chance * pt.sum(visible[seen] * climb[left - seen])
        return probability
