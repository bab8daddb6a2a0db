"""Places of stems below a heading that isn't read, in a list without stands."""

from __future__ import annotations

import re

from standage.errors import Problem
from standage.survey.written import WrittenSurvey, WrittenTable

_PLACES = re.compile(
    r"\b(?:blocks?|tracts?|compartments?|cpts?|parcels?|propert(?:y|ies)|locations?"
    r"|(?:burn|management|mgmt) units?)\b",
    re.IGNORECASE,
)
"""Words in headings of what may be a stand (common practice, no source)."""


def ask_of_places(survey: WrittenSurvey, written: WrittenTable, only: str = "") -> None:
    """A question on a list of stems without stands, and with several places below a heading that
    isn't read: plots of one number in several of them would be one. only: the only stand, if there
    is one.
    """
    columns = [] if only else zip(*written.cells, strict=True)
    for heading, cells in zip(written.header, columns, strict=False):
        named = [each for each in dict.fromkeys(cells) if each]
        if (
            not 2 <= len(named) <= len(cells) / 2
            or heading in written.set_aside
            or not _PLACES.search(heading)
        ):
            continue
        shown = ", ".join(f"'{each}'" for each in named[:4])
        found = f"stems without a stand, and {shown} below '{heading}', which isn't read"
        advice = (
            "Head it stand if each is a stand of its own, as in the other tables; else give it to"
            " nothing in a columns.toml (`standage check SURVEY --draft`)."
        )
        expected = "the stand of each stem"
        row = written.header_row
        survey.problems.append(Problem(written.file, row, heading, found, expected, advice))
