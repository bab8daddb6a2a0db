"""The commands: they parse and call, nothing else. Heavy libraries are imported inside the commands
that need them.

Exit codes: 0 done, 2 the input can't be used or the output can't be written as things are, 3 the
fit fails its checks, 4 pictures or the report are missing from a result, 5 a run that was repeated
came out otherwise, 130 stopped with Ctrl-C.
"""

from __future__ import annotations

import gc
import sys
import warnings
from importlib.metadata import version

import click

BAD_INPUT = 2
FIT_FAILED = 3
INCOMPLETE = 4
CAME_OUT_OTHERWISE = 5
EMERGENCE_CHOICES = ("off", "on", "learned")  # as in `standage.stand.openings`
STYLE_CHOICES = (
    "screen",
    "print",
    "grey",
)  # as in `standage.figures.styles`, for the same reason as the line below
COORDINATE_CHOICES = (
    "as-given",
    "0.01",
    "0.1",
    "1",
    "none",
)  # as in `standage.survey.coordinates`, which loads more than `--help` needs

CRITERION_CHOICES = (
    "change_point",
    "percent_change_means",
    "percent_change_medians",
    "sustained",
    "absolute_increase",
)

HELP_OPTIONS = {"help_option_names": ["-h", "--help"]}


class _Commands(click.Group):
    """Turns every expected error into a message on standard error and an exit code, never a
    traceback.
    """

    def command(self, *args, **settings):
        return super().command(*args, **{"context_settings": HELP_OPTIONS} | settings)

    def invoke(self, context: click.Context):
        from standage.errors import StandageError

        try:
            with warnings.catch_warnings():
                # what a profile warns of is for people: one plain line, without the place in the
                # code
                warnings.showwarning = lambda message, *_: click.echo(f"Note: {message}", err=True)
                # what libraries plan for their own interfaces is none of a reader's business
                warnings.filterwarnings("ignore", category=FutureWarning, module="arviz")
                warnings.filterwarnings("ignore", message=r"\s*ArviZ is undergoing")
                return super().invoke(context)
        except StandageError as problem:
            click.echo(str(problem), err=True)
            context.exit(BAD_INPUT)
        except KeyboardInterrupt as stop:
            click.echo(str(stop) or "stopped; nothing was written", err=True)
            context.exit(130)


units_option = click.option(
    "--units",
    type=click.Choice(["metric", "us"]),
    default="metric",
    show_default=True,
    help="Metric; us: acres, inches, feet beside.",
)
level_option = click.option(
    "--level",
    type=click.FloatRange(0.5, 0.999),
    default=0.9,
    show_default=True,
    help="Share of probability inside each interval.",
)
profiles_option = click.option(
    "--profiles",
    "profile_folder",
    type=click.Path(),
    help="Folder with your own species profiles (TOML).",
)
seed_option = click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="Same survey, seed and versions give the same results.",
)
draws_option = click.option(
    "--draws",
    type=click.IntRange(50),
    default=1000,
    show_default=True,
    help="Kept draws of each of the chains.",
)
chains_option = click.option(
    "--chains", type=click.IntRange(2, 32), default=4, show_default=True, help="Chains."
)
coordinates_option = click.option(
    "--coordinates-to",
    "coordinates",
    type=click.Choice(COORDINATE_CHOICES),
    default="as-given",
    show_default=True,
    help=(
        "Degrees to which latitude and longitude are rounded in all that is written; none leaves"
        " them out."
    ),
)
emergence_option = click.option(
    "--emergence",
    type=click.Choice(EMERGENCE_CHOICES),
    default="off",
    show_default=True,
    help=(
        "How openings on record changed how soon plants left the grass stage: off, not at all; on,"
        " sooner; learned, as the survey says."
    ),
)
criterion_option = click.option(
    "--release-criterion",
    type=click.Choice(CRITERION_CHOICES),
    default="change_point",
    show_default=True,
    help=(
        "How releases are told from ring widths: by the model change_point, or by means (Nowacki &"
        " Abrams 1997), medians (Rubino & McCarthy 2004), sustained growth (Lorimer & Frelich 1989)"
        " or absolute increase (Fraver & White 2005). See docs/disturbance.md."
    ),
)
xlsx_option = click.option(
    "--xlsx", is_flag=True, help="The result tables as one workbook too, results.xlsx."
)


style_option = click.option(
    "--style",
    type=click.Choice(STYLE_CHOICES),
    default="screen",
    show_default=True,
    help=(
        "Of the figures: screen, PNG; print, SVG and PNG as wide as a journal's page; grey, the"
        " same without colour."
    ),
)


def fit_options(command):
    """The options of every command that fits, in the order in which `--help` lists them; their list
    is `standage.commands.run_options`.
    """
    shown_first = (
        seed_option,
        level_option,
        profiles_option,
        draws_option,
        chains_option,
        coordinates_option,
        units_option,
        style_option,
    )
    for option in reversed((*shown_first, xlsx_option, criterion_option, emergence_option)):
        command = option(command)
    return command


