"""What a date's uncertainty is made of, and what would lower it, in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from fake_findings import fake_findings

from standage.findings.uncertainty_budget import STEPS, uncertainty_budget
from standage.prose.uncertainty import (
    MORE_CORES_FOR_A_PULSE,
    budget_sentences,
    common_remedies,
    remedy_sentences,
)


@pytest.fixture(scope="module")
def unit():
    return fake_findings().units[0]


def test_the_budget_is_that_of_the_squares(unit):
    budget = unit.budget
    assert budget.alone == pytest.approx(5.0)  # 1 + 4 + 4 + 16 = 25
    assert budget.shares["sd_grass"] == pytest.approx(16 / 25)
    assert sum(budget.shares.values()) == pytest.approx(1)
    assert budget.without["sd_grass"] == pytest.approx(3.0) and budget.largest_step == "sd_grass"
    words = " ".join(budget_sentences(budget))
    assert "years in the grass stage (64 %)" in words and "5.0 years would become 3.0." in words
    assert "coring can't lower it" in words
    assert uncertainty_budget(unit.trees.assign(**dict.fromkeys(STEPS, np.nan))) is None


def test_what_would_sharpen_pulses_follows_from_what_their_centres_share(unit):
    def about_pulses(*parts: float) -> list[str]:
        pulses = pd.DataFrame({"pulse": range(1, len(parts) + 1), "shared_part_of_centre": parts})
        sentences = remedy_sentences(replace(unit, budget=None, pulses=pulses))
        return [sentence for sentence in sentences if "pulse" in sentence]

    (mostly_shared,) = about_pulses(0.7)
    assert mostly_shared.startswith(
        "For the years of the pulse: 70 % of the variance of its centre is that of the years below"
        " the cores"
    )
    first, second = about_pulses(0.2, 0.9)
    assert first.startswith("For the years of pulse 1: more cored trees of those years; 20 %")
    assert "pulse 2: 90 %" in second
    assert [sentence[:30] for sentence in about_pulses(np.nan, 0.9)] == [second[:30]]
    assert about_pulses(np.nan) == about_pulses() == []  # not worked out: nothing is said


def test_what_holds_for_all_stands_is_said_once(unit):
    without = replace(unit, budget=None)
    steps = common_remedies([without, unit, unit])
    assert steps == [
        "Years in the grass stage: enter more stems of known age (known_age_stems.csv) and count"
        " grass-stage and emerging plants on more subplots; coring can't lower it."
    ]
    no_pulse = replace(unit, pulses=unit.pulses[:0])
    assert common_remedies([no_pulse]) == [*steps, MORE_CORES_FOR_A_PULSE]
    assert "12 cored trees" in MORE_CORES_FOR_A_PULSE
