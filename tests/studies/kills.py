"""Kills at random moments, with files of the user's beside the results.

    python tests/studies/kills.py --kills 100 --batches 50 --runs 50

`run`, `check --mark`, `ages` and `card` are forked from a process that has loaded the libraries and
holds the draws, so that a kill takes seconds; `batch`, with two workers, and whole runs are the
installed command, which reads, samples and writes. By turns they are killed (signal 9) or asked to end (signal 15), at any moment of their time. Asked each
time: every file of the user's is as it was; a result or table is the earlier one or the new one,
whole; no process is left; asked to end, a command says so, and leaves nothing half-written; and the
same command, left alone, then ends with the new result and nothing beside it.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.write_faults import (
    COMMANDS,
    TEMPORARY,
    Attack,
    Command,
    invoked,
    is_batch_begun,
    quick,
    which_one,
)

from standage.errors import StandageError
from standage.results.folder import read_provenance

FORKED = ("run", "check --mark", "ages", "card")
BATCH = "batch, no result before"
SIGNALS = (signal.SIGKILL, signal.SIGTERM)
ENDED = 143
SECONDS_TO_GO = 6.0
"""Within which workers whose batch was killed are gone: they look every two seconds."""


class Killed(Attack):
    """A command that is killed; `takes`: seconds it takes when left alone."""

    def __init__(self, command: Command, place: Path) -> None:
        super().__init__(command, place)
        self.ready()
        began = time.perf_counter()
        self.ended(None, 0.0)
        self.takes = time.perf_counter() - began

    def ended(self, number: int | None, seconds: float) -> tuple[int, str]:
        """Exit code and words of the command, to which a signal is sent after some seconds."""
        said = self.place / "said.txt"
        said.write_bytes(b"")
        process = multiprocessing.get_context("fork").Process(target=self._child, args=(said,))
        process.start()
        if number is not None:
            time.sleep(seconds)
            if process.is_alive():
                os.kill(process.pid, number)
        process.join()
        return process.exitcode, said.read_text(encoding="utf-8")

    def _child(self, said: Path) -> None:
        with quick():
            done = invoked(self.command.words, self.place)
        said.write_text(done.output, encoding="utf-8")
        sys.exit(done.exit_code)

    def faults(self, number: int, code: int, said: str) -> list[str]:
        """What must not be after a kill."""
        wrong = []
        if self.users() != self.mine:
            wrong.append("files of the user's")
        for name in self.command.results:
            with contextlib.suppress(StandageError):
                read_provenance(self.site / name)  # ends what a kill between two renames left
        for name, what in self.state().items():
            earlier, new = self.earlier[name], self.new[name]
            which = which_one(what, earlier, new, name)
            begun = which == "neither" and is_batch_begun(name, what, new, earlier)
            if isinstance(what, str) or (which in ("neither", "lost") and not begun):
                wrong.append(f"{name}: {which}")
        if "Traceback" in said:
            wrong.append("a traceback on the screen")
        if number == signal.SIGTERM and code not in (-number, ENDED, *self.command.codes):
            wrong.append(f"exit code {code}")
        if number == signal.SIGTERM and code == ENDED:
            draws = (".standage", ".standage/draws.npz", ".standage/owner.json")
            left = [name for name in self.beside() if not name.endswith(draws)]
            wrong += [f"left beside: {left}"] if left else []
        wrong += self.faults_of_a_rerun()
        return wrong

    def became(self) -> str:
        kinds = Counter(
            which_one(what, self.earlier[name], self.new[name], name)
            for name, what in self.state().items()
        )
        return ", ".join(sorted(kinds))


@dataclass(frozen=True)
class Ended:
    exit_code: int
    output: str


class Installed(Killed):
    """The installed command; a batch has two workers."""

    def alone(self) -> Ended:
        return Ended(*self.ended(None, 0.0))

    def ended(self, number: int | None, seconds: float) -> tuple[int, str]:
        command = [sys.executable, "-c", "from standage.commands.cli import main; main()"]
        workers = ["--workers", "2"] if self.command.words[0] == "batch" else []
        process = subprocess.Popen(
            [*command, *self.command.words, *workers],
            cwd=self.site,
            env=os.environ | {"TMPDIR": str(self.place / TEMPORARY)},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        if number is not None:
            time.sleep(seconds)
            process.send_signal(number)
        # its workers hold the pipe, so that its end is theirs
        said, _ = process.communicate(timeout=1800)
        until = time.monotonic() + SECONDS_TO_GO
        while (left := _of_session(process.pid)) and time.monotonic() < until:
            time.sleep(0.1)
        for pid in left:
            os.kill(pid, signal.SIGKILL)
        self.left_running = len(left)
        return process.returncode, said

    def faults(self, number: int, code: int, said: str) -> list[str]:
        left = [f"{self.left_running} processes were left"] if self.left_running else []
        return left + super().faults(number, code, said)


def _of_session(session: int) -> list[int]:
    """Processes of a session that still run."""
    listed = subprocess.run(
        ["ps", "-eo", "pid=,sess=,stat="], capture_output=True, text=True, check=True
    ).stdout
    found = [line.split() for line in listed.splitlines()]
    return [int(pid) for pid, of, state in found if of == str(session) and state[0] != "Z"]


def kills(count: int, batches: int, seed: int, runs: int = 0) -> list[dict]:
    """Each kill with what it left. count: of the forked commands together; runs: whole ones."""
    dice, rows = random.Random(seed), []
    named = {each.name: each for each in COMMANDS}
    forked = [(name, count // len(FORKED), Killed) for name in FORKED]
    for name, times, kind in [*forked, (BATCH, batches, Installed), ("run", runs, Installed)]:
        if not times:
            continue
        with tempfile.TemporaryDirectory(prefix="standage-kills-") as place:
            attacked = kind(named[name], Path(os.path.realpath(place)))
            for turn in range(times):
                number = SIGNALS[turn % len(SIGNALS)]
                attacked.ready()
                code, said = attacked.ended(number, dice.uniform(0.0, attacked.takes))
                became = attacked.became()
                wrong = attacked.faults(number, code, said)
                called = f"{name}, sampled" if kind is Installed else name
                row = {"command": called, "signal": int(number), "code": code, "became": became}
                rows.append(row | {"wrong": wrong, "said": said[-300:]})
                print(rows[-1], file=sys.stderr, flush=True)
    return rows


def report(rows: list[dict]) -> str:
    lines = [
        "| command | signal | times | ended before | afterwards | wrong |",
        "|---|---|---|---|---|---|",
    ]
    for command, number in dict.fromkeys((row["command"], row["signal"]) for row in rows):
        of = [row for row in rows if (row["command"], row["signal"]) == (command, number)]
        became = Counter(row["became"] for row in of).most_common()
        lines.append(
            f"| {command} | {number} | {len(of)} |"
            f" {sum(row['code'] not in (-number, ENDED) for row in of)} |"
            f" {'; '.join(f'{what}: {times}' for what, times in became)} |"
            f" {sum(bool(row['wrong']) for row in of)} |"
        )
    lines += [f"{row}"[:900] for row in rows if row["wrong"]]
    return "\n".join(lines)


def command_line() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--batches", type=int, default=20, help="kills of a batch, besides")
    parser.add_argument("--runs", type=int, default=20, help="kills of whole runs, besides")
    parser.add_argument("--dice", type=int, default=1, help="seed of the moments")
    given = parser.parse_args()
    rows = kills(given.kills, given.batches, given.dice, given.runs)
    print(report(rows))
    return int(any(row["wrong"] for row in rows))


if __name__ == "__main__":
    sys.exit(command_line())
