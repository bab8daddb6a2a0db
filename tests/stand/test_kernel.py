"""The sampled log density: its hand-written gradient, its distributions against scipy, identities
that must hold whatever the numbers, and the exact draws of years against plain enumeration.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from first_passage import seasons_pmf
from random_stand_data import SURVEYS, random_parameters, random_stand_data, without_evidence
from reference_likelihood import UnitReading
from scipy import special, stats
from scipy.interpolate import BSpline
from tiny_stand import LEAST_P, Tiny, chi_square, core_at, spline_mixture, tiny

from standage.evidence.delays import grass_stage_pmf, height_growth_pmf, height_share
from standage.stand.data import (
    BREAST_HEIGHT_CM,
    FACTOR_NODES,
    STAGES,
    Node,
    RightReading,
    SpeciesData,
    StandData,
    TreeChain,
)
from standage.stand.dating import Recruits, chain_years, size_years
from standage.stand.expected import stage_densities
from standage.stand.kernel import convolution, distributions, knots
from standage.stand.kernel.delays import (
    DelayValues,
    grass_pmf,
    grass_pmf_adjoint,
    growth_by_draw,
    height_growth_adjoint,
)
from standage.stand.kernel.log_density import Kernel, log_density_and_gradient, unit_log_density
from standage.stand.misreads import chances_misread
from standage.stand.packing import pack_priors, pack_unit
from standage.stand.parameters import KNOT_NAMES, layout, pack, unpack
from standage.stand.states import delayed, prior_draws, unit_state


def flat(seed: int, data: StandData, scale: float = 0.8) -> np.ndarray:
    return pack(random_parameters(seed, data, scale), data)


def log_prior(vector: np.ndarray, data: StandData) -> float:
    return knots.standard_normal_and_knots(vector, np.zeros(len(vector)), *pack_priors(data))


# the gradient


def place_of(i: int, data: StandData) -> str:
    """Name of the parameter at a place of the flat vector, for the message of a failure."""
    places = layout(data)
    starts = dict(places.offsets)
    for u, own in enumerate(places.unit_offsets):
        starts |= {f"{name} of unit {u}": start for name, start in own.items()}
    return max((start, name) for name, start in starts.items() if start <= i)[1]


def test_gradient_of_the_prior_alone():
    data = random_stand_data(*SURVEYS["plots"])
    vector, gradient = flat(3, data), np.zeros(layout(data).size)
    knots.standard_normal_and_knots(vector, gradient, *pack_priors(data))
    for i in range(len(vector)):
        up, down = vector.copy(), vector.copy()
        up[i] += 1e-4
        down[i] -= 1e-4
        assert gradient[i] == pytest.approx(
            (log_prior(up, data) - log_prior(down, data)) / 2e-4, abs=1e-6
        )


def test_a_call_leaves_the_parameters_alone_and_repeats():
    data = random_stand_data(*SURVEYS["mixed bases"])
    kernel, vector = Kernel(data), flat(4, data)
    kept = vector.copy()
    first, again = kernel(vector), kernel(vector)
    assert np.array_equal(vector, kept)
    assert first[0] == again[0] and np.array_equal(first[1], again[1])
    assert first[0] == log_density_and_gradient(vector, data)[0]


@pytest.mark.parametrize("far", [-1e3, -30.0, 30.0, 1e3])
@pytest.mark.parametrize("name", SURVEYS)
def test_far_off_parameters_give_a_density_and_never_an_exception(name, far):
    """A sampler's first steps go far; an exception there would end the whole fit. No density, NaN,
    is an answer it can step back from.
    """
    data = random_stand_data(*SURVEYS[name])
    kernel = Kernel(data)
    for i in range(kernel.size):
        vector = np.zeros(kernel.size)
        vector[i] = far
        density, gradient = kernel(vector)
        assert math.isnan(density) or density < 1e6, place_of(i, data)
        assert gradient.shape == (kernel.size,)


# its distributions against scipy


@pytest.mark.parametrize("position", [-3.9, -2.0, -0.73, 0.0, 0.5, 1.999, 3.6, 3.9])
def test_spline_weights_are_the_uniform_cubic_b_spline(position):
    weights, slopes = np.empty(4), np.empty(4)
    first = distributions.bspline_weights(position, weights, slopes)
    expected, steepness = np.zeros(11), np.zeros(11)
    for place, node in enumerate(FACTOR_NODES):
        spline = BSpline.basis_element(node + np.arange(-2.0, 3.0), extrapolate=False)
        expected[place] = np.nan_to_num(spline(position))
        steepness[place] = np.nan_to_num(spline.derivative()(position))
    found, slope = np.zeros(11), np.zeros(11)
    found[first : first + 4], slope[first : first + 4] = weights, slopes
    np.testing.assert_allclose(found, expected, atol=1e-14)
    np.testing.assert_allclose(slope, steepness, atol=1e-14)
    assert weights.sum() == pytest.approx(1, abs=1e-14) and slopes.sum() == pytest.approx(
        0, abs=1e-14
    )
    assert found @ FACTOR_NODES == pytest.approx(position)
    assert found @ (FACTOR_NODES - position) ** 2 == pytest.approx(
        1 / 3
    )  # the widening that the evidence takes off beforehand


def test_spline_weights_are_held_beyond_the_nodes():
    weights, slopes, edge = np.empty(4), np.empty(4), np.empty(4)
    first = distributions.bspline_weights(7.0, weights, slopes)
    assert first == distributions.bspline_weights(3.9, edge, np.empty(4))
    assert np.array_equal(weights, edge) and not slopes.any()


def test_digamma_is_scipys():
    for x in [1e-3, 0.2, 1.0, 1.5, 4.0, 9.99, 10.0, 63.0, 1e4]:
        assert distributions.digamma(x) == pytest.approx(special.digamma(x), rel=1e-11, abs=1e-12)


def test_student_t_with_four_degrees_of_freedom_is_scipys():
    value, scale = 2.5, 1.4
    t = np.array([-12.0, -2.5, -0.3, 0.0, 0.9, 3.3, 25.0])
    cdf, pdf = np.empty((2, len(t)))
    distributions.t4_row(value, value - scale * t, scale, cdf, pdf)
    np.testing.assert_allclose(cdf, stats.t(4).cdf(t), atol=1e-13)
    np.testing.assert_allclose(pdf, stats.t(4).pdf(t), rtol=1e-12)


@pytest.mark.parametrize(
    ("mean", "dispersion"), [(0.4, 1.6), (5.0, 0.3), (14.0, 2.5), (40.0, 0.06)]
)
def test_height_growth_is_the_inverse_gaussian_and_so_is_its_derivative(mean, dispersion):
    seasons = np.arange(121)
    pmf = growth_pmf(mean, dispersion, 121)
    np.testing.assert_allclose(pmf, seasons_pmf(seasons, mean, dispersion), atol=1e-12)
    pull = np.random.default_rng(1).normal(size=121)

    def total(log_mean, log_dispersion):
        return pull @ seasons_pmf(seasons, math.exp(log_mean), math.exp(log_dispersion))

    at, step = np.log([mean, dispersion]), 1e-4
    slopes = [
        (total(*(at + step * one)) - total(*(at - step * one))) / (2 * step) for one in np.eye(2)
    ]
    found = height_growth_adjoint(mean, dispersion, pull)
    np.testing.assert_allclose(found, slopes, rtol=1e-5, atol=1e-7)
    np.testing.assert_allclose(height_growth_pmf(mean, dispersion, 120), pmf, atol=1e-13)


def growth_pmf(mean, dispersion, length):
    """The compiled law of height growth, of one draw."""
    pmf = np.empty((1, length))
    growth_by_draw(np.array([mean]), np.array([dispersion]), pmf)
    return pmf[0]


def test_no_height_to_grow_takes_no_season():
    np.testing.assert_allclose(growth_pmf(0.0, 1.5, 9), [1.0] + 8 * [0.0], atol=1e-15)
    assert height_growth_adjoint(0.0, 1.5, np.ones(9)) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("median", "spread", "longest"), [(4.0, 0.5, 30), (9.0, 0.8, 25), (1.2, 0.3, 20)]
)
def test_grass_stage_is_the_rounded_log_normal_and_so_is_its_derivative(median, spread, longest):
    def by_scipy(log_median, log_spread):
        below = stats.lognorm(s=math.exp(log_spread), scale=math.exp(log_median)).cdf(
            np.arange(longest + 1) + 0.5
        )
        return np.concatenate([[0.0], np.diff(below) / (below[-1] - below[0])])

    pmf = np.empty(longest + 1)
    values = DelayValues(math.log(median), spread, 0.0, 1.0)
    grass = grass_pmf(values, pmf)
    np.testing.assert_allclose(
        pmf, by_scipy(math.log(median), math.log(spread)), rtol=1e-9, atol=1e-15
    )
    np.testing.assert_allclose(
        grass_stage_pmf(median, spread, longest),
        pmf,
        rtol=1e-9,
        atol=1e-15,
    )
    assert pmf.sum() == pytest.approx(1)
    pull = np.random.default_rng(2).normal(size=longest + 1)
    by_median, by_spread = grass_pmf_adjoint(values, grass, pmf, pull)
    centre, h = (math.log(median), math.log(spread)), 1e-5
    assert by_median == pytest.approx(
        pull @ (by_scipy(centre[0] + h, centre[1]) - by_scipy(centre[0] - h, centre[1])) / (2 * h),
        rel=1e-6,
    )
    assert by_spread == pytest.approx(
        pull @ (by_scipy(centre[0], centre[1] + h) - by_scipy(centre[0], centre[1] - h)) / (2 * h),
        rel=1e-6,
    )


def test_a_delay_is_a_convolution_and_its_adjoint_its_transpose():
    rng = np.random.default_rng(3)
    source, pmf, pull, last = (
        rng.uniform(size=40),
        rng.dirichlet(np.ones(9)),
        rng.normal(size=40),
        34,
    )
    out = np.zeros(40)
    convolution.delayed(source, pmf, out, last)
    np.testing.assert_allclose(out[: last + 1], np.convolve(source, pmf)[: last + 1], rtol=1e-12)
    np.testing.assert_allclose(
        delayed(source[None, : last + 1], pmf[None])[0], out[: last + 1], rtol=1e-12
    )
    source_bar, pmf_bar = np.zeros(40), np.zeros(9)
    convolution.delayed_adjoint(source, pmf, pull, source_bar, pmf_bar, last)
    together = (
        pull[: last + 1] @ out[: last + 1]
    )  # linear in either argument, so each gradient times its argument gives it back
    assert source_bar @ source == pytest.approx(together) and pmf_bar @ pmf == pytest.approx(
        together
    )
    assert not source_bar[last + 1 :].any()


# identities


@pytest.mark.parametrize("name", ["plots", "no grass stage"])
def test_stages_at_the_survey_sum_to_one_at_every_age_and_agree_with_plain_loops(name):
    """Draw a has one stem, of age a. `sapling` below a class that is never reached is every stem
    past breast height.
    """
    data = random_stand_data(*SURVEYS[name])
    unit, n = data.units[0], data.units[0].season_index + 1
    every, no_limit = np.arange(len(STAGES)), np.full(len(STAGES), len(data.class_edges_cm) - 1)
    data = dataclasses.replace(
        data, units=(dataclasses.replace(unit, count_stage=every, count_class_low=no_limit),)
    )
    parameters = random_parameters(5, data)
    state = unit_state(np.tile(pack(parameters, data), (n, 1)), data, 0)
    state = dataclasses.replace(state, living=np.eye(n)[::-1])
    arrival = state.delays.arrival(state.living, BREAST_HEIGHT_CM)
    share = stage_densities(data, 0, state, arrival)
    reading = UnitReading(parameters, data, 0)
    for (stage, low), of_stage in share.items():
        loops = [reading.stage_probability(stage, a, low) for a in range(n)]
        np.testing.assert_allclose(of_stage, loops, atol=1e-9, err_msg=STAGES[stage])
    assert all(np.all(of_stage > -1e-12) for of_stage in share.values())
    from_one = (
        0 if data.species[0].has_grass_stage else 1
    )  # a germinant is one, even if its first season already takes it to 1.37 m
    np.testing.assert_allclose(sum(share.values())[from_one:], 1.0, atol=1e-10)
    assert share[0, no_limit[0]].tolist() == [1.0] + [0.0] * (n - 1)


@pytest.mark.parametrize("name", ["plots", "no grass stage", "coring height, no plots"])
def test_states_agree_with_plain_loops(name):
    """What the tables are made from is what the sampler's density is made from."""
    data = random_stand_data(*SURVEYS[name])
    parameters = random_parameters(7, data)
    state, reading = (
        unit_state(pack(parameters, data)[None], data, 0),
        UnitReading(parameters, data, 0),
    )
    np.testing.assert_allclose(state.living[0], reading.living, rtol=1e-10)
    for height in (10.0, 30.0, BREAST_HEIGHT_CM):
        np.testing.assert_allclose(
            state.delays.arrival(state.living, height)[0],
            reading.arrival(height),
            rtol=1e-9,
            atol=1e-12,
        )
    edges = data.class_edges_cm
    for c in (0, 3, len(edges) - 2):
        expected = [of_year[c] for of_year in reading.class_probability]
        np.testing.assert_allclose(state.in_class(edges[c], edges[c + 1])[0], expected, atol=1e-12)


