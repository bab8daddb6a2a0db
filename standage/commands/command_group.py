"""What all commands have in common: how they end.

Exit codes: 0 done, 2 the input can't be used or the output can't be written as things are, 3 the
fit fails its checks, 4 pictures or the report are missing from a result, 5 a run that was repeated
came out otherwise, 130 stopped with Ctrl-C, 143 ended by the system.
"""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

import click

from standage.errors import StandageError, plainly
from standage.notices import Notice

HELP_OPTIONS = {"help_option_names": ["-h", "--help"]}
BAD_INPUT = 2
FIT_FAILED = 3
INCOMPLETE = 4
CAME_OUT_OTHERWISE = 5
STOPPED = 130
ENDED = 143
SECONDS_UNTIL_HEARD = 0.02
"""After which a wish to stop that Python ignored is sent once more: the object is gone by then."""


class Ended(KeyboardInterrupt):
    """The system asks the process to end, or its terminal is closed: all is left in order, as after
    Ctrl-C.
    """


class CommandGroup(click.Group):
    """Turns every expected error into a message on standard error and an exit code, never a
    traceback.
    """

    def command(self, *args: Any, **settings: Any) -> Any:
        """As click's; `-h` helps with every command."""
        return super().command(*args, **{"context_settings": HELP_OPTIONS} | settings)

    def main(self, *args: Any, **settings: Any) -> Any:
        """As click's, which prints the help before any command is called."""
        try:
            return super().main(*args, **settings)
        except OSError as error:
            if isinstance(error, BrokenPipeError):
                raise  # whoever reads has seen enough
            _say_unwritten(error)
            sys.exit(BAD_INPUT)

    def invoke(self, context: click.Context) -> Any:
        try:
            with _notes_for_people(), _ended_by_signals(), _stops_never_lost():
                return super().invoke(context)
        except StandageError as problem:
            _say(str(problem))
            context.exit(BAD_INPUT)
        except OSError as error:
            if isinstance(error, BrokenPipeError):
                raise
            _say_unwritten(error)
            context.exit(BAD_INPUT)
        except KeyboardInterrupt as stop:
            _say(str(stop) or "stopped; nothing was written")
            context.exit(ENDED if isinstance(stop, Ended) else STOPPED)


def _say_unwritten(error: OSError) -> None:
    how = "read or written" if error.filename else "written"
    named = plainly(str(error.filename or "standard output"))
    _say(f"{named}: can't be {how} ({error.strerror or error}).")
    _close_standard_output()


def _say(text: str) -> None:
    # a result or a profile of somebody else's may be quoted, with what steers a terminal in it
    text = "\n".join(plainly(line, len(line)) for line in text.split("\n"))
    with suppress(OSError):  # a screen that can't be written is no reason for a traceback
        click.echo(text, err=True)


def _close_standard_output() -> None:
    """What waits to be written to a full disk would fail once more when Python ends."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


@contextmanager
def _notes_for_people() -> Iterator[None]:
    """A notice is one plain line, without the place in the code. What libraries say of themselves
    is not for people, however the interpreter was started.
    """
    logging.getLogger("matplotlib").addHandler(logging.NullHandler())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", Notice)
        warnings.showwarning = lambda message, *_, **__: _say(f"Note: {message}")
        yield


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Until the block ends, a wish of the system to end the process raises `Ended`."""

    def end(number: int, _: FrameType | None) -> None:
        raise Ended

    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            # whoever started the process may have asked it not to listen, as nohup does
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _stops_never_lost() -> Iterator[None]:
    """Until the block ends, a wish to stop that arrives where Python ignores exceptions, as in the
    clearing away of an object, is sent once more. What a library couldn't end on a disk without
    room, and would say later, isn't shown: the command has said what went wrong.
    """
    before = sys.unraisablehook

    def send_again(lost: sys.UnraisableHookArgs) -> None:
        if not isinstance(lost.exc_value, KeyboardInterrupt):
            if not isinstance(lost.exc_value, OSError | ValueError):
                before(lost)
            return
        number = signal.SIGTERM if isinstance(lost.exc_value, Ended) else signal.SIGINT
        again = threading.Timer(SECONDS_UNTIL_HEARD, signal.raise_signal, (number,))
        again.daemon = True
        again.start()

    sys.unraisablehook = send_again
    try:
        yield
    finally:
        sys.unraisablehook = before
