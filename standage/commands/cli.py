"""The commands: they parse and call, nothing else. Heavy libraries are imported inside the commands
that need them.
"""

from __future__ import annotations

import gc
import sys
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import click

from standage.commands.click_options import run_option, run_options
from standage.commands.command_group import (
    BAD_INPUT,
    CAME_OUT_OTHERWISE,
    FIT_FAILED,
    HELP_OPTIONS,
    INCOMPLETE,
    CommandGroup,
)
from standage.commands.run_options import RunOptions

if TYPE_CHECKING:
    from standage.choices import FigureStyle, Units
    from standage.commands.run import RunResult
    from standage.survey.survey import Survey


@click.group(cls=CommandGroup, context_settings=HELP_OPTIONS)
@click.version_option(version("standage"), message="standage %(version)s")
def main() -> None:
    """When did the stand regenerate, when did each tree establish, and how sure are we?

    Begin with `standage new FOLDER`, fill the forms in, then `check`, `ages` and `run`.
    """


@main.command()
@click.argument("folder", type=click.Path())
@click.option("--xlsx", is_flag=True, help="One workbook in place of CSV files.")
def new(folder: str, xlsx: bool) -> None:
    """Write empty survey forms into FOLDER: every table, its columns explained, one example row to
    delete.
    """
    from standage.survey.files.forms import write_template

    written = write_template(folder, xlsx=xlsx)
    for path in written:
        click.echo(f"wrote {path}")
    survey = written[0] if xlsx else folder
    click.echo(
        "Delete the example rows, fill in what you have (only stands, trees and cores are needed),"
        f" then: standage check {survey}"
    )


@main.command()
@click.argument("survey", type=click.Path())
@run_option("profile_folder")
@click.option("--all", "in_full", is_flag=True, help="Every problem on a line of its own.")
@click.option("--draft", is_flag=True, help="Write a file to say which of your columns is which.")
@click.option(
    "--mark",
    metavar="FILE.xlsx",
    type=click.Path(dir_okay=False),
    help="Write a copy of the tables with the cells coloured and the messages as comments.",
)
def check(
    survey: str, profile_folder: str | None, in_full: bool, draft: bool, mark: str | None
) -> None:
    """Report all problems of a SURVEY (folder of CSV, one CSV file, or .xlsx) at once, and what was
    read.
    """
    if draft and mark is not None:
        raise click.UsageError("--draft writes no marked copy: ask for one of the two at a time.")
    if draft:
        from standage.survey.files.mapping_draft import write_draft

        path = write_draft(survey)
        click.echo(f"wrote {path}. Look it through, correct it, then: standage check {survey}")
        return
    from standage.commands.check_text import check_text, refusal_text, screen_width
    from standage.errors import SurveyError

    if mark is not None:
        from standage.survey.files.marked_copy import check_mark_path, write_marked_copy

        check_mark_path(survey, mark)
    try:
        read = _read(survey, profile_folder)
    except SurveyError as refused:
        click.echo(refusal_text(refused, in_full=in_full, width=screen_width()), err=True)
        if mark is not None:
            marked = write_marked_copy(
                survey, mark, problems=refused.problems, readings=getattr(refused, "readings", ())
            )
            click.echo(marked, err=True)
        sys.exit(BAD_INPUT)
    from standage.evidence.account import account

    told = account(read, profile_folder=profile_folder)
    click.echo(check_text(read, told, in_full=in_full, width=screen_width()))
    if mark is not None:
        click.echo(
            write_marked_copy(survey, mark, suspicious=read.warnings, readings=read.readings)
        )


@main.command()
@click.argument("survey", type=click.Path())
@run_option("level")
@run_option("profile_folder")
@click.option(
    "--csv",
    "csv_path",
    type=click.Path(dir_okay=False),
    help="Where the table goes as CSV.  [default: NAME-ages.csv in this folder]",
)
def ages(survey: str, level: float, profile_folder: str | None, csv_path: str | None) -> None:
    """Date each cored tree of a SURVEY by itself, at once, without the stand model; says what each
    step adds to the uncertainty.
    """
    from standage.commands.ages_table import ages_text, readings_text, with_reasons, write_ages
    from standage.commands.taken_in import what_took_part
    from standage.evidence import date_trees
    from standage.evidence.account import account
    from standage.evidence.participation import profiles_of
    from standage.evidence.reader_agreement import (
        all_readings,
        far_apart,
        reader_agreement,
        readers,
    )

    read = _read(survey, profile_folder)
    taken_in = account(read, profile_folder=profile_folder)
    table = with_reasons(date_trees(read, level=level, folder=profile_folder), taken_in)
    click.echo(ages_text(table, level))
    click.echo("\n".join(what_took_part(read, taken_in, with_file=False)))
    path = write_ages(table, csv_path or f"{read.name}-ages.csv")
    click.echo(f"wrote {path}")
    readings = all_readings(read, profiles_of(read, profile_folder))
    if len(readings):
        agreement = reader_agreement(readings)
        click.echo(readings_text(agreement, readers(readings), far_apart(readings)))
        beside = path.with_name(f"{path.stem}-readers.csv")
        click.echo(f"wrote {write_ages(agreement.round(3), beside, what='a table of readers')}")


