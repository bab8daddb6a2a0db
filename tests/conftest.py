"""What several test files share: one small simulated survey whose truth is known, and one fit of it."""

from __future__ import annotations

import pytest

from standage.simulate import small_survey
from standage.survey import read_survey


@pytest.fixture(scope="session")
def simulated():
    """A stand of about 60 listed stems, 25 of them cored, half of which came in 1930-1941; `.truth` holds what the survey doesn't say."""
    return small_survey(5)


@pytest.fixture(scope="session")
def simulated_folder(simulated, tmp_path_factory):
    """Folder with the small survey as CSV files."""
    return simulated.write(tmp_path_factory.mktemp("simulated") / "small")


@pytest.fixture(scope="session")
def simulated_fit(simulated_folder):
    """Posterior of the small survey, from few draws: enough to look at dates, too few for the verdict's limits."""
    from standage.stand.fit import fit_stands

    return fit_stands(read_survey(simulated_folder), seed=1, draws=300, tune=400, chains=2)
