"""What a batch says of itself: the table of all surveys, all their stands in one long table, lines
of progress, and the end in words.
"""

from __future__ import annotations

import codecs
import csv
import io
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from standage.commands.batch_outcome import BAD_INPUT, ERROR, NOT_RUN, STATES, Outcome
from standage.commands.batch_search import BatchSurvey
from standage.grammar import counted
from standage.replaced_file import is_earlier, made_folder, replaced
from standage.results.staging import cannot_write
from standage.survey.files.formula_escapes import encoding_for, escape_formula, unescape

SUMMARY = "surveys.csv"
LONG_TABLE = "all_stands.csv"  # of each result, and joined beside the summary
COLUMNS = ("survey", "stands", "state", "seconds", "message")
LONG_TABLE_BEGINS = "survey,stand,"
SECONDS_BETWEEN_SUMMARIES = 30.0
"""So that even a machine that goes down leaves a summary that is nearly true."""


class Summary:
    """The rows so far, and the file they are kept in; `names` are all surveys of the batch, in the
    order of the file.
    """

    def __init__(self, out: Path, names: Iterable[str]) -> None:
        self.path, self.names = out / SUMMARY, list(names)
        self.seconds_before = _seconds_before(self.path)
        self.outcomes: dict[str, Outcome] = {}
        self.written = time.monotonic()

    def begin(self) -> None:
        """Write it for the first time, with what earlier batches have done: one that is ended at
        once must not leave a table that knows nothing of it. Raises StandageError where it can't be
        written.
        """
        try:
            with made_folder(self.path.parent):
                self.write()
        except OSError as error:
            raise cannot_write(self.path.parent, error) from error

    def add(self, outcome: Outcome) -> None:
        self.outcomes[outcome.survey] = outcome
        if time.monotonic() - self.written > SECONDS_BETWEEN_SUMMARIES:
            # a disk that is full for now doesn't stop a batch; the end tells if it still is
            with suppress(OSError):
                self.write()

    def add_earlier(self, outcome: Outcome) -> None:
        """An outcome of an earlier batch, with the time that it took then."""
        before = self.seconds_before.get(outcome.survey)
        self.outcomes[outcome.survey] = replace(outcome, seconds=before)

    def has_results(self, name: str) -> bool:
        return name in self.outcomes and self.outcomes[name].has_results

    def rows(self) -> list[Outcome]:
        return [self.outcomes.get(name, Outcome(name, None, NOT_RUN, None)) for name in self.names]

    def write(self) -> None:
        written = io.StringIO()
        writer = csv.writer(written, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in self.rows():
            cells = [getattr(row, name) for name in COLUMNS]
            writer.writerow(
                escape_formula(cell) if isinstance(cell, str) else "" if cell is None else cell
                for cell in cells
            )
        text = written.getvalue()
        with replaced(self.path, header=",".join(COLUMNS), what="a table of surveys") as file:
            file.write_text(text, encoding=encoding_for(text), newline="")
        self.written = time.monotonic()


def _seconds_before(path: Path) -> dict[str, float]:
    """Seconds by survey from the summary of an earlier batch; none where there is none, or somebody
    has edited it out of shape.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return {
                unescape(row["survey"]): float(row["seconds"])
                for row in csv.DictReader(file)
                if row["seconds"]
            }
    except (OSError, ValueError, KeyError, TypeError, csv.Error):
        return {}


def join_long_tables(path: Path, surveys: Sequence[BatchSurvey]) -> None:
    """All stands of all surveys in one long table, one survey after another; `survey` is then its
    path below the folder.
    """
    tables = {survey: Path(survey.out) / LONG_TABLE for survey in surveys}
    if not tables:
        if is_earlier(path, LONG_TABLE_BEGINS):
            path.unlink()
        return
    beyond_ascii = any(
        not survey.name.isascii() or _has_mark(table) for survey, table in tables.items()
    )
    header = next(iter(tables.values())).read_text(encoding="utf-8-sig").partition("\n")[0]
    with (
        replaced(path, header=LONG_TABLE_BEGINS, what="a table of all stands") as joined,
        joined.open("w", encoding="utf-8-sig" if beyond_ascii else "utf-8", newline="") as file,
    ):
        file.write(f"{header}\n")
        writer = csv.writer(file, lineterminator="\n")
        for survey, table in tables.items():
            with table.open(encoding="utf-8-sig", newline="") as rows:
                _, *stands = csv.reader(rows)
            writer.writerows([escape_formula(survey.name), *row[1:]] for row in stands)


def _has_mark(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(codecs.BOM_UTF8)) == codecs.BOM_UTF8


class Progress:
    """A line for each survey done: how many are, how this one ended, and the time left."""

    def __init__(self, surveys: int, log: Callable[[str], None]) -> None:
        self.surveys, self.log, self.done, self.began = surveys, log, 0, time.monotonic()

    def one_more(self, outcome: Outcome) -> None:
        self.done += 1
        left = (time.monotonic() - self.began) / self.done * (self.surveys - self.done)
        took = "" if outcome.seconds is None else f" in {outcome.seconds:.0f} s"
        rest = f"; about {in_words(left)} left" if self.done < self.surveys else ""
        self.log(f"{self.done} of {self.surveys}: {outcome.survey} {outcome.state}{took}{rest}")
        if outcome.state in (BAD_INPUT, ERROR):
            self.log(f"    {outcome.message}")


def in_words(seconds: float) -> str:
    """A time as people say it, in its two largest units.

    >>> in_words(40), in_words(750), in_words(9000), in_words(200000)
    ('40 s', '12 min', '2 h 30 min', '2 d 8 h')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = int(seconds // 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h"


def batch_in_words(outcomes: Sequence[Outcome], out: str | Path) -> str:
    """How many surveys ended how, and where the table is."""
    counts = Counter(outcome.state for outcome in outcomes)
    states = ", ".join(f"{counts[state]} {state}" for state in STATES if counts[state])
    table = Path(out) / SUMMARY
    return f"{counted(len(outcomes), 'survey')}: {states}. The table of all is in {table}"
