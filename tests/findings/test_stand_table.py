"""The stand table: its groups add up to the stand, and no decade is given for known that isn't."""

from __future__ import annotations

import numpy as np
import pytest
from fake_findings import fake_findings

from standage.findings.intervals import SUFFIXES, Interval
from standage.findings.stand_table import (
    AGE_CLASS,
    COHORT,
    DIAMETER_CLASS,
    STAND,
    UNDATED,
    unit_groups,
)


def with_plots(findings):
    units = findings.posterior.units
    return [number for number, unit in enumerate(units) if unit.has_plots]


def test_groups_of_every_kind_add_up_to_the_stand_in_every_draw(findings):
    kinds = set()
    for number in with_plots(findings):
        groups = unit_groups(findings, number)
        members = findings.populations[number]
        for kind in {group.grouped_by for group in groups} - {STAND}:
            kinds.add(kind)
            own = [group for group in groups if group.grouped_by == kind]
            assert sum(group.stems for group in own) == pytest.approx(members.total, rel=1e-9)
            area = sum(group.basal_area for group in own)
            assert area == pytest.approx(members.total_basal_area, rel=1e-9)
            assert all((group.stems >= 0).all() for group in own)
    assert kinds == {AGE_CLASS, DIAMETER_CLASS, COHORT}


def test_the_stand_is_that_of_the_summary(findings):
    table = findings.stand_table
    whole = table[table["grouped_by"] == STAND].set_index("stand")
    summary = findings.stand_summary.set_index("stand")
    assert len(whole) == len(with_plots(findings))
    for stand in whole.index:
        for mine, theirs in (
            ("stems_per_ha", "stems_per_ha"),
            ("basal_area_m2_ha", "stand_basal_area_m2_ha"),
        ):
            for suffix in SUFFIXES:
                assert whole.loc[stand, mine + suffix] == summary.loc[stand, theirs + suffix]


def test_an_age_class_agrees_with_the_cohort_table(findings):
    table, cohorts = findings.stand_table, findings.cohorts
    compared = 0
    for row in (
        table[table["grouped_by"] == AGE_CLASS].dropna(subset="first_year").to_dict("records")
    ):
        own = cohorts[(cohorts["stand"] == row["stand"]) & (cohorts["species"] == row["species"])]
        (same,) = own[own["first_year"] == row["first_year"]].to_dict("records")
        for name in ("stems_per_ha", "basal_area_m2_ha"):
            assert Interval.of(row, name) == pytest.approx(Interval.of(same, name), nan_ok=True)
        compared += 1
    assert compared > 5


def test_years_without_a_cored_tree_are_one_row_without_years(findings):
    table, trees = findings.stand_table, findings.tree_dates
    for (stand, kind), rows in table.groupby(["stand", "grouped_by"]):
        if kind not in (AGE_CLASS, COHORT):
            continue
        undated = rows[rows["group"] == UNDATED]
        assert len(undated) == 1 and undated["first_year"].isna().all()
        cored = trees[
            (trees["stand"] == stand) & (trees["basis"] == "cored") & (trees["status"] == "live")
        ]
        dated = rows[rows["group"] != UNDATED]
        years = cored["establishment_year_median"].dropna().astype(float)
        for row in dated.itertuples():
            assert years.between(row.first_year, row.last_year).sum() == row.cored_trees > 0
    # fewer cored trees, fewer decades
    fewer = fake_findings()
    keep = trees["establishment_year_median"].astype(float).between(1930, 1939).to_numpy()
    fewer.tree_dates = trees.assign(basis=np.where(keep, trees["basis"], "size"))
    few = fewer.stand_table
    assert set(few.loc[few["grouped_by"] == AGE_CLASS, "group"]) == {"1930 to 1939", UNDATED}


def test_a_diameter_class_holds_the_stems_of_its_diameters(findings):
    (first, *_) = with_plots(findings)
    members = findings.populations[first]
    for group in unit_groups(findings, first):
        if group.grouped_by == DIAMETER_CLASS and np.isfinite(group.from_cm):
            inside = (members.dbh_cm >= group.from_cm) & (members.dbh_cm < group.to_cm)
            assert inside.any()
            assert group.stems == pytest.approx(members.stems[:, inside].sum(axis=1))
