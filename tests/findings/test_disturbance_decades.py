"""What the trees of a stand show of openings, decade by decade."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fake_findings import fake_findings
from fake_posterior import BURST, fake_posterior, with_tables

from standage.findings.disturbance_decades import CHANCE_FOUND, TREES_AT_RISK
from standage.growth.growth_changes import growth_changes

OPENED = 1927
FAST, SLOW = 4.0, 3.0  # of the first rings; the profile's 2.5, five in six below 3.7 [mm]


def rings(core: str, first: int, early: float) -> pd.DataFrame:
    """Rings to 1980 of one core, from 1927 on twice as wide."""
    years = np.arange(first, 1981.0)
    rng = np.random.default_rng(first)
    widths = np.where(years >= OPENED, 2.4, 1.2) * np.exp(rng.normal(0, 0.12, len(years)))
    widths[:10] = early
    return pd.DataFrame({"core": core, "year": years, "width_mm": widths})


@pytest.fixture(scope="module")
def findings():
    """Twelve cored trees of Fern Flat: ten with rings from 1890 on, of which none is near the pith,
    and two whose rings begin at the pith in 1941, one fast, one slow.
    """
    posterior = fake_posterior(draws=60)
    cores = posterior.survey.cores
    cores = cores[cores["tree"].str.startswith("F")].iloc[:12]
    series = [rings(core, 1890, 1.2) for core in cores["core"].iloc[:10]]
    series += [
        rings(core, 1941, early)
        for core, early in zip(cores["core"].iloc[10:], (FAST, SLOW), strict=True)
    ]
    widths = pd.concat(series, ignore_index=True).assign(row=1, file="ring_widths.csv")
    findings = fake_findings(with_tables(posterior, ring_widths=widths))
    year = pd.Series(np.r_[np.full(10, 1870.0), 1940.0, 1940.0], index=cores["tree"])
    dates = findings.tree_dates
    findings.tree_dates = dates.assign(
        coring_height_year_median=dates["tree"].map(year).astype(float)
    )
    return findings


@pytest.fixture(scope="module")
def decades(findings):
    return findings.disturbance_decades.set_index("first_year")


def test_an_opening_that_all_trees_answered_stands_in_its_decade_alone(decades):
    opened = decades.loc[1920]
    assert opened["trees_at_risk"] == 10 and opened["released_trees"] > 8
    assert opened["share_low"] > 0.5 and opened["probability_opened"] > 0.9
    others = decades.drop(index=1920)
    assert (others["released_trees"] < 1).all() and (others["probability_opened"] < 0.3).all()


def test_a_tree_counts_as_a_fast_start_in_its_decade_if_its_rings_begin_at_the_pith(decades):
    assert decades.loc[1940, "fast_starting_trees"] == 1
    assert decades.loc[1940, "trees_at_risk"] == 12
    # rings far from the pith say nothing of the early growth, wide or not
    assert decades["fast_starting_trees"].sum() == 1


def test_a_pulse_stands_in_the_decade_in_which_it_began(findings, decades):
    assert (findings.pulses["stand"] == "Fern Flat").any()
    around = decades.loc[[BURST[0] - 10, BURST[0]], "probability_pulse"].sum()
    assert around > 0.8 and decades["probability_pulse"].sum() < 1.05


def test_where_few_trees_are_at_risk_little_would_be_found(decades):
    assert CHANCE_FOUND[0] == 0 and list(CHANCE_FOUND) == sorted(CHANCE_FOUND)
    at_ten = np.interp(10, TREES_AT_RISK, CHANCE_FOUND)
    assert decades.loc[1920, "chance_found"] == pytest.approx(at_ten)
    assert decades["chance_found"].between(0, 1).all()
    # within five rings of an end nothing is told of a tree, and so of an opening in the decade
    assert decades.loc[[1890, 1970], "chance_found"].eq(0).all()


def test_a_published_criterion_gives_no_chances(findings):
    by_rule = fake_findings(findings.posterior)
    by_rule.growth_changes = growth_changes(findings.survey, criterion="sustained")
    table = by_rule.disturbance_decades
    assert table[["probability_opened", "chance_found"]].isna().all().all()
    opened = table[table["first_year"] == 1920].iloc[0]
    assert opened["released_trees"] > 8 and opened["share_low"] < opened["share_median"] < 1
