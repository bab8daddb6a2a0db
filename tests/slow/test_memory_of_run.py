"""Memory of a whole run as a process: each further stand takes its share and no more."""

from __future__ import annotations

import sys

import pytest
from benchmarks.memory import many_stands, most_memory, run_command

DRAWS, CHAINS = 100, 2
FEW, MANY = 4, 12
# measured 10, a third of it dots of pictures; some 35 when pictures, and what stands out by year,
# were held of all stands [bytes]
OF_A_STAND = 20e6


@pytest.mark.slow
@pytest.mark.skipif(
    sys.platform != "linux", reason="resident memory is counted otherwise elsewhere"
)
def test_a_further_stand_takes_little_more_memory(tmp_path):
    most = {}
    for stands in (FEW, MANY):
        survey = many_stands(stands).write(tmp_path / f"survey-{stands}")
        command = run_command(survey, tmp_path / f"out-{stands}", DRAWS, CHAINS)
        most[stands] = most_memory(command)
        assert (tmp_path / f"out-{stands}" / "report.html").is_file()
    assert (most[MANY] - most[FEW]) / (MANY - FEW) < OF_A_STAND
