"""The report and the cards: one page without any load from elsewhere, whole without script, safe
from whatever a survey holds.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from benchmarks.report_in_browser import BROWSERS
from click.testing import CliRunner
from fake_posterior import fake_posterior

from standage.commands.cli import BAD_INPUT, main
from standage.errors import StandageError
from standage.figures.axes import without_formulas
from standage.figures.result_figures import plot_rate, result_figures
from standage.findings import Findings
from standage.findings.cannot_tell import AGREED
from standage.findings.events_on_record import Event
from standage.prose.measures import METRIC, Measures
from standage.prose.tree_story import file_name_of, tree_story
from standage.prose.uncertainty import (
    MORE_CORES_FOR_A_PULSE,
    STEPS,
    budget,
    budget_sentences,
    common_remedies,
    remedy_sentences,
)
from standage.prose.unit_answer import events_words, points, rows_of, unit_answer
from standage.prose.wording import sayable, year_words
from standage.report import card as age_cards
from standage.report import report_html, report_writer
from standage.report.at_a_glance import glance
from standage.report.card import NAMED, write_card
from standage.report.pictures import grey_out, unsupported_centuries
from standage.report.shown_tables import share_cell, shown_tables
from standage.results.writing import write_results

HOSTILE = (
    "</script><script>alert(1)</script>\"'><img src=//x.example onerror=alert(2)> $\\frac{ & {{"
    " 7*7 }}"
)
VOID = {"meta", "link", "img", "br", "input", "hr"}
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


class Page(HTMLParser):
    """Elements of a page with their attributes, its text without script and style, and whether
    every element is closed in order.
    """

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.source = text
        self.elements, self.open, self.texts, self.mistakes = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.mistakes.append(f"</{tag}> inside {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("script", "style"):
            self.texts.append(data)

    def named(self, tag: str) -> list[dict]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def with_steps(tables: dict) -> dict:
    """The tables with what each step adds for cored trees, as `date_trees` would give it."""
    trees = tables["tree_dates"].copy()
    cored = trees["basis"] == "cored"
    for name, years in zip([step.column for step in STEPS], (1.0, 2.0, 2.0, 4.0), strict=True):
        trees[name] = np.where(cored, years, np.nan)
    return tables | {"tree_dates": trees}


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=100)


@pytest.fixture(scope="module")
def tables(posterior):
    return with_steps(Findings(posterior).tables)


@pytest.fixture(scope="module")
def html(posterior, tables):
    return report_html(posterior, tables)


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


@pytest.fixture(scope="module")
def result(posterior, tables, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report") / "result"
    return write_results(posterior, folder, also=[report_writer(posterior, tables)])


# ------------------------------------------------------------------------------
# the page as a page


def test_elements_are_nested_and_ids_are_unique(page):
    assert page.mistakes == [] and page.open == []
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids)) > 100
    links = [attributes["href"] for tag, attributes in page.elements if tag == "a"]
    assert links and {link.removeprefix("#") for link in links} <= set(ids)
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
                assert value.startswith(("#", "data:,")), f"{tag} {name}={value}"
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
    assert (
        page.named("html")[0]["lang"] == "en"
        and len(page.named("main")) == 1
        and page.named("nav")[0]["aria-label"]
    )
    assert all(head.get("scope") in ("col", "row") for head in page.named("th"))
    assert len(page.named("caption")) == len(page.named("table")) > 5
    drawings = page.named("svg")
    assert len(drawings) > 5 and all(
        svg["role"] == "img" and svg["aria-labelledby"] for svg in drawings
    )
    assert page.named("text") and not any(
        "font-glyph" in attributes.get("id", "") for attributes in page.named("path")
    )


def test_the_page_is_whole_without_script(html, tables):
    bare = Page(re.sub(r"<script>.*?</script>", "", html, flags=re.DOTALL))
    assert not any("hidden" in attributes for _, attributes in bare.elements)
    for tree in tables["tree_dates"]["tree"]:
        assert tree in bare.text
    assert len([card for card in bare.named("details") if card.get("class") == "card"]) == len(
        tables["tree_dates"]
    )


# ------------------------------------------------------------------------------
# what it says


def test_the_answer_comes_first_with_when_how_sure_what_preceded_and_what_cannot_be_told(
    page, tables
):
    text = page.text
    answer = text[
        text.index("The answer") : text.index("Stand by stand", text.index("What can't be told"))
    ]
    pulse = tables["pulses"].iloc[0]
    assert (pulse["start_low"], pulse["start_high"], pulse["end_low"], pulse["end_high"]) == (
        1930,
        1930,
        1939,
        1939,
    )
    assert "It began in 1930, and ended in 1939. Its share of the living stems is between" in answer
    oldest = tables["stand_summary"].iloc[0]
    assert (
        f"The oldest tree that is dated established {year_words(*points(oldest, 'oldest_year'))}."
        in answer
    )
    assert "A recruitment pulse is virtually certain (more than 99 %)" in answer
    assert (
        "What would make it surer. For the date of a tree: what is known worst is years in the"
        " grass stage." in answer
    )
    assert answer.count("Years in the grass stage: enter more stems of known age") == 1
    assert "What preceded it." in answer and "the logging of some year from 1926 to 1928" in answer
    assert "Agreement in time is not proof of cause." in answer
    assert "How many plants established: only those alive today are seen." in answer
    assert (
        "Years of establishment: no coring height is recorded" in answer and "even-aged" in answer
    )
    assert "nan" not in text.lower().split() and "<NA>" not in text


def test_a_failed_fit_is_told_before_anything_else(tables):
    failed = fake_posterior(draws=100)
    failed.verdict |= {"passed": False, "notes": ["Run again."]}
    page = Page(report_html(failed, tables))
    assert page.text.index("THE FIT DID NOT PASS") < page.text.index("Contents")
    assert "DID NOT PASS their checks" in page.text


def test_acres_inches_and_feet_stand_beside_on_request(posterior, tables, page):
    us = Page(report_html(posterior, tables, units="us")).text
    assert "per acre" in us and " in)" in us
    assert "per acre" not in page.text and " in)" not in page.text
    measures = Measures("us")
    said = "between 100 and 300 stems per hectare, most likely around 200"
    assert (
        measures.stems_between(100, 200, 300) == f"{said} (40 to 120 per acre)"
    )  # times 0.40468564224
    assert Measures().stems_between(100, 200, 300) == said
    assert (
        measures.basal_area(20) == "20 m\u00b2 per hectare (87 ft\u00b2 per acre)"
    )  # 1 m2/ha = 4.356 ft2/acre
    assert (
        measures.diameter(25.4) == "25.4 cm (10.0 in)"
        and measures.height(137.16) == "137.2 cm (4.5 ft)"
    )
    assert (
        measures.beside_cm("stems from 22 cm up to 25.4 cm")
        == "stems from 22 cm (8.7 in) up to 25.4 cm (10.0 in)"
    )
    assert Measures().beside_cm("from 22 cm up") == "from 22 cm up"
    row = tables["stand_summary"].iloc[0]
    cohorts = shown_tables(row, tables, measures)[-1]
    assert cohorts.heads == ["Years", "Share of the stems", "Stems per hectare", "Stems per acre"]
    of_year = next(cells for cells in cohorts.rows if cells[0].text == "1930 to 1939")
    middle = (
        rows_of(tables["cohorts"], row).set_index("first_year").loc[1930, "stems_per_ha_median"]
    )
    assert of_year[3].text == sayable(0.40468564224 * middle)
    with pytest.raises(ValueError, match="metric"):
        Measures("feet")


def test_methods_assumptions_and_provenance_are_there_with_their_sources(posterior, page):
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


def test_a_stand_without_dates_or_pulses_still_makes_a_report(tables):
    bare = fake_posterior(draws=100)
    bare.survey.events = bare.survey.events[:0]
    empty = tables | {
        name: tables[name][:0] for name in ("pulses", "attribution", "prior_sensitivity")
    }
    empty["tree_dates"] = tables["tree_dates"].assign(**{step.column: np.nan for step in STEPS})
    page = Page(report_html(bare, empty))
    assert page.mistakes == [] and "No recruitment pulse stands out" in page.text
    assert (
        "not worked out one by one" in page.text
        and "This was not worked out for this result" in page.text
    )


# ------------------------------------------------------------------------------
# hostile surveys


def hostile(posterior, tables):
    """Posterior and tables in which every name that people type is hostile."""

    def spoilt(table: pd.DataFrame) -> pd.DataFrame:
        table = table.copy()
        for name in ("stand", "tree", "plot", "event", "note", "community", "core"):
            if name in table:
                table[name] = [
                    f"{HOSTILE} {value}" if str(value) else value for value in table[name]
                ]
        return table

    posterior.units = tuple(
        SimpleNamespace(**vars(unit) | {"stand": f"{HOSTILE} {unit.stand}"})
        for unit in posterior.units
    )
    posterior.trees = spoilt(posterior.trees)
    for name in ("stands", "plots", "trees", "cores", "counts", "events"):
        setattr(posterior.survey, name, spoilt(getattr(posterior.survey, name)))
    posterior.survey.name = HOSTILE
    posterior.survey.hashes = {HOSTILE: "0" * 64}
    posterior.notes = (HOSTILE,)
    posterior.verdict |= {"notes": [HOSTILE]}
    return posterior, {name: spoilt(table) for name, table in tables.items()}


def test_nothing_of_a_survey_can_run_or_load(tables):
    spoilt = hostile(fake_posterior(draws=100), tables)
    html = report_html(*spoilt)
    page = Page(html)
    assert page.mistakes == [] and len(page.named("script")) == 1 and page.named("img") == []
    assert not any(name.startswith("on") for _, attributes in page.elements for name in attributes)
    assert not any(
        "x.example" in str(value)
        for tag, attributes in page.elements
        for name, value in attributes.items()
        if name != "aria-label"
    )
    assert (
        page.text.count("alert(1)") > 100 and "{{ 7*7 }}" in page.text and "$\\frac{" in page.text
    )
    test_elements_are_nested_and_ids_are_unique(page)
    test_the_policy_forbids_the_network_and_allows_the_one_script(html, page)


def test_pictures_of_a_hostile_survey_are_drawn_as_written(tables):
    """A dollar sign begins no formula: matplotlib would stop at one it can't read."""
    for figure in result_figures(*hostile(fake_posterior(draws=100), tables), level=0.9).values():
        without_formulas(figure)
        figure.savefig(io.BytesIO(), format="png", dpi=40)


