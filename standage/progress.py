"""Progress with the time left, on standard error: a bar at a terminal, a line now and then
elsewhere.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

SECONDS_BEFORE_FIRST = 2.0  # shorter work stays silent
# done before the time left is told: at first it would count loops being compiled, and be hours
LEAST_SHARE_TOLD = 0.02
SECONDS_BETWEEN_LINES = 10.0  # where there is no terminal to redraw a bar on


@contextmanager
def progress_on_screen() -> Iterator[Callable[[float, str], None]]:
    """A function `(share done, what)` that shows progress until the block ends."""
    if sys.stderr.isatty():
        with _bar() as show:
            yield show
    else:
        yield _Lines()


@contextmanager
def _bar() -> Iterator[Callable[[float, str], None]]:
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskID,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def show(share: float, what: str) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=1.0)
            bar.update(tasks[what], completed=share)

        yield show


class _Lines:
    """Lines with the time left, for logs."""

    def __init__(self) -> None:
        self._began: dict[str, float] = {}
        self._last = time.monotonic()

    def __call__(self, share: float, what: str) -> None:
        now = time.monotonic()
        began = self._began.setdefault(what, now)
        due = SECONDS_BETWEEN_LINES if self._last > began else SECONDS_BEFORE_FIRST
        if now - max(self._last, began) < due or share <= 0 or share >= 1:
            return
        self._last = now
        left = (now - began) * (1 - share) / share
        about = f", about {left:.0f} s left" if share >= LEAST_SHARE_TOLD else ""
        print(f"{what}: {share:.0%} done{about}", file=sys.stderr, flush=True)
