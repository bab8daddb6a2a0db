"""The commands from outside: what they print, what they write, what they refuse, and their exit
codes.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from importlib.metadata import version
from pathlib import Path

import click
import pandas as pd
import pytest
from click.testing import CliRunner

from standage.commands.cli import BAD_INPUT, FIT_FAILED, main
from standage.commands.command_group import CommandGroup
from standage.commands.repeat import Repeated
from standage.commands.run import RunResult
from standage.commands.run_options import RunOptions
from standage.errors import StandageError
from standage.profiles import models_folder, profile_keys
from standage.survey.schema import TABLES

COMMANDS = (
    *("new", "check", "ages", "delays", "run", "card", "report", "compare", "batch", "profiles"),
)
TABLES_WRITTEN = {"stand_summary", "tree_dates", "cohorts", "rate", "pulses", "parameters"}
HEAVY = ("pymc", "pytensor", "numba", "nutpie", "matplotlib", "arviz", "scipy.stats")


def standage(*arguments, code: int = 0):
    """Run a command in this process; its exit code is as said, and it never ends in a traceback."""
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def files_below(folder: Path) -> list[str]:
    return sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    )


@pytest.fixture
def forms(tmp_path) -> Path:
    standage("new", tmp_path / "forms")
    return tmp_path / "forms"


@pytest.fixture
def broken(forms) -> Path:
    """The forms with three mistakes, in two files."""
    for name, column, cell in (
        ("trees", "species", "longlaef-pine"),
        ("trees", "dbh_cm", "forty or so"),
        ("cores", "centre", "middle"),
    ):
        with (forms / f"{name}.csv").open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
        rows[0][column] = cell
        with (forms / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, rows[0].keys())
            writer.writeheader()
            writer.writerows(rows)
    return forms


@pytest.fixture(scope="module")
def ran(tiny_folder, tmp_path_factory):
    """Folder of results and what the command said, run twice into one folder: (folder, first
    result, its files, second result).
    """
    out = tmp_path_factory.mktemp("results") / "deep" / "results"
    command = ["run", str(tiny_folder), "--out", str(out), "--xlsx"]
    command += ["--draws", "60", "--chains", "2", "--seed", "7", "--level", "0.8"]
    runner = CliRunner()
    first = runner.invoke(main, command)
    kept = {name: (out / name).read_bytes() for name in files_below(out)}
    again = runner.invoke(main, command)
    return out, first, kept, again


# help and forms


@pytest.mark.parametrize("command", ["run", "batch"])
def test_every_option_of_a_run_is_in_the_one_list_and_has_the_default_of_the_list(command):
    """What is in the list is recorded in provenance.json; an option that is not would be lost to
    whoever repeats the run.
    """
    # what makes no difference to what is written
    own = {"survey", "folder", "out", "again", "full", "workers", "cores", "cluster"}
    told = [each for each in main.commands[command].params if each.expose_value]
    defaults = {each.name: each.default for each in told}
    assert {
        name: default for name, default in defaults.items() if name not in own
    } == RunOptions().recorded()


def test_help_names_every_command_and_each_has_its_own():
    text = standage("--help").output
    assert all(command in text for command in COMMANDS)
    assert set(main.commands) == set(COMMANDS)
    for command in COMMANDS:
        assert "Usage" in standage(command, "--help").output and standage(command, "-h").output


def test_version_is_that_of_the_package():
    assert standage("--version").output.split() == ["standage", version("standage")]


def test_new_forms_pass_the_check_as_they_are(forms):
    assert {"stands.csv", "trees.csv", "cores.csv", "columns.csv"} <= set(files_below(forms))
    said = standage("check", forms).output
    assert "No mistakes found." in said and "No stand can be given a history" in said


def test_new_workbook_passes_the_check_as_it_is(tmp_path):
    standage("new", tmp_path, "--xlsx")
    assert "No mistakes found." in standage("check", tmp_path / "survey.xlsx").output


def test_new_overwrites_nothing(forms):
    before = {name: (forms / name).read_bytes() for name in files_below(forms)}
    result = standage("new", forms, code=BAD_INPUT)
    assert "nothing is overwritten" in result.stderr and "stands.csv" in result.stderr
    assert {name: (forms / name).read_bytes() for name in files_below(forms)} == before


# completion by the shell


def completed(shell: str, *words: str) -> str:
    """What the program answers to a shell: without words its script, with words what the last of
    them may become.
    """
    told = {"_STANDAGE_COMPLETE": f"{shell}_{'complete' if words else 'source'}"}
    if words:
        told |= {
            "COMP_WORDS": " ".join(["standage", *words]),
            "COMP_CWORD": words[-1] if shell == "fish" else str(len(words)),
        }
    code = "from standage.commands.cli import main; main(prog_name='standage')"
    done = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | told, capture_output=True, text=True
    )
    assert not done.stderr, done.stderr
    return done.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_completion_of_each_shell_prints_as_the_readme_says(shell):
    script = completed(shell)
    assert f"_STANDAGE_COMPLETE={shell}_complete" in script and "standage" in script
    line = f"_STANDAGE_COMPLETE={shell}_source standage"
    assert line in (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_commands_and_species_are_completed(shell):
    assert "profiles" in completed(shell, "prof")
    assert "longleaf-pine" in completed(shell, "profiles", "long") and "loblolly" not in completed(
        shell, "profiles", "long"
    )


@pytest.mark.slow
def test_trees_of_a_result_are_completed(tmp_path):
    (tmp_path / "tree_dates.csv").write_text(
        "stand,tree\na,north-1\na,'=north\na,south-2\n", encoding="utf-8"
    )
    assert completed("bash", "card", str(tmp_path), "nor").split() == ["plain,north-1"]
    assert completed("bash", "card", str(tmp_path), "=n").split() == ["plain,=north"]
    assert completed("bash", "card", str(tmp_path / "nowhere"), "nor").strip() == ""


# surveys that can't be used


def test_check_tells_all_problems_at_once_and_exits_with_2(broken):
    before = files_below(broken)
    result = standage("check", broken, "--all", code=BAD_INPUT)
    for place in (
        "trees.csv, row 2, column species",
        "trees.csv, row 2, column dbh_cm",
        "cores.csv, row 2, column centre",
    ):
        assert place in result.stderr
    assert "longleaf-pine" in result.stderr  # the key that was meant
    assert "No problems found" not in result.output
    assert files_below(broken) == before


@pytest.mark.parametrize("command", ["ages", "run"])
def test_a_broken_survey_writes_nothing(command, broken, tmp_path):
    out = tmp_path / "out"
    options = ("--csv", out) if command == "ages" else ("--out", out)
    result = standage(command, broken, *options, code=BAD_INPUT)
    assert "column dbh_cm" in result.stderr and not out.exists()
    assert result.stdout == ""


@pytest.mark.parametrize("command", [("check",), ("ages",), ("run", "--out", "never")])
def test_no_such_survey(command, tmp_path):
    result = standage(command[0], tmp_path / "nowhere", *command[1:], code=BAD_INPUT)
    assert "nowhere" in result.stderr
    assert not Path("never").exists()


def test_too_few_stems_are_refused_in_words(forms, tmp_path):
    """The example rows of the forms are a survey, but no stand to model."""
    result = standage("run", forms, "--out", tmp_path / "out", code=BAD_INPUT)
    assert "standage ages" in result.stderr and not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "options",
    [
        *(("--draws", 10), ("--chains", 1), ("--seed", -1), ("--seed", 2**63)),
        *(("--level", level) for level in (1.5, "nan", "inf", "-inf")),
    ],
)
def test_options_out_of_range_are_refused(options, tiny_folder, tmp_path):
    result = standage("run", tiny_folder, "--out", tmp_path / "out", *options, code=2)
    assert options[0] in result.output and not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "options",
    [
        *({"level": level} for level in (float("nan"), 1, "0.9", None)),
        *({"seed": seed} for seed in (2**63, -1, 1.0, True, None)),
        *({"chains": 1}, {"xlsx": "yes"}, {"style": "gray"}),
        *({"profile_folder": 3}, {"coordinates": "0.5"}),
    ],
    ids=str,
)
def test_options_from_python_or_a_record_are_held_to_the_same_limits(options):
    with pytest.raises(StandageError, match="^--.*: found .*; expected "):
        RunOptions(**options)
    with pytest.raises(StandageError):
        RunOptions.from_record(RunOptions().recorded() | options)


def test_what_openings_did_to_the_grass_stage_is_no_longer_asked(tiny_folder, tmp_path):
    for command in ("run", "batch"):
        result = standage(
            command, tiny_folder, "--out", tmp_path / "out", "--emergence", "on", code=2
        )
        assert "Leave --emergence out" in " ".join(result.output.split())
    assert not (tmp_path / "out").exists()
    record = RunOptions(seed=3).recorded()
    assert RunOptions.from_record(record | {"emergence": "off"}) == RunOptions(seed=3)
    with pytest.raises(StandageError, match="Leave --emergence out"):
        RunOptions.from_record(record | {"emergence": "learned"})


def test_a_run_repeated_prints_every_sentence_where_asked(monkeypatch):
    ended = RunResult("one screen", True, full="every sentence")
    monkeypatch.setattr(
        "standage.commands.repeat.repeat_run", lambda *_, **__: Repeated(ended, (), 9, ())
    )
    short = standage("run", "--again", "results").output
    assert "All 9 tables" in short and "every sentence" not in short
    assert standage("run", "--again", "results", "--full").output == f"every sentence\n\n{short}"


def test_a_folder_that_is_no_result_is_refused_before_any_sampling(
    tiny_folder, tmp_path, monkeypatch
):
    def never(*_, **__):
        raise AssertionError("sampled before looking at the folder")

    monkeypatch.setattr("standage.commands.run.fit_stands", never)
    (tmp_path / "notes.txt").write_text("mine")
    result = standage("run", tiny_folder, "--out", tmp_path, code=BAD_INPUT)
    assert "nothing was written" in result.stderr
    assert files_below(tmp_path) == ["notes.txt"] and (tmp_path / "notes.txt").read_text() == "mine"
    standage("run", tiny_folder, "--out", tmp_path / "notes.txt", code=BAD_INPUT)
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_stop_by_the_user_writes_nothing(tiny_folder, tmp_path, monkeypatch):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("standage.commands.run.fit_stands", stopped)
    result = standage("run", tiny_folder, "--out", tmp_path / "out", code=130)
    assert "nothing was written" in result.stderr and files_below(tmp_path) == []


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="this system ends processes otherwise")
@pytest.mark.parametrize("where", ["anywhere", "in the clearing away of an object"])
@pytest.mark.parametrize("number", ["SIGTERM", "SIGHUP"])
def test_an_end_by_the_system_is_like_a_stop_by_the_user(
    where, number, tiny_folder, tmp_path, monkeypatch
):
    class Ends:
        def __del__(self):
            os.kill(os.getpid(), getattr(signal, number))
            time.sleep(0.1)

    def ended(*_, **__):
        if where == "anywhere":
            os.kill(os.getpid(), getattr(signal, number))
        else:
            Ends()  # an exception that is raised there is ignored by Python
        for _ in range(600):  # the system may hand the signal over a little later
            time.sleep(0.1)

    # whoever starts the tests may have had the signal ignored, as nohup does
    outside = signal.signal(getattr(signal, number), signal.SIG_DFL)
    try:
        monkeypatch.setattr("standage.commands.run.fit_stands", ended)
        result = standage("run", tiny_folder, "--out", tmp_path / "out", code=143)
        assert "nothing was written" in result.stderr and files_below(tmp_path) == []
        assert "Traceback" not in result.stderr
        assert signal.getsignal(getattr(signal, number)) == signal.SIG_DFL
    finally:
        signal.signal(getattr(signal, number), outside)


@pytest.mark.parametrize(("fault", "shown"), [(ValueError, 0), (OSError, 0), (TypeError, 1)])
def test_what_a_library_cannot_end_on_a_full_disk_is_not_shown(
    fault, shown, tiny_folder, tmp_path, monkeypatch
):
    class Unended:
        def __del__(self):
            raise fault("closed file")

    def full(*_, **__):
        Unended()
        raise StandageError("no room")

    told = []
    monkeypatch.setattr(sys, "unraisablehook", told.append)
    monkeypatch.setattr("standage.commands.run.fit_stands", full)
    assert "no room" in standage("run", tiny_folder, "--out", tmp_path / "out", code=2).stderr
    assert len(told) == shown


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    "command", ["check SURVEY", "ages SURVEY --csv ages.csv", "profiles", "--help"]
)
def test_a_screen_that_is_a_full_disk_ends_in_words(command, tiny_folder, tmp_path):
    words = command.replace("SURVEY", str(tiny_folder)).split()
    program = f"from standage.commands.cli import main; main({words!r})"
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", program],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            cwd=tmp_path,
        )
    assert done.returncode == BAD_INPUT
    assert "standard output: can't be written (No space left on device)" in done.stderr
    assert "Traceback" not in done.stderr and "Exception" not in done.stderr


def test_warnings_made_errors_from_outside_change_nothing(tiny_folder, tmp_path):
    program = (
        "from standage.commands.cli import main;"
        f" main(['ages', {str(tiny_folder)!r}, '--csv', 'ages.csv'])"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", program],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=os.environ | {"PYTHONWARNINGS": "error"},
    )
    assert done.returncode == 0 and not done.stderr, done.stderr


# ages


def test_ages_prints_every_cored_tree_and_writes_the_same(tiny_folder, tmp_path):
    cores = pd.read_csv(tiny_folder / "cores.csv", dtype={"tree": str})
    said = standage("ages", tiny_folder, "--csv", tmp_path / "ages.csv", "--level", 0.8).output
    assert "intervals of 80%" in said and f"wrote {tmp_path / 'ages.csv'}" in said
    written = pd.read_csv(tmp_path / "ages.csv")
    assert set(written["tree"]) == set(pd.read_csv(tiny_folder / "trees.csv")["tree"])
    assert all(tree in said for tree in cores["tree"])
    dated = written.dropna(subset=["establishment_year_median"])
    assert len(dated) >= 6 and set(dated["tree"]) <= set(cores["tree"])
    assert (dated["establishment_year_low"] <= dated["establishment_year_median"]).all()
    assert (dated["establishment_year_median"] <= dated["establishment_year_high"]).all()
    row = dated.iloc[0]
    assert (
        f"{row['establishment_year_median']:.0f}"
        f" ({row['establishment_year_low']:.0f}-{row['establishment_year_high']:.0f})" in said
    )


def test_a_higher_level_gives_no_narrower_ages(tiny_folder, tmp_path):
    for level in (0.5, 0.95):
        standage("ages", tiny_folder, "--csv", tmp_path / f"{level}.csv", "--level", level)
    narrow, wide = (
        pd.read_csv(tmp_path / f"{level}.csv").dropna(subset=["establishment_year_median"])
        for level in (0.5, 0.95)
    )
    assert (wide["establishment_year_low"] < narrow["establishment_year_low"]).all()
    assert (wide["establishment_year_high"] > narrow["establishment_year_high"]).all()


def test_ages_go_into_this_folder_by_default_and_replace_ages_only(
    tiny_folder, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    for _ in range(2):
        assert "wrote survey-ages.csv" in standage("ages", tiny_folder).output
    assert files_below(tmp_path) == ["survey-ages.csv"]
    (tmp_path / "survey-ages.csv").write_text("mine")
    assert "left as it is" in standage("ages", tiny_folder, code=BAD_INPUT).stderr
    assert (tmp_path / "survey-ages.csv").read_text() == "mine" and files_below(tmp_path) == [
        "survey-ages.csv"
    ]


def test_ages_to_a_place_that_cannot_be_written(tiny_folder, tmp_path):
    result = standage(
        "ages", tiny_folder, "--csv", tmp_path / "no" / "such" / "ages.csv", code=BAD_INPUT
    )
    assert "can't be written" in result.stderr and files_below(tmp_path) == []


# run


def test_run_writes_all_tables_and_says_whether_to_trust_them(ran):
    out, first, kept, _ = ran
    assert first.exit_code in (0, FIT_FAILED), first.output
    assert "Traceback" not in first.output
    assert {name.removesuffix(".csv") for name in kept if name.endswith(".csv")} >= TABLES_WRITTEN
    assert {"verdict.json", "provenance.json", "posterior.nc"} <= set(kept)
    assert any(name.startswith("figures/") and name.endswith(".png") for name in kept)
    assert kept["report.html"].startswith(b"<!DOCTYPE html>")
    assert set(kept) - {"provenance.json"} <= set(json.loads(kept["provenance.json"])["files"])
    assert f"Tables and figures are in {out}" in first.output
    verdict = json.loads(kept["verdict.json"])
    assert verdict["passed"] is (first.exit_code == 0)
    assert ("THE FIT FAILED" in first.output) is (first.exit_code == FIT_FAILED)


def test_so_few_draws_do_not_pass(ran):
    """120 draws can't hold 400 effective ones: the exit code has to say so, and the summary what to
    try.
    """
    _, first, kept, _ = ran
    verdict = json.loads(kept["verdict.json"])
    assert first.exit_code == FIT_FAILED and verdict["passed"] is False and verdict["ess_min"] < 400
    assert "--draws 120" in first.output


def test_provenance_tells_how_to_make_the_result_again(ran, tiny_folder):
    _, _, kept, _ = ran
    told = json.loads(kept["provenance.json"])
    assert (told["seed"], told["level"]) == (7, 0.8)
    assert (
        told["options"] == RunOptions(seed=7, level=0.8, draws=60, chains=2, xlsx=True).recorded()
    )
    for name in ("stands.csv", "trees.csv", "cores.csv", "plots.csv", "counts.csv"):
        digest = hashlib.sha256((tiny_folder / name).read_bytes()).hexdigest()
        assert digest in told["inputs_sha256"].values(), name
    assert sorted(told["files"]) == sorted(kept)


def test_the_same_seed_gives_the_same_tables_and_replaces_the_result_whole(ran):
    out, first, kept, again = ran
    assert again.exit_code == first.exit_code and again.stdout == first.stdout
    assert files_below(out) == sorted(kept)
    for name in kept:
        if name.endswith(".csv"):
            assert (out / name).read_bytes() == kept[name], name
    before, after = json.loads(kept["verdict.json"]), json.loads((out / "verdict.json").read_text())
    of_the_time = {"sampling_seconds": 0, "record_sha256": ""}  # which the hash holds too
    assert before | of_the_time == after | of_the_time
    assert not [path for path in out.parent.iterdir() if path != out]  # no workshop left beside it


def test_a_result_with_a_file_of_the_users_is_not_replaced(ran, tiny_folder, tmp_path):
    held = tmp_path / "results"
    shutil.copytree(ran[0], held)
    (held / "my-notes.txt").write_text("mine")
    result = standage("run", tiny_folder, "--out", held, code=BAD_INPUT)
    assert "my-notes.txt" in result.stderr and (held / "my-notes.txt").read_text() == "mine"


def test_a_saved_posterior_comes_back(ran):
    from standage.stand.posterior import load_posterior

    posterior = load_posterior(ran[0] / "posterior.nc")
    assert posterior.seed == 7 and posterior.level == 0.8
    assert posterior.establishment_year.shape == (120, len(posterior.trees))
    dates = pd.read_csv(ran[0] / "tree_dates.csv", dtype={"tree": str}).set_index("tree")[
        "establishment_year_median"
    ]
    drawn = pd.DataFrame(posterior.establishment_year, columns=posterior.trees["tree"]).median()
    known = dates.dropna().index
    assert len(known) > 10
    assert (dates[known].to_numpy(float) - drawn[known].to_numpy()).tolist() == pytest.approx(
        [0] * len(known), abs=0.51
    )


# profiles


@pytest.mark.filterwarnings("ignore::standage.profiles.UncheckedProfile")
def test_profiles_lists_each_number_with_its_standing():
    said = standage("profiles").output
    assert all(f"profile {key}" in said for key in profile_keys())
    one = standage("profiles", "longleaf-pine").output
    assert (
        "Pinus palustris" in one
        and "median_years" in one
        and "growing seasons" in one
        and "Status of the numbers" in one
    )
    assert "profile slash-pine" not in one


def test_an_unknown_profile_is_refused_with_those_there_are():
    result = standage("profiles", "longleaf", code=BAD_INPUT)
    assert "longleaf-pine" in result.stderr


@pytest.mark.filterwarnings("default::standage.profiles.UncheckedProfile")
def test_profiles_of_ones_own(tmp_path):
    text = (models_folder() / "longleaf-pine.toml").read_text(encoding="utf-8")
    (tmp_path / "my-pine.toml").write_text(
        text.replace('key = "longleaf-pine"', 'key = "my-pine"'), encoding="utf-8"
    )
    said = standage("profiles", "my-pine", "--profiles", tmp_path)
    assert "Own profile" in said.output
    assert said.stderr.startswith("Note: my-pine: Own profile") and ".py:" not in said.stderr
    result = standage("profiles", "--profiles", tmp_path / "none", code=BAD_INPUT)
    assert "no such folder" in result.stderr


# what starts at once


@pytest.mark.slow
@pytest.mark.parametrize(
    "command",
    [("--help",), ("check",), ("profiles", "longleaf-pine"), ("new",)],
    ids=lambda command: command[0],
)
def test_light_commands_load_no_heavy_library(command, tiny_folder, tmp_path):
    """In a process of its own, since this one has long loaded them."""
    arguments = [
        *command,
        *({"check": [str(tiny_folder)], "new": [str(tmp_path / "forms")]}.get(command[0], [])),
    ]
    program = (
        "import sys\n"
        "from click.testing import CliRunner\n"
        "from standage.commands.cli import main\n"
        f"result = CliRunner().invoke(main, {arguments!r})\n"
        "assert result.exit_code == 0, result.output\n"
        f"print(sorted(name for name in {HEAVY!r} if name in sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, cwd=tmp_path, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


def test_the_installed_command_and_its_exit_codes(broken, tmp_path):
    command = Path(sys.executable).with_name("standage")
    if not command.exists():
        command = Path(sys.executable).with_name("standage.exe")
    done = subprocess.run(
        [command, "check", broken], capture_output=True, text=True, cwd=tmp_path, check=False
    )
    assert (
        done.returncode == BAD_INPUT
        and "column dbh_cm" in done.stderr
        and "Traceback" not in done.stderr
    )
    assert done.stdout == ""


def test_every_table_of_a_survey_has_a_form(forms):
    assert {table.file for table in TABLES} | {"columns.csv"} == set(files_below(forms))


def test_what_a_message_quotes_cannot_steer_the_terminal():
    """A file of somebody else's may hold such letters where words are expected."""

    @click.group(cls=CommandGroup)
    def group(): ...

    @group.command()
    def fail():
        raise StandageError("version \x1b[31m\x00\x9b2J,\nsecond line")

    assert CliRunner().invoke(group, ["fail"], color=True).output == (
        "version \\x1b[31m\\x00\\x9b2J,\nsecond line\n"
    )
