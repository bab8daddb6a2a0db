"""The studies' arithmetic, on rows made up so that the answer is known; the studies themselves take
minutes to hours.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from studies import interval_coverage as coverage
from studies import wrong_assumptions

from standage.findings import Findings
from standage.profiles import load_profile


def made_up_stems(
    coverage_by_survey: list[float],
    *,
    trees: int = 200,
    mass: float = 0.92,
    what: str = "establishment_year",
    **more,
):
    """Trees of surveys in each of which a known share of the intervals holds the truth; half of the
    trees are cored.
    """
    rows = []
    for survey, share in enumerate(coverage_by_survey):
        hits = np.arange(trees) < round(share * trees)
        rank = (np.arange(trees) + 0.5) / trees
        rows.append(
            pd.DataFrame(
                {
                    "what": what,
                    "by": np.where(np.arange(trees) % 2, "core", "size"),
                    "centre": "pith",
                    "age": np.linspace(10, 150, trees),
                    "hit": hits.astype(int),
                    "mass": mass,
                    "rank": rank,
                    "error": 1.5,
                    "width": 20.0,
                    "setting": "nominal",
                    "survey": survey,
                }
                | more
            )
        )
    return pd.concat(rows, ignore_index=True)


def nested(stems: pd.DataFrame, **columns) -> pd.DataFrame:
    """Rows as the runner gives them: one a survey, its trees as a list."""
    rows = []
    for (setting, survey), group in stems.groupby(["setting", "survey"], sort=False):
        outcomes = group.drop(columns=["setting", "survey"]).to_dict("records")
        rows.append({"setting": setting, "seed": survey, "stems": outcomes, "error": ""} | columns)
    return pd.DataFrame(rows)


def test_coverage_equal_to_the_mass_inside_holds():
    table = coverage.nominal_verdict(made_up_stems([0.92] * 10))
    assert table["holds"].all() and set(table["group"]) == {
        "establishment, all trees",
        "establishment, cored",
        "establishment, by size",
    }
    assert table["gap"].to_numpy() == pytest.approx(0, abs=1e-12)
    assert table["mean_rank"].to_numpy() == pytest.approx(0.5, abs=0.003) and table[
        "rank_spread"
    ].to_numpy() == pytest.approx(1, abs=0.003)


@pytest.mark.parametrize(
    ("share", "holds"), [(0.89, False), (0.9, True), (0.94, True), (0.95, False)]
)
def test_a_gap_of_more_than_two_and_a_half_points_fails_whichever_way(share, holds):
    """90 % of the truths inside would look right, were it not that 92 % of the posterior are."""
    table = coverage.nominal_verdict(made_up_stems([share] * 10)).set_index("group")
    assert table.loc["establishment, all trees", "gap"] == pytest.approx(share - 0.92)
    assert table.loc["establishment, all trees", "holds"] == holds


def test_years_at_the_core_are_judged_too_and_a_missing_nominal_setting_is_refused():
    both = pd.concat(
        [made_up_stems([0.92] * 4), made_up_stems([0.8] * 4, what="coring_height_year", by="core")]
    )
    table = coverage.nominal_verdict(both).set_index("group")["holds"]
    assert not table["first ring at the core"] and table["establishment, cored"]
    with pytest.raises(ValueError, match="nominal"):
        coverage.nominal_verdict(made_up_stems([0.9], setting="grass stage +1 sd"))


def test_standard_errors_go_by_survey_not_by_tree():
    """Ten surveys, half all right and half all wrong, are ten numbers of spread 1/2, however many
    trees each has.
    """
    mean, se = coverage.clustered_mean(
        np.repeat([0.0, 1.0] * 5, 100), np.repeat(np.arange(10), 100)
    )
    assert mean == 0.5 and se == pytest.approx(math.sqrt(0.25 * 10 / 9 / 10))
    assert math.isnan(coverage.clustered_mean(np.ones(5), np.zeros(5))[1])
    alone = np.random.default_rng(1).random(500)
    assert coverage.clustered_mean(alone, np.arange(500))[1] == pytest.approx(
        alone.std(ddof=1) / math.sqrt(500)
    )


def test_truth_off_by_a_standard_deviation_moves_the_answers_by_the_years_told():
    stems = pd.concat(
        [
            made_up_stems([0.92] * 5),
            made_up_stems([0.8] * 5, setting="grass stage +1 sd", error=4.0),
            made_up_stems([0.6] * 5, setting="grass stage -1 sd", error=-2.5),
            made_up_stems([0.995] * 5, setting="early growth +1 sd", error=1.5),
        ]
    )
    table = (
        coverage.off_verdict(stems)
        .groupby("setting")[["moved", "holds"]]
        .agg({"moved": "mean", "holds": "all"})
    )
    assert (
        table.loc["grass stage +1 sd", "moved"] == pytest.approx(2.5)
        and table.loc["grass stage +1 sd", "holds"]
    )
    assert (
        table.loc["grass stage -1 sd", "moved"] == pytest.approx(-4.0)
        and not table.loc["grass stage -1 sd", "holds"]
    )
    assert not table.loc["early growth +1 sd", "holds"]  # intervals too wide to mean anything


def test_groups_by_age_and_the_report_tell_what_fails():
    assert [coverage.age_class(age) for age in (49.9, 50, 100, 100.1)] == [
        "under 50",
        "50-100",
        "50-100",
        "over 100",
    ]
    amounts = [
        {"table": "cohorts", "name": "stems per ha", "hit": 1},
        {"table": "cohorts", "name": "stems per ha", "hit": 0},
    ]
    frame = nested(made_up_stems([0.7] * 3))
    frame["amounts"] = [amounts] * 3
    text = coverage.report(frame)
    assert (
        "| establishment, all trees | 3 | 600 | 0.700 | 0.920 | -0.220 |" in text
        and "| NO |" in text
    )
    assert "| cohorts | stems per ha | 3 | 6 | 0.500 |" in text
    assert "| core | over 100 | 3 |" in text and "| establishment_year | pith | 3 |" in text


def test_recorded_centres_are_told_apart_by_their_evidence():
    blank = {
        "rings_to_pith": None,
        "pith_distance_mm": None,
        "first_ring_year": 1930,
        "ring_count": None,
    }
    cores = pd.DataFrame(
        [
            blank | {"tree": "a", "centre": "arcs"},
            blank | {"tree": "b", "centre": "arcs", "pith_distance_mm": 8.0},
            blank | {"tree": "c", "centre": "arcs", "rings_to_pith": 4},
            blank | {"tree": "d", "centre": "rotten", "first_ring_year": None},
            blank | {"tree": "e", "centre": "unknown"},
            blank | {"tree": "f", "centre": "pith"},
            blank | {"tree": "f", "centre": "arcs"},
        ]
    )
    kinds = {
        "a": "arcs",
        "b": "circles",
        "c": "reader's own number",
        "d": "hollow",
        "e": "unknown",
        "f": "several",
    }
    assert coverage.recorded_centres(cores) == kinds


def test_outcomes_of_a_fitted_survey_are_those_of_its_written_tables(simulated, simulated_fit):
    tables = coverage.as_written(Findings(simulated_fit).tables)
    rows = pd.DataFrame(
        coverage.stem_outcomes(
            simulated, simulated_fit, tables["tree_dates"], np.random.default_rng(0)
        )
    )
    established = rows[rows["what"] == "establishment_year"]
    dates = tables["tree_dates"].set_index("tree")
    truth = simulated.truth["trees"].set_index("tree")["establishment_year"].astype(int)
    dated = dates.dropna(subset="establishment_year_low")
    inside = (dated["establishment_year_low"] <= truth[dated.index]) & (
        truth[dated.index] <= dated["establishment_year_high"]
    )
    assert len(established) == len(dated) and established["hit"].sum() == inside.sum()
    assert (rows["mass"] >= 0.88).all() and rows[
        "mass"
    ].mean() < 0.97  # whole years hold a little more than 90 %
    assert (rows.loc[rows["what"] == "coring_height_year", "by"] == "core").all()
    amounts = pd.DataFrame(
        coverage.amount_outcomes(simulated, load_profile("longleaf-pine"), tables)
    )
    assert set(amounts["table"]) == {"cohorts", "stand_summary", "parameters"}
    assert amounts.groupby("table")["hit"].mean().min() > 0.5
    doubled = tables | {
        "cohorts": (
            tables["cohorts"].assign(**{f"stems_per_ha_{end}": 1e9 for end in ("low", "high")})
        )
    }
    wrong = pd.DataFrame(
        coverage.amount_outcomes(simulated, load_profile("longleaf-pine"), doubled)
    ).query("name == 'stems per ha'")
    assert wrong.query("table == 'cohorts'")["hit"].sum() == 0


def test_share_of_stems_is_that_of_the_simulated_plants(simulated):
    """The middle one is listed once it is past the grass stage, at breast height, and has grown to
    the least diameter."""
    truth = simulated.truth["parameters"].set_index("name")["value"]
    ages = np.arange(0, 90)
    share = coverage.share_of_stems(simulated, load_profile("longleaf-pine"), ages)
    middle = int(np.searchsorted(share, 0.5))
    assert share[0] == 0 and share[-1] > 0.99
    grown = 5.0 / truth["growth_cm_per_year"]
    waited = truth["grass_median_years"] + truth["years_to_breast_height"]
    assert middle == pytest.approx(waited + grown, rel=0.2)


def test_the_true_pulse_is_held_to_the_row_that_overlaps_it():
    row = {
        "start_low": 1929,
        "start_median": 1931,
        "start_high": 1933,
        "centre_low": 1937,
        "centre_median": 1938,
        "centre_high": 1940,
        "end_low": 1938,
        "end_median": 1941,
        "end_high": 1944,
        "probability": 0.99,
    }
    elsewhere = {
        name: value - 60 if name != "probability" else value for name, value in row.items()
    }
    outcome = coverage.pulse_outcome(pd.DataFrame([row, elsewhere]))
    assert (outcome["found"], outcome["others"]) == (1, 1)
    assert (outcome["start_hit"], outcome["end_hit"], outcome["centre_hit"]) == (
        1,
        1,
        0,
    )  # the true centre is near 1935
    assert coverage.pulse_outcome(pd.DataFrame([elsewhere])) == {"found": 0, "others": 1}


def made_up_departures(shares: dict[str, float], warned: dict[str, int]) -> pd.DataFrame:
    frames = []
    for departure, share in shares.items():
        frame = nested(
            made_up_stems([share] * 4, error=1.0 if departure == wrong_assumptions.NONE else 3.0)
        ).rename(columns={"setting": "departure"})
        frame["departure"] = departure
        frame["warnings"] = [["The model fits poorly"]] * warned[departure] + [[]] * (
            4 - warned[departure]
        )
        frame["far_parameters"] = [["dbh_scatter"], [], [], []]
        frame["pulses"] = [[[1900, 1910]], [], [], []]
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def test_wrong_answers_without_a_warning_are_flagged_and_no_others():
    shares = {
        wrong_assumptions.NONE: 0.92,
        "grass stage bimodal": 0.6,
        "rot by age, neighbours cored": 0.6,
        "early deaths a third": 0.85,
    }
    warned = {
        wrong_assumptions.NONE: 0,
        "grass stage bimodal": 1,
        "rot by age, neighbours cored": 3,
        "early deaths a third": 0,
    }
    table = wrong_assumptions.summary(made_up_departures(shares, warned)).set_index("assumption")
    assert table["flag"].to_dict() == dict(zip(shares, (False, True, False, False), strict=True))
    assert table["warned"].to_dict() == dict(zip(shares, (0.0, 0.25, 0.75, 0.0), strict=True))
    assert (table["false_pulse"] == 0.25).all() and (table["far_parameter"] == 0.25).all()
    usual = wrong_assumptions.summary(
        made_up_departures(shares, warned | {wrong_assumptions.NONE: 2})
    ).set_index("assumption")
    assert usual.loc[
        "rot by age, neighbours cored", "flag"
    ]  # three in four say little where two in four come without any reason
    assert table.loc["grass stage bimodal", "change_cored"] == pytest.approx(2.0)
    assert math.isnan(table.loc[wrong_assumptions.NONE, "change_cored"])


def test_the_table_of_departures_says_yes_where_it_is_wrong_and_silent():
    shares, warned = (
        {wrong_assumptions.NONE: 0.92, "grass stage bimodal": 0.6},
        {wrong_assumptions.NONE: 0, "grass stage bimodal": 1},
    )
    frame = made_up_departures(shares, warned)
    table = wrong_assumptions.report(frame).split("####")[0]
    lines = {
        line.split(" | ")[0].strip("| "): line
        for line in table.splitlines()
        if line.startswith("|")
    }
    assert lines["grass stage bimodal"].endswith("| YES |")
    assert "YES" not in lines[
        wrong_assumptions.NONE
    ] and "| 92.0 ± 0.0 |" in wrong_assumptions.report(frame)
    with pytest.raises(ValueError, match="all 8 surveys failed"):
        wrong_assumptions.report(frame.assign(error="KeyError: x"))
    failed = frame.assign(error=["KeyError: x", *[""] * (len(frame) - 1)])
    assert wrong_assumptions.report(failed).startswith(f"{len(frame) - 1} surveys, 1 failed")


def test_warnings_are_those_about_the_data_and_far_is_outside_the_prior():
    notes = [
        "The chains disagree (R-hat 1.02, should be under 1.01).",
        "Too few effective draws.",
        "3 draws diverged, too few to matter.",
        "The chains agree and the model reproduces the counts and diameters.",
        (
            "This was a short run of 500 draws: that it fails says nothing of what the survey could"
            " tell."
        ),
        "The model fits 'a: grass counted' poorly: 3 seen.",
    ]
    assert wrong_assumptions.warnings_about_the_data(notes) == notes[-1:]
    table = pd.DataFrame(
        {
            "name": ["a", "b", "c"],
            "prior_low": 1.0,
            "prior_high": 2.0,
            "posterior_median": [0.9, 1.5, 2.1],
        }
    )
    assert wrong_assumptions.far_parameters(table) == ["a", "c"]


def test_every_departure_is_one_the_simulator_knows_and_seeds_are_shared():
    from standage.simulate.departures import Departures

    for knobs in wrong_assumptions.DEPARTURES.values():
        departures = Departures(**{name: value for name, value in knobs.items() if name != "cuts"})
        assert (departures == Departures()) == (not set(knobs) - {"cuts"})
    listed = pd.DataFrame(wrong_assumptions.jobs(3))
    assert (listed.groupby("departure")["seed"].apply(list).map(tuple) == (0, 1, 2)).all()
    assert listed["departure"].nunique() == len(wrong_assumptions.DEPARTURES) >= 17
    nominal = pd.DataFrame(coverage.jobs(100)).groupby("setting").size()
    assert (
        nominal["nominal"] == 100
        and (nominal.drop("nominal") == 20).all()
        and set(nominal.index) == set(coverage.SETTINGS)
    )
