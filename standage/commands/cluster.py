"""Tasks done by the workers of a Dask cluster, answers as they come, whatever becomes of a worker.

Tasks and answers are small; whatever is large a worker writes where it belongs.
"""

from __future__ import annotations

import ipaddress
import threading
import time
import uuid
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from standage.commands.local_pool import Answer, Task, WorkerLost
from standage.errors import StandageError

if TYPE_CHECKING:
    from distributed import Client, Worker

PATIENCE_SECONDS = 30
"""For a scheduler to answer."""
SECONDS_WITHOUT_WORKERS = 300
"""Until a cluster that lost its workers is given up: longer than a queue that starts others takes
(assumption)."""
SECONDS_BETWEEN_LOOKS = 0.5
START_SOME = "Start some: dask worker {address} --nworkers auto --nthreads 1"

UNPROTECTED = (
    "The scheduler at {address} is reached without TLS: whoever reaches it over the network can run"
    " programs as you. docs/batch.md shows how to protect it."
)
OPEN = (
    "{who} on the network without TLS ({addresses}): whoever reaches them can run programs as you."
    " docs/batch.md shows how to protect them."
)


def on_cluster(
    tasks: Sequence[Task],
    work: Callable[[Task], Answer],
    address: str,
    *,
    check: Callable[[], str] | None = None,
    log: Callable[[str], None] = lambda _: None,
) -> Generator[tuple[Task, Answer | WorkerLost], None, None]:
    """Each task with its answer, or `WorkerLost`, by the workers of the Dask scheduler at
    `address`; as many tasks at a time as there are workers.

    check: run first by every worker; what it returns, if not empty, is what keeps that worker from
    being of use. log: takes a warning of a scheduler or workers that strangers can reach. Workers
    may come and go: the task of one that went is done by another. Closing the iterator takes back
    what was not begun. Raises StandageError without a scheduler, without workers or if they all go
    for long, if one is of no use, or if the scheduler goes away.
    """
    with _client(address) as client:
        _check_workers(client, address, check)
        _warn_of_open_ones(client, address, log)
        yield from _answers(client, address, tasks, work)


def is_protected(address: str) -> bool:
    """Whether nobody on another machine can reach a scheduler at this address without a
    certificate.

    >>> is_protected("tls://10.0.0.5:8786"), is_protected("tcp://127.0.0.1:8786")
    (True, True)
    >>> is_protected("tcp://10.0.0.5:8786"), is_protected("headnode:8786")
    (False, False)
    """
    scheme, _, place = address.rpartition("://")
    host = urlsplit(f"//{place}").hostname or ""
    try:
        loopback = ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = host == "localhost"
    return scheme in ("tls", "wss", "inproc") or loopback


def _answers(
    client: Client, address: str, tasks: Sequence[Task], work: Callable[[Task], Answer]
) -> Generator[tuple[Task, Answer | WorkerLost], None, None]:
    batch, left = uuid.uuid4().hex, iter(enumerate(tasks))
    given: dict[Any, Task] = {}

    def give() -> None:
        # no more than can be worked on: the order stays, and stopping takes little back
        while len(given) < max(_workers(client), 1) and (one := next(left, None)) is not None:
            number, task = one
            future = client.submit(_alone, work, task, key=f"survey-{batch}-{number}", pure=False)
            given[future] = task

    try:
        give()
        while given:
            future = _first_done(client, address, given)
            task = given.pop(future)
            if future.status not in ("finished", "error"):
                raise StandageError(
                    "The connection to the cluster was lost. Give the same command again to go on"
                    " where it stopped."
                )
            fault = future.exception() if future.status == "error" else None
            answer: Answer | WorkerLost = (
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


def _first_done(client: Client, address: str, given: Iterable[Any]) -> Any:
    """The first of the futures that is done. Raises StandageError where there was no worker for so
    long that none is likely to come.
    """
    seen = time.monotonic()
    while True:
        if (done := next((future for future in given if future.done()), None)) is not None:
            return done
        if _workers(client):
            seen = time.monotonic()
        elif time.monotonic() - seen > SECONDS_WITHOUT_WORKERS:
            minutes, start = SECONDS_WITHOUT_WORKERS / 60, START_SOME.format(address=address)
            raise StandageError(
                f"The cluster at {address} has had no workers for {minutes:.0f} minutes. {start}."
                " Then give the same command again: it goes on where it stopped."
            )
        time.sleep(SECONDS_BETWEEN_LOOKS)


def _workers(client: Client) -> int:
    try:
        return len(client.nthreads())
    except OSError:  # the scheduler is gone, and what was given to it soon known to be
        return 0


_ALONE = threading.Lock()


def _alone(work: Callable[[Task], Answer], task: Task) -> Answer:
    """One task at a time in a process, however many threads its worker was given: memory, figures
    and files are not shared.
    """
    with _ALONE:
        return work(task)


@contextmanager
def _client(address: str) -> Iterator[Client]:
    try:
        from distributed import Client
    except ImportError as missing:
        raise StandageError(
            "A cluster needs Dask's scheduler: pip install 'standage[dask]'. Without --cluster a"
            " batch runs on this machine."
        ) from missing
    try:
        # certificates are those of Dask's own configuration
        client = Client(address, timeout=PATIENCE_SECONDS, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError, RuntimeError) as fault:
        raise StandageError(
            f"No Dask scheduler answers at {address} ({fault}). Look at the address that `dask"
            " scheduler` printed, and at the certificates where it begins with tls."
        ) from fault
    try:
        yield client
    finally:
        client.close()


def _check_workers(client: Client, address: str, check: Callable[[], str] | None) -> None:
    if not client.nthreads():
        raise StandageError(
            f"The cluster at {address} has no workers. {START_SOME.format(address=address)}"
        )
    if check is None:
        return
    answers = client.run(check, on_error="return")
    useless = {f"{worker}: {answer}" for worker, answer in answers.items() if answer}
    if useless:
        raise StandageError(
            "Workers of the cluster can't take part:\n"
            + "\n".join(f"  {one}" for one in sorted(useless))
        )


def _warn_of_open_ones(client: Client, address: str, log: Callable[[str], None]) -> None:
    # where they listen need not be the address they are reached by: a scheduler or a worker without
    # --host is reached at 127.0.0.1, and listens on all addresses
    scheduler = [client.scheduler_info()["address"]] if is_protected(address) else []
    workers = client.run(_listens_at, on_error="return").values()
    for who, addresses in (("The scheduler listens", scheduler), ("Workers listen", workers)):
        listen = {each for each in addresses if isinstance(each, str) and not is_protected(each)}
        if listen:
            log(OPEN.format(who=who, addresses=", ".join(sorted(listen)[:3])))


def _listens_at(dask_worker: Worker) -> str:
    listener = dask_worker.listener
    return "" if listener is None else str(listener.listen_address)
