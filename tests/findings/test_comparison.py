"""Stands side by side: what is equal comes out equal, what differs by a known amount by that
amount, and what can't be compared is said.
"""

from __future__ import annotations

import dataclasses
import json
import re
import zipfile
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from fake_posterior import fake_posterior
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import wasserstein_distance

from standage.commands import compare
from standage.commands.cli import BAD_INPUT, main
from standage.commands.compare import compare_results, run_comparison
from standage.commands.run import run_survey
from standage.commands.run_options import RunOptions
from standage.errors import StandageError
from standage.figures.comparison import (
    MOST_PAIRS,
    _differing_most,
    comparison_figures,
    plot_differences,
    strip_order,
    strips_figure,
)
from standage.figures.distances import distances_figure, plot_distances
from standage.findings import Findings, comparison
from standage.findings.age_structure_distance import age_structure_distance
from standage.findings.claims_of_pairs import pair_claims
from standage.findings.communities import community_means
from standage.findings.compared_stands import ComparedStand, aligned
from standage.findings.comparison import CLASS_YEARS, COMPARISON, compare_stands
from standage.findings.comparison_measures import median_year
from standage.findings.differences import difference_columns
from standage.findings.long_table import all_stands_table
from standage.findings.pulse_synchrony import placed_at_random, synchrony
from standage.prose.comparison import comparison_columns, comparison_sentences
from standage.prose.wording import LIKELIHOODS
from standage.report import side_by_side as page_section
from standage.results.table_files import write_table
from standage.simulate.surveys import small_survey
from standage.stand.posterior import load_posterior
from standage.survey.coordinates import coordinates_to
from standage.survey.reading import read_survey

YEARS = np.arange(1850, 2021)
DRAWS = 400


def history(
    name: str,
    middle: float = 1930,
    *,
    spread: float = 12,
    stems: float | np.ndarray = 300,
    noise: float = 2.0,
    seed: int = 0,
    **more,
) -> ComparedStand:
    """A stand whose stems came round a year that is known to `noise` years; `stems` is their
    number, or (draw, year) all of them.
    """
    rng = np.random.default_rng([seed, sum(map(ord, name))])
    centre = middle + rng.normal(0, noise, (DRAWS, 1))
    shape = np.exp(-0.5 * ((YEARS - centre) / spread) ** 2)
    if not isinstance(stems, np.ndarray):
        stems = (
            stems
            * np.exp(rng.normal(0, 0.05, (DRAWS, 1)))
            * shape
            / shape.sum(axis=1, keepdims=True)
        )
    nothing = {
        "starts": np.zeros((0, DRAWS)),
        "ends": np.zeros((0, DRAWS)),
        "possible": np.zeros(DRAWS),
    }
    plain = {
        "name": name,
        "stand": name,
        "species": "longleaf-pine",
        "community": "",
        "basis": "establishment",
        "has_plots": True,
        "searched": True,
        "season": 2020,
        "years": YEARS,
        "stems": stems,
        "grass": rng.beta(20, 80, DRAWS),
        "telling_from": 1860,
        **nothing,
    }
    return ComparedStand(**(plain | more))


def compared(stands: list[ComparedStand]) -> pd.DataFrame:
    """The comparison of stands, each row in words too."""
    table = compare_stands(stands, level=0.9, class_years=CLASS_YEARS, seed=0)
    return table.assign(**comparison_columns(table))


def pulses_at(*starts: float, noise: float = 1.0, seed: int = 3) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    begun = np.rint(np.array(starts)[:, None] + rng.normal(0, noise, (len(starts), DRAWS)))
    return {
        "starts": begun,
        "ends": begun + 8,
        "possible": np.full(DRAWS, len(starts), dtype=float),
    }


def row_of(table: pd.DataFrame, measure: str) -> pd.Series:
    (row,) = (row for _, row in table[table["measure"] == measure].iterrows())
    return row


# differences


def test_the_median_year_is_that_of_the_cumulative_share():
    stems = np.array([[0.0, 2.0, 2.0, 0.0], [1.0, 0.0, 0.0, 3.0], [0.0, 0.0, 0.0, 0.0]])
    found = median_year(stems, np.array([2000, 2001, 2002, 2003]))
    assert found[:2] == pytest.approx([2002.0, 2003 + 1 / 3]) and np.isnan(found[2])


def test_a_known_difference_is_found_with_its_sign():
    table = compared([history("North", 1900), history("South", 1930, stems=200)])
    row = row_of(table, "median_establishment_year")
    assert (
        row["difference_low"] < -30 < row["difference_high"]
        and row["difference_high"] - row["difference_low"] < 12
    )
    assert row["probability_greater"] == 0 and row["told_apart"] == "yes"
    assert "North established" in row["words"] and "earlier than that of South" in row["words"]
    more = row_of(table, "stems_per_ha")
    assert (
        more["difference_median"] == pytest.approx(100, rel=0.1)
        and more["probability_greater"] == 1
    )