# ------------------------------------------------------------------------------
# uncertainty, grey centuries


def test_the_budget_is_that_of_the_squares(tables):
    row = tables["stand_summary"].iloc[0]
    trees = tables["tree_dates"]
    found = budget(row, trees[trees["stand"] == row["stand"]])
    assert found.alone == pytest.approx(5.0)  # 1 + 4 + 4 + 16 = 25
    assert found.shares["sd_grass"] == pytest.approx(16 / 25) and sum(
        found.shares.values()
    ) == pytest.approx(1)
    assert found.without["sd_grass"] == pytest.approx(3.0) and found.most.column == "sd_grass"
    said = " ".join(budget_sentences(found))
    assert (
        "years in the grass stage (64 %)" in said
        and "5.0 years would become 3.0." in said
        and "coring can't lower it" in said
    )
    assert budget(row, trees.assign(**{step.column: np.nan for step in STEPS})) is None


def test_what_would_sharpen_pulses_follows_from_what_their_centres_share(tables):
    row = tables["stand_summary"].iloc[0]

    def said(*parts: float) -> list[str]:
        told = remedy_sentences(
            row,
            None,
            pd.DataFrame({"pulse": range(1, len(parts) + 1), "shared_part_of_centre": parts}),
        )
        return [sentence for sentence in told if "pulse" in sentence]

    (mostly_shared,) = said(0.7)
    assert mostly_shared.startswith(
        "For the years of the pulse: 70 % of the variance of its centre is that of the years below"
        " the cores"
    )
    first, second = said(0.2, 0.9)
    assert (
        first.startswith("For the years of pulse 1: more cored trees of those years; 20 %")
        and "pulse 2: 90 %" in second
    )
    assert len(said(np.nan, 0.9)) == 1 and "pulse 2" in said(np.nan, 0.9)[0]
    assert (
        said(np.nan)
        == said()
        == remedy_sentences(row, None, pd.DataFrame({"pulse": [1]}))[1:]
        == []
    )  # not worked out: nothing is said
    found = budget(row, rows_of(tables["tree_dates"], row))
    steps = common_remedies([None, found, found], without_pulse=False)
    assert steps == [
        "Years in the grass stage: enter more stems of known age (sections.csv) and count"
        " grass-stage and emerging plants on more subplots; coring can't lower it."
    ]
    assert (
        common_remedies([found], without_pulse=True) == [*steps, MORE_CORES_FOR_A_PULSE]
        and "12 cored trees" in MORE_CORES_FOR_A_PULSE
    )


