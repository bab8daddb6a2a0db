"""What became of a survey of a batch: a row of the table of all."""

from __future__ import annotations

from dataclasses import dataclass

PASSED, FAILED, BAD_INPUT, ERROR, NOT_RUN = "passed", "failed", "bad input", "error", "not run"
STATES = (PASSED, FAILED, BAD_INPUT, ERROR, NOT_RUN)


@dataclass(frozen=True)
class Outcome:
    """`state` is one of `STATES`; `stands` and `seconds` are None where they are not known."""

    survey: str
    stands: int | None
    state: str
    seconds: float | None
    message: str = ""

    @property
    def has_results(self) -> bool:
        return self.state in (PASSED, FAILED)
