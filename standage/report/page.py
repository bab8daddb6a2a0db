"""report.html: one file, complete in itself, the answer first.

Whatever comes from the survey is escaped by the templates. The page's policy forbids every load
from elsewhere and every script but the one whose hash it names, so that nothing in a survey could
run even if the escaping failed.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd

from standage.findings.disturbances import tree_release_table
from standage.findings.events_on_record import stand_events
from standage.growth.growth_changes import GrowthChanges
from standage.profiles import Profile, load_profile
from standage.prose.measures import METRIC, Measures
from standage.prose.methods import assumptions, citations, methods_paragraph
from standage.prose.summary import (
    between_means,
    emergence_paragraphs,
    leaning_sentences,
    ring_paragraphs,
    verdict_sentence,
    warnings_about,
)
from standage.prose.tree_story import cores_by_tree, tree_story
from standage.prose.uncertainty import (
    MORE_CORES,
    Budget,
    amount_sentence,
    budget,
    budget_sentences,
    common_remedies,
    plot_budgets,
    remedy_sentences,
)
from standage.prose.unit_answer import never_told, rows_of, unit_answer, unit_name
from standage.prose.wording import LIKELIHOODS, percent
from standage.report.at_a_glance import glance
from standage.report.pictures import model_pictures, picture, ring_pictures, unit_pictures
from standage.report.shown_tables import TREE_HEADS, ShownTable, shown_tables, tree_rows
from standage.report.side_by_side import compared
from standage.results.provenance import provenance

FILE = "report.html"
# of provenance: what stands elsewhere on the page, and paths, which tell about a computer and not
# about the result
LEFT_OUT = (
    "written",
    "profiles",
    "inputs_sha256",
    "libraries",
    "options",
    "xlsx",
    "profile_folder",
    "survey_path",
    "processor",
)
TEMPLATES = Path(__file__).parent / "templates"
CAUTIONS = (
    (
        'Stems alive today are not all that recruited. Say "living stems that established in", not'
        ' "recruitment in".'
    ),
    (
        "The years below a core come largely from the species profile, and most of its spreads are"
        " assumptions."
    ),
    (
        "Dates of trees that were not cored are a statement about stems of that size in that stand,"
        " not about one tree."
    ),
    (
        "Agreement of a pulse with an event in time is not proof of its effect, and the year of a"
        " release is not proof of what released the trees."
    ),
    (
        "Coring wounds a tree. Ask the landowner, follow local rules on protected trees, cavity"
        " trees and scars of cultural value, and don't core or cut those."
    ),
    (
        "A date with its interval is evidence, not a licence: burning, cutting and planting stay"
        " with those licensed and responsible for them."
    ),
)


def report_writer(
    posterior, tables: Mapping[str, pd.DataFrame], **settings
) -> Callable[[Path], None]:
    """What writes report.html into a folder, for `write_results(..., also=[...])`. settings: those
    of `report_html`.
    """

    def report(folder: Path) -> None:
        (folder / FILE).write_text(report_html(posterior, tables, **settings), encoding="utf-8")

    return report


def report_html(
    posterior,
    tables: Mapping[str, pd.DataFrame],
    *,
    level: float = 0.9,
    units: str = METRIC,
    profiles: Iterable[Profile] | None = None,
    changes: GrowthChanges | None = None,
    settings: Mapping[str, Any] | None = None,
) -> str:
    """The report as one page of HTML.

    Parameters
    ----------
    posterior : the posterior of a survey.
    tables : `Findings(posterior, level=level).tables`.
    level : credible level behind every "between ... and ...".
    units : `metric`, or `us` for acres, inches and feet beside.
    profiles : the profiles the fit used; by default the shipped ones.
    changes : `Findings(posterior).growth_changes`, where the survey has ring widths.
    settings : what else provenance should say, such as the sampler.
    """
    if profiles is None:
        profiles = [load_profile(key) for key in sorted({unit.species for unit in posterior.units})]
    profiles, measures = list(profiles), Measures(units)
    told = provenance(posterior, level=level, profiles=profiles, settings=settings)
    shown = told | told.get("options", {})
    summary_rows = [row for _, row in tables["stand_summary"].iterrows()]
    leaning = tables.get("prior_sensitivity")
    budgets = [budget(row, rows_of(tables["tree_dates"], row)) for row in summary_rows]
    pulses = [rows_of(tables["pulses"], row) for row in summary_rows]
    context = {
        "title": f"Age structure: {posterior.survey.name}",
        "survey": posterior.survey.name,
        "written": told["written"][:10],
        "surveyed": _surveyed(posterior.survey.stands),
        "version": told["version"],
        "made_by": "standage",
        "between_means": between_means(level),
        "verdict": posterior.verdict,
        "verdict_sentence": verdict_sentence(posterior.verdict),
        "glance": glance(summary_rows, measures),
        "answers": [
            unit_answer(row, tables, measures, stand_events(posterior.survey, row["stand"]))
            for row in summary_rows
        ],
        "remedies": [
            " ".join(remedy_sentences(*of_unit))
            for of_unit in zip(summary_rows, budgets, pulses, strict=True)
        ],
        "common_remedies": common_remedies(
            budgets, without_pulse=any(of_unit.empty for of_unit in pulses)
        ),
        "emergence": emergence_paragraphs(posterior, level),
        "never_told": never_told(tables),
        "side_by_side": compared(tables, posterior.survey.events),
        "leaning": leaning_sentences(leaning),
        "warnings": warnings_about(posterior, tables),
        "units": [
            _unit(posterior, row, tables, number, level, measures)
            for number, row in enumerate(summary_rows)
        ],
        "rings": ring_paragraphs(tables),
        "ring_pictures": [] if changes is None else ring_pictures(posterior, changes, level=level),
        "tree_heads": TREE_HEADS,
        "trees": tree_rows(tables["tree_dates"], measures),
        "stories": _stories(posterior, tables["tree_dates"], measures, changes, level),
        "uncertainty": _uncertainty(
            summary_rows, [found for found in budgets if found is not None]
        ),
        "checks": ShownTable.of_checks(posterior.verdict),
        "model_pictures": model_pictures(posterior, level=level),
        "sensitivity": ShownTable.of_sensitivity(leaning),
        "parameters": ShownTable.of_parameters(tables["parameters"]),
        "methods": methods_paragraph(
            posterior,
            level=level,
            profiles=profiles,
            criterion=None if changes is None else changes.criterion,
        ),
        "citations": citations(profiles, leaning=leaning is not None and len(leaning) > 0),
        "profiles": [
            {"profile": profile, "standing": profile.standing(), "numbers": assumptions(profile)}
            for profile in profiles
        ],
        "scale": _scale(),
        "cautions": CAUTIONS,
        "provenance": [
            (key.replace("_", " "), _plain(value))
            for key, value in shown.items()
            if key not in LEFT_OUT
        ],
        "hashes": sorted(told["inputs_sha256"].items()),
        "libraries": sorted(told["libraries"].items()),
    }
    return render("report.html", context, script="table.js")


def _surveyed(stands: pd.DataFrame) -> str:
    """When the stands were surveyed, to which all ages are counted."""
    first, last = stands["survey_date"].min(), stands["survey_date"].max()
    return f"{first:%Y-%m-%d}" if first == last else f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"


def render(template: str, context: Mapping[str, Any], *, script: str | None = None) -> str:
    """A template of this package with the style, and the script if one is named, inside; everything
    else in `context` is escaped.
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: (
            value.replace(" %", "\u00a0%") if type(value) is str else value
        ),  # a figure keeps its sign at line ends
    )
    code = (TEMPLATES / script).read_text(encoding="utf-8") if script else ""
    hashed = base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest()).decode("ascii")
    allowed = f"'sha256-{hashed}'" if script else "'none'"
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:;"
        " base-uri 'none'; form-action 'none'"
    )
    style = (TEMPLATES / "style.css").read_text(encoding="utf-8")
    return environment.get_template(template).render(
        **context, policy=policy, style=style, script=code
    )


