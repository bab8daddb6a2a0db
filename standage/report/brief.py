"""brief.html and brief.pdf: the answer on two pages, for a plan."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

from standage.choices import FAILED, Units
from standage.findings.findings import Findings
from standage.prose.brief import brief, surveyed_years
from standage.prose.measures import METRIC, Measures
from standage.prose.verdict import grade_sentence
from standage.report.brief_pages import brief_pdf
from standage.report.heading import NO_HEADING, Heading
from standage.report.overview import overview
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
    measures, title = Measures(units), brief_title(findings, heading)
    table = None if has_pictures(findings) else overview(findings, measures)
    return brief_pdf(findings, brief(findings, measures), heading, title, overview=table)


def brief_html(findings: Findings, *, units: Units = METRIC, heading: Heading = NO_HEADING) -> str:
    """The brief as one page of HTML; with a picture a stand, or of many stands a table
    first and no pictures.
    """
    measures, stands, pictured = Measures(units), findings.units, has_pictures(findings)
    context = {
        "title": brief_title(findings, heading),
        "heading": heading,
        "brief": brief(findings, measures),
        "overview": None if pictured else overview(findings, measures),
        "figure_number": None,
        "pictures": [
            age_picture(findings, unit, number, alone=len(stands) == 1)
            for number, unit in enumerate(stands)
        ]
        if pictured
        else [],
        "failed": findings.fit_grade.grade == FAILED,
        "grade_sentence": grade_sentence(findings.fit_grade),
        "made_by": "standage",
        "version": version("standage"),
    }
    return render("brief.html", context)
