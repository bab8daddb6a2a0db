"""A tree's age card: one page for a landowner, as HTML and as a picture."""

from __future__ import annotations

import difflib
import io
import textwrap
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standage.errors import StandageError
from standage.figures.axes import drawing_axes, new_figure, plain, without_formulas
from standage.figures.disturbance import plot_ring_panel, ring_panel_height
from standage.figures.styles import current_style
from standage.findings import Findings
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import Criterion
from standage.prose.measures import METRIC, Measures
from standage.prose.tree_story import TreeStory, cores_by_tree, file_name_of, tree_story
from standage.prose.unit_answer import points
from standage.report.page import render, ring_spans
from standage.report.pictures import picture
from standage.results.folder import read_told
from standage.stand.posterior import load_posterior
from standage.survey.formula_escapes import table_as_it_was

# in the page's head and the picture's data: what tells an earlier card from somebody's file
NAMED = "standage age card"
PAGE = (8.27, 11.69)  # A4 [inches]
LINE = 92  # characters of a line of text on the picture
HEADINGS = (
    ("Age", "date"),
    ("How it was found", "found"),
    ("How sure", "sure"),
    ("What its rings say", "rings"),
    ("Remarks", "remarks"),
)


@dataclass(frozen=True)
class AgeCard:
    """A tree's story with what the two pictures of it need.

    years : drawn years of establishment, or of reaching the core's height where `at_core`; empty
        where there is none. (draw,)
    rings : its rows of `ring_years`, empty without ring widths.
    survey : its name and the day the stand was surveyed. passed : whether the fit passed its
        checks.
    """

    story: TreeStory
    years: np.ndarray
    at_core: bool
    row: pd.Series
    rings: pd.DataFrame
    survey: str
    level: float
    passed: bool


def write_card(
    results: str | Path, tree: str, out: str | Path = ".", *, units: str = METRIC
) -> tuple[Path, Path]:
    """Writes the age card of one tree of a result as HTML and PNG and returns the two paths.

    Parameters
    ----------
    results : folder written by `standage run`.
    tree : as in `trees.csv`.
    out : folder for the two files, made where it is missing.
    units : `metric`, or `us` for inches and feet beside.

    Raises
    ------
    StandageError where the folder is no result, has no such tree, or a file is in the way that is
    no earlier card.
    """
    card = age_card(results, tree, units=units)
    folder = Path(out)
    page, drawing = (
        folder / f"age-card-{file_name_of(tree)}.{ending}" for ending in ("html", "png")
    )
    html, figure = card_html(card), card_figure(card)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in (page, drawing):
            in_the_way = (
                path.is_symlink() or path.exists()
            )  # a link would be written through, to wherever it leads
            if in_the_way and (
                path.is_symlink() or not path.is_file() or NAMED.encode() not in path.read_bytes()
            ):
                found = "a file that is no age card; it was left as it is"
                raise StandageError.at(
                    path,
                    found,
                    "an earlier age card, or nothing yet",
                    "Choose another folder with --out.",
                )
        drawn = io.BytesIO()
        figure.savefig(
            drawn, format="png", dpi=150, metadata={"Software": NAMED, "Title": card.story.title}
        )
        page.write_text(html, encoding="utf-8")
        drawing.write_bytes(drawn.getvalue())
    except OSError as error:
        found = f"a place that can't be written ({error.strerror})"
        raise StandageError.at(
            folder, found, "a folder for the card", "Choose another folder with --out."
        ) from error
    return page, drawing


