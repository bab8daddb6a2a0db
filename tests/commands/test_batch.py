"""Many surveys at once: found, run, taken up again; whatever happens to one of them or to who works
on it, the others come out as ever.
"""

from __future__ import annotations

import csv
import errno
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import tracemalloc
import zipfile
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path

import pytest
from batch_tasks import (
    SHORT,
    always_die_of_two,
    die_once,
    double,
    run_and_count,
    useless_for,
    when,
    who,
)
from click.testing import CliRunner

from standage.commands import batch_summary, batch_surveys
from standage.commands import cluster as cluster_module
from standage.commands.batch import clear_half_written, run_batch
from standage.commands.batch_outcome import BAD_INPUT, ERROR, FAILED, NOT_RUN, PASSED, Outcome
from standage.commands.batch_search import find_surveys
from standage.commands.batch_summary import SUMMARY, batch_in_words, in_words
from standage.commands.batch_surveys import PROBLEMS_HEADER, BatchSettings, run_one
from standage.commands.cli import BAD_INPUT as EXIT_BAD_INPUT
from standage.commands.cli import FIT_FAILED, main
from standage.commands.cluster import _answers, is_protected, on_cluster
from standage.commands.local_pool import ONE_THREAD, WorkerLost, on_this_machine
from standage.commands.run import RunResult, _with_word_of_kept_draws
from standage.errors import PlaceError, StandageError
from standage.profiles import load_profile, models_folder
from standage.results.folder import build_result_folder
from standage.results.records import sealed
from standage.results.staging import cannot_write, staging_folder
from standage.results.table_files import write_json
from standage.simulate.history import SurveyDesign
from standage.simulate.surveys import small_survey
from standage.survey.files.forms import write_template

NOT_COMPARED = {
    "posterior.nc",
    "provenance.json",
    "verdict.json",
}  # they hold the time of day and seconds
BATCH_PAGE = (Path(__file__).parents[2] / "docs" / "batch.md").read_text(encoding="utf-8")
RAN: list[str] = []  # what `quick_run` was given
SOUND = ("north/ridge", "south")
FEW = ["--draws", "60", "--chains", "2", "--seed", "7", "--level", "0.8"]


needs_signals = pytest.mark.skipif(
    not hasattr(signal, "SIGKILL"), reason="this system ends processes in another way"
)


def tiny_survey(seed: int, folder: Path) -> Path:
    design = SurveyDesign(plot_areas_m2=(1500.0,), cores=8, subplots_per_plot=2)
    return small_survey(seed, stems=22, design=design, first_year=1880).write(folder)


def spoil(survey: Path) -> None:
    trees = survey / "trees.csv"
    trees.write_text(trees.read_text().replace("longleaf-pine", "longlaef-pine", 3))


@pytest.fixture(scope="module")
def tiny(tmp_path_factory) -> Path:
    """Two small surveys, one of them deep, and a broken one that comes before them."""
    folder = tmp_path_factory.mktemp("surveys")
    for seed, name in enumerate(SOUND):
        tiny_survey(seed, folder / name)
    spoil(shutil.copytree(folder / SOUND[0], folder / "flats"))
    return folder


@pytest.fixture(scope="module")
def single(tiny, tmp_path_factory) -> dict[str, Path]:
    """The results of `standage run` on each sound survey by itself."""
    out = tmp_path_factory.mktemp("single")
    for name in SOUND:
        command = ["run", str(tiny / name), "--out", str(out / name), *FEW]
        assert CliRunner().invoke(main, command).exit_code in (0, FIT_FAILED)
    return {name: out / name for name in SOUND}


def quick_run(survey, out, *, options, cores, quiet):
    """In place of a fit: the folder that a fit would leave, as far as a batch looks at it."""
    RAN.append(survey.name)
    profile = load_profile("longleaf-pine", options.profile_folder)

    def fill(building: Path) -> dict:
        write_json(sealed({"passed": True, "notes": []}), building / "verdict.json")
        (building / "all_stands.csv").write_text(
            f"survey,stand,median\n{survey.name},one,{len(RAN)}\n{survey.name},'=two,2.5\n"
        )
        assert quiet and cores > 0
        same = {"version": version("standage"), "options": options.recorded()}
        return same | {
            "inputs_sha256": survey.hashes,
            "profiles": [{"key": profile.key, "sha256": profile.sha256}],
        }

    build_result_folder(out, fill)
    return RunResult("", True)


@pytest.fixture(scope="module")
def one_survey(tmp_path_factory) -> Path:
    return tiny_survey(0, tmp_path_factory.mktemp("one") / "survey")


@pytest.fixture
def quick(one_survey, monkeypatch, tmp_path) -> Path:
    """A folder with surveys a, b and c, whose runs take no time; `RAN` has what was run."""
    monkeypatch.setattr("standage.commands.run.run_survey", quick_run)
    batch_surveys._profile_hash.cache_clear()
    RAN.clear()
    for name in "abc":
        shutil.copytree(one_survey, tmp_path / "in" / name)
    return tmp_path / "in"


def states(outcomes: list[Outcome]) -> dict[str, str]:
    return {outcome.survey: outcome.state for outcome in outcomes}


