"""Is anything let through? Valid surveys are damaged in many ways, and each must be read as it is
written, or refused with words.

    python tests/studies/damaged_surveys.py check --surveys 20000
    python tests/studies/damaged_surveys.py fit --surveys 500

Asked of every damaged survey: no exception but a SurveyError; an end within the time limit; no file
changed; no silent repair; and of a refusal that each problem names a file, what was found, what was
expected and what to do, and a row that the file has. A silent repair is a value in the survey that
is not what stands in the file, or a row or column that is missing without a word: what was accepted
is held, cell by cell, to a second reading of the damaged files by other code (pandas for CSV, the
other reader of the library for workbooks, plain columns for ring files). Only blanks may be filled,
with the defaults of `standage.survey.schema`. Of a fit besides: a folder of results that is whole,
or none; and numbers that are finite, and in their order, wherever a table has numbers.
"""

from __future__ import annotations

import argparse
import io
import json
import math
import re
import shutil
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.damages import BOOK, BOOK_DAMAGES, CSV_DAMAGES, HARMLESS, Files, valid_surveys
from studies.runner import default_folder, finished_rows, run_study

from standage.errors import StandageError, SurveyError
from standage.results.records import PROVENANCE_FILE
from standage.survey.formula_escapes import unescape
from standage.survey.reading import read_survey
from standage.survey.schema import TABLES, Table
from standage.survey.survey import Survey

SECONDS_OF_A_CHECK, SECONDS_OF_A_FIT = 30, 600
AT_A_TIME = 100  # damaged surveys a row of the study
MOST_SAID = 100_000  # characters of all that is told about one survey
FILLED = {
    ("cores", "first_ring_year"),
    ("cores", "last_ring_year"),
    ("cores", "core_date"),
    ("trees", "core_outcome"),
    ("counts", "species"),
    ("known_age_stems", "species"),
}
TRIPLE = ("_low", "_median", "_high")


class Fault(Exception):
    """Something that must never happen did."""


def hold(true: object, what: str) -> None:
    if not true:
        raise Fault(what)


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


def damaged(seed: int, number: int) -> tuple[str, tuple[str, ...], Files]:
    """A valid survey, the kinds of damage done to it (one, seldom up to three) and its files."""
    rng = np.random.default_rng([seed, number])
    surveys = valid_surveys()
    names = [name for name in surveys if name != "demo"]
    name = "demo" if rng.random() < 0.05 else names[int(rng.integers(len(names)))]
    files = dict(surveys[name])
    kinds = BOOK_DAMAGES if BOOK in files else CSV_DAMAGES
    wanted, done = 1 + int(rng.random() < 0.15) + int(rng.random() < 0.05), []
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
        if not files:
            break
    return name, tuple(done), files


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


# --- a second reading ---


def check_reading(survey: Survey, path: Path) -> None:
    """The survey says what its files say: every row, every cell, every column of them."""
    book = _book(path) if path.is_file() else None
    for each in TABLES:
        written = _second_reading(path, each, book, survey.notes)
        frame = getattr(survey, each.name)
        if written is None:
            hold(
                each.name == "ring_widths" or len(frame) == 0,
                f"{each.name}: {len(frame)} rows without a file",
            )
            continue
        header, cells, rows = written
        if each.name == "ring_widths":
            _check_rings_of_table(survey, header, cells, rows)
            continue
        hold(
            frame["row"].tolist() == rows,
            f"{each.name}: rows {_unlike(frame['row'].tolist(), rows)} are not those of the file",
        )
        for place, name in enumerate(header):
            if name:
                _check_column(
                    each,
                    name if name != "row" else "row (as written)",
                    frame,
                    [row[place] for row in cells],
                )
    _check_ring_files(survey, path)


def _unlike(read: list, written: list) -> str:
    return f"{sorted(set(read) ^ set(written))[:5]} ({len(read)} and {len(written)})"


def _book(path: Path):
    from openpyxl import load_workbook

    return load_workbook(io.BytesIO(path.read_bytes()), data_only=True)


