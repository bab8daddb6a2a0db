"""The brief: two pages of paper for up to four stands, the claims of the summary, no earlier file
lost."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from fake_findings import fake_findings
from html_page import HtmlPage
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from standage.choices import DOUBTFUL
from standage.figures.styles import in_style
from standage.findings.old_trees import RANKED_BY
from standage.prose.brief import LEAST_CHANCE, MOST_VETERANS, brief
from standage.prose.measures import Measures
from standage.prose.picture_texts import cored_with_year
from standage.prose.short_statement import NEVER_KNOWN, short_statement, stocking_note
from standage.report.brief import brief_html, brief_paper
from standage.report.brief_pages import GAP, brief_pdf, draw_ages, fitting, last_page
from standage.report.heading import NO_HEADING, Heading
from standage.report.overview import overview
from standage.report.paper import HEIGHT, LAST_LINE, MARGIN, WIDTH, Column
from standage.report.table_pages import table_pages


def pages(paper: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b(?!s)", paper))


def test_two_pages_for_up_to_four_stands(findings):
    paper = brief_paper(findings, heading=Heading(title="The north flats", crew="A. and B."))
    assert paper.startswith(b"%PDF-") and pages(paper) == 2
    assert b"/MediaBox [ 0 0 595" in paper  # A4, 210 mm at 72 points an inch


@pytest.mark.slow
def test_one_page_more_for_every_further_four_stands(findings):
    words = brief(findings, Measures())
    words = replace(words, stands=words.stands * 2)
    many = SimpleNamespace(units=findings.units * 2, survey=findings.survey)
    assert pages(brief_pdf(many, words, NO_HEADING, "Many")) == 3


def test_of_many_stands_a_table_and_no_picture_of_each(findings, monkeypatch):
    monkeypatch.setattr("standage.report.pictures.MOST_PICTURED", len(findings.units) - 1)
    html = brief_html(findings)
    assert "<svg" not in html
    text = HtmlPage(html).text
    words = brief(findings, Measures())
    for stand in words.stands:
        assert text.index("Each stand in one row") < text.index(stand.headline)
    assert pages(brief_paper(findings)) == 2


def test_every_stand_has_its_row_on_paper(findings):
    """300 stands: heads on each page, no row below the last line or out of its column."""
    table, words = overview(findings, Measures()), brief(findings, Measures())
    rows = [
        [replace(row[0], text=f"stand-{number:03d}"), *row[1:]]
        for number, row in enumerate(table.rows * 100)
    ]
    with in_style("print"):
        made = table_pages(replace(table, rows=rows), words, NO_HEADING, "Many")
    assert 5 <= len(made) <= 14
    written = [[text.get_text() for text in page.texts] for page in made]
    assert [each for page in written for each in page if each.startswith("stand-")] == [
        row[0].text for row in rows
    ]
    assert all("Basal area" in page for page in written)
    assert "300 stands, one in each row" in " ".join(written[0])
    for page in made:
        lowest = min(text.get_position()[1] for text in page.texts)
        assert (1 - lowest) * HEIGHT <= LAST_LINE


def test_a_word_wider_than_its_column_goes_on_in_the_next_line():
    page = Figure(figsize=(8, 11))
    FigureCanvasAgg(page)
    column = Column(page, 0.0, 1.0, 0.0)
    column.write("w" * 60)
    lines = [text.get_text() for text in page.texts]
    assert len(lines) > 3 and "".join(lines) == "w" * 60
    renderer = page.canvas.get_renderer()
    assert all(text.get_window_extent(renderer).width < 1.1 * page.dpi for text in page.texts)


def test_a_long_text_goes_to_the_report_and_what_is_not_known_stays(findings):
    page = Figure(figsize=(8, 11))
    FigureCanvasAgg(page)
    stand = replace(
        brief(findings, Measures()).stands[0],
        more=tuple(f"Sentence {number} of what is known." for number in range(5)),
        unknown=("Whether any of it is so.",),
    )

    def lines(room: float) -> tuple[list[str], tuple[str, ...]]:
        below, left = fitting(Column(page, 0.0, 4.0, 0.0), stand, room)
        return [words for words, _ in below], left

    unknown = ["Not known:", *stand.unknown]
    assert lines(9.0) == ([*stand.more, *unknown], ())
    assert lines(0.9) == (
        [stand.more[0], stand.more[1], *unknown, "3 more sentences on the last page."],
        stand.more[2:],
    )
    assert lines(0.0) == ([*unknown, "5 more sentences on the last page."], stand.more)


def test_what_the_first_page_has_no_room_for_stands_on_the_last(findings):
    words = brief(findings, Measures())
    left = [("What came before.", "What else."), (), ()]
    page = last_page(words, left, NO_HEADING, "The flats")
    written = [text.get_text() for text in page.texts]
    at = written.index("Continued from before")
    assert written[at + 1] == words.stands[0].title and "What came before." in written
    assert last_page(words, [()] * 3, NO_HEADING, "The flats").texts[2].get_text() == "Seedlings"


def test_pictures_keep_within_their_boxes(findings):
    """No number of an axis sticks out beyond the rules above the stands."""
    page = Figure(figsize=(WIDTH, HEIGHT))
    FigureCanvasAgg(page)
    width = (WIDTH - 2 * MARGIN - GAP) / 2  # of two abreast
    for unit in findings.units:
        column = Column(page, MARGIN, width, 1.0)
        with in_style("print"):
            draw_ages(column, findings, unit, 2.0)
        drawn = page.axes[-1].get_tightbbox(page.canvas.get_renderer())
        assert drawn.x0 / page.dpi > MARGIN - 0.02 and drawn.x1 / page.dpi < MARGIN + width + 0.02


def test_it_says_what_the_summary_says(findings):
    words = brief(findings, Measures())
    text = HtmlPage(brief_html(findings)).text
    for stand, unit in zip(words.stands, findings.units, strict=True):
        short = short_statement(findings, unit, Measures())
        assert (stand.headline, stand.more, stand.unknown) == (
            short.headline,
            short.more,
            short.unknown,
        )
        assert stand.headline in text
    assert len(words.method) == 5


def test_yardstick_marks_of_events_and_year_of_the_survey_are_explained(findings):
    words = brief(findings, Measures())
    text = HtmlPage(brief_html(findings)).text
    assert stocking_note(findings) in text and words.words_note.endswith(stocking_note(findings))
    assert "grey bar, how long it lasted" in words.picture_note and "grey bar, how" in text
    (year,) = {unit.survey_year for unit in findings.units}
    assert words.old_note.startswith(f"Age in {year},")
    assert f"Oldest cored living tree in {year}: " in text and NEVER_KNOWN in text
    cored = sum(cored_with_year(unit) for unit in findings.units)
    assert f"; the cores date {cored} living trees." in words.method[0]


def test_doubts_about_the_fit_stand_on_the_first_page(findings):
    assert "doubts" not in brief(findings, Measures()).words_note
    other = fake_findings()
    other.fit_grade = replace(
        findings.fit_grade, grade=DOUBTFUL, contradicted=("Old Field: grass",)
    )
    note = brief(other, Measures()).words_note
    assert "grass-stage plants at Old Field" in note


def test_veterans_are_those_likelier_than_not_to_be_old(findings):
    named = {
        line.split(":")[0]
        for stand in brief(findings, Measures()).stands
        for line in stand.veterans
        if ":" in line
    }
    by_size = [line for stand in brief(findings, Measures()).stands for line in stand.veterans]
    assert not any(" years" in line for line in by_size if "dated by size" in line)
    table = findings.old_trees.set_index("tree")
    assert (
        named
        and (table.loc[list(named), f"probability_over_{RANKED_BY}_years"] >= LEAST_CHANCE).all()
    )
    assert all(len(each.veterans) <= MOST_VETERANS for each in brief(findings, Measures()).stands)


def test_how_many_stems_are_old_stands_before_the_list(findings):
    for stand, unit in zip(brief(findings, Measures()).stands, findings.units, strict=True):
        claim = unit.claim("old stems")
        assert f"{claim.estimate:.0f}" in stand.old and f"over {RANKED_BY} years" in stand.old
        first, *named = stand.old_trees()
        assert first.startswith(stand.old) and tuple(named) == stand.veterans
        if named:
            chances = findings.old_trees.loc[findings.old_trees["stand"] == unit.stand]
            likely = int((chances["probability_over_spare_age"] >= LEAST_CHANCE).sum())
            shown = f"the {len(named)} oldest" if likely > len(named) else "oldest first"
            assert first.endswith(f"; {likely} likelier so than not, {shown}:")
            assert stand.old_trees(1)[1:] == (named[0],)
        else:
            assert first.endswith("of none is it likelier than not.")


def test_many_stands_have_fewer_old_trees_named_and_none_is_left_out(findings):
    words = brief(findings, Measures())
    stand = replace(words.stands[0], veterans=tuple(f"t{n}: 130 years, 0.99" for n in range(8)))
    crowded = replace(words, stands=(stand,) * 6)
    written = [each.get_text() for each in last_page(crowded, [()] * 6, NO_HEADING, "Six").texts]
    assert written.count(stand.title) == 12  # with its seedlings, and with its old trees
    assert "t0: 130 years, 0.99" in written and "t7: 130 years, 0.99" not in written


def test_veterans_are_the_oldest_sorted_by_age_with_their_doubts(findings):
    other = fake_findings()
    other.old_trees = findings.old_trees.assign(misread_probability=0.3)
    for stand, unit in zip(brief(other, Measures()).stands, findings.units, strict=True):
        table = findings.old_trees[findings.old_trees["stand"] == unit.stand]
        likely = table[table["probability_over_spare_age"] >= LEAST_CHANCE]
        oldest = likely.sort_values("age_median", ascending=False, kind="stable")
        for line, row in zip(stand.veterans, oldest.to_dict("records"), strict=False):
            age = re.search(r": (\d+) years", line)
            assert line.startswith(f"{row['tree']}: ") and (age is None) == (
                row["dated_by"] == "size"
            )
            assert age is None or abs(int(age[1]) - row["age_median"]) <= 5
        assert all(
            "its ring count may be off by 5 years or more (30 %)" in line for line in stand.veterans
        )


def test_a_scar_stands_beside_the_tree(findings):
    scarred = findings.old_trees.assign(scar="turpentine", note="leans")
    other = fake_findings()
    other.old_trees = scarred
    lines = [line for stand in brief(other, Measures()).stands for line in stand.veterans]
    assert lines and all(line.endswith("turpentine scar, leans") for line in lines)


def test_a_cut_stands_beside_the_pulse_that_it_would_leave(findings):
    assert not any("cutting" in each.headline for each in brief(findings, Measures()).stands)
    other = fake_findings()
    other.pulses = other.pulses.assign(probability_cut=[0.7, 0.05])
    cut, *others = brief(other, Measures()).stands
    assert "or the effect of cutting certain sizes" in cut.headline
    assert not any("cutting" in each.headline for each in others)
