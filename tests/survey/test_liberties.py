"""Whatever liberties a crew takes with the form, a survey that the simulator writes is read as the
clean one, or refused in words, which is rare.
"""

import functools
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from crew_liberties import LIBERTIES, a_workbook, other_headings, sheets_of, units_in_cells
from hypothesis import given, settings
from hypothesis import strategies as st

from standage.errors import SurveyError
from standage.simulate.surveys import small_survey
from standage.survey.cells import cell_values
from standage.survey.reading import read_survey
from standage.survey.schema import TABLES

DATES = ("2024-06-11", "2023-12-19", "2022-08-30")
RARE = 0.03
"""Share of compositions that may be refused."""
ends: Counter = Counter()


@functools.cache
def clean(seed):
    """Files of a simulated survey, and the survey read from them."""
    folder = Path(tempfile.mkdtemp(prefix="standage-liberties-"))
    small_survey(seed, stems=22, cores=8, survey_date=DATES[seed % 3]).write(folder)
    return folder, read_survey(folder)


def unlike(ours, theirs):
    """The first table that is another, in words; "" where none is."""
    for table in TABLES:
        one, other = (getattr(survey, table.name) for survey in (ours, theirs))
        known = [column.name for column in table.columns]
        by = [table.identifier] if table.identifier else []
        one, other = (
            (frame.sort_values(by) if by else frame)[known].reset_index(drop=True)
            for frame in (one, other)
        )
        try:
            pd.testing.assert_frame_equal(one, other, check_exact=False, rtol=1e-7)
        except AssertionError as wrong:
            return f"{table.name}: {wrong}"
    return ""


def taken(seed, dice, liberties):
    """What becomes of a survey written with some liberties: `read`, or the refusal."""
    folder, meant = clean(seed)
    sheets = sheets_of(folder)
    rng = np.random.default_rng(dice)
    for liberty in LIBERTIES:
        if liberty in liberties:
            liberty(sheets, rng)
    with tempfile.TemporaryDirectory() as place:
        try:
            survey = read_survey(sheets.write(Path(place)))
        except SurveyError as refused:
            return str(refused)
    assert not (wrong := unlike(survey, meant)), wrong
    return "read"


several = given(
    seed=st.integers(0, 5),
    dice=st.integers(0, 2**32),
    liberties=st.sets(st.sampled_from(LIBERTIES), min_size=1, max_size=8),
)


def held(seed, dice, liberties):
    end = taken(seed, dice, liberties)
    ends[end == "read"] += 1


@pytest.mark.parametrize("examples", [15, pytest.param(50, marks=pytest.mark.slow)])
def test_any_liberties_together_are_read_as_what_was_meant(examples):
    ends.clear()
    few = settings(max_examples=examples, deadline=None, derandomize=True, database=None)
    few(several(held))()
    assert ends[True] > 0.6 * examples and ends[False] <= RARE * ends.total()


@pytest.mark.parametrize("liberty", LIBERTIES, ids=lambda liberty: liberty.__name__)
def test_each_liberty_is_read(liberty):
    assert taken(1, 1, {liberty}) == "read"


def test_a_liberty_read_wrongly_is_found(monkeypatch):
    right = cell_values.read_quantity

    def wrong(cell, column, unit, comma):
        return right(cell.replace(" in", " cm"), column, unit, comma)

    monkeypatch.setattr(cell_values, "read_quantity", wrong)
    with pytest.raises(AssertionError, match="dbh_cm|_mm|_cm"):
        for dice in range(1, 9):  # not every roll writes a unit that can be misread
            taken(1, dice, {units_in_cells, other_headings, a_workbook})
