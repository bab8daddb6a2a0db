"""The stems that shares and classes are about: hand-worked cases and published intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fake_posterior import changed, fake_posterior, one_unit, with_tables
from scipy.stats import beta

from standage.findings import Findings
from standage.findings.population import survey_diameter_limit
from standage.stand.unit_draws import Unit


@pytest.fixture
def posterior():
    return fake_posterior(draws=300)


def covering(posterior, area_ha: float):
    """The posterior with an area of Fern Flat, whose plots cover 0.8 ha."""
    posterior.survey.stands.loc[0, "area_ha"] = area_ha
    return posterior


def width(interval: np.ndarray) -> float:
    return float(np.subtract(*np.quantile(interval, [0.95, 0.05])))


def test_the_limit_is_the_largest_of_the_plots_and_may_be_raised(posterior):
    posterior.survey.plots.loc[0, "min_dbh_cm"] = 12.5
    assert survey_diameter_limit(posterior.survey) == 12.5
    assert Findings(posterior, diameter_limit_cm=5).diameter_limit_cm == 12.5
    dbh = posterior.trees.loc[posterior.trees["unit"] == 0, "dbh_cm"]
    raised = Findings(posterior, diameter_limit_cm=25).populations[0]
    assert raised.listed == (dbh >= 25).sum() < 60
    assert raised.name == "living stems of 25 cm and more"


def test_plots_over_the_whole_stand_leave_the_number_of_stems_known(posterior):
    """60 stems listed on 0.8 of 0.8 ha are 75 per hectare."""
    members = Findings(covering(posterior, 0.8)).populations[0]
    assert members.total == pytest.approx(np.full(300, 75.0))
    over = members.season - members.drawn + 1 > 100
    assert members.share_over(100) == pytest.approx(over.mean(axis=1))


def test_of_a_stand_covered_in_part_only_the_rest_is_uncertain(posterior):
    """The part listed is a floor under each draw, and the interval narrows with what is covered."""
    widths = []
    for area in (np.nan, 3.2, 1.0, 0.81):
        members = Findings(covering(posterior, area)).populations[0]
        widths.append(width(members.total))
        if area > 0:
            assert members.total.min() >= 60 / area
    assert widths == sorted(widths, reverse=True) and widths[-1] < 0.1 * widths[0]


def test_a_share_has_the_interval_of_jeffreys():
    """Beta(k + 1/2, n - k + 1/2), Brown, Cai & DasGupta 2001, Statistical Science 16:101-133."""
    posterior = fake_posterior(draws=4000)
    posterior.establishment_year[:, :60] = np.where(np.arange(60) < 12, 1850, 1990)
    share = Findings(posterior).populations[0].share_over(100)
    for point in (0.05, 0.5, 0.95):
        assert np.quantile(share, point) == pytest.approx(beta.ppf(point, 12.5, 48.5), abs=0.012)


def test_plots_of_unlike_ages_tell_less(posterior):
    alike = fake_posterior(draws=300)
    old = np.where(np.arange(60) < 30, 1850, 1990)
    plots = alike.trees["plot"].to_numpy(dtype=object)
    plots[:60] = np.resize([f"F-p{number}" for number in (1, 2, 3, 4)], 60)
    alike.establishment_year[:, :60] = old
    patchy = changed(alike, trees=alike.trees.assign(plot=plots))
    by_plot = plots.copy()
    by_plot[:60] = np.repeat([f"F-p{number}" for number in (1, 2, 3, 4)], 15)
    patchy = changed(patchy, trees=patchy.trees.assign(plot=by_plot))
    patchy.establishment_year[:, :60] = old
    widths = [width(Findings(one).populations[0].share_over(100)) for one in (alike, patchy)]
    assert widths[1] > 1.8 * widths[0]


def test_without_plots_only_the_trees_sampled_are_counted():
    """186 trees with pith at the ground and exact dates, the oldest of 1932, surveyed in 2000: none
    is over 100 years, whatever a stand of that history may hold.
    """
    trees, season = 186, 2000
    rng = np.random.default_rng(5)
    exact = rng.integers(1932, 1975, trees)
    exact[:2] = 1932, 1974
    posterior = treeline(exact, season)
    members = Findings(posterior).populations[0]
    assert members.name == "the 186 trees sampled" and members.listed == trees
    assert (members.share_over(100) == 0).all() and np.ptp(members.total) == 0
    ages = season - 1 - exact + 1
    assert members.share_over(60) == pytest.approx(np.full(2, (ages > 60).mean()))
    assert members.years[members.by_year[0] > 0].min() == 1932
    assert members.years[members.by_year[0] > 0].max() == 1974


def treeline(exact: np.ndarray, season: int):
    """A posterior of trees without plots whose years are known."""
    fake = fake_posterior(draws=2)
    stands = fake.survey.stands.assign(survey_date=pd.Timestamp(f"{season}-06-15"))
    stand = stands.loc[0, "stand"]
    rows = pd.concat([fake.trees.iloc[[0]]] * len(exact), ignore_index=True)
    rows = rows.assign(plot="", cored=True, basis="cored", coring_height_cm=0.0, unit=0)
    rows = rows.assign(dbh_cm=20.0)
    years = np.repeat(exact[None].astype(np.int32), 2, axis=0)
    posterior = one_unit(
        Unit(stand, "longleaf-pine", "establishment", False, season, np.nan),
        years=np.arange(1780, season + 1),
        trees=rows,
        delays=fake.unit(0).delays,
        establishment_year=years,
        year_at_core=years,
    )
    return with_tables(posterior, stands=stands)
