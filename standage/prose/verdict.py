"""The verdict on a fit, and what an interval means, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def intervals_sentence(level: float) -> str:
    """What an interval is, once for all sentences."""
    return (
        "In brackets behind a median: the interval that holds the truth with a probability of"
        f" {100 * level:.0f} %, given the survey and the model."
    )


def verdict_sentence(verdict: Mapping[str, Any]) -> str:
    """Whether the fit can be used, with its numbers."""
    numbers = (
        f"largest R-hat {verdict['rhat_max']:.3f}, smallest effective sample"
        f" {verdict['ess_min']:.0f}, {verdict['divergences']} divergent transitions"
    )
    passed = f"The fit passed its checks ({numbers})."
    failed = f"THE FIT DID NOT PASS its checks ({numbers}): do not use the numbers below."
    return " ".join([passed if verdict["passed"] else failed, *verdict.get("notes", ())])