def test_equal_stands_come_out_equal():
    pairs = [
        compared([history("A", noise=3, seed=seed), history("B", noise=3, seed=seed)])
        for seed in range(6)
    ]
    rows = pd.concat(pairs)
    asked = rows[rows["told_apart"].isin(["yes", "no"])]
    assert len(asked) > 60 and (asked["told_apart"] == "yes").mean() < 0.05
    assert (
        rows[rows["measure"] == "median_establishment_year"]["difference_low"].astype(float) < 0
    ).all()


def test_turning_a_pair_round_turns_the_signs():
    one, other = history("A", 1920, **pulses_at(1915)), history("B", 1935, **pulses_at(1931))
    there, back = compared([one, other]), compared([other, one])
    for measure in (
        "median_establishment_year",
        "half_span_years",
        "latest_pulse_start",
        "shared_pulse",
    ):
        a, b = row_of(there, measure), row_of(back, measure)
        assert a["difference_low"] == pytest.approx(-b["difference_high"])
        assert a["probability_greater"] + b["probability_greater"] + a[
            "probability_equal"
        ] == pytest.approx(1)
    for name in ("difference_median", "probability_greater"):
        assert row_of(there, "age_structure_distance")[name] == pytest.approx(
            row_of(back, "age_structure_distance")[name]
        )


@given(st.lists(st.integers(-3, 3), min_size=2, max_size=30), st.floats(0.5, 0.99))
@settings(max_examples=40, deadline=None)
def test_probabilities_and_intervals_hold_together(values, level):
    first = np.array(values, dtype=float)
    found = difference_columns(first, np.zeros(len(first)), level)
    assert found["difference_low"] <= found["difference_median"] <= found["difference_high"]
    assert 0 <= found["probability_greater"] + found["probability_equal"] <= 1
    assert found["probability_greater"] == pytest.approx(np.mean(first > 0))


def test_draws_of_one_fit_are_paired_and_of_separate_runs_independent():
    rng = np.random.default_rng(1)
    shared = rng.normal(0, 15, (DRAWS, 1))  # what neither stand's own wood tells

    def moved(name, by, source):
        shape = np.exp(-0.5 * ((YEARS - 1930 - by - shared) / 10) ** 2)
        return history(name, source=source, stems=shape)

    together = row_of(compared([moved("A", 0, ""), moved("B", 8, "")]), "median_establishment_year")
    apart = row_of(
        compared([moved("A", 0, "one"), moved("B", 8, "two")]), "median_establishment_year"
    )
    assert (
        together["told_apart"] == "yes"
        and together["difference_high"] - together["difference_low"] < 1
    )
    width = apart["difference_high"] - apart["difference_low"]
    assert apart["told_apart"] == "no" and width == pytest.approx(
        2 * 1.645 * 15 * np.sqrt(2), rel=0.2
    )


def test_runs_with_other_numbers_of_draws_are_brought_to_one():
    few = dataclasses.replace(history("B"), source="two")
    few = aligned(
        seed=0,
        stands=[
            few,
            history(
                "C",
                stems=np.ones((120, len(YEARS))),
                grass=np.ones(120),
                starts=np.zeros((0, 120)),
                ends=np.zeros((0, 120)),
                possible=np.zeros(120),
                source="three",
            ),
        ],
    )
    assert [len(one.stems) for one in few] == [120, 120] and few[0].stems[0, :].tolist() == history(
        "B"
    ).stems[0].tolist()


# distance and synchrony


def test_the_distance_is_that_of_a_general_library():
    rng = np.random.default_rng(4)
    first, second = rng.gamma(1, 1, (3, 60)), rng.gamma(1, 1, (3, 60))
    expected = [
        wasserstein_distance(np.arange(60), np.arange(60), a, b)
        for a, b in zip(first, second, strict=True)
    ]
    assert age_structure_distance(first, second).draws == pytest.approx(expected)


def told_apart_share(apart: float, trials: int = 150) -> float:
    """Share of pairs told apart where estimates scatter round their truth, and draws round the
    estimates, by the same 5 years.
    """
    rng = np.random.default_rng(8)
    found = []
    for trial in range(trials):
        middles = np.array([1930.0, 1930.0 + apart]) + rng.normal(0, 5, 2)
        structures = [
            np.exp(-0.5 * ((YEARS - middle - rng.normal(0, 5, (200, 1))) / 15) ** 2)
            for middle in middles
        ]
        found.append(
            age_structure_distance(*structures, seed=trial).probability_beyond_chance >= 0.95
        )
    return float(np.mean(found))


def test_stands_alike_lie_as_far_apart_as_chance_says():
    """The share falsely told apart is 1 in 20: of 150, at most 14 but once in a hundred trials
    (binomial).
    """
    assert told_apart_share(0) <= 14 / 150


