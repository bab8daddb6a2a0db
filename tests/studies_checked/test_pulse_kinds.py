"""The tables of the study of kinds of pulses on made-up rows, and its stands."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from studies.pulse_kinds import (
    CUT_LIKELIER,
    cutting_table,
    event_table,
    none_table,
    planting_table,
    report,
    simulated_stand,
)

from standage.findings.planted import MAY_BE_PLANTED


def pulse(planted, records=(), cut=0.2):
    return {"planted": planted, "cut": cut, "records": list(records)}


def record(caused, none, chance, lag=0, low=-1, high=1):
    found = {"caused": caused, "none": none, "nearest_chance": chance}
    return found | ({"lag": lag, "lag_low": low, "lag_high": high} if caused else {})


@pytest.fixture
def rows():
    records = [record(True, 0.1, 0.04), record(True, 0.1, 0.3, lag=5), record(False, 0.9, 0.6)]
    return pd.DataFrame(
        [
            {"kind": "planted", "error": "", "cut": 0.7, "pulses": [pulse(MAY_BE_PLANTED)]},
            {"kind": "planted", "error": "", "cut": np.nan, "pulses": []},
            {
                "kind": "pulse",
                "error": "",
                "cut": 0.4,
                "pulses": [pulse(0.1, records), pulse(MAY_BE_PLANTED - 0.01, cut=CUT_LIKELIER)],
            },
            {"kind": "steady", "error": "stopped", "pulses": None},
        ]
    )


def test_pulses_that_may_be_planted_are_counted_by_kind(rows):
    found = planting_table(rows[rows["error"] == ""]).set_index("kind")
    assert found.loc["planted", ["surveys", "with a pulse", "may have been planted"]].tolist() == [
        2,
        1,
        1,
    ]
    assert found.loc["pulse", ["pulses", "may have been planted"]].tolist() == [2, 0]
    assert "steady" not in report(rows)


def test_pulses_put_down_to_cutting_are_counted_by_kind(rows):
    found = cutting_table(rows[:3]).set_index("kind")
    assert found.loc["planted"].tolist() == [2, 1, 0, 1, 1]
    assert found.loc["pulse"].tolist() == [1, 1, 1, 0, 0]


def test_lags_and_chances_are_scored_by_what_was_true(rows):
    found = event_table(rows[:3]).set_index("records")
    assert found.loc["with a cause", ["number", "lag held"]].tolist() == [2, 0.5]
    assert found["chance_as_close up to 0.05"].tolist() == [0.5, 0]
    assert none_table(rows[:3])["true"].tolist() == [0, 1]


def test_stands_of_each_kind_are_simulated_with_about_as_many_stems():
    for kind in ("patches", "planted", "pulse"):
        simulated, truth = simulated_stand(kind, 3)
        assert 60 < len(simulated.tables["trees"]) < 350  # plots differ, spells more so
        assert (truth["pulse"] is not None) == (kind == "pulse")
    years = simulated.truth["trees"]["establishment_year"]
    assert years.between(truth["pulse"], truth["pulse"] + 9).sum() > 20
