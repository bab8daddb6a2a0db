"""Probabilities, years and amounts in words: one table of words, and no more digits than are known.

The words for probabilities are those of the IPCC; the table in `docs/terms.md`, which has the
source, is made from this module.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import SupportsFloat

from standage.findings.intervals import Interval
from standage.grammar import after_number, listed

WIDE_INTERVAL = 40  # from this width on a median year is rounded to 5 (assumption) [years]
VERY_WIDE_INTERVAL = 100  # and from this one on to the nearest 10 (assumption) [years]
_AFTER_SIGN = re.compile(r"([<>]) (?=\d)")
_YEARS = re.compile(r"\b(\d{4})-(?=\d{4}\b)")
NOT_KNOWN = "can't be told from this survey"


@dataclass(frozen=True)
class Likelihood:
    """A class of the scale, from the probability `least` up to the next class."""

    least: float
    words: str


LIKELIHOODS = (
    Likelihood(0.99, "virtually certain"),
    Likelihood(0.90, "very likely"),
    Likelihood(0.66, "likely"),
    Likelihood(0.33, "about as likely as not"),
    Likelihood(0.10, "unlikely"),
    Likelihood(0.01, "very unlikely"),
    Likelihood(0.0, "exceptionally unlikely"),
)


def likelihood(probability: float) -> str:
    """The words alone. Raises ValueError for what is no probability.

    >>> likelihood(0.97)
    'very likely'
    """
    if not 0 <= probability <= 1:
        raise ValueError(f"a probability lies between 0 and 1, got {probability}")
    return next(step.words for step in LIKELIHOODS if probability >= step.least)


def percent(share: float) -> str:
    """A share in per cent that never claims certainty: draws can't tell 100 % from 99.9 %.

    >>> percent(0.125), percent(1.0), percent(0.0)
    ('12 %', 'more than 99 %', 'less than 1 %')
    """
    if not math.isfinite(share):
        return "unknown"
    if share > 0.99:
        return "more than 99 %"
    return "less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def shown_percent(share: float) -> str:
    """The same in fewer words, behind a statement.

    >>> shown_percent(0.125), shown_percent(1.0)
    ('12 %', '> 99 %')
    """
    return percent(share).replace("more than", ">").replace("less than", "<")


def of_hundred(share: float) -> str:
    """A share as so many of a hundred cases.

    >>> of_hundred(0.04), of_hundred(0.002)
    ('4 of 100', 'fewer than 1 of 100')
    """
    shown = percent(share).removesuffix(" %")
    return f"{shown.replace('less', 'fewer')} of 100"


def probability_words(probability: float) -> str:
    """Words and figure together, the word being that of the rounded figure; `NOT_KNOWN` for NaN.

    >>> probability_words(0.83), probability_words(0.8976)
    ('likely (83 %)', 'very likely (90 %)')
    """
    if not math.isfinite(probability):
        return NOT_KNOWN
    shown = (
        probability
        if probability < 0.01 or probability > 0.99
        else int(f"{100 * probability:.0f}") / 100
    )
    return f"{likelihood(shown)} ({percent(probability)})"


def year_words(low: float, middle: float, high: float) -> str:
    """A year with its interval, rounded to what is known: the wider the interval, the rounder the
    median, and its ends outwards.

    low, middle, high : points of one posterior [calendar year]; NaN where there is none.

    >>> year_words(1915, 1922, 1931), year_words(1930, 1930, 1930)
    ('about 1922 (1915 to 1931)', 'in 1930')
    >>> year_words(1672, 1708, 1751)
    'about 1710 (1670 to 1755)'
    """
    return f"in {low:.0f}" if low == high else _about(low, middle, high, "")


def between_words(year: Interval) -> str:
    """A year by its interval alone, `in 1930` or `between 1920 and 1930`."""
    if year.low == year.high:
        return f"in {year.low:.0f}"
    return f"between {year.low:.0f} and {year.high:.0f}"


def age_words(low: float, middle: float, high: float) -> str:
    """An age with its interval, rounded like a year. [years]

    >>> age_words(93, 102, 109)
    'about 102 years (93 to 109)'
    """
    return f"{low:.0f} years" if low == high else _about(low, middle, high, " years")


def unbroken(words: str) -> str:
    """Words whose figures keep their signs, and spans of years their ends, at line ends.

    >>> unbroken("about 5 % (> 99 %)")
    'about 5\\xa0% (>\\xa099\\xa0%)'
    """
    words = _YEARS.sub("\\1\u2011", _AFTER_SIGN.sub("\\1\u00a0", words))
    return words.replace(" %", "\u00a0%")


def either_words(ranges: Iterable[tuple[float, float, float]], unit: str = "") -> str:
    """Ranges of which one holds, each from its first to its last, with its probability.

    >>> either_words([(101, 116, 0.72), (79, 87, 0.19)], "years")
    'either 101 to 116 years (72 %) or 79 to 87 (19 %)'
    """
    parts = [
        f"{low:.0f} to {high:.0f}{f' {unit}' if unit and not number else ''}"
        f" ({shown_percent(chance)})"
        for number, (low, high, chance) in enumerate(ranges)
    ]
    return f"either {listed(parts, 'or')}"


def _about(low: float, middle: float, high: float, unit: str) -> str:
    if not all(_is_number(value) for value in (low, middle, high)):
        return NOT_KNOWN
    step = rounding_of(high - low)
    first, last = math.floor(low / step) * step, math.ceil(high / step) * step
    about = min(max(round(middle / step) * step, first), last)
    return f"about {about}{after_number(str(about), unit)} ({first} to {last})"


def rounding_of(width: float) -> int:
    """To how many years a date with an interval of this width is rounded. [years]"""
    return 10 if width >= VERY_WIDE_INTERVAL else 5 if width >= WIDE_INTERVAL else 1


def _is_number(value: object) -> bool:
    # pandas' missing value is no float
    return isinstance(value, SupportsFloat) and math.isfinite(value)


def rounded(number: float) -> str:
    """A number with two digits above one, and one below."""
    if not math.isfinite(number):
        return "an unknown number"
    if number < 0.1:
        return "none" if number < 0.005 else "less than 0.1"
    digits = 2 if number >= 1 else 1
    places = digits - 1 - math.floor(math.log10(number))
    value = round(number, places)
    if value >= 10 or value == int(value):
        return f"{value:,.0f}".replace(",", " ")
    return f"{value:.1f}"


def amount_words(low: float, middle: float, high: float, unit: str, *, median: bool = True) -> str:
    """An amount with its interval, each end to two digits at most. unit: what is counted, or blank.

    median: whether it is given; a wide interval is better without.

    >>> amount_words(151.3, 203.8, 262.0, "stems per hectare")
    'about 200 stems per hectare (150 to 260)'
    >>> amount_words(0.4, 1, 3, "stems per hectare")
    'about 1 stem per hectare (0.4 to 3)'
    """
    if not all(_is_number(value) for value in (low, middle, high)):
        return NOT_KNOWN
    least, about, most = rounded(low), rounded(middle), rounded(high)
    shown = about if median or least == most else most
    counted_in = f" {after_number(shown, unit)}" if unit else ""
    if least == most:
        return f"about {about}{counted_in}" if high >= 0.1 else f"{about}{counted_in}"
    if not median and high < 0.1:
        return f"{most}{counted_in}"
    if not median:
        return f"{f'{least} to' if low >= 0.1 else 'up to'} {most}{counted_in}"
    return f"about {about}{counted_in} ({least} to {most})"


def share_words(low: float, middle: float, high: float) -> str:
    """A share with its interval; one figure where its ends round alike.

    >>> share_words(0.2, 0.26, 0.31), share_words(0.002, 0.02, 0.04), share_words(0.999, 1, 1)
    ('26 % (20 to 31 %)', '2 % (up to 4 %)', 'more than 99 %')
    """
    if not all(_is_number(value) for value in (low, middle, high)):
        return NOT_KNOWN
    least, about, most = percent(low), percent(middle), percent(high)
    if least == most:
        return about
    if least == percent(0.0):
        return f"{about} (up to {most})"
    return f"{about} ({least.removesuffix(' %')} to {most})"


def likelihood_ranges() -> list[tuple[str, str]]:
    """The words with their probabilities, `from 90 % to under 99 %`."""
    upper = [1.0, *(step.least for step in LIKELIHOODS[:-1])]
    return [
        (
            step.words,
            f"from {100 * step.least:.0f} % to {'' if high == 1 else 'under '}{100 * high:.0f} %",
        )
        for step, high in zip(LIKELIHOODS, upper, strict=True)
    ]


def likelihood_table() -> str:
    """The table of words as markdown, for docs/terms.md."""
    upper = [1.0, *(step.least for step in LIKELIHOODS[:-1])]
    lines = ["| said | means a probability of |", "|---|---|"]
    for step, below in zip(LIKELIHOODS, upper, strict=True):
        means = (
            f"{100 * step.least:.0f} % or more"
            if below == 1
            else f"{100 * step.least:.0f} % to under {100 * below:.0f} %"
        )
        lines.append(f"| {step.words} | {means if step.least else f'under {100 * below:.0f} %'} |")
    return "\n".join(lines)
