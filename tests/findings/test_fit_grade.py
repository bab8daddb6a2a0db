"""A fit has one grade, and what failed is never called passed."""

from __future__ import annotations

import itertools

import pandas as pd
import pytest

from standage.findings.fit_grade import DOUBTFUL, FAILED, SOUND, fit_grade
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
