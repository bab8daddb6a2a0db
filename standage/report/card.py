"""A tree's age card: one page for a landowner."""

from __future__ import annotations

import difflib
import hashlib
import re
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standage.choices import FAILED, Units
from standage.errors import StandageError
from standage.figures.disturbance import plot_ring_panel
from standage.figures.tree import plot_tree_year
from standage.findings.findings import Findings
from standage.findings.intervals import Interval
from standage.findings.regeneration import STOCKING_PER_HA
from standage.growth.growth_changes import check_criterion
from standage.growth.release_criteria import Criterion
from standage.prose.measures import METRIC, Measures
from standage.prose.tree_story import TreeStory, tree_records, tree_story
from standage.replaced_file import made_folder, whole_file
from standage.report.pictures import Picture, picture
from standage.report.template import render
from standage.results.run_record import read_run_record
from standage.stand.posterior import Posterior, load_posterior

# in the page's head: what tells an earlier card from somebody's file
NAMED = "standage age card"
# characters of an identifier in the name of a file; systems take 255 bytes in all
LONGEST_PART = 100


@dataclass(frozen=True)
class AgeCard:
    """A tree's story with what its pictures need.

    Attributes
    ----------
    years : drawn years of establishment, or of reaching the core's height where `at_core`; empty
        where there is none. (draw,)
    interval : of these years at the level of the findings.
    rings : its rows of `ring_years`, empty without ring widths.
    survey : its name and the day the stand was surveyed.
    failed : whether the fit failed.
    """

    story: TreeStory
    years: np.ndarray
    at_core: bool
    interval: Interval
    innermost_ring: float
    rings: pd.DataFrame
    survey: str
    level: float
    failed: bool


def write_card(
    results: str | Path, tree: str, out: str | Path = ".", *, units: Units = METRIC
) -> Path:
    """Writes the age card of one tree of a result as HTML and returns its path.

    Parameters
    ----------
    results : folder written by `standage run`.
    tree : as in `trees.csv`.
    out : folder for the card, made where it is missing.
    units : `metric`, or `us` for inches and feet beside.

    Raises
    ------
    StandageError where the folder is no result, has no such tree, or a file is in the way that is
    no earlier card.
    """
    html = card_html(age_card(read_findings(results), tree, units=units))
    folder = Path(out)
    path = folder / f"age-card-{file_name_of(tree)}.html"
    try:
        with made_folder(folder):
            # a link would be written through, to wherever it leads
            earlier = (
                path.is_file() and not path.is_symlink() and NAMED.encode() in path.read_bytes()
            )
            if (path.is_symlink() or path.exists()) and not earlier:
                raise StandageError.at(
                    path,
                    "a file that is no age card; it was left as it is",
                    "an earlier age card, or nothing yet",
                    "Choose another folder with --out.",
                )
            with whole_file(path) as half:
                half.write_text(html, encoding="utf-8")
    except OSError as error:
        found = f"a place that can't be written ({error.strerror or error})"
        raise StandageError.at(
            folder, found, "a folder for the card", "Choose another folder with --out."
        ) from error
    return path


def read_findings(results: str | Path) -> Findings:
    """The findings of a folder that `standage run` wrote, as that run had them. Raises
    StandageError where it is none.
    """
    folder = Path(results)
    record = read_run_record(folder)
    criterion, own_profiles = record.release_criterion, record.options.get("profile_folder")
    try:
        rule = Criterion(**criterion) if isinstance(criterion, dict) else criterion
        check_criterion(rule)
    except (TypeError, ValueError) as odd:
        raise StandageError(f"{folder}: its record has no release criterion ({odd}).") from odd
    return Findings(
        load_posterior(folder / "posterior.nc"),
        level=record.level,
        criterion=rule,
        profile_folder=str(folder / own_profiles) if isinstance(own_profiles, str) else None,
        diameter_limit_cm=record.number("diameter_limit", 0.0),
        age_over=record.number("age_over", 0.0),
        stocking_per_ha=record.number("stocking", STOCKING_PER_HA),
    )