def here(folder: Path, settings: BatchSettings = SHORT, **more) -> dict[str, str]:
    """A batch in this process; what became of each survey."""
    return states(
        run_batch(
            folder,
            more.pop("out", folder.parent / "out"),
            settings=settings,
            workers=0,
            log=more.pop("log", lambda _: None),
            **more,
        )
    )


def summary(out: Path) -> list[dict[str, str]]:
    with (out / SUMMARY).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def same_files(one: Path, other: Path, which: str = "*") -> int:
    """How many files two results have in common, byte for byte; fails where one differs."""
    files, others = (
        {
            path.relative_to(folder)
            for path in folder.rglob(which)
            if path.is_file() and path.name not in NOT_COMPARED
        }
        for folder in (one, other)
    )
    assert files == others
    assert [
        str(file) for file in files if (one / file).read_bytes() != (other / file).read_bytes()
    ] == []
    return len(files)


# found


def names(folder: Path, out: Path) -> tuple[list[str], list[str]]:
    surveys, without_place = find_surveys(folder, out)
    return [survey.name for survey in surveys], [outcome.survey for outcome in without_place]


def test_folders_and_workbooks_are_found_and_nothing_else(tmp_path):
    folder, out = tmp_path / "region", tmp_path / "region" / "results"
    write_template(folder / "a" / "deep")
    write_template(folder / "b", xlsx=True)  # b/survey.xlsx
    write_template(folder / "c")
    write_template(folder / "c", xlsx=True)  # the workbook that the tables of c were saved from
    shutil.copy(folder / "b" / "survey.xlsx", folder / "b" / "~$survey.xlsx")
    write_template(folder / ".hidden")
    write_template(out / "left-over")
    (folder / "d").mkdir()
    for name in ("trees", "cores"):  # stands.csv is missing: to be told, not to be passed over
        shutil.copy(folder / "c" / f"{name}.csv", folder / "d")
    (folder / "e").mkdir()
    (folder / "e" / "torn.xlsx").write_bytes(b"not a workbook")
    (folder / "e" / "notes.csv").write_text("mine\n")
    from openpyxl import Workbook

    Workbook().save(folder / "e" / "prices.xlsx")
    build_result_folder(
        folder / "earlier",
        lambda building: shutil.copy(folder / "c" / "stands.csv", building) and {},
    )
    assert names(folder, out) == (["a/deep", "b/survey", "c", "d", "e/torn"], [])
    assert names(folder / "c", out) == (["c"], [])


def test_links_are_followed_and_a_loop_of_links_ends(tmp_path):
    write_template(tmp_path / "elsewhere" / "a")
    (tmp_path / "region").mkdir()
    try:
        (tmp_path / "region" / "linked").symlink_to(
            tmp_path / "elsewhere", target_is_directory=True
        )
        (tmp_path / "region" / "loop").symlink_to(tmp_path / "region", target_is_directory=True)
    except OSError:
        pytest.skip("this system makes no links")
    assert names(tmp_path / "region", tmp_path / "out") == (["linked/a"], [])


def test_results_never_go_into_one_another(quick):
    shutil.copytree(quick / "a", quick / "a" / "copy")
    write_template(quick.parent / "book", xlsx=True)
    shutil.copy(quick.parent / "book" / "survey.xlsx", quick / "b.xlsx")
    found = names(quick, quick.parent / "out")
    assert found[0] == ["a", "b", "c"] and sorted(found[1]) == ["a/copy", "b.xlsx"]
    outcomes = run_batch(quick, quick.parent / "out", settings=SHORT, workers=0, log=lambda _: None)
    assert states(outcomes) == {
        "a": PASSED,
        "b": PASSED,
        "c": PASSED,
        "a/copy": BAD_INPUT,
        "b.xlsx": BAD_INPUT,
    }
    assert "inside those of a" in next(one.message for one in outcomes if one.survey == "a/copy")


def test_what_cannot_be_a_batch_is_refused_in_words(quick):
    (quick / "empty").mkdir()
    with pytest.raises(StandageError, match="no survey below"):
        run_batch(quick / "empty", quick / "out")
    with pytest.raises(StandageError, match="no such folder"):
        run_batch(quick / "a" / "trees.csv", quick / "out")
    with pytest.raises(StandageError, match="can't go into the folder of its surveys"):
        run_batch(quick, quick)
    with pytest.raises(StandageError, match="can't be written"):
        run_batch(quick, quick / "a" / "trees.csv" / "out", workers=0)
    assert RAN == []


# taken up again


def test_a_second_batch_runs_only_what_would_come_out_otherwise(quick):
    assert here(quick) == dict.fromkeys("abc", PASSED) and RAN == ["a", "b", "c"]
    rows = summary(quick.parent / "out")
    assert [row["survey"] for row in rows] == ["a", "b", "c"] and all(
        row["stands"] == "1" and float(row["seconds"]) >= 0 for row in rows
    )
    RAN.clear()
    said: list[str] = []
    at_start: list[list[dict[str, str]]] = []

    def log(line: str) -> None:
        said.append(line)
        at_start.append(summary(quick.parent / "out"))

    assert here(quick, log=log) == dict.fromkeys("abc", PASSED)
    assert at_start == [rows], "a batch that is ended at once leaves what the one before it knew"
    assert RAN == [] and said == ["0 surveys to run; 3 done before"]
    assert summary(quick.parent / "out") == rows  # the seconds are those of the run that was
    with (quick / "b" / "trees.csv").open("a") as file:
        file.write("\n")
    verdict = quick.parent / "out" / "c" / "verdict.json"
    verdict.write_text(verdict.read_text().replace("true", "false"))
    here(quick)
    assert RAN == ["b", "c"]
    verdict.unlink()
    here(quick)
    assert RAN == ["b", "c", "c"]


