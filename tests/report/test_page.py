"""The report and the cards: one page without any load from elsewhere, whole without script, safe
from whatever a survey holds.
"""

from __future__ import annotations

import base64
import hashlib
import io
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from benchmarks.report_in_browser import BROWSERS
from fake_findings import fake_findings
from fake_posterior import fake_posterior, with_tables
from html_page import HtmlPage, hostile
from matplotlib.figure import Figure

from standage.errors import StandageError
from standage.figures import plot_rate
from standage.figures.axes import without_formulas
from standage.figures.result_figures import result_figures
from standage.figures.stand import cored_years, shade_years
from standage.findings import Findings
from standage.findings.intervals import Interval
from standage.findings.rates import undated_centuries
from standage.findings.uncertainty_budget import STEPS
from standage.prose.measures import Measures
from standage.prose.picture_texts import age_caption
from standage.prose.wording import percent, rounded, year_words
from standage.report import report_html
from standage.report.again import FILES, write_report
from standage.report.brief import brief_html
from standage.report.heading import Heading, read_logo
from standage.report.overview import overview
from standage.report.page import CARDS_FILE, tree_cards_html
from standage.report.shown_tables import Cell, share_cell
from standage.report.unit_tables import unit_tables
from standage.results.writing import write_results

LOADING = {
    "script",
    "img",
    "link",
    "iframe",
    "object",
    "embed",
    "video",
    "audio",
    "source",
    "form",
    "base",
    "image",
}


@pytest.fixture(scope="module")
def page(html):
    return HtmlPage(html)


# ------------------------------------------------------------------------------
# the page as a page


@pytest.mark.slow
def test_elements_are_nested_and_ids_are_unique(page):
    assert page.mistakes == [] and page.open == []
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids)) > 100
    links = [attributes["href"] for tag, attributes in page.elements if tag == "a"]
    assert {link[1:] for link in links if link.startswith("#")} <= set(ids)
    inside = re.findall(
        r"url\(#([^)]+)\)",
        " ".join(value or "" for _, attributes in page.elements for value in attributes.values()),
    )
    assert inside and set(inside) <= set(ids)
    used = [
        value[1:]
        for tag, attributes in page.elements
        if tag == "use"
        for name, value in attributes.items()
        if name.endswith("href")
    ]
    assert used and set(used) <= set(ids)


def test_nothing_is_loaded_from_elsewhere(html, page):
    for tag, attributes in page.elements:
        for name, value in attributes.items():
            if name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
                inside = ("#", "data:,", *([CARDS_FILE] if tag == "a" else []))
                assert value.startswith(inside), f"{tag} {name}={value}"
            assert not name.startswith("on"), f"{tag} {name}"
    assert {tag for tag, _ in page.elements} & LOADING == {"script", "link"}
    assert not re.search(r"@import|url\(\s*['\"]?(?!#)", html)


def test_the_policy_forbids_the_network_and_allows_the_one_script(html, page):
    (policy,) = (
        meta["content"]
        for meta in page.named("meta")
        if meta.get("http-equiv") == "Content-Security-Policy"
    )
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert (
        rules["default-src"] == "'none'"
        and "connect-src" not in rules
        and rules["img-src"] == "data:"
    )
    (script,) = re.findall(r"<script>(.*?)</script>", html, flags=re.DOTALL)
    assert (
        rules["script-src"]
        == f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
    )


def test_headings_tables_and_pictures_can_be_read_aloud(page):
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]
    assert (
        levels[0] == 1
        and levels.count(1) == 1
        and all(after - before <= 1 for before, after in zip(levels, levels[1:], strict=False))
    )
    assert page.named("html")[0]["lang"] == "en" and len(page.named("main")) == 1
    assert all(head.get("scope") in ("col", "row") for head in page.named("th"))
    assert len(page.named("caption")) == len(page.named("table")) > 5
    drawings = page.named("svg")
    assert len(drawings) > 5 and all(
        svg["role"] == "img" and svg["aria-labelledby"] for svg in drawings
    )
    assert page.named("text") and not any(
        "font-glyph" in attributes.get("id", "") for attributes in page.named("path")
    )


