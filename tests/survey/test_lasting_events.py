"""Fires that came back, by a remark alone; and where the advice on lasting events leads."""

from __future__ import annotations

import pytest
from good_survey import write_survey

from standage.survey.reading import read_survey


def events_of(folder, **cells):
    changes = [("events", 0, column, cell) for column, cell in cells.items()]
    return read_survey(write_survey(folder, changes=changes))


def words_on(survey, column):
    return [str(each) for each in survey.warnings if each.column == column]


def test_a_remark_that_fires_came_back_beside_one_fire_looks_wrong(tmp_path):
    of = {"kind": "fire", "first_year": "1975", "last_year": "1975"}
    (told,) = words_on(events_of(tmp_path / "a", **of, note="then every 2-4 yr"), "note")
    assert "write fire-resumed as kind" in told and "take the words out" in told
    assert not words_on(events_of(tmp_path / "b", **of, note="records office"), "note")


@pytest.mark.parametrize(
    ("kind", "first", "last", "ended"),
    [
        ("fire", "2001", "2019", ""),
        ("fire-resumed", "2001", "2001", "2019"),
        ("grazing-end", "1950", "1950", ""),
        ("grazing-end", "1890", "1950", ""),
        ("fire-exclusion", "1945", "1945", "1988"),
        ("fire-exclusion", "1945", "1987", "1988"),
    ],
)
def test_what_the_advice_says_is_read_as_it_stands(tmp_path, kind, first, last, ended):
    survey = events_of(tmp_path, kind=kind, first_year=first, last_year=last, ended_year=ended)
    (event,) = survey.events.to_dict("records")
    assert [event["first_year"], event["last_year"]] == [float(first), float(last)]
    assert not [each for each in survey.readings if "events" in each.file]
    assert not [each for each in survey.warnings if "events" in each.file]
