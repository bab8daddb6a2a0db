"""Stands in which what the model takes for independent goes together: quick starters stay ahead,
sizes scatter more or less with age, rot goes by age. Dates of cored trees hold; what becomes of
those by size over many surveys stands in docs/validation.md.
"""

import numpy as np
import pytest

from standage.simulate.departures import Departures
from standage.simulate.surveys import null_survey
from standage.stand.fit import fit_stands
from standage.survey.reading import read_survey


@pytest.mark.slow
@pytest.mark.parametrize(
    "departures",
    [
        Departures(vigour=0.8),
        Departures(scatter_power=0.45),
        Departures(scatter_power=-0.45),
        Departures(rot_by_age=True, rot_written_down=True),
    ],
    ids=["quick starters", "more scatter", "less scatter", "rot"],
)
def test_what_goes_together_leaves_most_dates_covered(departures, tmp_path):
    """One survey of some 100 stems. Trees of a survey err together, by some 0.05 of coverage (12
    surveys each): three such errors below what was measured, 0.93 cored and 0.84 by size.
    """
    simulated = null_survey(1, stems=100, cores=40, departures=departures)
    survey = read_survey(simulated.write(tmp_path))
    posterior = fit_stands(survey, seed=1, chains=2, tune=200, draws=250)
    truth = simulated.truth["trees"].set_index("tree")["establishment_year"]
    true = truth.loc[posterior.trees["tree"]].to_numpy(dtype=float)
    low, high = np.quantile(posterior.establishment_year, [0.05, 0.95], axis=0)
    held, cored = (low <= true) & (true <= high), posterior.trees["cored"].to_numpy()
    assert held[cored].mean() > 0.78 and held[~cored].mean() > 0.69
