"""What options with names, and grades of fits, may be: listed once, for the library and for the
command line, which loads nothing heavier.
"""

from __future__ import annotations

from typing import Literal

ReleaseCriterion = Literal[
    "change_point",
    "percent_change_means",
    "percent_change_medians",
    "sustained",
    "absolute_increase",
]
"""How releases are told from ring widths, see `standage.growth.release_criteria`."""

Coordinates = Literal["as-given", "0.1", "none"]
"""How exactly places are written: in degrees, or not at all, see `standage.survey.coordinates`."""

FigureStyle = Literal["screen", "print", "grey"]
"""How figures look, see `standage.figures.styles`."""

Units = Literal["metric", "us"]
"""Units of the report; `us` adds acres, inches and feet."""

Grade = Literal["sound", "doubtful", "failed"]
"""How far a fit can be trusted, see `standage.findings.fit_grade`."""
SOUND: Grade = "sound"
DOUBTFUL: Grade = "doubtful"
FAILED: Grade = "failed"
