"""Even-aged, two-aged and uneven-aged stands are what their definitions say."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from standage.findings.age_structure import CLASS_YEARS, NEARLY_ALL, age_structure


def stand(*groups: tuple[int, int, float]) -> np.ndarray:
    """One draw of 300 years with groups of (first year, years, stems)."""
    stems = np.zeros((1, 300))
    for first, years, number in groups:
        stems[0, first : first + years] += number / years
    return stems


@pytest.mark.parametrize(
    ("stems", "structure"),
    [
        (stand((100, 15, 90), (200, 1, 10)), "even-aged"),
        (stand((100, 20, 79), (200, 40, 21)), "two-aged"),
        (stand((50, 10, 45), (150, 10, 45), (250, 10, 10)), "two-aged"),
        (stand((0, 300, 100)), "uneven-aged"),
        (stand((50, 10, 34), (150, 10, 33), (250, 10, 33)), "uneven-aged"),
        (stand((100, 40, 100)), "two-aged"),  # two classes side by side
    ],
)
def test_structures_are_those_of_the_definitions(stems, structure):
    assert age_structure(stems).likeliest == structure


def slow(stems: np.ndarray) -> str:
    """The definition by trying all pairs of spans."""
    years = len(stems)
    spans = [set(range(first, first + CLASS_YEARS)) for first in range(years - CLASS_YEARS + 1)]
    share = [sum(stems[year] for year in span) / stems.sum() for span in spans]
    if max(share) >= NEARLY_ALL:
        return "even-aged"
    pairs = [
        one + other
        for number, one in enumerate(share)
        for later, other in enumerate(share)
        if not spans[number] & spans[later]
    ]
    return "two-aged" if pairs and max(pairs) >= NEARLY_ALL else "uneven-aged"


@settings(max_examples=60, deadline=None)
@given(some.lists(some.integers(0, 9), min_size=45, max_size=70).filter(lambda it: sum(it) > 0))
def test_fast_and_slow_agree(stems):
    assert age_structure(np.array([stems], dtype=float)).likeliest == slow(np.array(stems, float))


def test_draws_are_counted_and_empty_ones_left_out():
    even, old = stand((100, 10, 100)), stand((0, 300, 100))
    found = age_structure(np.concatenate([even, even, even, old, np.zeros((1, 300))]))
    assert found == (0.75, 0.0, 0.25)
    assert np.isnan(age_structure(np.zeros((2, 300)))).all()
