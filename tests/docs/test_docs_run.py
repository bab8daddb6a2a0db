"""What the pages tell people to type is typed: every command and every Python block, page by page;
what is shown is held to what came out.

Fits are made small: `standage run` keeps 50 draws of 2 chains, and a run of the demo survey is one
of its stands; Python blocks keep the draws they ask for up to `MOST_DRAWS`. Blocks marked `text`
must be what was printed, line by line, `...` standing for lines left out; of those marked `text
about`, which come from random draws, most sentences must be among those printed once numbers are
taken away. What is printed of four stands isn't compared: runs are of one.
"""

from __future__ import annotations

import contextlib
import functools
import io
import os
import re
import runpy
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import click
import matplotlib
import pytest
from click.testing import CliRunner

import standage
from standage.commands.cli import FIT_FAILED, main

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
STAND = "oxbell-upland"
TREE = "oxbell-upland-4-10"
QUICK = ("--draws", "50", "--chains", "2")
MOST_DRAWS = 250
# of the sentences of a block from random draws: few draws of one stand tell some things otherwise
ALIKE = 0.75
NAMES = {"my-tree": TREE, "T17": TREE}  # pages speak of a tree of the reader's own
NOT_TYPED = {  # beginnings of commands, and who types them
    "python3 -m venv": ".ci/run makes the environment",
    ".venv/bin/pip": ".ci/run installs",
    "pip install": ".ci/run installs",
    ". .venv/bin/activate": "changes the shell only",
    ".venv/bin/python -m pytest": ".ci/run",
    "python -m pytest": ".ci/run",
    ".venv/bin/python -c": "tests/docs/test_docs.py compares the page",
    "python tests/studies/": "hours; tests/studies_checked/test_studies.py and others",
    "python tests/benchmarks/": "measures time",
    "dask worker": "tests/commands/test_batch.py starts a cluster",
    "standage delays my-survey": "tests/commands/test_delays.py; the tutorial is typed",
    "standage batch": "tests/commands/test_batch.py runs batches",
    "standage run --again": "tests/results/test_faults.py repeats runs",
    "standage run moved-survey": "tests/results/test_faults.py repeats runs",
    "standage compare": ("tests/findings/test_comparison.py; few draws do not pass its checks"),
    ".venv/bin/ruff": ".ci/run",
    ".venv/bin/lint-imports": ".ci/run",
    ".ci/run": "runs these tests",
}


@dataclass(frozen=True)
class Block:
    """A fenced block, or a run of indented commands. `kind`: sh, python, text, `text about`."""

    kind: str
    text: str


def blocks_of(page: str) -> list[Block]:
    """The blocks of a page in their order."""
    found = re.finditer(
        r"^```([\w ]*)\n(.*?)^```|((?:^ {4}(?:standage|dask) [^\n]*\n)+)",
        page,
        flags=re.DOTALL | re.MULTILINE,
    )
    return [
        Block(*(("sh", part[3].replace("    ", "")) if part[3] else (part[1], part[2])))
        for part in found
    ]


def pages() -> list[str]:
    """Pages with something to type; tests/commands/test_batch.py does what docs/batch.md says."""
    every = [
        ROOT / "README.md",
        ROOT / "DEVELOPERS.md",
        ROOT / "demo" / "README.md",
        *sorted((ROOT / "docs").glob("*.md")),
    ]
    every.remove(ROOT / "docs" / "batch.md")
    typed = [
        page
        for page in every
        if any(
            block.kind in ("sh", "python") for block in blocks_of(page.read_text(encoding="utf-8"))
        )
    ]
    return [page.relative_to(ROOT).as_posix() for page in typed]


@pytest.fixture(scope="session")
def one_stand(tmp_path_factory) -> Path:
    """One stand of the demo survey."""
    folder = tmp_path_factory.mktemp("cut") / "longleaf-survey"
    shutil.copytree(ROOT / "demo" / "longleaf-survey", folder)
    for path in folder.glob("*.csv"):
        head, *rows = path.read_text().splitlines()
        kept = [row for row in rows if STAND in row]
        path.write_text("\n".join([head, *kept]) + "\n")
        if not kept:
            path.unlink()
    return folder


