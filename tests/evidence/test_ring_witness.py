"""Ring widths as a witness of counts: against paths written out one by one, on invented trees with
weather in common, and through a survey's own tables.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest

from standage.evidence import date_trees, evidence_over_years, read_cores, ring_witness
from standage.evidence.gross_errors import GROSS_SHARE, LONGEST_SHIFT, eye_law, with_label_errors
from standage.evidence.ring_count import shift_pmf
from standage.profiles import load_profile
from standage.survey.reading import read_survey

LONGLEAF = load_profile("longleaf-pine")
FIRST, LAST = 1901, 2020
YEARS = np.arange(FIRST, LAST + 1)
ZERO = LONGEST_SHIFT


def grown(seed: int, trees: int = 9, *, common: float = 0.25) -> np.ndarray:
    """Widths of some trees with weather and a slow wave in common. (tree, year) [mm]"""
    rng = np.random.default_rng(seed)
    weather = rng.normal(0.0, common, len(YEARS)) + 0.3 * np.sin(YEARS / 15.0)
    own = rng.normal(0.0, 0.3, (trees, len(YEARS)))
    age = np.arange(len(YEARS)) / len(YEARS)
    return np.exp(0.6 - age + weather + own)


def skipped(widths: np.ndarray, rings: int, at: int) -> np.ndarray:
    """As read by somebody who skipped so many rings at a place: those further in stand so many
    years too late.
    """
    read = np.full(len(widths), np.nan)
    read[at:] = widths[at:]
    read[rings:at] = widths[: at - rings]
    return read


def factors_of(widths: np.ndarray, rate: float = 0.01) -> np.ndarray:
    scores = np.stack([ring_witness.ring_scores(each) for each in widths])
    count = len(widths)
    rings = np.isfinite(widths).sum(axis=1)
    last = np.full(count, widths.shape[1] - 1)
    return ring_witness.factors_by_widths(
        scores, np.arange(count), last, rings, np.full(count, rate), np.ones(count, dtype=bool)
    )


def probabilities(factors: np.ndarray, scale: float = 1.5) -> np.ndarray:
    pmf = shift_pmf(np.array(0.0), np.array(scale), ring_witness.SHIFTS)
    pmf = (1.0 - GROSS_SHARE) * pmf + GROSS_SHARE * eye_law()
    found = with_label_errors(pmf, ring_witness.SHIFTS, 0.003) * factors
    return found / found.sum(axis=-1, keepdims=True)


def test_every_path_is_summed_once():
    """Six rings, so that each path of single steps can be written out: by loops, in place of the
    package's arrays."""
    rng = np.random.default_rng(3)
    own = rng.normal(size=(1, 40))
    others, likeness = rng.normal(size=(1, 40)), np.full((1, 40), 0.6)
    rings, last, rate = 5, 30, 0.07
    found = ring_witness._along(
        own, others, likeness, np.array([last]), np.array([rings]), np.array([rate])
    )[0]

    def agreement(u: float, m: float, r: float) -> float:
        both = np.exp(-(u * u - 2 * r * u * m + m * m) / (2 * (1 - r * r))) / np.sqrt(1 - r * r)
        return float(both / np.exp(-(u * u + m * m) / 2))

    off = ring_witness.OUTER_YEAR_OFF
    label = GROSS_SHARE / (2 * LONGEST_SHIFT + 1)
    expected = {}
    for end in (-1, 0, 1, 3):
        with_widths, without = np.zeros(3), 0.0
        for begin in range(end - rings, end + rings + 1):
            for steps in itertools.product((-1, 0, 1), repeat=rings - 1):
                if begin + sum(steps) != end:
                    continue
                usual = {0: 1 - 2 * off, 1: off, -1: off}.get(begin, 0.0)
                weight = (1 - GROSS_SHARE) * usual + label
                weight *= np.prod([rate if step else 1 - 2 * rate for step in steps])
                shift, fit = begin, np.ones(3)
                for ring in range(rings):
                    shift += steps[ring - 1] if ring else 0
                    year = last - ring - shift
                    if not 0 <= year < 40:
                        continue
                    u, m = own[0, last - ring], others[0, year]
                    fit *= [agreement(u, m, 0.6 * s) for s, _ in ring_witness.AGREEMENT_SHARES]
                with_widths += weight * fit
                without += weight
        chances = [chance for _, chance in ring_witness.AGREEMENT_SHARES]
        expected[end] = float(np.dot(chances, with_widths / without))
    for end, factor in expected.items():
        assert found[ZERO + end] == pytest.approx(factor, rel=1e-10)


