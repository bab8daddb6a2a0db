"""Lines above headings and of notes, in clauses: one is only acted on where every word of its
clause is of a known form, and nothing else in the line limits it.
"""

from __future__ import annotations

import re

_LIMITED = re.compile(
    r"\b(?:not|no|never|without|except\w*|exc|excl|excluding|apart from|other than|but|only"
    r"|unless|if|however|although|some|most"
    r"|mostly|others?|rest|usually|in plot)\b|n't\b",
    re.IGNORECASE,
)
"""Words that limit what a line says, or turn it round (common practice, no source)."""


def is_limited(text: str) -> bool:
    """Whether a line limits what it says.

    >>> is_limited("0.1 ha each except plot 2"), is_limited("Plots 0.1 ha each")
    (True, False)
    """
    return _LIMITED.search(text) is not None


def clauses(text: str) -> list[str]:
    """The clauses of a line; none of one that limits what it says.

    >>> clauses("Cores at 1 ft, bark to pith. 1,5 m"), clauses("not cored at 1 ft")
    (['Cores at 1 ft', 'bark to pith', '1,5 m'], [])
    """
    if is_limited(text):
        return []
    parts = re.split(r";|,(?!\d)|\.(?=\s|$)|\s[-\u2013]\s", text)
    return [part.strip() for part in parts if part.strip()]
