"""Nothing is lost: kills, full disks, two runs at once, pictures that fail, inputs that change. At
full size: `tests/studies/faults.py`.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from batch_tasks import without_pictures
from click.testing import CliRunner

import standage.commands.run
import standage.results.writing
from standage.commands.batch_search import find_surveys
from standage.commands.batch_surveys import BatchSettings, finished
from standage.commands.cli import BAD_INPUT, CAME_OUT_OTHERWISE, FIT_FAILED, INCOMPLETE, main
from standage.commands.compare import compare_results
from standage.commands.run import RunResult
from standage.errors import StandageError
from standage.results import staging
from standage.results.folder import (
    FORMAT,
    MADE_BY,
    build_result_folder,
    check_result_folder,
    read_provenance,
)
from standage.results.records import sealed
from standage.results.run_record import SHOWN, read_run_record
from standage.results.staging import LISTED, locked_staging, staging_folder

SHORT = ("--draws", 60, "--chains", 2, "--seed", 7)
needs_kill = pytest.mark.skipif(
    not hasattr(os, "fork"), reason="this system ends and starts processes in another way"
)


def standage_command(*words, code: int) -> str:
    """What a command says on both streams; its exit code is as said, and there is no traceback."""
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    assert done.exit_code == code, done.output
    assert "Traceback" not in done.output
    return done.output


def fill_with(text: str):
    """Two files and a folder, all with the same text: a mixture of two results would show."""

    def fill(folder: Path) -> dict:
        (folder / "figures").mkdir()
        for name in ("cohorts.csv", "figures/cohorts.png"):
            (folder / name).write_text(text, encoding="utf-8")
        return {"version": "0.1.0", "seed": text}

    return fill


def contents(folder: Path) -> str:
    """Which result the folder is, whole: every file is there, and says the same."""
    told = read_provenance(folder)
    files = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert files - {".DS_Store"} == set(told["files"])
    assert {(folder / name).read_text() for name in ("cohorts.csv", "figures/cohorts.png")} == {
        told["seed"]
    }
    return told["seed"]


# killed


STEP_PROGRAM = """
import os, signal, sys
from pathlib import Path
from standage.results import folder as result_folder

folder, step = Path(sys.argv[1]), [0]
last = None

def fill(new):
    (new / "figures").mkdir()
    for name in ("cohorts.csv", "figures/cohorts.png"):
        (new / name).write_text("new")
    return {"version": "0.1.0", "seed": "new"}

def count(event, arguments):
    if last is not None and (event == "open" or event.startswith(("os.", "shutil."))):
        step[0] += 1
        if step[0] == last:
            os.kill(os.getpid(), signal.SIGKILL)

sys.addaudithook(count)
for n in range(1, 10_000):
    print(n, flush=True)
    sys.stdin.readline()  # the folder is looked at, and holds an earlier result
    child = os.fork()
    if not child:
        last = n
        result_folder.build_result_folder(folder, fill)
        os._exit(0)
    if os.waitpid(child, 0)[1] == 0:
        print("through", flush=True)
        break