def test_stands_that_differ_lie_farther_apart():
    assert told_apart_share(30) > 0.9


def test_pulses_of_one_year_are_shared_and_those_of_other_years_are_not():
    one, other = history("A", **pulses_at(1900, 1932)), history("B", **pulses_at(1933, seed=5))
    found = synchrony(one, other)
    assert found.probability > 0.95 and (found.first_pulse, found.second_pulse) == (2, 1)
    assert synchrony(one, history("C", **pulses_at(1960))).probability == 0
    assert synchrony(one, history("D")) is None


def test_chance_is_that_of_pulses_thrown_at_random():
    rng = np.random.default_rng(2)
    fixed = np.full((1, 1), 1940.0)
    thrown = rng.integers(1900, 2000, (20000, 2))
    expected = np.mean((np.abs(thrown - 1940) <= 5).any(axis=1))
    assert placed_at_random(fixed, np.zeros((2, 1)), 1900, 1999, 5) == pytest.approx(
        expected, abs=0.01
    )
    assert placed_at_random(fixed, np.full((2, 1), np.nan), 1900, 1999, 5) == 0


def test_a_pulse_that_is_not_told_is_no_difference():
    table = compared([history("A", **pulses_at(1930)), history("B")])
    assert row_of(table, "number_of_pulses")["told_apart"] == "not assessed"
    for measure in ("latest_pulse_start", "years_since_latest_pulse", "shared_pulse"):
        row = row_of(table, measure)
        assert row["told_apart"] == "not compared" and "no pulse can be told in B" in row["words"]


# communities


def test_a_single_stand_is_no_community():
    table = compared([history("A", community="upland"), history("B", community="flat")])
    assert set(table["kind"]) == {"stand"}


def test_two_stands_say_little_about_their_community_and_many_say_more():
    def width(stands):
        upland = [history(f"U{n}", 1930 + 3 * (-1) ** n, community="upland") for n in range(stands)]
        table = compared([*upland, history("Alone", 1900, community="flat")])
        row = row_of(table[table["kind"] == "community and stand"], "median_establishment_year")
        assert (
            row["first"] == "upland"
            and row["first_stands"] == stands
            and 1 < row["first_spread"] < 9
        )
        assert ("barely known" in row["words"]) == (stands < 6)
        return row["difference_high"] - row["difference_low"]

    assert width(2) > 30 and width(8) < 12


def test_stands_left_out_of_a_community_are_named_with_the_reason():
    stands = [
        history("U1", community="upland"),
        history("U2", community="upland"),
        history("Bare", community="upland", has_plots=False),
        history("High", community="flat", basis="coring height"),
        history("F1", 1950, community="flat"),
    ]
    table = compared(stands)
    said = list(
        table.loc[(table["kind"] == "community and stand") & (table["measure"] == "all"), "words"]
    )
    assert said == [
        (
            "upland and Bare can't be compared: no plots, so that it is left out of the mean of"
            " upland."
        ),
        (
            "flat and High can't be compared: coring heights are not recorded, so that flat is not"
            " estimated."
        ),
    ]


def test_what_communities_can_t_be_compared_by_is_said():
    stands = [
        history("U1", community="upland"),
        history("U2", community="upland"),
        history("F1", 1950, community="flat"),
    ]
    table = compared(stands)
    row = row_of(table[table["kind"] == "community and stand"], "latest_pulse_start")
    assert row["told_apart"] == "not compared" and "no pulse can be told in " in row["words"]


def test_the_summary_has_a_sentence_on_communities_where_there_are_any():
    stands = [
        history(f"{name}{n}", middle + n, community=name)
        for name, middle in (("upland", 1900), ("flat", 1950))
        for n in range(4)
    ]
    last = comparison_sentences(compared(stands), 0.9)[-1]
    assert "upland" in last and "flat" in last and "virtually certain" in last
    alike = [
        history("U1", 1900, community="upland"),
        history("U2", 1960, community="upland"),
        history("F1", 1950, community="flat"),
    ]
    assert comparison_sentences(compared(alike), 0.9)[-1].startswith(
        "Communities of two and more stands can't be told apart"
    )
    alone = [history("U1", 1900, community="upland"), history("F1", 1950, community="flat")]
    assert not any("ommunit" in sentence for sentence in comparison_sentences(compared(alone), 0.9))


def test_communities_that_differ_are_told_apart():
    stands = [history(f"U{n}", 1900 + n, community="upland") for n in range(4)]
    stands += [history(f"F{n}", 1950 + n, community="flat") for n in range(4)]
    table = compared(stands)
    row = row_of(table[table["kind"] == "community"], "median_establishment_year")
    assert (row["first"], row["second"], row["told_apart"]) == ("upland", "flat", "yes")
    assert row["difference_low"] < -50 < row["difference_high"]


