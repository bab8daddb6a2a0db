"""The list of cores to read once more: its arithmetic by hand, a misread planted in a survey."""

import numpy as np
import pandas as pd
import pytest

from standage.findings import Findings
from standage.findings.rereading import SURELY, _gain, _median
from standage.prose.cautions import cautions
from standage.prose.measures import Measures
from standage.prose.tree_story import TreeRecord, tree_story
from standage.simulate.history import SurveyDesign
from standage.simulate.surveys import small_survey
from standage.stand.fit import fit_stands
from standage.stand.posterior import load_posterior
from standage.survey.reading import read_survey

ADDED = 45  # rings counted too many


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    """The core that was misread, a sister core at its height that was not, and the posterior of a
    survey in which all cores are counted.
    """
    design = SurveyDesign(
        plot_areas_m2=(2000.0, 2000.0),
        cores=20,
        centres={"pith": 1.0},
        datings={"counted": 1.0},
        second_core_share=0.0,
    )
    simulated = small_survey(11, stems=50, cores=20, design=design, pulse=None)
    cores = simulated.tables["cores"]
    row = int(np.argmin(cores["ring_count"].astype(float)))
    core, sister = cores.at[row, "core"], f"{cores.at[row, 'core']}-2"
    second = cores.loc[[row]].assign(core=sister)
    cores.loc[row, "ring_count"] = cores.loc[row, "ring_count"] + ADDED
    simulated.tables["cores"] = pd.concat([cores, second], ignore_index=True)
    survey = read_survey(simulated.write(tmp_path_factory.mktemp("misread") / "survey"))
    return core, sister, fit_stands(survey, seed=1, chains=2, cores=1, draws=100, tune=100)


def test_of_two_cores_of_a_tree_that_differ_one_is_misread(planted):
    core, sister, posterior = planted
    table = Findings(posterior).rereading.set_index("core")
    assert len(table) == len(posterior.survey.cores)
    assert table["rank"].tolist() == list(range(1, len(table) + 1))
    assert core in table.index[:2]
    chance = table["misread_probability"]
    assert chance.idxmax() == core
    # one of the two is misread
    assert chance[[core, sister]].sum() > 0.9
    assert chance.drop([core, sister]).median() < 0.06
    # the date follows the sister, and not the count that is too long
    rings = posterior.survey.cores.set_index("core").at[core, "ring_count"]
    assert table.at[core, "tree_year_median"] > 2023 - rings + 1 + ADDED / 2
    both = (table["tree_gain_years"] + table["oldest_gain_years"])[chance < SURELY]
    assert both.is_monotonic_decreasing


def test_the_core_is_named_where_a_result_is_read(planted):
    core, _, posterior = planted
    findings = Findings(posterior)
    words = [each for each in cautions(findings) if "Read these cores again" in each]
    assert len(words) == 1 and core in words[0]
    tree = posterior.survey.cores.set_index("core").at[core, "tree"]
    (row,) = findings.tree_dates[findings.tree_dates["tree"] == tree].to_dict("records")
    story = tree_story(TreeRecord(row), Measures())
    assert any("read the core again" in each for each in story.remarks)


def test_each_tree_has_the_chance_of_its_core(planted):
    _, _, posterior = planted
    dates = Findings(posterior).tree_dates.set_index("tree")["misread_probability"]
    tree = posterior.survey.cores.set_index("core")["tree"]
    for name, of_tree in tree[list(posterior.misread)].groupby(tree):
        own = posterior.misread[list(of_tree.index)].mean().max()
        assert dates[name] == pytest.approx(own)
    assert dates.drop(tree[list(posterior.misread)]).isna().all()


def test_chances_survive_their_file(planted, tmp_path):
    _, _, posterior = planted
    posterior.save(tmp_path / "p.nc")
    pd.testing.assert_frame_equal(load_posterior(tmp_path / "p.nc").misread, posterior.misread)


def test_a_gain_is_the_error_that_a_sure_reading_takes_away():
    years = np.array([1900.0] * 80 + [1940.0] * 20)
    misread = np.where(years == 1940, 1.0, 0.0)
    # now: 20 in 100 are 40 years off the median; once sure, none is
    assert _gain(years, misread) == pytest.approx(8.0)
    assert _median(years, misread) == 1940 and _median(years, 1 - misread) == 1900
    assert np.isnan(_median(years, misread * 0.01))  # a fifth of a draw
    assert _gain(years, np.full(100, 0.5)) == 0.0  # misread or not, the year is the same


def test_nothing_is_promised_of_a_core_that_is_hardly_ever_right():
    years = np.random.default_rng(2).normal(1900.0, 12.0, 4000)
    assert _gain(years, np.full(4000, 0.998)) < 1.0
    assert np.isnan(_gain(years, np.full(4000, 0.9995)))
