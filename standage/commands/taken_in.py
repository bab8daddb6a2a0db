"""What a run and the table of ages say of the survey itself: what took part, what looks wrong, and
what was read differently from what was written.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from standage.causes import causes_of, lines_of_causes
from standage.commands.check_text import not_used_of
from standage.problems import plainly
from standage.survey.files.formula_escapes import escape_table, write_escaped_csv
from standage.survey.liberties import table_of_readings

if TYPE_CHECKING:
    from standage.survey.accounted import Account
    from standage.survey.readings import Reading
    from standage.survey.survey import Survey

READINGS_FILE = "readings.csv"
LEFT_OUT_FILE = "left_out.csv"
LEFT_OUT_COLUMNS = ("what", "name", "row", "part", "reason", "sheet")


def what_took_part(survey: Survey, account: Account, *, with_file: bool) -> list[str]:
    """Paragraphs: what became of all that is listed, and the numbers that look wrong. with_file:
    whether a table of readings is written too.
    """
    first = account.in_a_line()
    paragraphs = ["\n".join(["Accounted for:", *([first] if first else []), str(account)])]
    if unread := [plainly(each) for each in not_used_of(survey)]:
        paragraphs.append("\n".join(["Not read:", *unread]))
    if survey.warnings:
        lines = lines_of_causes(causes_of(survey.warnings))
        paragraphs.append("\n".join(["Looks wrong, used as written:", *lines]))
    if survey.readings:
        number = len(table_of_readings(survey.readings))
        beside = f" and in {READINGS_FILE}" if with_file else ""
        paragraphs.append(
            f"Read differently from what was written: {number} changes, listed by `standage check`"
            f"{beside}."
        )
    return paragraphs


def readings_writer(readings: Sequence[Reading], accounted: Account) -> Callable[[Path], None]:
    """What writes readings.csv, and left_out.csv where anything is, into a folder of results, for
    `write_results(..., also=[...])`.
    """
    unused = [each for of in accounted.tallies for each in of.unused]

    def readings_table(folder: Path) -> None:
        if readings:
            write_escaped_csv(escape_table(table_of_readings(readings)), folder / READINGS_FILE)
        if unused:
            table = pd.DataFrame(unused, columns=list(LEFT_OUT_COLUMNS))
            write_escaped_csv(escape_table(table), folder / LEFT_OUT_FILE)

    return readings_table