def test_a_passed_fit_is_told_in_short_and_its_numbers_with_its_checks(tables):
    passed = fake_posterior(draws=100)
    passed.verdict |= {"notes": ["The model fits it all."]}
    text = Page(report_html(passed, tables)).text
    answer, checks = (
        text[: text.index("Stand by stand", 2000)],
        text[text.rindex("Can the computation be trusted?") :],
    )
    assert (
        "passed its checks" in answer
        and "The model fits it all." in answer
        and "R-hat" not in answer
    )
    assert "The fit passed its checks (largest R-hat 1.004" in checks


def test_cells_are_short(tables):
    assert (share_cell(0.001, 0.02, 0.04).text, share_cell(0.001, 0.02, 0.04).below) == (
        "2 %",
        "up to 4 %",
    )
    assert (
        share_cell(0.02, 0.03, 0.04).below == "2 % to 4 %"
        and share_cell(0.0, 0.0, 0.001).below == ""
    )
    assert Measures("us").basal_area_parts(20) == (
        "20 m\u00b2/ha",
        "= 87 ft\u00b2/acre",
    )  # 1 m2/ha = 4.356 ft2/acre
    assert Measures().basal_area_parts(20) == ("20 m\u00b2/ha", "")


def test_centuries_without_a_dated_tree_are_greyed(tables):
    rate = pd.DataFrame({"year": np.arange(1650, 2021)})
    rate["dated_stems"] = ((rate["year"] >= 1850) | (rate["year"] == 1720)).astype(int)
    assert unsupported_centuries(rate) == [1600]
    assert unsupported_centuries(rate.assign(dated_stems=(rate["year"] == 1990).astype(int))) == [
        1600,
        1700,
        1800,
    ]
    assert unsupported_centuries(rate.assign(dated_stems=0)) == []
    of_stand = tables["rate"][tables["rate"]["stand"] == "Fern Flat"]
    ax = plot_rate(of_stand)
    before, limits = len(ax.patches), ax.get_xlim()
    grey_out(ax, [1700, 1900, 2500])
    shown = [patch for patch in ax.patches[before:]]
    assert [round(patch.get_x()) for patch in shown] == [max(round(limits[0]), 1700), 1900][
        -len(shown) :
    ] and ax.get_xlim() == limits