@main.command()
@click.argument("survey", type=click.Path())
@click.option(
    "--out",
    required=True,
    metavar="FILE.toml",
    type=click.Path(dir_okay=False),
    help="Profile to write, named after its species; a table and a picture go beside it.",
)
@click.option("--stand", default="", help="The profile is of this stand, not of the region.")
@click.option("--species", default="", help="Its profile key.  [default: the commonest]")
@run_option("level")
@run_option("profile_folder")
def delays(
    survey: str, out: str, stand: str, species: str, level: float, profile_folder: str | None
) -> None:
    """How long seedlings take here: years from germination to a height, from the stems of known age
    of a SURVEY, as a table, a picture and a profile for the next survey (`--profiles`).
    """
    from standage.commands.measured_delays import measure_delays

    found = measure_delays(
        _read(survey, profile_folder),
        out,
        species=species,
        stand=stand,
        level=level,
        profile_folder=profile_folder,
    )
    click.echo(found.text)
    for path in found.written:
        click.echo(f"wrote {path}")


class _Run(click.Command):
    """A survey and a folder, or a result to repeat."""

    def parse_args(self, context: click.Context, arguments: list[str]) -> list[str]:
        rest = super().parse_args(context, arguments)
        if context.params["again"] is None and None in (
            context.params["survey"],
            context.params["out"],
        ):
            raise click.UsageError("A SURVEY and --out are needed, or --again RESULTS.", context)
        return rest


@main.command(cls=_Run)
@click.argument("survey", required=False, type=click.Path())
@click.option(
    "--out",
    type=click.Path(),
    help="Folder for the results; an earlier result there is replaced whole.",
)
@click.option(
    "--again",
    metavar="RESULTS",
    type=click.Path(),
    help="Repeat the run that wrote RESULTS, as it recorded, and compare the tables.",
)
@click.option("--full", is_flag=True, help="Print every sentence, not one screen.")
@run_options
@click.pass_context
def run(
    context: click.Context,
    survey: str,
    out: str,
    again: str | None,
    full: bool,
    **options: Any,
) -> None:
    """Check a SURVEY, fit the stand model, and write tables, figures and a report into a folder."""
    if again is not None:
        _repeat(context, survey, out, again, full, options)
        return
    from standage.commands.run import run_survey

    asked = RunOptions(**options)
    result = run_survey(_read(survey, asked.profile_folder), out, options=asked)
    click.echo(result.full if full else result.text)
    if not result.incomplete:
        click.echo(f"\nTables and figures are in {out}; report.html is for people to read")
    _print_notes(result)
    if not result.passed:
        sys.exit(FIT_FAILED)
    if result.incomplete:
        sys.exit(INCOMPLETE)


def _print_notes(result: RunResult) -> None:
    for note in (*result.notes, result.incomplete):
        if note:
            click.echo(note, err=True)


def _repeat(
    context: click.Context,
    survey: str | None,
    out: str | None,
    results: str,
    full: bool,
    options: dict[str, Any],
) -> None:
    given = [
        name
        for name in options
        if context.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE
    ]
    if given:
        raise click.UsageError(
            f"--again takes every option from RESULTS; leave out what sets {', '.join(given)}."
        )
    from standage.commands.repeat import repeat_run

    repeated = repeat_run(results, out, survey=survey)
    if full:
        click.echo(f"{repeated.run.full}\n")
    click.echo(str(repeated))
    _print_notes(repeated.run)
    if not repeated.same:
        sys.exit(CAME_OUT_OTHERWISE)


@main.command()
@click.argument("folder", type=click.Path())
@click.option(
    "--out",
    required=True,
    type=click.Path(),
    help="Folder for the results, one folder a survey, and the table of all.",
)
@run_options
@click.option(
    "--workers",
    type=click.IntRange(1),
    help="Surveys at a time on this machine.  [default: one a processor]",
)
@click.option(
    "--cores",
    type=click.IntRange(1),
    default=1,
    show_default=True,
    help="Processors for the chains of each survey.",
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Run on the Dask cluster whose scheduler has this address, as in tcp://host:8786.",
)
def batch(
    folder: str,
    out: str,
    cores: int,
    workers: int | None,
    cluster: str | None,
    **options: Any,
) -> None:
    """Run every survey below FOLDER, many at a time; what is done already is not done again, and no
    survey stops the others.
    """
    from standage.commands.batch import run_batch
    from standage.commands.batch_outcome import FAILED, PASSED
    from standage.commands.batch_summary import batch_in_words
    from standage.commands.batch_surveys import BatchSettings

    if workers and cluster:
        raise click.UsageError(
            "--workers is about this machine; a cluster has as many as were started."
        )
    settings = BatchSettings(**options, cores=cores)
    try:
        outcomes = run_batch(folder, out, settings=settings, workers=workers, cluster=cluster)
    except KeyboardInterrupt as stop:
        raise type(stop)(
            "stopped; the surveys that were done are kept, and the same command goes on with the"
            " others"
        ) from stop
    click.echo(batch_in_words(outcomes, out))
    states = {outcome.state for outcome in outcomes}
    if states != {PASSED}:
        sys.exit(FIT_FAILED if states <= {PASSED, FAILED} else BAD_INPUT)


