"""Delays that are nearly the same for all trees of a stand, as in stem-analysed Norway spruces: the
law of height growth has room for them, and the establishment of cored trees is found.
"""

import numpy as np
import pytest
from exact_survey import write
from scipy import stats

from standage.evidence.delays import dispersion_at_pace, height_growth_pmf, species_delays
from standage.profiles import load_profile
from standage.stand.fit import fit_stands
from standage.survey.reading import read_survey

# Medians of the seasons to 1.3 m of five site classes, and the range of the variance over the mean
# within a class (Guttenberg's 107 stems, data of a registry package of stem analyses)
MEDIANS = (10, 10, 11, 13, 20)
NARROWEST, WIDEST = 0.1, 0.9


def test_the_prior_of_the_generic_conifer_has_room_for_the_site_classes():
    delays = species_delays(load_profile("generic-conifer"))
    law = stats.norm(delays.log_dispersion, delays.dispersion_log_sd)
    assert law.cdf(np.log(NARROWEST)) > 0.001 and law.cdf(np.log(0.2)) > 0.02
    assert law.sf(np.log(WIDEST)) > 0.1


@pytest.mark.parametrize("median", MEDIANS)
@pytest.mark.parametrize("dispersion", [NARROWEST, WIDEST])
def test_delays_can_be_narrower_than_poisson_and_are_never_none(median, dispersion):
    """Mean and variance are those of the law, a twelfth more for counting in whole seasons."""
    seasons = np.arange(101)
    pmf = height_growth_pmf(float(median), dispersion, 100)
    mean = pmf @ seasons
    assert mean == pytest.approx(median, abs=0.1)
    assert pmf @ seasons**2 - mean**2 == pytest.approx(dispersion * median + 1 / 12, rel=0.05)
    assert pmf[0] < 1e-6


def test_delays_of_slow_stands_spread_little_more_than_at_the_profiles_pace():
    delays = species_delays(load_profile("generic-conifer"))
    usual = delays.to_breast_height.log_years
    pace = np.array([0.25, 1.0, 4.0, 8.0])
    variance = pace * dispersion_at_pace(delays, 0.0, usual + np.log(pace))
    assert variance[1] == pytest.approx(1)
    assert variance[0] == pytest.approx(0.25, rel=0.2)
    assert variance[2:] == pytest.approx(1.19, abs=0.01)


def spruces(folder, years):
    """Twenty cored trees at 1.3 m, ten sections: all with 10 to 12 seasons to that height."""
    rng = np.random.default_rng(4)
    delay = rng.choice([10, 11, 11, 12], len(years))
    trees = [
        {"tree": f"t{k}", "stand": "a", "species": "generic-conifer"} for k in range(len(years))
    ]
    cores = [
        {
            "core": f"c{k}",
            "tree": f"t{k}",
            "height_cm": 137,
            "first_ring_year": int(year + wait),
            "dating": "crossdated",
            "centre": "pith",
            "outer_ring": "complete",
        }
        for k, (year, wait) in enumerate(zip(years, delay, strict=True))
    ]
    sections = [
        {
            "stem": f"s{k}",
            "stand": "a",
            "species": "generic-conifer",
            "known_from": "rings",
            "rings_at_ground": 20 + int(wait),
            "rings_at_height": 20,
            "height_cm": 137,
        }
        for k, wait in enumerate(rng.choice([10, 11, 11, 12], 10))
    ]
    return read_survey(
        write(
            folder,
            stands=[{"stand": "a", "survey_date": "2020-12-31"}],
            trees=trees,
            cores=cores,
            known_age_stems=sections,
        )
    )


@pytest.mark.slow
def test_trees_with_nearly_the_same_delay_are_dated_within_few_years(tmp_path):
    years = np.random.default_rng(2).integers(1880, 1960, 20)
    posterior = fit_stands(spruces(tmp_path, years), seed=1, chains=2, tune=200, draws=250)
    low, high = np.quantile(posterior.establishment_year, [0.05, 0.95], axis=0)
    assert np.mean((low <= years) & (years <= high)) >= 0.85
    assert np.median(high - low) < 8
