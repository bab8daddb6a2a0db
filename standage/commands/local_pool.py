"""Tasks done by worker processes on this machine, answers as they come, whatever becomes of a
worker.

Each worker does one task at a time and many one after the other, so that what is compiled or loaded
is so once a worker. Each is a pool of its own: a worker that is killed takes no neighbour's task
with it.
"""

from __future__ import annotations

import os
import re
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import TypeVar

from loky import ProcessPoolExecutor

Task = TypeVar("Task")
Answer = TypeVar("Answer")

ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)
TRIES = 2
"""A worker may be ended for another's memory, so its task gets a second one; a task that ends two
is left alone.
"""
SECONDS_BETWEEN_LOOKS = 2.0
"""Between the looks of a worker whether anybody is left who wants its answers."""


@dataclass(frozen=True)
class WorkerLost:
    """In place of an answer: no worker lived to give it."""

    reason: str


def on_this_machine(
    tasks: Sequence[Task], work: Callable[[Task], Answer], workers: int
) -> Generator[tuple[Task, Answer | WorkerLost], None, None]:
    """Each task with its answer, or `WorkerLost`, in the order in which they are done.

    work: a function of a module, which does not raise. workers: processes started afresh, with one
    thread for linear algebra each; 0 does all in this process. Closing the iterator kills the
    workers at what they are doing.
    """
    if not workers:
        yield from ((task, work(task)) for task in tasks)
        return
    waiting = deque((task, 1) for task in tasks)
    idle = [_worker() for _ in range(min(workers, len(waiting)))]
    busy: dict[Future[Answer], tuple[ProcessPoolExecutor, Task, int]] = {}
    try:
        while waiting or busy:
            while waiting and idle:
                worker, (task, attempt) = idle.pop(), waiting.popleft()
                busy[worker.submit(work, task)] = (worker, task, attempt)
            for future in wait(busy, return_when=FIRST_COMPLETED).done:
                worker, task, attempt = busy.pop(future)
                try:
                    answer: Answer | WorkerLost = future.result()
                except BrokenProcessPool as end:
                    worker.shutdown()
                    idle.append(_worker())
                    if attempt < TRIES:
                        waiting.appendleft((task, attempt + 1))
                        continue
                    answer = WorkerLost(_how_it_ended(end))
                else:
                    idle.append(worker)
                yield task, answer
    finally:
        for worker in [*idle, *(worker for worker, _, _ in busy.values())]:
            worker.shutdown(kill_workers=True)


def _worker() -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        1, env=ONE_THREAD, initializer=_start, initargs=(os.getpid(),), timeout=None
    )


def _start(starter: int) -> None:
    """What a worker does first. Whoever started the batch decides what an interrupt at the terminal
    means; where it is gone, however it went, the worker goes too.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def leave_when_alone() -> None:
        while os.getppid() == starter:
            time.sleep(SECONDS_BETWEEN_LOOKS)
        os._exit(1)

    threading.Thread(target=leave_when_alone, daemon=True).start()


def _how_it_ended(end: BrokenProcessPool) -> str:
    code = re.search(r"exit codes of the workers are \{(.+?)\}", str(end))
    return (
        f"the process that worked on it was ended{f' ({code[1]})' if code else ''}, {TRIES} times;"
        " most often there was not enough memory"
    )