def age_card(results: str | Path, tree: str, *, units: str = METRIC) -> AgeCard:
    """What the card of a tree says, read from a folder of results. Raises StandageError as
    `write_card` does.
    """
    folder = Path(results)
    told = read_told(folder)
    if not isinstance(told.get("level"), float) or "survey" not in told:
        advice = "Give the folder that `standage run SURVEY --out FOLDER` wrote."
        raise StandageError.at(folder, "no folder of results", "a folder of results", advice)
    try:
        table = pd.read_csv(
            folder / "tree_dates.csv",
            dtype=dict.fromkeys(("stand", "tree", "species", "plot"), str),
            keep_default_na=False,
            na_values={name: [""] for name in _numbers(folder / "tree_dates.csv")},
        )
    except (OSError, ValueError) as error:
        found = f"a table that can't be read ({error})"
        raise StandageError.at(
            folder / "tree_dates.csv",
            found,
            "the table that `standage run` wrote",
            "Run the survey again.",
        ) from error
    table = table_as_it_was(table)
    rows = table[table["tree"] == tree]
    if rows.empty:
        near = difflib.get_close_matches(tree, list(table["tree"]), 3)
        advice = (
            f"Did you mean {', '.join(near)}?"
            if near
            else f"Its {len(table)} trees are listed in {folder / 'tree_dates.csv'}."
        )
        raise StandageError.at(
            folder,
            f"no tree '{tree}'",
            "the name of a tree of its survey, letter by letter",
            advice,
        )
    row = rows.iloc[0]
    posterior = load_posterior(folder / "posterior.nc")
    survey = posterior.survey
    cores = cores_by_tree(survey.cores).get(tree, survey.cores[:0])
    rings, releases, span = pd.DataFrame(), None, None
    widths = getattr(survey, "ring_widths", None)
    if widths is not None and len(widths) and widths["core"].isin(cores["core"]).any():
        recorded = told.get("release_criterion", MODEL)
        findings = Findings(
            posterior,
            level=told["level"],
            criterion=Criterion(**recorded) if isinstance(recorded, dict) else recorded,
        )
        span = ring_spans(findings.growth_changes).get(tree)
        rings = findings.ring_years.query("tree == @tree")
        releases = findings.tree_releases.query("tree == @tree")
    years, at_core = _drawn_years(posterior, tree)
    story = tree_story(row, cores, Measures(units), releases=releases, rings=span)
    surveyed = (
        survey.stands.loc[survey.stands["stand"] == row["stand"], "survey_date"]
        .dt.strftime("%Y-%m-%d")
        .iloc[0]
    )
    named = f"{told['survey']} of {surveyed}"
    return AgeCard(
        story,
        years,
        at_core,
        row,
        rings,
        named,
        float(told["level"]),
        bool(posterior.verdict["passed"]),
    )


def _numbers(path: Path) -> list[str]:
    """Columns of the table in which a blank is a missing number."""
    text = ("stand", "tree", "species", "plot", "basis", "left_out_reason", "note", "status")
    return [name for name in pd.read_csv(path, nrows=0).columns if name not in text]


def _drawn_years(posterior, tree: str) -> tuple[np.ndarray, bool]:
    (places,) = np.nonzero((posterior.trees["tree"] == tree).to_numpy())
    if not len(places):
        return np.zeros(0), False
    for drawn, at_core in ((posterior.establishment_year, False), (posterior.year_at_core, True)):
        years = drawn[:, places[0]]
        if (years >= 0).any():
            return years[years >= 0].astype(float), at_core
    return np.zeros(0), False


