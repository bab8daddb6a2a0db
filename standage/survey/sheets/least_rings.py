"""A column of the least number of rings of each core, as crews keep it beside years for cores whose
centre is gone: `>154`, `119+`.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.headings import without_unit
from standage.survey.cells.table_cells import BLANK_WORDS
from standage.survey.flat_table import FLAT
from standage.survey.readings import Reading
from standage.survey.schema import CORES
from standage.survey.written import WrittenSurvey, WrittenTable

LEAST = {
    *("min rings", "minimum rings", "min ring count", "minimum ring count", "rings min"),
    *("rings minimum", "at least rings", "rings at least", "least rings", "least number of rings"),
    *("min number of rings", "minimum number of rings", "min count", "minimum count"),
}
"""Headings over least numbers of rings (common practice, no source)."""
_NUMBER = re.compile(r"(?:>=?|\u2265|at least|min\.?)?\s*(\d{1,4})\s*(?:\+|or more|plus)?", re.I)
_YEAR = re.compile(r"1[5-9]\d\d|20\d\d")
BESIDE_COUNT = "the rings seen are given in its row, and the centre says what is missing"
ROUNDING = 2
"""Rings by which a least number may exceed the years beside it (assumption)."""


def take_least_rings(survey: WrittenSurvey) -> None:
    """Read such a column as a count of at least so many where its row has no other count, in place;
    beside one it adds nothing, and is listed as not used.
    """
    for name in (FLAT.name, CORES.name):
        written = survey.tables.get(name)
        heading = _heading(written) if written is not None else None
        if written is not None and heading is not None:
            survey.tables[name] = _taken(survey, written, heading)


def _heading(written: WrittenTable) -> str | None:
    found = [
        each
        for each in written.header
        if each not in written.set_aside and without_unit(each)[0] in LEAST
    ]
    return found[0] if len(found) == 1 else None


def _taken(survey: WrittenSurvey, written: WrittenTable, heading: str) -> WrittenTable:
    rest = [name for name in written.header if name != heading]
    records = []
    for cells, line in zip(written.cells, written.rows, strict=True):
        record = dict(zip(written.header, cells, strict=True))
        least = record.pop(heading)
        found = None if least.lower() in {"", *BLANK_WORDS} else _NUMBER.fullmatch(least)
        seen = any(record.get(each) for each in ("ring_count", "first_ring_year"))
        if found and not seen:
            record["ring_count"] = f"{found[1]}+"
            why = f"below '{heading}': a least number"
            survey.readings.append(
                Reading(written.file, line, "ring_count", least, f"{found[1]}+", why)
            )
        elif found:
            survey.readings.append(Reading(written.file, line, heading, least, "", BESIDE_COUNT))
            _compare(survey, written, line, heading, int(found[1]), record)
        elif least.lower() not in {"", *BLANK_WORDS}:
            survey.problems.append(
                Problem(
                    written.file,
                    line,
                    heading,
                    f"'{least}'",
                    "a least number of rings, as 154+, or a blank cell",
                    "Write the number alone; remarks belong into note.",
                )
            )
        records.append(record)
    header = list(dict.fromkeys([*rest, *(name for record in records for name in record)]))
    rows = [[record.get(each, "") for each in header] for record in records]
    return replace(written, header=header, cells=rows)


def _compare(
    survey: WrittenSurvey,
    written: WrittenTable,
    line: int,
    heading: str,
    least: int,
    record: dict[str, str],
) -> None:
    """A least number that exceeds the rings between the years beside it, as a doubt."""
    first, last = (record.get(each, "") for each in ("first_ring_year", "last_ring_year"))
    if not (_YEAR.fullmatch(first) and _YEAR.fullmatch(last)):
        return
    rings = int(last) - int(first) + 1
    if least > rings + ROUNDING:
        survey.doubts.append(
            Problem(
                written.file,
                line,
                heading,
                f"at least {least} rings, beside {rings} from {first} to {last}",
                "no more than the years beside it",
                "Correct one of them: the years are used.",
            )
        )
