"""The population of shares, spans and classes: stems at or above one diameter."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from standage.findings.diameter_limit import share_at_least, survey_diameter_limit


def test_the_limit_is_that_from_which_on_all_plots_list_stems():
    plots = pd.DataFrame({"min_dbh_cm": [2.5, 10.0, np.nan, 5.0]})
    assert survey_diameter_limit(SimpleNamespace(plots=plots)) == 10.0
    assert survey_diameter_limit(SimpleNamespace(plots=plots[:0])) == 0.0


def test_shares_are_those_of_stems_played_one_by_one():
    """A delay drawn, then a diameter drawn, for 200,000 stems of each age."""
    rng = np.random.default_rng(3)
    seasons, limit = 60, 8.0
    curve = (40 * (1 - np.exp(-(np.arange(seasons) + 0.5) / 30)))[None]
    delay = rng.dirichlet(np.ones(12))[None]
    share = share_at_least(limit, curve, np.array([0.3]), delay)[0]
    for age in (3, 10, 20, 45):
        since = age - rng.choice(12, p=delay[0], size=200_000)
        there = since >= 0
        size = curve[0][np.maximum(since, 0)] * np.exp(0.3 * rng.standard_normal(len(since)))
        assert share[age] == pytest.approx(np.mean(there & (size >= limit)), abs=0.005)


def test_without_a_limit_all_that_are_past_breast_height_count():
    curve, delay = np.full((2, 6), 5.0), np.array([[0.0, 0.5, 0.5]] * 2)
    share = share_at_least(0.0, curve, np.array([0.2, 0.2]), delay)
    assert share.tolist() == [[0, 0.5, 1, 1, 1, 1]] * 2
    assert share_at_least(0.0, curve, np.array([0.2, 0.2]), None).tolist() == [[1] * 6] * 2
