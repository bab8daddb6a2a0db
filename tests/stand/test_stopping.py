"""Chains end when their draws are enough; the same seed gives the same draws all the same."""

from __future__ import annotations

import numpy as np
import pytest

from standage.simulate.surveys import small_survey
from standage.stand import convergence, fit, no_u_turn
from standage.stand.build import build_stands
from standage.stand.convergence import ESS_LIMIT, Convergence, draws_needed
from standage.stand.fit import fit_stands
from standage.stand.sampler import sample
from standage.survey.reading import read_survey


@pytest.fixture(scope="module")
def survey(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stopping") / "survey"
    return read_survey(small_survey(4, stems=20, cores=6).write(folder))


@pytest.fixture(scope="module")
def data(survey):
    return build_stands(survey).data


SETTINGS = {"seed": 3, "tune": 20, "chains": 3}


@pytest.fixture(autouse=True)
def asked_early(monkeypatch):
    monkeypatch.setattr(no_u_turn, "FIRST_ASKED", 20)


def test_chains_end_where_their_draws_are_enough(data):
    asked = []

    def needed(values):
        asked.append(values.shape[1])
        return 33

    stopped = sample(data, draws=2000, needed=needed, **SETTINGS)
    assert asked == [20, 30, 33]  # half as many again at most, and then what will do
    assert stopped.values.shape[:2] == (3, 33) and stopped.made == 99
    whole = sample(data, draws=33, **SETTINGS)
    assert np.array_equal(stopped.values, whole.values)
    assert (stopped.divergences, stopped.steps_per_draw) == (
        whole.divergences,
        whole.steps_per_draw,
    )


def test_the_number_of_processors_makes_no_difference(data):
    one, three = (
        sample(data, draws=2000, cores=cores, needed=lambda values: 25, **SETTINGS)
        for cores in (1, 3)
    )
    assert one.values.shape[1] == 25 and np.array_equal(one.values, three.values)


def test_of_thinned_draws_as_many_are_held(data):
    stopped = sample(data, draws=2000, every=7, needed=lambda values: 5, **SETTINGS)
    assert stopped.made == 3 * 21 and stopped.values.shape[1] == 3


def test_chains_that_never_agree_end_at_the_most_draws(data):
    asked = []

    def needed(values):
        asked.append(values.shape[1])
        return np.inf

    whole = sample(data, draws=50, needed=needed, **SETTINGS)
    assert whole.values.shape[1] == 50 and asked == [20, 30, 45]


def test_how_many_will_do_is_judged_by_effective_draws_and_agreement():
    agree = Convergence(1.001, 1.01, 2 * ESS_LIMIT, "", 1.001, 1.01)
    assert draws_needed(agree, 300) == 300
    few = Convergence(1.001, 1.01, ESS_LIMIT / 4, "", 1.001, 1.01)
    assert draws_needed(few, 300) == 1200
    apart = Convergence(1.02, 1.02, 2 * ESS_LIMIT, "", 1.02, 1.01)
    assert draws_needed(apart, 300) > 300
    unknown = Convergence(float("nan"), 1.0, float("nan"), "", float("nan"), 1.01)
    assert draws_needed(unknown, 300) > 300


def test_values_that_are_no_numbers_are_no_agreement(data):
    values = sample(data, draws=20, **SETTINGS).values
    values[0, 3, 0] = np.nan
    found = convergence.convergence(data, values, fit.states_of(values, data))
    assert not found.enough and draws_needed(found, 20) > 20


def test_a_fit_ends_where_the_limits_of_the_verdict_hold(survey, monkeypatch):
    monkeypatch.setattr(fit, "SHORT_RUN", 60)
    monkeypatch.setattr(fit, "least_held", lambda *_: 69)
    monkeypatch.setattr(convergence, "ESS_LIMIT", 1)
    monkeypatch.setattr(convergence, "RHAT_LIMIT", 9.0)
    monkeypatch.setattr(convergence, "LOOSE_RHAT_LIMIT", 9.0)
    posterior = fit_stands(survey, draws=400, **SETTINGS)
    assert posterior.draws_by_name["posterior"].sizes["draw"] == 23  # those held at least
    monkeypatch.setattr(fit, "SHORT_RUN", 3 * 400 + 1)  # a short run is as long as it was asked
    asked = fit_stands(survey, draws=40, **SETTINGS)
    assert asked.draws_by_name["posterior"].sizes["draw"] == 40
