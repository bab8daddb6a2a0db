"""A least number of rings, or a year on record, enters the likelihood as a bound: closed forms."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from standage.commands.ages_table import ages_text, with_reasons
from standage.errors import SurveyError
from standage.evidence import core, date_trees, evidence_over_years, read_cores, ring_count
from standage.evidence.account import account
from standage.evidence.height import delay_pmf_prior, normal_nodes
from standage.evidence.tree_ages import LEAST_AGE, THE_PRIORS
from standage.evidence.tree_blocks import date_block, tree_blocks
from standage.profiles import load_profile
from standage.stand.build import build_stands
from standage.survey.reading import read_survey

LONGLEAF = load_profile("longleaf-pine")
YEARS = np.arange(1500, 2024)
CROSSDATED = "crossdated,1950,2022,,yes"


def survey_of(folder, *rows, height="", trees=""):
    """Cores of rows `dating,first_ring_year,last_ring_year,ring_count,at_least[,centre]`."""
    (folder / "stands.csv").write_text("stand,survey_date\na,2023-06-15\n")
    (folder / "trees.csv").write_text(
        "tree,stand,species,dbh_cm\n"
        + "".join(f"t{place},a,longleaf-pine,40\n" for place in range(len(rows)))
    )
    lines = [
        f"c{place},t{place},{height},complete,{row if row.count(',') == 5 else row + ',rotten'}"
        for place, row in enumerate(rows)
    ]
    header = "core,tree,height_cm,outer_ring,dating,first_ring_year,last_ring_year,ring_count"
    (folder / "cores.csv").write_text("\n".join([f"{header},at_least,centre", *lines]) + "\n")
    return read_survey(folder)


def readings_of(folder, *rows, **more):
    return read_cores(survey_of(folder, *rows, **more), "a", "longleaf-pine", LONGLEAF)


def test_crossdated_rings_bound_the_arrival_exactly(tmp_path):
    evidence = evidence_over_years(readings_of(tmp_path, CROSSDATED), 0, YEARS, LONGLEAF)
    np.testing.assert_allclose(evidence, YEARS <= 1950, atol=1e-12)


def test_counted_rings_bound_it_by_the_distribution_of_the_count(tmp_path):
    """P(innermost ring is of `y` or later), Student's t as scipy has it, over the counting bias."""
    doubted = readings_of(tmp_path, "counted,1950,2022,,yes")
    readings = dataclasses.replace(doubted, gross_share=np.zeros(1))
    bias, sd = ring_count.counting_bias(LONGLEAF)
    nodes, weights = normal_nodes(core.COUNTING_NODES)
    counted, scale = readings.counted_rings[0], readings.reader_scale[0]
    assert counted == 73 and scale > 1
    before = (1950 - YEARS)[:, None] + 0.5 - counted * (bias + sd * nodes)
    expected = stats.t.cdf(before / scale, df=4) @ weights
    # the likelihood drops errors beyond twenty scales
    np.testing.assert_allclose(
        evidence_over_years(readings, 0, YEARS, LONGLEAF), expected, atol=1e-4
    )


def test_years_before_a_bound_are_all_alike_up_to_longevity(tmp_path):
    readings = readings_of(tmp_path, CROSSDATED)
    (rows,) = tree_blocks(readings, np.zeros(1, dtype=int), LONGLEAF)
    found = date_block(readings, rows, LONGLEAF, 0.9)
    years = np.arange(2023 - int(LONGLEAF["longevity.years"]), 1951)
    for point, share in (("low", 0.05), ("median", 0.5), ("high", 0.95)):
        expected = np.quantile(years, share, method="inverted_cdf")
        assert found[f"coring_height_year_{point}"][0] == pytest.approx(expected, abs=1)


def test_the_table_of_a_least_number_holds_its_bounds_and_nothing_of_the_prior(tmp_path):
    rows = [CROSSDATED, "crossdated,1950,2022,,no,arcs"]
    bound, whole = date_trees(survey_of(tmp_path, *rows, height="30"), level=0.9).to_dict("records")
    below = np.cumsum(delay_pmf_prior(LONGLEAF, 30.0))
    latest = 1950 - int(np.argmax(below >= 0.05))
    assert bound["coring_height_year_high"] == 1950
    assert bound["establishment_year_high"] == latest and bound["age_low"] == 2022 - latest + 1
    blank = [name for name in THE_PRIORS if np.isnan(bound[name])]
    assert blank == list(THE_PRIORS) and "establishment_year_median" in blank
    assert not any(np.isnan(whole[name]) for name in THE_PRIORS)


def test_a_bound_is_that_of_the_core_or_record_that_reaches_back_furthest(tmp_path):
    survey = survey_of(tmp_path, CROSSDATED, height="30")
    alone = date_trees(survey).iloc[0]["establishment_year_high"]
    cores = survey.cores
    higher = cores.assign(core="c9", height_cm=200.0, first_ring_year=1890.0)
    two = dataclasses.replace(survey, cores=pd.concat([cores, higher], ignore_index=True))
    of_two = date_trees(two).iloc[0]
    assert of_two["establishment_year_high"] == alone - 60
    assert of_two["age_low"] == 2022 - of_two["establishment_year_high"] + 1
    record = survey.trees.assign(alive_in_year=1880.0, alive_source="a plat")
    on_record = date_trees(dataclasses.replace(survey, trees=record)).iloc[0]
    assert on_record["establishment_year_high"] == alone - 70


