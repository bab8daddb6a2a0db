"""The three statements of docs/the-model.md agree: plain loops (`reference_likelihood`), PyMC
(`standage.stand.model`), sampled kernel.
"""

import dataclasses
from functools import cache

import numpy as np
import pymc as pm
import pytest
from pymc_as_written import AS_WRITTEN
from pytensor.gradient import grad
from random_stand_data import (
    ESTABLISHMENT,
    KNOT_SPACINGS,
    SURVEYS,
    random_parameters,
    random_stand_data,
)
from reference_likelihood import UnitReading, log_density, log_prior
from scipy.special import stdtr
from scipy.stats import invgauss, multivariate_normal

from standage.stand.data import Node, StandData, TreeChain
from standage.stand.expressions import first_passage_pmf, spline_weights, student_t4_cdf
from standage.stand.kernel.log_density import Kernel, log_density_and_gradient
from standage.stand.model import parameters_to_point, stand_model
from standage.stand.parameters import SPECIES_NAMES, SURVEY_NAMES, UNIT_NAMES, pack, unpack

PARAMETER_SEEDS = (1, 2, 3)
# PyTensor takes seconds to build a model, and up to a minute to build its gradient: that of small
# surveys with each basis, with and without a grass stage; differences for the others
WITH_GRADIENT = ("plots", "no grass stage", "coring height, no plots")
QUICK = {"coring height, no plots"}
BUILT = [pytest.param(name, marks=() if name in QUICK else pytest.mark.slow) for name in SURVEYS]
STEP = 1e-4


@cache
def survey(name) -> StandData:
    return random_stand_data(*SURVEYS[name])


def in_pairs(model):
    """Log density of a model, its terms added one by one: numpy has no sum of over 31 arrays."""
    total = 0.0
    for term in model.logp(sum=False):
        total = total + term.sum()
    return total


@cache
def compiled(name):
    """Log density of the PyMC statement, as a function of a point."""
    if name in WITH_GRADIENT:
        return lambda point: compiled_gradient(name)(point)[0]
    model = stand_model(survey(name))
    return model.compile_fn(in_pairs(model), mode=AS_WRITTEN)


@cache
def compiled_gradient(name):
    """Log density of the PyMC statement and its gradient by variable, as a function of a point."""
    model = stand_model(survey(name))
    log_density_of_model = in_pairs(model)
    density = model.compile_fn(
        [log_density_of_model, *grad(log_density_of_model, model.value_vars)], mode=AS_WRITTEN
    )
    names = [variable.name for variable in model.value_vars]

    def at_point(point):
        value, *gradient = density(point)
        return float(value), dict(zip(names, gradient, strict=True))

    return at_point


@pytest.mark.parametrize("seed", PARAMETER_SEEDS)
@pytest.mark.parametrize("name", BUILT)
def test_pymc_statement_agrees_with_plain_loops(name, seed):
    data = survey(name)
    parameters = random_parameters(seed, data)
    value = compiled(name)(parameters_to_point(parameters, data))
    assert value == pytest.approx(log_density(parameters, data), rel=1e-10)


@pytest.mark.parametrize("seed", PARAMETER_SEEDS)
@pytest.mark.parametrize("name", SURVEYS)
def test_kernel_agrees_with_plain_loops(name, seed):
    data = survey(name)
    parameters = random_parameters(seed, data)
    value, _ = log_density_and_gradient(pack(parameters, data), data)
    assert value == pytest.approx(log_density(parameters, data), rel=1e-8)


@pytest.mark.parametrize("seed", PARAMETER_SEEDS)
@pytest.mark.parametrize("name", SURVEYS)
def test_kernel_gradient_is_the_slope_of_its_density(name, seed):
    """Against differences of fourth order of the density, which the plain loops hold."""
    data = survey(name)
    kernel = Kernel(data)
    point = pack(random_parameters(seed, data), data)
    _, gradient = kernel(point)
    for place in range(kernel.size):
        step = STEP * np.eye(kernel.size)[place]
        far, near = (kernel(point + k * step)[0] - kernel(point - k * step)[0] for k in (2, 1))
        slope = (8 * near - far) / (12 * STEP)
        assert gradient[place] == pytest.approx(slope, rel=1e-6, abs=1e-6), place


