"""Cores of which nobody recorded the centre: a quarter hold the pith.

Held to 348 increment cores of two temperate forests whose sister cores hold the pith (open core
sheets): 25 % missed no ring, the median missed 2, single cores 27 and 37.
"""

import numpy as np
import pandas as pd
import pytest

from standage.evidence import missing_rings_pmf
from standage.evidence.centre import read_centres
from standage.profiles import load_profile

LONGLEAF = load_profile("longleaf-pine")
COLUMNS = (
    *("arc_chord_mm", "arc_height_mm", "pith_distance_mm", "pith_distance_mm_sd", "rings_to_pith"),
    *("rings_to_pith_sd", "inner_ring_mm", "core_length_mm", "diameter_at_core_cm", "bark_mm"),
    *("height_cm", "dbh_cm"),
)


def centres(rows: list[dict]):
    table = pd.DataFrame(
        [dict.fromkeys(COLUMNS, np.nan) | {"core_state": "fresh"} | r for r in rows]
    )
    return read_centres(table, np.full(len(rows), 60.0), LONGLEAF)


def pmf_of(found, row: int, longest: int = 400) -> np.ndarray:
    spread = np.hypot(found.sigma[row], found.loading[row])
    return missing_rings_pmf(found.mu[row], spread, longest, found.pith_share[row])


def test_rings_missed_where_nothing_is_recorded_are_those_of_real_cores():
    below = np.cumsum(pmf_of(centres([{"centre": "unknown"}]), 0))
    assert below[0] == pytest.approx(0.25, abs=0.05)
    assert np.searchsorted(below, 0.5) in (2, 3)
    assert 1 - below[26] == pytest.approx(2 / 348, abs=0.03)


def test_the_mixture_is_a_probability_and_the_pith_is_certain_where_it_is_recorded():
    found = centres([{"centre": "unknown"}, {"centre": "pith"}])
    assert pmf_of(found, 0, 4000).sum() == pytest.approx(1, abs=1e-6)
    assert pmf_of(found, 1, 5).tolist() == [1, 0, 0, 0, 0, 0]
    plain = missing_rings_pmf(np.log(4.0), 1.1, 50)
    mixed = missing_rings_pmf(np.log(4.0), 1.1, 50, 0.25)
    np.testing.assert_allclose(mixed[1:], 0.75 * plain[1:])
    assert mixed[0] == pytest.approx(0.25 + 0.75 * plain[0])


def test_length_and_diameter_speak_where_the_centre_is_not_recorded():
    """Half of the radius is not in the second core, so it missed more rings than the first."""
    stem = {"centre": "unknown", "dbh_cm": 40.0, "height_cm": 137.0}
    found = centres([stem | {"core_length_mm": 180.0}, stem | {"core_length_mm": 90.0}])
    assert found.mu[1] > found.mu[0] + 1
    assert (found.pith_share == LONGLEAF["core.unknown_pith_share"]).all()


def test_who_saw_the_first_ring_is_surer_than_who_saw_the_third():
    found = centres([{"centre": "arcs", "rings_to_pith": rings} for rings in (0.0, 2.0)])
    rings = np.arange(401)
    spread = [
        np.sqrt(p @ rings**2 - (p @ rings) ** 2) for p in (pmf_of(found, 0), pmf_of(found, 1))
    ]
    assert spread[0] < spread[1]
