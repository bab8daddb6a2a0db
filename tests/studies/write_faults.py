"""What commands leave behind where any one of their calls that write fails: no room, no right, a
disk that doesn't answer.

    python tests/studies/write_faults.py
    python tests/studies/write_faults.py --command run --every 5

Each command is run once to count its calls (files opened to write, pieces written, files closed,
folders made, files renamed, removed, brought to the disk), and then once for each of them, which
fails: alone, or with all later ones. Beside the results stand files of the user's. Asked of every
run: a message and no traceback, an exit code of the documented ones; every file of the user's as it
was; a result that is the earlier one or the new one, whole, and the new one where the exit code says
so; no empty folder; and that the same command, left alone, then ends with the new one and nothing
beside it.

What takes time and writes nothing is done once: the sampler, the tables, all pictures but one.
"""

from __future__ import annotations

import argparse
import builtins
import contextlib
import csv
import errno
import functools
import io
import itertools
import json
import os
import re
import shutil
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from unittest import mock

from click.testing import CliRunner, Result

import standage.commands.batch
import standage.commands.compare
import standage.commands.repeat
import standage.commands.run
import standage.report.again
import standage.report.brief
import standage.report.card
import standage.report.page
import standage.results.writing
from standage.commands.cli import main
from standage.results.records import PROVENANCE_FILE, read_record, sealed
from standage.simulate.history import SurveyDesign
from standage.simulate.surveys import small_survey
from standage.survey.files.forms import write_template
from standage.survey.schema import TABLES

SHORT = ("--draws", "50", "--chains", "2")
DONE, BAD, FIT_FAILED, INCOMPLETE = 0, 2, 3, 4
CHANGES = {
    "provenance.json",
    "verdict.json",
    "report.html",
    "brief.html",
    "surveys.csv",
    "posterior.nc",
}
"""Files of a result that hold the time of day, or seconds."""
SITE, TEMPORARY = "site", "temporary"


# --- faults ---


@dataclass(frozen=True)
class Fault:
    """How calls fail. calls: kinds of calls; lasting: all later ones, too."""

    name: str
    number: int
    calls: frozenset[str]
    lasting: bool


ALL = frozenset({"open", "write", "close", "mkdir", "rename", "remove", "sync"})
FULL = ALL - {"rename", "remove"}
NO_RIGHT = ALL - {"write", "close", "sync"}
FAULTS = (
    Fault("no room, once", errno.ENOSPC, FULL, False),
    Fault("no room any more", errno.ENOSPC, FULL, True),
    Fault("no right, once", errno.EACCES, NO_RIGHT, False),
    Fault("no right any more", errno.EACCES, NO_RIGHT, True),
    Fault("disk fault, once", errno.EIO, ALL, False),
    Fault("disk gone", errno.EIO, ALL, True),
)
EVENTS = {
    **{"os.mkdir": "mkdir", "os.rename": "rename", "os.link": "rename", "os.symlink": "open"},
    **{"os.remove": "remove", "os.rmdir": "remove", "os.truncate": "write"},
}
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT


@dataclass
class _Calls:
    """Calls that write below a folder: how many, and from which on they fail."""

    below: str = ""
    fault: Fault | None = None
    first: int = 0
    count: int = 0
    on: bool = False
    seen: list[tuple[str, str]] = field(default_factory=list)

    def met(self, call: str, path: object) -> bool:
        """Counts a call, and says whether it fails."""
        if not self.on or (self.fault is not None and call not in self.fault.calls):
            return False
        where = os.fsdecode(path) if isinstance(path, str | bytes | os.PathLike) else ""
        if where.startswith("/") and not where.startswith(self.below):
            return False
        self.count += 1
        self.seen.append((call, where))
        lasting = self.fault is not None and self.fault.lasting
        return self.fault is not None and (
            self.count >= self.first if lasting else self.count == self.first
        )

    def raise_if_met(self, call: str, path: object) -> None:
        """Raises the fault with the names that the system gives: none where it knows a file by its
        number alone.
        """
        if self.met(call, path):
            number = self.fault.number
            named = call not in ("write", "close", "sync")
            raise OSError(number, os.strerror(number), os.fsdecode(path) if named else None)