@pytest.mark.parametrize("stands", [2, 5])
def test_the_mean_of_a_community_is_covered(stands):
    """Stands scatter round a mean; nine of ten intervals hold it, whatever the number of stands."""
    rng = np.random.default_rng(stands)
    held = 0
    for trial in range(300):
        truth = 1930 + rng.normal(0, 6, stands)
        drawn = np.repeat(truth[:, None], 600, axis=1)
        mean = community_means({"c": drawn}, "year", axis=(1000, 2800), seed=trial).mean["c"]
        held += np.quantile(mean, 0.05) <= 1930 <= np.quantile(mean, 0.95)
    assert 0.85 <= held / 300 <= 0.95


# what can't be compared


def test_coring_heights_stand_apart_from_establishment():
    cores_only = {"basis": "coring height", "has_plots": False}
    table = compared([history("A"), history("B", **cores_only), history("C", 1990, **cores_only)])
    mixed = table[(table["first"] == "A") & (table["second"] == "B")]
    assert (
        list(mixed["measure"]) == ["all"]
        and "no coring height is recorded in B" in mixed["words"].iloc[0]
    )
    both = table[(table["first"] == "B") & (table["second"] == "C")]
    row = row_of(both, "median_establishment_year")
    assert row["told_apart"] == "not assessed" and "may be one of heights" in row["words"]
    assert row_of(both, "half_span_years")["told_apart"] == "no"


