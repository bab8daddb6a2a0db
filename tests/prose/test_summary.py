"""The printed summary and the report, as a whole."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path

import pytest
from fake_findings import fake_findings
from fake_posterior import fake_posterior
from html_page import HtmlPage

from standage.prose.brief import brief
from standage.prose.measures import Measures
from standage.prose.sensitivity import (
    DATES_ERROR,
    DATES_TOO_LATE,
    GRASS_STAGE_OFF,
    GRASS_YEARS_LONGER,
)
from standage.prose.summary import full_summary, summary


@pytest.fixture(scope="module")
def texts(findings, html):
    """Everything a reader is told: the summary and the report."""
    return full_summary(findings), HtmlPage(html).text


@pytest.fixture(scope="module")
def with_a_misfit():
    """Everything that a reader is told of a fit whose chains agree and that fails a check."""
    posterior = fake_posterior(draws=60)
    posterior.verdict["checks"] = [{"name": "Fern Flat: stems of 10 to 20 cm", "p": 0.001}]
    findings = fake_findings(posterior)
    words = brief(findings, Measures())
    on_paper = " ".join(str(value) for value in asdict(words).values())
    return summary(findings), full_summary(findings), on_paper


def test_a_median_is_never_called_the_likeliest(texts):
    for text in texts:
        assert not re.search(r"most likely (around|about|\d)", text)
        assert re.search(r"about \d{4} \(\d{4} to \d{4}\)", text)


@pytest.mark.parametrize(
    "not_for_readers",
    [
        r"from memory",
        r"\btests?/|\btest_\w+",  # names of test files
        r"whitened",
        r"(?<![\d.,])1 (stems|trees|cores|plots|years|rings|plants|pulses|stands|draws)\b",
    ],
)
def test_what_is_no_business_of_readers_is_not_said(texts, not_for_readers):
    for text in texts:
        assert not re.search(not_for_readers, text)


def test_a_fit_that_fails_a_check_is_nowhere_called_passed_or_sound(with_a_misfit):
    for text in with_a_misfit:
        assert "can be used with doubts" in text and "fit is sound" not in text
        assert not re.search(r"\bpass(ed|es)\b(?! the height)", text)


def test_no_event_is_said_to_explain_a_pulse(texts):
    for text in texts:
        assert "explain" not in text and "logging of one year in 1926-1928" in text
        assert (
            "chance alone brings an event so near" in text
        )  # what chance would bring stands beside it


def test_how_far_dates_are_off_where_the_trees_differ_from_the_profile_is_what_was_measured():
    """By shifting the truth of simulated trees, not the prior."""
    from studies.wrong_assumptions import DEPARTURES

    assert DEPARTURES["grass stage three years longer"] == {
        "grass_years_longer": GRASS_YEARS_LONGER
    }
    page = Path("docs/validation.md").read_text()
    assert f"| three years longer | +{DATES_TOO_LATE}±{DATES_ERROR};" in page
    assert "3 years longer" in GRASS_STAGE_OFF and "2 years too late" in GRASS_STAGE_OFF
