"""Headings of counts that say densities or cover, as `Grass stage [n/ha]`: plants counted are asked
for, for a number by the hectare says nothing of how many were seen.
"""

from __future__ import annotations

import re

from standage.errors import Problem
from standage.survey.schema import COUNTS
from standage.survey.sheets.wide_counts import stage_in
from standage.survey.written import WrittenSurvey

_DENSITY = re.compile(
    r"%|\bpercent\b|\bpct\b|\bcover\b|\bdensity\b"
    r"|(?:\bper\b|(?<!\d)(?<!\d\s)/)\s*(?:\d+\s*)?(?:ha|hectares?|ac|acres?|a|m2|m²|m\^2|m|sq\.?\s?(?:m|ft)|ft2|ft²)(?!\w)",
    re.IGNORECASE,
)
"""Words of densities (common practice, no source)."""


def ask_of_densities(survey: WrittenSurvey) -> None:
    """A problem for each column of counts whose heading says a density or a share."""
    written = survey.tables.get(COUNTS.name)
    if written is None:
        return
    for name in written.header:
        heading = written.headings.get(name, name)
        found = _DENSITY.search(heading)
        if found is None or heading in written.set_aside or heading.endswith(" (own)"):
            continue
        bare = re.sub(r"[(\[][^)\]]*[)\]]", " ", heading[: found.start()] + heading[found.end() :])
        bare = re.sub(r"\b(?:n|no|stems|plants)\b\s*$", "", bare.strip(" ([/"))
        if name != "count" and stage_in(bare) is None and stage_in(heading) is None:
            continue
        survey.problems.append(
            Problem(
                written.file,
                written.header_row,
                heading,
                f"the heading '{heading}', a density or a share",
                "plants counted, with the area on which they were",
                "Write the plants that were counted, and the area searched into area_m2; a column"
                " that is not of counts is given to nothing in a columns.toml.",
            )
        )