@pytest.mark.parametrize("rings", [1, 5, 10, 20])
def test_rings_skipped_are_found(rings):
    found = []
    for seed in range(6):
        widths = grown(seed, trees=20, common=0.35)
        widths[0] = skipped(widths[0], rings, at=70)
        found.append(ring_witness.SHIFTS[probabilities(factors_of(widths)[0]).argmax()])
    assert np.mean(np.array(found) == rings) >= 5 / 6


def test_right_counts_are_left_alone_and_sharpened():
    """Of 90 right ones none is moved a decade, and the year read gains."""
    found = np.concatenate([probabilities(factors_of(grown(seed))) for seed in range(10, 20)])
    far = found[:, np.abs(ring_witness.SHIFTS) >= 5].sum(axis=1)
    assert (far < 0.5).all()
    before = probabilities(np.ones((1, ring_witness.SHIFTS.size)))[0, ZERO]
    assert found[:, ZERO].mean() > before + 0.3


def test_stated_probabilities_hold():
    """Counts off by as much as counts stray: the year is as probable as it is often right."""
    rng = np.random.default_rng(5)
    stated, true = [], []
    for seed in range(30, 90):
        widths = grown(seed, common=0.15)
        off = int(rng.choice([0, 0, 1, 2, 3]))
        widths[0] = skipped(widths[0], off, at=int(rng.integers(30, 100))) if off else widths[0]
        found = probabilities(factors_of(widths)[0])
        stated.append(found.max())
        true.append(ring_witness.SHIFTS[found.argmax()] == off)
    error = np.sqrt(np.mean(np.array(stated) * (1 - np.array(stated))) / len(true))
    assert np.mean(true) > np.mean(stated) - 2.5 * error


def test_trees_with_nothing_in_common_say_nothing():
    """The slow wave is in common still: slow growth counts for nothing."""
    for seed in range(20):
        widths = grown(seed, common=0.0)
        widths[0] = skipped(widths[0], 10, at=70)
        before = probabilities(np.ones(ring_witness.SHIFTS.size))
        assert abs(probabilities(factors_of(widths)[0]) - before).max() < 0.1


def test_too_few_others_say_nothing():
    assert (factors_of(grown(1, trees=ring_witness.FEWEST_TREES)) == 1.0).all()
    assert (factors_of(grown(1, trees=ring_witness.FEWEST_TREES + 1)) != 1.0).any()


def survey_of(folder, widths: np.ndarray, *, others: str = "crossdated", **first_core):
    """A stand with a core of each tree at 1.37 m, the pith in it, the first counted; `first_core`:
    cells of it that are others. others: how the others are dated.
    """
    folder.mkdir()
    rows = []
    for number, own in enumerate(widths):
        there = np.flatnonzero(np.isfinite(own))
        rows.append(
            {
                "core": f"c{number}",
                "tree": f"t{number}",
                "height_cm": 137,
                "outer_ring": "complete",
                "dating": others if number else "counted",
                "first_ring_year": FIRST + there[0],
                "last_ring_year": LAST,
                "centre": "pith",
            }
        )
    rows[0] |= first_core
    trees = pd.DataFrame({"tree": [row["tree"] for row in rows], "stand": "a", "dbh_cm": 60})
    pd.DataFrame(rows).to_csv(folder / "cores.csv", index=False)
    trees.assign(species="longleaf-pine").to_csv(folder / "trees.csv", index=False)
    (folder / "stands.csv").write_text("stand,survey_date\na,2021-02-15\n")
    number, year = np.nonzero(np.isfinite(widths))
    pd.DataFrame(
        {
            "core": [f"c{each}" for each in number],
            "year": FIRST + year,
            "width_mm": widths[number, year].round(3),
        }
    ).to_csv(folder / "ring_widths.csv", index=False)
    return read_survey(folder)