# ------------------------------------------------------------------------------
# cards


@pytest.fixture
def loads_fake(posterior, monkeypatch):
    monkeypatch.setattr(age_cards, "load_posterior", lambda path: posterior)


def test_a_card_says_how_old_how_found_and_what_the_rings_say(result, tables, loads_fake, tmp_path):
    tree = (
        tables["tree_dates"].query("basis == 'cored' and establishment_year_median.notna()").iloc[0]
    )
    html, png = write_card(result, tree["tree"], tmp_path / "cards")
    page = Page(html.read_text(encoding="utf-8"))
    assert page.mistakes == [] and page.named("script") == [] and len(page.named("svg")) == 1
    assert (
        f"between {tree['establishment_year_low']} and {tree['establishment_year_high']}"
        in page.text
    )
    assert (
        "How it was found" in page.text
        and f"that of {int(tree['innermost_ring_year'])}" in page.text
    )
    assert "What its rings say No ring widths were measured" in page.text
    assert png.read_bytes().startswith(b"\x89PNG") and NAMED.encode() in png.read_bytes()
    assert write_card(result, tree["tree"], tmp_path / "cards") == (html, png)


def test_a_tree_dated_by_size_or_at_its_core_is_told_as_such(result, tables, loads_fake, tmp_path):
    trees = tables["tree_dates"]
    by_size = Page(
        write_card(result, trees.query("basis == 'size'")["tree"].iloc[0], tmp_path)[0].read_text(
            encoding="utf-8"
        )
    )
    assert "too widely for a claim about one tree" in by_size.text
    at_core = Page(
        write_card(result, trees.query("stand == 'Stony Ridge'")["tree"].iloc[0], tmp_path)[
            0
        ].read_text(encoding="utf-8")
    )
    assert (
        "reached the height of its core" in at_core.text
        and "When it established can't be told" in at_core.text
    )
    untold = Page(write_card(result, "F-oak", tmp_path)[0].read_text(encoding="utf-8"))
    assert "no profile for species" in untold.text.lower() and "can't be told" in untold.text


