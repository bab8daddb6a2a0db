"""What a posterior says about a stand, as tables."""

from standage.findings.attribution import attribution
from standage.findings.cohorts import cohorts
from standage.findings.comparison import comparison
from standage.findings.findings import Findings
from standage.findings.local_ratio import scan_units
from standage.findings.long_table import long_table
from standage.findings.model_checks import count_check, delays, diameter_check, size_curves
from standage.findings.prior_sensitivity import prior_sensitivity
from standage.findings.pulses import best_score, pulses
from standage.findings.rates import rates
from standage.findings.stand_summary import stand_summary
from standage.findings.tree_dates import tree_dates

__all__ = [
    "Findings",
    "attribution",
    "best_score",
    "cohorts",
    "comparison",
    "count_check",
    "delays",
    "diameter_check",
    "long_table",
    "prior_sensitivity",
    "pulses",
    "rates",
    "scan_units",
    "size_curves",
    "stand_summary",
    "tree_dates",
]
