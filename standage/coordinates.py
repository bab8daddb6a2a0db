"""Where stands lie, only as exactly as those who publish the result want it known.

Cavity trees and cultural scars are found by coordinates. So these are rounded before anything else is done, and nothing that is written,
the draws included, holds them more exactly.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from standage.survey import Survey

AS_GIVEN = "as-given"
LEFT_OUT = "none"
CHOICES = (AS_GIVEN, "0.01", "0.1", "1", LEFT_OUT)  # degrees; 0.01 degrees of latitude are 1.1 km


def coordinates_to(survey: Survey, coarseness: str) -> Survey:
    """The survey with latitude and longitude rounded, or left out.

    coarseness: one of `CHOICES`: `as-given`, the degrees to round to, or `none`. Raises ValueError for anything else.
    """
    if coarseness not in CHOICES:
        raise ValueError(f"coordinates can be given to {', '.join(CHOICES)}, not {coarseness!r}")
    if coarseness == AS_GIVEN:
        return survey
    stands = survey.stands.copy()
    for name in ("latitude", "longitude"):
        if coarseness == LEFT_OUT:
            stands[name] = np.nan
        else:
            degrees = float(coarseness)
            stands[name] = (np.rint(stands[name].astype(float) / degrees) * degrees).round(2)
    return dataclasses.replace(survey, stands=stands)
