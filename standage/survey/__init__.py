"""Survey tables: files to cells to checks to a frozen `Survey`."""

from standage.survey.reading import read_survey
from standage.survey.survey import Survey

__all__ = ["Survey", "read_survey"]
