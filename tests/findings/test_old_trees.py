"""Which stems are likely to be old."""

from __future__ import annotations

import numpy as np
import pytest
from fake_posterior import fake_posterior

from standage.findings import Findings
from standage.findings.old_trees import AGES, OLD_TREES, WIDER, chances_over
from standage.findings.stems import completed_season


@pytest.fixture(scope="module")
def findings():
    return Findings(fake_posterior(draws=100))


def test_the_probability_is_the_share_of_the_widened_ages_above(findings):
    """Counted one by one from the posterior's own draws, spread about their median."""
    posterior, table = findings.posterior, findings.old_trees
    row = table[(table["stand"] == "Fern Flat") & (table["dated_by"] == "size")].iloc[5]
    (column,) = np.flatnonzero(posterior.trees["tree"] == row["tree"])
    years = [year for year in posterior.establishment_year[:, column] if year >= 0]
    day = posterior.survey.stands.set_index("stand")["survey_date"]["Fern Flat"]
    season = day.year if day.month >= 10 else day.year - 1  # the last that was over
    middle = np.median(years)
    years = [middle + WIDER * (year - middle) for year in years]
    for age in AGES:
        older = sum(season - year + 1 > age for year in years)
        assert row[f"probability_over_{age}_years"] == pytest.approx(older / len(years))


def test_every_living_stem_with_a_date_is_ranked_once_the_oldest_first(findings):
    trees, table = findings.tree_dates, findings.old_trees
    dated = trees[["establishment_year_median", "coring_height_year_median"]].notna().any(axis=1)
    living = trees[dated & (trees["status"] == "live")]
    assert set(living["tree"]) <= set(table["tree"]) and table["tree"].is_unique
    for _, unit in table.groupby(["stand", "species"]):
        assert list(unit["rank"]) == list(range(1, len(unit) + 1))
        assert unit["age_median"].is_monotonic_decreasing
        shares = unit[[f"probability_over_{age}_years" for age in AGES]].to_numpy()
        assert (np.diff(shares, axis=1) <= 0).all()


def test_ages_of_ones_choice(findings):
    _, age, chance = chances_over(findings, 0, (30.0, 75.5))
    assert chance.shape == (2, age.shape[1]) and (chance[0] >= chance[1]).all()


def test_where_no_coring_height_is_recorded_ages_count_from_the_core(findings):
    table = findings.old_trees
    ridge = table[table["stand"] == "Stony Ridge"]
    assert (
        len(ridge)
        and set(ridge["basis"]) == {"coring height"}
        and ridge["age_median"].notna().all()
    )
    assert list(table) == OLD_TREES.found


def test_a_chance_is_of_ages_spread_wider_than_drawn(findings):
    _, age, chance = chances_over(findings, 0, AGES)
    drawn = np.array([np.nanmean(np.where(np.isnan(age), np.nan, age > each), 0) for each in AGES])
    assert (np.abs(chance - 0.5) <= np.abs(drawn - 0.5) + 0.02).all()
    assert (np.abs(chance - drawn) > 0.01).any()


def test_an_age_of_ones_choice_has_its_chance():
    findings = Findings(fake_posterior(draws=60), age_over=80)
    table = findings.old_trees
    assert (table["spare_age"] == 80).all()
    assert (table["probability_over_spare_age"] >= table["probability_over_100_years"]).all()
    usual = Findings(fake_posterior(draws=60)).old_trees
    assert (usual["probability_over_spare_age"] == usual["probability_over_120_years"]).all()


def test_a_living_stem_whose_coring_height_is_not_known_is_listed_with_a_least_age():
    """A stem of which only the year at its core is drawn would be missing from a list to spare."""
    posterior = fake_posterior(draws=100)
    own = posterior.trees["unit"].eq(0) & posterior.trees["cored"] & posterior.trees["in_process"]
    stem = int(np.flatnonzero(own)[0])
    posterior.establishment_year[:, stem] = -1
    posterior.year_at_core[:, stem] = 1870
    table = Findings(posterior).old_trees
    row = table[table["tree"] == posterior.trees["tree"].iloc[stem]].iloc[0]
    stand = table[table["stand"] == row["stand"]]
    assert row["basis"] == "coring height" and list(stand["rank"]) == list(range(1, len(stand) + 1))
    assert stand["age_median"].is_monotonic_decreasing
    season = completed_season(posterior.survey, posterior.units[0].stand)
    assert row["age_median"] == season - 1870 + 1 and row["probability_over_120_years"] == 1