def _unit(
    posterior,
    row,
    tables: Mapping[str, pd.DataFrame],
    number: int,
    level: float,
    measures: Measures,
) -> dict[str, Any]:
    return {
        "title": unit_name(row),
        "pictures": unit_pictures(posterior, row, tables, number, level=level),
        "tables": shown_tables(row, tables, measures),
    }


def _stories(
    posterior, trees: pd.DataFrame, measures: Measures, changes: GrowthChanges | None, level: float
) -> list:
    """A story a tree, in the order of the table."""
    cores = cores_by_tree(posterior.survey.cores)
    none = posterior.survey.cores[:0]
    releases, spans = {}, {}
    if changes is not None:
        releases = dict(tuple(tree_release_table(changes, level=level).groupby("tree", sort=False)))
        spans = ring_spans(changes)
    return [
        tree_story(
            row,
            cores.get(row["tree"], none),
            measures,
            releases=releases.get(row["tree"]),
            rings=spans.get(row["tree"]),
        )
        for row in trees.to_dict("records")
    ]


def ring_spans(changes: GrowthChanges) -> dict[str, tuple[int, int]]:
    """First and last year with a ring of each tree that has ring widths."""
    series = changes.series
    spans = {}
    for tree, widths in zip(series.trees, series.widths, strict=True):
        there = series.years[pd.notna(widths)]
        if len(there):
            spans[tree] = (int(there[0]), int(there[-1]))
    return spans


def _uncertainty(summary_rows: list, budgets: list[Budget]) -> dict[str, Any]:
    return {
        "budgets": [
            {"title": found.title, "sentences": budget_sentences(found)} for found in budgets
        ],
        "shared": MORE_CORES,
        "amounts": amount_sentence(summary_rows),
        "table": ShownTable.of_budgets(budgets),
        "picture": (
            picture(
                plot_budgets(budgets),
                "uncertainty",
                "Where the uncertainty of a core taken alone comes from.",
                "; ".join(
                    f"{found.title}: "
                    + ", ".join(
                        f"{name.removeprefix('sd_')} {percent(share)}"
                        for name, share in found.shares.items()
                    )
                    for found in budgets
                )
                + ".",
            )
            if budgets
            else None
        ),
    }


def _scale() -> list[tuple[str, str]]:
    upper = [1.0, *(step.least for step in LIKELIHOODS[:-1])]
    return [
        (
            step.words,
            f"from {100 * step.least:.0f} % to {'' if high == 1 else 'under '}{100 * high:.0f} %",
        )
        for step, high in zip(LIKELIHOODS, upper, strict=True)
    ]


def _plain(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