_calls = _Calls()
_open, _fsync, _report_html = io.open, os.fsync, standage.report.page.report_html
_brief_html, _brief_paper = standage.report.brief.brief_html, standage.report.brief.brief_paper


def _audited(event: str, arguments: tuple[Any, ...]) -> None:
    if not _calls.on:
        return
    if event in EVENTS:
        _calls.raise_if_met(EVENTS[event], arguments[0])
    elif event == "open" and not isinstance(arguments[0], int):
        path, mode, flags = arguments
        if set(mode or "") & set("wax+") or (mode is None and flags & WRITING):
            _calls.raise_if_met("open", path)


class _File(io.FileIO):
    """A file of which half a piece is written where a write fails."""

    def write(self, piece: Any) -> int:
        if _calls.met("write", self.name):
            super().write(bytes(piece)[: len(bytes(piece)) // 2])
            raise OSError(_calls.fault.number, os.strerror(_calls.fault.number))
        return super().write(piece)

    def close(self) -> None:
        """Network disks say only here that there was no room."""
        was_open = not self.closed
        super().close()
        if was_open:
            _calls.raise_if_met("close", self.name)


def _opened(
    file: Any,
    mode: str = "r",
    buffering: int = -1,
    encoding: str | None = None,
    errors: str | None = None,
    newline: str | None = None,
    closefd: bool = True,
    opener: Any = None,
) -> Any:
    if not _calls.on or not set(mode) & set("wax+"):
        return _open(file, mode, buffering, encoding, errors, newline, closefd, opener)
    raw = _File(file, mode.replace("b", "").replace("t", ""), closefd, opener)
    if buffering == 0:
        return raw
    buffered = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
    if "b" in mode:
        return buffered
    text = io.TextIOWrapper(buffered, io.text_encoding(encoding), errors, newline)
    text.mode = mode
    return text


def _synced(file: int) -> None:
    _calls.raise_if_met("sync", None)
    _fsync(file)


@functools.cache
def _install_audit() -> None:
    sys.addaudithook(_audited)  # can't be taken away, and does nothing where no calls are counted


@contextlib.contextmanager
def calls_of(below: Path, fault: Fault | None = None, first: int = 0) -> Iterator[_Calls]:
    """Counts calls that write below a folder until the block ends; where a fault is given, the
    `first`-th fails.
    """
    _install_audit()
    _calls.below, _calls.fault, _calls.first, _calls.count = str(below), fault, first, 0
    _calls.seen = []
    with (
        mock.patch.object(io, "open", _opened),
        mock.patch.object(builtins, "open", _opened),
        mock.patch.object(os, "fsync", _synced),
    ):
        _calls.on = True
        try:
            yield _calls
        finally:
            _calls.on = False


# --- what is done once ---


@functools.cache
def _posterior_and_draws() -> tuple[Any, list[tuple[str, Any]]]:
    """A posterior of the tiny survey, and what was asked to be kept of its draws."""
    from standage.stand.draws_file import DrawsFile
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    asked: list[tuple[str, Any]] = []
    with tempfile.TemporaryDirectory() as place:
        survey = read_survey(tiny_survey(Path(place) / "survey"))
        with mock.patch.object(
            DrawsFile, "write", lambda _, key, draws: asked.append((key, draws))
        ):
            draws_file = DrawsFile(Path(place) / "draws.npz")
            return fit_stands(survey, draws=50, chains=2, cores=1, draws_file=draws_file), asked


def tiny_survey(folder: Path) -> Path:
    """One plot, some twenty stems, eight cores."""
    design = SurveyDesign(plot_areas_m2=(1500.0,), cores=8, subplots_per_plot=2)
    return small_survey(3, stems=22, design=design, first_year=1880).write(folder)


def _fitted(survey: Any, *, draws_file: Any, **_: Any) -> Any:
    posterior, asked = _posterior_and_draws()
    for key, draws in asked:
        draws_file.write(key, draws)
    return posterior


@functools.cache
def _findings() -> Any:
    from standage.findings import Findings

    return Findings(_posterior_and_draws()[0])


@functools.cache
def _first_picture() -> dict[str, Any]:
    from standage.figures.result_figures import result_figures
    from standage.figures.styles import in_style

    with in_style("grey"):
        return dict([next(result_figures(_findings()))])


@functools.cache
def _page() -> str:
    return _report_html(_findings())


_read, _results = standage.commands.compare._read, {}


def _read_once(folder: Path, record: Any, name: str, level: float) -> Any:
    if name not in _results:
        # so short a run fails its checks, and would be left out
        _results[name] = replace(_read(folder, record, name, level), failed=False)
    return _results[name]


@functools.cache
def _brief() -> tuple[str, bytes]:
    return _brief_html(_findings()), _brief_paper(_findings())


@contextlib.contextmanager
def quick() -> Iterator[None]:
    """What takes time and writes nothing is taken from an earlier call until the block ends."""
    here = standage.results.writing
    batch = standage.commands.batch
    with contextlib.ExitStack() as patched:
        for module, name, instead in (
            (standage.commands.run, "fit_stands", _fitted),
            (standage.commands.run, "Findings", lambda *_, **__: _findings()),
            (standage.commands.run, "summary", lambda *_, **__: "summary"),
            (standage.commands.run, "full_summary", lambda *_, **__: "summary"),
            (here, "result_figures", lambda _: _first_picture().items()),
            (here, "comparison_figures", lambda *_, **__: {}),
            (standage.commands.compare, "comparison_figures", lambda *_, **__: _first_picture()),
            (standage.commands.compare, "_read", _read_once),
            (standage.report.page, "report_html", lambda *_, **__: _page()),
            (standage.report.again, "read_findings", lambda _: _findings()),
            (standage.report.card, "read_findings", lambda _: _findings()),
            (standage.report.brief, "brief_html", lambda *_, **__: _brief()[0]),
            (standage.report.brief, "brief_paper", lambda *_, **__: _brief()[1]),
            (
                batch,
                "on_this_machine",
                lambda tasks, work, _: ((task, work(task)) for task in tasks),
            ),
        ):
            patched.enter_context(mock.patch.object(module, name, instead))
        yield


# --- commands ---


@dataclass(frozen=True)
class Command:
    """A command to be attacked.

    words: of the command line, in a folder `site`. codes: with which it ends where nothing fails.
    results: folders of results it writes; tables: single files. earlier: whether it was run before;
    before: of its words, what was another then.
    """

    name: str
    words: tuple[str, ...]
    codes: tuple[int, ...] = (DONE, FIT_FAILED)
    results: tuple[str, ...] = ()
    tables: tuple[str, ...] = ()
    earlier: bool = True
    before: tuple[tuple[str, str], ...] = ()


COMMANDS = (
    Command("run", ("run", "survey", "--out", "out", "--xlsx", *SHORT), results=("out",)),
    Command(
        "run, no result before",
        ("run", "survey", "--out", "far/out", *SHORT),
        results=("far/out",),
        earlier=False,
    ),
    Command(
        "batch",
        ("batch", "surveys", "--out", "all", *SHORT),
        codes=(BAD,),
        results=("all/good", "all/second"),
        tables=("all/surveys.csv", "all/all_stands.csv", "all/bad.problems.txt"),
    ),
    Command(
        "batch, other draws before",
        ("batch", "surveys", "--out", "all", *SHORT),
        codes=(BAD,),
        results=("all/good", "all/second"),
        tables=("all/surveys.csv", "all/all_stands.csv", "all/bad.problems.txt"),
        before=(("50", "52"),),
    ),
    Command(
        "batch, no result before",
        ("batch", "surveys", "--out", "all", *SHORT),
        codes=(BAD,),
        results=("all/good", "all/second"),
        tables=("all/surveys.csv", "all/all_stands.csv", "all/bad.problems.txt"),
        earlier=False,
    ),
    Command("repeat", ("run", "--again", "result", "--out", "anew"), results=("anew",)),
    Command("compare", ("compare", "result", "result2", "--out", "both"), results=("both",)),
    Command("ages", ("ages", "survey", "--csv", "ages.csv"), tables=("ages.csv",)),
    Command(
        "check --mark",
        ("check", "book.xlsx", "--mark", "marked.xlsx"),
        codes=(BAD,),
        tables=("marked.xlsx",),
        earlier=False,
    ),
    Command(
        "check --draft",
        ("check", "survey", "--draft"),
        tables=("survey/columns.toml",),
        earlier=False,
    ),
    Command(
        "card",
        ("card", "result", "{tree}", "--out", "cards"),
        tables=("cards/age-card-{tree}.html",),
    ),
    Command(
        "report",
        ("report", "result", "--out", "paper"),
        tables=tuple(
            f"paper/{name}"
            for name in ("report.html", "tree-cards.html", "brief.html", "brief.pdf")
        ),
    ),
    Command(
        "delays",
        ("delays", "known", "--out", "own/longleaf-pine.toml"),
        tables=tuple(f"own/longleaf-pine{end}" for end in (".toml", "-years.csv", "-years.png")),
    ),
    Command(
        "new",
        ("new", "forms"),
        tables=tuple(f"forms/{name}.csv" for name in (*(t.name for t in TABLES), "columns")),
        earlier=False,
    ),
    Command("new --xlsx", ("new", "forms", "--xlsx"), tables=("forms/survey.xlsx",), earlier=False),
    Command(
        "card, no folder before",
        ("card", "result", "{tree}", "--out", "far/cards"),
        tables=("far/cards/age-card-{tree}.html",),
        earlier=False,
    ),
    Command(
        "report, no folder before",
        ("report", "result", "--out", "far/paper"),
        tables=tuple(
            f"far/paper/{name}"
            for name in ("report.html", "tree-cards.html", "brief.html", "brief.pdf")
        ),
        earlier=False,
    ),
)
MINE = {
    ".env": "secret",
    "notes.txt": "mine",
    "ages.csv.part": "mine",
    ".ages.csv.part": "mine",
    "marked.xlsx.part": "mine",
    "all/.keep": "mine",
    "all/notes.txt": "mine",
    "far.txt": "mine",
    ".out.part": "mine",
}
KNOWN = "stem,stand,known_from,still_in_grass,age_years\ns1,a,records,yes,9\n"
LINKS = {"link": "notes.txt", "nowhere": "no/such/file", "out.half": "."}


@dataclass
class Outcome:
    """How one run with a fault ended. wrong: what must not be, empty where nothing is."""

    command: str
    fault: str
    number: int
    code: int
    became: str
    said: str
    wrong: list[str] = field(default_factory=list)


class Attack:
    """A command with all its faults, in a folder of its own, which is made anew for each."""

    def __init__(self, command: Command, place: Path) -> None:
        self.place, self.site = place, place / SITE
        self.pristine = place / "pristine"
        tree = prepared(self.pristine, results="result" in command.words)
        filled = {name: _with_tree(getattr(command, name), tree) for name in ("words", "tables")}
        self.command = Command(**{**vars(command), **filled})
        self.ready()
        self.alone()  # the picture is blank once it was written
        self.ready()
        if command.earlier:
            # an earlier result with other bytes, so that the new one can be told from it
            words, others = self.command.words, dict(command.before)
            with quick():
                invoked([others.get(word, word) for word in words], self.place)
            for table in () if command.results else self.command.tables:
                with (self.site / table).open("ab") as file:
                    file.write(b"\n")
            shutil.rmtree(self.pristine)
            shutil.copytree(self.site, self.pristine, symlinks=True)
        self.earlier = self.state()
        self.mine = self.users()
        done = self.alone()
        assert done.exit_code in self.command.codes, done.output
        self.new = self.state()

    def ready(self) -> None:
        for folder in (self.site, self.place / TEMPORARY):
            shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.pristine, self.site, symlinks=True)
        (self.place / TEMPORARY).mkdir()

    def alone(self) -> Result:
        with quick():
            return invoked(self.command.words, self.place)

    def calls(self, fault: Fault) -> list[tuple[str, str]]:
        """Calls that the fault may hit: kind and path, in their order."""
        self.ready()
        with quick(), calls_of(self.place, Fault("", 0, fault.calls, False), -1) as calls:
            invoked(self.command.words, self.place)
        return calls.seen

    def users(self) -> dict[str, object]:
        """Everything below the site that the command doesn't write, links as such."""
        written = (*self.command.results, *self.command.tables)
        # what a batch writes of a survey whose result couldn't be written
        written = (*written, *(f"{each}.problems.txt" for each in self.command.results))
        return {
            name: what
            for name, what in _listing(self.site).items()
            if not any(name == each or name.startswith(f"{each}/") for each in written)
            and ".standage" not in name
            and what is not None
        }

    def state(self) -> dict[str, object]:
        """By result and table of the command: what it is, to be compared."""
        found: dict[str, object] = {}
        for name in self.command.results:
            found[name] = _result_state(self.site / name)
        for name in self.command.tables:
            path = self.site / name
            found[name] = path.read_bytes() if path.is_file() else None
        return found

    def beside(self) -> list[str]:
        """What is left that is no result and nobody's; the library for workbooks removes its own
        temporary files when the process ends.
        """
        left = [name for name in _listing(self.site) if ".standage" in name]
        temporary = [path.name for path in (self.place / TEMPORARY).iterdir()]
        return left + [
            f"{TEMPORARY}/{name}" for name in temporary if not name.startswith("openpyxl.")
        ]

    def empty_folders(self) -> set[str]:
        return {
            path.relative_to(self.site).as_posix()
            for path in self.site.rglob("*")
            if path.is_dir() and not path.is_symlink() and not any(path.iterdir())
        }

    def one(self, fault: Fault, first: int, *, rerun: bool = True) -> Outcome:
        self.ready()
        empty = self.empty_folders()
        with quick(), calls_of(self.place, fault, first):
            done = invoked(self.command.words, self.place)
        said = done.output.strip()
        outcome = Outcome(self.command.name, fault.name, first, done.exit_code, "", said)
        wrong = outcome.wrong
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            wrong.append(f"{type(done.exception).__name__}: {done.exception}")
        elif "Traceback" in said:
            wrong.append("a traceback on the screen")
        elif done.exit_code not in {*self.command.codes, BAD, INCOMPLETE}:
            wrong.append(f"exit code {done.exit_code}")
        elif done.exit_code == BAD and not said:
            wrong.append("no word")
        if "good bad input" in said or "second bad input" in said:
            wrong.append("a fault of the disk told as one of a survey")
        if "standard output" in said or "a mistake in standage" in said:
            wrong.append("a fault told of a file that nobody named")
        if self.users() != self.mine:
            now = self.users()
            changed = sorted(
                name for name in {*now, *self.mine} if now.get(name) != self.mine.get(name)
            )
            wrong.append(f"files of the user's: {changed}")
        self._judge(outcome)
        left = [name for name in self.beside() if not self._may_stay(name, fault)]
        if left:
            wrong.append(f"left beside: {left}")
        if (made := self.empty_folders() - empty) and "remove" not in fault.calls:
            wrong.append(f"empty folders: {sorted(made)}")
        # forms that can't be taken back are in the way of others, and are named
        forms = fault.lasting and "remove" in fault.calls and self.command.name == "new"
        if rerun and not forms:
            wrong += self.faults_of_a_rerun()
        return outcome

    def _may_stay(self, name: str, fault: Fault) -> bool:
        """Draws beside a result that isn't written, and what a fault kept from being removed."""
        draws = ("draws.npz", "owner.json")
        if any(name.endswith(f".standage{end}") for end in ("", *(f"/{each}" for each in draws))):
            return any(f".{Path(each).name}.standage" in name for each in self.command.results)
        return "remove" in fault.calls

    def _judge(self, outcome: Outcome) -> None:
        now, became = self.state(), Counter()
        for name, what in now.items():
            which = which_one(what, self.earlier[name], self.new[name], name)
            if which == "lost" and self._is_set_aside(name, outcome.said):
                which = "set aside"
            became[which] += 1
            if isinstance(what, str):
                outcome.wrong.append(f"{name}: {what}")
            # without its pictures a result is another, and says so
            elif (
                which == "neither"
                and outcome.code != INCOMPLETE
                and not _is_incomplete(what)
                and not is_batch_begun(
                    name,
                    what,
                    self.new[name],
                    None if self.command.before else self.earlier[name],
                )
            ):
                outcome.wrong.append(f"{name}: neither the earlier nor the new")
            elif which == "lost" and not self._is_of_no_survey(name):
                outcome.wrong.append(f"{name}: lost")
        if not self.command.results and became["earlier"] and became["new"]:
            outcome.wrong.append("new files beside earlier ones")
        outcome.became = ", ".join(f"{number} {which}" for which, number in sorted(became.items()))
        ended_well = outcome.code in (DONE, FIT_FAILED) and "batch" not in self.command.name
        # what comes out byte for byte as before can't be told from it
        told_from = any(self.earlier[name] != self.new[name] for name in now)
        if ended_well and told_from and (became["earlier"] or became["none"]):
            outcome.wrong.append("nothing was written, and nothing was said of it")

    def _is_of_no_survey(self, name: str) -> bool:
        """Whether it is the table of all stands of a batch of which no survey came through."""
        table = self.site / Path(name).with_name("surveys.csv")
        if Path(name).name != "all_stands.csv" or not table.exists():
            return False
        states = {row["state"] for row in csv.DictReader(io.StringIO(table.read_text()))}
        return not states & {"passed", "failed"}

    def _is_set_aside(self, name: str, said: str) -> bool:
        """Whether the earlier result or table is whole where the message says: nothing could be
        renamed any more between the two renames that put a new one in its place.
        """
        folder = self.site / name
        for passing in folder.parent.glob(".standage-*/earlier"):
            if str(passing.relative_to(self.site)) in said and (passing / folder.name).is_file():
                return (passing / folder.name).read_bytes() == self.earlier[name]
        aside = folder.with_name(f".{folder.name}.standage") / "old"
        return str(aside) in said and _result_state(aside) == self.earlier[name]

    def faults_of_a_rerun(self) -> list[str]:
        """What must not be after the same command, left alone."""
        written = (
            which_one(what, None, self.new[name], name) == "new"
            for name, what in self.state().items()
        )
        if not self.command.results and not self.command.earlier and all(written):
            return []  # it overwrites nothing
        done = self.alone()
        if done.exit_code not in self.command.codes:
            return [f"left alone afterwards: {done.exit_code}, {done.output}"]
        wrong = [
            f"left alone afterwards: {name} is not the new one"
            for name, what in self.state().items()
            if which_one(what, None, self.new[name], name) != "new"
        ]
        if self.users() != self.mine:
            wrong.append("left alone afterwards: files of the user's")
        left = [name for name in self.beside() if ".standage/" in name]
        return wrong + ([f"left alone afterwards, beside: {left}"] if left else [])


def prepared(folder: Path, *, results: bool) -> str:
    """Surveys, the user's files and, where wanted, results, as they are before any command; returns
    a tree of the results.
    """
    folder.mkdir(parents=True)
    tiny_survey(folder / "survey")
    for name in ("good", "second", "bad"):
        shutil.copytree(folder / "survey", folder / "surveys" / name)
    trees = folder / "surveys" / "bad" / "trees.csv"
    trees.write_text(trees.read_text().replace("live", "alive?", 1))
    shutil.copytree(folder / "survey", folder / "known")
    (folder / "known" / "known_age_stems.csv").write_text(KNOWN)
    write_template(folder / "forms-written", xlsx=True)
    shutil.move(folder / "forms-written" / "survey.xlsx", folder / "book.xlsx")
    (folder / "forms-written").rmdir()
    _spoil(folder / "book.xlsx")
    for name, text in MINE.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text)
    for name, target in LINKS.items():
        (folder / name).symlink_to(target)
    if not results:
        return ""
    with quick(), contextlib.chdir(folder):
        for name in ("result", "result2"):
            done = CliRunner().invoke(main, ["run", "survey", "--out", name, *SHORT])
            assert done.exit_code in (DONE, FIT_FAILED), done.output
    # as of another survey: results of one are not compared
    record = folder / "result2" / PROVENANCE_FILE
    first = next(iter(read_record(record)["inputs_sha256"].values()))
    other = json.loads(record.read_text().replace(first, "0" * len(first)))
    record.write_text(json.dumps(sealed(other)))
    return str(_findings().tree_dates["tree"].iloc[0])