@pytest.fixture
def misread():
    widths = grown(2)
    widths[0] = skipped(widths[0], 10, at=70)
    return widths


def dates_of(survey) -> pd.DataFrame:
    return date_trees(survey, 0.9).set_index("tree")


def width_at_core(dates: pd.DataFrame) -> pd.Series:
    return dates["coring_height_year_high"] - dates["coring_height_year_low"]


def test_a_skipped_decade_moves_the_date_of_its_tree_alone(tmp_path, misread):
    dates = dates_of(survey_of(tmp_path / "a", misread))
    assert dates["coring_height_year_median"].tolist() == pytest.approx([FIRST] * 9, abs=1)
    assert "its innermost ring is 10 years older than read" in dates.at["t0", "note"]
    assert (dates["note"].drop("t0") == "").all()
    survey_of(tmp_path / "b", misread)
    (tmp_path / "b" / "ring_widths.csv").unlink()
    bare = dates_of(read_survey(tmp_path / "b"))
    assert bare.at["t0", "coring_height_year_median"] == pytest.approx(FIRST + 10, abs=1)


def test_a_right_count_beside_crossdated_trees_is_sharper(tmp_path):
    dates = dates_of(survey_of(tmp_path / "a", grown(2)))
    survey_of(tmp_path / "b", grown(2))
    (tmp_path / "b" / "ring_widths.csv").unlink()
    bare = dates_of(read_survey(tmp_path / "b"))
    assert width_at_core(dates)["t0"] < 0.6 * width_at_core(bare)["t0"]
    assert dates.at["t0", "note"] == ""


def test_counted_trees_are_no_witness_of_each_other(tmp_path, misread):
    """They may all have missed the same rings, and would agree in a year that is wrong."""
    survey = survey_of(tmp_path / "a", misread, others="counted")
    assert (read_cores(survey, "a", "longleaf-pine", LONGLEAF).by_widths == 1.0).all()


def test_a_crossdated_core_is_named_and_kept(tmp_path, misread):
    first = dates_of(survey_of(tmp_path / "a", misread, dating="crossdated")).loc["t0"]
    assert first["coring_height_year_low"] == first["coring_height_year_high"] == FIRST + 10
    assert "10 years older than read" in first["note"]
    assert first["note"].endswith("the date is kept as read")


def test_a_least_number_of_rings_is_not_moved(tmp_path, misread):
    survey = survey_of(tmp_path / "a", misread, at_least="yes", centre="rotten")
    readings = read_cores(survey, "a", "longleaf-pine", LONGLEAF)
    assert (readings.by_widths[0] == 1.0).all()
    assert readings.note[0].endswith("the date is kept as read")


def test_both_roads_to_a_date_see_the_same(tmp_path, misread):
    """The evidence that the stand model is given, and what dates a tree by itself."""
    survey = survey_of(tmp_path / "a", misread)
    readings = read_cores(survey, "a", "longleaf-pine", LONGLEAF)
    years = np.arange(1850, 1960)
    evidence = evidence_over_years(readings, 0, years, LONGLEAF)
    assert years[evidence.argmax()] == FIRST
    right = evidence_over_years(readings, 0, years, LONGLEAF, right=True)
    bare = dataclasses.replace(readings, by_widths=np.ones((9, 0)))
    misread = 1.0 - right.sum() / evidence.sum()
    assert misread > 0.5
    own = evidence_over_years(bare, 0, years, LONGLEAF)
    assert own.sum() == pytest.approx(1.0, abs=0.02)
    dates = date_trees(survey, 0.9).iloc[0]
    low, high = dates["coring_height_year_low"], dates["coring_height_year_high"]
    inside = evidence[(years >= low) & (years <= high)].sum() / evidence.sum()
    assert inside == pytest.approx(0.93, abs=0.07)
