"""Memory of a fit: it grows with the stands, not with their square, and is refused beforehand where
there isn't enough.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from random_stand_data import random_parameters, random_stand_data

from standage.errors import StandageError
from standage.simulate.surveys import small_survey
from standage.stand import fit, memory
from standage.stand.build import build_stands
from standage.stand.fit import fit_stands
from standage.stand.kernel.log_density import Kernel
from standage.stand.parameters import pack
from standage.stand.sampler import sample
from standage.stand.states import UnitStates, prior_draws
from standage.stand.whitening import whitening
from standage.survey.reading import read_survey


def stands(number: int):
    """So many stands of one species."""
    return random_stand_data(5, (("establishment", True),) * number, (True,))


@pytest.fixture(scope="module")
def one_stand(tmp_path_factory):
    folder = tmp_path_factory.mktemp("memory") / "survey"
    return read_survey(small_survey(4, stems=30, cores=10).write(folder))


def test_coordinates_take_memory_in_proportion_to_the_stands():
    entries, peaks = [], []
    for number in (3, 6, 12):
        data = stands(number)
        kernel = Kernel(data)
        points = np.array([pack(random_parameters(seed, data, 0.1), data) for seed in range(2)])
        kernel(points[0])
        tracemalloc.start()
        entries.append(len(whitening(kernel, data, points).rows))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # a matrix of all parameters would have four times as many entries at twice the stands
    assert entries[1] / entries[0] < 2.1 and entries[2] / entries[1] < 2.1
    assert peaks[2] / peaks[1] < 2.5


def test_states_of_few_units_are_held_at_a_time():
    data = stands(8)
    draws = prior_draws(data, 200, np.random.default_rng(1))
    assert len(UnitStates(draws, data)[0].living) == 200  # compiled before memory is traced
    states = UnitStates(draws, data)
    tracemalloc.start()
    for _ in states:
        pass
    once = tracemalloc.get_traced_memory()[0]
    for _ in states:
        pass
    twice = tracemalloc.get_traced_memory()[0]
    one = sum(array.nbytes for array in vars(states[0]).values() if isinstance(array, np.ndarray))
    tracemalloc.stop()
    assert one * 0.9 < once < one * 3 * UnitStates.HELD
    assert twice == pytest.approx(once, rel=0.05)
    assert states[7] is states[7] and len(states) == 8
    with pytest.raises(IndexError):
        states[8]


def test_bytes_of_a_draw_are_those_of_the_posterior(one_stand):
    posterior = fit_stands(one_stand, seed=1, draws=30, tune=30, chains=2)
    data = build_stands(one_stand).data
    drawn = posterior.draws_by_name["posterior"].dataset.data_vars.values()
    taken = sum(variable.nbytes for variable in drawn) / 60
    said = memory.bytes_per_draw(data, len(posterior.trees))
    assert said == pytest.approx(taken, rel=0.02)


def test_all_draws_are_held_while_there_is_plenty(one_stand, monkeypatch):
    data, stems = build_stands(one_stand).data, len(one_stand.trees)
    one = memory.bytes_per_draw(data, stems)
    assert memory.thinning(data, stems, 4000) == 1
    monkeypatch.setattr(memory, "PLENTY", 2000 * one)
    assert memory.thinning(data, stems, 4000) == 2
    assert memory.thinning(data, stems, 2000) == 1
    monkeypatch.setattr(memory, "PLENTY", 10 * one)
    assert memory.thinning(data, stems, 4000) == 4000 // memory.LEAST_HELD
    assert memory.thinning(data, stems, 100) == 1
    monkeypatch.setattr(memory, "MOST_BYTES", 600 * one)
    assert memory.thinning(data, stems, 6000) == 10
    monkeypatch.setattr(memory, "MOST_BYTES", 0.0)
    assert memory.thinning(data, stems, 6000) == 12


def test_draws_of_the_prior_are_fewer_where_stands_are_many(monkeypatch):
    few, many = stands(2), stands(8)
    assert memory.prior_held(few, 4000) == memory.MOST_PRIOR
    assert memory.prior_held(few, 60) == 60
    monkeypatch.setattr(memory, "PLENTY", 4 * 400 * memory._bytes_per_prior_draw(many))
    assert memory.prior_held(many, 4000) == 400 < memory.prior_held(few, 4000)
    monkeypatch.setattr(memory, "PLENTY", 1.0)
    assert memory.prior_held(many, 4000) == memory.LEAST_PRIOR


def test_held_draws_are_each_so_manieth_of_all(one_stand):
    data = build_stands(one_stand).data
    settings = {"seed": 3, "draws": 23, "tune": 20, "chains": 3}
    every, third = sample(data, **settings), sample(data, every=3, **settings)
    assert np.array_equal(third.values, every.values[:, 2::3])
    assert (third.made, third.divergences) == (69, every.divergences)


def test_more_than_memory_holds_is_refused_before_anything_is_sampled(one_stand, monkeypatch):
    monkeypatch.setattr(fit, "sample", None)
    monkeypatch.setattr(memory, "memory_free", lambda: 1e8)
    with pytest.raises(StandageError, match=r"1 stands? .* need some 0\.\d GB .*--draws"):
        fit_stands(one_stand)


@pytest.mark.parametrize(
    ("own", "folder", "limit", "used", "cache"),
    [
        (
            "0::/jobs/one\n",
            "jobs/one",
            "memory.max",
            "memory.current",
            "inactive_file",
        ),
        (
            "3:cpu:/\n9:memory,hugetlb:/one\n",
            "memory/one",
            "memory.limit_in_bytes",
            "memory.usage_in_bytes",
            "total_inactive_file",
        ),
    ],
)
def test_a_containers_limit_is_a_limit(own, folder, limit, used, cache, tmp_path, monkeypatch):
    """Names of the files: the Linux kernel's documentation of control groups, versions 2 and 1."""
    group = tmp_path / "groups" / folder
    group.mkdir(parents=True)
    (tmp_path / "own").write_text(own)
    monkeypatch.setattr(memory, "CONTROL_GROUPS", tmp_path / "groups")
    monkeypatch.setattr(memory, "OWN_GROUPS", tmp_path / "own")
    free = memory.memory_free()
    (group / limit).write_text("5000000\n")
    (group / used).write_text("3000000\n")
    (group / "memory.stat").write_text(f"anon 2500000\n{cache} 400000\n")
    assert memory.memory_free() == 2_400_000
    (group / limit).write_text("max\n")
    assert memory.memory_free() == pytest.approx(free, rel=0.5)
    for name in (limit, used, "memory.stat"):  # of a group that this one is in
        (group / name).rename(group.parent / name)
    (group.parent / limit).write_text("4000000\n")
    assert memory.memory_free() == 1_400_000


def test_without_control_groups_the_machine_is_the_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "OWN_GROUPS", tmp_path / "none")
    assert memory.memory_free() > 1e8