"""


@pytest.mark.slow
@needs_kill
def test_a_kill_before_any_step_leaves_one_whole_result_and_the_next_run_no_litter(tmp_path):
    """Every call of the operating system while a result is replaced is a step; the process is
    killed before each in turn. A file that appears beside the result while it is replaced stays.
    """
    folder, program = tmp_path / "site" / "out", tmp_path / "program.py"
    program.write_text(STEP_PROGRAM)
    process = subprocess.Popen(
        [sys.executable, str(program), str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path.cwd(),
    )
    seen: dict[str, int] = {"old": 0, "new": 0}
    torn = 0
    steps = 0
    for line in process.stdout:
        if steps:
            torn += not folder.exists()
            seen[contents(folder)] += 1  # reading finishes what a kill between two renames left
        if line == "through\n":
            break
        build_result_folder(folder, fill_with("old"))
        assert contents(folder) == "old" and os.listdir(folder.parent) == ["out"]
        if steps:
            assert (folder / ".DS_Store").read_text() == f"left before step {steps}"
        (folder / ".DS_Store").write_text(f"left before step {steps + 1}")
        steps += 1
        process.stdin.write("\n")
        process.stdin.flush()
    process.communicate(timeout=60)
    assert process.returncode == 0 and steps > 25
    assert seen["old"] > 10 and seen["new"] > 3
    assert torn <= 3, "away only between the two renames"


def test_a_stop_while_the_place_is_being_locked_leaves_nothing_there(tmp_path, monkeypatch):
    locked = staging._locked

    def stopped(folder):
        lock = locked(folder)
        signal.raise_signal(signal.SIGINT)
        return lock

    monkeypatch.setattr(staging, "_locked", stopped)
    with pytest.raises(KeyboardInterrupt), locked_staging(tmp_path / "new" / "out"):
        pytest.fail("nobody hears the stop")
    assert not list(tmp_path.iterdir())


@needs_kill
def test_a_lock_ends_with_its_process_and_two_runs_never_share_a_folder(tmp_path):
    pytest.importorskip("fcntl", reason="this system has no locks that end with their process")
    program = (
        "import sys, time\nfrom standage.results.staging import locked_staging\nwith"
        f" locked_staging({str(tmp_path / 'out')!r}):\n    print('held', flush=True)\n   "
        " time.sleep(600)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "held\n"
    with pytest.raises(
        StandageError,
        match=(
            rf"Another run of standage \(process {process.pid} on .*, since .*\) is writing to"
            r" .*out"
        ),
    ):
        build_result_folder(tmp_path / "out", fill_with("second"))
    assert not (tmp_path / "out").exists()
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert staging_folder(
        tmp_path / "out"
    ).path.exists()  # what it left, with a lock file that nobody holds
    build_result_folder(tmp_path / "out", fill_with("second"))
    assert contents(tmp_path / "out") == "second" and [
        path.name for path in tmp_path.iterdir()
    ] == ["out"]


def test_half_of_a_result_is_never_taken_for_one(tmp_path):
    """Killed while the earlier result was being cleared away, and the new one then removed by
    hand.
    """
    place = staging_folder(tmp_path / "out")
    (place.old).mkdir(parents=True)
    place.owner.write_text("{}")
    (place.old / "cohorts.csv").write_text("half")
    (place.old / LISTED).write_text(json.dumps({"files": ["cohorts.csv", "pulses.csv"]}))
    with locked_staging(tmp_path / "out"):
        pass
    assert list(tmp_path.iterdir()) == []


# nobody's file is lost


def test_files_that_standage_did_not_write_are_never_removed(tmp_path):
    """Hidden ones too; a folder with nothing but such files is no empty one."""
    out = tmp_path / "out"
    out.mkdir()
    for name in (".env", ".gitkeep", "notes.txt", "figures/.keep"):
        (out / name).parent.mkdir(exist_ok=True)
        (out / name).write_text("mine")
        with pytest.raises(StandageError, match="not an earlier result"):
            build_result_folder(out, fill_with("new"))
        assert (out / name).read_text() == "mine"
        (out / name).unlink()
    (out / "figures").rmdir()
    build_result_folder(out, fill_with("old"))
    for name in (".env", "notes.txt", "figures/.keep"):
        (out / name).write_text("mine")
        with pytest.raises(StandageError, match=re.escape(f"{name}, which standage didn't write")):
            build_result_folder(out, fill_with("new"))
        assert (out / name).read_text() == "mine"
        (out / name).unlink()


def test_files_that_come_while_a_result_is_replaced_move_into_the_new_one(tmp_path):
    """Between the last look at the earlier result and its removal."""
    out = build_result_folder(tmp_path / "out", fill_with("old"))
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "cohorts.png").write_text("mine")
    with locked_staging(out) as work:
        work.new.mkdir()
        fill_with("new")(work.new)
        (out / ".env").write_text("mine")
        shutil.rmtree(out / "figures")
        (out / "figures").symlink_to(elsewhere, target_is_directory=True)
        (work.new / "provenance.json").write_bytes((out / "provenance.json").read_bytes())
        work.put_in_place()
    assert (out / ".env").read_text() == "mine"
    assert (elsewhere / "cohorts.png").read_text() == "mine", "a link is not followed"
    assert (out / "figures.kept").is_symlink() and not (out / "figures").is_symlink()
    assert (out / "cohorts.csv").read_text() == "new"
    assert sorted(os.listdir(tmp_path)) == ["elsewhere", "out"]


def test_an_earlier_result_that_cannot_be_cleared_away_is_no_fault_of_the_new_one(
    tmp_path, monkeypatch
):
    def stuck(*_, **__):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    folder = build_result_folder(tmp_path / "out", fill_with("old"))
    with monkeypatch.context() as patched:
        patched.setattr(staging, "remove_result", stuck)
        build_result_folder(folder, fill_with("new"))
    assert contents(folder) == "new" and staging_folder(folder).old.is_dir()
    build_result_folder(folder, fill_with("newer"))
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_earlier_result_that_cannot_be_put_back_is_named(tmp_path, monkeypatch):
    """Rights that go between the two renames: where it is, and that the next run puts it back."""
    out = build_result_folder(tmp_path / "out", fill_with("old"))
    rename = Path.rename

    def refused(path, target):
        if Path(target) == out:
            raise PermissionError(errno.EACCES, "Permission denied")
        return rename(path, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", refused)
        with pytest.raises(StandageError, match="earlier result is whole, as .*old: the next"):
            build_result_folder(out, fill_with("new"))
    assert not out.exists()
    with locked_staging(out):
        assert (out / "cohorts.csv").exists()
    assert os.listdir(tmp_path) == ["out"]


@pytest.mark.parametrize("kind", ["link", "folder", "file", "link inside"])
def test_what_stands_in_the_place_of_the_staging_folder_is_left_alone(kind, tmp_path):
    mine = tmp_path / "mine"
    (mine / "new").mkdir(parents=True)
    (mine / "new" / "provenance.json").write_text("{}")
    staging = tmp_path / ".out.standage"
    if kind == "link":
        staging.symlink_to(mine, target_is_directory=True)
    elif kind == "folder":
        mine.rename(staging)
        mine = staging
    elif kind == "file":
        staging.write_text("mine")
    else:
        staging.mkdir()
        (staging / "owner.json").write_text("{}")
        (staging / "new").symlink_to(mine / "new", target_is_directory=True)
    with pytest.raises(StandageError, match="something that standage didn't make"):
        build_result_folder(tmp_path / "out", fill_with("new"))
    assert (mine / "new" / "provenance.json").read_text() == "{}"
    assert not (tmp_path / "out").exists()


# disks


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (errno.ENOSPC, "no room left"),
        (errno.EDQUOT, "no room left"),
        (errno.EROFS, "Read-only file system"),
    ],
)
def test_a_disk_that_cannot_be_written_costs_nothing_that_was_there(
    fault, said, tmp_path, monkeypatch
):
    folder = build_result_folder(tmp_path / "out", fill_with("old"))

    def full(*_, **__):
        raise OSError(fault, os.strerror(fault))

    with monkeypatch.context() as patched, pytest.raises(StandageError, match=said):
        patched.setattr(staging.os, "fsync", full)
        build_result_folder(folder, fill_with("new"))

    def fill(building: Path) -> dict:
        (building / "cohorts.csv").write_text("ne")
        return full()

    with pytest.raises(StandageError, match=said):
        build_result_folder(folder, fill)
    assert contents(folder) == "old" and [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_place_that_cannot_be_written_is_told_before_any_sampling(
    tiny_folder, tmp_path, monkeypatch
):
    def read_only(*_, **__):
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(
        standage.commands.run, "fit_stands", lambda *_, **__: pytest.fail("sampled")
    )
    monkeypatch.setattr(Path, "mkdir", read_only)
    said = standage_command("run", tiny_folder, "--out", tmp_path / "far" / "out", code=BAD_INPUT)
    assert "Read-only file system" in said and list(tmp_path.iterdir()) == []


def test_the_top_of_a_disk_is_no_place_for_a_result(tmp_path, monkeypatch):
    monkeypatch.setattr("os.path.ismount", lambda path: True)
    with pytest.raises(StandageError, match="mounted"):
        check_result_folder(tmp_path)


def test_links_to_a_result_stay_links(tmp_path):
    build_result_folder(tmp_path / "disk" / "out", fill_with("old"))
    try:
        (tmp_path / "link").symlink_to(tmp_path / "disk" / "out", target_is_directory=True)
    except OSError:
        pytest.skip("this system makes no links")
    build_result_folder(tmp_path / "link", fill_with("new"))
    assert (tmp_path / "link").is_symlink() and contents(tmp_path / "disk" / "out") == "new"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["disk", "link"]


# a run of a tiny survey, with faults


@pytest.fixture(scope="module")
def fault_then_mended(tiny_folder, tmp_path_factory):
    """A run whose pictures fail, and the same again with a sampler that must not be called:
    (folder, output, files, second output); `beside`, with the draws that the first left.
    """
    out = tmp_path_factory.mktemp("faulty") / "out"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(standage.results.writing, "result_figures", lambda *_, **__: 1 / 0)
        patched.setattr(standage.commands.run, "report_writer", lambda *_, **__: broken_report)
        first = standage_command("run", tiny_folder, "--out", out, *SHORT, code=FIT_FAILED)
    kept = {path.name: path.read_bytes() for path in out.iterdir() if path.is_file()}
    litter = shutil.copytree(staging_folder(out).path, tmp_path_factory.mktemp("beside") / "out")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("standage.stand.fit.sample", lambda *_, **__: pytest.fail("sampled again"))
        second = standage_command("run", tiny_folder, "--out", out, *SHORT, code=FIT_FAILED)
    return out, first, (kept, litter), second


def broken_report(folder: Path) -> None:
    raise RuntimeError("no such words")


def test_pictures_that_fail_cost_neither_tables_nor_draws(fault_then_mended):
    _, said, (kept, litter), _ = fault_then_mended
    assert {"tree_dates.csv", "pulses.csv", "posterior.nc", "verdict.json", "not_made.txt"} <= set(
        kept
    ) and "report.html" not in kept
    assert (
        "figures of the stands (ZeroDivisionError: division by zero); broken_report (RuntimeError:"
        " no such words)" in said
    )
    assert "draws are kept" in said
    assert json.loads(kept["provenance.json"])["not_made"] == [
        "figures of the stands",
        "broken_report",
    ]
    assert (
        b"ZeroDivisionError" in kept["not_made.txt"] and b"test_faults.py" in kept["not_made.txt"]
    )
    assert sorted(os.listdir(litter)) == ["draws.npz", "owner.json"]


def test_the_next_run_takes_the_draws_up_and_writes_the_same_tables(fault_then_mended):
    out, _, (kept, _), said = fault_then_mended
    assert "nothing was sampled again" in said
    tables = {path.name for path in out.glob("*.csv")}
    assert len(tables) > 9 and all((out / name).read_bytes() == kept[name] for name in tables)
    assert (
        (out / "report.html").is_file()
        and not (out / "not_made.txt").exists()
        and "not_made" not in read_provenance(out)
    )
    assert [path.name for path in out.parent.iterdir()] == ["out"]


def test_the_report_alone_or_the_pictures_alone_give_their_own_exit_code(
    tiny_folder, tmp_path, monkeypatch
):
    monkeypatch.setattr(
        standage.commands.run,
        "run_survey",
        lambda *_, **__: RunResult("passed", True, incomplete="no report"),
    )
    assert "no report" in standage_command(
        "run", tiny_folder, "--out", tmp_path / "out", code=INCOMPLETE
    )


class Sampled(Exception):
    pass


@pytest.fixture
def with_draws(fault_then_mended, tiny_folder, tmp_path, monkeypatch):
    """A copy of the survey, and a place beside which draws of it are kept; whoever samples is found
    out.
    """

    def sampled(*_, **__):
        raise Sampled

    survey, out = shutil.copytree(tiny_folder, tmp_path / "survey"), tmp_path / "out"
    shutil.copytree(fault_then_mended[2][1], staging_folder(out).path)
    monkeypatch.setattr("standage.stand.fit.sample", sampled)
    return survey, out


def interrupted(*_, **__):
    raise KeyboardInterrupt


def samples(*words) -> bool:
    done = CliRunner().invoke(main, [str(word) for word in words])
    return isinstance(done.exception, Sampled)


@pytest.mark.slow
def test_only_draws_of_the_very_same_run_are_taken_up(with_draws, monkeypatch):
    survey, out = with_draws
    usual = ("run", survey, "--out", out)
    assert samples(*usual, "--draws", 60, "--chains", 2, "--seed", 8)
    assert samples(*usual, "--draws", 61, "--chains", 2, "--seed", 7)
    with monkeypatch.context() as patched:
        patched.setattr("standage.stand.draws_file.version", lambda name: "0.0.1")
        assert samples(*usual, *SHORT)
    with (survey / "trees.csv").open("a") as file:
        file.write("\n")
    assert samples(*usual, *SHORT)


@pytest.mark.slow
def test_a_stop_or_a_full_disk_after_sampling_keeps_the_draws(with_draws, monkeypatch):
    survey, out = with_draws
    with monkeypatch.context() as patched:
        patched.setattr(standage.commands.run, "write_results", interrupted)
        said = standage_command("run", survey, "--out", out, *SHORT, code=130)
    assert "stopped; nothing was written. The draws are kept" in said and not out.exists()
    assert sorted(os.listdir(staging_folder(out).path)) == ["draws.npz", "owner.json"]

    def full(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(standage.results.writing, "write_table", full)
        said = standage_command("run", survey, "--out", out, *SHORT, code=BAD_INPUT)
    assert "no room left" in said and "draws are kept" in said and not out.exists()
    draws = staging_folder(out).draws
    draws.write_bytes(
        draws.read_bytes()[:5000]
    )  # and a file of draws that was cut off is no file of draws
    assert samples("run", survey, "--out", out, *SHORT)


@pytest.mark.slow
def test_a_survey_changed_while_it_ran_is_told_of(with_draws, monkeypatch):
    survey, out = with_draws
    found = standage.commands.run.Findings

    def and_somebody_edits(posterior, **settings):
        with (survey / "trees.csv").open("a") as file:
            file.write("\n")
        (survey / "events.csv").unlink(missing_ok=True)
        return found(posterior, **settings)

    monkeypatch.setattr(standage.commands.run, "Findings", and_somebody_edits)
    without_pictures(monkeypatch.setattr)
    there = [name for name in ("events.csv",) if (survey / name).exists()]
    said = standage_command("run", survey, "--out", out, *SHORT, code=FIT_FAILED)
    assert (
        f"Changed while this ran: {', '.join([*there, 'trees.csv'])}" in said
        and "run it again" in said
    )
    assert read_provenance(out)["changed_while_running"] == [*there, "trees.csv"]


def test_a_second_run_into_a_folder_is_refused_in_words(tiny_folder, tmp_path, monkeypatch):
    pytest.importorskip("fcntl", reason="this system has no locks that end with their process")
    monkeypatch.setattr(
        standage.commands.run, "fit_stands", lambda *_, **__: pytest.fail("sampled")
    )
    with locked_staging(tmp_path / "out"):
        said = standage_command(
            "run", tiny_folder, "--out", tmp_path / "out", *SHORT, code=BAD_INPUT
        )
    assert (
        f"process {os.getpid()}" in said
        and "Wait until it is done" in said
        and list(tmp_path.iterdir()) == []
    )


# repeated


def rewrite(folder: Path, **changes) -> None:
    told = json.loads((folder / "provenance.json").read_text())
    told |= changes
    told = {name: value for name, value in told.items() if value is not None}
    (folder / "provenance.json").write_text(json.dumps(sealed(told)))


@pytest.mark.slow
def test_a_run_repeated_gives_the_same_tables_and_a_table_that_was_touched_is_told_by_its_cell(
    fault_then_mended, tiny_folder, tmp_path, monkeypatch
):
    without_pictures(monkeypatch.setattr)
    edited = shutil.copytree(fault_then_mended[0], tmp_path / "edited")
    text = (edited / "cohorts.csv").read_text().splitlines()
    cells = text[2].split(",")
    text[2] = ",".join([*cells[:2], "1066", *cells[3:]])
    (edited / "cohorts.csv").write_text("\n".join(text) + "\n")
    said = standage_command(
        "run", tiny_folder, "--again", edited, "--out", tmp_path / "new", code=CAME_OUT_OTHERWISE
    )
    tables = len(list(edited.glob("*.csv")))
    assert f"1 of {tables} tables came out otherwise" in said
    assert f"cohorts.csv: 1 cell; first in row 3, column first_year: 1066, now {cells[2]}" in said
    assert read_provenance(tmp_path / "new")["options"] == read_provenance(edited)["options"]
    # and against the result as it was written, all tables are the same
    for path in fault_then_mended[0].glob("*.csv"):
        assert path.read_bytes() == (tmp_path / "new" / path.name).read_bytes(), path.name
    shutil.copy(fault_then_mended[0] / "cohorts.csv", edited / "cohorts.csv")

    def the_same(survey, out, **_):
        shutil.copytree(tmp_path / "new", out)
        return RunResult("", False)

    monkeypatch.setattr("standage.commands.repeat.run_survey", the_same)
    said = standage_command("run", tiny_folder, "--again", edited, code=0)
    assert f"All {tables} tables came out the same, byte for byte." in said


def test_what_keeps_a_run_from_being_repeated_is_named_all_at_once(
    fault_then_mended, tiny_folder, tmp_path, monkeypatch
):
    monkeypatch.setattr("standage.commands.repeat.run_survey", lambda *_, **__: pytest.fail("ran"))
    result = shutil.copytree(fault_then_mended[0], tmp_path / "out")
    survey = shutil.copytree(tiny_folder, tmp_path / "survey")
    (survey / "plots.csv").unlink()
    (survey / "cores.csv").write_text((survey / "cores.csv").read_text() + "\n")
    told = read_provenance(result)
    profiles = [told["profiles"][0] | {"sha256": "0" * 64}]
    rewrite(
        result,
        version="0.0.9",
        libraries=told["libraries"] | {"numpy": "1.0", "matplotlib": "1.0"},
        profiles=profiles,
    )
    said = standage_command("run", survey, "--again", result, code=BAD_INPUT)
    assert "standage was 0.0.9" in said and "numpy was 1.0" in said and "matplotlib" not in said
    assert (
        "plots.csv is missing since" in said
        and "cores.csv has been changed since" in said
        and "trees.csv" not in said
    )
    assert f"profile {profiles[0]['key']} has been changed" in said
    shutil.rmtree(survey)
    assert "give its place" in standage_command("run", survey, "--again", result, code=BAD_INPUT)


def test_a_repeated_run_takes_its_options_from_the_result_and_never_replaces_it(
    fault_then_mended, tmp_path
):
    out = fault_then_mended[0]
    assert "leave out what sets seed" in standage_command(
        "run", "--again", out, "--seed", 7, code=2
    )
    assert "would be lost" in standage_command("run", "--again", out, "--out", out, code=BAD_INPUT)
    assert "needed" in standage_command("run", "survey", code=2)
    result = shutil.copytree(out, tmp_path / "out")
    rewrite(result, options=read_provenance(out)["options"] | {"colour": "green"})
    assert "option 'colour'" in standage_command("run", "--again", result, code=BAD_INPUT)
    rewrite(result, options=None)
    assert "doesn't say how it was made" in standage_command(
        "run", "--again", result, code=BAD_INPUT
    )


def would_run(*_, **__):
    raise StandageError("it would be run")


# whatever stands in them, results are read and compared in full
SELDOM_READ = ("version", "survey_path", "processor", "files")
STRANGE = (None, 0, True, [], [[]], {}, {"": 1}, "", "\x00", "../" * 2000, 1e308, [{}])


@pytest.mark.parametrize(
    "field",
    [
        *("level", "profiles", "options"),
        *(pytest.param(each, marks=pytest.mark.slow) for each in ("libraries", "inputs_sha256")),
        *(pytest.param(each, marks=pytest.mark.slow) for each in ("release_criterion", "format")),
        *(pytest.param(each, marks=pytest.mark.slow) for each in SELDOM_READ),
    ],
)
def test_provenance_that_somebody_has_edited_ends_in_words(
    field, fault_then_mended, tiny_folder, tmp_path, monkeypatch
):
    """Every field in turn is something else; what is asked of the result is refused, or done."""
    monkeypatch.setattr("standage.commands.repeat.run_survey", would_run)
    result = shutil.copytree(fault_then_mended[0], tmp_path / "out")
    record = json.loads((result / "provenance.json").read_text())
    survey = find_surveys(tiny_folder, tmp_path)[0][0]
    for value in STRANGE[:: 3 if field in SELDOM_READ else 1]:
        (result / "provenance.json").write_text(json.dumps(sealed(record | {field: value})))
        for command in (("run", "--again", result), ("card", result, "T1", "--out", tmp_path)):
            done = CliRunner().invoke(main, [str(word) for word in command])
            assert not done.exception or isinstance(done.exception, SystemExit), (command, value)
        with contextlib.suppress(StandageError):
            read_run_record(result)
        with contextlib.suppress(StandageError):
            compare_results([result, result])
        with contextlib.suppress(StandageError):
            check_result_folder(result)
        assert finished(survey, BatchSettings()) is None


def test_a_record_that_somebody_has_edited_is_never_taken_as_written(tmp_path, monkeypatch):
    """Nor after a field was removed, its hash too; as JSON written otherwise it is the same."""
    folder = build_result_folder(
        tmp_path / "out",
        lambda building: (
            fill_with("a")(building)
            | {"level": 0.9, "options": {"seed": 7}, "profiles": [{"key": "x", "sha256": "y"}]}
        ),
    )
    path = folder / "provenance.json"
    written = read_provenance(folder)
    path.write_text(json.dumps(written, sort_keys=True))
    assert read_provenance(folder) == written
    edited = [written | {name: value} for name in written for value in STRANGE]
    edited += [{name: written[name] for name in written if name != gone} for gone in written]
    edited += [written | {"options": {"seed": 8}}, written | {"more": None}]
    for record in edited:
        path.write_text(json.dumps(record))
        if record != written:
            with pytest.raises(StandageError, match="changed after|another format|no folder of"):
                read_provenance(folder)
    assert len(edited) > 100


@pytest.mark.parametrize("odd", [*STRANGE, [3]])
def test_what_a_report_shows_of_a_record_is_of_its_kind(odd):
    """Of a record that somebody has made up."""
    record = {"version": "0", "level": 0.9, "inputs_sha256": {}, "format": FORMAT}
    record |= {"profiles": [{"key": "x", "sha256": "y"}], "made_by": MADE_BY}
    for name, kind in SHOWN:
        with pytest.MonkeyPatch.context() as patched:
            made_up = record | {name: odd}
            patched.setattr("standage.results.run_record.read_provenance", lambda _, r=made_up: r)
            if isinstance(odd, kind):
                assert read_run_record("x").shown == {name: odd}
            else:
                with pytest.raises(StandageError, match=f"no {name}"):
                    read_run_record("x")
            made_up |= {name: {"in_words": odd}}
            if name == "accounted_for" and not isinstance(odd, list):
                with pytest.raises(StandageError, match="no in_words"):
                    read_run_record("x")


def test_options_that_somebody_has_edited_end_in_words(fault_then_mended, tmp_path, monkeypatch):
    monkeypatch.setattr("standage.commands.repeat.run_survey", would_run)
    result = shutil.copytree(fault_then_mended[0], tmp_path / "out")
    options = read_provenance(result)["options"]
    for name in options:
        for value in STRANGE:
            rewrite(result, options=options | {name: value})
            said = standage_command("run", "--again", result, code=BAD_INPUT)
            assert f"found {value!r}" in said or value in (0, True) or name == "profile_folder"


# results of other versions


@pytest.mark.parametrize("number", [None, 0, FORMAT + 1])
def test_a_result_of_another_format_is_refused_by_name(number, tiny_folder, tmp_path):
    folder = build_result_folder(tmp_path / "out" / "survey", fill_with("other"))
    rewrite(folder, format=number, version="7.8.9")
    for command in (
        ("card", folder, "T1"),
        ("compare", folder, folder, "--out", tmp_path / "c"),
        ("run", "--again", folder),
    ):
        said = standage_command(*command, code=BAD_INPUT)
        assert f"{folder} was written by standage 7.8.9 in another format" in said, command
    surveys, _ = find_surveys(tiny_folder, folder.parent)
    assert finished(surveys[0], BatchSettings()) is None
    build_result_folder(folder, fill_with("new"))
    assert contents(folder) == "new"