def test_classes_sum_to_the_probability_of_being_listed():
    data = random_stand_data(*SURVEYS["plots"])
    state, edges = unit_state(np.tile(flat(8, data), (2, 1)), data, 0), data.class_edges_cm
    for low, high in ((2, len(edges) - 1), (3, 9), (0, len(edges) - 1)):
        classes = sum(state.in_class(edges[c], edges[c + 1]) for c in range(low, high))
        np.testing.assert_allclose(classes, state.in_class(edges[low], edges[high]), atol=1e-12)
    np.testing.assert_allclose(state.in_class(0.0, math.inf), 1.0)


def test_stems_of_all_classes_are_the_stems_expected():
    """One uncored stem of class c multiplies the likelihood by the stems expected of that class;
    over classes that is Lambda.
    """
    data = random_stand_data(*SURVEYS["plots"])
    nobody = without_evidence(data)
    vector = flat(9, nobody)
    empty = Kernel(nobody)(vector)[0]
    by_class = []
    for c in range(len(data.class_edges_cm) - 1):
        one = without_evidence(data, uncored_class=np.array([c]), uncored_count=np.array([1]))
        by_class.append(math.exp(Kernel(one)(vector)[0] - empty))
    assert sum(by_class) == pytest.approx(log_prior(vector, nobody) - empty, rel=1e-9)


