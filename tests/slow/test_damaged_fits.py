"""A few surveys of `tests/studies/damaged_surveys.py`: refused in words, read as they are written,
or fitted to a whole result.
"""

import pytest
from studies.damaged_surveys import check_work, fit_work

pytestmark = pytest.mark.slow


def test_damaged_surveys_are_refused_in_words_or_read_as_they_are_written():
    done = check_work({"seed": 1, "damages": 40})
    assert (
        not done["faults"]
        and sum(done["refused"].values()) > 10
        and sum(done["accepted"].values()) > 3
    )


def test_damaged_survey_fits_to_a_whole_result():
    done = fit_work({"seed": 1})
    assert not done["fault"] and done["kind"]