def plot_year(card: AgeCard, *, ax: Axes | None = None) -> Axes:
    """How probable each year of establishment is, with the interval shaded and what was read from
    the core marked.
    """
    style = current_style()
    ax = plain(drawing_axes(ax, height=2.4))
    name = "coring_height_year" if card.at_core else "establishment_year"
    year, count = np.unique(card.years, return_counts=True)
    low, middle, high = points(card.row, name)
    ax.axvspan(low, high + 1, color=style.pulse, zorder=0, linewidth=0)
    ax.bar(
        year, 100 * count / count.sum(), width=1.0, align="edge", color=style.posterior, linewidth=0
    )
    ax.axvline(middle + 0.5, color=style.observed, linewidth=1.2)
    marks = [(middle + 0.5, f"{middle:.0f}")]
    ring = card.row["innermost_ring_year"]
    if pd.notna(ring):
        ax.axvline(float(ring) + 0.5, color=style.observed, linewidth=1.0, linestyle="--")
        marks.append((float(ring) + 0.5, f"innermost ring seen: {ring:.0f}"))
    first, last = ax.get_xlim()
    for level, (place, said) in enumerate(marks):
        across = (place - first) / (
            last - first
        )  # a mark near the edge has its words inside the picture
        side = "left" if across < 0.2 else "right" if across > 0.8 else "center"
        ax.annotate(
            said,
            (place, 1.02 + 0.09 * level),
            xycoords=("data", "axes fraction"),
            ha=side,
            va="bottom",
            fontsize=8,
        )
    ax.set_ylabel("Probability (%)")
    what = "Year of reaching the height of the core" if card.at_core else "Year of establishment"
    ax.set_xlabel(f"{what}; shaded: the years that hold {100 * card.level:.0f} % between them")
    return ax


def card_html(card: AgeCard) -> str:
    """The card as a page of HTML, complete in itself."""
    pictures = []
    if len(card.years):
        pictures.append(
            picture(
                plot_year(card), "years", "How probable each year is.", " ".join(card.story.date)
            )
        )
    if len(card.rings):
        pictures.append(
            picture(
                plot_ring_panel(card.rings), "rings", "Its ring widths.", " ".join(card.story.rings)
            )
        )
    context = {
        "story": card.story,
        "survey": card.survey,
        "level": f"{100 * card.level:.0f} %",
        "passed": card.passed,
        "pictures": pictures,
        "version": version("standage"),
        "title": card.story.title,
        "made_by": NAMED,
    }
    return render("card.html", context)


def card_figure(card: AgeCard) -> Figure:
    """The card as a figure of one A4 page."""
    figure = new_figure(*PAGE)
    figure.set_layout_engine("none")
    blocks = [("", card.story.title)]
    if not card.passed:
        blocks.append(("", "THE FIT BEHIND THIS CARD DID NOT PASS ITS CHECKS: don't use it."))
    blocks += [
        (heading, " ".join(getattr(card.story, name)))
        for heading, name in HEADINGS
        if getattr(card.story, name)
    ]
    top = 0.95
    for number, (heading, said) in enumerate(blocks):
        lines = textwrap.wrap(said, 60 if number == 0 else LINE, break_long_words=True)
        if heading:
            figure.text(0.08, top, heading, fontsize=11, fontweight="bold", va="top")
            top -= 0.022
        size = 16 if number == 0 else 10
        figure.text(
            0.08,
            top,
            "\n".join(lines),
            fontsize=size,
            fontweight="bold" if number == 0 else "normal",
            va="top",
            linespacing=1.35,
        )
        top -= 0.0019 * size * len(lines) * 0.86 + 0.016
    room = top - 0.13
    if len(card.rings):
        share = min(ring_panel_height(1) / PAGE[1], room / 2)
        plot_ring_panel(card.rings, ax=figure.add_axes((0.12, 0.13, 0.8, share * 0.5)))
        room -= share
        bottom = 0.13 + share
    else:
        bottom = 0.13
    if len(card.years):
        height = min(0.22, max(room - 0.07, 0.08))
        plot_year(card, ax=figure.add_axes((0.12, max(top - height - 0.07, bottom), 0.8, height)))
    foot = (
        f'"Between" means: with a probability of {100 * card.level:.0f} %, given the survey'
        f" {card.survey} and the model of standage "
        f"{version('standage')}. A date is evidence, not a licence to burn, cut or plant; coring"
        " wounds a tree, so ask before."
    )
    figure.text(
        0.08, 0.04, "\n".join(textwrap.wrap(foot, 110)), fontsize=8, va="bottom", color="#333333"
    )
    without_formulas(figure)
    return figure