def test_a_bound_and_a_whole_core_of_one_height_leave_the_whole_core(tmp_path):
    """The bound lies after all that the whole core leaves open, so it adds nothing."""
    survey = survey_of(tmp_path, CROSSDATED, "crossdated,1920,2022,,no,pith", height="30")
    alone = date_trees(survey).iloc[1]
    survey.cores["tree"] = "t1"
    both = date_trees(survey).iloc[1]
    for point in ("low", "median", "high"):
        name = f"establishment_year_{point}"
        assert both[name] == pytest.approx(alone[name], abs=1)


def test_the_stand_model_takes_a_bound(tmp_path):
    rows = [CROSSDATED, *(f"crossdated,{year},2022,,no,pith" for year in range(1930, 1945))]
    built = build_stands(survey_of(tmp_path, *rows, height="30"))
    (unit,) = built.data.units
    assert len(unit.trees) == len(rows)
    (evidence,) = (node.evidence for node in unit.trees[0].nodes if node.evidence is not None)
    flat = evidence[0, 0] / evidence.max()
    assert evidence.shape[:2] == (1, 1) and (flat > 0.999).all() and flat.size > 100


def test_lost_outer_rings_leave_a_least_number_what_it_is(tmp_path):
    """Behind a bark that broke off, pith in the core or not: so many rings at least."""
    bounds = []
    for place, outer in enumerate(("complete", "lost")):
        folder = tmp_path / str(place)
        folder.mkdir()
        survey_of(folder, "counted,,,52,yes")
        (folder / "cores.csv").write_text(
            "core,tree,height_cm,core_date,outer_ring,ring_count,at_least,centre\n"
            f"c0,t0,30,2023-10-20,{outer},52,yes,{'pith' if outer == 'lost' else 'rotten'}\n"
        )
        bounds.append(date_trees(read_survey(folder)).iloc[0])
    assert bounds[0]["establishment_year_high"] == bounds[1]["establishment_year_high"]
    assert bounds[1]["age_low"] >= 52 and np.isnan(bounds[1]["age_high"])


@pytest.mark.parametrize(
    ("cell", "count", "bound"),
    [("63+", 63, "yes"), (">200", 201, "yes"), ("at least 40", 40, "yes"), ("57", 57, "no")],
)
def test_a_crews_way_of_writing_a_bound_is_read_as_one(tmp_path, cell, count, bound):
    row = survey_of(tmp_path, f"counted,,,{cell},").cores.iloc[0]
    assert (row["ring_count"], row["at_least"]) == (count, bound)


def known_alive(folder, year, *, core=True, status="live", death="", source="witness_tree"):
    """A stand of 12 longleafs at 30 cm with their pith, and `old`, on record in `year`."""
    (folder / "stands.csv").write_text("stand,survey_date\na,2023-06-15\n")
    (folder / "plots.csv").write_text("plot,stand,area_m2,min_dbh_cm\np,a,5000,2\n")
    rows = [f"t{number},a,p,longleaf-pine,{20 + number},live,,,\n" for number in range(12)]
    rows.append(f"old,a,p,longleaf-pine,30,{status},{death},{year},{source if year else ''}\n")
    (folder / "trees.csv").write_text(
        "tree,stand,plot,species,dbh_cm,status,death_year,alive_in_year,alive_source\n"
        + "".join(rows)
    )
    header = "core,tree,height_cm,first_ring_year,last_ring_year,dating,centre\n"
    cores = [f"c{n},t{n},30,{1950 + n},2022,crossdated,pith\n" for n in range(12)]
    if core:
        cores.append("c,old,30,1950,2022,crossdated,unknown\n")
    (folder / "cores.csv").write_text(header + "".join(cores))
    return read_survey(folder)


def test_a_year_on_record_cuts_the_likelihood_off_and_changes_nothing_before(tmp_path):
    """E(y) of the same core, times 1 for y <= 1935 and 0 after."""
    evidence = []
    for year in ("", "1935"):
        readings = read_cores(known_alive(tmp_path, year), "a", "longleaf-pine", LONGLEAF)
        row = list(readings.tree).index("old")
        evidence.append(evidence_over_years(readings, row, YEARS, LONGLEAF))
    free, bounded = evidence
    assert free[YEARS > 1935].sum() > 0.5 * free.sum()
    np.testing.assert_allclose(bounded, free * (YEARS <= 1935), atol=1e-15)