@pytest.mark.parametrize("seed", PARAMETER_SEEDS)
@pytest.mark.parametrize("name", [param for param in BUILT if param.values[0] in WITH_GRADIENT])
def test_kernel_gradient_agrees_with_pymc(name, seed):
    data = survey(name)
    parameters = random_parameters(seed, data)
    _, gradient = log_density_and_gradient(pack(parameters, data), data)
    _, expected = compiled_gradient(name)(parameters_to_point(parameters, data))
    of_kernel = parameters_to_point(unpack(gradient, data), data)
    assert of_kernel.keys() == expected.keys()
    for variable, value in expected.items():
        np.testing.assert_allclose(
            of_kernel[variable], value, rtol=1e-6, atol=1e-7, err_msg=variable
        )


@pytest.mark.parametrize("name", SURVEYS)
def test_packed_parameters_come_back(name):
    data = survey(name)
    parameters = random_parameters(4, data)
    expected, found = (
        parameters_to_point(parameters, data),
        parameters_to_point(unpack(pack(parameters, data), data), data),
    )
    assert found.keys() == expected.keys()
    for variable, value in expected.items():
        np.testing.assert_array_equal(found[variable], value, err_msg=variable)


@pytest.mark.slow
@pytest.mark.parametrize("factor", ["early_growth", "counting"])
@pytest.mark.parametrize("extreme", [-6.0, 6.0])
def test_factors_beyond_the_nodes_are_held(factor, extreme):
    data = survey("plots")
    parameters = random_parameters(5, data)
    parameters[factor][0] = extreme
    expected = log_density(parameters, data)
    held = {**parameters, factor: np.array([np.sign(extreme) * 3.9])}
    assert expected - log_prior(parameters, data) == pytest.approx(
        log_density(held, data) - log_prior(held, data), rel=1e-12
    )
    assert compiled("plots")(parameters_to_point(parameters, data)) == pytest.approx(
        expected, rel=1e-10
    )
    assert log_density_and_gradient(pack(parameters, data), data)[0] == pytest.approx(
        expected, rel=1e-8
    )


@pytest.mark.slow
def test_impossible_tree_costs_a_finite_amount():
    """A core all of whose likely years lie after the survey is floored at 1e-300 by all three."""
    data = survey("coring height, no plots")
    unit = data.units[0]
    start = unit.season_index + 1
    evidence = np.ones((1, 1, data.n_years - start))
    late = Node(
        height_cm=30.0,
        dbh_class=-1,
        evidence=evidence,
        band_start=start,
        loads_gamma=False,
        loads_delta=False,
    )
    with_tree = dataclasses.replace(
        data, units=(dataclasses.replace(unit, trees=(*unit.trees, TreeChain(nodes=(late,)))),)
    )
    parameters = random_parameters(6, data)
    expected = log_density(parameters, data) + np.log(1e-300)
    assert log_density(parameters, with_tree) == pytest.approx(expected, rel=1e-12)
    model = stand_model(with_tree)
    assert float(
        model.compile_logp(mode=AS_WRITTEN)(parameters_to_point(parameters, data))
    ) == pytest.approx(expected, rel=1e-10)
    assert log_density_and_gradient(pack(parameters, data), with_tree)[0] == pytest.approx(
        expected, rel=1e-8
    )


def test_surveys_hold_every_kind_of_evidence():
    """The comparison means something only if each term of the likelihood is there to be
    compared.
    """
    units = [unit for name in SURVEYS for unit in survey(name).units]
    nodes = [node for unit in units for tree in unit.trees for node in tree.nodes]
    assert {(node.loads_gamma, node.loads_delta) for node in nodes} == {
        (False, False),
        (False, True),
        (True, False),
        (True, True),
    }
    assert {(node.dbh_class >= 0, node.evidence is not None) for node in nodes} == {
        (True, True),
        (True, False),
        (False, True),
    }
    assert {len(tree.nodes) for unit in units for tree in unit.trees} == {1, 2, 3}
    assert any(node.height_cm == 140 for node in nodes)  # a core above breast height
    assert any(
        (unit.plot_class_high < len(survey("plots").class_edges_cm) - 1).any() for unit in units
    )  # a largest listed diameter
    assert {stage for unit in units for stage in unit.count_stage} == {0, 1, 2, 3}
    assert {
        stage for unit in units for stage in unit.count_stage[np.isfinite(unit.count_age_low)]
    } == {0, 1, 2}
    assert {kind for unit in units for kind in unit.section_kind} == {0, 1, 2, 3, 4, 5}
    assert {len(unit.removal_m) for unit in units} >= {0, 1}
    assert {unit.stage_factor_scale for unit in units} == {0.5, 1.0}
    assert any(unit.season_index < survey("plots").n_years - 1 for unit in units)


