"""What draws imply of a unit, against the plain loops (`reference_likelihood`)."""

import dataclasses

import numpy as np
from random_stand_data import random_parameters, random_stand_data
from reference_likelihood import UnitReading

from standage.stand.data import BREAST_HEIGHT_CM, STAGES
from standage.stand.expected import stage_densities
from standage.stand.parameters import pack
from standage.stand.states import unit_state

DATA = random_stand_data(109, (("establishment", True),), (True,))


def test_stages_sum_to_one_in_every_year_of_establishment_and_agree_with_plain_loops():
    parameters = random_parameters(5, DATA)
    unit, n = DATA.units[0], DATA.units[0].season_index + 1
    every, no_limit = np.arange(len(STAGES)), np.full(len(STAGES), len(DATA.class_edges_cm) - 1)
    all_stages = dataclasses.replace(
        DATA, units=(dataclasses.replace(unit, count_stage=every, count_class_low=no_limit),)
    )
    state = unit_state(np.tile(pack(parameters, DATA), (n, 1)), all_stages, 0)
    state = dataclasses.replace(state, living=np.eye(n)[::-1])  # draw a has one stem, of age a
    share = stage_densities(
        all_stages, 0, state, state.delays.arrival(state.living, BREAST_HEIGHT_CM)
    )
    assert all(np.all(of_stage > -1e-12) for of_stage in share.values())
    np.testing.assert_allclose(sum(share.values()), 1.0, atol=1e-10)
    reading = UnitReading(parameters, DATA, 0)
    for (stage, low), of_stage in share.items():
        loops = [reading.stage_probability(stage, a, low) for a in range(n)]
        np.testing.assert_allclose(of_stage, loops, atol=1e-9, err_msg=STAGES[stage])


def test_arrivals_of_the_states_agree_with_plain_loops():
    parameters = random_parameters(7, DATA)
    state = unit_state(pack(parameters, DATA)[None], DATA, 0)
    reading = UnitReading(parameters, DATA, 0)
    for height in (10.0, 30.0, BREAST_HEIGHT_CM):
        np.testing.assert_allclose(
            state.delays.arrival(state.living, height)[0],
            reading.arrival(height),
            rtol=1e-9,
            atol=1e-12,
        )
