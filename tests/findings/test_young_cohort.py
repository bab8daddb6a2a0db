"""A cohort too small for cores is found, and steady recruitment is none."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from standage.findings.young_cohort import (
    MANY_MORE,
    above_the_years_before,
    cohort_years,
    young_cohort,
)

YEARS = np.arange(1900, 2025)
LAST_TELLING = 119  # 2019


def scan(rate: np.ndarray) -> SimpleNamespace:
    """What `young_cohort` asks of a scan, of one rate in scattered draws."""
    scatter = np.random.default_rng(1).lognormal(0, 0.2, size=(200, 1))
    return SimpleNamespace(years=YEARS, settled=rate * scatter, last_telling=LAST_TELLING)


def test_ten_times_as_many_of_the_last_decade_are_a_cohort_with_its_years():
    rate = np.where((YEARS >= 2008) & (YEARS <= 2017), 10.0, 1.0)
    found = young_cohort(scan(rate))
    assert (found.first, found.last) == (2008, 2017)
    assert found.probability == 1 and abs(found.ratio - 10) < 1e-9


def test_steady_recruitment_and_an_old_pulse_are_none():
    assert young_cohort(scan(np.ones(len(YEARS)))).probability == 0
    old = np.where((YEARS >= 1930) & (YEARS <= 1940), 10.0, 1.0)
    assert young_cohort(scan(old)).probability == 0


def test_draws_that_differ_give_a_share_of_them():
    rate = np.ones((200, len(YEARS)))
    rate[:60, (YEARS >= 2008) & (YEARS <= 2017)] = 2 * MANY_MORE
    known = SimpleNamespace(years=YEARS, settled=rate, last_telling=LAST_TELLING)
    assert young_cohort(known).probability == 0.3


def test_the_years_before_are_the_lowest_of_them():
    """A pulse among them doesn't hide what came after it."""
    rate = np.ones((1, len(YEARS)))
    rate[0, (YEARS >= 1990) & (YEARS <= 1995)] = 50.0
    rate[0, YEARS >= 2010] = 5.0
    assert above_the_years_before(rate, LAST_TELLING)[0] == 5.0


def test_a_record_too_short_to_look_back_has_none():
    short = SimpleNamespace(years=YEARS[-10:], settled=np.ones((3, 10)), last_telling=9)
    assert young_cohort(short) is None


def test_a_cohort_that_began_long_before_the_years_that_stand_out_most_keeps_its_beginning():
    found = scan(np.where(YEARS >= 1995, 10.0, 1.0))
    begun, ended = cohort_years(found, young_cohort(found))
    assert ((begun >= 1995) & (begun <= 1997)).all() and (ended >= 2017).all()
