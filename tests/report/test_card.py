"""Age cards: one page for the owner of a tree, complete in itself."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from fake_findings import fake_findings
from html_page import HOSTILE, HtmlPage

from standage.commands.cli import BAD_INPUT, main
from standage.errors import StandageError
from standage.findings.intervals import Interval
from standage.prose.measures import Measures
from standage.prose.tree_story import TreeRecord, tree_records, tree_story
from standage.report import card as age_cards
from standage.report.card import file_name_of, write_card
from standage.results.writing import write_results


@pytest.fixture(scope="module")
def result(findings, tmp_path_factory):
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("standage.results.writing.result_figures", lambda _: ())
        return write_results(findings, tmp_path_factory.mktemp("cards") / "result")


@pytest.fixture
def loads_fake(findings, monkeypatch):
    monkeypatch.setattr(age_cards, "load_posterior", lambda path: findings.posterior)


def page_of(result, tree: str, folder) -> HtmlPage:
    return HtmlPage(write_card(result, tree, folder).read_text(encoding="utf-8"))


def test_a_card_says_how_old_how_found_and_what_the_rings_say(
    result, findings, loads_fake, tmp_path
):
    dated = findings.tree_dates.query("basis == 'cored' and establishment_year_median.notna()")
    tree = dated.iloc[0]
    path = write_card(result, tree["tree"], tmp_path / "cards")
    page = HtmlPage(path.read_text(encoding="utf-8"))
    assert page.mistakes == [] and page.named("script") == [] and len(page.named("figure")) == 1
    interval = f"({tree['establishment_year_low']} to {tree['establishment_year_high']})"
    assert interval in page.text and "How it was found" in page.text
    year = findings.survey.stands["survey_date"].iloc[0].year
    assert f"Its age in {year}, in growing seasons" in page.text
    assert f"that of {int(tree['innermost_ring_year'])}" in page.text
    assert "What its rings say No ring widths were measured" in page.text
    assert write_card(result, tree["tree"], tmp_path / "cards") == path
    assert [file.name for file in (tmp_path / "cards").iterdir()] == [path.name]


def test_a_tree_dated_by_size_or_at_its_core_is_told_as_such(
    result, findings, loads_fake, tmp_path
):
    trees = findings.tree_dates
    by_size = page_of(result, trees.query("basis == 'size'")["tree"].iloc[0], tmp_path)
    assert "too widely for a claim about one tree" in by_size.text
    at_core = page_of(result, trees.query("stand == 'Stony Ridge'")["tree"].iloc[0], tmp_path)
    assert "reached the height of its core" in at_core.text
    assert "When it established can't be told" in at_core.text
    undated = page_of(result, "F-oak", tmp_path)
    assert "no profile for species" in undated.text.lower() and "can't be told" in undated.text


def test_cards_refuse_what_is_no_result_no_tree_or_in_the_way(result, loads_fake, tmp_path):
    with pytest.raises(StandageError, match="no folder of results"):
        write_card(tmp_path, "F1")
    with pytest.raises(StandageError, match="Did you mean .*F10"):
        write_card(result, "F100", tmp_path)
    mine = tmp_path / "age-card-F1.html"
    mine.write_text("mine", encoding="utf-8")
    with pytest.raises(StandageError, match="no age card"):
        write_card(result, "F1", tmp_path)
    assert mine.read_text(encoding="utf-8") == "mine"


def test_the_command_writes_a_card_and_refuses_plainly(result, loads_fake, tmp_path):
    done = CliRunner().invoke(
        main, ["card", str(result), "F1", "--out", str(tmp_path), "--units", "us"]
    )
    card = tmp_path / "age-card-F1.html"
    assert done.exit_code == 0 and f"wrote {card}" in done.output, done.output
    assert " in)" in card.read_text(encoding="utf-8")
    refused = CliRunner().invoke(main, ["card", str(result), "nobody", "--out", str(tmp_path)])
    assert refused.exit_code == BAD_INPUT and "found no tree 'nobody'" in refused.output
    assert "Traceback" not in refused.output


def test_rings_are_told_where_they_were_measured(findings):
    row = findings.tree_dates.to_dict("records")[0]
    change = {
        "kind": "release",
        "probability": 0.95,
        "criterion": "change_point",
        **{"year_low": 1926, "year_median": 1927, "year_high": 1928},
        **{f"change_percent_{end}": 80.0 for end in ("low", "median", "high")},
    }
    grew = tree_story(TreeRecord(row, (), (change,), (1900, 2019)), Measures())
    words = " ".join(grew.rings)
    assert "measured from 1900 to 2019" in words
    assert "grow faster for long (by about 80 %) about 1927 (1926 to 1928)" in words
    assert "very likely (95 %)" in words and "not proof" in words
    quiet = tree_story(TreeRecord(row, (), (), (1900, 2019)), Measures())
    assert "No lasting change" in " ".join(quiet.rings)


def test_a_card_with_rings_draws_them(findings):
    """A long name or an odd one doesn't break it."""
    row = findings.tree_dates.to_dict("records")[0] | {"tree": HOSTILE}
    years = np.arange(1900, 2020)
    rings = pd.DataFrame(
        {
            "stand": "Fern Flat",
            "tree": HOSTILE,
            "species": "longleaf-pine",
            "year": years,
            "width_mm": 1 + (years > 1950),
            "release_probability": np.where(years == 1951, 0.9, 0.0),
            "suppression_probability": 0.0,
            "criterion": "change_point",
        }
    )
    card = age_cards.AgeCard(
        story=tree_story(TreeRecord(row, ring_span=(1900, 2019)), Measures()),
        years=np.random.default_rng(1).integers(1890, 1900, 200).astype(float),
        at_core=False,
        interval=Interval(1890, 1895, 1899),
        innermost_ring=1901.0,
        rings=rings,
        survey="invented",
        level=0.9,
        failed=True,
    )
    page = HtmlPage(age_cards.card_html(card))
    assert page.mistakes == [] and len(page.named("figure")) == 2
    assert page.named("script") == [] and page.named("img") == []
    assert "The fit behind this card failed" in page.text


def test_notes_and_scars_are_on_the_card(findings):
    row = findings.tree_dates.to_dict("records")[0] | {"note": "forked at 4 m"}
    story = tree_story(TreeRecord(row, scar="turpentine"), Measures())
    assert story.remarks == ("Scar on the stem: turpentine.", "Forked at 4 m.")
    marked = fake_findings()
    marked.survey.trees["scar"] = "none"
    marked.survey.trees.loc[0, "scar"] = "fire"
    scars = [tree.scar for tree in tree_records(marked)]
    assert scars[0] == "fire" and set(scars[1:]) == {""}


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
    assert names[0].startswith("etc-passwd-") and names[5].startswith("tree-")
    assert len(set(names)) == len(others)
    assert all(re.fullmatch(r"[\w-][\w.-]{,120}", name, flags=re.ASCII) for name in names)


def test_a_card_is_never_written_through_a_link(result, loads_fake, tmp_path):
    mine = tmp_path / "mine.html"
    (tmp_path / "age-card-F1.html").symlink_to(mine)
    with pytest.raises(StandageError, match="no age card"):
        write_card(result, "F1", tmp_path)
    assert not mine.exists()
