"""What a result and its draws live through: kill -9 at random moments, a full disk, a read-only
one, two runs at once, Ctrl-C.

    python tests/studies/faults.py run --kills 100
    python tests/studies/faults.py report

`standage run` is started on a small simulated survey (120 draws, compile cache warm), by turns with
two seeds, always into one folder, and killed; so that a kill takes seconds, its process is forked
from one that has loaded the libraries. After each kill the folder has to hold one of the two
results whole, byte for byte in its tables and pictures, and never a mixture; after each tenth a run
that is left alone has to end with nothing beside its folder. Of four kills two come at any moment
of the run, one within 60 ms after the new result is complete, and one within 10 ms after the
folders changed places. Every kill is a line of `<folder>/faults.jsonl`. The other faults are played
once each; the disk needs the right to mount one (root), and is left out without it.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from runner import default_folder

from standage.commands.cli import main
from standage.results.folder import read_provenance
from standage.results.staging import staging_folder
from standage.simulate.history import SurveyDesign
from standage.simulate.surveys import small_survey

SEEDS = (1, 2)
OPTIONS = ("--draws", "60", "--chains", "2")
CODES = (0, 3)  # so few draws seldom pass the checks, which has nothing to do with faults
NOT_COMPARED = {
    "posterior.nc",
    "provenance.json",
    "verdict.json",
}  # they hold the time of day and seconds
DISKS_KB = (60, 300, 1000, 1600)  # the draws have no room; the tables; the posterior; the pictures
BEFORE, AFTER = (
    0.06,
    0.01,
    # seconds within which a kill comes after the new result is complete, and after it is in its
    # place
)


def survey_in(folder: Path) -> Path:
    """One plot, some twenty stems, eight cores."""
    design = SurveyDesign(plot_areas_m2=(1500.0,), cores=8, subplots_per_plot=2)
    return small_survey(3, stems=22, design=design, first_year=1880).write(folder)


class Run:
    """A process that does what the command `standage run` does; what it says goes into a file."""

    def __init__(self, survey: Path, out: Path, seed: int) -> None:
        self.said_in = Path(tempfile.mkstemp(prefix="standage-faults-")[1])
        words = ["run", str(survey), "--out", str(out), "--seed", str(seed), *OPTIONS]
        self.process = multiprocessing.get_context("fork").Process(
            target=_run, args=(words, str(self.said_in))
        )
        self.process.start()

    @property
    def alive(self) -> bool:
        return self.process.is_alive()

    def send(self, number: int) -> None:
        if self.alive:
            os.kill(self.process.pid, number)

    def end(self) -> tuple[int, str]:
        """Exit code and all that was said, once it has ended."""
        self.process.join()
        said = self.said_in.read_text(encoding="utf-8")
        self.said_in.unlink()
        return (
            self.process.exitcode,
            "\n".join(
                line for line in said.splitlines() if not line.startswith("sampling the stand")
            ).strip(),
        )


def _run(words: list[str], said_in: str) -> None:
    signal.signal(
        signal.SIGINT, signal.default_int_handler
    )  # a study started in the background has it switched off
    where = os.open(said_in, os.O_WRONLY | os.O_APPEND)
    os.dup2(where, 1)
    os.dup2(where, 2)
    sys.stdout, sys.stderr = os.fdopen(1, "w", closefd=False), os.fdopen(2, "w", closefd=False)
    main(words)


def to_its_end(survey: Path, out: Path, seed: int) -> tuple[int, str, float]:
    began = time.perf_counter()
    return *Run(survey, out, seed).end(), time.perf_counter() - began


def prints(folder: Path) -> dict[str, str]:
    """SHA-256 by name of every file that the same run makes again byte for byte."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.name not in NOT_COMPARED)
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
    }


def whole(out: Path, known: dict[int, dict[str, str]]) -> str:
    """`seed 1` or `seed 2` where the folder is that result whole, `no result` where there is none;
    otherwise what is wrong.
    """
    if not out.exists():
        return "no result"
    told = read_provenance(out)
    there = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    if there != set(told["files"]):
        return f"TORN: {sorted(there ^ set(told['files']))}"
    return (
        f"seed {told['seed']}"
        if prints(out) == known[told["seed"]]
        else f"MIXED: not the files of seed {told['seed']}"
    )


