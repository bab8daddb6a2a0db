"""Tasks done by worker processes, on this machine or on a Dask cluster: answers as they come,
whatever becomes of a worker.

Each worker does one task at a time and many one after the other, so that what is compiled or loaded
is so once a worker. Tasks and answers are small; whatever is large a worker writes where it
belongs.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import uuid
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import connection
from typing import Any

from standage.errors import StandageError

ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)
# a worker may be ended for another's memory, so its task gets a second one; a task that ends two is
# left alone
TRIES = 2
PATIENCE_SECONDS = 30  # for a scheduler to answer, and for a worker that is told to leave


@dataclass(frozen=True)
class WorkerLost:
    """In place of an answer: no worker lived to give it."""

    reason: str


def on_this_machine(
    tasks: Sequence[Any], work: Callable[[Any], Any], workers: int
) -> Generator[tuple[Any, Any], None, None]:
    """Each task with its answer, or `WorkerLost`, in the order in which they are done.

    work: a function of a module, which does not raise. workers: processes started afresh, with one
    thread for linear algebra each; 0 does all in this process. Closing the iterator stops the
    workers and what they are at. Raises StandageError if a process can't start.
    """
    if not workers:
        yield from ((task, work(task)) for task in tasks)
        return
    waiting = deque((task, 1) for task in tasks)
    crew: list[_Worker] = []
    try:
        while True:
            for worker in [one for one in crew if one.free]:
                if not waiting or not worker.takes(waiting[0]):
                    crew.remove(worker)
                    worker.leave()
                else:
                    waiting.popleft()
            starting = sum(not one.started for one in crew)
            crew += [
                _Worker(work) for _ in range(min(workers - len(crew), len(waiting) - starting))
            ]
            if not crew:
                return
            for link in connection.wait([one.link for one in crew]):
                worker = next(one for one in crew if one.link is link)
                try:
                    answer = worker.says()
                except (EOFError, OSError):
                    crew.remove(worker)
                    task, tries = worker.lost()
                    if tries < TRIES:
                        waiting.appendleft((task, tries + 1))
                    else:
                        yield (
                            task,
                            WorkerLost(
                                f"{worker.end}, {tries} times; most often there was not enough"
                                " memory"
                            ),
                        )
                else:
                    if answer is not None:
                        yield answer
    finally:
        for worker in crew:
            worker.stop()


class _Worker:
    """A process that answers one task after the other. It says that it has started before it is
    given one.
    """

    def __init__(self, work: Callable[[Any], Any]) -> None:
        context = multiprocessing.get_context("spawn")
        self.link, other = context.Pipe()
        self.started = False
        self.job: tuple[Any, int] | None = None
        self.process = context.Process(target=_serve, args=(other, work), daemon=True)
        with _as_workers_start():
            self.process.start()
        other.close()

    @property
    def free(self) -> bool:
        return self.started and self.job is None

    @property
    def end(self) -> str:
        code = self.process.exitcode
        named = f"by signal {-code}" if code is not None and code < 0 else f"with exit code {code}"
        return f"the process that worked on it ended {named}"

    def takes(self, job: tuple[Any, int]) -> bool:
        """Whether the job could be given to it; a worker may have died idle."""
        try:
            self.link.send(job[0])
        except OSError:
            return False
        self.job = job
        return True

    def says(self) -> tuple[Any, Any] | None:
        """Its task and answer; None the first time, when it only says that it has started."""
        answer = self.link.recv()
        if not self.started:
            self.started = True
            return None
        (task, _), self.job = self.job, None
        return task, answer

    def lost(self) -> tuple[Any, int]:
        self.process.join()
        self.link.close()
        if not self.started:
            raise StandageError(
                f"A worker process could not start (exit code {self.process.exitcode}). In a"
                " script, start a batch below `if __name__ == '__main__':`; otherwise try fewer"
                " --workers."
            )
        return self.job

    def leave(self) -> None:
        """Nothing is left for it; it ends by itself when nobody is at the other end."""
        self.link.close()
        self.process.join(PATIENCE_SECONDS)

    def stop(self) -> None:
        self.process.terminate()
        self.process.join(PATIENCE_SECONDS)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()
        self.link.close()


def _serve(link: connection.Connection, work: Callable[[Any], Any]) -> None:
    signal.signal(
        signal.SIGINT, signal.SIG_IGN
    )  # whoever started the batch decides what an interrupt at the terminal means
    signal.signal(
        signal.SIGTERM, lambda *_: sys.exit(1)
    )  # an exception, so that half-written folders are cleared away
    try:
        link.send(None)
        while True:
            link.send(work(link.recv()))
    except (EOFError, OSError):
        return  # nobody listens any more


@contextmanager
def _as_workers_start() -> Iterator[None]:
    """Environment read by libraries when they are first loaded, and no interrupt before a process
    knows what to do about it.
    """
    outside = {name: os.environ.get(name) for name in ONE_THREAD}
    in_main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if in_main else None
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in outside.items():
            os.environ.pop(name) if value is None else os.environ.update({name: value})
        if in_main:
            signal.signal(signal.SIGINT, before)


def on_cluster(
    tasks: Sequence[Any],
    work: Callable[[Any], Any],
    address: str,
    *,
    look: Callable[[], str] | None = None,
) -> Generator[tuple[Any, Any], None, None]:
    """As `on_this_machine`, by the workers of the Dask scheduler at `address`; as many tasks at a
    time as there are workers.

    look: run first by every worker; what it returns, if not empty, is what keeps that worker from
    being of use. Workers may come and go: the task of one that went is done by another. Closing the
    iterator takes back what was not begun. Raises StandageError without a scheduler, without
    workers, if one is of no use, or if the scheduler goes away.
    """
    with _client(address) as client:
        _check_workers(client, address, look)
        yield from _answers(client, tasks, work)


def _answers(
    client, tasks: Sequence[Any], work: Callable[[Any], Any]
) -> Generator[tuple[Any, Any], None, None]:
    from distributed import as_completed

    batch, left, given = uuid.uuid4().hex, iter(enumerate(tasks)), {}
    done = as_completed(loop=client.loop)

    def give() -> None:
        # no more than can be worked on: the order stays, and stopping takes little back
        while len(given) < max(len(client.nthreads()), 1) and (one := next(left, None)) is not None:
            number, task = one
            future = client.submit(_alone, work, task, key=f"survey-{batch}-{number}", pure=False)
            given[future] = task
            done.add(future)

    try:
        give()
        for future in done:
            task = given.pop(future)
            if future.status not in ("finished", "error"):
                raise StandageError(
                    "The connection to the cluster was lost. Give the same command again to go on"
                    " where it stopped."
                )
            fault = future.exception() if future.status == "error" else None
            answer = (
                future.result()
                if fault is None
                else WorkerLost(f"no worker came through with it ({type(fault).__name__}: {fault})")
            )
            future.release()
            give()
            yield task, answer
    finally:
        if given and client.status == "running":
            client.cancel(list(given))


_ALONE = threading.Lock()


def _alone(work: Callable[[Any], Any], task: Any) -> Any:
    """One task at a time in a process, however many threads its worker was given: memory, figures
    and files are not shared.
    """
    with _ALONE:
        return work(task)


@contextmanager
def _client(address: str):
    try:
        from distributed import Client
    except ImportError as missing:
        told = (
            "A cluster needs Dask's scheduler: pip install 'standage[dask]'. Without --cluster a"
            " batch runs on this machine."
        )
        raise StandageError(told) from missing
    try:
        client = Client(address, timeout=PATIENCE_SECONDS, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError) as fault:
        told = (
            f"No Dask scheduler answers at {address} ({fault}). Look at the address that `dask"
            " scheduler` printed."
        )
        raise StandageError(told) from fault
    try:
        yield client
    finally:
        client.close()


def _check_workers(client, address: str, look: Callable[[], str] | None) -> None:
    if not client.nthreads():
        raise StandageError(
            f"The cluster at {address} has no workers. Start some: dask worker {address} --nworkers"
            " auto --nthreads 1"
        )
    if look is None:
        return
    said = client.run(look, on_error="return")
    useless = {f"{worker}: {answer}" for worker, answer in said.items() if answer}
    if useless:
        raise StandageError(
            "Workers of the cluster can't take part:\n"
            + "\n".join(f"  {one}" for one in sorted(useless))
        )
