"""What the shape of a table says without writing it: done once all tables are there, before any
cell is read.
"""

from __future__ import annotations

from standage.survey.event_years import with_last_years
from standage.survey.flat_sheet import part_flat_sheet
from standage.survey.flat_table import ALL_TABLES
from standage.survey.group_fill import filled_down
from standage.survey.schema import TABLES
from standage.survey.unit_columns import with_units_said
from standage.survey.written import WrittenSurvey


def complete_tables(survey: WrittenSurvey, name: str) -> None:
    """Complete the written tables in place; each liberty is listed in `survey.readings`. name: of
    the survey.
    """
    for each in ALL_TABLES:
        if each.name in survey.tables:
            survey.tables[each.name] = with_units_said(
                each, survey.tables[each.name], survey.problems, survey.readings
            )
    part_flat_sheet(survey, name)
    for table in TABLES:
        written = survey.tables.get(table.name)
        if written is not None and written.cells:
            survey.tables[table.name] = filled_down(
                table, written, survey.problems, survey.readings
            )
    if "events" in survey.tables:
        survey.tables["events"] = with_last_years(survey.tables["events"], survey.readings)