def _second_reading(
    path: Path, each: Table, book, notes: tuple[str, ...]
) -> tuple[list[str], list[list[str]], list[int]] | None:
    """Header, rows that are not blank, and their numbers; without what a note says was above the
    header, or units.
    """
    if path.is_file():
        if each.name not in book.sheetnames:
            return None
        grid = [
            [_text(cell) for cell in row] for row in book[each.name].iter_rows(values_only=True)
        ]
    else:
        file = path / each.file
        if not file.is_file():
            return None
        content = file.read_bytes()
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = content.decode("cp1252")
        text = text.replace("\r\n", "\n").replace("\r", "\n")
        width = max(line.count(",") for line in text.split("\n")) + 1
        try:
            frame = pd.read_csv(
                io.StringIO(text),
                header=None,
                names=range(width),
                dtype=str,
                na_filter=False,
                skip_blank_lines=False,
                index_col=False,
                encoding_errors="strict",
            )
        except pd.errors.EmptyDataError:
            return None
        grid = frame.fillna("").to_numpy().tolist()
    grid = [[cell.strip() for cell in row] for row in grid]
    filled = [number for number, row in enumerate(grid) if any(row)]
    if not filled:
        return None
    told = [
        note
        for note in notes
        if note.startswith((f"{each.file}:", f"{path.name}, sheet {each.name}:"))
    ]
    start = next(
        (
            int(found[1]) - 1
            for note in told
            if (found := re.search(r"header was found in row (\d+)", note))
        ),
        filled[0],
    )
    units = {
        int(found[1]) - 1 for note in told if (found := re.search(r"row (\d+) holds units", note))
    }
    rows = [
        number
        for number in filled
        if number > start
        and number not in units
        and not all(cell.startswith("[") for cell in grid[number] if cell)
    ]
    return grid[start], [grid[number] for number in rows], [number + 1 for number in rows]


def _text(value: object) -> str:
    if value is None:
        return ""
    if hasattr(value, "isoformat"):
        return value.isoformat().removesuffix("T00:00:00")
    if isinstance(value, bool):
        return str(value).upper()
    return repr(value) if isinstance(value, float) else str(value)


def _same(kind: str, read: object, written: str) -> bool:
    """Whether a cell was read as it is written: an apostrophe before a formula is the package's
    own, midnight the spreadsheet's.
    """
    written = unescape(written)
    if kind in ("number", "whole"):
        return math.isfinite(read) and float(written) == read
    if kind == "date":
        written = re.sub(r"[ T]00:00(:00(\.0+)?)?$", "", written)
        return (
            bool(re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", written)) and str(read)[:10] == written
        )
    return read == (
        written[:-2]
        if kind == "" and written.endswith(".0") and not read.endswith(".0")
        else written
    ) or (re.fullmatch(r"-?\d+\.0", written) is not None and read == written[:-2])


def _check_column(each: Table, name: str, frame: pd.DataFrame, cells: list[str]) -> None:
    hold(name in frame, f"{each.name}: column {name} is lost")
    column = next((column for column in each.columns if column.name == name), None)
    kind, default = (column.kind, column.default) if column else ("", "")
    for read, written, row in zip(frame[name], cells, frame["row"], strict=True):
        if written:
            hold(
                _same(kind, read, written),
                f"{each.name}, row {row}, {name}: {written!r} was read as {read!r}",
            )
        elif (each.name, name) not in FILLED:
            blank = pd.isna(read) if kind in ("number", "whole", "date") else read == default
            hold(blank, f"{each.name}, row {row}, {name}: a blank was read as {read!r}")


def _check_rings_of_table(
    survey: Survey, header: list[str], cells: list[list[str]], rows: list[int]
) -> None:
    place = {name: number for number, name in enumerate(header)}
    rings = survey.ring_widths
    ours = rings[~rings["file"].str.startswith("rings/")].set_index("row")
    known, told = set(survey.cores["core"]), " ".join(survey.notes)
    for row, line in zip(rows, cells, strict=True):
        if row not in ours.index:
            hold(
                "alike; they were taken once" in told or line[place["core"]] not in known,
                f"ring_widths, row {row} is lost",
            )
            continue
        read = ours.loc[row]
        hold(
            read["core"] == line[place["core"]]
            and _same("number", read["year"], line[place["year"]])
            and _same("number", read["width_mm"], line[place["width_mm"]]),
            f"ring_widths, row {row}: {line} was read as {list(read)}",
        )
        for name in set(place) - {"core", "year", "width_mm", "row", ""}:
            hold(
                name in rings and _same("", read[name], line[place[name]]),
                f"ring_widths, row {row}: column {name} is lost or changed",
            )
    hold(set(ours.index) <= set(rows), "ring_widths has rows that the file has not")


def _check_ring_files(survey: Survey, path: Path) -> None:
    """Every ring of a decadal file is the whole number that stands at its year in its line, in the
    one unit or the other.
    """
    rings = survey.ring_widths[survey.ring_widths["file"].str.startswith("rings/")]
    lines = {
        file: re.split(r"\r*\n|\r", (path / file).read_bytes().decode("latin-1"))
        for file in rings["file"].unique()
    }
    for file, row, year, width in zip(
        rings["file"], rings["row"], rings["year"], rings["width_mm"], strict=True
    ):
        line = lines[file][row - 1]
        body = line[12:72] if re.fullmatch(r"[12]\d{3}", line[8:12]) and line[:8].strip() else None
        ways = []
        if body is not None:
            ways.append(
                (int(line[8:12]), [body[at : at + 6].strip() for at in range(0, len(body), 6)])
            )
            ways.append((int(line[8:12]), line[12:].split()))
        words = line.split()
        ways += [
            (int(word), words[at + 1 :])
            for at, word in enumerate(words)
            if re.fullmatch(r"[12]\d{3}", word)
        ]
        wanted = {str(round(width * 100)), str(round(width * 1000))}
        hold(
            any(
                0 <= year - first < len(values)
                and values[int(year - first)].lstrip("0") in {text.lstrip("0") for text in wanted}
                for first, values in ways
            ),
            f"{file}, line {row}: {width:g} mm in {year:.0f} is not what stands there: {line!r}",
        )


def check_same(survey: Survey, original: Survey) -> None:
    """Nothing that the tables say was changed, so nothing that is read may be."""
    for each in TABLES:
        ours, theirs = (
            getattr(one, each.name).drop(columns=["row", "file"], errors="ignore")
            for one in (survey, original)
        )
        named = [column.name for column in each.columns]
        pd.testing.assert_frame_equal(ours[named], theirs[named], check_exact=True, obj=each.name)


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
]  # damages whose refusal has to name a cell: row and column