def test_cards_refuse_what_is_no_result_no_tree_or_in_the_way(result, loads_fake, tmp_path):
    with pytest.raises(StandageError, match="no folder of results"):
        write_card(tmp_path, "F1")
    with pytest.raises(StandageError, match="Did you mean .*F10"):
        write_card(result, "F100", tmp_path)
    (tmp_path / "age-card-F1.html").write_text("mine", encoding="utf-8")
    with pytest.raises(StandageError, match="no age card"):
        write_card(result, "F1", tmp_path)
    assert (tmp_path / "age-card-F1.html").read_text(encoding="utf-8") == "mine" and not (
        tmp_path / "age-card-F1.png"
    ).exists()


def test_the_command_writes_a_card_and_refuses_plainly(result, loads_fake, tmp_path):
    done = CliRunner().invoke(
        main, ["card", str(result), "F1", "--out", str(tmp_path), "--units", "us"]
    )
    assert done.exit_code == 0 and f"wrote {tmp_path / 'age-card-F1.html'}" in done.output, (
        done.output
    )
    assert " in)" in (tmp_path / "age-card-F1.html").read_text(encoding="utf-8")
    refused = CliRunner().invoke(main, ["card", str(result), "nobody", "--out", str(tmp_path)])
    assert (
        refused.exit_code == BAD_INPUT
        and "found no tree 'nobody'" in refused.output
        and "Traceback" not in refused.output
    )


def test_rings_are_told_where_they_were_measured(tables):
    row = tables["tree_dates"].iloc[0]
    change = {
        "kind": "release",
        "probability": 0.95,
        "year_low": 1926,
        "year_median": 1927,
        "year_high": 1928,
    }
    change |= {
        "change_percent_low": 40.0,
        "change_percent_median": 80.0,
        "change_percent_high": 120.0,
        "criterion": "change_point",
    }
    story = tree_story(
        row, pd.DataFrame(), Measures(), releases=pd.DataFrame([change]), rings=(1900, 2019)
    )
    said = " ".join(story.rings)
    assert (
        "measured from 1900 to 2019" in said
        and "grow faster for long (by about 80 %) between 1926 and 1928" in said
    )
    assert "very likely (95 %)" in said and "not proof" in said
    quiet = tree_story(row, pd.DataFrame(), Measures(), releases=pd.DataFrame(), rings=(1900, 2019))
    assert "No lasting change" in " ".join(quiet.rings)