def test_a_tree_by_itself_is_dated_before_the_year_on_record(tmp_path):
    """Restricted to the years open, the points are those of the same distribution renormalised."""
    survey = known_alive(tmp_path, "1935")
    dates = date_trees(survey, level=0.9).set_index("tree").loc["old"]
    readings = read_cores(survey, "a", "longleaf-pine", LONGLEAF)
    row = list(readings.tree).index("old")
    evidence = evidence_over_years(readings, row, YEARS, LONGLEAF)
    below = np.cumsum(evidence) / evidence.sum()
    for point, share in (("low", 0.05), ("median", 0.5), ("high", 0.95)):
        expected = YEARS[np.argmax(below >= share)]
        assert dates[f"coring_height_year_{point}"] == pytest.approx(expected, abs=1)
    assert dates["coring_height_year_high"] <= 1935


def test_a_stem_without_a_core_has_reached_breast_height_by_the_year_on_record(tmp_path):
    survey = known_alive(tmp_path, "1900", core=False)
    built = build_stands(survey)
    (stem,) = (stem for stem in built.stems if stem.tree == "old")
    assert (stem.basis, stem.cored, stem.in_process) == ("size", False, True)
    (node,) = stem.chain.nodes
    years = built.data.years[node.band_start :][: node.evidence.shape[2]]
    assert node.height_cm == 137 and node.dbh_class == stem.dbh_class
    assert (years[0], years[-1]) == (built.data.years[0], 1900)
    (unit,) = built.data.units
    assert unit.uncored_count.sum() == 0 and len(unit.trees) == 13


def test_a_record_after_the_death_of_the_tree_is_refused(tmp_path):
    with pytest.raises(SurveyError, match="alive_in_year"):
        known_alive(tmp_path, "2010", status="dead", death="2001")


def test_a_record_needs_its_source(tmp_path):
    with pytest.raises(SurveyError, match="alive_source"):
        known_alive(tmp_path, "1900", source="")


def test_years_considered_reach_back_to_a_record_and_one_that_cannot_be_is_named(tmp_path):
    """The oldest ring is of 1950; without the record the axis begins in 1823."""
    built = build_stands(known_alive(tmp_path, "1700", core=False))
    (stem,) = (stem for stem in built.stems if stem.tree == "old")
    assert built.data.years[0] < 1700 and stem.chain is not None
    assert stem.note == "on record in 1700 (witness tree)"
    assert not any("look at alive_in_year" in note for note in built.notes)
    absurd = build_stands(known_alive(tmp_path, "1100", core=False))  # 923 seasons; longevity 460
    assert any("(old) on record before" in note for note in absurd.notes)
    assert absurd.data.years[0] > 1500


def test_a_tree_without_a_core_has_a_latest_year_by_its_record(tmp_path):
    survey = known_alive(tmp_path, "1908", core=False)
    table = date_trees(survey, level=0.9).set_index("tree")
    old = table.loc["old"]
    delay = np.cumsum(delay_pmf_prior(LONGLEAF, 137.0))
    assert old["establishment_year_high"] == 1908 - np.argmax(delay >= 0.05)
    assert np.isnan(old["establishment_year_low"]) and np.isnan(old["age_median"])
    assert old["age_low"] == 2022 - old["establishment_year_high"] + 1
    assert (old["basis"], old["note"]) == ("record", "on record in 1908 (witness tree)")
    assert f"by {old['establishment_year_high']:.0f}" in ages_text(table.reset_index(), 0.9)
    # without a diameter as well
    survey.trees.loc[survey.trees["tree"] == "old", "dbh_cm"] = np.nan
    again = date_trees(survey, level=0.9).set_index("tree").loc["old"]
    assert again["establishment_year_high"] == old["establishment_year_high"]


@pytest.mark.parametrize(
    ("cell", "write"), [("~1900", "latest year"), ("1905-1910", "1910"), ("before 1900", "1899")]
)
def test_a_record_in_doubt_is_answered_with_the_latest_year_it_may_be(tmp_path, cell, write):
    with pytest.raises(SurveyError, match=f"alive_in_year.*{write}.*a later one is always safe"):
        known_alive(tmp_path, cell)


def test_a_least_age_is_printed_as_one_and_not_as_a_date(tmp_path):
    rows = [CROSSDATED, "crossdated,1950,2022,,no,pith"]
    table = date_trees(survey_of(tmp_path, *rows, height="30"), level=0.9)
    bound, whole = ages_text(table, 0.9).splitlines()[2:]
    below = np.cumsum(delay_pmf_prior(LONGLEAF, 30.0))
    latest = 1950 - int(np.argmax(below >= 0.05))
    assert bound.split()[2:5] == ["before", f"{latest + 1}", f"{2022 - latest + 1}+"]
    assert bound.endswith(LEAST_AGE) and table["note"].tolist() == [LEAST_AGE, ""]
    assert f"{table['establishment_year_median'][1]:.0f} (" in whole


def test_stems_that_nothing_dates_are_not_promised_to_the_stand_model(tmp_path):
    survey = known_alive(tmp_path, "", core=False)
    survey.trees.loc[survey.trees["tree"] == "old", "dbh_cm"] = np.nan
    table = with_reasons(date_trees(survey), account(survey))
    last = ages_text(table, 0.9).splitlines()[-1]
    assert last.startswith("1 stems that were not cored stay undated: 1 in a plot, with neither")
