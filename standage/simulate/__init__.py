"""Surveys of stands whose history is known."""

from standage.simulate.surveys import null_survey, simulate_survey, small_survey

__all__ = ["null_survey", "simulate_survey", "small_survey"]
