"""brief.html and brief.pdf: the answer on two pages, for a plan."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

from standage.choices import Units
from standage.findings.findings import Findings
from standage.findings.fit_grade import FAILED
from standage.prose.brief import brief, surveyed_years
from standage.prose.measures import METRIC, Measures
from standage.prose.verdict import grade_sentence
from standage.report.brief_pages import brief_pdf
from standage.report.heading import NO_HEADING, Heading
from standage.report.pictures import age_picture, has_pictures
from standage.report.template import render

FILE, PAPER = "brief.html", "brief.pdf"


def brief_writer(
    findings: Findings, *, units: Units = METRIC, heading: Heading = NO_HEADING
) -> Callable[[Path], None]:
    """What writes brief.html and brief.pdf into a folder, for `write_results(..., also=[...])`."""

    def brief(folder: Path) -> None:
        (folder / FILE).write_text(
            brief_html(findings, units=units, heading=heading), encoding="utf-8"
        )
        (folder / PAPER).write_bytes(brief_paper(findings, units=units, heading=heading))

    return brief


def brief_title(findings: Findings, heading: Heading) -> str:
    """The title given, or one from the survey; it says where a fit failed."""
    years = surveyed_years(findings)
    title = heading.title or f"Age structure: {findings.survey.name}, surveyed in {years}"
    return f"{title} (THE FIT FAILED)" if findings.fit_grade.grade == FAILED else title


def brief_paper(
    findings: Findings, *, units: Units = METRIC, heading: Heading = NO_HEADING
) -> bytes:
    """The brief as a PDF of A4 pages."""
    words = brief(findings, Measures(units))
    return brief_pdf(findings, words, heading, brief_title(findings, heading))


def brief_html(findings: Findings, *, units: Units = METRIC, heading: Heading = NO_HEADING) -> str:
    """The brief as one page of HTML; with a picture a stand, where they aren't many."""
    words, stands = brief(findings, Measures(units)), findings.units
    context = {
        "title": brief_title(findings, heading),
        "heading": heading,
        "brief": words,
        "figure_number": None,
        "pictures": [
            age_picture(findings, unit, number, alone=len(stands) == 1)
            for number, unit in enumerate(stands)
        ]
        if has_pictures(findings)
        else [],
        "failed": findings.fit_grade.grade == FAILED,
        "grade_sentence": grade_sentence(findings.fit_grade),
        "made_by": "standage",
        "version": version("standage"),
    }
    return render("brief.html", context)
