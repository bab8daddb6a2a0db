"""Findings of the invented posterior, with the steps of each cored tree's uncertainty."""

from __future__ import annotations

import numpy as np
from fake_posterior import fake_posterior

from standage.findings import Findings
from standage.findings.uncertainty_budget import STEPS

STEP_YEARS = (1.0, 2.0, 2.0, 4.0)  # standard deviation of each step; together 5 years


def fake_findings(posterior=None, *, draws: int = 100) -> Findings:
    """Of the posterior given, or of one with so many draws."""
    findings = Findings(fake_posterior(draws=draws) if posterior is None else posterior)
    trees = findings.tree_dates
    cored = trees["basis"] == "cored"
    findings.tree_dates = trees.assign(
        **{
            step: np.where(cored, years, np.nan)
            for step, years in zip(STEPS, STEP_YEARS, strict=True)
        }
    )
    return findings
