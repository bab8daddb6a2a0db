"""Emergence after openings (docs/the-model.md, section 11): openness of events, the plain kernel as
a special case, stages that sum to one, exact draws of years, and what is said of it. The three
statements are compared in test_statements.py.
"""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from random_stand_data import random_openness, random_parameters, random_stand_data
from reference_likelihood import UnitReading
from tiny_stand import LEAST_P, Tiny, chi_square, core_at, spline_mixture, tiny

from standage.errors import StandageError
from standage.evidence.delays import grass_stage_pmf
from standage.findings.emergence_effect import emergence_effects
from standage.prose.emergence import emergence_paragraph
from standage.simulate.departures import Departures
from standage.simulate.surveys import small_survey
from standage.stand.build import build_stands
from standage.stand.data import BREAST_HEIGHT_CM, STAGES, TreeChain
from standage.stand.dating import Recruits, chain_years, size_years
from standage.stand.emergence import Emergence
from standage.stand.expected import stage_densities
from standage.stand.fit import fit_stands
from standage.stand.kernel.log_density import log_density_and_gradient
from standage.stand.openings import openness
from standage.stand.parameters import layout, pack, unpack
from standage.stand.states import unit_state
from standage.survey.reading import read_survey

OPENINGS = (109, (("establishment", True),), (True,), (2,))
YEARS = np.arange(1900, 2001)


def on_record(**event) -> SimpleNamespace:
    """A survey of which only the events are asked."""
    usual = {
        "event": "e",
        "stand": "",
        "kind": "storm",
        "first_year": 1950,
        "last_year": 1950,
        "ended_year": np.nan,
        "opens_canopy": "",
        "share_removed": np.nan,
    }
    return SimpleNamespace(events=pd.DataFrame([usual | event]))


def opened(survey, season=2000) -> dict[int, float]:
    """Openness by calendar year, of the years in which it is not 0."""
    values = openness(survey, "north", YEARS, season)
    return {
        int(year): float(value) for year, value in zip(YEARS, values, strict=False) if value != 0
    }


# openness


def test_openness_begins_in_the_season_after_and_fades():
    found = opened(on_record())
    assert list(found) == list(range(1951, 1961))
    assert found[1951] == 1.0
    assert found[1954] == pytest.approx(math.exp(-1))  # three years on


def test_an_uncertain_year_a_period_and_a_share_weigh_in():
    either = opened(on_record(first_year=1950, last_year=1951))
    assert either[1951] == pytest.approx(0.5) and either[1952] == pytest.approx(
        (1 + math.exp(-1 / 3)) / 2
    )
    period = opened(on_record(ended_year=1953))
    assert [period[year] for year in range(1951, 1955)] == [1.0] * 4 and list(period)[-1] == 1963
    assert opened(on_record(share_removed=0.4))[1951] == pytest.approx(0.4)
    two = SimpleNamespace(
        events=pd.concat([on_record(share_removed=0.4).events, on_record(share_removed=0.5).events])
    )
    assert opened(two)[1951] == pytest.approx(1 - 0.6 * 0.5)


@pytest.mark.parametrize(
    ("kind", "said", "opens"),
    [
        ("logging", "", True),
        ("thinning", "", True),
        ("insects", "", True),
        ("storm", "no", False),
        ("fire", "", False),
        ("fire", "yes", True),
        ("turpentining", "yes", True),
        ("field-abandoned", "yes", False),
        ("planting", "yes", False),
        ("seed-crop", "", False),
        ("fire-exclusion", "", False),
    ],
)
def test_which_events_open_the_canopy_above_waiting_plants(kind, said, opens):
    assert bool(opened(on_record(kind=kind, opens_canopy=said))) == opens


def test_events_elsewhere_or_after_the_survey_open_nothing():
    assert not opened(on_record(stand="south"))
    assert opened(on_record(stand="north"))
    assert not opened(on_record(), season=1950)
    assert not opened(on_record(share_removed=0.0))


