"""Places that hang, are closed, full or too long: every command ends in words, and soon."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from standage.commands.cli import BAD_INPUT, main

pytestmark = pytest.mark.skipif(
    not hasattr(os, "mkfifo"), reason="this system has other places that hang"
)
NOBODY = 65534  # the user without rights, by its usual number
SURVEY_COMMANDS = ("check", "ages", "run", "batch", "compare", "card")


def ends_in_words(*words) -> str:
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exception is None or isinstance(done.exception, SystemExit), (words, done.exception)
    assert done.exit_code == BAD_INPUT, (words, done.output)
    assert len(done.stderr) < 30_000
    return done.stderr


def asked_of(command: str, place, out) -> tuple:
    """The command about a survey or result at `place`."""
    more = {
        "ages": ("--csv", out / "ages.csv"),
        "run": ("--out", out / "results"),
        "batch": ("--out", out / "results"),
        "compare": (place, "--out", out / "results"),
        "card": ("T1", "--out", out),
    }
    return (command, place, *more.get(command, ()))


@pytest.mark.parametrize("command", SURVEY_COMMANDS)
@pytest.mark.parametrize("kind", ["pipe", "device", "proc", "long", "deep", "loop", "empty name"])
def test_a_survey_or_result_at_a_strange_place(kind, command, tmp_path):
    place = tmp_path / kind
    if kind == "pipe":
        os.mkfifo(place)
    elif kind == "device":
        place.symlink_to("/dev/zero")
    elif kind == "proc":
        place.symlink_to("/proc/kmsg")
    elif kind == "long":
        place = tmp_path / ("x" * 5_000)
    elif kind == "deep":
        place = tmp_path.joinpath(*["x" * 200] * 30)
    elif kind == "loop":
        place.symlink_to(place)
    else:
        place = Path(" ")
    ends_in_words(*asked_of(command, place, tmp_path))


@pytest.mark.parametrize(
    "kind", ["pipe", "device", "full", "long", "folder", "below a file", "mine"]
)
def test_a_table_of_ages_for_a_strange_place(kind, tiny_folder, tmp_path):
    place = tmp_path / kind
    if kind == "pipe":
        os.mkfifo(place)
    elif kind == "device":
        place.symlink_to("/dev/null")
    elif kind == "full":
        place = Path("/dev/full")
    elif kind == "long":
        place = tmp_path / ("x" * 5_000)
    elif kind == "folder":
        place.mkdir()
    elif kind == "below a file":
        (tmp_path / "file").write_text("mine")
        place = tmp_path / "file" / "ages.csv"
    else:
        place.write_text("tree,mine\n")
    ends_in_words("ages", tiny_folder, "--csv", place)
    assert kind != "mine" or place.read_text() == "tree,mine\n"
    assert not list(tmp_path.glob(".standage-*"))


def test_a_table_of_ages_never_follows_or_foresees_names(tiny_folder, tmp_path):
    """A file of one's own under the name of a half-written one, and a link in the table's place."""
    mine = tmp_path / "mine.csv"
    mine.write_text("mine")
    (tmp_path / "ages.csv.part").symlink_to(mine)
    command = ["ages", str(tiny_folder), "--csv", str(tmp_path / "ages.csv")]
    assert CliRunner().invoke(main, command).exit_code == 0
    first = (tmp_path / "ages.csv").read_bytes()
    assert mine.read_text() == "mine" and (tmp_path / "ages.csv.part").is_symlink()
    shutil.move(tmp_path / "ages.csv", tmp_path / "elsewhere.csv")
    (tmp_path / "ages.csv").symlink_to(tmp_path / "elsewhere.csv")
    assert CliRunner().invoke(main, command).exit_code == 0
    assert not (tmp_path / "ages.csv").is_symlink()
    assert (tmp_path / "elsewhere.csv").read_bytes() == first


def test_places_with_blanks_marks_and_letters_of_any_language(tiny_folder, tmp_path):
    place = tmp_path / "Été à l'île, 松 & Söhne #1 %20"
    survey = shutil.copytree(tiny_folder, place / "ma parcelle")
    ages, forms = place / "âges d'arbres.csv", place / "formulaires neufs"
    for words in (("check", survey), ("ages", survey, "--csv", ages), ("new", forms)):
        done = CliRunner().invoke(main, [str(word) for word in words])
        assert done.exit_code == 0, done.output
    assert ages.stat().st_size and (forms / "trees.csv").is_file()


@pytest.mark.parametrize("kind", ["long", "deep", "below a pipe", "below a device"])
def test_results_for_a_strange_place(kind, tiny_folder, tmp_path, monkeypatch):
    monkeypatch.setattr("standage.commands.run.fit_stands", lambda *_, **__: pytest.fail("sampled"))
    place = tmp_path / ("x" * 5_000)
    if kind == "deep":
        place = tmp_path.joinpath(*["x" * 200] * 30)
    elif kind == "below a pipe":
        os.mkfifo(tmp_path / "pipe")
        place = tmp_path / "pipe" / "results"
    elif kind == "below a device":
        place = Path("/dev/null/results")
    before = sorted(tmp_path.iterdir())
    ends_in_words("run", tiny_folder, "--out", place)
    ends_in_words("new", place)
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("kind", ["pipe", "device", "nothing"])
def test_a_draft_is_neither_waited_for_nor_written_elsewhere(kind, tiny_folder, tmp_path):
    """Where a table hangs, or a link that leads to nothing stands in the place of the draft."""
    survey = shutil.copytree(tiny_folder, tmp_path / "survey")
    if kind == "nothing":
        (survey / "columns.toml").symlink_to(tmp_path / "elsewhere.toml")
        ends_in_words("check", survey, "--draft")
        assert not (tmp_path / "elsewhere.toml").exists()
        return
    (survey / "trees.csv").unlink()
    if kind == "pipe":
        os.mkfifo(survey / "trees.csv")
    else:
        (survey / "trees.csv").symlink_to("/dev/zero")
    assert CliRunner().invoke(main, ["check", str(survey), "--draft"]).exit_code == 0
    assert '# name = "trees.csv"\n# holds = ""' in (survey / "columns.toml").read_text()


@pytest.mark.parametrize("kind", ["pipe", "link to nothing", "folder"])
def test_a_mapping_file_that_is_no_file_is_never_passed_over(kind, tiny_folder, tmp_path):
    survey = shutil.copytree(tiny_folder, tmp_path / "survey")
    if kind == "pipe":
        os.mkfifo(survey / "columns.toml")
    elif kind == "folder":
        (survey / "columns.toml").mkdir()
    else:
        (survey / "columns.toml").symlink_to("nowhere")
    assert "columns.toml: found a" in ends_in_words("check", survey)


def test_forms_take_the_place_of_no_link(tmp_path):
    (tmp_path / "trees.csv").symlink_to("nowhere")
    assert "trees.csv" in ends_in_words("new", tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["trees.csv"]


# what a command loads late may lie where nobody else may look: a refusal, a misspelt option and a
# survey that is whole show it all
AS_NOBODY = """
import contextlib, importlib, io, os, pkgutil, tempfile
import click
from standage.commands.cli import main
for module in pkgutil.iter_modules(click.__path__, "click."):
    if module.name != "click.__main__" and "winconsole" not in module.name:
        importlib.import_module(module.name)
