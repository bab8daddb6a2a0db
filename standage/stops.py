"""Wishes to stop (Ctrl-C, SIGTERM, a closed terminal) that have to wait."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def stops_held_back() -> Iterator[None]:
    """Wishes to stop are heard when the block ends: raised within a library that writes, or in a
    call that compiled code makes, they would be printed, lost, or come out as another error.
    """
    heard: list[int] = []
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and callable(signal.getsignal(number)):
                before[number] = signal.signal(number, lambda number, _: heard.append(number))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for number in heard[:1]:
            signal.raise_signal(number)
