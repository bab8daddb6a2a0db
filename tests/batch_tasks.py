"""Tasks of the tests of `standage batch`: worker processes import them from here."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from standage.commands.batch_surveys import BatchSettings, run_one
from standage.commands.local_pool import ONE_THREAD

SHORT = BatchSettings(seed=7, level=0.8, draws=60, chains=2)


def double(number: int) -> int:
    return 2 * number


def who(number: int) -> tuple[int, dict]:
    return os.getpid(), {name: os.environ.get(name) for name in ONE_THREAD}


def die_once(job: tuple[int, str]) -> int:
    number, mark = job
    if number == 1 and not Path(mark).exists():
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def always_die_of_two(number: int) -> int:
    if number == 2:
        os._exit(3)
    return 2 * number


def wait_a_minute(folder: str) -> None:
    Path(folder, f"at-it-{os.getpid()}").touch()
    time.sleep(60)


def compiled_so_far() -> int:
    from numba.core.dispatcher import Dispatcher

    modules = [module for name, module in list(sys.modules.items()) if name.startswith("standage")]
    functions = {
        id(value): value
        for module in modules
        for value in vars(module).values()
        if isinstance(value, Dispatcher)
    }
    return sum(len(function.signatures) for function in functions.values())


def without_pictures(put: Callable[[object, str, object], None] = setattr) -> None:
    """Results of this process have none, and no report: they are most of a short run.

    put: of pytest's monkeypatch, for one test alone.
    """
    import standage.commands.run
    import standage.results.writing

    def no_report(folder: Path) -> None:
        assert folder.is_dir()

    put(standage.results.writing, "result_figures", lambda *_, **__: ())
    put(standage.results.writing, "comparison_figures", lambda *_, **__: {})
    put(standage.commands.run, "report_writer", lambda *_, **__: no_report)


def run_and_count(survey) -> tuple[str, int, int]:
    without_pictures()
    outcome = run_one(survey, SHORT)
    return outcome.state, compiled_so_far(), os.getpid()


def when(job: int) -> tuple[int, float, float]:
    began = time.time()
    time.sleep(0.2)
    return os.getpid(), began, time.time()


def useless_for(what: str) -> str:
    return what