# the plain kernel as a special case


def with_openness(data, values):
    return dataclasses.replace(data, units=(dataclasses.replace(data.units[0], openness=values),))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rho_of_zero_and_openness_of_zero_are_the_plain_kernel(seed):
    """To 1e-12, by all other parameters, too; the layout without openings has no further
    parameter.
    """
    data = random_stand_data(*OPENINGS)
    plain = with_openness(data, np.zeros(0))
    parameters = random_parameters(seed, data)
    (unit,) = data.units
    at_rest = {**parameters, "release": [np.array([-unit.release_mean / unit.release_sd])]}
    nothing = {**parameters, "release": [np.zeros(0)]}
    assert layout(plain).size == layout(data).size - 1
    density, gradient = log_density_and_gradient(pack(nothing, plain), plain)
    of_plain = unpack(gradient, plain)
    for same, values in (
        (data, at_rest),
        (with_openness(data, np.zeros(data.n_years)), parameters),
    ):
        found, slope = log_density_and_gradient(pack(values, same), same)
        z = values["release"][0][0]
        of_prior = -0.5 * z**2 - 0.5 * math.log(2 * math.pi)
        assert found - of_prior == pytest.approx(density, rel=1e-12)
        named = unpack(slope, same)
        for name, expected in of_plain.items():
            if name != "release":
                np.testing.assert_allclose(
                    np.concatenate(
                        [np.ravel(part) for part in named[name]]
                        if isinstance(expected, list)
                        else [np.ravel(named[name])]
                    ),
                    np.concatenate(
                        [np.ravel(part) for part in expected]
                        if isinstance(expected, list)
                        else [np.ravel(expected)]
                    ),
                    rtol=1e-9,
                    atol=1e-9,
                    err_msg=name,
                )
    moved, _ = log_density_and_gradient(pack(parameters, data), data)
    assert abs(moved - density) > 1e-3  # and another rho is something else


def test_plants_too_young_to_respond_are_not_released_and_none_waits_longer_than_the_longest():
    grass = np.array([[0.0, 0.0, 0.0, 0.5, 0.3, 0.2]])
    wide_open = Emergence(np.ones(40), np.array([5.0]), grass)
    held_back = Emergence(np.ones(40), np.array([-5.0]), grass)
    assert wide_open.leaving(np.array([10]))[0, :3].tolist() == [0, 0, 0]
    assert wide_open.leaving(np.array([10]))[0, 3] > 0.999
    assert held_back.leaving(np.array([10]))[0, 5] > 0.98
    assert held_back.leaving(np.array([10])).sum() == pytest.approx(1)


def test_a_geometric_grass_stage_keeps_its_closed_form():
    """With the same chance p every season, the chance under a hazard `c` times as high is 1 - (1 -
    p)^c in every season: textbook.
    """
    p, longest = 0.3, 12
    grass = np.array([[0.0, *(p * (1 - p) ** np.arange(longest - 1)), (1 - p) ** (longest - 1)]])
    rho = 0.8
    found = Emergence(np.ones(30), np.array([rho]), grass).leaving(np.array([5]))[0]
    faster = 1 - (1 - p) ** math.exp(rho)
    np.testing.assert_allclose(
        found[1:longest], faster * (1 - faster) ** np.arange(longest - 1), rtol=1e-12
    )


# states and draws


