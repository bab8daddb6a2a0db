"""Of many cases of one kind, some at each test and all of them in CI."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

EVERY = 3
"""Of which one case is quick: what breaks the code behind them breaks more than one."""


def quick_sample(cases: Iterable[Any], *, first: int = 0) -> list[Any]:
    """The cases, all but every so manieth, from the one numbered `first` on, marked slow."""
    return [
        case
        if number % EVERY == first
        else pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.slow)
        for number, case in enumerate(cases)
    ]