def _spoil(book: Path) -> None:
    from openpyxl import load_workbook

    opened = load_workbook(book)
    opened["trees"].cell(2, 6).value = "wide"
    opened.save(book)


def _with_tree(words: Sequence[str], tree: str) -> tuple[str, ...]:
    return tuple(word.replace("{tree}", tree) for word in words)


def invoked(words: Sequence[str], place: Path) -> Result:
    with (
        contextlib.chdir(place / SITE),
        mock.patch.object(tempfile, "tempdir", str(place / TEMPORARY)),
    ):
        return CliRunner().invoke(main, list(words))


def _listing(folder: Path) -> dict[str, object]:
    """By path: bytes of a file, target of a link, None for a folder."""
    found: dict[str, object] = {}
    for here, folders, files in os.walk(folder):
        for name in [*folders, *files]:
            path = Path(here) / name
            where = path.relative_to(folder).as_posix()
            if path.is_symlink():
                found[where] = f"link to {os.readlink(path)}"
            else:
                found[where] = path.read_bytes() if path.is_file() else None
    return found


def _result_state(folder: Path) -> object:
    """Its files, bytes by name; None where there is no result; a text where it is torn."""
    if not folder.exists():
        return None
    record = read_record(folder / PROVENANCE_FILE)
    there = {name for name, what in _listing(folder).items() if what is not None}
    if record is None:
        return f"no provenance, and {sorted(there)[:5]}"
    if there != set(record["files"]):
        return f"torn: {sorted(there ^ set(record['files']))}"
    return _listing(folder)


