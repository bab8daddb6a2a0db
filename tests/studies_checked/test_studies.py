"""What every study stands on: runs that can be stopped and taken up again, and the arithmetic of
calibration, on made-up rows.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from studies import calibration, runner
from studies.calibration import (
    QUANTITIES,
    calibration_report,
    calibration_table,
    holm,
    passes,
    rank_of_truth,
    uniformity_p,
    with_number,
)
from studies.prior_surveys import (
    AXIS_YEARS,
    Size,
    counting_pmf,
    draw_unknowns,
    life_history,
    living_per_ha,
    prior_survey,
)
from studies.runner import finished_rows, run_study
from study_tasks import DONE, square

from standage.profiles import load_profile, models_folder
from standage.survey.reading import read_survey


@pytest.fixture(autouse=True)
def nothing_done():
    DONE.clear()


def seeds(count: int) -> list[dict]:
    return [{"seed": seed} for seed in range(count)]


# the runner


def test_a_second_run_does_only_what_is_left(tmp_path):
    first = run_study("squares", seeds(3), square, folder=tmp_path, workers=0, tell=False)
    assert DONE == [0, 1, 2]
    again = run_study("squares", seeds(5)[::-1], square, folder=tmp_path, workers=0, tell=False)
    assert DONE == [0, 1, 2, 4, 3]
    assert first["square"].tolist() == [0, 1, 4] and again["seed"].tolist() == [4, 3, 2, 1, 0]
    assert again["shape"].iloc[0] == [0, 1]


def test_a_job_that_raises_is_kept_with_its_error_and_tried_again(tmp_path, capsys):
    rows = run_study("squares", seeds(5), square, folder=tmp_path, workers=0)
    assert len(rows) == 5 and rows["error"].iloc[3].startswith(
        "ValueError: three is not to be had (study_tasks.py, line "
    )
    assert (rows["error"].drop(3) == "").all() and math.isnan(rows["square"].iloc[3])
    assert "5 of 5, 1 failed" in capsys.readouterr().err
    DONE.clear()
    assert len(run_study("squares", seeds(5), square, folder=tmp_path, workers=0, tell=False)) == 5
    assert DONE == [3]
    assert len(finished_rows("squares", folder=tmp_path)) == 5


def test_a_half_written_last_line_is_done_again(tmp_path):
    run_study("squares", seeds(3), square, folder=tmp_path, workers=0, tell=False)
    file = tmp_path / "squares.jsonl"
    file.write_bytes(file.read_bytes()[:-20])
    DONE.clear()
    rows = run_study("squares", seeds(3), square, folder=tmp_path, workers=0, tell=False)
    assert DONE == [2] and rows["square"].tolist() == [0, 1, 4]
    assert [json.loads(line)["job"]["seed"] for line in file.read_text().splitlines()] == [0, 1, 2]


def test_a_broken_line_in_the_middle_is_told(tmp_path):
    run_study("squares", seeds(2), square, folder=tmp_path, workers=0, tell=False)
    file = tmp_path / "squares.jsonl"
    file.write_text("rubbish\n" + file.read_text())
    with pytest.raises(ValueError, match="line 1"):
        run_study("squares", seeds(2), square, folder=tmp_path, workers=0, tell=False)


def test_other_sources_start_anew_and_leave_the_old_rows_alone(tmp_path, monkeypatch):
    run_study("squares", seeds(2), square, folder=tmp_path, workers=0, tell=False)
    monkeypatch.setattr(runner, "sources_hash", lambda: "other")
    assert finished_rows("squares", folder=tmp_path).empty
    run_study("squares", seeds(2), square, folder=tmp_path, workers=0, tell=False)
    assert DONE == [0, 1, 0, 1]
    monkeypatch.undo()
    assert len(finished_rows("squares", folder=tmp_path)) == 2


def test_equal_jobs_are_refused(tmp_path):
    with pytest.raises(ValueError, match="two jobs"):
        run_study(
            "squares", [{"seed": 1}, {"seed": 1}], square, folder=tmp_path, workers=0, tell=False
        )


@pytest.mark.slow
def test_processes_of_their_own_give_the_same_rows(tmp_path):
    here = run_study("here", seeds(5), square, folder=tmp_path, workers=0, tell=False).drop(
        columns="seconds"
    )
    there = run_study("there", seeds(5), square, folder=tmp_path, workers=2, tell=False).drop(
        columns="seconds"
    )
    here["error"], there["error"] = (rows["error"].str.split("(").str[0] for rows in (here, there))
    pd.testing.assert_frame_equal(here, there)


def test_rows_go_under_the_folder_for_caches(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert runner.default_folder() == tmp_path / "standage" / "studies"


# ranks and their test


def made_up_rows(ranks_of, surveys: int = 300, seed: int = 1) -> pd.DataFrame:
    """Rows as the study has them, with uniform ranks but for the quantities that `ranks_of` gives a
    function of (rng, surveys).
    """
    rng = np.random.default_rng(seed)
    rows = {
        "error": [""] * surveys,
        "stems": 100,
        "cores": 30,
        "divergences": 0,
        "refused": [{"too many stems": 2}] * surveys,
    }
    for name in QUANTITIES:
        draw = ranks_of.get(name, lambda rng, n: rng.random(n))
        rows |= {f"rank {name}": draw(rng, surveys), f"draws {name}": 99}
    return pd.DataFrame(rows)


@pytest.mark.slow
def test_uniform_ranks_pass_but_for_one_study_in_twenty():
    """100 studies of uniform ranks: more than 12 failing would be chance in one of 700 runs, none
    in one of 170.
    """
    failing = sum(not passes(calibration_table(made_up_rows({}, seed=seed))) for seed in range(100))
    assert 1 <= failing <= 12


WRONG_RANKS = {
    "too old by half a standard deviation": lambda rng, n: stats.norm.cdf(
        rng.standard_normal(n) - 0.5
    ),
    "intervals too narrow by a third": lambda rng, n: stats.norm.cdf(1.5 * rng.standard_normal(n)),
    "intervals too wide by a half": lambda rng, n: stats.norm.cdf(rng.standard_normal(n) / 1.5),
    "one in ten far out": lambda rng, n: np.where(
        rng.random(n) < 0.1, rng.random(n) / 200, rng.random(n)
    ),
}


@pytest.mark.parametrize("wrong", WRONG_RANKS)
@pytest.mark.parametrize("name", [QUANTITIES[0], QUANTITIES[-1]])
def test_wrong_ranks_of_one_quantity_fail(wrong, name):
    table = calibration_table(made_up_rows({name: WRONG_RANKS[wrong]}))
    assert not passes(table)
    assert table.set_index("quantity")["corrected"].idxmin() == name


def test_false_alarms_are_as_many_as_promised():
    """1,000 times 100 uniform ranks: at a level of 10 % between 7.3 and 12.9 % alarms but for 1 run
    in 400.
    """
    rng = np.random.default_rng(2)
    alarms = np.mean([uniformity_p(rng.random(100), trials=20_000) <= 0.1 for _ in range(1000)])
    assert 0.073 < alarms < 0.129


def test_holm_against_figures_worked_by_hand():
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.9, 0.6]) == pytest.approx([1.0, 1.0])


def test_ranks_of_a_truth_like_the_draws_are_uniform_ties_and_all():
    rng = np.random.default_rng(3)
    whole = [
        rank_of_truth(rng.poisson(2, (2, 150)).astype(float), float(rng.poisson(2)), rng)[0]
        for _ in range(400)
    ]
    single = [
        rank_of_truth(rng.standard_normal((2, 30)), float(rng.standard_normal()), rng)[0]
        for _ in range(400)
    ]
    assert (
        stats.kstest(whole, "uniform").pvalue > 0.001
        and stats.kstest(single, "uniform").pvalue > 0.001
    )
    moved = [
        rank_of_truth(rng.poisson(2, (2, 150)).astype(float), float(rng.poisson(2) + 1), rng)[0]
        for _ in range(400)
    ]
    assert stats.kstest(moved, "uniform").pvalue < 1e-6


def test_draws_that_hang_together_are_thinned():
    rng = np.random.default_rng(4)
    steps = rng.standard_normal((2, 500))
    for k in range(1, 500):
        steps[:, k] = 0.95 * steps[:, k - 1] + math.sqrt(1 - 0.95**2) * steps[:, k]
    assert len(calibration.thinned(rng.standard_normal((2, 500)))) == 99
    assert len(calibration.thinned(steps)) < 60
    assert len(calibration.thinned(np.ones((2, 500)))) == 99


def test_surveys_that_failed_are_counted_not_ranked():
    rows = made_up_rows({}, surveys=40)
    failed = pd.DataFrame({"error": ["StandageError: no"] * 3})
    report = calibration_report(pd.concat([rows, failed], ignore_index=True), "")
    assert (
        "40 surveys, 3 fits ended in an error" in report
        and "too many stems 80" in report
        and "PASSES" in report
    )
    assert "FAILS" in calibration_report(
        made_up_rows({"level": lambda rng, n: rng.random(n) ** 2}), "density-for-pmf"
    )


# the wrong models, and the surveys


def test_a_wrong_profile_differs_in_one_number_only():
    text = (models_folder() / "longleaf-pine.toml").read_text(encoding="utf-8")
    changed = with_number(text, "grass_stage", "median_years", 6.5)
    differing = [
        (a, b) for a, b in zip(text.splitlines(), changed.splitlines(), strict=True) if a != b
    ]
    assert (
        len(differing) == 1
        and differing[0][0].startswith("median_years")
        and "6.5" in differing[0][1]
    )
    with pytest.raises(ValueError, match="0 numbers"):
        with_number(text, "survival", "median_years", 6.5)


def test_the_wrong_evidence_reaches_the_model_and_is_taken_back(tmp_path):
    from standage.evidence import core

    right = core.missing_rings_pmf(np.array([2.0]), np.array([0.5]), 30)
    with calibration.wrong_model("density-for-pmf", tmp_path):
        wrong = core.missing_rings_pmf(np.array([2.0]), np.array([0.5]), 30)
    assert wrong[0, 5:] == pytest.approx(right[0, 5:] * np.arange(5, 31))
    assert np.array_equal(core.missing_rings_pmf(np.array([2.0]), np.array([0.5]), 30), right)
    with (
        pytest.raises(ValueError, match="no wrong model"),
        calibration.wrong_model("other", tmp_path),
    ):
        pass


def test_counts_given_true_rings_sum_to_nearly_one():
    """The surveys' counts fail with what is left of one after division by 1.08; more than one would
    be no probability.
    """
    profile = load_profile("longleaf-pine")
    counted = np.arange(1, 2001)
    for rings in (3, 30, 300):
        for delta in (-4.0, 0.0, 4.0):
            total = counting_pmf(counted, rings, delta, profile, None).sum() / 1.08
            assert 0.75 < total <= 1.0, (rings, delta)


def test_a_drawn_survey_is_read_without_complaint_and_is_what_was_asked_for(tmp_path):
    size = Size(stems=(15, 120), cores=(8, 12), plots=2, subplots_per_plot=2)
    drawn, again = prior_survey(5, size), prior_survey(5, size)
    survey = read_survey(drawn.survey.write(tmp_path / "survey"))
    assert drawn.truth == again.truth and drawn.survey.tables["cores"].equals(
        again.survey.tables["cores"]
    )
    assert (
        len(survey.trees) == drawn.stems
        and 15 <= drawn.stems <= 120
        and len(survey.cores) == drawn.cores >= 8
    )
    assert drawn.cored_tree in set(survey.cores["tree"]) and drawn.uncored_tree not in set(
        survey.cores["tree"]
    )
    assert survey.cores["height_cm"].mode().iloc[0] == 30


def test_unknowns_are_standard_normal_and_the_level_is_among_them():
    """2,000 draws: a mean beyond 0.1 or a standard deviation beyond 7 % off would be chance in one
    of some 10,000 runs.
    """
    rng = np.random.default_rng(6)
    drawn = [draw_unknowns(rng) for _ in range(2000)]
    for name in ("level", "early", "plot_dispersion", "grass_median", "counting"):
        values = np.array([z[name] for z in drawn])
        assert abs(values.mean()) < 0.1 and abs(values.std() - 1) < 0.07, name
    knots = np.array([z["pulse_knots"] for z in drawn])
    assert knots.shape[1] == 61 and np.abs(knots.std(axis=0) - 1).max() < 0.1
    assert np.corrcoef(knots[:, 10], knots[:, 11])[0, 1] == pytest.approx(
        math.exp(-4 / 8), abs=0.07
    )


def test_the_drawn_history_is_the_models_own_at_the_same_unknowns(tmp_path):
    """A second writing of the model page gives the same stems alive by year as the model, to
    rounding.
    """
    from standage.stand.build import build_stands
    from standage.stand.parameters import pack
    from standage.stand.states import unit_state

    drawn = prior_survey(7, Size(stems=(15, 120), cores=(8, 12), plots=2, subplots_per_plot=2))
    with calibration.fixed_axis():
        data = build_stands(read_survey(drawn.survey.write(tmp_path / "survey"))).data
    assert data.n_years == AXIS_YEARS
    shared = {"plot_dispersion", "count_dispersion"}
    vector = pack(
        {
            name: value if name in shared else [value]
            for name, value in (drawn.z | {"removal": [], "release": []}).items()
        },
        data,
    )
    state = unit_state(vector[None], data, 0)
    profile = load_profile("longleaf-pine")
    life = life_history(drawn.z, profile)
    assert state.living[0] == pytest.approx(living_per_ha(drawn.z, life, profile), rel=1e-9)
    assert state.delays.median_grass_years[0] == pytest.approx(
        drawn.truth["grass-stage median"], rel=1e-12
    )
    assert state.growth[0] == pytest.approx(drawn.truth["diameter growth"], rel=1e-12)
