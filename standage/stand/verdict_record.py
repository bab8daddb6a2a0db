"""The verdict on a fit as plain data."""

from __future__ import annotations

from typing import TypedDict


class Check(TypedDict):
    """Something counted in the survey, and the interval in which the model expects it at the level
    of the fit; `p` of what lies as far off or farther.
    """

    name: str
    observed: float
    low: float
    high: float
    p: float


class Verdict(TypedDict):
    """Whether to trust a fit, and why.

    notes: what to try, in words. rhat_max, ess_min: worst of the quantities that people read;
    slowest: which of them has the least effective sample. steps_per_draw: gradients a draw took.
    sampling_seconds: [s]
    """

    passed: bool
    notes: list[str]
    rhat_max: float
    rhat_any_parameter: float
    ess_min: float
    slowest: str
    divergences: int
    checks: list[Check]
    steps_per_draw: float
    sampling_seconds: float
    chains: int
    draws_per_chain: int