def litter(out: Path) -> list[str]:
    return sorted(
        path.relative_to(out.parent).as_posix()
        for path in out.parent.rglob("*")
        if ".standage" in path.as_posix()
    )


def kill_any_time(run: Run, out: Path, takes: float, dice: random.Random) -> str:
    time.sleep(dice.uniform(0.0, takes))
    return "any"


def kill_before_the_swap(run: Run, out: Path, takes: float, dice: random.Random) -> str:
    """Waits for the last file of the new result, then a moment more."""
    _until(run, staging_folder(out).new / "provenance.json")
    time.sleep(dice.uniform(0.0, BEFORE))
    return "before the swap"


def kill_after_the_swap(run: Run, out: Path, takes: float, dice: random.Random) -> str:
    """Waits until another folder is in the place of the result, then a moment more."""
    before = _number(out)
    while _number(out) == before and run.alive:
        time.sleep(0.0005)
    time.sleep(dice.uniform(0.0, AFTER))
    return "after the swap"


def _number(folder: Path) -> int | None:
    try:
        return folder.stat().st_ino
    except OSError:
        return None


def kills(count: int, place: Path, rows: Path, dice_seed: int) -> None:
    """The kills, each with what it left, appended to `rows`."""
    survey, out = survey_in(place / "survey"), place / "site" / "out"
    to_its_end(survey, place / "warm", 1)
    known, takes = {}, 0.0
    for seed in SEEDS:
        code, said, takes = to_its_end(survey, place / f"known-{seed}", seed)
        assert code in CODES, said
        known[seed] = prints(place / f"known-{seed}")
    dice = random.Random(dice_seed)
    for number in range(count):
        seed, way = (
            SEEDS[number // 2 % 2],
            (kill_any_time, kill_before_the_swap, kill_any_time, kill_after_the_swap)[number % 4],
        )
        before = whole(out, known)
        began = time.perf_counter()
        run = Run(survey, out, seed)
        row = {"kill": number, "seed": seed, "when": way(run, out, takes, dice), "before": before}
        row["alive"] = run.alive
        run.send(signal.SIGKILL)
        run.end()
        row |= {
            "seconds": round(time.perf_counter() - began, 2),
            "after": whole(out, known),
            "beside": litter(out),
        }
        if number % 10 == 9:
            code, said, takes_now = to_its_end(survey, out, seed)
            row |= {
                "rerun": code,
                "rerun_seconds": round(takes_now, 2),
                "rerun_left": litter(out),
                "rerun_is": whole(out, known),
            }
            row["draws_taken_up"] = "nothing was sampled again" in said
        _add(rows, row)


def other_faults(place: Path, rows: Path) -> None:
    """A second run into the folder, Ctrl-C, an input that changes, and where it may be mounted a
    full disk and a read-only one.
    """
    survey, out = survey_in(place / "other-survey"), place / "other" / "out"
    first = Run(survey, out, 1)
    _until(first, staging_folder(out).path / "lock")
    code, said, _ = to_its_end(survey, out, 2)
    first_code, _ = first.end()
    _add(
        rows,
        {
            "fault": "two runs at once",
            "code": code,
            "first": first_code,
            "said": said,
            "left": litter(out),
        },
    )
    for name, when in (("Ctrl-C while sampling", "lock"), ("Ctrl-C after sampling", "draws.npz")):
        run = Run(survey, out, 2)
        _until(run, staging_folder(out).path / when)
        run.send(signal.SIGINT)
        code, said = run.end()
        _add(
            rows,
            {
                "fault": name,
                "code": code,
                "said": said,
                "folder": read_provenance(out)["seed"],
                "left": litter(out),
            },
        )
    run = Run(survey, out, 1)
    _until(run, staging_folder(out).path / "lock")  # taken after the survey was read
    with (survey / "trees.csv").open("a") as file:
        file.write("\n")
    code, said = run.end()
    _add(
        rows,
        {
            "fault": "input changed",
            "code": code,
            "said": said.splitlines()[-1],
            "left": litter(out),
        },
    )
    for name, options in (
        *((f"disk of {size} kB full", f"size={size}k") for size in DISKS_KB),
        ("disk read-only", "size=1m,ro"),
    ):
        with _mounted(place / name.replace(" ", "-"), options) as disk:
            if disk is None:
                _add(rows, {"fault": name, "said": "left out: this user may not mount a disk"})
                continue
            code, said, _ = to_its_end(survey, disk / "out", 1)
            left = sorted(path.relative_to(disk).as_posix() for path in disk.rglob("*"))
            _add(rows, {"fault": name, "code": code, "said": said, "left": left})


def _until(run: Run, there: Path) -> None:
    while not there.exists() and run.alive:
        time.sleep(0.0005)


@contextlib.contextmanager
def _mounted(at: Path, options: str) -> Iterator[Path | None]:
    at.mkdir()
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(at)], capture_output=True
    ).returncode:
        yield None
        return
    try:
        yield at
    finally:
        subprocess.run(["umount", str(at)], check=True)