@pytest.mark.slow
def test_the_page_is_whole_without_script(html, findings):
    bare = HtmlPage(re.sub(r"<script>.*?</script>", "", html, flags=re.DOTALL))
    assert not any("hidden" in attributes for _, attributes in bare.elements)
    for tree in findings.tree_dates["tree"]:
        assert tree in bare.text


# ------------------------------------------------------------------------------
# what it says


def test_the_answer_comes_first_with_when_how_sure_what_preceded_and_what_cannot_be_told(
    page, findings
):
    text = page.text
    answer = text[: text.index("The stands side by side")]
    pulse = findings.pulses.iloc[0]
    assert (pulse["start_low"], pulse["start_high"], pulse["end_low"], pulse["end_high"]) == (
        1930,
        1930,
        1939,
        1939,
    )
    assert "It began in 1930, and ended in 1939. Its share is" in answer
    unit = findings.units[0]
    when = year_words(*unit.interval("oldest_cored_year"))
    named = f"The oldest cored tree, {unit.summary['oldest_cored_tree']}, established {when}"
    assert f"{named}; the stand is at least " in answer
    assert "A recruitment pulse is virtually certain (more than 99 %)" in answer
    assert "For the date of a tree: what is known worst is years in the grass stage." in text
    assert text.count("Years in the grass stage: enter more stems of known age") == 1
    assert "the logging of one year in 1926-1928" in answer
    assert "None of this is the probability of a cause" in answer
    assert "How many plants established: only those alive today are seen." in answer
    assert (
        "Years of establishment: no coring height is recorded" in answer and "even-aged" in answer
    )
    assert "nan" not in text.lower().split() and "<NA>" not in text


@pytest.mark.slow
def test_a_failed_fit_is_told_before_anything_else():
    failed = fake_posterior(draws=100)
    failed.verdict.update({"passed": False, "notes": ["Run again."]})
    page = HtmlPage(report_html(failed))
    assert page.text.index("THE FIT FAILED") < page.text.index("Fern Flat")
    assert "DID NOT AGREE: largest R-hat" in page.text


@pytest.mark.slow
def test_acres_inches_and_feet_stand_beside_on_request(findings, page):
    us = HtmlPage(report_html(findings, units="us")).text
    assert "per acre" in us and " in)" in us
    assert "per acre" not in page.text and " in)" not in page.text
    unit = findings.units[0]
    (ages,) = (each for each in unit_tables(unit, Measures("us")) if each.heads[0] == "Years")
    assert ages.heads[1:4] == [
        "Stems per hectare",
        "Basal area, m\u00b2 per hectare",
        "Stems per acre",
    ]
    of_years = next(cells for cells in ages.rows if cells[0].text == "1930 to 1939")
    median = unit.cohorts.set_index("first_year").loc[1930, "stems_per_ha_median"]
    assert of_years[3].text == rounded(0.40468564224 * median)  # hectares in an acre, exact


def test_a_caption_counts_the_trees_that_the_picture_shows(findings):
    trees = findings.units[0].trees
    cored = trees.index[(trees["basis"] == "cored") & (trees["status"] == "live")]
    name = "establishment_year_median"
    fewer = trees.assign(**{name: trees[name].mask(trees.index == cored[0])})
    for own in (trees, fewer):
        unit = replace(findings.units[0], trees=own)
        assert f" {len(cored_years(own))} cored trees (" in age_caption(
            unit, findings.survey.events
        )
    assert len(cored_years(fewer)) == len(cored_years(trees)) - 1


MOST_WORDS = 250  # of the answer, a stand


def test_the_answer_of_a_stand_has_at_most_250_words(findings, html):
    """What a reader sees first: headline, caption and what isn't known; tables and the words inside
    pictures are no prose.
    """
    answer = re.search(r'<section id="answer".*?</section>', html, re.DOTALL)
    assert answer
    stands = re.findall(r"<article>.*?</article>", answer[0], re.DOTALL)
    assert len(stands) == len(findings.units)
    for stand in stands:
        prose = re.sub(r"<svg.*?</svg>", " ", stand, flags=re.DOTALL)
        words = HtmlPage(prose).text.split()
        assert 20 < len(words) <= MOST_WORDS