def one_check(seed: int, number: int) -> tuple[str, str, str]:
    """Kinds of damage, `accepted` or `refused`, and what is wrong with that (empty if nothing
    is).
    """
    name, kinds, files = damaged(seed, number)
    kind, outcome = " and ".join(kinds), "refused"
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
                    check_refusal(error, path)
                    if kinds in ONE_CELL:
                        hold(
                            any(problem.row and problem.column for problem in error.problems),
                            f"no cell is named: {error}"[:400],
                        )
                    if set(kinds) <= set(HARMLESS):
                        raise Fault(
                            f"refused, though nothing that is said was changed: {error}"[:400]
                        ) from error
                else:
                    outcome = "accepted"
                    hold(str(survey).startswith("Survey "), "no card")
                    check_reading(survey, path)
                    if set(kinds) <= set(HARMLESS):
                        check_same(survey, _original(name))
            hold(listing(folder) == before, "files were changed")
        except Exception as fault:  # every kind of it is what this study looks for
            return (
                kind,
                outcome,
                f"{name}, {kind}, damage {seed}/{number}: {type(fault).__name__}: {fault}"[:600],
            )
    return kind, outcome, ""


def check_work(job: dict) -> dict:
    started = time.perf_counter()
    done = [one_check(job["seed"], number) for number in range(job["damages"])]
    return {
        "accepted": dict(Counter(kind for kind, outcome, _ in done if outcome == "accepted")),
        "refused": dict(Counter(kind for kind, outcome, _ in done if outcome == "refused")),
        "faults": [fault for _, _, fault in done if fault],
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
        name, kinds, files = damaged(700_000 + job["seed"], number)
        if name in ("demo",) or set(kinds) <= set(HARMLESS):
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


def check_jobs(surveys: int) -> list[dict]:
    return [{"seed": seed, "damages": AT_A_TIME} for seed in range(math.ceil(surveys / AT_A_TIME))]


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
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=default_folder())
    given = parser.parse_args()
    name = f"damaged_surveys_{given.part}"
    jobs = (
        check_jobs(given.surveys)
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