def test_a_card_with_rings_draws_them(tables):
    """On the page and on the picture; a long name or an odd one doesn't break either."""
    row = tables["tree_dates"].iloc[0].copy()
    row["tree"] = HOSTILE
    years = np.arange(1900, 2020)
    rings = pd.DataFrame(
        {
            "stand": "Fern Flat",
            "tree": HOSTILE,
            "species": "longleaf-pine",
            "year": years,
            "width_mm": 1 + (years > 1950),
        }
    )
    rings = rings.assign(
        release_probability=np.where(years == 1951, 0.9, 0.0),
        suppression_probability=0.0,
        criterion="change_point",
    )
    story = tree_story(row, pd.DataFrame(), Measures(), releases=pd.DataFrame(), rings=(1900, 2019))
    drawn = np.random.default_rng(1).integers(1890, 1900, 200).astype(float)
    card = age_cards.AgeCard(story, drawn, False, row, rings, "invented", 0.9, False)
    page = Page(age_cards.card_html(card))
    assert (
        page.mistakes == []
        and len(page.named("svg")) == 2
        and page.named("script") == []
        and page.named("img") == []
    )
    assert "did not pass its checks" in page.text
    figure = age_cards.card_figure(card)
    figure.canvas.draw()
    assert len(figure.axes) == 2 and any("DID NOT PASS" in text.get_text() for text in figure.texts)
    upper, lower = sorted((ax.get_position() for ax in figure.axes), key=lambda box: -box.y0)
    words = min(text.get_window_extent().y0 for text in figure.texts[:-1]) / figure.bbox.height
    assert lower.y1 < upper.y0 and upper.y1 < words


def test_names_of_trees_become_names_of_files():
    assert file_name_of("north-1-07_a") == "north-1-07_a"
    others = (
        "../../etc/passwd",
        "etc/passwd",
        "/dev/null",
        "a b/c",
        "a-b/c",
        "///",
        "..",
        "",
        "CON\x00",
        "дерево",
        "x" * 300,
    )
    names = [file_name_of(tree) for tree in others]
    assert (
        names[0].startswith("etc-passwd-")
        and names[5].startswith("tree-")
        and len(set(names)) == len(others)
    )
    assert all(re.fullmatch(r"[\w-][\w.-]{,120}", name, flags=re.ASCII) for name in names)


def test_a_card_is_never_written_through_a_link(result, loads_fake, tmp_path):
    mine = tmp_path / "mine.html"
    (tmp_path / "age-card-F1.html").symlink_to(mine)
    with pytest.raises(StandageError, match="no age card"):
        write_card(result, "F1", tmp_path)
    assert not mine.exists() and not (tmp_path / "age-card-F1.png").exists()


def test_the_report_belongs_to_the_result(result):
    files = json.loads((result / "provenance.json").read_text(encoding="utf-8"))["files"]
    assert "report.html" in files and (result / "report.html").read_text(
        encoding="utf-8"
    ).startswith("<!DOCTYPE html>")


# --- the answer and the table above it say alike ---


def test_the_table_at_a_glance_gives_no_year_where_the_sentences_give_none(tables):
    row = tables["stand_summary"].iloc[0].copy()
    table = glance([row], Measures(METRIC))
    assert table.heads[3:5] == ["Oldest tree", "Half of the stems came in"]
    assert table.rows[0][3].text.isdigit() and table.rows[0][4].text == "many ages"
    row["oldest_year_low"] = row["years_from"]
    row["half_span_agreed"] = AGREED - 0.01
    (cells,) = glance([row], Measures(METRIC)).rows
    assert cells[3].text == f"{int(row['oldest_year_high'])} or before"
    assert cells[4].text == "can't tell which" and cells[4].below.startswith("within")
    said = " ".join(
        unit_answer(row, tables, Measures(METRIC)).stands_there
        + unit_answer(row, tables, Measures(METRIC)).when
    )
    assert f"in {int(row['oldest_year_high'])} or before" in said and "can't be told well" in said
    row["trees_reach_unknown"] = row["trees_dated"]
    (cells,) = glance([row], Measures(METRIC)).rows
    assert cells[3].text == cells[4].text == "can't tell"


