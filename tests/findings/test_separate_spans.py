"""Trees of one time or another: their years are told apart, and no median is given of them."""

from __future__ import annotations

import numpy as np
import pytest

from standage.findings.separate_spans import read_spans, separate_spans
from standage.prose.tree_story import two_spans


def test_two_humps_are_two_spans_with_their_shares():
    rng = np.random.default_rng(1)
    years = np.concatenate([rng.normal(1850, 3, 400), rng.normal(1930, 4, 600)]).round()
    first, second = separate_spans(years, 0.9)
    assert 1842 <= first.first < first.last <= 1858 and first.share == pytest.approx(0.4, abs=0.04)
    assert 1920 <= second.first < second.last <= 1940 and second.share == pytest.approx(
        0.6, abs=0.06
    )
    median = np.median(years)
    assert abs(median - second.first) < 15  # the edge of a hump, or between them
    row = {"separate_years": f"{first}; {second}"}
    assert first.share == np.mean((years >= first.first) & (years <= first.last))
    assert read_spans(row["separate_years"])[0] == pytest.approx(second, abs=0.005)
    # the likelier first
    assert two_spans(row).startswith("either 19") and " or 18" in two_spans(row)


@pytest.mark.parametrize("seed", range(20))
def test_one_hump_is_one_span(seed):
    """Also where it is flat, wide, or skewed: no valley, no second span."""
    rng = np.random.default_rng(seed)
    for years in (
        rng.normal(1900, 2, 400),
        rng.normal(1900, 40, 400),
        rng.uniform(1800, 1900, 400),
        2000 - rng.gamma(2, 20, 400),
    ):
        assert separate_spans(years.round(), 0.9) == []


def test_what_is_drawn_too_seldom_or_not_at_all_has_no_spans():
    assert separate_spans(np.full(500, np.nan), 0.9) == []
    assert separate_spans(np.array([1800.0] * 20 + [1900.0] * 20), 0.9) == []
    assert two_spans({"separate_years": ""}) == ""


def test_a_span_that_holds_little_is_none():
    years = np.array([1800.0] * 10 + [1900.0] * 190)
    assert separate_spans(years, 0.96) == []
