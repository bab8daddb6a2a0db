"""A fault at calls that write, of the quick commands; all calls of all commands:
`tests/studies/write_faults.py`. Kills: `tests/studies/kills.py`.
"""

from __future__ import annotations

import pytest
from studies.kills import FORKED, kills
from studies.write_faults import BAD, COMMANDS, FAULTS, attack

NAMED = {command.name: command for command in COMMANDS}


def faults_of(name: str, every: int, *, telling: bool = False) -> None:
    outcomes = attack(NAMED[name], every=every, telling=telling, rerun_every=3)
    assert not [each for each in outcomes if each.wrong]
    assert {each.fault for each in outcomes} == {fault.name for fault in FAULTS}
    assert any(each.code == BAD for each in outcomes)


@pytest.mark.parametrize(
    ("name", "every"),
    [
        pytest.param("ages", 2, marks=pytest.mark.slow),
        ("check --draft", 2),
        ("new", 3),
        pytest.param("check --mark", 120, marks=pytest.mark.slow),
    ],
)
def test_a_call_that_fails_costs_nobody_s_file_and_leaves_nothing_half_written(name, every):
    faults_of(name, every)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "every"),
    [
        *(("run", 90), ("repeat", 90), ("batch", 12), ("batch, no result before", 180)),
        *(("compare", 20), ("card", 8), ("report", 12)),
        *(("card, no folder before", 4), ("report, no folder before", 8)),
    ],
)
def test_a_call_that_fails_costs_no_result(name, every):
    faults_of(name, every, telling=True)


@pytest.mark.slow
def test_kills_cost_nobody_s_file_and_no_result():
    rows = kills(3 * len(FORKED), 0, 1)
    assert not [row for row in rows if row["wrong"]]
    assert {row["command"] for row in rows} == set(FORKED)