def test_a_page_of_many_stands_lists_them_first_and_has_no_picture_of_each(
    findings, html, monkeypatch
):
    monkeypatch.setattr("standage.report.pictures.MOST_PICTURED", len(findings.units) - 1)
    few = report_html(findings)
    page = HtmlPage(few)
    assert page.mistakes == [] and page.open == []
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    links = [attributes["href"] for tag, attributes in page.elements if tag == "a"]
    assert {link[1:] for link in links if link.startswith("#")} <= set(ids)
    before = few[: few.index("<details")]
    assert all(unit.name in HtmlPage(before).text for unit in findings.units)
    assert "in the folder figures" in page.text and '<section id="answer"' not in few
    answers = re.findall(r'<p class="answer">.*?</p>', html, re.DOTALL)
    assert len(answers) == len(findings.units) and all(each in few for each in answers)
    pairs = len(re.findall(r'<svg[^>]*id="pair-', html))
    assert few.count("<svg") <= pairs + 1 < html.count("<svg") and len(few) < len(html) / 2
    brief = brief_html(findings)
    assert "<svg" not in brief and all(unit.name in brief for unit in findings.units)


def test_methods_assumptions_and_provenance_are_there_with_their_sources(page):
    text = page.text
    assert (
        "were surveyed" in text
        and "Hoffman & Gelman 2014" in text
        and "Duncan 1989, New Zealand Natural Sciences" in text
    )
    assert (
        "median seasons without a stem, in the middle stand" in text
        and "Haywood 2000, New Forests 19:279-290" in text
    )
    assert "0" * 64 in text and "trees.csv" in text
    assert "burning, cutting and planting stay with those licensed" in text


@pytest.mark.slow
def test_a_stand_without_dates_or_pulses_still_makes_a_report():
    posterior = fake_posterior(draws=100)
    bare = Findings(with_tables(posterior, events=posterior.survey.events[:0]))
    for name in ("pulses", "attribution", "prior_sensitivity"):
        setattr(bare, name, getattr(bare, name)[:0])
    bare.tree_dates = bare.tree_dates.assign(**dict.fromkeys(STEPS, np.nan))
    page = HtmlPage(report_html(bare))
    assert page.mistakes == [] and "No recruitment pulse stands out" in page.text
    assert (
        "not worked out one by one" in page.text
        and "This was not worked out for this result" in page.text
    )


# ------------------------------------------------------------------------------
# hostile surveys


@pytest.fixture(scope="module")
def hostile_findings():
    return Findings(hostile(fake_posterior(draws=100)))


def test_links_to_cards_lead_to_them(page, findings):
    """From each tree of the table to its card in the page beside, and cards are there for all."""
    cards = HtmlPage(tree_cards_html(findings))
    assert cards.mistakes == [] and len(cards.named("script")) == 1
    ids = [card["id"] for card in cards.named("details") if card.get("class") == "card"]
    links = [link["href"] for link in page.named("a") if link["href"].startswith(CARDS_FILE + "#")]
    assert [link.partition("#")[2] for link in links] == ids
    assert len(ids) == len(findings.tree_dates) and findings.tree_dates["tree"][0] in cards.text


@pytest.mark.slow
@pytest.mark.parametrize("page_of", [report_html, tree_cards_html])
def test_nothing_of_a_survey_can_run_or_load(hostile_findings, page_of):
    html = page_of(hostile_findings)
    page = HtmlPage(html)
    assert page.mistakes == [] and page.open == [] and page.named("img") == []
    assert len(page.named("script")) == 1
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert not any(name.startswith("on") for _, attributes in page.elements for name in attributes)
    assert not any(
        "x.example" in str(value)
        for tag, attributes in page.elements
        for name, value in attributes.items()
        if name != "aria-label"
    )
    assert page.text.count("alert(1)") > 100
    assert "{{ 7*7 }}" in page.text and "$\\frac{" in page.text
    test_the_policy_forbids_the_network_and_allows_the_one_script(html, page)


@pytest.mark.slow
def test_pictures_of_a_hostile_survey_are_drawn_as_written(hostile_findings):
    """A dollar sign begins no formula: matplotlib would stop at one it can't read."""
    for _, figure in result_figures(hostile_findings):
        without_formulas(figure)
        figure.savefig(io.BytesIO(), format="png", dpi=40)