def test_stages_sum_to_one_in_every_year_of_establishment_and_agree_with_plain_loops():
    data = random_stand_data(*OPENINGS)
    parameters = random_parameters(5, data)
    unit, n = data.units[0], data.units[0].season_index + 1
    every, no_limit = np.arange(len(STAGES)), np.full(len(STAGES), len(data.class_edges_cm) - 1)
    all_stages = dataclasses.replace(
        data, units=(dataclasses.replace(unit, count_stage=every, count_class_low=no_limit),)
    )
    state = unit_state(np.tile(pack(parameters, data), (n, 1)), all_stages, 0)
    state = dataclasses.replace(state, living=np.eye(n)[::-1])  # draw a has one stem, of age a
    share = stage_densities(
        all_stages, 0, state, state.delays.arrival(state.living, BREAST_HEIGHT_CM)
    )
    assert all(np.all(of_stage > -1e-12) for of_stage in share.values())
    np.testing.assert_allclose(sum(share.values()), 1.0, atol=1e-10)
    reading = UnitReading(parameters, data, 0)
    for (stage, low), of_stage in share.items():
        loops = [reading.stage_probability(stage, a, low) for a in range(n)]
        np.testing.assert_allclose(of_stage, loops, atol=1e-9, err_msg=STAGES[stage])


def test_arrivals_of_the_states_agree_with_plain_loops():
    data = random_stand_data(*OPENINGS)
    parameters = random_parameters(7, data)
    state, reading = (
        unit_state(pack(parameters, data)[None], data, 0),
        UnitReading(parameters, data, 0),
    )
    for height in (10.0, 30.0, BREAST_HEIGHT_CM):
        np.testing.assert_allclose(
            state.delays.arrival(state.living, height)[0],
            reading.arrival(height),
            rtol=1e-9,
            atol=1e-12,
        )


def opened_setting(seed: int) -> Tiny:
    setting = tiny(seed)
    opening = Emergence(
        random_openness(np.random.default_rng(seed), setting.n, 1),
        np.array([1.5]),
        setting.delays.grass,
    )
    return dataclasses.replace(
        setting, delays=dataclasses.replace(setting.delays, emergence=opening)
    )


def many_of(setting: Tiny):
    opening = setting.delays.emergence
    grass = setting.repeated(opening.grass)
    return dataclasses.replace(
        setting.many(), emergence=Emergence(opening.openness, setting.repeated(opening.rho), grass)
    )


def written_out(setting: Tiny, height: float, seen: np.ndarray) -> np.ndarray:
    """P(arrival at a height, establishment), `(year, year)`, season by season, with what is seen of
    the arrival `(year,)`.
    """
    delays, n = setting.delays, setting.n
    opening = delays.emergence
    climb = delays.growth(
        (
            (height - delays.profile["grass_stage.emergence_height_cm"])
            / (BREAST_HEIGHT_CM - delays.profile["grass_stage.emergence_height_cm"])
        )
        ** delays.profile["height_growth.exponent"]
    )[0]
    grass = delays.grass[0]
    table = np.zeros((n, n))
    for t in range(n):
        waiting = setting.living[0, t]
        for s in range(t + 1, n):
            p0 = min(grass[s - t] / grass[s - t :].sum(), 1.0) if s - t < len(grass) else 1.0
            leaves = waiting * (1 - (1 - p0) ** math.exp(opening.rho[0] * opening.openness[s]))
            waiting -= leaves
            for y in range(s, n):
                table[y, t] += leaves * climb[y - s] * seen[y]
    return table / table.sum()


@pytest.mark.slow
def test_years_are_drawn_from_their_exact_conditional():
    setting, node = opened_setting(31), core_at(30.0, 3, 2)
    many, living = many_of(setting), setting.repeated(setting.living)
    nothing = np.zeros(len(living))
    recruits = Recruits(living, many, nothing, nothing)
    at_core, established = chain_years(TreeChain((node,)), recruits, None, np.random.default_rng(3))
    found = np.zeros((setting.n, setting.n))
    np.add.at(found, (at_core, established), 1)
    assert (
        chi_square(found, written_out(setting, 30.0, spline_mixture(node, 0, 0, setting.n)))
        > LEAST_P
    )
    at_rest = dataclasses.replace(setting.delays.emergence, rho=np.zeros(1))
    plain = dataclasses.replace(
        setting, delays=dataclasses.replace(setting.delays, emergence=at_rest)
    )
    assert (
        chi_square(found, written_out(plain, 30.0, spline_mixture(node, 0, 0, setting.n))) < LEAST_P
    )  # the opening would be missed
    sizes = setting.repeated(setting.sizes)
    drawn = size_years(recruits, sizes, 1, np.random.default_rng(4))
    expected = written_out(setting, BREAST_HEIGHT_CM, setting.sizes[0]).sum(axis=0)
    assert chi_square(np.bincount(drawn[:, 0], minlength=setting.n), expected) > LEAST_P


