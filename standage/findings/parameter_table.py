"""The parameters of the model, prior beside posterior."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from standage.findings import schema

if TYPE_CHECKING:
    from standage.findings.findings import Findings

IN_ITS_UNIT = "as in `what_it_means`"
PARAMETERS = schema.ResultTable(
    "parameters",
    "a parameter of the model in a stand, before the survey beside after",
    (
        *schema.text("name", "one of those below"),
        *schema.STAND,
        *schema.number("prior", IN_ITS_UNIT, "from profile and model alone", interval=True),
        *schema.number("posterior", IN_ITS_UNIT, "after the survey", interval=True),
        *schema.number("ess", "draws", "effective sample size"),
        *schema.number("rhat", "", "agreement of the chains; 1: perfect"),
        *schema.text("what_it_means", "in words, with the unit"),
    ),
    footnote="""\
Names: `stand_beginning_years`, `grass_stage_median_years`, `years_to_breast_height`,
`height_growth_dispersion`, `early_growth_factor`, `counting_factor`, `share_removed` (by recorded
cuts), `dbh_growth_cm_per_year`, `dbh_asymptote_cm`, `dbh_scatter`, `plot_dispersion`, and for each
stage counted `stage_factor_germinant`, `stage_factor_grass`, `stage_factor_emerging`,
`stage_factor_sapling`. Where prior and posterior are alike, results rest on the
[profile](profiles.md).""",
)


def parameter_table(findings: Findings) -> pd.DataFrame:
    """One row a parameter."""
    return PARAMETERS.frame(findings.posterior.parameters)