@pytest.mark.parametrize(("first", "second"), [([1931, 1938], [1952]), ([1931], []), ([], [])])
def test_years_in_which_neither_has_a_dated_tree_are_not_compared(first, second):
    """The model has stems in all of them."""
    stands = [
        history(name, spread=60, dated=np.array(own))
        for name, own in zip("AB", (first, second), strict=True)
    ]
    table = compared(stands)
    rows = table[table["class_first_year"].notna()]
    classes = {int(year) for year in rows["class_first_year"]}
    assert classes == {year // CLASS_YEARS * CLASS_YEARS for year in [*first, *second]}
    assert (
        set(
            compared([history("A", spread=60), history("B", spread=60)])[
                "class_first_year"
            ].dropna()
        )
        > classes
    )


def test_without_plots_only_what_compares_is_compared():
    table = compared(
        [history("A", **pulses_at(1930)), history("B", has_plots=False, **pulses_at(1960))]
    )
    told = table.set_index("measure")["told_apart"]
    assert (
        told[
            ["median_establishment_year", "half_span_years", "stems_per_ha", "share_in_grass_stage"]
        ]
        == "not compared"
    ).all()
    assert told["latest_pulse_start"] == "yes" and "age_structure_distance" not in told.index
    assert "no plots in B" in row_of(table, "stems_per_ha")["words"]


def test_stands_without_a_species_in_common_have_no_row():
    assert compared([history("A"), history("B", species="loblolly-pine")]).empty


# sentences


def test_the_summary_tells_the_surest_and_no_more_than_three():
    stands = [
        history(name, middle, stems=stems, **pulses_at(middle))
        for name, middle, stems in (("A", 1890, 100), ("B", 1932, 200), ("C", 1933, 500))
    ]
    said = comparison_sentences(compared(stands), 0.9)
    assert 1 <= len(said) <= 3
    assert said[0].startswith(
        "The median stem of C established later than that of A, by about 43 years"
    )
    assert "B and C share a pulse" in said[1]


def test_what_is_said_of_two_stands_is_claimed_of_the_one_that_has_more():
    table = compared([history("A", 1890, **pulses_at(1890)), history("B", 1950, **pulses_at(1950))])
    claims = pair_claims(table, 0.9)
    greater, amount = (
        next(
            claim
            for claim in claims
            if (claim.kind, claim.category) == (kind, "median_establishment_year")
        )
        for kind in ("greater", "difference")
    )
    row = row_of(table, "median_establishment_year")
    assert (greater.stand, greater.subject) == ("B", "A")
    assert greater.probability == pytest.approx(
        1 - row["probability_greater"] - row["probability_equal"]
    )
    assert amount.estimate == -row["difference_median"] > 0
    assert amount.low == -row["difference_high"] and amount.holds(amount.low)
    assert not [claim for claim in claims if claim.kind == "shared pulse"]
    (none,) = (claim for claim in claims if claim.kind == "no shared pulse")
    assert none.probability == 1 - row_of(table, "shared_pulse")["probability_shared"] > 0.9
    assert len(set(claims)) == len(claims)


def test_pairs_are_counted_of_those_compared():
    """A stand without a pulse shares none, and can't be compared by it."""
    stands = [history(name, 1933, **pulses_at(1933)) for name in "ABC"]
    claims = pair_claims(compared([*stands, history("D", 1933)]), 0.9)
    (pairs,) = (c for c in claims if (c.kind, c.category) == ("pairs", "shared_pulse"))
    assert (pairs.estimate, pairs.high) == (3, 3)
    shared = [claim for claim in claims if claim.kind == "shared pulse"]
    assert len({(claim.stand, claim.subject) for claim in shared}) == 3
    assert all(claim.probability >= 0.5 for claim in shared)


def test_the_summary_says_what_cannot_be_told_apart():
    said = comparison_sentences(compared([history("A", noise=20), history("B", noise=20)]), 0.9)
    assert len(said) == 1 and said[0].startswith("The stands can't be told apart by median year")
    assert comparison_sentences(COMPARISON.frame(), 0.9) == []


def test_a_difference_that_is_not_told_apart_is_said_without_a_sign():
    table = compared([history("A", noise=20), history("B", noise=20)])
    said = row_of(table, "median_establishment_year")["words"]
    assert re.search(
        r"can't be told apart by the median year .*: for A it is between \d+ years earlier and \d+"
        r" later\.",
        said,
    ), said
    assert not table["words"].str.contains(r"-\d|nan|<NA>").any()


def test_every_probability_is_said_in_words_and_figures():
    table = compared(
        [history("A", 1900, **pulses_at(1890)), history("B", 1930, stems=200, **pulses_at(1891))]
    )
    told = table[
        (table["told_apart"] == "yes") & ~table["measure"].isin(["age_structure_distance"])
    ]
    words = [step.words for step in LIKELIHOODS]
    assert len(told) > 3 and all(
        any(f"{word} (" in said for word in words) for said in told["words"]
    )


# of the report


def summary_of(stands, communities) -> pd.DataFrame:
    return pd.DataFrame(
        {"stand": stands, "community": communities, "half_span_first": 1900, "half_span_last": 1930}
    )


def test_the_report_puts_stands_side_by_side_and_communities_only_where_stands_share_one(
    monkeypatch,
):
    monkeypatch.setattr(page_section, "_pictures", lambda *_: [])
    monkeypatch.setattr(page_section, "_pair_pictures", lambda *_: [])
    stands = [
        history("U1", 1900, community="upland", **pulses_at(1890)),
        history("U2", 1906, community="upland", **pulses_at(1891)),
        history("Alone", 1950, community="flat"),
    ]
    tables = SimpleNamespace(
        comparison=compared(stands),
        level=0.9,
        stand_summary=summary_of(["U1", "U2", "Alone"], ["upland", "upland", "flat"]),
    )
    found = page_section.side_by_side(tables)
    of_stands, of_communities = found.tables
    assert [row[0].text for row in of_stands.rows] == [
        "U1 beside U2",
        "U1 beside Alone",
        "U2 beside Alone",
    ]
    assert [row[0].text for row in of_communities.rows] == ["upland beside Alone"]
    assert of_stands.heads[1:3] == ["Distance of age structures", "A pulse in common"]
    far = tables.comparison.query("first == 'U1' and second == 'Alone'")
    row, distance = row_of(far, "median_establishment_year"), row_of(far, "age_structure_distance")
    ends = f"({-row['difference_high']:.0f} to {-row['difference_low']:.0f})"
    told_apart = of_stands.rows[1][-1].text
    assert f"median year {-row['difference_median']:.0f} years earlier {ends}" in told_apart
    assert of_stands.rows[1][1].text.startswith(f"{distance['difference_median']:.0f} years (")
    assert "more than by chance: virtually certain (more than 99 %)" in of_stands.rows[1][1].below
    told = " ".join(found.intro)
    assert (
        "The community upland has 2 stands: U1 and U2." in told
        and "Alone shares its community with no other" in told
    )
    assert any("no pulse can be told in Alone" in reason for reason in found.refused)
    single = SimpleNamespace(
        comparison=compared(stands[1:]),
        level=0.9,
        stand_summary=summary_of(["U2", "Alone"], ["upland", "flat"]),
    )
    found = page_section.side_by_side(single)
    assert len(found.tables) == 1 and "not communities" in " ".join(found.intro)
    alone = SimpleNamespace(comparison=compared(stands[:1]))
    assert page_section.side_by_side(alone) is None


def test_of_many_stands_the_most_different_and_the_most_alike_are_shown(monkeypatch):
    monkeypatch.setattr(page_section, "_pictures", lambda *_: [])
    monkeypatch.setattr(page_section, "_pair_pictures", lambda *_: [])
    names = [f"S{number:02d}" for number in range(12)]
    stands = [history(name, 1880 + number**2) for number, name in enumerate(names)]
    tables = SimpleNamespace(
        comparison=compared(stands), level=0.9, stand_summary=summary_of(names, [""] * len(names))
    )
    found = page_section.side_by_side(tables)
    distances = tables.comparison.query("measure == 'age_structure_distance'")
    distances = distances.sort_values("difference_median", ascending=False, kind="stable")
    expected = pd.concat([distances.head(12), distances.tail(12)])
    pairs = [f"{row.first} beside {row.second}" for row in expected.itertuples()]
    (table,) = found.tables
    assert [row[0].text for row in table.rows] == pairs
    assert "the most different and the most alike of 66 pairs" in table.caption
    (drawn,) = found.pictures
    assert drawn.caption.startswith("Of 66 pairs those most different")
    assert f"Most different: {expected.iloc[0]['first']} and S11" in drawn.svg
    figure = distances_figure(tables.comparison)
    assert len(figure.axes[0].get_yticks()) == 24
    few = tables.comparison[tables.comparison["first"] == "S00"].head(6)
    assert distances_figure(few) is None
    assert len(found.refused) <= 21 and "more in comparison.csv" in found.refused[-1]


def test_stands_too_many_for_pairs_are_compared_by_community_and_that_is_said(monkeypatch):
    monkeypatch.setattr(page_section, "_pictures", lambda *_: [])
    monkeypatch.setattr(comparison, "MOST_STANDS_BY_PAIR", 3)
    communities = ["upland", "upland", "flat", "flat"]
    names = [f"S{number}" for number in range(4)]
    stands = [
        history(name, 1900 + 10 * number, community=community)
        for number, (name, community) in enumerate(zip(names, communities, strict=True))
    ]
    by_pair = compared(stands[:3])
    assert len(by_pair[by_pair["kind"] == "stand"]["first"]) > 3
    table = compared(stands)
    (row,) = table[table["kind"] == "stand"].to_dict("records")
    assert (row["first"], row["measure"], row["told_apart"]) == ("4 stands", "all", "not compared")
    assert row["words"].startswith("The 4 stands of longleaf-pine are not compared pair by pair")
    of_communities = table[table["kind"] == "community"]
    assert set(of_communities["first"]) == {"upland"} and len(of_communities) > 3
    shown = page_section.side_by_side(
        SimpleNamespace(comparison=table, level=0.9, stand_summary=summary_of(names, communities))
    )
    (shown_table,) = shown.tables
    assert shown_table.heads[0].startswith("Community") and not shown.pairs
    assert shown.refused[0] == row["words"]


def test_distances_are_drawn_with_what_stands_alike_would_show():
    table = compared([history("A", 1900), history("B", 1901), history("C", 1950)])
    pairs = table.query("measure == 'age_structure_distance'")
    ax = plot_distances(pairs)
    assert [bar.get_width() for bar in ax.patches] == list(pairs["chance_high"])
    assert [label.get_text() for label in ax.get_yticklabels()] == ["A, B", "A, C", "B, C"]
    drawn = np.concatenate([line.get_xdata() for line in ax.lines])
    assert sorted(drawn) == sorted(pairs["difference_median"])


def test_of_many_pairs_those_that_differ_most_are_drawn():
    rows = pd.DataFrame({"difference_median": np.r_[np.zeros(70), -9.0, 5.0]})
    shown = _differing_most(rows)
    assert len(shown) == MOST_PAIRS and {-9.0, 5.0} < set(shown["difference_median"])


def test_of_a_pair_only_what_is_told_apart_and_acted_on_is_shown():
    pair = compared([history("A", 1900), history("B", 1901)])
    shown = page_section._differences(pair, "Stand").rows[0][-1].text
    assert shown == "nothing that can be told apart"
    far = compared([history("A", 1900), history("B", 1950)])
    told = far[(far["told_apart"] == "yes") & far["class_first_year"].isna()]["measure"]
    shown = page_section._differences(far, "Stand").rows[0][-1].text
    assert len(shown.split("; ")) == len(set(told) & set(page_section.ACTED_ON)) > 0
    assert (far["class_first_year"].notna()).any() and "from 19" not in shown


# of a result, tables and pictures


@pytest.fixture(scope="module")
def posterior():
    made = fake_posterior(draws=120)
    made.survey.stands["latitude"], made.survey.stands["longitude"] = (
        [31.123456, np.nan, 30.5],
        [-84.987654, np.nan, -85.25],
    )
    return made


@pytest.fixture(scope="module")
def tables(posterior):
    return Findings(posterior).tables


def test_a_result_compares_its_stands(tables):
    table = tables["comparison"]
    assert list(table.columns) == COMPARISON.found
    assert set(table["first"]) == {"Fern Flat"} and list(table["measure"]) == [
        "all"
    ]  # Old Field holds another species


def test_coordinates_go_through_to_tables_and_files(tables, tmp_path):
    summary, everything = tables["stand_summary"], tables["all_stands"]
    assert summary["latitude"].iloc[0] == 31.123456 and np.isnan(summary["latitude"].iloc[1])
    assert (everything.loc[everything["stand"] == "Fern Flat", "longitude"] == -84.987654).all()
    write_table(everything, tmp_path / "all.csv")
    assert pd.read_csv(tmp_path / "all.csv")["longitude"].iloc[0] == -84.98765


def test_the_long_table_holds_what_the_others_hold(posterior, tables):
    table = all_stands_table(tables, posterior.survey)
    cohort = tables["cohorts"].query("stand == 'Fern Flat' and first_year == 1930").iloc[0]
    (row,) = (
        row
        for _, row in table.query(
            "table == 'cohorts' and measure == 'stems_per_ha' and stand == 'Fern Flat'"
            " and first_year == 1930"
        ).iterrows()
    )
    assert (row["low"], row["median"], row["high"]) == tuple(
        cohort[f"stems_per_ha_{point}"] for point in ("low", "median", "high")
    )
    assert (
        row["unit"] == "stems/ha"
        and row["survey_date"] == "2020-06-15"
        and table["median"].notna().all()
    )
    assert not ((table["stand"] == "Stony Ridge") & table["measure"].str.contains("per_ha")).any()


@pytest.mark.parametrize(
    ("coarseness", "kept"),
    [("as-given", 31.1234), ("0.1", 31.1), ("none", np.nan)],
)
def test_coordinates_are_coarsened_in_the_survey_itself(simulated_folder, coarseness, kept):
    survey = read_survey(simulated_folder)
    exact = dataclasses.replace(
        survey, stands=survey.stands.assign(latitude=31.1234, longitude=-84.5678)
    )
    coarse = coordinates_to(exact, coarseness).stands
    assert coarse["latitude"].iloc[0] == pytest.approx(kept, nan_ok=True)
    assert (exact.stands["latitude"] == 31.1234).all()
    with pytest.raises(ValueError, match="as-given, 0.1, none"):
        coordinates_to(exact, "0.5")


PLACES = {
    "latitude": 31.14159265,
    "longitude": -84.27182818,
    "x_m": 712345.67,
    "y_m": 3451234.89,
    "gps": "31.16180339N 84.14142135W",
}


@pytest.mark.slow
@pytest.mark.parametrize("coarseness", ["0.1", "none"])
def test_nothing_that_is_written_holds_a_place_more_exactly_than_asked(tmp_path, coarseness):
    survey = read_survey(small_survey(4, stems=30, cores=12).write(tmp_path / "survey"))
    survey = dataclasses.replace(
        survey,
        stands=survey.stands.assign(latitude=PLACES["latitude"], longitude=PLACES["longitude"]),
        trees=survey.trees.assign(x_m=PLACES["x_m"], y_m=PLACES["y_m"], gps=PLACES["gps"]),
    )
    run_survey(
        survey,
        tmp_path / "results",
        options=RunOptions(draws=50, chains=2, coordinates=coarseness, xlsx=True),
        cores=1,
        quiet=True,
    )
    written = b"".join(
        path.read_bytes()
        for path in (tmp_path / "results").rglob("*")
        if path.is_file() and path.suffix != ".xlsx"
    )
    with zipfile.ZipFile(tmp_path / "results" / "results.xlsx") as book:
        written += b"".join(book.read(name) for name in book.namelist())
    assert survey.stands["stand"].iloc[0].encode() in written
    for digits in (b"31.14159", b"84.27182", b"712345.67", b"3451234.89", b"31.16180339"):
        assert digits not in written, digits
    kept = load_posterior(tmp_path / "results" / "posterior.nc").survey
    assert np.isnan(kept.trees[["x_m", "y_m"]].to_numpy(float)).all() and "gps" not in kept.trees
    assert str(tmp_path) not in kept.path


def test_strips_of_a_community_stand_together_the_oldest_first():
    rows = [
        ("young", "flat", 1990, 1999),
        ("old", "upland", 1900, 1910),
        ("alone", "", 1950, 1960),
        ("middle", "flat", 1920, 1930),
    ]
    stands = pd.DataFrame(rows, columns=["stand", "community", "half_span_first", "half_span_last"])
    assert [stand for stand, _, _ in strip_order(stands.assign(species="longleaf-pine"))] == [
        "old",
        "middle",
        "young",
        "alone",
    ]


def test_stands_are_drawn_on_one_time_axis_and_one_scale(tables):
    figure = strips_figure(tables["cohorts"], tables["pulses"], tables["stand_summary"])
    assert (
        len(figure.axes) == 3
        and len({ax.get_xlim() for ax in figure.axes}) == 1
        and len({ax.get_ylim() for ax in figure.axes}) == 1
    )
    assert strips_figure(tables["cohorts"], tables["pulses"], tables["stand_summary"][:1]) is None
    assert set(comparison_figures(tables, level=0.9)) == {
        "side_by_side"
    }  # nothing differs where nothing is compared


def test_differences_are_drawn_as_the_table_has_them():
    table = compared([history("A", 1900), history("B", 1931), history("C", 1930)])
    rows = table[table["measure"] == "median_establishment_year"]
    ax = plot_differences(rows)
    drawn = sorted(x for line in ax.lines[1:] for x in line.get_xdata())
    assert drawn == pytest.approx(sorted(rows["difference_median"]))
    assert [label.get_text() for label in ax.get_yticklabels()][0] == "A \u2212 B"


# results of separate runs


@pytest.mark.slow
def test_results_of_separate_runs_are_joined(two_results, tmp_path):
    folders = [
        two_results("east", fake_posterior(1, draws=120)),
        two_results("west", fake_posterior(2, draws=80), inputs="1", level=0.8),
    ]
    joined = run_comparison(folders, tmp_path / "out")
    pairs = set(joined.comparison[["first", "second"]].itertuples(index=False, name=None))
    assert ("Old Field (east)", "Old Field (west)") in pairs and (
        "Fern Flat (east)",
        "Stony Ridge (west)",
    ) in pairs
    assert joined.level == 0.9 and "intervals of 80 % and 90 %" in str(joined)
    assert any("fitted without each other" in note for note in joined.notes)
    written = pd.read_csv(tmp_path / "out" / "comparison.csv")
    assert list(written.columns) == COMPARISON.written and len(written) == len(joined.comparison)
    assert set(pd.read_csv(tmp_path / "out" / "all_stands.csv")["survey"]) == {"east", "west"}
    assert (tmp_path / "out" / "figures" / "side_by_side.png").stat().st_size > 0
    assert json.loads((tmp_path / "out" / "provenance.json").read_text())["level"] == 0.9


def test_another_profile_is_not_compared_and_is_said(two_results):
    folders = [
        two_results("east", fake_posterior(1, draws=60)),
        two_results("west", fake_posterior(2, draws=60), sha256="b", inputs="1"),
    ]
    with pytest.raises(StandageError, match="different profiles"):
        compare_results(folders)  # within each, the two stands of a species differ in basis


def test_a_failed_result_is_left_out_and_said(two_results):
    failed = fake_posterior(3, draws=60)
    failed.verdict["passed"] = False
    folders = [
        two_results(name, fake_posterior(seed, draws=60), inputs=name)
        for seed, name in ((1, "east"), (2, "west"))
    ]
    joined = compare_results([*folders, two_results("north", failed, inputs="2")])
    assert (
        "north failed its checks" in str(joined)
        and not joined.comparison["first"].str.contains("north").any()
    )


def test_what_is_no_result_is_refused_all_at_once(two_results, tmp_path):
    (tmp_path / "survey").mkdir()
    east = two_results("east", fake_posterior(1, draws=60))
    again = two_results("again", fake_posterior(1, draws=60))
    with pytest.raises(StandageError) as raised:
        compare_results([east, east, again, tmp_path / "survey", tmp_path / "nowhere"])
    text = str(raised.value)
    for told in (
        "given twice",
        "results of one survey",
        "survey: found no folder of results",
        "nowhere: found no such folder",
    ):
        assert told in text
    with pytest.raises(StandageError, match="would be lost"):
        run_comparison([east], east)


def test_a_result_in_which_every_fit_failed_compares_nothing(two_results):
    failed = fake_posterior(3, draws=60)
    failed.verdict["passed"] = False
    with pytest.raises(StandageError, match="Nothing can be compared"):
        compare_results([two_results("north", failed)])


def test_the_command_refuses_in_words_and_writes_nothing(tmp_path):
    told = CliRunner().invoke(
        main, ["compare", str(tmp_path / "nowhere"), "--out", str(tmp_path / "out")]
    )
    assert (
        told.exit_code == BAD_INPUT
        and "no such folder" in told.stderr
        and not (tmp_path / "out").exists()
    )


@pytest.mark.slow
def test_the_command_says_what_it_found(two_results, tmp_path):
    folders = [
        two_results(name, fake_posterior(seed, draws=60), inputs=name)
        for seed, name in ((1, "east"), (2, "west"))
    ]
    options = ["--out", str(tmp_path / "out"), "--level", "0.8", "--class-years", "50"]
    told = CliRunner().invoke(main, ["compare", *map(str, folders), *options])
    assert told.exit_code == 0 and "Mind this:" in told.output
    classes = pd.read_csv(tmp_path / "out" / "comparison.csv")["class_first_year"].dropna()
    assert len(classes) and (classes % 50 == 0).all()
    assert (tmp_path / "out" / "comparison.txt").read_text(encoding="utf-8").strip() in told.output


def test_names_tell_results_apart(tmp_path):
    folders = [tmp_path / "a" / "results", tmp_path / "b" / "results"]
    assert compare._names(folders) == ["a/results", "b/results"]