def which_one(now: object, earlier: object, new: object, name: str) -> str:
    if now is None:
        return "none" if earlier is None else "lost"
    if now == earlier:
        return "earlier"
    if isinstance(now, dict) and isinstance(new, dict):
        same = now.keys() == new.keys() and all(
            now[file] == new[file] for file in now if Path(file).name not in CHANGES
        )
        return "new" if same else "neither"
    if name.endswith(".xlsx"):
        return "new" if _parts(now) == _parts(new) else "neither"
    if Path(name).name in CHANGES and isinstance(now, bytes) and isinstance(new, bytes):
        return "new" if len(now) > 0.9 * len(new) and now[-20:] == new[-20:] else "neither"
    return "new" if now == new else "neither"


def _parts(book: object) -> dict[str, bytes] | None:
    """Parts of a workbook but for the one with the time of day; None where it doesn't open."""
    try:
        with zipfile.ZipFile(io.BytesIO(book)) as archive:
            return {
                name: archive.read(name)
                for name in archive.namelist()
                if name != "docProps/core.xml"
            }
    except (TypeError, zipfile.BadZipFile):
        return None


def is_batch_begun(name: str, now: object, new: object, earlier: object) -> bool:
    """Whether it is the table of a batch that was not done: a row a survey, of which those with
    results, whose state is known from the start of a second batch, say so; or the stands of those
    surveys alone that came through.
    """
    if Path(name).name == "all_stands.csv" and isinstance(now, bytes) and isinstance(new, bytes):
        return set(now.splitlines()) <= set(new.splitlines())
    if Path(name).name != "surveys.csv" or not isinstance(now, bytes) or not isinstance(new, bytes):
        return False
    rows, whole = (list(csv.DictReader(io.StringIO(each.decode()))) for each in (now, new))
    pairs = list(itertools.zip_longest(rows, whole, fillvalue={}))
    return all(
        one.get("survey") == other.get("survey")
        and (
            one["state"] == other["state"]
            or (
                one["state"] in ("not run", "bad input", "error")
                and (earlier is None or other["state"] == "bad input")
            )
        )
        and None not in one.values()
        for one, other in pairs
    )