def test_what_waited_before_a_start_is_the_reverse_of_leaving():
    """With as many plants every year, P(waited g | started in s) is in proportion to P(leaves after
    g | established in s - g).
    """
    grass = grass_stage_pmf([math.exp(1.5)], 0.5, 25)
    opening = Emergence(np.r_[np.zeros(40), 1.0, 0.6, 0.3, np.zeros(40)], np.array([2.0]), grass)
    found = opening.waited(np.array([41]))[0]
    expected = np.array([0.0] + [opening.leaving(np.array([41 - g]))[0, g] for g in range(1, 26)])
    np.testing.assert_allclose(found, expected / expected.sum(), rtol=1e-12)
    np.testing.assert_allclose(
        opening.waited(np.array([10]))[0], grass[0], atol=1e-12
    )  # long before the opening


# a survey


@pytest.mark.slow
def test_emergence_is_checked_and_off_leaves_the_survey_as_it_was():
    demo_survey = read_survey(Path(__file__).parents[2] / "demo" / "longleaf-survey")
    with pytest.raises(StandageError, match="emergence can be off, on, learned, not 'yes'"):
        build_stands(demo_survey, emergence="yes")
    off = build_stands(demo_survey).data
    assert all(len(unit.openness) == 0 for unit in off.units)
    without = dataclasses.replace(demo_survey, events=demo_survey.events.iloc[:0])
    assert all(
        len(unit.openness) == 0 for unit in build_stands(without, emergence="learned").data.units
    )
    learned = build_stands(demo_survey, emergence="learned").data
    opened_stands = {unit.stand for unit in learned.units if len(unit.openness)}
    assert "oxbell-upland" in opened_stands
    assert layout(learned).size == layout(off).size + sum(
        len(unit.openness) > 0 for unit in learned.units
    )
    on = build_stands(demo_survey, emergence="on").data
    assert layout(on).size == layout(learned).size
    for prior_of in (on, learned):
        drawn = np.random.default_rng(1).standard_normal((4000, layout(prior_of).size))
        rho = unit_state(drawn, prior_of, 0).delays.emergence.rho
        expected = (1.0, 0.5) if prior_of is on else (0.0, 1.0)
        np.testing.assert_allclose(
            [rho.mean(), rho.std()], expected, atol=0.06
        )  # four standard errors of the wider one's mean


def paragraphs(posterior) -> list[str]:
    return [emergence_paragraph(effect) for effect in emergence_effects(posterior, level=0.9)]


def test_the_summary_says_what_was_learned_or_that_nothing_was():
    unit = SimpleNamespace(stand="north", species="longleaf-pine")

    normal = np.random.default_rng(1).standard_normal(1000)

    def told(rho, before=normal):
        release = [[{"release": draws[:, None]}] for draws in (before, rho)]
        return paragraphs(
            SimpleNamespace(units=[unit], delay_prior=release[0], delay_posterior=release[1])
        )

    assert "taken for granted" in told(1.2 + 0.4 * normal, before=1 + 0.5 * normal)[0]
    assert "can't be told" in told(normal)[0] and "sooner" not in told(normal)[0]
    assert (
        "sooner" in told(1.5 + 0.5 * normal)[0]
        and "about 4.5 times" in told(1.5 + 0.5 * (normal - np.median(normal)))[0]
    )
    assert "later" in told(-1.5 + 0.5 * normal)[0]
    without = SimpleNamespace(units=[unit], delay_prior=[{}], delay_posterior=[{}])
    assert paragraphs(without) == []


# known truth


