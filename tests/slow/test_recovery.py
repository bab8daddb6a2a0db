"""Known truth: the dates of simulated surveys lie in their posteriors as often, and as evenly, as
the posteriors say.

If history, delays and readings come from the priors and the model is right, the true years are one
more joint draw of the posterior. So the spread of any summary of "how well the posterior hits",
over posterior draws taken for the truth in turn, is what the summary of the real truth has to lie
in. This allows for what the trees of a stand share (delays, early growth, counting), which a
binomial count of hits would not. Each check below fails a right model once in 1,000 runs; the seeds
are fixed. A wrong truth has to fail the same check.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standage.simulate.surveys import small_survey
from standage.stand.fit import fit_stands
from standage.survey.reading import read_survey

pytestmark = pytest.mark.slow

FALSE_ALARM = 0.001
LEVEL = 0.9


def ranks(draws: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Share of the draws `(draw, tree)` below each tree's true year, half of those equal to it:
    uniform on 0..1 if all is right.
    """
    return (draws < truth).mean(axis=0) + 0.5 * (draws == truth).mean(axis=0)


def hits(draws: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Whether each truth lies between the points that hold 90 % of the draws."""
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    return (low <= truth) & (truth <= high)


SUMMARIES = {
    "mean rank (too old or too young)": lambda draws, truth: ranks(draws, truth).mean(),
    "spread of ranks (too sure or too unsure)": (
        lambda draws, truth: ((ranks(draws, truth) - 0.5) ** 2).mean()
    ),
    "share within the 90 % intervals": lambda draws, truth: hits(draws, truth).mean(),
}


def chance(summary, surveys: list[tuple[np.ndarray, np.ndarray]], seed: int = 1) -> float:
    """Two-sided chance of a summary as far out as that of the truth, over surveys `(draws (draw,
    tree), truth (tree,))` together.
    """
    rng, weights = np.random.default_rng(seed), np.array([len(truth) for _, truth in surveys])
    seen = np.average([summary(draws, truth) for draws, truth in surveys], weights=weights)
    by_survey = [np.array([summary(draws, one) for one in draws]) for draws, _ in surveys]
    simulated = np.average(
        [rng.choice(values, 50_000) for values in by_survey], axis=0, weights=weights
    )
    above = (simulated > seen - 1e-12).mean()
    below = (simulated < seen + 1e-12).mean()
    return float(min(1.0, 2 * min(above, below)))


TRUE_COLUMN = {"establishment_year": "establishment_year", "year_at_core": "year_at_core_height"}


def known(posterior, simulated, what: str, *, cored: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """Draws `(draw, tree)` and truth `(tree,)` of the listed trees: of establishment, or of the
    first ring at the core.
    """
    truth = (
        posterior.trees["tree"]
        .map(simulated.truth["trees"].set_index("tree")[TRUE_COLUMN[what]].astype(float))
        .to_numpy(float)
    )
    drawn = getattr(posterior, what)
    usable = (
        (posterior.trees["cored"].to_numpy(bool) == cored)
        & (drawn >= 0).all(axis=0)
        & np.isfinite(truth)
    )
    return drawn[:, usable].astype(float), truth[usable]


@pytest.fixture(scope="module")
def more_surveys(tmp_path_factory):
    """Two surveys whose whole history is drawn from the prior, with their fits."""
    pairs = []
    for seed in (11, 12):
        simulated = small_survey(seed, stems=50, cores=25, from_prior=True)
        survey = read_survey(simulated.write(tmp_path_factory.mktemp("recovery") / str(seed)))
        pairs.append((fit_stands(survey, seed=1, draws=300, tune=400, chains=2), simulated))
    return pairs


@pytest.fixture(scope="module")
def all_surveys(more_surveys, simulated_fit, simulated):
    return [(simulated_fit, simulated), *more_surveys]


WHAT = ("establishment_year", "year_at_core")


@pytest.mark.parametrize("summary", SUMMARIES)
@pytest.mark.parametrize("what", WHAT)
def test_true_years_of_cored_trees_are_like_draws_of_the_posterior(what, summary, all_surveys):
    surveys = [known(posterior, simulated, what) for posterior, simulated in all_surveys]
    assert [len(truth) >= 15 for _, truth in surveys] == [True] * 3
    assert chance(SUMMARIES[summary], surveys) > FALSE_ALARM


@pytest.mark.parametrize("years", [-6, 6])
@pytest.mark.parametrize("what", WHAT)
def test_a_truth_six_years_off_is_noticed(what, years, all_surveys):
    """The check above has the power to see an error of about one standard deviation of a tree's
    date, shared by all.
    """
    surveys = [known(posterior, simulated, what) for posterior, simulated in all_surveys]
    moved = [(draws, truth + years) for draws, truth in surveys]
    assert chance(SUMMARIES["mean rank (too old or too young)"], moved) < FALSE_ALARM


@pytest.mark.parametrize(
    "summary", ["spread of ranks (too sure or too unsure)", "share within the 90 % intervals"]
)
@pytest.mark.parametrize("what", WHAT)
def test_intervals_a_third_as_wide_are_noticed(what, summary, all_surveys):
    surveys = [known(posterior, simulated, what) for posterior, simulated in all_surveys]
    too_sure = [
        (draws.mean(axis=0) + (draws - draws.mean(axis=0)) / 3, truth) for draws, truth in surveys
    ]
    assert chance(SUMMARIES[summary], too_sure) < FALSE_ALARM


@pytest.mark.parametrize("summary", SUMMARIES)
def test_true_years_of_stems_known_by_size_are_like_draws_of_the_posterior(summary, all_surveys):
    surveys = [
        known(posterior, simulated, "establishment_year", cored=False)
        for posterior, simulated in all_surveys
    ]
    assert sum(len(truth) for _, truth in surveys) > 100
    assert chance(SUMMARIES[summary], surveys) > FALSE_ALARM


def test_true_delays_and_growth_lie_in_wide_intervals(simulated_fit, simulated):
    """Intervals of 99.8 %, taken as normal on the log scale: five numbers, so a false alarm in 100
    runs.
    """
    truth = simulated.truth["parameters"].set_index("name")["value"].astype(float)
    found = simulated_fit.parameters.set_index("name")
    names = {
        "grass_stage_median_years": "grass_median_years",
        "years_to_breast_height": "years_to_breast_height",
        "dbh_growth_cm_per_year": "growth_cm_per_year",
        "dbh_asymptote_cm": "asymptote_cm",
        "dbh_scatter": "size_scatter",
    }
    for name, true_name in names.items():
        low, middle, high = np.log(
            found.loc[name, ["posterior_low", "posterior_median", "posterior_high"]].to_numpy(float)
        )
        assert abs(np.log(truth[true_name]) - middle) < 3.1 * (high - low) / (2 * 1.645), name


def test_share_of_the_listed_stems_in_the_true_pulse(simulated_fit, simulated):
    """Half of the stems came in 1930-1941; which of them did is known. The whole posterior but 0.1
    % has to hold the true share.
    """
    truth = simulated.truth["trees"].set_index("tree")["establishment_year"].astype(float)
    trees = simulated_fit.trees["tree"]
    years = simulated_fit.establishment_year
    dated = (years >= 0).all(axis=0) & trees.isin(truth.index).to_numpy()
    true_share = truth[trees[dated]].between(1930, 1941).mean()
    share = ((years[:, dated] >= 1930) & (years[:, dated] <= 1941)).mean(axis=1)
    assert true_share > 0.3
    assert np.quantile(share, 0.0005) <= true_share <= np.quantile(share, 0.9995)
    flat = 12 / (
        simulated_fit.units[0].season - truth.min()
    )  # what an even history would hold in twelve years
    assert np.median(share) > 2.5 * flat


def test_dates_keep_to_what_is_certain(simulated_fit):
    """No tree is dated after its innermost ring or the survey, and none established after its first
    ring at the core.
    """
    posterior = simulated_fit
    established, at_core, trees = (
        posterior.establishment_year,
        posterior.year_at_core,
        posterior.trees,
    )
    both = (established >= 0) & (at_core >= 0)
    assert both.any() and (established[both] <= at_core[both]).all()
    assert (
        established.max() <= posterior.units[0].season
        and established[established >= 0].min() >= posterior.years[0]
    )
    crossdated = posterior.survey.cores.query("dating == 'crossdated' and outer_ring == 'complete'")
    once = crossdated[~crossdated["tree"].duplicated(keep=False)]
    for row in once.itertuples():
        column = int(np.flatnonzero(trees["tree"] == row.tree)[0])
        if (
            trees["cored"].iloc[column]
            and np.isfinite(row.first_ring_year)
            and not np.isfinite(row.crossdated_back_to_year)
        ):
            assert at_core[:, column].max() <= row.first_ring_year, row.tree


def test_fifty_more_years_before_the_oldest_ring_change_nothing(
    simulated_fit, simulated_folder, monkeypatch
):
    """The axis begins 120 years before the oldest ring; that choice must not matter. With some 200
    effective draws in each fit the means of a tree differ by 0.1 standard deviations by chance;
    0.45 is more than four times that.
    """
    monkeypatch.setattr("standage.evidence.participation.YEARS_BEFORE_OLDEST_RING", 170)
    longer = fit_stands(read_survey(simulated_folder), seed=1, draws=300, tune=400, chains=2)
    assert longer.years[0] == simulated_fit.years[0] - 50
    assert longer.trees["tree"].tolist() == simulated_fit.trees["tree"].tolist()
    dated = (simulated_fit.establishment_year >= 0).all(axis=0)
    assert np.array_equal(dated, (longer.establishment_year >= 0).all(axis=0))
    by_axis = [fit.establishment_year[:, dated].astype(float) for fit in (simulated_fit, longer)]
    apart = (by_axis[1].mean(axis=0) - by_axis[0].mean(axis=0)) / by_axis[0].std(axis=0)
    assert np.abs(apart).max() < 0.45 and abs(apart.mean()) < 0.2
    stems = []
    for fit in (simulated_fit, longer):
        past_emerging = fit.unit(0).living * fit.unit(0).past_emerging
        stems.append(np.log(past_emerging[:, fit.years >= simulated_fit.years[0]].sum(axis=1)))
    assert abs(stems[1].mean() - stems[0].mean()) < 0.45 * stems[0].std()


def test_the_same_seed_dates_the_same_way(simulated_folder):
    """Whatever the order in which the chains' threads run."""
    survey = read_survey(simulated_folder)
    first, again = (
        fit_stands(survey, seed=4, draws=40, tune=60, chains=2, cores=cores) for cores in (2, 1)
    )
    assert np.array_equal(first.draws, again.draws)
    assert np.array_equal(first.establishment_year, again.establishment_year) and np.array_equal(
        first.year_at_core, again.year_at_core
    )
    pd.testing.assert_frame_equal(first.parameters, again.parameters)
    other = fit_stands(survey, seed=5, draws=40, tune=60, chains=2)
    assert not np.array_equal(first.draws, other.draws)
