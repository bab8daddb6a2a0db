"""What the shape of a table says without writing it: done once all tables are there, before any
cell is read.
"""

from __future__ import annotations

from standage.survey.event_years import with_last_years
from standage.survey.files import WrittenSurvey
from standage.survey.group_fill import filled_down
from standage.survey.schema import TABLES


def complete_tables(survey: WrittenSurvey) -> None:
    """Complete the written tables in place; each liberty is listed in `survey.readings`."""
    for table in TABLES:
        written = survey.tables.get(table.name)
        if written is not None and written.cells:
            survey.tables[table.name] = filled_down(
                table, written, survey.problems, survey.readings
            )
    if "events" in survey.tables:
        survey.tables["events"] = with_last_years(survey.tables["events"], survey.readings)
