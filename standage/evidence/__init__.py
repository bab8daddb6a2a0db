"""What the records of a tree say about the years at its core and of its establishment."""

from standage.evidence.centre import missing_rings_pmf
from standage.evidence.core import (
    CoreReadings,
    evidence_over_years,
    pooled_evidence_over_years,
    read_cores,
)
from standage.evidence.delays import grass_stage_pmf, height_growth_pmf
from standage.evidence.height import delay_pmf_prior
from standage.evidence.tree_ages import date_trees

__all__ = [
    "CoreReadings",
    "date_trees",
    "delay_pmf_prior",
    "evidence_over_years",
    "grass_stage_pmf",
    "height_growth_pmf",
    "missing_rings_pmf",
    "pooled_evidence_over_years",
    "read_cores",
]
