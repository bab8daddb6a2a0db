"""Words for probabilities, years and amounts: from one table, rounded to what is known, and never
more than that.
"""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from standage import grammar
from standage.grammar import counted, listed
from standage.prose import cautions
from standage.prose import wording as words
from standage.prose.wording import (
    LIKELIHOODS,
    NOT_KNOWN,
    age_words,
    likelihood,
    likelihood_table,
    percent,
    probability_words,
    year_words,
)

ROOT = Path(__file__).parents[2]


def test_examples_in_the_module_hold():
    assert doctest.testmod(words).attempted > 5 and doctest.testmod(words).failed == 0
    for module in (cautions, grammar):
        assert doctest.testmod(module).attempted and doctest.testmod(module).failed == 0


def test_the_page_has_the_table_of_the_code():
    assert likelihood_table() in (ROOT / "docs" / "terms.md").read_text(encoding="utf-8"), (
        "write likelihood_table() into docs/terms.md"
    )


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (1.0, "virtually certain"),
        (0.99, "virtually certain"),
        (0.95, "very likely"),
        (0.66, "likely"),
        (0.5, "about as likely as not"),
        (0.2, "unlikely"),
        (0.05, "very unlikely"),
        (0.0, "exceptionally unlikely"),
    ],
)
def test_words_are_those_of_the_published_scale(probability, said):
    """Intergovernmental Panel on Climate Change 2007, Working Group II: > 99, 90-99, 66-90, 33-66,
    10-33, 1-10, < 1 %.
    """
    assert likelihood(probability) == said
    assert probability_words(probability) == f"{said} ({percent(probability)})"


@given(some.floats(0, 1))
def test_word_and_figure_never_contradict_each_other(probability):
    word, figure = re.fullmatch(r"(.*) \((.*) %\)", probability_words(probability)).groups()
    said = (
        {"more than 99": 1.0, "less than 1": 0.0}.get(figure)
        if not figure.isdigit()
        else int(figure) / 100
    )
    assert word == likelihood(said)


def test_what_is_no_probability_is_refused_and_what_is_unknown_is_said():
    with pytest.raises(ValueError, match="between 0 and 1"):
        likelihood(1.2)
    assert (
        probability_words(float("nan")) == NOT_KNOWN
        and year_words(float("nan"), 1900, 1910) == NOT_KNOWN
    )
    assert [step.least for step in LIKELIHOODS] == sorted(
        (step.least for step in LIKELIHOODS), reverse=True
    ) and LIKELIHOODS[-1].least == 0


def test_years_are_said_as_people_say_them():
    assert year_words(1915, 1922, 1931) == "about 1922 (1915 to 1931)"
    assert year_words(1915, 1915, 1915) == "in 1915"
    assert year_words(1671, 1708, 1838) == "about 1710 (1670 to 1840)"
    assert age_words(12, 12, 12) == "12 years"


@given(some.integers(1500, 2000), some.integers(0, 300), some.floats(0, 1))
def test_rounding_never_makes_an_interval_narrower(low, width, place):
    high, middle = low + width, round(low + place * width)
    said = [int(number) for number in re.findall(r"\d{4}", year_words(low, middle, high))]
    if width == 0:
        assert said == [low]
        return
    about, first, last = said
    assert first <= low and last >= high and first <= about <= last
    assert low - first < 10 and last - high < 10 and abs(about - middle) <= 5


def test_lists_and_counts():
    assert listed([]) == "" and listed(["a"]) == "a" and listed(["a", "b", "c"]) == "a, b and c"
    assert (
        counted(0, "core") == "no core"
        and counted(1, "core") == "1 core"
        and counted(2, "core") == "2 cores"
    )