def _is_incomplete(what: object) -> bool:
    return isinstance(what, dict) and "not_made.txt" in what


# --- the study ---


MOST_ALIKE = 2


def telling_calls(calls: Sequence[tuple[str, str]]) -> list[int]:
    """Numbers, from 1, of the first and the last calls on each file, and of few on files alike (of
    one name in several folders, removed from one, or temporary).
    """
    found, alike = [], Counter()
    for number, (kind, path) in enumerate(calls, 1):
        ends = number in (1, len(calls)) or not (calls[number - 2] == (kind, path) == calls[number])
        where = Path(path)
        temporary = where.parent.name == TEMPORARY or ".standage-" in where.name
        shared = kind == "remove" or temporary
        key = (kind, where.parent.name if shared else where.name)
        if ends and alike[key] < (2 * MOST_ALIKE if kind == "write" else MOST_ALIKE):
            alike[key] += 1
            found.append(number)
    return found


def attack(
    command: Command,
    *,
    first: int = 1,
    every: int = 1,
    telling: bool = False,
    faults: Sequence[Fault] = FAULTS,
    rerun_every: int = 1,
) -> list[Outcome]:
    """All outcomes of a command. first, every: only this and each so many-th call after it fails,
    of all or of the telling ones; rerun_every: after each so many-th the command is run once more,
    left alone.
    """
    outcomes = []
    with tempfile.TemporaryDirectory(prefix="standage-writes-") as place:
        attacked = Attack(command, Path(os.path.realpath(place)))
        for fault in faults:
            calls = attacked.calls(fault)
            numbers = telling_calls(calls) if telling else list(range(1, len(calls) + 1))
            for turn, number in enumerate(numbers[first - 1 :: every]):
                outcomes.append(attacked.one(fault, number, rerun=turn % rerun_every == 0))
    return outcomes