@pytest.fixture(scope="session")
def quick_results(one_stand, simulated_folder, tmp_path_factory):
    """Results by survey, each fitted once: a function of `demo` or `other` that gives the folder
    and what was printed.
    """
    place = tmp_path_factory.mktemp("results")

    @functools.cache
    def results(name: str) -> tuple[Path, str]:
        survey = one_stand if name == "demo" else simulated_folder
        ran = CliRunner().invoke(main, ["run", str(survey), "--out", str(place / name), *QUICK])
        assert ran.exit_code in (0, FIT_FAILED), ran.output
        return place / name, ran.output

    return results


class Reader:
    """Somebody who types a page, in a folder of their own."""

    def __init__(self, folder: Path, one_stand: Path, results, demo: Path) -> None:
        self.folder, self.one_stand, self.results = folder, one_stand, results
        shutil.copytree(
            ROOT / "demo",
            folder / "demo",
            ignore=shutil.ignore_patterns("__pycache__", "longleaf-survey"),
        )
        self._put(demo, folder / "demo" / "longleaf-survey")
        self.names: dict = {"__name__": "__main__"}

    def types(self, command: str) -> str:
        """Types one command and returns what it prints."""
        words = [NAMES.get(word, word) for word in shlex.split(command, comments=True)]
        words[0] = words[0].removeprefix(".venv/bin/")
        if words[0] == "standage":
            return self._standage(words[1:])
        if words[0] == "python":
            return self._script(words[1:])
        done = subprocess.run(command, shell=True, capture_output=True, text=True, cwd=self.folder)
        assert done.returncode == 0, f"{command}: {done.stderr}"
        return done.stdout

    def _standage(self, words: list[str]) -> str:
        if words[0] == "run":
            asked = main.commands["run"].make_context("run", words[1:]).params
            usual = (
                main.commands["run"]
                .make_context("run", [asked["survey"], "--out", asked["out"]])
                .params
            )
            assert asked == usual and (self.folder / asked["survey"]).exists(), (
                f"run {words}: only the usual options are run here"
            )
            made, printed = self.results("demo")
            self._put(made, self.folder / asked["out"])
            return printed.replace(str(made), asked["out"])
        ran = CliRunner().invoke(main, words)
        assert ran.exception is None or isinstance(ran.exception, SystemExit), ran.output
        wrong_on_purpose = words[:2] == ["check", "broken"]
        assert ran.exit_code in ((2,) if wrong_on_purpose else (0, FIT_FAILED)), (
            f"standage {words}: {ran.output}"
        )
        if words[0] == "new":  # the reader fills the forms in
            assert {"stands.csv", "trees.csv", "cores.csv"} <= {
                path.name for path in (self.folder / words[1]).iterdir()
            }
            self._put(self.one_stand, self.folder / words[1])
        return ran.output

    def _script(self, words: list[str]) -> str:
        printed, before = io.StringIO(), sys.argv
        sys.argv = words
        try:
            with contextlib.redirect_stdout(printed):
                runpy.run_path(words[0], run_name="__main__")
        finally:
            sys.argv = before
        return printed.getvalue()

    def writes(self, python: str) -> str:
        """Runs a Python block after those before it and returns what it prints."""
        for said, meant in NAMES.items():
            python = python.replace(f'"{said}"', f'"{meant}"')
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(python, "<page>", "exec"), self.names)
        return printed.getvalue()

    @staticmethod
    def _put(source: Path, target: Path) -> None:
        shutil.rmtree(target, ignore_errors=True)
        shutil.copytree(source, target)


@pytest.fixture
def quick_python(monkeypatch):
    """Fits from Python blocks keep few draws, and the PyMC model is drawn from without being
    compiled.
    """
    import pymc as pm
    from pymc_as_written import AS_WRITTEN

    from standage.stand.fit import fit_stands

    sample_prior_predictive = pm.sample_prior_predictive

    def quick_fit(survey, **asked):
        return fit_stands(
            survey, **asked | {"draws": min(asked.get("draws", 50), MOST_DRAWS), "chains": 2}
        )

    def quick_prior(draws, **asked):
        return sample_prior_predictive(draws, **asked, compile_kwargs={"mode": AS_WRITTEN})

    monkeypatch.setattr(standage, "fit_stands", quick_fit, raising=False)
    monkeypatch.setattr(pm, "sample_prior_predictive", quick_prior)


