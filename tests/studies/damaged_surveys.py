"""Is anything let through? Valid surveys are damaged in many ways, and each must be read as it was
meant, or refused with words.

    python tests/studies/damaged_surveys.py check --surveys 20000
    python tests/studies/damaged_surveys.py fit --surveys 500

Asked of every damaged survey: no exception but a SurveyError; an end within the time limit; no file
changed; and of a refusal that each problem names a file, what was found, what was expected and what
to do, and a row that the file has. Of a survey that is accepted: every cell is what stands in the
file, or its readings name what was written and what was read, and a person would read it so (see
`second_reading`); the account adds up to the rows of the files; where a damage changes nothing that
a person means, the survey is the undamaged one; and where it touches one cell, nothing else is
another. Of a fit besides: a folder of results that is whole, or none; and numbers that are finite,
and in their order, wherever a table has numbers.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.damages import BOOK, BOOK_DAMAGES, CSV_DAMAGES, Files, Slip, valid_surveys
from studies.runner import default_folder, finished_rows, run_study
from studies.second_reading import Fault, check_account, check_alike, check_reading, hold

from standage.commands.check_text import check_text, refusal_text
from standage.errors import StandageError, SurveyError
from standage.evidence.account import account
from standage.results.records import PROVENANCE_FILE
from standage.survey.reading import read_survey
from standage.survey.survey import Survey

SECONDS_OF_A_CHECK, SECONDS_OF_A_FIT = 30, 600
AT_A_TIME = 100  # damaged surveys a row of the study
MOST_SAID = 100_000  # characters of all that is told about one survey
TRIPLE = ("_low", "_median", "_high")


@contextmanager
def time_limit(seconds: float):
    def stop(*_):
        raise Fault(f"no end within {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


# --- damaging ---


def damaged(seed: int, number: int) -> tuple[str, tuple[str, ...], Files, tuple[Slip, ...]]:
    """A valid survey, the kinds of damage done to it (one, seldom up to three), its files, and what
    a person meant by each.
    """
    rng = np.random.default_rng([seed, number])
    surveys = valid_surveys()
    names = [name for name in surveys if name != "demo"]
    name = "demo" if rng.random() < 0.05 else names[int(rng.integers(len(names)))]
    files = dict(surveys[name])
    kinds = BOOK_DAMAGES if BOOK in files else CSV_DAMAGES
    wanted, done, slips = 1 + int(rng.random() < 0.15) + int(rng.random() < 0.05), [], []
    while len(done) < wanted:
        kind = list(kinds)[int(rng.integers(len(kinds)))]
        try:
            touched = kinds[kind](files, rng)
        except Exception:
            if not done:
                raise
            break  # what the first damage left can't be taken apart for a second
        if touched:
            done.append(kind)
            slips.append(touched)
        if not files:
            break
    return name, tuple(done), files, tuple(slips)


def write_files(files: Files, folder: Path) -> Path:
    for name, content in files.items():
        path = folder / name
        if path.parent.is_file() or path.is_dir():
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder / BOOK if BOOK in files and len(files) == 1 else folder


def listing(folder: Path) -> dict[str, bytes | None]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


# --- refusals ---


def check_refusal(error: SurveyError, path: Path) -> None:
    """Each problem says where, what, what instead and what to do; the row is one that the file
    has.
    """
    hold(error.problems, "a refusal without a problem")
    hold(len(str(error)) < MOST_SAID, f"{len(str(error))} characters of message")
    hold(
        not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", str(error)),
        "control characters in the message",
    )
    rows_of: dict[str, int] = {}
    for problem in error.problems:
        told = f"{problem!r}"[:400]
        hold(
            problem.file and problem.found and problem.expected and problem.what_to_do,
            f"not all is said: {told}",
        )
        unfilled = {
            name for name in re.findall(r"\{(\w+)\}", f"{problem.expected} {problem.what_to_do}")
        } - {"stand"}
        hold(not unfilled, f"unfilled words: {told}")
        hold(
            not re.search(r"\bnan\b|\bNaT\b", f"{problem.expected} {problem.what_to_do}"),
            f"a missing number is told: {told}",
        )
        if problem.row is None:
            continue
        if problem.file not in rows_of:
            rows_of[problem.file] = _rows_of(path, problem.file)
        hold(
            1 <= problem.row <= rows_of[problem.file],
            f"no such row in a file of {rows_of[problem.file]}: {told}",
        )


def _rows_of(path: Path, file: str) -> int:
    if ", sheet " in file:
        return 1_048_576
    there = path / file
    hold(there.is_file(), f"a problem in {file}, which is not there")
    return len(re.findall(rb"\r\n|\n|\r", there.read_bytes())) + 1


# --- one damaged survey ---

_originals: dict[str, Survey] = {}


def _original(name: str) -> Survey:
    if name not in _originals:
        with tempfile.TemporaryDirectory() as place:
            _originals[name] = read_survey(
                write_files(valid_surveys()[name], Path(place) / "survey")
            )
    return _originals[name]


ONE_CELL = [
    ("a cell",),
    ("a unit",),
    ("an identifier",),
]  # damages whose refusal has to name a row


def one_check(seed: int, number: int) -> dict:
    """`kind` of damage, `outcome` (`accepted` or `refused`), what is wrong with that (`fault`, empty
    if nothing is), `readings` by reason and whether anything was `warned` of.
    """
    name, kinds, files, slips = damaged(seed, number)
    kind, outcome = " and ".join(kinds), "refused"
    done = {"kind": kind, "outcome": outcome, "fault": "", "readings": {}, "warned": False}
    done["same"] = all(slip.same for slip in slips)
    done["unit"] = slips[0].unit if len(slips) == 1 else ""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "survey"
        folder.mkdir()
        path = write_files(files, folder)
        before = listing(folder)
        try:
            with warnings.catch_warnings(), time_limit(SECONDS_OF_A_CHECK):
                warnings.simplefilter("ignore")
                try:
                    survey = read_survey(path)
                except SurveyError as error:
                    judge_refusal(error, path, kinds)
                else:
                    done["outcome"] = "accepted"
                    before_it = {str(each) for each in _original(name).warnings}
                    done["warned"] = {str(each) for each in survey.warnings} - before_it != set()
                    done["readings"] = dict(Counter(each.reason for each in survey.readings))
                    judge_survey(survey, path, _original(name), slips)
            hold(listing(folder) == before, "files were changed")
        except Exception as fault:  # every kind of it is what this study looks for
            last = traceback.extract_tb(fault.__traceback__)[-1]
            where = f" ({Path(last.filename).name}, line {last.lineno})"
            told = f"{type(fault).__name__}: {fault}{'' if isinstance(fault, Fault) else where}"
            done["fault"] = f"{name}, {kind}, damage {seed}/{number}: {told}"[:600]
    return done


def judge_refusal(error: SurveyError, path: Path, kinds: tuple[str, ...]) -> None:
    check_refusal(error, path)
    hold(refusal_text(error, in_full=False), "no text")
    if kinds in ONE_CELL:
        # of a ring series that has lost its core, and of an example row, the row says it
        hold(any(problem.row for problem in error.problems), f"no row is named: {error}"[:400])
    if set(kinds) == {"nothing said"}:
        raise Fault(f"refused, though nothing that is said was changed: {error}"[:400])


def judge_survey(
    survey: Survey, path: Path, original: Survey, slips: tuple[Slip, ...] = ()
) -> None:
    """Raises Fault where a survey that was accepted says other than its files, or than was meant."""
    hold(str(survey).startswith("Survey "), "no card")
    check_reading(survey, path)
    check_account(survey)
    hold(check_text(survey, account(survey)), "no text")
    if slips and all(slip.same for slip in slips):
        check_alike(survey, original)
    elif len(slips) == 1 and slips[0].cell is not None:
        check_alike(survey, original, but=slips[0].cell)


def check_work(job: dict) -> dict:
    started = time.perf_counter()
    done = [one_check(job["seed"], number) for number in range(job["damages"])]
    accepted = [each for each in done if each["outcome"] == "accepted"]
    readings: Counter = Counter()
    for each in accepted:
        readings.update(each["readings"])
    return {
        "accepted": dict(Counter(each["kind"] for each in accepted)),
        "refused": dict(Counter(each["kind"] for each in done if each["outcome"] == "refused")),
        "same": [sum(each["same"] for each in some) for some in (done, accepted)],
        "warned": sum(each["warned"] for each in accepted),
        "readings": dict(readings),
        "units_unseen": [e["unit"] for e in accepted if e["unit"] and not e["warned"]],
        "faults": [each["fault"] for each in done if each["fault"]],
        "per_second": round(len(done) / (time.perf_counter() - started), 2),
    }


# --- a damaged survey through a fit ---


def fit_work(job: dict) -> dict:
    """Damages surveys until one is accepted, and runs that one to a folder of results with few
    draws.
    """
    from standage.commands.run import run_survey
    from standage.commands.run_options import RunOptions

    refused = 0
    for number in range(1000):
        name, kinds, files, _ = damaged(700_000 + job["seed"], number)
        if name in ("demo",) or set(kinds) == {"nothing said"}:
            continue
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "survey"
            folder.mkdir()
            path = write_files(files, folder)
            try:
                survey = read_survey(path)
            except SurveyError:
                refused += 1
                continue
            out = Path(place) / "results"
            said, fault = "", ""
            try:
                with warnings.catch_warnings(), time_limit(SECONDS_OF_A_FIT):
                    warnings.simplefilter("ignore")
                    try:
                        run_survey(
                            survey, out, options=RunOptions(draws=50, chains=2), cores=1, quiet=True
                        )
                    except StandageError as error:
                        said = str(error)
                        hold(said.strip(), "a refusal without words")
                        hold(not out.exists(), "a half-written result beside a refusal")
                    else:
                        check_results(out)
                left = sorted(
                    entry.name
                    for entry in Path(place).iterdir()
                    if entry.name not in ("survey", "results")
                )
                hold(not left, f"left behind: {left}")
            except Exception as error:  # every kind of it is what this study looks for
                shutil.copytree(
                    folder,
                    Path(tempfile.gettempdir()) / f"damaged-{job['seed']}-{number}",
                    dirs_exist_ok=True,
                )
                fault = f"{name}, {' and '.join(kinds)}, damage {700_000 + job['seed']}/{number}: {type(error).__name__}: {error}"[
                    :600
                ]
        return {
            "kind": " and ".join(kinds),
            "refused_before": refused,
            "said": said[:200],
            "fault": fault,
        }
    raise RuntimeError("no damaged survey was accepted")


def check_results(out: Path) -> None:
    """All files that the result says it has, JSON without gaps, and numbers wherever there are
    numbers.
    """
    told = json.loads(
        (out / PROVENANCE_FILE).read_text(encoding="utf-8"), parse_constant=_no_constant
    )
    for file in told["files"]:
        hold((out / file).is_file() and (out / file).stat().st_size, f"{file} is missing or empty")
    json.loads((out / "verdict.json").read_text(encoding="utf-8"), parse_constant=_no_constant)
    hold("</html>" in (out / "report.html").read_text(encoding="utf-8"), "report.html is cut off")
    for path in out.glob("*.csv"):
        check_numbers(path.stem, pd.read_csv(path, keep_default_na=False, dtype=str))


def _no_constant(word: str):
    raise Fault(f"{word} in JSON")


def check_numbers(name: str, table: pd.DataFrame) -> None:
    """No `nan` and no `inf`; low, median and high all there or none, in their order; probabilities
    between 0 and 1.
    """
    for column in table.columns:
        wrong = table[column].str.fullmatch(r"[-+]?(nan|inf|infinity)", case=False)
        hold(
            not wrong.any() or column in ("stand", "tree", "core", "note", "community", "plot"),
            f"{name}, {column}: {set(table[column][wrong])}",
        )
    for low in [
        column
        for column in table.columns
        if column.endswith("_low") and {column[:-4] + end for end in TRIPLE} <= set(table)
    ]:
        cells = table[[low[:-4] + end for end in TRIPLE]]
        blank = (cells == "").to_numpy()
        hold(
            (blank.all(axis=1) | ~blank.any(axis=1)).all(),
            f"{name}, {low[:-4]}: an interval with a gap",
        )
        numbers = cells[~blank.any(axis=1)].astype(float).to_numpy()
        hold(
            (np.diff(numbers, axis=1) >= -1e-9 * np.abs(numbers[:, 1:])).all(),
            f"{name}, {low[:-4]}: an interval out of order",
        )
    for column in [column for column in table.columns if column.startswith("probability")]:
        numbers = table[column][table[column] != ""].astype(float)
        hold(numbers.between(0, 1).all(), f"{name}, {column}: not a probability")


# --- the study ---


def check_jobs(surveys: int, first: int = 0) -> list[dict]:
    seeds = range(first, first + math.ceil(surveys / AT_A_TIME))
    return [{"seed": seed, "damages": AT_A_TIME} for seed in seeds]


def check_report(rows: pd.DataFrame) -> str:
    """Counts by kind of damage, all faults, and how fast it went."""
    accepted, refused = (
        sum((Counter(one) for one in rows[name]), Counter()) for name in ("accepted", "refused")
    )
    faults = [fault for one in rows["faults"] for fault in one]
    single = sorted(kind for kind in {*accepted, *refused} if " and " not in kind)
    more = [kind for kind in {*accepted, *refused} if " and " in kind]
    lines = ["| damage | surveys | refused | accepted |", "|---|---|---|---|"]
    for said, kinds in [*((kind, [kind]) for kind in single), ("two or three of these", more)]:
        good, bad = sum(accepted[kind] for kind in kinds), sum(refused[kind] for kind in kinds)
        lines.append(f"| {said} | {good + bad} | {bad} | {good} |")
    total = sum(accepted.values()) + sum(refused.values())
    lines.append(f"| all | {total} | {sum(refused.values())} | {sum(accepted.values())} |")
    same, of_them = (sum(each[place] for each in rows["same"]) for place in (0, 1))
    readings = sum((Counter(each) for each in rows["readings"]), Counter())
    lines += [
        "",
        f"{same} meant the same as before, {of_them} of them accepted; {rows['warned'].sum()} of"
        " those accepted with a warning",
        "read differently, by reason: "
        + ", ".join(f"{reason} {number}" for reason, number in readings.most_common()),
    ]
    unseen = Counter(each for of in rows["units_unseen"] for each in of)
    lines.append(
        "other units accepted without a warning: "
        + ", ".join(f"{what} ({number})" for what, number in unseen.most_common())
    )
    return "\n".join(
        [
            *lines,
            "",
            f"{len(faults)} faults; {rows['per_second'].median():.1f} surveys a second",
            *faults[:60],
        ]
    )


def fit_report(rows: pd.DataFrame) -> str:
    faults = [fault for fault in rows["fault"] if fault]
    said = Counter(re.sub(r"'[^']*'|\d+", "_", text)[:100] for text in rows["said"] if text)
    lines = [
        f"{len(rows)} accepted surveys fitted, {int(rows['refused_before'].sum())} refused before"
        f" them, {len(faults)} faults, {sum(bool(text) for text in rows['said'])} refused by the"
        f" fit; {rows['seconds'].median():.0f} s each (median)"
    ]
    return "\n".join(
        [
            *lines,
            *(f"  refused: {count} x {text}" for text, count in said.most_common(10)),
            *faults[:40],
        ]
    )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("part", choices=("check", "fit"))
    parser.add_argument("verb", choices=("run", "report"), nargs="?", default="run")
    parser.add_argument("--surveys", type=int, default=20_000)
    parser.add_argument(
        "--first", type=int, default=0, help="seed of the first; fresh ones: others"
    )
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=default_folder())
    given = parser.parse_args()
    name = f"damaged_surveys_{given.part}"
    jobs = (
        check_jobs(given.surveys, given.first)
        if given.part == "check"
        else [{"seed": seed} for seed in range(given.surveys)]
    )
    if given.verb == "run":
        rows = run_study(
            name,
            jobs,
            check_work if given.part == "check" else fit_work,
            folder=given.folder,
            workers=given.workers,
        )
    else:
        rows = finished_rows(name, folder=given.folder)
    rows = rows[rows["error"] == ""] if len(rows) else rows
    if rows.empty:
        raise SystemExit(f"nothing in {given.folder}: run the study first")
    print((check_report if given.part == "check" else fit_report)(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