warm = ["ages", {good!r}, "--csv", tempfile.mkdtemp() + "/ages.csv"]
for words in (["ages", "no/such/survey"], ["ages", "--no-such-option"], warm):
    with contextlib.redirect_stderr(io.StringIO()), contextlib.redirect_stdout(io.StringIO()):
        with contextlib.suppress(SystemExit):
            main(words)

os.setgroups([])
os.setgid({nobody})
os.setuid({nobody})
main({words!r})
"""


GOOD = Path(__file__).parents[2] / "demo" / "longleaf-survey"


SHUT = ("survey", "survey/rings", "out")


def as_nobody(*words) -> subprocess.CompletedProcess:
    """A command of somebody without rights, who has loaded all that it needs before."""
    if os.geteuid():
        program = f"from standage.commands.cli import main; main({[str(word) for word in words]!r})"
    else:
        program = AS_NOBODY.format(
            nobody=NOBODY, good=str(GOOD), words=[str(word) for word in words]
        )
    return subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=120
    )


@pytest.mark.parametrize(
    "closed",
    ["survey/trees.csv", *(pytest.param(each, marks=pytest.mark.slow) for each in SHUT)],
)
def test_what_may_not_be_read_or_written_is_told(closed, tiny_folder, tmp_path):
    survey, out = shutil.copytree(tiny_folder, tmp_path / "survey"), tmp_path / "out"
    (survey / "rings").mkdir(exist_ok=True)
    out.mkdir()
    for parent in (tmp_path, *tmp_path.parents):
        if parent.stat().st_uid == os.geteuid() and parent != Path("/"):
            parent.chmod(parent.stat().st_mode | 0o055)
    (tmp_path / closed).chmod(0)
    try:
        done = as_nobody("ages", survey, "--csv", out / "ages.csv")
    finally:
        (tmp_path / closed).chmod(0o755)
    assert done.returncode == BAD_INPUT, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert "ermission denied" in done.stderr or "is not readable" in done.stderr, done.stderr
    assert not list(out.iterdir())
