"""The documents can't drift: pages, commands, links, names and columns are held to the code."""

from __future__ import annotations

import ast
import inspect
import pkgutil
import re
import shlex
import subprocess
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from fake_posterior import fake_posterior

import standage
from standage import figures
from standage.commands.cli import main
from standage.evidence.tree_ages import COLUMNS as AGES_COLUMNS
from standage.figures.result_figures import result_figures
from standage.findings import Findings
from standage.findings.table_reference import table_reference
from standage.findings.tree_dates import TREE_DATES
from standage.profiles import profile_keys, profile_reference
from standage.results.provenance import provenance
from standage.stand.data import STAGES
from standage.stand.verdict_record import Verdict
from standage.survey.column_reference import column_reference

ROOT = Path(__file__).parents[2]
PAGES = sorted(
    [
        ROOT / "README.md",
        ROOT / "DEVELOPERS.md",
        ROOT / "demo" / "README.md",
        *(ROOT / "docs").glob("*.md"),
    ]
)
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "standage",
    "models",
    "tests",
    "demo",
    "docs",
}
GENERATED = "<!-- generated from here on -->\n"


def read(page: str) -> str:
    return (ROOT / page).read_text(encoding="utf-8")


def one_line(text: str) -> str:
    """The text without line breaks, so that a phrase is found however its paragraph is filled."""
    return " ".join(text.split())


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


def without_code_blocks(text: str) -> str:
    return re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE)


# ------------------------------------------------------------------------------
# generated pages


def test_generated_pages_are_up_to_date():
    assert read("docs/survey-tables.md") == column_reference(), (
        "write column_reference() into docs/survey-tables.md"
    )
    for page, reference in (
        ("docs/profiles.md", profile_reference),
        ("docs/results.md", table_reference),
    ):
        assert read(page).split(GENERATED, 1)[1].strip() == reference().strip(), (
            f"write {reference.__name__}() below the mark in {page}"
        )


# ------------------------------------------------------------------------------
# commands


def commands_in(text: str) -> list[str]:
    """Every `standage ...` of a page: in blocks of code, fenced or indented, and between
    backticks.
    """
    found = re.findall(r"`(standage [^`\n]+)`", without_code_blocks(text))
    blocks = re.findall(r"^```sh\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    lines = [line for block in blocks for line in block.splitlines()] + re.findall(
        r"^ {4}(standage [a-z].*)$", text, flags=re.MULTILINE
    )
    for line in lines:
        for part in line.split("&&"):
            words = part.strip().removeprefix(".venv/bin/")
            if words.startswith("standage "):
                found.append(words)
    return found


WRITTEN = [
    (name_of(page), command)
    for page in PAGES
    for command in commands_in(page.read_text(encoding="utf-8"))
]


@pytest.mark.parametrize(("page", "command"), WRITTEN)
def test_written_commands_are_understood(page, command):
    """Parsed as the shell and click would, without being run. A bare name of a command needs no
    arguments.
    """
    words = shlex.split(command, comments=True)[1:]
    if words == ["--version"]:
        assert CliRunner().invoke(main, words).exit_code == 0
        return
    assert words[0] in main.commands, f"{page}: {command}"
    if len(words) > 1:
        main.commands[words[0]].make_context(words[0], words[1:])


def test_a_command_that_is_wrong_would_be_found():
    with pytest.raises(click.UsageError):
        main.commands["run"].make_context(
            "run", ["survey", "--out", "results", "--colour", "green"]
        )
    with pytest.raises(click.UsageError):
        main.commands["run"].make_context("run", ["survey"])
    assert commands_in(
        "see `standage ages`\n```sh\na && .venv/bin/standage run x --out y\n```\n\n    standage"
        " new z\n"
    ) == [
        "standage ages",
        "standage run x --out y",
        "standage new z",
    ]


@pytest.mark.parametrize("name", sorted(main.commands))
def test_commands_explain_themselves_and_are_in_the_readme(name):
    shown = CliRunner().invoke(main, [name, "--help"])
    assert shown.exit_code == 0
    for option in main.commands[name].params:
        if isinstance(option, click.Option) and not option.hidden:
            assert option.opts[0] in shown.output and option.help, f"{name} {option.opts[0]}"
    assert f"standage {name} " in read("README.md")