def surveyed(folder, seed: int, *, tries: tuple[int, ...], grass_stage: float = 0.0):
    """A simulated survey, most of it plants of 1926-1933, with a cut of 1935 on record that
    released the waiting; and the true years.

    tries: chances to start a stem in the seasons after the cut, for one without it. grass_stage:
    how many prior standard deviations the stand's grass stage is longer than the profile's; 0
    leaves it drawn.
    """
    simulated = small_survey(
        seed,
        stems=60,
        cores=32,
        pulse=(1926, 1933),
        pulse_share=0.8,
        departures=Departures(openings=(1935,), release_tries=tries),
        standing={"grass_stage": grass_stage} if grass_stage else None,
    )
    cut = {
        "event": "cut",
        "stand": "",
        "kind": "logging",
        "first_year": 1935,
        "last_year": 1935,
        "opens_canopy": "yes",
        "source": "record",
    }
    simulated.tables["events"] = pd.DataFrame([cut]).reindex(
        columns=simulated.tables["events"].columns
    )
    return read_survey(simulated.write(folder)), simulated.truth["trees"].set_index("tree")[
        "establishment_year"
    ].astype(float)


def years_of_the_pulse(posterior, truth: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Drawn years `(draw, tree)` and true ones `(tree,)` of the cored trees that established within
    20 years of 1932.
    """
    true = posterior.trees["tree"].map(truth).to_numpy(float)
    drawn = posterior.establishment_year
    used = (
        posterior.trees["cored"].to_numpy(bool)
        & (drawn >= 0).all(axis=0)
        & (np.abs(true - 1932) <= 20)
    )
    return drawn[:, used].astype(float), true[used]


def distance_from_truth(drawn: np.ndarray, true: np.ndarray) -> float:
    """Continuous ranked probability score, mean over trees (Gneiting & Raftery 2007, J Am Stat
    Assoc 102:359-378). [years]
    """
    half = len(drawn) // 2
    return float(
        (
            np.abs(drawn - true).mean(axis=0)
            - 0.5 * np.abs(drawn[:half] - drawn[half : 2 * half]).mean(axis=0)
        ).mean()
    )


def fitted(survey, emergence: str):
    return fit_stands(survey, seed=1, draws=800, tune=300, chains=2, emergence=emergence)


@pytest.mark.slow
def test_a_release_after_a_cut_is_found_and_the_truth_lies_in_its_posterior(tmp_path):
    """The true rho is the logarithm of the chances in the first season: c chances for one are a
    cumulative hazard c times as high.
    """
    tries = (8, 5, 3, 2, 2)
    survey, truth = surveyed(tmp_path / "s", 5, tries=tries, grass_stage=1.0)
    posterior = fitted(survey, "learned")
    rho = posterior.delay_posterior[0]["release"][:, 0]
    low, high = np.quantile(rho, [0.05, 0.95])
    assert low < math.log(tries[0]) < high
    assert (rho > 0).mean() > 0.75  # a Bayes factor over 3
    assert "sooner" in paragraphs(posterior)[0]
    (row,) = posterior.parameters.query("name == 'release_after_openings'").to_dict("records")
    assert row["posterior_low"] == pytest.approx(low)
    assert abs(row["prior_median"]) < 0.15 and row["prior_high"] == pytest.approx(
        1.64, abs=0.2
    )  # a standard normal
    drawn, true = years_of_the_pulse(posterior, truth)
    low, high = np.quantile(drawn.mean(axis=1), [0.025, 0.975])
    assert low < true.mean() < high


@pytest.mark.slow
def test_learning_a_release_brings_dates_nearer_to_the_truth(tmp_path):
    """Where the plain model takes a burst of waiting plants for a short grass stage."""
    survey, truth = surveyed(tmp_path / "s", 3, tries=(10, 7, 5, 3, 2))
    learned, off = (
        distance_from_truth(*years_of_the_pulse(fitted(survey, emergence), truth))
        for emergence in ("learned", "off")
    )
    assert learned < off - 0.1
