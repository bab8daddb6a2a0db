"""Nothing is lost: kills, full disks, two runs at once, pictures that fail, inputs that change. At
full size: `tests/studies/faults.py`.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import standage.commands.run
import standage.results.writing
from standage.commands.batch_surveys import BatchSettings, find_surveys, run_one
from standage.commands.cli import BAD_INPUT, CAME_OUT_OTHERWISE, FIT_FAILED, INCOMPLETE, main
from standage.commands.run import RunResult
from standage.errors import StandageError
from standage.results import folder_swap as workplace
from standage.results.folder import FORMAT, build_result_folder, check_result_folder, read_told
from standage.results.folder_swap import exchange, work_on, workplace_of

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


def held(folder: Path) -> str:
    """Which result the folder is, whole: every file is there, and says the same."""
    told = read_told(folder)
    assert {
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    } == set(told["files"])
    assert {(folder / name).read_text() for name in ("cohorts.csv", "figures/cohorts.png")} == {
        told["seed"]
    }
    return told["seed"]


# killed


STEP_PROGRAM = """
import os, signal, sys
from pathlib import Path
from standage.results import folder_swap
from standage.results.folder import build_result_folder

folder, step = Path(sys.argv[1]), [0]
last = None
if sys.argv[2] == "two renames":
    folder_swap.exchange = lambda one, other: False

def fill(new):
    (new / "figures").mkdir()
    for name in ("cohorts.csv", "figures/cohorts.png"):
        (new / name).write_text("new")
    return {"version": "0.1.0", "seed": "new"}

def count(event, arguments):
    if last is not None and (event == "open" or event.startswith(("os.", "shutil.", "ctypes."))):
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
        build_result_folder(folder, fill)
        os._exit(0)
    if os.waitpid(child, 0)[1] == 0:
        print("through", flush=True)
        break