def test_exit_codes_are_those_of_the_documents():
    from standage.commands.cli import BAD_INPUT, CAME_OUT_OTHERWISE, FIT_FAILED, INCOMPLETE

    every = {0, BAD_INPUT, FIT_FAILED, INCOMPLETE, CAME_OUT_OTHERWISE}
    for page in ("README.md", "docs/results.md"):
        codes = {
            int(code)
            for code in re.findall(r"(?:exits with|[Ee]xit code|and with) (\d)", read(page))
        }
        assert {BAD_INPUT, FIT_FAILED} <= codes <= every, page
    assert f"| a picture or the report fails | {INCOMPLETE} ({FIT_FAILED} if" in read(
        "docs/results.md"
    )
    assert f"exit code {CAME_OUT_OTHERWISE}: some table came out" in one_line(
        read("docs/results.md")
    )


# ------------------------------------------------------------------------------
# links and names


def anchors(text: str) -> set[str]:
    """Headings as anchors, as code hosts make them: lower case, spaces to hyphens, punctuation
    gone.
    """
    headings = re.findall(r"^#+ (.+)$", without_code_blocks(text), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_links_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        file, _, anchor = target.partition("#")
        linked = (page.parent / file).resolve() if file else page
        assert linked.exists(), f"{target}: there is no such file"
        if anchor:
            assert anchor in anchors(linked.read_text(encoding="utf-8")), (
                f"{target}: there is no such heading"
            )


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_files_that_are_named_exist(page):
    named = re.findall(
        r"`((?:standage|tests|docs|models|demo)/[\w./*-]*)`", page.read_text(encoding="utf-8")
    )
    assert [path for path in named if not any(ROOT.glob(path.rstrip("/")))] == []


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_public_names_in_python_examples_exist(page):
    text = page.read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    used = {
        node.attr
        for block in blocks
        for node in ast.walk(ast.parse(block))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == "standage"
    }
    assert used <= set(standage.__all__)
    for name in used:
        assert callable(getattr(standage, name))


def test_every_page_can_be_reached_from_the_readme():
    linked = set(re.findall(r"\]\(([^)#\s]+)\)", read("README.md")))
    assert {name_of(page) for page in PAGES} - {"README.md", "demo/README.md"} <= linked


def test_developers_page_names_every_room():
    table = read("DEVELOPERS.md").split("\n## Rooms\n", 1)[1].split("\n## ", 1)[0]
    named = re.findall(r"^- `standage/(\w+)/`: ", table, flags=re.MULTILINE)
    rooms = {path.parent.name for path in (ROOT / "standage").glob("*/__init__.py")}
    assert len(named) > 9 and sorted(named) == sorted(rooms)


def test_modules_that_are_named_by_their_dots_exist():
    """`standage.room.module.name` of pages, docstrings and comments."""
    wrong = []
    for page in (*PAGES, *(ROOT / "standage").rglob("*.py")):
        text = re.sub(
            r"^from (standage[\w.]*) import (\w+)",
            r"\1.\2",
            read(name_of(page)),
            flags=re.MULTILINE,
        )
        for name in re.findall(r"(?<![\w/-])standage(?:\.[A-Za-z_]\w*)+", text):
            if not leads_somewhere(name):
                wrong.append(f"{name_of(page)}: {name}")
    assert wrong == []
    assert not leads_somewhere("standage.card") and leads_somewhere("standage.report.card")


def leads_somewhere(name: str) -> bool:
    try:
        pkgutil.resolve_name(name)
    except (ImportError, AttributeError):
        return False
    return True


def test_changes_are_dated_and_reach_this_version():
    headings = re.findall(r"^## (.+)$", read("docs/changes.md"), flags=re.MULTILINE)
    assert headings
    for heading in headings:
        assert re.fullmatch(r"\d+\.\d+\.\d+, \d{4}-\d{2}-\d{2}", heading)
    assert headings[0].split(",")[0] == tomllib.loads(read("pyproject.toml"))["project"]["version"]


# ------------------------------------------------------------------------------
# results


def section(text: str, heading: str) -> str:
    return re.split(
        r"^#{1,2} ", text.split(f"\n## {heading}\n", 1)[1], maxsplit=1, flags=re.MULTILINE
    )[0]


def test_ages_table_is_as_the_results_page_says():
    assert list(AGES_COLUMNS) == TREE_DATES.written[:-4]


def test_parameters_verdict_and_provenance_are_documented():
    page = read("docs/results.md")
    table = read("standage/stand/parameter_table.py")
    parameters = set(re.findall(r'Parameter\(\s*"(\w+)"', table)) | {
        f"stage_factor_{stage}" for stage in STAGES
    }
    assert len(parameters) > 10
    assert parameters <= set(re.findall(r"`(\w+)`", section(page, "parameters.csv")))
    verdict = Verdict.__annotations__
    told = re.findall(r"`(\w+)`", section(page, "verdict.json"))
    assert [key for key in verdict if key not in told] == []
    told = re.findall(r"`(\w+)`", section(page, "provenance.json"))
    assert [
        key for key in provenance(fake_posterior(), level=0.9, profiles=[]) if key not in told
    ] == []


def test_figures_are_documented():
    told = re.findall(r"`(\w+)`", section(read("docs/results.md"), "figures/"))
    made = {name for name, _ in result_figures(Findings(fake_posterior()))}
    assert made and made <= set(told)


def test_every_picture_function_is_on_its_page_with_an_image_that_the_script_draws():
    page, script = read("docs/figures.md"), read("demo/make_figures.py")
    functions = [name for name in figures.__all__ if name.startswith("plot_")]
    assert sorted(functions) == sorted(re.findall(r"^## (plot_\w+)$", page, flags=re.MULTILINE))
    for name in functions:
        assert f"figures.{name}(" in page and f"images/{name}.png" in section(page, name), name
        parameters = inspect.signature(getattr(figures, name)).parameters
        assert parameters["ax"].default is None and getattr(figures, name).__doc__, name
    shown = set(re.findall(r"\]\(images/([\w-]+)\.png\)", page))
    assert shown == set(re.findall(r'^ {8}"([\w-]+)": lambda', script, flags=re.MULTILINE))
    images = list((ROOT / "docs" / "images").iterdir())
    pages = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md"))
    assert {image.name for image in images} == set(re.findall(r"\]\(images/([\w-]+\.png)\)", pages))
    assert (
        max(image.stat().st_size for image in images) < 60_000
        and sum(image.stat().st_size for image in images) < 700_000
    )


def test_limits_in_the_documents_are_those_of_the_code():
    from standage.evidence import participation
    from standage.findings import event_lags, events_on_record, local_ratio, planted, pulse_limit
    from standage.findings.attribution import NEEDED_FACTOR, NEEDED_SHARE, NO_EVENT_PRIOR
    from standage.stand import chains, convergence, dated_stems, verdict
    from standage.stand.kernel import convolution

    model, results = (one_line(read(page)) for page in ("docs/the-model.md", "docs/results.md"))
    assert f"at least {participation.FEWEST_STEMS} of its stems" in model
    assert (
        f"oldest - {participation.YEARS_BEFORE_OLDEST_RING}, last - {participation.SHORTEST_AXIS}"
        in model
    )
    assert chains.NEGLIGIBLE_EVIDENCE == 1e-5 and "less than 1e-5 of it" in model
    assert convolution.NEGLIGIBLE == 1e-11 and "down to 1e-11" in model
    assert (
        f"at most {convergence.RHAT_LIMIT} " in model
        and f"over {convergence.RHAT_LIMIT} fails" in results
    )
    assert (
        f"at most {convergence.LOOSE_RHAT_LIMIT} " in model
        and f"over {convergence.LOOSE_RHAT_LIMIT} fails" in results
    )
    assert (
        f"at least {verdict.ESS_LIMIT} " in model and f"under {verdict.ESS_LIMIT} fails" in results
    )
    assert f"below {verdict.CHECK_LIMIT} " in model and f"below {verdict.CHECK_LIMIT} it" in results
    assert f"it is {pulse_limit.ASSUMED_LIMIT} and" in results
    assert f"at least {local_ratio.STANDS_OUT:g} times their living stems" in results
    assert f"and with {local_ratio.NEEDED_EXCESS:g} standard errors more dated stems" in results
    assert event_lags.SEED_CROP_INTERVAL == 6 and "`exp(-l/6)`, `l = 0 .. 30`" in model
    assert event_lags.LONGEST_LAG == 30
    assert f"from {100 * planted.MAY_BE_PLANTED:.0f} % on" in results
    assert f"{planted.NATURAL_PRIOR:.0%}".replace("%", " %") in results
    assert list(event_lags.AFTER_PLANTING.values()) == [0.1, 0.4, 0.4, 0.05, 0.05]
    assert "with 0.1, 0.4, 0.4, 0.05, 0.05" in model
    assert f"each less than {2 * events_on_record.LAG_WINDOW} years after the one before" in results
    assert (
        events_on_record.RECURRING == 3
        and "Three events of a kind or more" in results
        and "Three or more of a kind" in model
    )
    assert (
        NO_EVENT_PRIOR == 0.5
        and 'half of the prior is "none"' in results
        and "Prior: none `1/2`" in model
    )
    assert NEEDED_FACTOR == 3 and "from a factor of 3 on" in model
    assert f"where {100 * NEEDED_SHARE:.0f} % of the posterior agree" in model
    (_, first), (_, second), (_, third) = dated_stems.CLASS_WIDTHS_CM
    assert [up_to for up_to, _ in dated_stems.CLASS_WIDTHS_CM[:2]] == [20, 40]
    assert (
        f"({first:.0f} cm wide up to 20 cm, {second:.0f} cm up to 40 cm, {third:.0f} cm beyond;"
        in model
    )


def test_sampling_in_the_documents_is_that_of_the_code():
    from standage.stand import sampler
    from standage.stand.fit import fit_stands
    from standage.stand.whitening import SMALLEST_CURVATURE

    told = one_line(section(read("docs/the-model.md"), "7. Sampling, and after"))
    usual = {
        name: parameter.default
        for name, parameter in inspect.signature(fit_stands).parameters.items()
    }
    assert f"Each of {usual['chains']} chains" in told
    assert f"{usual['tune']} steps of tuning, at most {usual['draws']} kept draws" in told
    assert f"least curvature below {SMALLEST_CURVATURE} " in told
    assert f"{sampler.PILOT_TUNE} steps of tuning and {sampler.PILOT_DRAWS} draws" in told
    assert f"At {sampler.PILOT_POINTS} of its points" in told
    options = {option.name: option.default for option in main.commands["run"].params}
    assert (options["draws"], options["chains"], options["seed"]) == (
        usual["draws"],
        usual["chains"],
        usual["seed"],
    )


# ------------------------------------------------------------------------------
# the repository


def test_readme_begins_with_the_job():
    first = read("README.md").split("\n\n")[1].lower()
    for word in ("survey", "bayesian", "established", "cohorts", "pulses", "how sure"):
        assert word in first, word


def test_shipped_species_are_in_the_profiles_page():
    page = read("docs/profiles.md")
    assert [key for key in profile_keys() if f"`{key}`" not in page] == []


def test_nothing_else_stands_at_the_top():
    if not (ROOT / ".git").exists():
        pytest.skip("not a git repository: an unpacked source distribution")
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    top = {path.split("/")[0] for path in listed if path and not path.startswith(".")}
    assert top <= TOP_LEVEL, f"not meant to be there: {sorted(top - TOP_LEVEL)}"


# ------------------------------------------------------------------------------
# versions


def test_the_oldest_versions_tested_are_those_promised():
    listed = [
        line
        for line in read("tests/oldest-versions.txt").splitlines()
        if line and not line.startswith("#")
    ]
    tested = dict(line.split("==") for line in listed)
    for promise in tomllib.loads(read("pyproject.toml"))["project"]["dependencies"]:
        name, oldest = re.fullmatch(r"([a-z0-9-]+)>=([0-9.]+)(?:,<.*)?", promise).groups()
        held = tested[name].split(".")[: oldest.count(".") + 1]
        assert held == oldest.split(".") and set("".join(tested[name].split(".")[len(held) :])) <= {
            "0"
        }, promise