def test_a_fit_with_doubts_has_them_in_its_row():
    doubts = "The fit can be used with doubts: the chains agree, but 1 of 20 checks fails."
    record = {"passed": True, "notes": [], "grade": "doubtful", "grade_sentence": doubts}
    assert batch_surveys._judged(record) == (PASSED, doubts)
    sound = record | {"grade": "sound", "grade_sentence": "The fit is sound."}
    assert batch_surveys._judged(sound) == (PASSED, "")
    assert batch_surveys._judged({"passed": False, "notes": ["Disagree."]})[1] == "Disagree."


@pytest.mark.slow
def test_other_settings_run_a_survey_again(quick):
    shutil.rmtree(quick / "b")
    shutil.rmtree(quick / "c")
    settings: dict[str, object] = {"seed": 7, "level": 0.8, "draws": 60, "chains": 2}
    here(quick, BatchSettings(**settings))
    for otherwise in (
        *({"seed": 8}, {"level": 0.9}, {"draws": 70}, {"chains": 3}, {"coordinates": "0.1"}),
        *({"units": "us"}, {"style": "grey"}, {"release_criterion": "sustained"}),
    ):
        settings |= otherwise
        RAN.clear()
        assert here(quick, BatchSettings(**settings)) == {"a": PASSED}
        assert RAN == ["a"], otherwise


@pytest.mark.slow
def test_another_profile_or_version_runs_all_again_and_more_cores_do_not(
    quick, tmp_path, monkeypatch
):
    own = shutil.copytree(models_folder(), tmp_path / "profiles")
    same = {"seed": 7, "level": 0.8, "draws": 60, "chains": 2}
    here(quick, BatchSettings(**same, profile_folder=str(own)))
    here(quick, BatchSettings(**same, cores=2))
    assert RAN == ["a", "b", "c"]
    with (own / "longleaf-pine.toml").open("a") as file:
        file.write("\n# a remark\n")
    batch_surveys._profile_hash.cache_clear()
    here(quick, BatchSettings(**same, profile_folder=str(own)))
    assert RAN == ["a", "b", "c"] * 2
    monkeypatch.setattr(batch_surveys, "version", lambda _: "0.0.1")
    assert here(
        quick, BatchSettings(**same, version="0.0.1", profile_folder=str(own))
    ) == dict.fromkeys("abc", PASSED)
    assert RAN == ["a", "b", "c"] * 3


# one survey never stops the rest


def test_bad_input_and_faults_are_told_and_the_rest_is_run(quick, monkeypatch):
    def faulty(survey, out, **settings):
        if survey.name == "b":
            raise ZeroDivisionError("of no importance")
        return quick_run(survey, out, **settings)

    here(quick)
    monkeypatch.setattr("standage.commands.run.run_survey", faulty)
    spoil(quick / "a")
    (quick / "b" / "trees.csv").write_text((quick / "b" / "trees.csv").read_text() + "\n")
    RAN.clear()
    said: list[str] = []
    assert here(quick, log=said.append) == {"a": BAD_INPUT, "b": ERROR, "c": PASSED}
    rows = {row["survey"]: row["message"] for row in summary(quick.parent / "out")}
    assert "3 in trees.csv. First: trees.csv, row 2, column species" in rows["a"] and rows[
        "a"
    ].endswith("is an earlier one.")
    assert rows["b"].startswith("ZeroDivisionError: of no importance All of it: b.problems.txt")
    assert rows["c"] == "" and any("row 2, column species" in line for line in said)
    header, *problems = (quick.parent / "out" / "a.problems.txt").read_text().splitlines()
    assert header == PROBLEMS_HEADER
    assert len(problems) == 3 and all("column species" in line for line in problems)
    assert "Traceback" in (quick.parent / "out" / "b.problems.txt").read_text()
    shutil.copy(quick / "c" / "trees.csv", quick / "a" / "trees.csv")
    monkeypatch.setattr("standage.commands.run.run_survey", quick_run)
    assert here(quick) == dict.fromkeys("abc", PASSED) and RAN == [
        "b"
    ]  # of a, the earlier result is true again
    assert not (quick.parent / "out" / "b.problems.txt").exists()