@pytest.mark.parametrize("page", pages())
def test_what_a_page_says_to_type_works_and_prints_what_it_shows(
    page, one_stand, quick_results, quick_python, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(os, "environ", os.environ | {"COLUMNS": "200"})
    demo = ROOT / "demo" / "longleaf-survey" if page == "docs/tutorial.md" else one_stand
    reader = Reader(tmp_path, one_stand, quick_results, demo)
    if page in ("docs/report.md", "docs/figures.md"):  # of somebody who has run a survey
        reader.types("standage run demo/longleaf-survey --out results")
    printed = ""
    with matplotlib.rc_context():
        for block in blocks_of((ROOT / page).read_text(encoding="utf-8")):
            if block.kind == "sh":
                commands = [
                    part.strip() for line in block.text.splitlines() for part in line.split("&&")
                ]
                typed = [
                    command for command in commands if not command.startswith(tuple(NOT_TYPED))
                ]
                printed = "".join(reader.types(command) for command in typed)
            elif block.kind == "python":
                printed = reader.writes(block.text)
            elif block.kind == "text":
                lines_are(block.text, printed)
            elif block.kind == "text about":
                sentences_are_alike(block.text, printed)


# ------------------------------------------------------------------------------
# shown and printed


def lines_are(shown: str, printed: str) -> None:
    """Each line shown is printed, in this order, one straight after the other but for `...` between
    them.
    """
    have = [line.rstrip() for line in printed.splitlines()]
    place, gap = 0, True
    for line in (line.rstrip() for line in shown.splitlines()):
        if line == "...":
            gap = True
            continue
        assert line in (have[place:] if gap else have[place : place + 1]), (
            f"not printed there: {line}\nprinted:\n{printed}"
        )
        place, gap = have.index(line, place) + 1, False


def sentences(text: str) -> list[str]:
    """The sentences of a text without its numbers, and without what a sentence says of how sure it
    is.
    """
    parts = re.split(r"(?<=[.:;,])\s+|\n+", text)
    plain = (re.sub(r"\b(?:more|less) than (?=\d)|[<>] ", "", part) for part in parts)
    plain = (" ".join(re.sub(r"-?\d[\d.,]*\d|-?\d|\bOne\b", "#", part).split()) for part in plain)
    return [part for part in plain if re.search(r"[a-zA-Z_]", part)]


def sentences_are_alike(shown: str, printed: str) -> None:
    """Of the sentences shown most are printed, numbers aside."""
    wanted, have = sentences(shown), set(sentences(printed))
    missing = [one for one in wanted if one not in have]
    assert wanted and len(missing) <= (1 - ALIKE) * len(wanted), (
        f"shown and not printed: {missing}\nprinted: {printed}"
    )


def test_commands_that_other_tests_run_have_options_that_exist():
    """What is in NOT_TYPED of standage's own is read as the command line reads it, in every
    page.
    """
    read = []
    for page in (*pages(), "docs/batch.md"):
        blocks = blocks_of((ROOT / page).read_text(encoding="utf-8"))
        for line in (
            line.strip()
            for block in blocks
            if block.kind == "sh"
            for line in block.text.splitlines()
        ):
            words = shlex.split(line, comments=True)
            if words[:1] == ["standage"] and line.startswith(tuple(NOT_TYPED)):
                main.commands[words[1]].make_context(
                    words[1], words[2:]
                )  # raises for an option or a value that it doesn't know
                read.append(words[1])
    assert {"batch", "compare", "run"} <= set(read)
    with pytest.raises(click.UsageError):
        main.commands["batch"].make_context(
            "batch", ["surveys", "--out", "results", "--clusters", "tcp://a:1"]
        )


def test_what_is_shown_wrongly_would_be_found():
    lines_are("a\n...\nd\n", "a\nb\nc\nd\n")
    for wrong in ("a\nc\n", "d\n...\na\n", "e\n"):
        with pytest.raises(AssertionError):
            lines_are(wrong, "a\nb\nc\nd\n")
    sentences_are_alike(
        "It began in 1920 (5 to 6). Then 12 more.",
        "It began in 1931 (7 to 8). Then 1.5 more. And more.",
    )
    with pytest.raises(AssertionError):
        sentences_are_alike("It began in 1920. It ended.", "It began in 1931. It goes on.")


def test_blocks_are_found_in_their_order():
    page = "x\n```sh\na\n```\n\n    standage b\n\n```text about\nc\n```\n```python\nd\n```\n"
    assert blocks_of(page) == [
        Block("sh", "a\n"),
        Block("sh", "standage b\n"),
        Block("text about", "c\n"),
        Block("python", "d\n"),
    ]
