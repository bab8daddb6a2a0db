"""The model of docs/the-model.md, a third time: plain loops, for tiny surveys only.

Written from the page alone, so that a mistake in the kernel or in the PyMC statement shows as a
difference. Nothing here is fast; every sum of the page is one loop. Years are positions on the
axis, 0 .. n_years - 1; `season` is the position of the survey season S. Section numbers are those
of the page.
"""

import math

import numpy as np
from scipy.special import gammaln, ndtr, stdtr
from scipy.stats import invgauss

BREAST_HEIGHT = 137.0
SMALLEST = 1e-300
GERMINANT, GRASS, EMERGING, SAPLING = 0, 1, 2, 3


def log_density(parameters, data) -> float:
    """Log joint density of the parameters and the survey, with all normal constants."""
    total = log_prior(parameters, data)
    for index in range(len(data.units)):
        total += UnitReading(parameters, data, index).log_likelihood()
    return float(total)


# ------------------------------------------------------------------------------
# priors


def log_standard_normal(z):
    return -0.5 * float(z) ** 2 - 0.5 * math.log(2 * math.pi)


def log_prior(parameters, data):
    """Standard normals for every z; knot chains for the three processes (section 2)."""
    total = log_standard_normal(parameters["plot_dispersion"]) + log_standard_normal(
        parameters["count_dispersion"]
    )
    for name in (
        *("grass_median", "grass_spread", "height_years", "height_spread"),
        *("growth", "asymptote", "scatter"),
    ):
        for k in range(len(data.species)):
            total += log_standard_normal(parameters[name][k])
    of_unit = (
        *(
            "level",
            "activity",
            "pulse_scale",
            "trend_scale",
            "shared_pace",
            "grass_pace",
            "height_pace",
            "growth_pace",
            "site_asymptote",
        ),
        *("early_growth", "counting", "slope", "early", "beginning"),
    )
    for u in range(len(data.units)):
        for name in of_unit:
            total += log_standard_normal(parameters[name][u])
        for stage in range(4):
            total += log_standard_normal(parameters["stage_factor"][u][stage])
        for z in parameters["removal"][u]:
            total += log_standard_normal(z)
        total += log_knots(parameters["pulse_knots"][u], 4, 8, data.n_years)
        total += log_knots(parameters["trend_knots"][u], 16, 50, data.n_years)
        total += log_knots(parameters["epoch_knots"][u], 25, 50, data.n_years)
    return total


def log_knots(knots, spacing, length, n_years):
    """x_0 ~ N(0, 1), x_k | x_{k-1} ~ N(rho x_{k-1}, 1 - rho^2)."""
    beyond = (
        0 if spacing == 25 else 2 * 20
    )  # the pulse and trend processes reach 20 years beyond both ends of the axis
    assert len(knots) == math.ceil((n_years - 1 + beyond) / spacing) + 1
    rho = math.exp(-spacing / length)
    variance = 1 - rho * rho
    total = log_standard_normal(knots[0])
    for k in range(1, len(knots)):
        step = float(knots[k]) - rho * float(knots[k - 1])
        total += -0.5 * step * step / variance - 0.5 * math.log(2 * math.pi * variance)
    return total


