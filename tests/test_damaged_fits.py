"""The fits of `tests/studies/damaged_surveys.py`, one of them: a damaged survey that is accepted ends in a whole result or in words."""

from studies.damaged_surveys import fit_work


def test_damaged_survey_fits_to_a_whole_result():
    done = fit_work({"seed": 1})
    assert not done["fault"] and done["kind"]
