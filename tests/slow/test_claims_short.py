"""The short form of the audit of claims: three surveys of each kind of stand, some minutes of one
processor.

A right program fails one time in 1,000 at most (`short_table`); seeds are fixed, so it fails always
or never until the draws change. It sees gross errors only: the full audit
(`studies/claim_audit.py`) has 300 surveys.
"""

from __future__ import annotations

import pandas as pd
import pytest
from studies.claim_audit import SETTINGS, jobs, long, one_survey, short_table
from studies.runner import run_study

FALSE_ALARM = 0.001
SURVEYS = 3  # of each kind of stand
# one natural stand each, uncut, counts as the evidence has them
PLAIN = [
    name for name, of in SETTINGS.items() if not (of.misread or of.planted or of.cut or of.of_two)
]
# what a survey always makes claims of
ALWAYS = {"structure", "minimum age", "share over age", "middle span", "stems", "stocking"}

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def claims(tmp_path_factory) -> pd.DataFrame:
    folder = tmp_path_factory.mktemp("claims")
    rows = run_study(
        "short-claims",
        [job for job in jobs(SURVEYS) if job["setting"] in PLAIN],
        one_survey,
        folder=folder,
        workers=1,
        tell=False,
    )
    assert (rows["error"] == "").all(), rows.loc[rows["error"] != "", "error"].tolist()
    return long(rows)


def test_claims_of_every_kind_are_true_as_often_as_they_state(claims):
    table = short_table(claims).set_index("kind")
    assert set(table.index) >= ALWAYS
    assert (table.loc[list(ALWAYS), "surveys"] == SURVEYS * len(PLAIN)).all()
    assert (table["chance"] > FALSE_ALARM).all(), table[table["chance"] <= FALSE_ALARM]


def wrong(claims: pd.DataFrame, kind: str, *, width: float = 1.0, moved: float = 0.0):
    """The claims with the intervals of one kind of another width, and moved by so much of it."""
    of_kind = claims["kind"] == kind
    half = (claims["high"] - claims["low"]) / 2
    middle = (claims["high"] + claims["low"]) / 2 + 2 * moved * half
    inside = (claims["truth"].where(of_kind, 0).astype(float) - middle).abs() <= width * half
    return claims.assign(true=claims["true"].where(~of_kind, inside.astype(int)))


@pytest.mark.parametrize(
    ("kind", "how"),
    [("share over age", {"width": 1 / 3}), ("middle span", {"moved": 1.0})],
)
def test_a_claim_made_wrong_fails_it_and_no_other_kind_does(claims, kind, how):
    table = short_table(wrong(claims, kind, **how)).set_index("kind")
    assert table.loc[kind, "chance"] <= FALSE_ALARM
    assert (table["chance"].drop(kind) > FALSE_ALARM).all()


def test_a_structure_claimed_against_what_is_seen_fails_it(claims):
    """What a program does that takes the likeliest word for the least likely."""
    other = claims.assign(
        true=claims["true"].where(claims["kind"] != "structure", 1 - claims["true"])
    )
    table = short_table(other).set_index("kind")
    assert table.loc["structure", "chance"] <= FALSE_ALARM
