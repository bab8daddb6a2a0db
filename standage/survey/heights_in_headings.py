"""Heights of cores that only the heading of their rings gives: `Rings @ 1 ft`."""

from __future__ import annotations

from dataclasses import replace

from standage.survey.flat_table import FLAT
from standage.survey.headings import height_in_heading
from standage.survey.readings import Reading
from standage.survey.schema import CORES
from standage.survey.written import WrittenSurvey

HEIGHT, RINGS = "height_cm", "ring_count"


def take_heights_in_headings(survey: WrittenSurvey) -> None:
    """A column of heights for cores that have none, in place, by the heading of their rings."""
    for name in (FLAT.name, CORES.name):
        written = survey.tables.get(name)
        if written is None or HEIGHT in written.header or RINGS not in written.header:
            continue
        heading = written.headings.get(RINGS, "")
        height = height_in_heading(heading)
        if not height:
            continue
        at = written.header.index(RINGS)
        cells = [[*row, height if row[at] else ""] for row in written.cells]
        survey.tables[name] = replace(
            written,
            header=[*written.header, HEIGHT],
            cells=cells,
            units={**written.units, HEIGHT: ""},
        )
        why = "the height in the heading of the rings"
        survey.readings.append(
            Reading(written.file, written.header_row, HEIGHT, heading, height, why)
        )
