"""No message advises what is then refused. The messages of the corpus: `test_corpus`."""

import pytest
from good_survey import GOOD, problems_in, write_survey

from standage.survey.schema import table


@pytest.mark.slow
def test_out_of_range_values_are_never_advised_into_a_refused_blank(tmp_path):
    """dbh 251 of a cored tree was told to be left blank, which was refused then."""
    number = 0
    for name in GOOD:
        for column in table(name).columns:
            if column.high is None:
                continue
            number += 1
            folder = tmp_path / str(number)
            write_survey(folder, changes=[(name, 0, column.name, f"{10 * column.high:.0f}")])
            found = [
                each
                for each in problems_in(folder)
                if each.column == column.name and each.row == 2 and "unit" in each.what_to_do
            ]
            if not found or "leave the cell blank" not in found[0].what_to_do:
                continue
            write_survey(folder, changes=[(name, 0, column.name, "")])
            assert not [
                each for each in problems_in(folder) if (each.column, each.row) == (column.name, 2)
            ], f"{name}.{column.name}"
    assert number > 30


@pytest.mark.parametrize("cored", [True, False])
def test_a_lost_diameter_is_allowed_where_a_core_dates_the_tree(tmp_path, cored):
    assert GOOD["trees"][0]["plot"] and GOOD["cores"][0]["tree"] == GOOD["trees"][0]["tree"]
    changes = [("trees", 0, "dbh_cm", "")]
    if not cored:
        changes += [("cores", 0, "tree", GOOD["trees"][1]["tree"])]
        changes += [("trees", 0, "core_outcome", "not_tried")]
    found = problems_in(write_survey(tmp_path / "s", changes=changes))
    assert [each.column for each in found] == ([] if cored else ["dbh_cm"])