def test_ten_years_with_many_stems_are_named_though_they_are_no_pulse(tables):
    row = tables["stand_summary"].iloc[0]
    cohorts = tables["cohorts"][tables["cohorts"]["stand"] == row["stand"]].copy()
    recent = cohorts["first_year"] == cohorts["first_year"].max()
    for point, share in (("low", 0.19), ("median", 0.43), ("high", 0.67)):
        cohorts.loc[recent, f"share_{point}"] = share
    first, last = cohorts.loc[recent, ["first_year", "last_year"]].iloc[0]
    said = " ".join(unit_answer(row, {**tables, "cohorts": cohorts}, Measures(METRIC)).when)
    assert (
        f"The share of the years {first} to {last} is between 19 % and 67 %, most likely around 43"
        " %; no cored tree" in said
    )
    pulse = tables["pulses"].iloc[0]
    assert (
        f"The share of the years {int(pulse['start_median'])}" not in said
    )  # a pulse has its own sentence


def test_events_on_record_are_told_with_and_without_a_pulse(tables):
    row = tables["stand_summary"].iloc[0]
    events = [
        Event("e1", "turpentining", 1906, 1909, 1915.0, np.nan, np.nan),
        Event("e2", "storm", 1965, 1965, np.nan, np.nan, np.nan),
        *(
            Event(f"f{year}", "fire", year, year, np.nan, np.nan, np.nan, recurring=True)
            for year in (1990, 1993, 1996)
        ),
    ]
    told = (
        "On record: fire again and again from 1990 to 1996; turpentining begun in some year from"
        " 1906 to 1909 and ended in 1915; "
    )
    told += "storm in 1965."
    assert events_words(events) == told
    with_pulse = unit_answer(row, tables, Measures(METRIC), events)
    assert with_pulse.preceded[0] == told
    without = unit_answer(
        row, {**tables, "pulses": tables["pulses"].iloc[:0]}, Measures(METRIC), events
    )
    assert (
        without.preceded == ()
        and without.when[-1].startswith(told)
        and "Without a pulse" in without.when[-1]
    )
    assert unit_answer(row, tables, Measures(METRIC)).preceded == with_pulse.preceded[1:]


def test_the_extra_stems_of_a_pulse_have_acres_beside_them_where_asked(tables):
    row = tables["stand_summary"].iloc[0]
    said = " ".join(unit_answer(row, tables, Measures("us")).when)
    assert re.search(
        r"between [\d.]+ and [\d.]+ per hectare \([\d.]+ to [\d.]+ per acre\) more than the years"
        r" around it",
        said,
    )


# --- in a real browser ---


def test_sources_of_assumptions_and_files_read_are_printed_though_folded(page):
    on_paper = [details for details in page.named("details") if details.get("class") == "on-paper"]
    assert len(on_paper) >= 2  # a profile's numbers; files and libraries
    style = page.source[page.source.index("@media print") :]
    assert (
        "details.on-paper::details-content { content-visibility: visible" in style
        and "details:not([open]):not(.on-paper)" in style
    )


def test_what_can_t_be_told_of_amounts_has_acres_beside_it_where_asked(tables):
    row = tables["stand_summary"].iloc[0].copy()
    (
        row["grass_stage_per_ha_low"],
        row["grass_stage_per_ha_median"],
        row["grass_stage_per_ha_high"],
    ) = (
        25.0,
        70.0,
        200.0,
    )
    (said,) = (
        each
        for each in unit_answer(row, tables, Measures("us")).not_told
        if "without a stem" in each
    )
    assert "between 25 and 200 per hectare (10 to 81 per acre)" in said


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
