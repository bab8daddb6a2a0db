"""A fit has one grade, and what failed is never called passed."""

from __future__ import annotations

import itertools

import pandas as pd
import pytest

from standage.choices import DOUBTFUL, FAILED, SOUND
from standage.findings.fit_grade import fit_grade, strained_delays
from standage.prose.verdict import verdict_paragraph


def graded(passed: bool, chances: list[float], factor: float):
    checks = [{"name": f"stand: class {n}", "p": p} for n, p in enumerate(chances)]
    numbers = {"rhat_max": 1.002, "ess_min": 900.0, "divergences": 0, "notes": []}
    verdict = {"passed": passed, "checks": checks, **numbers}
    counts = pd.DataFrame([{"stand": "Fern Flat", "stage": "grass", "factor": factor}])
    grade = fit_grade(verdict, counts)
    return grade, verdict_paragraph(grade, verdict)


@pytest.mark.parametrize(
    ("passed", "chances", "factor"),
    list(itertools.product((True, False), ([0.5, 0.3], [0.5, 0.004]), (1.3, 4.4, 0.2))),
)
def test_a_grade_is_as_good_as_its_worst_part(passed, chances, factor):
    grade, text = graded(passed, chances, factor)
    clean = min(chances) > 0.01 and factor == 1.3
    assert grade.grade == (FAILED if not passed else SOUND if clean else DOUBTFUL)
    assert ("passes" in text) == (passed and clean) and "passed" not in text
    assert ("do not use" in text) == (not passed)
    if passed and not clean:
        assert "doubts" in text
        assert ("1 of 2 checks" in text) == (min(chances) < 0.01)
        counts = "contradicts the counts of grass-stage plants at Fern Flat"
        assert (counts in text) == (factor != 1.3)


def test_so_many_misfits_as_chance_brings_are_named_beside_it():
    """Of 100 checks of a true model about one has a probability under 1 %."""
    grade, text = graded(True, [0.4] * 99 + [0.001], 1.0)
    assert grade.by_chance == pytest.approx(1.0)
    assert "1 of 100 checks of stems and plants fails (by chance about 1 would)" in text


def delays(median: float) -> pd.DataFrame:
    """Prior: log-normal round 8 years, 90 % within 2 and 32."""
    row = {"stand": "Fern Flat", "prior_low": 2.0, "prior_median": 8.0, "prior_high": 32.0}
    return pd.DataFrame([row | {"name": "years_to_breast_height", "posterior_median": median}])


@pytest.mark.parametrize(("median", "far"), [(40, True), (30, False), (2.1, False), (1.5, True)])
def test_a_delay_beyond_the_profile_that_no_plant_of_known_age_measured_is_a_doubt(median, far):
    strained = strained_delays(delays(median), set(), {"Fern Flat"}, 0.9)
    assert bool(strained) == far and not strained_delays(delays(median), {"Fern Flat"}, set(), 0.9)
    verdict = {"passed": True, "checks": [], "rhat_max": 1.0, "ess_min": 900.0, "divergences": 0}
    grade = fit_grade(verdict, pd.DataFrame({"stand": [], "stage": [], "factor": []}), strained)
    assert grade.grade == (DOUBTFUL if far else SOUND)
    text = verdict_paragraph(grade, verdict | {"notes": []})
    assert (f"years to breast height at Fern Flat came out at {median:.0f}" in text) == far


def test_the_same_prior_in_a_narrower_interval_is_as_far_off():
    """Half of it lies within 8 / 4 ** 0.41 and 8 * 4 ** 0.41: quartiles of the normal law."""
    narrow = delays(30).assign(prior_low=8 / 4**0.41, prior_high=8 * 4**0.41)
    assert not strained_delays(narrow, set(), {"Fern Flat"}, 0.5)
    assert strained_delays(narrow.assign(posterior_median=40.0), set(), {"Fern Flat"}, 0.5)


def test_where_no_seedlings_were_counted_a_smaller_step_is_a_doubt():
    """One standard deviation of the prior is 4 ** (1 / 1.645), 2.3 times its median."""
    for median, doubt in ((17.0, False), (20.0, True)):
        assert bool(strained_delays(delays(median), set(), set(), 0.9)) == doubt
        assert not strained_delays(delays(median), set(), {"Fern Flat"}, 0.9)
