"""report.html, complete in itself, the answer first; and tree-cards.html, a card a tree. The brief
goes with them.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from importlib.metadata import version
from itertools import count
from pathlib import Path
from typing import Any

import pandas as pd

from standage.choices import FAILED, Units
from standage.findings.findings import Findings
from standage.findings.unit_findings import UnitFindings, rows_of
from standage.prose.cautions import GENERAL_CAUTIONS, SPARE_CAUTIONS, cautions
from standage.prose.disturbance import disturbance_paragraphs
from standage.prose.measures import METRIC, Measures
from standage.prose.methods import assumptions, citations, methods_paragraph
from standage.prose.sensitivity import GRASS_STAGE_OFF, sensitivity_sentences
from standage.prose.short_statement import common_words, short_statement, stocking_note
from standage.prose.tree_story import tree_records, tree_story
from standage.prose.uncertainty import (
    MORE_CORES,
    amount_sentence,
    budget_sentences,
    common_remedies,
    remedy_sentences,
)
from standage.prose.unit_statement import never_known, unit_statement
from standage.prose.verdict import convergence_sentence, grade_sentence, intervals_sentence
from standage.prose.wording import likelihood_ranges
from standage.report.brief import brief_writer
from standage.report.heading import NO_HEADING, Heading
from standage.report.overview import overview
from standage.report.pictures import (
    age_picture,
    budget_picture,
    has_pictures,
    model_pictures,
    ring_pictures,
    unit_pictures,
)
from standage.report.shown_tables import (
    budgets_table,
    checks_table,
    parameters_table,
    sensitivity_table,
)
from standage.report.side_by_side import side_by_side
from standage.report.template import render
from standage.report.tree_table import TREE_HEADS, tree_rows
from standage.report.unit_tables import old_tree_table, unit_tables
from standage.results.provenance import provenance
from standage.stand.posterior import Posterior

FILE = "report.html"
CARDS_FILE = "tree-cards.html"
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
    "accounted_for",
    "read_differently",
    "looks_wrong",
)


def report_writer(findings: Findings, **settings: Any) -> Callable[[Path], None]:
    """What writes report.html, tree-cards.html and the brief into a folder, for
    `write_results(..., also=[...])`. settings: those of `report_html`.
    """
    asked = {name: settings[name] for name in ("units", "heading") if name in settings}

    def report(folder: Path) -> None:
        (folder / FILE).write_text(report_html(findings, **settings), encoding="utf-8")
        cards = tree_cards_html(findings, units=settings.get("units", METRIC))
        (folder / CARDS_FILE).write_text(cards, encoding="utf-8")
        brief_writer(findings, **asked)(folder)

    return report


def report_html(
    result: Posterior | Findings,
    *,
    units: Units = METRIC,
    heading: Heading = NO_HEADING,
    settings: Mapping[str, Any] | None = None,
) -> str:
    """The report as one page of HTML, at the level of the fit or of the findings given.

    Parameters
    ----------
    result : a posterior, or its findings.
    units : `metric`, or `us` for acres, inches and feet beside.
    heading : title, place, crew, date and logo.
    settings : what else provenance should say, such as the sampler.
    """
    findings, measures = Findings.of(result), Measures(units)
    context = {
        **_head(findings, heading),
        **_answer(findings, measures),
        **_stands(findings, measures),
        **_trees(findings, measures),
        **_trust(findings),
        **_methods(findings),
        **_provenance(findings, settings),
    }
    return render("report.html", context, script="table.js")


def tree_cards_html(result: Posterior | Findings, *, units: Units = METRIC) -> str:
    """The cards of all trees as one page of HTML."""
    findings, measures = Findings.of(result), Measures(units)
    context = {
        "title": f"Tree cards: {findings.survey.name}",
        "made_by": "standage",
        "version": version("standage"),
        "failed": findings.fit_grade.grade == FAILED,
        "intervals_sentence": intervals_sentence(findings.level),
        "figure_number": None,
        "stories": [tree_story(tree, measures) for tree in tree_records(findings)],
    }
    return render("tree-cards.html", context, script="table.js")


def _head(findings: Findings, heading: Heading) -> dict[str, Any]:
    survey, verdict = findings.survey, findings.posterior.verdict
    return {
        "title": heading.title or f"Age structure: {survey.name}",
        "heading": heading,
        "figure_number": count(1).__next__,
        "surveyed": surveyed_words(survey.stands),
        "pictured": has_pictures(findings),
        "made_by": "standage",
        "intervals_sentence": intervals_sentence(findings.level),
        "failed": findings.fit_grade.grade == FAILED,
        "grade_sentence": grade_sentence(findings.fit_grade),
        "convergence_sentence": convergence_sentence(verdict),
        "fit_notes": verdict["notes"],
    }


def _answer(findings: Findings, measures: Measures) -> dict[str, Any]:
    units = findings.units
    return {
        "common": common_words(findings, measures),
        "overview": overview(findings, measures),
        "stocking_note": stocking_note(findings),
        "common_remedies": common_remedies(units),
        "never_known": never_known(findings.attribution),
        "rests_on": sensitivity_sentences(findings.prior_sensitivity),
        "warnings": tuple(cautions(findings)),
        "scale": likelihood_ranges(),
    }


def _stands(findings: Findings, measures: Measures) -> dict[str, Any]:
    units = findings.units
    return {
        "units": [
            _stand(findings, unit, number, measures, alone=len(units) == 1)
            for number, unit in enumerate(units)
        ],
        "old_trees": [
            old_tree_table(rows_of(findings.old_trees, unit.summary), unit, measures)
            for unit in units
        ],
        "spare_cautions": SPARE_CAUTIONS,
        "side_by_side": side_by_side(findings),
        "rings": disturbance_paragraphs(findings),
        "ring_pictures": ring_pictures(findings),
    }


def _stand(
    findings: Findings, unit: UnitFindings, number: int, measures: Measures, *, alone: bool
) -> dict[str, Any]:
    statement = unit_statement(unit, measures)
    short, pictured = short_statement(findings, unit, measures), has_pictures(findings)
    return {
        "title": unit.name,
        "sentence": short.headline,
        "age_picture": age_picture(findings, unit, number, alone=alone) if pictured else None,
        "unknown": short.unknown,
        "paragraphs": [
            part for part in (statement.timing, statement.preceded, statement.composition) if part
        ],
        "all_unknown": statement.unknown,
        "remedies": " ".join(remedy_sentences(unit)),
        "pictures": unit_pictures(findings, unit, number) if pictured else [],
        "tables": unit_tables(unit, measures),
    }


def _trees(findings: Findings, measures: Measures) -> dict[str, Any]:
    units = findings.units
    return {
        "uncertainty": {
            "budgets": [
                {"title": unit.name, "sentences": budget_sentences(unit.budget)}
                for unit in units
                if unit.budget is not None
            ],
            "shared": MORE_CORES,
            "amounts": amount_sentence(units),
            "table": budgets_table(units),
            "picture": budget_picture(findings),
        },
        "tree_heads": TREE_HEADS,
        "trees": tree_rows(findings.tree_dates, measures),
        "cards_file": CARDS_FILE,
    }


def _trust(findings: Findings) -> dict[str, Any]:
    return {
        "checks": checks_table(findings.posterior.verdict),
        "model_pictures": model_pictures(findings),
        "parameters": parameters_table(findings.parameters),
        "sensitivity": sensitivity_table(findings.prior_sensitivity),
        "grass_stage_off": GRASS_STAGE_OFF if _has_grass_stage(findings) else "",
    }


def _has_grass_stage(findings: Findings) -> bool:
    return any(profile.has_grass_stage for profile in findings.profiles.values())


def _methods(findings: Findings) -> dict[str, Any]:
    return {
        "methods": methods_paragraph(findings),
        "citations": citations(findings),
        "profiles": [
            {"profile": profile, "standing": profile.standing(), "numbers": assumptions(profile)}
            for profile in findings.profiles.values()
        ],
        "cautions": GENERAL_CAUTIONS,
    }


def _provenance(findings: Findings, settings: Mapping[str, Any] | None) -> dict[str, Any]:
    record = provenance(
        findings.posterior,
        level=findings.level,
        profiles=findings.profiles.values(),
        settings=settings,
    )
    shown = record | record.get("options", {})
    return {
        "accounted_for": record.get("accounted_for", {}).get("in_words", []),
        "looks_wrong": record.get("looks_wrong", []),
        "written": record["written"][:10],
        "version": record["version"],
        "provenance": [
            (key.replace("_", " "), _plain(value))
            for key, value in shown.items()
            if key not in LEFT_OUT
        ],
        "hashes": sorted(record["inputs_sha256"].items()),
        "libraries": sorted(record["libraries"].items()),
    }


def surveyed_words(stands: pd.DataFrame) -> str:
    """When the stands were surveyed, to which all ages are counted."""
    first, last = stands["survey_date"].min(), stands["survey_date"].max()
    return f"{first:%Y-%m-%d}" if first == last else f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"


def _plain(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