"""


@needs_kill
@pytest.mark.parametrize("way", ["exchange", "two renames"])
def test_a_kill_before_any_step_leaves_one_whole_result_and_the_next_run_no_litter(way, tmp_path):
    """Every call of the operating system while a result is replaced is a step; the process is
    killed before each in turn.
    """
    folder, program = tmp_path / "site" / "out", tmp_path / "program.py"
    program.write_text(STEP_PROGRAM)
    process = subprocess.Popen(
        [sys.executable, str(program), str(folder), way],
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
            seen[held(folder)] += 1  # reading finishes what a kill between two renames left
        if line == "through\n":
            break
        build_result_folder(folder, fill_with("old"))
        assert held(folder) == "old" and [path.name for path in folder.parent.iterdir()] == ["out"]
        steps += 1
        process.stdin.write("\n")
        process.stdin.flush()
    process.communicate(timeout=60)
    assert process.returncode == 0 and steps > 25
    assert seen["old"] > 10 and seen["new"] > 3
    # with an exchange the folder is never away; without, only between the two renames
    assert torn == 0 if way == "exchange" and exchange_is_here(tmp_path) else torn <= 3


def exchange_is_here(folder: Path) -> bool:
    for name in ("one", "other"):
        (folder / name).mkdir()
    return exchange(folder / "one", folder / "other")


@needs_kill
def test_a_lock_ends_with_its_process_and_two_runs_never_share_a_folder(tmp_path):
    pytest.importorskip("fcntl", reason="this system has no locks that end with their process")
    program = (
        "import sys, time\nfrom standage.results.folder_swap import work_on\nwith"
        f" work_on({str(tmp_path / 'out')!r}):\n    print('held', flush=True)\n   "
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
    assert workplace_of(
        tmp_path / "out"
    ).path.exists()  # what it left, with a lock file that nobody holds
    build_result_folder(tmp_path / "out", fill_with("second"))
    assert held(tmp_path / "out") == "second" and [path.name for path in tmp_path.iterdir()] == [
        "out"
    ]


def test_half_of_a_result_is_never_taken_for_one(tmp_path):
    """Killed while the earlier result was being cleared away, and the new one then removed by
    hand.
    """
    place = workplace_of(tmp_path / "out")
    (place.old).mkdir(parents=True)
    (place.old / "cohorts.csv").write_text("half")
    with work_on(tmp_path / "out"):
        pass
    assert list(tmp_path.iterdir()) == []


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
        patched.setattr(workplace.os, "fsync", full)
        build_result_folder(folder, fill_with("new"))

    def fill(building: Path) -> dict:
        (building / "cohorts.csv").write_text("ne")
        return full()

    with pytest.raises(StandageError, match=said):
        build_result_folder(folder, fill)
    assert held(folder) == "old" and [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_place_that_cannot_be_written_is_told_before_any_sampling(
    tiny_folder, tmp_path, monkeypatch
):
    def read_only(*_, **__):
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(
        standage.commands.run, "fit_stands", lambda *_, **__: pytest.fail("sampled")
    )
    monkeypatch.setattr(workplace.os, "open", read_only)
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
    assert (tmp_path / "link").is_symlink() and held(tmp_path / "disk" / "out") == "new"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["disk", "link"]


# a run of a tiny survey, with faults


@pytest.fixture(scope="module")
def fault_then_mended(tiny_folder, tmp_path_factory):
    """A run whose pictures fail, and the same again with a sampler that must not be called:
    (folder, output, files, second output).
    """
    out = tmp_path_factory.mktemp("faulty") / "out"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(standage.results.writing, "result_figures", lambda *_, **__: 1 / 0)
        patched.setattr(standage.commands.run, "report_writer", lambda *_, **__: broken_report)
        first = standage_command("run", tiny_folder, "--out", out, *SHORT, code=FIT_FAILED)
    kept = {path.name: path.read_bytes() for path in out.iterdir() if path.is_file()}
    litter = sorted(path.name for path in workplace_of(out).path.iterdir())
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
    assert litter == ["draws.npz"]


def test_the_next_run_takes_the_draws_up_and_writes_the_same_tables(fault_then_mended):
    out, _, (kept, _), said = fault_then_mended
    assert "nothing was sampled again" in said
    tables = {path.name for path in out.glob("*.csv")}
    assert len(tables) > 9 and all((out / name).read_bytes() == kept[name] for name in tables)
    assert (
        (out / "report.html").is_file()
        and not (out / "not_made.txt").exists()
        and "not_made" not in read_told(out)
    )
    assert [path.name for path in out.parent.iterdir()] == ["out"]


def test_the_report_alone_or_the_pictures_alone_give_their_own_exit_code(
    tiny_folder, tmp_path, monkeypatch
):
    monkeypatch.setattr(
        standage.commands.run,
        "run_survey",
        lambda *_, **__: RunResult("passed", True, (), "no report"),
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

    survey = shutil.copytree(tiny_folder, tmp_path / "survey")
    out = tmp_path / "out"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(standage.commands.run, "write_results", interrupted)
        said = standage_command("run", survey, "--out", out, *SHORT, code=130)
    assert "stopped; nothing was written. The draws are kept" in said and not out.exists()
    assert [path.name for path in workplace_of(out).path.iterdir()] == ["draws.npz"]
    monkeypatch.setattr("standage.stand.fit.sample", sampled)
    return survey, out


def interrupted(*_, **__):
    raise KeyboardInterrupt


def samples(*words) -> bool:
    done = CliRunner().invoke(main, [str(word) for word in words])
    return isinstance(done.exception, Sampled)


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


def test_a_full_disk_after_sampling_keeps_the_draws(with_draws, monkeypatch):
    survey, out = with_draws

    def full(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(standage.results.writing, "write_table", full)
        said = standage_command("run", survey, "--out", out, *SHORT, code=BAD_INPUT)
    assert "no room left" in said and "draws are kept" in said and not out.exists()
    draws = workplace_of(out).draws
    draws.write_bytes(
        draws.read_bytes()[:5000]
    )  # and a file of draws that was cut off is no file of draws
    assert samples("run", survey, "--out", out, *SHORT)


def test_a_survey_changed_while_it_ran_is_told_of(with_draws, monkeypatch):
    survey, out = with_draws
    found = standage.commands.run.Findings

    def and_somebody_edits(posterior, **settings):
        with (survey / "trees.csv").open("a") as file:
            file.write("\n")
        (survey / "events.csv").unlink(missing_ok=True)
        return found(posterior, **settings)

    monkeypatch.setattr(standage.commands.run, "Findings", and_somebody_edits)
    there = [name for name in ("events.csv",) if (survey / name).exists()]
    said = standage_command("run", survey, "--out", out, *SHORT, code=FIT_FAILED)
    assert (
        f"Changed while this ran: {', '.join([*there, 'trees.csv'])}" in said
        and "run it again" in said
    )
    assert read_told(out)["changed_while_running"] == [*there, "trees.csv"]


def test_a_second_run_into_a_folder_is_refused_in_words(tiny_folder, tmp_path, monkeypatch):
    pytest.importorskip("fcntl", reason="this system has no locks that end with their process")
    monkeypatch.setattr(
        standage.commands.run, "fit_stands", lambda *_, **__: pytest.fail("sampled")
    )
    with work_on(tmp_path / "out"):
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
    (folder / "provenance.json").write_text(
        json.dumps({name: value for name, value in told.items() if value is not None})
    )


def test_a_run_repeated_gives_the_same_tables_and_a_table_that_was_touched_is_told_by_its_cell(
    fault_then_mended, tiny_folder, tmp_path
):
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
    assert read_told(tmp_path / "new")["options"] == read_told(edited)["options"]
    # and against the result as it was written, all tables are the same
    for path in fault_then_mended[0].glob("*.csv"):
        assert path.read_bytes() == (tmp_path / "new" / path.name).read_bytes(), path.name
    shutil.copy(fault_then_mended[0] / "cohorts.csv", edited / "cohorts.csv")
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
    told = read_told(result)
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
    rewrite(result, options=read_told(out)["options"] | {"colour": "green"})
    assert "option 'colour'" in standage_command("run", "--again", result, code=BAD_INPUT)
    rewrite(result, options=None)
    assert "doesn't say how it was made" in standage_command(
        "run", "--again", result, code=BAD_INPUT
    )


# results of other versions


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (None, "a format without a number"),
        (0, "in format 0"),
        (FORMAT + 1, f"in the newer format {FORMAT + 1}"),
    ],
)
def test_a_result_of_another_format_is_refused_by_name(
    number, words, tiny_folder, tmp_path, monkeypatch
):
    folder = build_result_folder(tmp_path / "out" / "survey", fill_with("other"))
    rewrite(folder, format=number, version="7.8.9")
    for command in (
        ("card", folder, "T1"),
        ("compare", folder, folder, "--out", tmp_path / "c"),
        ("run", "--again", folder),
    ):
        said = standage_command(*command, code=BAD_INPUT)
        assert (
            f"{folder} was written by standage 7.8.9, " in said
            and words in said
            and f"reads format {FORMAT}" in said
        ), command
    # a run may replace an older result, as any earlier one; one that only a later version knows it
    # leaves alone
    monkeypatch.setattr(standage.commands.run, "fit_stands", interrupted)
    newer = number is not None and number > FORMAT
    said = standage_command("run", tiny_folder, "--out", folder, code=BAD_INPUT if newer else 130)
    assert ("Nothing was written" in said) is newer
    surveys, _ = find_surveys(tiny_folder, folder.parent)
    from standage.commands.batch_surveys import finished, replaced

    assert finished(surveys[0], BatchSettings()) is None and words in replaced(surveys[0])
    if newer:
        outcome = run_one(surveys[0], BatchSettings())
        assert outcome.state == "bad input" and "7.8.9" in outcome.message
    assert (folder / "cohorts.csv").read_text() == "other"