def test_files_of_somebody_s_are_never_replaced_by_the_tables_of_a_batch(quick):
    """A table of surveys of one's own stops the batch before anything is run; the file of problems
    of one survey doesn't.
    """
    out = quick.parent / "out"
    out.mkdir()
    (out / "surveys.csv").write_text("survey,mine\n")
    with pytest.raises(StandageError, match="something else than a table of surveys"):
        here(quick)
    assert (out / "surveys.csv").read_text() == "survey,mine\n" and RAN == []
    (out / "surveys.csv").unlink()
    spoil(quick / "a")
    for name in ("a.problems.txt", "b.problems.txt", "all_stands.csv"):
        (out / name).write_text("mine\n")
    with pytest.raises(PlaceError, match="something else than a table of all stands"):
        here(quick)
    assert [row["state"] for row in summary(out)] == [BAD_INPUT, PASSED, PASSED]
    assert "More could not be written" in summary(out)[0]["message"]
    for name in ("a.problems.txt", "b.problems.txt", "all_stands.csv"):
        assert (out / name).read_text() == "mine\n"


@needs_signals
def test_one_bad_workbook_is_one_row(quick):
    """A pipe, a device, a link to nothing and a bomb, met while surveys are looked for."""
    for name, make in (
        ("pipe", os.mkfifo),
        ("device", lambda path: path.symlink_to("/dev/zero")),
        ("nowhere", lambda path: path.symlink_to("nowhere")),
    ):
        (quick / name).mkdir()
        make(quick / name / "book.xlsx")
    (quick / "bomb").mkdir()
    with (
        zipfile.ZipFile(
            quick / "bomb" / "book.xlsx", "w", zipfile.ZIP_DEFLATED, compresslevel=1
        ) as archive,
        archive.open("xl/workbook.xml", "w") as part,
    ):
        for _ in range(26):  # more than `LARGEST_UNPACKED`
            part.write(b" " * 20_000_000)
    tracemalloc.start()
    found = here(quick)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    bad = [f"{name}/book" for name in ("pipe", "device", "nowhere", "bomb")]
    assert found == dict.fromkeys("abc", PASSED) | dict.fromkeys(bad, BAD_INPUT)
    assert peak < 50e6


def test_no_stale_file_of_problems_is_left(quick):
    here(quick)
    spoil(quick / "a")
    here(quick)
    assert (quick.parent / "out" / "a.problems.txt").exists()
    shutil.copy(quick / "c" / "trees.csv", quick / "a" / "trees.csv")
    here(quick)
    assert not (quick.parent / "out" / "a.problems.txt").exists()


def test_a_folder_in_the_way_is_that_survey_s_problem_only(quick):
    (quick.parent / "out" / "b").mkdir(parents=True)
    (quick.parent / "out" / "b" / "mine.txt").write_text("mine")
    from standage.results.folder import check_result_folder

    with pytest.raises(StandageError):
        check_result_folder(quick.parent / "out" / "b")
    assert here(quick) == {"a": PASSED, "b": BAD_INPUT, "c": PASSED}
    assert (quick.parent / "out" / "b" / "mine.txt").read_text() == "mine"


def test_another_machine_with_another_standage_or_without_the_survey_says_so(quick):
    surveys, _ = find_surveys(quick, quick.parent / "out")
    outcome = run_one(surveys[0], BatchSettings(version="0.0.1"))
    assert (
        outcome.state == ERROR
        and "0.0.1" in outcome.message
        and "install the same" in outcome.message
    )
    shutil.rmtree(quick / "a")
    outcome = run_one(surveys[0], SHORT)
    assert outcome.state == ERROR and "does not see" in outcome.message