@main.command()
@click.argument("results", type=click.Path(), nargs=-1, required=True)
@click.option(
    "--out",
    required=True,
    type=click.Path(),
    help="Folder for the comparison; an earlier one there is replaced whole.",
)
@run_option(
    "level",
    default=None,
    help="Share of probability inside each interval.  [default: that of the results]",
)
@click.option(
    "--class-years",
    type=click.IntRange(1),
    default=20,
    show_default=True,
    help="Length of the classes of establishment years.",
)
@run_option("seed", help="Order in which draws of separate runs are paired.")
@run_option("style")
def compare(
    results: tuple[str, ...],
    out: str,
    level: float | None,
    class_years: int,
    seed: int,
    style: FigureStyle,
) -> None:
    """Put the stands of RESULTS, folders that `run` has written, side by side, and say what can't
    be compared.
    """
    from standage.commands.compare import run_comparison

    click.echo(
        str(
            run_comparison(
                results, out, level=level, class_years=class_years, seed=seed, style=style
            )
        )
    )
    click.echo(f"Tables and figures are in {out}")


def _complete_tree(context: click.Context, _: click.Parameter, begun: str) -> list[str]:
    """Trees of the result that was named before; none where there is no such result, for completing
    must never fail.
    """
    import csv
    from pathlib import Path

    from standage.survey.files.formula_escapes import unescape

    try:
        with (Path(context.params["results"]) / "tree_dates.csv").open(
            encoding="utf-8-sig", newline=""
        ) as file:
            return [
                name
                for row in csv.DictReader(file)
                if (name := unescape(row["tree"])).startswith(begun)
            ]
    except (OSError, KeyError, TypeError, ValueError, csv.Error):
        return []


@main.command()
@click.argument("results", type=click.Path())
@click.argument("tree", shell_complete=_complete_tree)
@click.option(
    "--out", default=".", show_default=True, type=click.Path(), help="Folder for the card."
)
@run_option("units")
def card(results: str, tree: str, out: str, units: Units) -> None:
    """Write the age card of one TREE of RESULTS (what `run` wrote), a page of HTML: its age, how it
    was found, what its rings say.
    """
    from standage.report.card import write_card

    click.echo(f"wrote {write_card(results, tree, out, units=units)}")


@main.command()
@click.argument("results", type=click.Path())
@click.option(
    "--out", default=".", show_default=True, type=click.Path(), help="Folder for the report."
)
@click.option("--title", default="", help="Title of the report.  [default: the survey's name]")
@click.option("--place", default="", help="Where the stands are, as readers should know it.")
@click.option("--crew", default="", help="Who surveyed.")
@click.option("--date", default="", help="Date of the report, as it should be printed.")
@click.option("--logo", type=click.Path(dir_okay=False), help="Picture for its head, PNG or JPEG.")
@run_option("units")
def report(results: str, out: str, units: Units, logo: str | None, **heading: str) -> None:
    """Write the report of RESULTS (what `run` wrote) anew, with a heading of your own; nothing is
    sampled again.
    """
    from standage.report.again import write_report
    from standage.report.heading import Heading, read_logo

    head = Heading(**heading, logo=read_logo(logo) if logo else b"")
    for path in write_report(results, out, units=units, heading=head):
        click.echo(f"wrote {path}")


def _complete_species(context: click.Context, _: click.Parameter, begun: str) -> list[str]:
    from standage.errors import StandageError
    from standage.profiles import profile_keys

    try:
        return [
            key
            for key in profile_keys(context.params.get("profile_folder"))
            if key.startswith(begun)
        ]
    except StandageError:
        return []


@main.command()
@click.argument("species", required=False, shell_complete=_complete_species)
@run_option("profile_folder")
def profiles(species: str | None, profile_folder: str | None) -> None:
    """List the species profiles: each number with unit, source and status. With a SPECIES, that
    one.
    """
    from standage.profiles import load_profile, profile_keys

    keys = [species] if species else profile_keys(profile_folder)
    click.echo("\n\n".join(str(load_profile(key, profile_folder)) for key in keys))


def _read(path: str, profile_folder: str | None) -> Survey:
    from standage.survey.reading import read_survey

    usual = gc.get_threshold()
    gc.set_threshold(
        200_000, 20, 100
    )  # cells hold no cycles, and looking for some among millions takes a third of the reading
    try:
        return read_survey(path, profile_folder=profile_folder)
    finally:
        gc.set_threshold(*usual)
