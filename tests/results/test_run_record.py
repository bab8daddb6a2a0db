"""What a run was asked is read again from its record, or refused in words."""

from __future__ import annotations

import dataclasses

import pytest

from standage.errors import StandageError
from standage.results.run_record import RunRecord

RECORD = RunRecord("0", {}, 0.9, {}, {}, {"diameter_limit": 15, "age_over": 90.0}, "", "", "")


def test_numbers_that_a_run_was_asked_with_are_those_of_its_record():
    assert RECORD.number("diameter_limit", 0.0) == 15
    assert RECORD.number("age_over", 0.0) == 90
    assert RECORD.number("stocking", 740.0) == 740


@pytest.mark.parametrize("odd", ["15", None, True, float("nan"), [15]])
def test_what_is_no_number_is_refused_by_its_name(odd):
    changed = dataclasses.replace(RECORD, options={"stocking": odd})
    with pytest.raises(StandageError, match="the option stocking of the run is"):
        changed.number("stocking", 740.0)