def test_stands_of_all_surveys_are_joined_in_one_table(quick):
    (quick / "deep").mkdir()
    shutil.move(quick / "c", quick / "deep" / "c")
    here(quick)
    with (quick.parent / "out" / "all_stands.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["survey"] for row in rows] == ["a", "a", "b", "b", "deep/c", "deep/c"]
    assert [row["median"] for row in rows[::2]] == ["1", "2", "3"] and rows[1]["stand"] == "'=two"
    spoil(quick / "a")
    here(quick)
    assert (
        "a,one" not in (quick.parent / "out" / "all_stands.csv").read_text()
    )  # its result is of a survey that has changed since


def test_a_disk_that_fills_stops_no_survey(quick, monkeypatch):
    """The tables of all can't be written then; the surveys' own results are there, and the next
    batch makes the tables.
    """
    true, said = batch_summary.replaced, []
    monkeypatch.setattr(batch_summary, "SECONDS_BETWEEN_SUMMARIES", -1.0)

    @contextmanager
    def full(path, **more):
        if RAN:
            raise OSError(errno.ENOSPC, "No space left on device")
        with true(path, **more) as file:
            yield file

    monkeypatch.setattr(batch_summary, "replaced", full)
    with pytest.raises(PlaceError, match="No space left.*same command again"):
        here(quick, log=said.append)
    assert sum("passed" in line for line in said) == 3
    monkeypatch.setattr(batch_summary, "replaced", true)
    here(quick)
    assert [row["state"] for row in summary(quick.parent / "out")] == [PASSED] * 3
    assert not list((quick.parent / "out").glob(".*"))


def test_a_place_without_room_is_not_the_survey_s_fault(quick, monkeypatch):
    def full(survey, out, **more):
        staging = staging_folder(out)
        staging.path.mkdir(parents=True)
        staging.draws.touch()
        with _with_word_of_kept_draws(staging):
            raise cannot_write(out, OSError(errno.ENOSPC, "No space left on device"))

    def gone(*_, **__):
        raise OSError(errno.EIO, "Input/output error", "far/it")

    monkeypatch.setattr("standage.commands.run.run_survey", full)
    assert set(here(quick).values()) == {ERROR}
    rows = summary(quick.parent / "out")
    assert all(
        "no room left" in row["message"] and "draws are kept" in row["message"] for row in rows
    )
    monkeypatch.setattr("standage.commands.run.run_survey", gone)
    assert set(here(quick).values()) == {ERROR}
    message = summary(quick.parent / "out")[0]["message"]
    assert message.startswith("far/it: can't be read or written (Input/output error).")


def test_a_result_without_its_report_is_an_error_and_not_called_an_earlier_one(quick, monkeypatch):
    def partly(*given, **more):
        quick_run(*given, **more)
        return RunResult("", True, incomplete="No report.")

    monkeypatch.setattr("standage.commands.run.run_survey", partly)
    assert set(here(quick).values()) == {ERROR}
    message = summary(quick.parent / "out")[0]["message"]
    assert message == "No report. All of it: a.problems.txt."
    spoil(quick / "a")
    here(quick)
    assert summary(quick.parent / "out")[0]["message"].endswith("is an earlier one.")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_a_folder_that_can_t_be_read_is_told_of(quick):
    (quick / "b").chmod(0)
    try:
        outcomes = run_batch(
            quick, quick.parent / "out", settings=SHORT, workers=0, log=lambda _: None
        )
    finally:
        (quick / "b").chmod(0o700)
    assert states(outcomes)["b"] == BAD_INPUT


def test_exit_codes_and_words_of_the_command(quick):
    def command(*more) -> tuple[int, str]:
        result = CliRunner().invoke(
            main,
            [
                str(word)
                for word in ("batch", quick, "--out", quick.parent / "out", "--workers", 1, *more)
            ],
        )
        return result.exit_code, result.output

    here(quick, BatchSettings())
    code, said = command()
    table = quick.parent / "out" / "surveys.csv"
    assert (code, said) == (
        0,
        f"0 surveys to run; 3 done before\n3 surveys: 3 passed. The table of all is in {table}\n",
    )
    verdict = quick.parent / "out" / "b" / "verdict.json"
    write_json(sealed({"passed": False, "notes": ["Chains disagree."]}), verdict)
    code, said = command()
    assert code == FIT_FAILED and "2 passed, 1 failed" in said
    assert [row["message"] for row in summary(quick.parent / "out")] == ["", "Chains disagree.", ""]
    shutil.copytree(quick / "a", quick / "a" / "copy")
    code, said = command()
    assert code == EXIT_BAD_INPUT and "2 passed, 1 failed, 1 bad input" in said
    code, said = command("--cluster", "tcp://127.0.0.1:1")
    assert code == 2 and "--workers is about this machine" in said


def test_times_are_told_as_people_say_them():
    words = [in_words(seconds) for seconds in (0.4, 89, 95, 5399, 5400, 172800)]
    assert words == ["0 s", "89 s", "1 min", "89 min", "1 h 30 min", "2 d 0 h"]
    words = batch_in_words([Outcome("a", 1, PASSED, 1.0), Outcome("b", 1, NOT_RUN, None)], "out")
    assert words.startswith("2 surveys: 1 passed, 1 not run.")


def test_what_a_killed_worker_left_half_written_is_cleared_away(quick):
    here(quick)
    out = quick.parent / "out"
    for name in (".a.standage/new", ".b.standage/old", ".z.standage/new"):
        (out / name).mkdir(parents=True)
    for name in "ab":
        (out / f".{name}.standage" / "draws.npz").write_bytes(b"draws")
        (out / f".{name}.standage" / "owner.json").write_text("{}")
    clear_half_written(find_surveys(quick, out)[0], done={"a", "c"})
    left = {
        path.relative_to(out).as_posix()
        for path in out.rglob("*")
        if ".standage" in path.as_posix()
    }
    kept = {".b.standage/draws.npz", ".b.standage/owner.json"}
    assert left == {".b.standage", *kept, ".z.standage", ".z.standage/new"}


# workers on this machine


@pytest.mark.slow
def test_workers_are_used_again_and_have_one_thread():
    before = dict(os.environ)
    answers = [answer for _, answer in on_this_machine(range(6), who, 2)]
    assert (
        len(answers) == 6
        and 1 <= len({pid for pid, _ in answers}) <= 2
        and os.getpid() not in {pid for pid, _ in answers}
    )
    assert all(environment == ONE_THREAD for _, environment in answers)
    assert dict(os.environ) == before


def test_each_task_is_answered_once_and_none_needs_no_worker():
    assert dict(on_this_machine(range(5), double, 3)) == {number: 2 * number for number in range(5)}
    assert list(on_this_machine([], double, 3)) == []
    assert list(on_this_machine([3, 1], double, 0)) == [(3, 6), (1, 2)]


@pytest.mark.slow
@needs_signals
def test_the_task_of_a_worker_that_was_killed_is_done_by_another(tmp_path):
    jobs = [(number, str(tmp_path / "mark")) for number in range(4)]
    assert {job[0]: answer for job, answer in on_this_machine(jobs, die_once, 2)} == {
        0: 0,
        1: 2,
        2: 4,
        3: 6,
    }
    assert (tmp_path / "mark").exists()


@pytest.mark.slow
def test_a_task_that_ends_every_worker_is_given_up_and_the_rest_is_done():
    answers = dict(on_this_machine(range(5), always_die_of_two, 2))
    assert {number: answer for number, answer in answers.items() if number != 2} == {
        0: 0,
        1: 2,
        3: 6,
        4: 8,
    }
    assert isinstance(answers[2], WorkerLost) and "(EXIT(3)), 2 times" in answers[2].reason


@needs_signals
def test_workers_end_with_the_batch(tmp_path):
    """Whether it is stopped or killed; `at-it-PID` is made by a worker that is at its task."""
    program = (
        "import sys\n"
        "from batch_tasks import wait_a_minute\n"
        "from standage.commands.local_pool import on_this_machine\n"
        "list(on_this_machine([sys.argv[1]] * 2, wait_a_minute, 2))\n"
    )
    for number in (signal.SIGINT, signal.SIGKILL):
        folder = tmp_path / str(number)
        folder.mkdir()
        process = subprocess.Popen(
            [sys.executable, "-c", program, str(folder)],
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        )
        until(lambda folder=folder: len(list(folder.glob("at-it-*"))) == 2)
        workers = [int(path.name.rpartition("-")[2]) for path in folder.glob("at-it-*")]
        process.send_signal(number)
        process.wait(timeout=60)
        until(lambda workers=workers: not any(alive(pid) for pid in workers))


def until(true, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@needs_signals
def test_a_batch_that_the_system_ends_ends_all_of_its_own(tiny, tmp_path):
    """While workers are at their surveys, or loading what they need for them."""
    process = batch_process(tiny, tmp_path, "--workers", 2)
    until(lambda: len(workers_of(process.pid)) == 2)
    workers = workers_of(process.pid)
    process.terminate()
    _, said = process.communicate(timeout=60)
    assert process.returncode == 143 and "are kept" in said and "Traceback" not in said, said
    until(lambda: not any(alive(pid) for pid in workers))
    assert summary(tmp_path)[0]["state"] in (BAD_INPUT, NOT_RUN)
    assert not [path for path in tmp_path.rglob(".*") if path.is_dir()]


def workers_of(pid: int) -> list[int]:
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [
        int(child)
        for child in children
        if b"popen_loky" in Path(f"/proc/{child}/cmdline").read_bytes()
    ]


def test_a_script_needs_no_guard_to_start_workers(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "from standage.commands.local_pool import on_this_machine\n"
        "print(list(on_this_machine([-1], abs, 1)))\n"
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=120
    )
    assert (done.returncode, done.stdout) == (0, "[(-1, 1)]\n"), done.stderr


# with real fits


@pytest.mark.slow
def test_a_worker_compiles_once_however_many_surveys_it_runs(tiny, tmp_path):
    surveys, _ = find_surveys(tiny, tmp_path)
    answers = {survey.name: answer for survey, answer in on_this_machine(surveys, run_and_count, 1)}
    assert {name: state for name, (state, _, _) in answers.items()} == dict.fromkeys(
        SOUND, FAILED
    ) | {"flats": BAD_INPUT}
    assert len({pid for _, _, pid in answers.values()}) == 1
    of_fits = [answers[name][1] for name in SOUND]
    assert of_fits[0] > 5 and of_fits[0] == of_fits[1]


def batch_process(tiny: Path, out: Path, *more) -> subprocess.Popen:
    words = ("batch", str(tiny), "--out", str(out), *FEW, *map(str, more))
    start = [sys.executable, "-c", "from standage.commands.cli import main; main()", *words]
    return subprocess.Popen(
        start, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )


@needs_signals
@pytest.mark.slow
def test_an_interrupt_keeps_what_is_done_and_the_same_command_goes_on(tiny, single, tmp_path):
    """And the results are those of single runs, byte for byte."""
    process = batch_process(tiny, tmp_path, "--workers", 1)
    until = time.monotonic() + 300
    while not (tmp_path / "north" / "ridge" / "verdict.json").exists() and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(0.5)  # into the next survey
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: everyone hears it
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130 and "are kept" in said and "Traceback" not in said, said
    found = {row["survey"]: row["state"] for row in summary(tmp_path)}
    assert (
        found["flats"] == BAD_INPUT and found["north/ridge"] == FAILED and found["south"] == NOT_RUN
    )
    # nothing half-built; the draws of the survey that it was at, where they were done
    assert {path.name for path in tmp_path.rglob(".*")} <= {".south.standage"}
    assert {path.name for path in tmp_path.rglob(".south.standage/*")} <= {
        "draws.npz",
        "owner.json",
    }
    written = (tmp_path / "north" / "ridge" / "cohorts.csv").stat().st_mtime_ns
    process = batch_process(tiny, tmp_path, "--workers", 1)
    said, progress = process.communicate(timeout=300)
    assert (
        process.returncode == EXIT_BAD_INPUT
        and "2 failed, 1 bad input" in said
        and "done before" in progress
    )
    assert (tmp_path / "north" / "ridge" / "cohorts.csv").stat().st_mtime_ns == written
    assert all(same_files(tmp_path / name, single[name]) > 15 for name in single)
    # what `quick_run` writes for the tests above is what a real result is compared by
    said: list[str] = []
    assert here(tiny, out=tmp_path, log=said.append) == dict.fromkeys(SOUND, FAILED) | {
        "flats": BAD_INPUT
    }
    assert "2 done before" in said[0]


# on a Dask cluster


@pytest.mark.parametrize(
    ("address", "protected"),
    [
        *(("tls://node:8786", True), ("tcp://127.0.0.1:8786", True), ("tcp://[::1]:8786", True)),
        *(("localhost:8786", True), ("tcp://10.0.0.5:8786", False), ("node:8786", False)),
        *(("tcp://0.0.0.0:8786", False), ("tcp://tls:8786", False)),
    ],
)
def test_a_scheduler_that_others_reach_without_a_certificate_is_warned_of(
    address, protected, quick, monkeypatch
):
    def nobody(*_, **__):
        yield from ()

    assert is_protected(address) is protected
    said: list[str] = []
    monkeypatch.setattr("standage.commands.batch.on_cluster", nobody)
    here(quick, log=said.append, cluster=address)
    assert any("can run programs as you" in line for line in said) is not protected


def test_without_dask_the_message_says_what_to_install(quick, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    result = CliRunner().invoke(
        main,
        ["batch", str(quick), "--out", str(quick.parent / "out"), "--cluster", "tcp://127.0.0.1:1"],
    )
    assert result.exit_code == EXIT_BAD_INPUT and "pip install 'standage[dask]'" in result.output


@pytest.fixture(scope="module")
def cluster():
    """Two worker processes of two threads each, looked after by nannies."""
    distributed = pytest.importorskip("distributed", reason="needs the optional extra 'dask'")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=2, processes=True, dashboard_address=":0"
    ) as started:
        yield started


def test_a_cluster_does_one_task_a_worker_at_a_time(cluster):
    answers = [answer for _, answer in on_cluster(range(8), when, cluster.scheduler_address)]
    assert len(answers) == 8 and len({pid for pid, _, _ in answers}) == 2
    for pid in {pid for pid, _, _ in answers}:
        spans = sorted((began, ended) for of, began, ended in answers if of == pid)
        assert all(before[1] <= after[0] for before, after in zip(spans, spans[1:], strict=False))


@pytest.mark.skipif(not shutil.which("openssl"), reason="openssl makes the certificates")
def test_a_cluster_behind_certificates_as_the_page_shows(tmp_path, monkeypatch):
    """Commands and settings are those of docs/batch.md; with no certificate, or another, nobody
    gets in.
    """
    dask = pytest.importorskip("dask", reason="needs the optional extra 'dask'")
    from distributed import LocalCluster, Security

    block = BATCH_PAGE[BATCH_PAGE.index("openssl req") :].partition("```")[0]
    made_certificate(tmp_path, block)
    assert (tmp_path / "cluster-key.pem").stat().st_mode & 0o077 == 0
    names = re.findall(r"DASK_(DISTRIBUTED__COMM__\w+)=(\S+)", BATCH_PAGE)
    settings = {
        name.lower().replace("__", ".").replace("_", "-"): value
        if value == "true"
        else str(tmp_path / value.rpartition("/")[2])
        for name, value in names
    }
    assert len(settings) >= 7
    with (
        dask.config.set(settings),
        LocalCluster(
            n_workers=1,
            threads_per_worker=1,
            dashboard_address=None,
            protocol="tls://",
            security=Security(),
        ) as started,
    ):
        assert started.scheduler_address.startswith("tls://")
        assert list(on_cluster([4], double, started.scheduler_address)) == [(4, 8)]
        stranger = made_certificate(tmp_path / "stranger", block)
        for kind, path in (("cert", "cluster.pem"), ("key", "cluster-key.pem")):
            dask.config.set({f"distributed.comm.tls.client.{kind}": str(stranger / path)})
        monkeypatch.setattr("standage.commands.cluster.PATIENCE_SECONDS", 3)
        with pytest.raises(StandageError, match="No Dask scheduler answers"):
            list(on_cluster([4], double, started.scheduler_address))
        for setting in settings:
            dask.config.set({setting: None})
        with pytest.raises(StandageError, match="No Dask scheduler answers"):
            list(on_cluster([4], double, started.scheduler_address.replace("tls", "tcp")))


@pytest.mark.slow
@pytest.mark.parametrize("opened", [False, True])
def test_a_cluster_on_loopback_as_the_page_shows(opened):
    """It listens to no other machine; a worker and a scheduler that do are warned of, though both
    are reached on loopback.
    """
    distributed = pytest.importorskip("distributed", reason="needs the optional extra 'dask'")
    psutil = pytest.importorskip("psutil")
    typed = re.findall(r"^    dask (.*)$", BATCH_PAGE, re.MULTILINE)[:2]
    assert [words.split()[0] for words in typed] == ["scheduler", "worker"]
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    scheduler, worker = (
        words.replace("8786", str(port)).replace("auto", "1").split() for words in typed
    )
    for words in (scheduler, worker):
        if opened:
            del words[words.index("--host") : words.index("--host") + 2]
    address, said = f"tcp://127.0.0.1:{port}", []
    dask = [sys.executable, "-m", "dask"]
    with (
        ended_after([*dask, *scheduler, "--port", str(port)]) as first,
        ended_after([*dask, *worker]) as second,
        distributed.Client(address, timeout=60, set_as_default=False) as client,
    ):
        client.wait_for_workers(1, timeout=60)
        assert list(on_cluster([-4], abs, address, log=said.append)) == [(-4, 4)]
        listening = {
            at.laddr.ip
            for pid in (first.pid, second.pid)
            for each in [psutil.Process(pid), *psutil.Process(pid).children(recursive=True)]
            for at in each.net_connections(kind="inet")
            if at.status == psutil.CONN_LISTEN
        }
    assert (listening == {"127.0.0.1"}) is not opened, listening
    warned = [line.split(" on ")[0] for line in said if "can run programs as you" in line]
    assert warned == (["The scheduler listens", "Workers listen"] if opened else [])


@contextmanager
def ended_after(command: list[str]):
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def made_certificate(folder: Path, commands: str) -> Path:
    folder.mkdir(exist_ok=True)
    done = subprocess.run(["sh", "-ec", commands], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return folder


class _NoWorkers:
    """A client of a cluster that all workers have left; after `back` looks there is one again."""

    status = "running"

    def __init__(self, back: float) -> None:
        self.back, self.looks, self.cancelled = back, 0, []

    def nthreads(self):
        self.looks += 1
        return {"one": 1} if self.looks > self.back else {}

    def submit(self, run, work, task, **_):
        here = self

        class Future:
            status, exception, release = "finished", lambda _: None, lambda _: None

            def done(self):
                return here.looks > here.back

            def result(self):
                return run(work, task)

        return Future()

    def cancel(self, futures):
        self.cancelled += futures


def test_a_cluster_that_stays_without_workers_is_given_up(monkeypatch):
    now = [0.0]
    monkeypatch.setattr(cluster_module.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(
        cluster_module.time, "sleep", lambda seconds: now.append(now.pop() + 100 * seconds)
    )
    gone = _NoWorkers(float("inf"))
    with pytest.raises(
        StandageError, match=r"tcp://x:1 has had no workers for 5 min.*dask worker tcp://x:1.*again"
    ):
        list(_answers(gone, "tcp://x:1", [1, 2], double))
    assert len(gone.cancelled) == 1 and 300 < now[0] < 400
    assert list(_answers(_NoWorkers(4), "tcp://x:1", [1, 2], double)) == [(1, 2), (2, 4)]


def test_workers_that_cannot_take_part_are_named_before_anything_is_run(cluster):
    import functools

    with pytest.raises(StandageError, match="can't take part:\n.*tcp://.*has standage 9"):
        list(
            on_cluster(
                [1],
                double,
                cluster.scheduler_address,
                check=functools.partial(useless_for, "x has standage 9"),
            )
        )


def test_no_scheduler_at_the_address(monkeypatch):
    pytest.importorskip("distributed", reason="needs the optional extra 'dask'")
    monkeypatch.setattr("standage.commands.cluster.PATIENCE_SECONDS", 1)
    for address in ("tcp://127.0.0.1:1", "nonsense://x"):
        with pytest.raises(StandageError, match="No Dask scheduler answers"):
            list(on_cluster([1], double, address))


@pytest.mark.slow
@needs_signals
def test_a_task_that_ends_every_worker_of_a_cluster_is_given_up(cluster):
    answers = dict(on_cluster(range(5), always_die_of_two, cluster.scheduler_address))
    assert {number: answer for number, answer in answers.items() if number != 2} == {
        0: 0,
        1: 2,
        3: 6,
        4: 8,
    }
    assert isinstance(answers[2], WorkerLost) and "no worker came through" in answers[2].reason


@needs_signals
@pytest.mark.slow
def test_a_cluster_that_loses_a_worker_half_way_ends_with_the_results_of_single_runs(
    cluster, tiny, single, tmp_path
):
    """Killed while fits are under way."""
    killed: list[int] = []

    def kill_one_at_work(line: str) -> None:
        if not killed and "flats" in line:  # which is done first: both workers go on to fits
            until(lambda: list(tmp_path.rglob(".*.standage")))
            with Client(cluster.scheduler_address, set_as_default=False) as client:
                busy = [worker for worker, tasks in client.processing().items() if tasks]
                killed.append(client.run(os.getpid, workers=busy[:1])[busy[0]])
            os.kill(killed[0], signal.SIGKILL)

    from distributed import Client

    outcomes = run_batch(
        tiny, tmp_path, settings=SHORT, cluster=cluster.scheduler_address, log=kill_one_at_work
    )
    assert len(killed) == 1
    assert states(outcomes) == dict.fromkeys(single, FAILED) | {"flats": BAD_INPUT}
    assert all(same_files(tmp_path / name, single[name], "*.csv") > 9 for name in single)