def between_knots(knots, spacing, year):
    """The process so many years after its first knot: between the knots either side, level beyond
    the ends.
    """
    year = min(max(year, 0), (len(knots) - 1) * spacing)
    before = int(year // spacing)
    share = (year - before * spacing) / spacing
    if share == 0:
        return float(knots[before])
    # pulses and trend change smoothly from knot to knot, the epochs of growth linearly
    if spacing != 25:
        share = 3 * share**2 - 2 * share**3
    return (1 - share) * float(knots[before]) + share * float(knots[before + 1])


# ------------------------------------------------------------------------------
# small functions


def log_of(value):
    return math.log(max(value, SMALLEST))


def softplus(x):
    return x + math.log1p(math.exp(-x)) if x > 0 else math.log1p(math.exp(x))


def grass_stage_pmf(log_median, spread, longest):
    """P(G = g) for g = 0 .. longest (section 3); P(G = 0) is 0."""

    def below(g):
        return ndtr((math.log(g + 0.5) - log_median) / spread)

    whole = below(longest) - below(0)
    return [0.0] + [(below(g) - below(g - 1)) / whole for g in range(1, longest + 1)]


def seasons_pmf(mean, theta, longest):
    """P(B = k), k = 0 .. longest: scipy's inverse Gaussian of that mean and variance theta x mean,
    its mean over its shape, mean^2/theta, being scipy's parameter.
    """
    if mean == 0:
        return [1.0] + [0.0] * longest
    passed = invgauss(theta / mean, scale=mean**2 / theta).cdf(np.arange(longest + 1) + 0.5)
    return [float(passed[0])] + [float(passed[k] - passed[k - 1]) for k in range(1, longest + 1)]


def spline_weight(factor, node):
    """Uniform cubic B-spline of spacing 1 centred at the node, factor held to [-3.9, 3.9] (section
    4).
    """
    distance = abs(min(max(float(factor), -3.9), 3.9) - node)
    if distance < 1:
        return 2 / 3 - distance**2 + distance**3 / 2
    if distance < 2:
        return (2 - distance) ** 3 / 6
    return 0.0


def at(pmf, k):
    return pmf[k] if 0 <= k < len(pmf) else 0.0


# ------------------------------------------------------------------------------
# a unit


class UnitReading:
    """One unit's rates, delays and diameters under given parameters, and its log likelihood."""

    def __init__(self, parameters, data, index):
        self.parameters, self.data, self.index = parameters, data, index
        self.unit = data.units[index]
        self.species = data.species[self.unit.species_index]
        self.profile = self.species.profile
        self.season = int(self.unit.season_index)
        self.establishment = self.unit.basis == "establishment"
        self._delay_pmfs = {}
        self._arrivals = {}
        self.grass_pmf = self._grass_pmf()
        classes = range(len(data.class_edges_cm) - 1)
        self.class_probability = [
            [self._class_probability(c, y) for c in classes] for y in range(self.season + 1)
        ]
        self.living = [self._living_at_level_0(t) for t in range(self.season + 1)]
        stems = math.exp(
            math.log(150 if self.unit.has_plots else 50) + 1.75 * self.of_unit("level")
        )
        level = math.log(stems) - math.log(self._stems_at_level_0())
        self.living = [math.exp(level) * living for living in self.living]
        self._arrivals = {}

    def of_unit(self, name):
        return float(self.parameters[name][self.index])

    def of_species(self, name):
        return float(self.parameters[name][self.unit.species_index])

    # Section 2

    def _hazard(self, a):
        total = self.profile["survival.adult_hazard_per_year"] * a
        if self.establishment:
            tau = self.profile["survival.seedling_decline_years"]
            total += (
                self.profile["survival.seedling_hazard_per_year"] * tau * (1 - math.exp(-a / tau))
            )
        return total

    def _stems_at_level_0(self):
        """Lambda_0: listed stems per hectare, or sampled stems without plots."""
        if not self.unit.has_plots:
            return sum(self.arrival(self.unit.reference_height_cm))
        areas = [float(area) for area in self.unit.plot_area_ha]
        listed = [self._listed_per_ha(p) for p in range(len(areas))]
        return sum(a * n for a, n in zip(areas, listed, strict=True)) / sum(areas)

    def _listed_per_ha(self, p):
        """Lambda_p."""
        alpha = self.arrival(BREAST_HEIGHT)
        listed = 0.0
        for y in range(self.season + 1):
            for c in range(self.unit.plot_class_low[p], self.unit.plot_class_high[p]):
                listed += alpha[y] * self.class_probability[y][c]
        return listed

    def _living_at_level_0(self, t):
        a = self.season - t
        place = t + 20 + self._years_moved()
        pulse = between_knots(self.parameters["pulse_knots"][self.index], 4, place)
        trend = between_knots(self.parameters["trend_knots"][self.index], 16, place)
        activity = -2.5 + 0.7 * self.of_unit("activity")
        pulse_scale = math.exp(math.log(2) + 0.25 * self.of_unit("pulse_scale"))
        trend_scale = math.exp(math.log(0.3) + 0.35 * self.of_unit("trend_scale"))
        log_rate = trend_scale * trend + softplus(activity + pulse_scale * pulse)
        since_beginning = 200 * math.exp(0.8 * self.of_unit("beginning"))
        log_rate -= math.log(1 + ((a + 1) / since_beginning) ** 10)
        log_rate += self._hazard(50) - self._hazard(a)
        log_rate += self.profile["survival.slope_sd"] * self.of_unit("slope") * a / 100
        if self.establishment:
            log_rate += (
                self.profile["survival.early_sd"] * self.of_unit("early") * math.exp(-a / 10)
            )
        for j in range(len(self.unit.removal_m)):
            beta = -math.exp(
                self.unit.removal_m[j]
                + self.unit.removal_sd[j] * self.parameters["removal"][self.index][j]
            )
            log_rate += beta * self.unit.removal_shape[j][t]
        return math.exp(log_rate)

    def _years_moved(self):
        """The mean delay to the unit's commonest coring height, less the profile's."""
        if not self.establishment:
            return 0.0
        pace = (self.of_unit("shared_pace") + self.of_unit("height_pace")) / math.sqrt(2)
        typical = self.profile["height_growth.years_to_breast_height"]
        years = typical * math.exp(
            self.profile["height_growth.years_log_sd"] * self.of_species("height_years")
            + self.profile["height_growth.between_stand_log_sd"] * pace
        )
        ground = (
            self.profile["grass_stage.emergence_height_cm"] if self.species.has_grass_stage else 0
        )
        way = max(0.0, float(self.unit.reference_height_cm) - ground) / (137 - ground)
        moved = way ** self.profile["height_growth.exponent"] * (years - typical)
        if self.species.has_grass_stage:
            pace = (self.of_unit("shared_pace") + self.of_unit("grass_pace")) / math.sqrt(2)
            median = self.profile["grass_stage.median_years"] * math.exp(
                self.profile["grass_stage.median_log_sd"] * self.of_species("grass_median")
                + self.profile["grass_stage.between_stand_log_sd"] * pace
            )
            usual = self.profile["grass_stage.within_stand_log_sd"]
            spread = usual * math.exp(
                self.profile["grass_stage.within_log_sd"] * self.of_species("grass_spread")
            )
            moved += median * math.exp(spread**2 / 2) - self.profile[
                "grass_stage.median_years"
            ] * math.exp(usual**2 / 2)
        return moved

    # Section 3

    def _grass_pmf(self):
        if not self.species.has_grass_stage:
            return [1.0]
        pace = (self.of_unit("shared_pace") + self.of_unit("grass_pace")) / math.sqrt(2)
        log_median = math.log(self.profile["grass_stage.median_years"])
        log_median += self.profile["grass_stage.median_log_sd"] * self.of_species("grass_median")
        log_median += self.profile["grass_stage.between_stand_log_sd"] * pace
        log_spread = math.log(self.profile["grass_stage.within_stand_log_sd"])
        log_spread += self.profile["grass_stage.within_log_sd"] * self.of_species("grass_spread")
        return grass_stage_pmf(
            log_median, math.exp(log_spread), int(self.profile["grass_stage.longest_years"])
        )

    def _mean(self, height):
        """mu(h)."""
        emergence = (
            self.profile["grass_stage.emergence_height_cm"] if self.species.has_grass_stage else 0.0
        )
        if height <= emergence:
            return 0.0
        pace = (self.of_unit("shared_pace") + self.of_unit("height_pace")) / math.sqrt(2)
        log_years = math.log(self.profile["height_growth.years_to_breast_height"])
        log_years += self.profile["height_growth.years_log_sd"] * self.of_species("height_years")
        log_years += self.profile["height_growth.between_stand_log_sd"] * pace
        return (
            math.exp(log_years)
            * ((height - emergence) / (BREAST_HEIGHT - emergence))
            ** self.profile["height_growth.exponent"]
        )

    def _seasons_between(self, low, high):
        """P(B(high) - B(low) = k); from the ground, P(B(high) = k)."""
        theta = self.profile["height_growth.dispersion"] * math.exp(
            self.profile["height_growth.dispersion_log_sd"] * self.of_species("height_spread")
        )
        usual_years = self.profile["height_growth.years_to_breast_height"]
        return seasons_pmf(
            self._mean(high) - self._mean(low) if high != low else 0.0,
            theta / (0.5 + 0.5 * (self._mean(BREAST_HEIGHT) / usual_years) ** 4) ** 0.25,
            int(self.profile["height_growth.longest_height_years"]),
        )

    def delay_pmf(self, height):
        """P(D_h = k), k = 0 .. season; no delay at all under basis 'coring
        height'.
        """
        if not self.establishment:
            return [1.0]
        if height not in self._delay_pmfs:
            climb = self._seasons_between(0.0, height)
            grass = self.grass_pmf
            pmf = []
            for k in range(self.season + 1):
                pmf.append(sum(grass[g] * at(climb, k - g) for g in range(min(k + 1, len(grass)))))
            self._delay_pmfs[height] = pmf
        return self._delay_pmfs[height]

    def arrival(self, height):
        """alpha_h(y), y = 0 .. season."""
        if height not in self._arrivals:
            self._arrivals[height] = [
                sum(self.living[t] * at(self.delay_pmf(height), y - t) for t in range(y + 1))
                for y in range(self.season + 1)
            ]
        return self._arrivals[height]

    def stage_probability(self, stage, a, class_low):
        """P(stage | a)."""
        if stage == GERMINANT:
            return 1.0 if a == 0 else 0.0
        if stage == SAPLING:
            arrival_year_of_birth = self.season - a
            delay = self.delay_pmf(BREAST_HEIGHT)
            return sum(
                at(delay, k) * self.smaller_than(class_low, arrival_year_of_birth + k)
                for k in range(a + 1)
            )
        if a == 0:
            return 0.0
        in_grass = (
            1 - sum(at(self.grass_pmf, g) for g in range(a + 1))
            if self.species.has_grass_stage
            else 0.0
        )
        if stage == GRASS:
            return in_grass
        past_emerging = sum(at(self.delay_pmf(BREAST_HEIGHT), k) for k in range(a + 1))
        return 1 - in_grass - past_emerging

    # Section 4

    def evidence(self, node, y):
        """P(readings | first ring at the core's height is of year y), times P(class | y) where the
        node carries a diameter.
        """
        value = 1.0
        if node.evidence is not None:
            place = y - node.band_start
            if not 0 <= place < node.evidence.shape[2]:
                return 0.0
            value = 0.0
            for i in range(node.evidence.shape[0]):
                weight_i = (
                    spline_weight(self.of_unit("early_growth"), i - 5) if node.loads_gamma else 1.0
                )
                for j in range(node.evidence.shape[1]):
                    weight_j = (
                        spline_weight(self.of_unit("counting"), j - 5) if node.loads_delta else 1.0
                    )
                    value += weight_i * weight_j * float(node.evidence[i, j, place])
        if node.dbh_class >= 0:
            value *= self.class_probability[y][node.dbh_class]
        return value

    def tree_likelihood(self, tree):
        """T of a chain of nodes, the highest first."""
        message = [1.0] * (self.season + 1)
        previous = None
        for node in tree.nodes:
            if previous is not None:
                climb = self._seasons_between(node.height_cm, previous.height_cm)
                message = [
                    sum(at(climb, e) * message[y + e] for e in range(self.season - y + 1))
                    for y in range(self.season + 1)
                ]
            message = [message[y] * self.evidence(node, y) for y in range(self.season + 1)]
            previous = node
        alpha = self.arrival(previous.height_cm)
        return sum(alpha[y] * message[y] for y in range(self.season + 1))

    # Section 5

    def _class_probability(self, c, y):
        growth = math.exp(
            math.log(self.profile["size.growth_cm_per_year"])
            + self.profile["size.growth_log_sd"] * self.of_species("growth")
            + self.profile["size.growth_between_stand_log_sd"] * self.of_unit("growth_pace")
        )
        asymptote = self.profile["size.asymptote_cm"] * math.exp(
            self.profile["size.asymptote_log_sd"] * self.of_species("asymptote")
            + self.profile["size.asymptote_between_stand_log_sd"] * self.of_unit("site_asymptote")
        )
        scatter = math.exp(
            math.log(self.profile["size.scatter"])
            + self.profile["size.scatter_log_sd"] * self.of_species("scatter")
        )
        n = self.season - y
        median = asymptote * (1 - math.exp(-(growth / asymptote) * (n + 0.5)))
        median += growth * (n + 0.5) / 20
        location = math.log(median) + self.profile["size.epoch_log_sd"] * between_knots(
            self.parameters["epoch_knots"][self.index], 25, y
        )

        def below(edge):
            if edge == 0:
                return 0.0
            return 1.0 if math.isinf(edge) else stdtr(4, (math.log(edge) - location) / scatter)

        return below(self.data.class_edges_cm[c + 1]) - below(self.data.class_edges_cm[c])

    def smaller_than(self, class_low, y):
        return sum(self.class_probability[y][c] for c in range(class_low))

    # Section 6

    def log_likelihood(self):
        total = (
            self.log_plots()
            if self.unit.has_plots
            else -sum(self.arrival(self.unit.reference_height_cm))
        )
        for tree in self.unit.trees:
            total += log_of(self.tree_likelihood(tree))
        at_breast_height = self.arrival(BREAST_HEIGHT)
        for c, count in zip(self.unit.uncored_class, self.unit.uncored_count, strict=True):
            total += count * log_of(
                sum(
                    at_breast_height[y] * self.class_probability[y][c]
                    for y in range(self.season + 1)
                )
            )
        if self.establishment:
            total += self.log_counts() + self.log_sections()
        return total

    def log_plots(self):
        phi = math.exp(math.log(4) + 0.8 * float(self.parameters["plot_dispersion"]))
        total = 0.0
        for p in range(len(self.unit.plot_area_ha)):
            area, stems = float(self.unit.plot_area_ha[p]), int(self.unit.plot_stems[p])
            listed = self._listed_per_ha(p)
            total += (
                phi * math.log(phi)
                - gammaln(phi)
                + gammaln(phi + stems)
                - (phi + stems) * math.log(phi + area * listed)
            )
            total += stems * math.log(area)
        return total

    def log_counts(self):
        phi = math.exp(0.8 * float(self.parameters["count_dispersion"]))
        total = 0.0
        for j in range(len(self.unit.count_stage)):
            stage, count = int(self.unit.count_stage[j]), int(self.unit.count_value[j])
            by_age = []
            for a in range(self.season + 1):
                by_age.append(
                    self.living[self.season - a]
                    * self.stage_probability(stage, a, int(self.unit.count_class_low[j]))
                )
            factor = math.exp(
                self.unit.stage_factor_scale
                * float(self.parameters["stage_factor"][self.index][stage])
            )
            mean = float(self.unit.count_area_ha[j]) * sum(by_age) * factor
            total += gammaln(phi + count) - gammaln(phi) - gammaln(count + 1)
            total += phi * math.log(phi / (phi + mean)) + count * (
                log_of(mean) - math.log(phi + mean)
            )
            low, high = float(self.unit.count_age_low[j]), float(self.unit.count_age_high[j])
            if stage != 3 and not math.isnan(low) and not math.isnan(high):
                in_range = sum(value for a, value in enumerate(by_age) if low <= a <= high)
                total += count * (log_of(in_range) - log_of(sum(by_age)))
        return total

    def ring_difference(self, d, height):
        """P(d): rings at the ground less those at a height, d = V + B + e."""
        climb = self._seasons_between(0.0, height)
        total = 0.0
        for g in range(len(self.grass_pmf)):
            for v in range(g + 1):
                for e, chance in ((0, 0.6), (1, 0.17), (-1, 0.17), (2, 0.03), (-2, 0.03)):
                    total += self.grass_pmf[g] / (g + 1) * chance * at(climb, d - v - e)
        return total

    def height_class(self, seasons, height, waits):
        """P(B(h) <= s - G < B(h + 25)), or P(B(h) <= s < B(h + 25)) since the start of the stem."""
        first, second = (self._seasons_between(0.0, each) for each in (height, height + 25.0))
        total = 0.0
        for g, chance in enumerate(self.grass_pmf if waits else [1.0]):
            for k in range(seasons - g + 1):
                total += chance * (at(first, k) - at(second, k))
        return total

    def log_sections(self):
        total = 0.0
        for q in range(len(self.unit.section_kind)):
            kind, value = int(self.unit.section_kind[q]), int(self.unit.section_value[q])
            if kind == 3:
                probability = self.ring_difference(value, float(self.unit.section_height_cm[q]))
            elif kind == 0:
                probability = at(self.grass_pmf, value)
            elif kind == 1:
                probability = 1 - sum(at(self.grass_pmf, g) for g in range(value + 1))
            elif kind == 2:
                probability = sum(at(self.grass_pmf, g) for g in range(value + 1))
            else:
                probability = self.height_class(
                    value, float(self.unit.section_height_cm[q]), kind == 4
                )
            total += log_of(probability)
        return total
