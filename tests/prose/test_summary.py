"""The printed summary and the report, as a whole."""

from __future__ import annotations

import re

import pytest
from html_page import HtmlPage

from standage.prose.summary import full_summary


@pytest.fixture(scope="module")
def texts(findings, html):
    """Everything a reader is told: the summary and the report."""
    return full_summary(findings), HtmlPage(html).text


def test_a_median_is_never_called_the_likeliest(texts):
    for text in texts:
        assert not re.search(r"most likely (around|about|\d)", text)
        assert re.search(r"about \d{4} \(\d{4} to \d{4}\)", text)


def test_nothing_constant_is_said_of_pulses_and_cuts(texts):
    """Whether a pulse holds if cutting differs is not worked out, so that nothing is said of it."""
    for text in texts:
        assert "Cutting is on record" not in text and "If cutting differs" not in text


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


def test_no_event_is_said_to_explain_a_pulse(texts):
    for text in texts:
        assert "explain" not in text and "logging of one year in 1926-1928" in text
        assert (
            "chance alone brings an event so near" in text
        )  # what chance would bring stands beside it
