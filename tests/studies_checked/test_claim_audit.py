"""The arithmetic of the short audit of claims."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom
from studies.claim_audit import short_table

SURVEYS, STATED = 18, 0.9


def claims(true: int, *, kind: str = "stems", alike: int = 1) -> pd.DataFrame:
    """Of so many surveys one claim each, or several alike, the first so many of them true."""
    survey = np.repeat(np.arange(SURVEYS), alike)
    return pd.DataFrame(
        {"survey": survey, "kind": kind, "stated": STATED, "true": (survey < true).astype(int)}
    )


@pytest.mark.parametrize("true", range(SURVEYS + 1))
def test_the_chance_is_never_below_that_of_a_binomial(true):
    """One claim a survey: the exact tail (scipy)."""
    chance = short_table(claims(true))["chance"].item()
    assert chance >= binom.cdf(true, SURVEYS, STATED) * (1 - 1e-9)
    assert (chance <= 0.001) == (true <= 10)


def test_claims_that_are_alike_count_once_and_kinds_are_allowed_for():
    one = short_table(claims(8))["chance"].item()
    assert short_table(claims(8, alike=5))["chance"].item() == pytest.approx(one)
    both = pd.concat([claims(8), claims(SURVEYS, kind="structure")])
    assert short_table(both)["chance"].tolist() == pytest.approx([2 * one, 1.0])