@pytest.mark.parametrize("seed", PARAMETER_SEEDS)
@pytest.mark.parametrize("name", SURVEYS)
def test_nothing_compared_is_at_its_floor(name, seed):
    """A floor costs 690 a stem and would drown the other terms."""
    data = survey(name)
    parameters = random_parameters(seed, data)
    for u, unit in enumerate(data.units):
        reading = UnitReading(parameters, data, u)
        assert min(reading.tree_likelihood(tree) for tree in unit.trees) > 1e-12
        if unit.basis == ESTABLISHMENT:
            assert reading.log_counts() > -600
            assert reading.log_sections() > -300


VARIABLES = [
    *SURVEY_NAMES,
    *SPECIES_NAMES,
    *UNIT_NAMES,
    "stage_factor",
    *(f"{name}_0" for name in KNOT_SPACINGS),
]


@pytest.mark.parametrize("variable", VARIABLES)
def test_every_parameter_meets_the_data(variable):
    """The gradient of the likelihood, that is without the prior's `-z`, is not zero under basis
    'establishment'.
    """
    data = survey("plots")
    parameters = random_parameters(7, data)
    point = parameters_to_point(parameters, data)
    _, slopes = log_density_and_gradient(pack(parameters, data), data)
    gradient = parameters_to_point(unpack(slopes, data), data)
    if variable.endswith("knots_0"):
        covariance = knot_covariance(variable.removesuffix("_0"), len(point[variable]))
        of_likelihood = gradient[variable] + np.linalg.solve(covariance, point[variable])
    else:
        of_likelihood = gradient[variable] + point[variable]
    assert np.abs(of_likelihood).max() > 1e-4


def knot_covariance(name, count):
    place = KNOT_SPACINGS[name] * np.arange(count)
    return np.exp(-np.abs(place[:, None] - place[None, :]) / (8 if name == "pulse_knots" else 50))


def test_reference_prior_is_the_stated_normal():
    data = survey("two species")
    parameters = random_parameters(8, data)
    expected = 0.0
    for variable, value in parameters_to_point(parameters, data).items():
        stem = variable.rsplit("_", 1)[0]
        covariance = (
            knot_covariance(stem, value.size) if stem in KNOT_SPACINGS else np.eye(value.size)
        )
        expected += multivariate_normal(np.zeros(value.size), covariance).logpdf(np.ravel(value))
    assert log_prior(parameters, data) == pytest.approx(expected, rel=1e-10)


def test_closed_forms_of_the_pymc_statement():
    values = np.array([-30.0, -3.0, -0.4, 0.0, 1.2, 8.0])
    np.testing.assert_allclose(
        student_t4_cdf(values).eval(), stdtr(4, values), rtol=1e-9, atol=1e-15
    )
    for mean, dispersion in ((4.2, 1.7), (0.3, 0.8), (30.0, 0.06)):
        law = invgauss(dispersion / mean, scale=mean**2 / dispersion)
        passed = law.cdf(np.arange(61) + 0.5)
        np.testing.assert_allclose(
            first_passage_pmf(mean, dispersion, 60).eval(), np.diff(passed, prepend=0), atol=1e-13
        )
    weights = spline_weights(1.3).eval()
    nodes = np.arange(-5, 6)
    assert weights.sum() == pytest.approx(1)
    assert weights @ nodes == pytest.approx(1.3)
    assert weights @ (nodes - 1.3) ** 2 == pytest.approx(
        1 / 3
    )  # the known variance that the evidence takes off


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:The effect of Potentials")  # that is the point
def test_prior_draws_leave_the_data_out():
    """The potentials do not weigh draws from the prior: the level keeps its standard deviation, and
    rates end with the survey.
    """
    data = survey("coring height, no plots")
    draws = 400
    with stand_model(data):
        prior = pm.sample_prior_predictive(
            draws,
            var_names=["living_0", "level"],
            random_seed=1,
            compile_kwargs={"mode": AS_WRITTEN},
        ).prior
    assert prior["living_0"].dims == ("chain", "draw", "year")
    living = prior["living_0"].to_numpy()[0]
    season = data.units[0].season_index
    assert (living[:, : season + 1] > 0).all()
    assert (living[:, season + 1 :] == 0).all()
    level = prior["level"].to_numpy().ravel()
    assert abs(level.mean()) < 4 / np.sqrt(draws)
    assert abs(level.std() - 1) < 4 / np.sqrt(2 * draws)
    assert (
        np.corrcoef(level, np.log(living[:, season - 30]))[0, 1] > 0.8
    )  # the level's 2 against less than 1 from the processes