@pytest.mark.slow
def test_a_passed_fit_is_told_in_short_and_its_numbers_with_its_checks():
    passed = fake_posterior(draws=100)
    passed.verdict.update({"notes": ["The model fits it all."]})
    text = HtmlPage(report_html(passed)).text
    answer, checks = (
        text[: text.index("Stand by stand")],
        text[text.rindex("Can the computation be trusted?") :],
    )
    assert "The fit is sound" in answer and "R-hat" not in answer
    assert "Largest R-hat 1.004" in checks and "The model fits it all." in checks


def test_cells_are_short():
    assert share_cell(Interval(0.001, 0.02, 0.04)) == Cell("2 %", "up to 4 %")
    assert share_cell(Interval(0.02, 0.03, 0.04)) == Cell("3 %", "2 % to 4 %")
    assert share_cell(Interval(0.0, 0.0, 0.001)).below == ""


def test_centuries_without_a_dated_tree_are_greyed(findings):
    rate = pd.DataFrame({"year": np.arange(1650, 2021)})
    rate["dated_stems"] = ((rate["year"] >= 1850) | (rate["year"] == 1720)).astype(int)
    assert undated_centuries(rate) == [1600]
    recent = rate.assign(dated_stems=(rate["year"] == 1990).astype(int))
    assert undated_centuries(recent) == [1600, 1700, 1800]
    assert undated_centuries(rate.assign(dated_stems=0)) == []
    ax = plot_rate(findings.units[0].rate)
    before, limits = len(ax.patches), ax.get_xlim()
    shade_years(ax, [(1700, 1800), (1900, 2000), (2500, 2600)])
    shown = [round(patch.get_x()) for patch in ax.patches[before:]]
    assert shown == [max(round(limits[0]), 1700), 1900][-len(shown) :] and ax.get_xlim() == limits


def test_the_overview_gives_no_year_where_the_sentences_give_none():
    findings = fake_findings()
    unit = findings.units[0]
    heads = (
        "Structure|Pulse|Oldest cored tree, established|Living stems per hectare|Basal area"
        "|Cored trees|Plots"
    )
    table = overview(findings, Measures())
    assert table.heads[1:] == heads.split("|")
    structure, pulse, oldest = table.rows[0][1:4]
    (claim,) = (each for each in findings.claims_of(unit) if each.kind == "structure")
    assert structure == Cell(claim.category, percent(claim.probability))
    assert oldest.text.isdigit() and pulse == Cell("1930 to 1939", "more than 99 %")
    assert table.rows[0][6:] == [
        Cell(str(unit.summary["trees_dated"]), f"of {unit.summary['listed_stems']} stems"),
        Cell(str(unit.summary["plots"]), "0.8 ha"),
    ]
    findings = fake_findings()
    unknown = dict(unit.summary) | {"trees_reach_unknown": unit.summary["trees_dated"]}
    findings.units = (replace(unit, summary=unknown, claims=()), *findings.units[1:])
    cells = overview(findings, Measures()).rows[0]
    assert cells[1].text == cells[3].text == "can't tell"


def test_the_first_picture_is_at_the_top_and_figures_are_numbered_with_what_to_see(page):
    words = page.text[page.text.index("Fern Flat") : page.text.index("Figure 1.")]
    words = words.partition("Histogram")[0]  # what the picture says to those who don't see it
    assert len(words.split()) <= 100
    numbers = [int(number) for number in re.findall(r"Figure (\d+)\.", page.text)]
    assert numbers == list(range(1, len(numbers) + 1)) and len(numbers) > 10
    assert "ticks the data: " in page.text


def test_a_picture_that_would_be_cut_on_a_phone_has_a_narrower_drawing(page):
    names = [drawing["aria-labelledby"] for drawing in page.named("svg")]
    assert {"cohorts-0-title", "cohorts-0-phone-title"} <= set(names)
    boxes = {
        drawing["aria-labelledby"]: float(drawing["viewbox"].split()[2])
        for drawing in page.named("svg")
    }
    for name, width in boxes.items():
        assert width < 290 or name.replace("-title", "-phone-title") in boxes or width < 320


