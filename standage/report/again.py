"""The report of a result made anew, with a heading of one's own, without sampling."""

from __future__ import annotations

from pathlib import Path

from standage.choices import Units
from standage.errors import StandageError
from standage.prose.measures import METRIC
from standage.replaced_file import made_folder, move_all, passing_folder
from standage.report.brief import FILE as BRIEF_FILE
from standage.report.brief import PAPER
from standage.report.card import read_findings
from standage.report.heading import NO_HEADING, Heading
from standage.report.page import CARDS_FILE, FILE, report_writer
from standage.results.run_record import read_run_record

FILES = (FILE, CARDS_FILE, BRIEF_FILE, PAPER)
# in the head of every page, and in a PDF
MADE_BY = (b'<meta name="generator" content="standage', b"/Creator (standage)")


def write_report(
    results: str | Path,
    out: str | Path = ".",
    *,
    units: Units = METRIC,
    heading: Heading = NO_HEADING,
) -> list[Path]:
    """Writes report, tree cards and brief of a result into a folder, and returns their paths.

    Parameters
    ----------
    results : folder written by `standage run`; it is not changed.
    out : made where it is missing. Earlier reports there are replaced.

    Raises
    ------
    StandageError where `results` is no result, `out` can't be written, or a file is in the way that
    is no earlier report.
    """
    settings, folder = read_run_record(results).shown, Path(out)
    findings = read_findings(results)
    try:
        with made_folder(folder):
            _refuse_what_is_in_the_way(folder, Path(results))
            with passing_folder(folder) as workshop:
                report_writer(findings, units=units, heading=heading, settings=settings)(workshop)
                move_all(workshop, [folder / name for name in FILES])
    except OSError as error:
        found = f"a place that can't be written ({error.strerror or error})"
        expected = "a folder for the report"
        advice = "Choose another folder with --out."
        raise StandageError.at(folder, found, expected, advice) from error
    return [folder / name for name in FILES]


def _refuse_what_is_in_the_way(folder: Path, results: Path) -> None:
    """A result's own report stays as its record says; a link would be written through."""
    if folder.resolve() == results.resolve():
        found = "the folder of the result itself, whose files its record lists"
        raise StandageError.at(
            folder, found, "a folder for the report", "Choose another folder with --out."
        )
    for path in (folder / name for name in FILES):
        earlier = path.is_file() and not path.is_symlink() and _is_ours(path)
        if (path.is_symlink() or path.exists()) and not earlier:
            raise StandageError.at(
                path,
                "a file that is no earlier report; it was left as it is",
                "an earlier report, or nothing yet",
                "Choose another folder with --out.",
            )


def _is_ours(path: Path) -> bool:
    written = path.read_bytes()
    return any(mark in (written if mark[:1] == b"/" else written[:5000]) for mark in MADE_BY)