@click.group(cls=_Commands, context_settings=HELP_OPTIONS)
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
    from standage.survey.forms import write_template

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
@profiles_option
@click.option("--all", "in_full", is_flag=True, help="Every problem on a line of its own.")
def check(survey: str, profile_folder: str | None, in_full: bool) -> None:
    """Report all problems of a SURVEY (folder of CSV, or .xlsx) at once, and what was read."""
    from standage.commands.check_text import check_text, screen_width
    from standage.errors import SurveyError

    try:
        read = _read(survey, profile_folder)
    except SurveyError as refused:
        if not in_full:
            raise
        click.echo(refused.in_full(), err=True)
        sys.exit(BAD_INPUT)
    from standage.evidence.account import account

    told = account(read, profile_folder=profile_folder)
    click.echo(check_text(read, told, in_full=in_full, width=screen_width()))


@main.command()
@click.argument("survey", type=click.Path())
@level_option
@profiles_option
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
    from standage.commands.ages_table import ages_text, write_ages
    from standage.evidence import date_trees

    read = _read(survey, profile_folder)
    table = date_trees(read, level=level, folder=profile_folder)
    click.echo(ages_text(table, level))
    click.echo(f"wrote {write_ages(table, csv_path or f'{read.name}-ages.csv')}")


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
@fit_options
@click.pass_context
def run(
    context: click.Context, survey: str | None, out: str | None, again: str | None, **options
) -> None:
    """Check a SURVEY, fit the stand model, and write tables, figures and a report into a folder."""
    if again is not None:
        _again(context, survey, out, again, options)
        return
    from standage.commands.run import run_survey
    from standage.commands.run_options import RunOptions

    asked = RunOptions(**options)
    result = run_survey(_read(survey, asked.profile_folder), out, options=asked)
    click.echo(result.text)
    if not result.incomplete:
        click.echo(f"\nTables and figures are in {out}; report.html tells it to people")
    _end(result)


def _end(result) -> None:
    """What to know of how a run went, and its exit code."""
    for note in (*result.notes, result.incomplete):
        if note:
            click.echo(note, err=True)
    if not result.passed:
        sys.exit(FIT_FAILED)
    if result.incomplete:
        sys.exit(INCOMPLETE)


def _again(
    context: click.Context, survey: str | None, out: str | None, results: str, options: dict
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
    from standage.commands.repeat import run_again

    repeated = run_again(results, out, survey=survey)
    click.echo(str(repeated))
    for note in (*repeated.run.notes, repeated.run.incomplete):
        if note:
            click.echo(note, err=True)
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
@fit_options
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
def batch(folder: str, out: str, workers: int | None, cluster: str | None, **same_for_all) -> None:
    """Run every survey below FOLDER, many at a time; what is done already is not done again, and no
    survey stops the others.
    """
    from standage.commands.batch import run_batch, told
    from standage.commands.batch_surveys import FAILED, PASSED, BatchSettings

    if workers and cluster:
        raise click.UsageError(
            "--workers is about this machine; a cluster has as many as were started."
        )
    settings = BatchSettings(**same_for_all)
    try:
        outcomes = run_batch(folder, out, settings=settings, workers=workers, cluster=cluster)
    except KeyboardInterrupt:
        click.echo(
            "stopped; the surveys that were done are kept, and the same command goes on with the"
            " others",
            err=True,
        )
        sys.exit(130)
    click.echo(told(outcomes, out))
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
@click.option(
    "--level",
    type=click.FloatRange(0.5, 0.999),
    help="Share of probability inside each interval.  [default: that of the results]",
)
@click.option(
    "--class-years",
    type=click.IntRange(1),
    default=20,
    show_default=True,
    help="Length of the classes of establishment years.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="Order in which draws of separate runs are paired.",
)
@style_option
def compare(
    results: tuple[str, ...], out: str, level: float | None, class_years: int, seed: int, style: str
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


def _complete_tree(context: click.Context, _, begun: str) -> list[str]:
    """Trees of the result that was named before; none where there is no such result, for completing
    must never fail.
    """
    import csv
    from pathlib import Path

    from standage.survey.formula_escapes import unescape

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
@units_option
def card(results: str, tree: str, out: str, units: str) -> None:
    """Write the age card of one TREE of RESULTS (what `run` wrote), a page of HTML: its age, how it
    was found, what its rings say.
    """
    from standage.report.card import write_card

    click.echo(f"wrote {write_card(results, tree, out, units=units)}")


def _complete_species(context: click.Context, _, begun: str) -> list[str]:
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
@profiles_option
def profiles(species: str | None, profile_folder: str | None) -> None:
    """List the species profiles: each number with unit, source and status. With a SPECIES, that
    one.
    """
    from standage.profiles import load_profile, profile_keys

    keys = [species] if species else profile_keys(profile_folder)
    click.echo("\n\n".join(str(load_profile(key, profile_folder)) for key in keys))


def _read(path: str, profile_folder: str | None):
    from standage.profiles import profile_keys
    from standage.survey.reading import read_survey

    usual = gc.get_threshold()
    gc.set_threshold(
        200_000, 20, 100
    )  # cells hold no cycles, and looking for some among millions takes a third of the reading
    try:
        return read_survey(path, known_species=profile_keys(profile_folder))
    finally:
        gc.set_threshold(*usual)