def _add(rows: Path, row: dict) -> None:
    with rows.open("a", encoding="utf-8") as file:
        file.write(json.dumps(row) + "\n")
    print(json.dumps(row), file=sys.stderr, flush=True)


def report(rows: list[dict]) -> str:
    """How many kills came when, what they left, and how the other faults ended."""
    killed = [row for row in rows if "kill" in row]
    lines = [
        f"{len(killed)} kills, {sum(row['alive'] for row in killed)} of a process that was still"
        " running"
    ]
    for when in ("any", "before the swap", "after the swap"):
        of = [row for row in killed if row["when"] == when]
        bad = [row["after"] for row in of if row["after"].startswith(("TORN", "MIXED"))]
        became = Counter(_became(row) for row in of)
        ended = ", ".join(f"{count} {what}" for what, count in sorted(became.items()))
        lines.append(
            f"  {when}: {len(of)}; {ended}; neither one nor the other: {len(bad)} {bad or ''}"
        )
        lines.append(
            "    with draws kept:"
            f" {sum(any('draws.npz' in name for name in row['beside']) for row in of)}"
        )
    reruns = [row for row in killed if "rerun" in row]
    sound = [
        row
        for row in reruns
        if row["rerun"] in CODES
        and not row["rerun_left"]
        and row["rerun_is"] == f"seed {row['seed']}"
    ]
    taken = sum(row["draws_taken_up"] for row in reruns)
    lines.append(
        f"  {len(reruns)} runs afterwards, left alone: {len(sound)} ended whole with nothing"
        f" beside; {taken} took draws up"
    )
    lines += [
        f"{row['fault']}: exit code {row.get('code')}; left {row.get('left')}; {row['said']}"
        for row in rows
        if "fault" in row
    ]
    return "\n".join(lines)


def _became(row: dict) -> str:
    if row["after"] == row["before"]:
        return "as before"
    return "the new result" if row["after"] == f"seed {row['seed']}" else "otherwise"


def command_line() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("verb", choices=("run", "report"))
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--dice", type=int, default=1, help="seed of the moments")
    parser.add_argument("--folder", type=Path, default=default_folder())
    given = parser.parse_args()
    rows = given.folder / "faults.jsonl"
    if given.verb == "run":
        given.folder.mkdir(parents=True, exist_ok=True)
        rows.unlink(missing_ok=True)
        place = Path(tempfile.mkdtemp(prefix="standage-faults-"))
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        try:
            other_faults(place, rows)
            kills(given.kills, place, rows, given.dice)
        finally:
            shutil.rmtree(place, ignore_errors=True)
    print(report([json.loads(line) for line in rows.read_text(encoding="utf-8").splitlines()]))


if __name__ == "__main__":
    command_line()
