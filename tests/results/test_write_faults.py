"""A fault at every call that writes, of the quick commands in full and of the long ones here and
there; all of them: `tests/studies/write_faults.py`. Kills: `tests/studies/kills.py`.
"""

from __future__ import annotations

import pytest
from studies.kills import BATCH, FORKED, kills
from studies.write_faults import BAD, COMMANDS, FAULTS, attack

NAMED = {command.name: command for command in COMMANDS}


def faults_of(name: str, every: int) -> None:
    outcomes = attack(NAMED[name], every=every, rerun_every=2)
    assert not [each for each in outcomes if each.wrong]
    assert {each.fault for each in outcomes} == {fault.name for fault in FAULTS}
    assert any(each.code == BAD for each in outcomes)


@pytest.mark.parametrize(
    ("name", "every"), [("ages", 2), ("check --draft", 2), ("new", 3), ("check --mark", 120)]
)
def test_a_call_that_fails_costs_nobody_s_file_and_leaves_nothing_half_written(name, every):
    faults_of(name, every)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "every"),
    [("run", 17), ("batch", 23), ("repeat", 29), ("compare", 5), ("card", 1), ("report", 3)],
)
def test_a_call_that_fails_costs_no_result(name, every):
    faults_of(name, every)


@pytest.mark.slow
def test_kills_cost_nobody_s_file_and_no_result():
    rows = kills(4 * len(FORKED), 2, 1)
    assert not [row for row in rows if row["wrong"]]
    assert {row["command"] for row in rows} == {*FORKED, BATCH}