def test_plots_merge_like_gamma_poisson_plots_only_when_alike():
    """Two halves of a plot are a plot when plots are all alike (phi large), and tell more apart
    when they are not.
    """
    data = random_stand_data(*SURVEYS["plots"])
    edges = len(data.class_edges_cm) - 1

    def density(areas, stems, z):
        place = {"plot_area_ha": np.array(areas), "plot_stems": np.array(stems)}
        limits = {
            "plot_class_low": np.full(len(areas), 3),
            "plot_class_high": np.full(len(areas), edges),
        }
        surveyed = without_evidence(data, **place, **limits)
        surveyed = dataclasses.replace(
            surveyed, units=(dataclasses.replace(surveyed.units[0], has_plots=True),)
        )
        parameters = unpack(flat(10, surveyed), surveyed) | {"plot_dispersion": z}
        vector = pack(parameters, surveyed)
        return (
            Kernel(surveyed)(vector)[0]
            - log_prior(vector, surveyed)
            - sum(n * math.log(a) for n, a in zip(stems, areas, strict=True))
        )

    alike = 20.0  # phi = 4 e^16
    assert density([0.1, 0.1], [7, 5], alike) == pytest.approx(
        density([0.2], [12], alike), abs=1e-3
    )
    clumped = density([0.1, 0.1], [12, 0], -2.0) - density([0.1, 0.1], [6, 6], -2.0)
    assert clumped > 5 + density([0.1, 0.1], [12, 0], alike) - density([0.1, 0.1], [6, 6], alike)