def age_card(findings: Findings, tree: str, *, units: Units = METRIC) -> AgeCard:
    """The card of a tree. Raises StandageError where there is no such tree."""
    record = next((each for each in tree_records(findings) if each.row["tree"] == tree), None)
    if record is None:
        raise _no_such_tree(findings, tree)
    posterior, survey = findings.posterior, findings.survey
    years, at_core = _drawn_years(posterior, tree)
    rings = findings.ring_years
    ring = record.row["innermost_ring_year"]
    dates = survey.stands.set_index("stand")["survey_date"]
    return AgeCard(
        story=tree_story(record, Measures(units)),
        years=years,
        at_core=at_core,
        interval=Interval.of(record.row, "coring_height_year" if at_core else "establishment_year"),
        innermost_ring=float("nan") if pd.isna(ring) else float(ring),
        rings=pd.DataFrame() if rings is None else rings[rings["tree"] == tree],
        survey=f"{survey.name} of {dates[record.row['stand']]:%Y-%m-%d}",
        level=findings.level,
        failed=findings.fit_grade.grade == FAILED,
    )


def _no_such_tree(findings: Findings, tree: str) -> StandageError:
    trees = list(findings.tree_dates["tree"])
    near = difflib.get_close_matches(tree, trees, 3)
    advice = (
        f"Did you mean {', '.join(near)}?"
        if near
        else f"Its {len(trees)} trees are listed in tree_dates.csv."
    )
    return StandageError.at(
        findings.survey.name,
        f"no tree '{tree}'",
        "the name of a tree of its survey, letter by letter",
        advice,
    )


def _drawn_years(posterior: Posterior, tree: str) -> tuple[np.ndarray, bool]:
    (columns,) = np.nonzero((posterior.trees["tree"] == tree).to_numpy())
    for drawn, at_core in ((posterior.establishment_year, False), (posterior.year_at_core, True)):
        years = drawn[:, columns[:1]].ravel()
        if (years >= 0).any():
            return years[years >= 0].astype(float), at_core
    return np.zeros(0), False


def card_html(card: AgeCard) -> str:
    """The card as a page of HTML, complete in itself."""
    context: dict[str, Any] = {
        "figure_number": None,
        "story": card.story,
        "survey": card.survey,
        "level": f"{100 * card.level:.0f} %",
        "failed": card.failed,
        "pictures": _pictures(card),
        "version": version("standage"),
        "title": card.story.title,
        "made_by": NAMED,
    }
    return render("card.html", context)


def _pictures(card: AgeCard) -> list[Picture]:
    drawn = []
    if len(card.years):
        what = (
            "Year of reaching the height of the core" if card.at_core else "Year of establishment"
        )
        label = f"{what}; shaded: the years that hold {100 * card.level:.0f} % between them"
        text = " ".join(card.story.date)
        drawn.append(
            picture(
                lambda: plot_tree_year(
                    card.years, card.interval, innermost_ring=card.innermost_ring, label=label
                ),
                "years",
                "How probable each year is.",
                text,
            )
        )
    if len(card.rings):
        text = " ".join(card.story.rings)
        drawn.append(
            picture(partial(plot_ring_panel, card.rings), "rings", "Its ring widths.", text)
        )
    return drawn


def file_name_of(tree: str) -> str:
    """A tree's identifier as part of a file's name: letters, digits, dots and hyphens, and where
    that isn't all of it, a short hash.

    >>> file_name_of("north-7"), file_name_of("Plot 1/Tree 7")
    ('north-7', 'Plot-1-Tree-7-c8fc9d')
    """
    plain = re.sub(r"[^\w.-]+", "-", tree, flags=re.ASCII).strip("-.")[:LONGEST_PART]
    if plain and plain == tree:
        return plain
    # two trees may differ only in what a file's name can't hold
    return f"{plain or 'tree'}-{hashlib.sha256(tree.encode()).hexdigest()[:6]}"