def report(outcomes: Sequence[Outcome]) -> str:
    """Counts by command, and whatever was wrong."""
    lines = [
        "| command | calls failed | exit codes | results and tables afterwards | wrong |",
        "|---|---|---|---|---|",
    ]
    for name in dict.fromkeys(each.command for each in outcomes):
        of = [each for each in outcomes if each.command == name]
        codes = ", ".join(f"{code}: {n}" for code, n in sorted(Counter(e.code for e in of).items()))
        became = Counter(each.became for each in of)
        after = "; ".join(f"{which}: {number}" for which, number in became.most_common())
        wrong = sum(bool(each.wrong) for each in of)
        lines.append(f"| {name} | {len(of)} | {codes} | {after} | {wrong} |")
    alike: dict[tuple[str, str, str], list[Outcome]] = {}
    for each in outcomes:
        for wrong in each.wrong:
            key = (each.command, each.fault, re.sub(r"[0-9a-f]{8,}|_?\w{8}(?='|/)", "_", wrong))
            alike.setdefault(key, []).append(each)
    for (command, fault, wrong), of in alike.items():
        first = of[0]
        lines.append(
            f"{len(of)} x {command}, {fault}, first at call {first.number}, exit code"
            f" {first.code}: {wrong[:500]}"
        )
        lines += [f"    {line}" for line in first.said.splitlines()[-4:]]
    return "\n".join(lines)


def command_line() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--command", action="append", choices=[each.name for each in COMMANDS])
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--rerun-every", type=int, default=1)
    parser.add_argument(
        "--telling", action="store_true", help="of many calls on one file the first and last"
    )
    parser.add_argument("--from", type=int, default=1, dest="first", help="first call that fails")
    given = parser.parse_args()
    outcomes: list[Outcome] = []
    for command in COMMANDS:
        if given.command is not None and command.name not in given.command:
            continue
        for fault in FAULTS:
            began = time.perf_counter()
            found = attack(
                command,
                first=given.first,
                every=given.every,
                telling=given.telling,
                faults=[fault],
                rerun_every=given.rerun_every,
            )
            took = time.perf_counter() - began
            print(fault.name, report(found), f"{took:.0f} s", "", sep="\n", flush=True)
            outcomes += found
    print(report(outcomes))
    return int(any(each.wrong for each in outcomes))


if __name__ == "__main__":
    sys.exit(command_line())