def test_an_empty_past_adds_nothing():
    """400 more years, a multiple of all three knot spacings, in which no stem established, leave
    the likelihood as it was.

    The first 48 years of knots are empty already, since processes move with the delay; trees of
    that time are left out.
    """
    data = random_stand_data(*SURVEYS["plots"])
    unit, more, nobody = (
        data.units[0],
        400,
        {"pulse_knots": -1e6, "trend_knots": -1e6, "epoch_knots": 0.0},
    )
    late = tuple(
        tree
        for tree in unit.trees
        if all(node.evidence is None or node.band_start > 30 for node in tree.nodes)
    )
    unit = dataclasses.replace(unit, trees=late)
    data = dataclasses.replace(data, units=(unit,))
    moved = tuple(
        TreeChain(
            tuple(
                dataclasses.replace(node, band_start=node.band_start + more) for node in tree.nodes
            )
        )
        for tree in late
    )
    shape = np.hstack([np.zeros((len(unit.removal_m), more)), unit.removal_shape])
    later = dataclasses.replace(
        unit, season_index=unit.season_index + more, trees=moved, removal_shape=shape
    )
    longer = dataclasses.replace(
        data, n_years=data.n_years + more, first_year=data.first_year - more, units=(later,)
    )
    parameters = random_parameters(
        11, data, 0.3
    )  # delays near the profile's, so that the process moves by less than its margin
    for name in ("pulse_knots", "trend_knots"):
        parameters[name][0][
            : 48 // dict((knot, spacing) for knot, spacing, _ in KNOT_NAMES)[name]
        ] = nobody[name]
    stretched = dict(parameters)
    for name, spacing, _ in KNOT_NAMES:
        stretched[name] = [
            np.concatenate([np.full(more // spacing, nobody[name]), parameters[name][0]])
        ]
    short, long = pack(parameters, data), pack(stretched, longer)
    assert len(late) >= 2 and len(long) == layout(longer).size
    # the likelihood alone: a knot a million standard deviations off has a prior of some -1e12,
    # which would swallow it
    likelihood = unit_log_density(short, np.zeros(len(short)), *pack_unit(data, 0))
    assert likelihood > -600  # nothing is at its floor, which costs 690
    assert unit_log_density(long, np.zeros(len(long)), *pack_unit(longer, 0)) == pytest.approx(
        likelihood, rel=1e-11
    )


def test_knots_of_prior_draws_are_an_ornstein_uhlenbeck_process():
    data = random_stand_data(*SURVEYS["no plots"])
    draws = prior_draws(data, 20_000, np.random.default_rng(12))
    named = unpack(draws, data)
    for name, spacing, length in KNOT_NAMES:
        knots = named[name][0]
        apart = np.abs(np.subtract.outer(np.arange(knots.shape[1]), np.arange(knots.shape[1])))
        # a correlation of 20,000 draws has a standard error below 0.0071; five of them over some
        # 700 pairs
        np.testing.assert_allclose(np.cov(knots.T), np.exp(-spacing * apart / length), atol=0.05)
    for name in ("level", "early_growth", "plot_dispersion"):
        assert abs(named[name].std() - 1) < 0.025 and abs(named[name].mean()) < 0.035


# the exact draws of years


def written_out(
    setting: Tiny,
    chain: TreeChain,
    gamma: float,
    delta: float,
    with_size: bool,
    normalised: bool = True,
) -> np.ndarray:
    """P(first ring at the lowest core, establishment), shape `(year, year)`: every path of years of
    one tree, added up.
    """
    n, profile = setting.n, setting.delays.profile
    dispersion = float(setting.delays.dispersion[0])
    evidence = []
    for node in chain.nodes:
        seen = spline_mixture(node, gamma, delta, n)
        evidence.append(seen * setting.sizes[0] if with_size and node.dbh_class >= 0 else seen)
    core = max(k for k, node in enumerate(chain.nodes) if node.evidence is not None)
    shares = [height_share(profile, node.height_cm) for node in chain.nodes]
    years = float(setting.delays.years_to_breast_height[0])
    from_ground = seasons_pmf(np.arange(n), years * shares[-1], dispersion)
    climbs = [
        seasons_pmf(np.arange(n), years * (above - below), dispersion)
        for above, below in zip(shares, shares[1:], strict=False)
    ]
    table = np.zeros((n, n))

    def upward(k: int, year: int, weight: float, at_core: int, established: int):
        """From node k, reached in `year`, up the stem."""
        weight *= evidence[k][year]
        at_core = year if k == core else at_core
        if weight == 0:
            return
        if k == 0:
            table[at_core, established] += weight
            return
        for seasons in range(n - year):
            upward(k - 1, year + seasons, weight * climbs[k - 1][seasons], at_core, established)

    grass = setting.delays.grass[0]
    for established in range(n):
        for year in range(established, n):
            waited = sum(
                grass[g] * from_ground[year - established - g]
                for g in range(min(len(grass), year - established + 1))
            )
            upward(
                len(chain.nodes) - 1, year, setting.living[0, established] * waited, -1, established
            )
    return table / table.sum() if normalised else table


DIAMETER = Node(BREAST_HEIGHT_CM, 4, None, 0, False, False)
CHAINS = {
    "one core": (core_at(30.0, 4, 1, loads_gamma=True),),
    "one core and the diameter": (DIAMETER, core_at(30.0, 3, 2, loads_delta=True)),
    "two cores and the diameter": (
        DIAMETER,
        core_at(100.0, 5, 3),
        core_at(20.0, 3, 4, loads_gamma=True, loads_delta=True),
    ),
    "core and diameter at breast height": (core_at(BREAST_HEIGHT_CM, 5, 5, dbh_class=4),),
    "a core above breast height": (core_at(200.0, 8, 6), DIAMETER),
    "a band that runs past the survey": (core_at(50.0, 10, 7, band=9),),
}


def recruits(setting: Tiny, early_growth: float, counting: float) -> Recruits:
    living = setting.repeated(setting.living)
    factors = (np.full(len(living), factor) for factor in (early_growth, counting))
    return Recruits(living, setting.many(), *factors)


@pytest.mark.slow
@pytest.mark.parametrize("has_grass", [True, False])
@pytest.mark.parametrize("name", CHAINS)
def test_years_of_a_cored_tree_are_drawn_from_their_exact_conditional(name, has_grass):
    chain, setting = TreeChain(CHAINS[name]), tiny(21, has_grass)
    with_size = any(node.dbh_class >= 0 for node in chain.nodes)
    gamma, delta = 0.6, -1.3
    sizes = setting.repeated(setting.sizes) if with_size else None
    at_core, established = chain_years(
        chain, recruits(setting, gamma, delta), sizes, np.random.default_rng(22)
    )
    found = np.zeros((setting.n, setting.n))
    np.add.at(found, (at_core, established), 1)
    expected = written_out(setting, chain, gamma, delta, with_size)
    assert chi_square(found, expected) > LEAST_P
    wrong = dataclasses.replace(setting, living=np.roll(setting.living, 1))
    assert (
        chi_square(found, written_out(wrong, chain, gamma, delta, with_size)) < LEAST_P
    )  # recruitment a year off would be seen


@pytest.mark.parametrize("name", CHAINS)
def test_the_chance_of_a_misread_core_is_that_of_all_paths_written_out(name):
    """What is left of all paths, given the year at the core, with the reading not grossly off."""
    setting = dataclasses.replace(tiny(26), n_draws=14)
    chain, rng = TreeChain(CHAINS[name]), np.random.default_rng(27)
    with_size = any(node.dbh_class >= 0 for node in chain.nodes)
    gamma, delta = -0.4, 0.9
    doubted = []
    for number, node in enumerate(chain.nodes):
        if node.evidence is None:
            doubted.append(node)
            continue
        part = (node.evidence * rng.uniform(0.2, 1.0, node.evidence.shape))[:, :, 1:]
        right = RightReading(f"core {number}", part, node.band_start + 1)
        doubted.append(dataclasses.replace(node, right=(right,)))
    years = np.arange(setting.n)
    sizes = setting.repeated(setting.sizes) if with_size else None
    found = chances_misread(
        TreeChain(tuple(doubted)), recruits(setting, gamma, delta), sizes, years
    )
    assert len(found) == sum(node.evidence is not None for node in chain.nodes)
    whole = written_out(setting, chain, gamma, delta, with_size, normalised=False).sum(axis=1)
    for number, node in enumerate(doubted):
        for right in node.right:
            nodes = list(chain.nodes)
            nodes[number] = dataclasses.replace(
                node, evidence=right.evidence, band_start=right.band_start
            )
            only = written_out(
                setting, TreeChain(tuple(nodes)), gamma, delta, with_size, normalised=False
            ).sum(axis=1)
            can_be = whole > 0
            np.testing.assert_allclose(
                found[right.core][can_be], 1 - only[can_be] / whole[can_be], atol=1e-10
            )


def test_years_of_a_tree_that_cannot_be_are_none():
    setting = tiny(23)
    late = TreeChain((core_at(30.0, setting.n + 2, 8),))  # its rings would all lie after the survey
    at_core, established = chain_years(
        late, recruits(setting, 0.0, 0.0), None, np.random.default_rng(1)
    )
    assert (at_core == -1).all() and (established == -1).all()


@pytest.mark.parametrize("has_grass", [True, False])
def test_years_of_stems_known_by_size_are_drawn_from_their_exact_conditional(has_grass):
    setting = tiny(24, has_grass)
    sizes = setting.repeated(setting.sizes)
    drawn = size_years(recruits(setting, 0.0, 0.0), sizes, 2, np.random.default_rng(25))
    waits = setting.delays.to_height(BREAST_HEIGHT_CM)[0]
    expected = np.zeros(setting.n)
    for established in range(setting.n):
        for year in range(established, setting.n):
            expected[established] += (
                setting.living[0, established] * waits[year - established] * setting.sizes[0, year]
            )
    expected /= expected.sum()
    for stem in range(2):
        assert chi_square(np.bincount(drawn[:, stem], minlength=setting.n), expected) > LEAST_P
    both = np.zeros((setting.n, setting.n))
    np.add.at(both, (drawn[:, 0], drawn[:, 1]), 1)
    assert (
        chi_square(both, np.outer(expected, expected)) > LEAST_P
    )  # two stems of a class are independent given the draw


def test_species_data_and_layout_cover_every_parameter_once():
    """Every place of the flat vector belongs to one name, and comes back through `unpack`."""
    data = random_stand_data(*SURVEYS["mixed bases"])
    assert all(isinstance(species, SpeciesData) for species in data.species)
    numbers = np.arange(layout(data).size, dtype=float)
    named = unpack(numbers, data)
    seen = np.concatenate(
        [
            np.ravel(part)
            for value in named.values()
            for part in (value if isinstance(value, list) else [value])
        ]
    )
    assert sorted(seen) == numbers.tolist()
    assert np.array_equal(pack(named, data), numbers)