def test_no_more_than_three_lines_of_what_is_not_known_stand_on_the_first_screen(html):
    first = html[html.index('<section id="answer"') : html.index('<section id="overview"')]
    for article in first.split("<article>")[1:]:
        assert article.count("<li>") <= 3


def test_all_but_the_first_screen_is_folded_in_the_order_of_a_readers_questions(page):
    parts = [each["id"] for each in page.named("details") if "part" in each.get("class", "")]
    assert parts[:3] == ["stands", "old-trees", "side-by-side"] and parts[-1] == "provenance"
    assert not any(
        "open" in each for each in page.named("details") if "part" in each.get("class", "")
    )


def test_title_place_crew_date_and_logo_head_the_page(findings, tmp_path, monkeypatch):
    for pictures in ("unit_pictures", "model_pictures", "ring_pictures"):
        monkeypatch.setattr(f"standage.report.page.{pictures}", lambda *_: ())
    dot = io.BytesIO()
    Figure(figsize=(1, 1)).savefig(dot, format="png")
    (tmp_path / "logo.png").write_bytes(dot.getvalue())
    logo = read_logo(tmp_path / "logo.png")
    heading = Heading("A <b>title", "the flats", "two people", "May 2024", logo)
    page = HtmlPage(report_html(findings, heading=heading))
    assert page.mistakes == [] and "A <b>title the flats · two people · May 2024" in page.text
    (image,) = page.named("img")
    assert image["src"].startswith("data:image/png;base64,")
    (tmp_path / "logo.svg").write_text("<svg/>")
    (tmp_path / "cut.png").write_bytes(dot.getvalue()[:100])
    wrongs = (
        ("logo.svg", "no PNG and no JPEG"),
        ("none.png", "can't be read"),
        ("cut.png", "damaged"),
    )
    for wrong, why in wrongs:
        with pytest.raises(StandageError, match=why):
            read_logo(tmp_path / wrong)


# --- in a real browser ---


def test_sources_of_assumptions_and_files_read_are_printed_though_folded(page):
    on_paper = [
        details for details in page.named("details") if "on-paper" in details.get("class", "")
    ]
    assert len(on_paper) == 4  # cautions, methods, a profile's numbers, files and libraries
    style = page.source[page.source.index("@media print") :]
    assert (
        "details.on-paper::details-content { content-visibility: visible" in style
        and "details:not([open]):not(.on-paper)" in style
    )


@pytest.mark.slow
@pytest.mark.skipif(not any(map(shutil.which, BROWSERS)), reason="no Chromium on this machine")
def test_a_real_browser_shows_the_report_without_error_or_request_and_sorts_and_filters_its_trees(
    page, tmp_path
):
    (tmp_path / "report.html").write_text(page.source, encoding="utf-8")
    script = Path(__file__).parents[1] / "benchmarks" / "report_in_browser.py"
    ended = subprocess.run(
        [sys.executable, script, tmp_path, tmp_path / "pictures"], capture_output=True, text=True
    )
    assert ended.returncode == 0 and "no console error, no request, script alive" in ended.stdout, (
        ended.stdout
    )
    assert (tmp_path / "pictures" / "phone.png").stat().st_size > 10_000


# --- made anew ---


@pytest.mark.slow
def test_a_report_is_made_anew_with_a_heading_and_replaces_reports_only(tmp_path):
    folder, out = tmp_path / "result", tmp_path / "out"
    posterior = fake_posterior(draws=100)
    write_results(Findings(posterior), folder, settings={"looks_wrong": ["a stem of 300 cm"]})
    before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    for _ in range(2):  # the second replaces the first
        paths = write_report(folder, out, heading=Heading(title="The flats"))
    assert [path.name for path in paths] == list(FILES)
    page = HtmlPage((out / "report.html").read_text(encoding="utf-8"))
    assert page.text.startswith("The flats") and "a stem of 300 cm" in page.text
    with pytest.raises(StandageError, match="the folder of the result itself"):
        write_report(folder, folder)
    assert {path: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before
    (out / "report.html").write_text("my own notes")
    with pytest.raises(StandageError, match="no earlier report"):
        write_report(folder, out)
    assert (out / "report.html").read_text() == "my own notes"
