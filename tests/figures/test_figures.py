"""The pictures: what is drawn is what the tables say, labelled, and legible without colour."""

from __future__ import annotations

import colorsys
import re
import subprocess
import sys

import matplotlib.colors as colours
import numpy as np
import pandas as pd
import pytest
from fake_posterior import fake_posterior
from matplotlib.axes import Axes
from matplotlib.text import Text

from standage import figures
from standage.figures.axes import PALE, chance, drawing_axes
from standage.figures.comparison import comparison_figures, strips_figure
from standage.figures.event_lane import draw_events
from standage.figures.files import write_figures
from standage.figures.result_figures import _pages, result_figures
from standage.figures.styles import SCREEN, STYLES, current_style
from standage.findings import Findings


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=120)


@pytest.fixture(scope="module")
def tables(posterior):
    return Findings(posterior).tables


def of_stand(table, stand="Fern Flat"):
    return table[table["stand"] == stand]


def test_a_picture_is_drawn_on_the_axes_given(tables):
    ax = drawing_axes(None)
    assert figures.plot_cohorts(of_stand(tables["cohorts"]), ax=ax) is ax


def test_every_picture_makes_its_own_axes_and_labels_them(posterior, tables):
    delay = Findings(posterior).delays
    drawn = [
        figures.plot_cohorts(of_stand(tables["cohorts"])),
        figures.plot_rate(
            of_stand(tables["rate"]),
            pulses=of_stand(tables["pulses"]),
            events=posterior.survey.events,
        ),
        figures.plot_tree_dates(of_stand(tables["tree_dates"])),
        figures.plot_size_age(
            of_stand(tables["tree_dates"]), curve=of_stand(Findings(posterior).size_curves)
        ),
        figures.plot_delay(of_stand(delay[delay["delay"] == "grass"])),
        figures.plot_diameter_check(of_stand(Findings(posterior).diameter_check)),
        figures.plot_count_check(of_stand(Findings(posterior).count_check)),
    ]
    for ax in drawn:
        assert isinstance(ax, Axes)
        assert ax.get_xlabel() and ax.get_title(loc="left") == "Fern Flat, longleaf pine"
        assert ax.get_ylabel() or [label.get_text() for label in ax.get_yticklabels()] == [
            "germinant",
            "grass",
            "emerging",
            "sapling",
        ]
    assert "(per ha)" in drawn[0].get_ylabel() and "(cm)" in drawn[3].get_ylabel()


def test_bars_are_as_high_as_the_medians(tables):
    table = of_stand(tables["cohorts"])
    heights = {round(bar.get_x()): bar.get_height() for bar in figures.plot_cohorts(table).patches}
    for first, median in zip(table["first_year"], table["stems_per_ha_median"], strict=True):
        if first in heights:
            assert heights[first] == pytest.approx(median)
    assert 1930 in heights


def test_without_plots_the_axis_says_among_sampled_trees(tables):
    for plot, name in ((figures.plot_cohorts, "cohorts"), (figures.plot_rate, "rate")):
        ax = plot(of_stand(tables[name], "Stony Ridge"))
        assert "among sampled trees (%)" in ax.get_ylabel() and "coring height" in ax.get_xlabel()


def words(ax) -> list[str]:
    return [text.get_text() for text in ax.texts]


def test_pulses_and_events_are_marked_and_explained(posterior, tables):
    ax = figures.plot_rate(
        of_stand(tables["rate"]), pulses=of_stand(tables["pulses"]), events=posterior.survey.events
    )
    notes = " | ".join(text.get_text() for text in ax.get_legend().get_texts())
    assert "pulse, begun 1930" in notes and "> 99 %" in notes
    assert "logging, one year of 1926\u20131928" in words(ax)
    assert "fire exclusion, 1945 to 1980" in words(ax)


def test_seedlings_neither_rise_beyond_the_axis_nor_flatten_what_has_grown_up(tables):
    """The invented stand has some forty times as many of them a year as of anything else."""
    table = of_stand(tables["rate"])
    ax = figures.plot_rate(table)
    (band,) = ax.collections
    shown = band.get_paths()[0].vertices
    bottom, top = ax.get_ylim()
    assert shown[:, 1].max() <= top
    burst = table.loc[table["year"].between(1930, 1939), "living_per_ha_high"].max()
    assert burst > 0.6 * top and table["living_per_ha_high"].max() > 3 * top
    notes = [text.get_text() for text in ax.get_legend().get_texts()]
    assert any("not drawn: the last 15 years" in note for note in notes)


@pytest.mark.parametrize(
    ("plot", "name"), [("plot_cohorts", "cohorts"), ("plot_tree_dates", "tree_dates")]
)
def test_events_are_on_every_timeline(posterior, tables, plot, name):
    ax = getattr(figures, plot)(of_stand(tables[name]), events=posterior.survey.events)
    assert "logging, one year of 1926\u20131928" in words(ax)
    assert "fire exclusion, 1945 to 1980" in words(ax)


def test_what_is_data_stands_below_what_is_model(posterior, tables):
    """A tick at the date of each living cored tree, below the bars; the pulse shaded."""
    trees, pulses = of_stand(tables["tree_dates"]), of_stand(tables["pulses"])
    ax = figures.plot_cohorts(of_stand(tables["cohorts"]), trees=trees, pulses=pulses)
    cored = trees[(trees["basis"] == "cored") & (trees["status"] == "live")]
    ticks = sorted(line.get_xdata()[0] for line in ax.lines if line.get_marker() == "|")
    left, right = ax.get_xlim()
    years = cored["establishment_year_median"].astype(float)
    assert ticks == sorted(years[(years >= left) & (years <= right)] + 0.5)
    assert f"{len(cored)} cored trees" in words(ax)
    shaded = [bar for bar in ax.patches if bar.get_x() == pulses["start_median"].iloc[0]]
    reach = [
        (bar.get_x(), bar.get_x() + bar.get_width() - 1)
        for bar in ax.patches
        if bar.get_alpha() == PALE
    ]
    assert reach == [(pulses["start_low"].iloc[0], pulses["end_high"].iloc[0])]
    assert any(bar.get_width() == 10 for bar in shaded)  # 1930 to 1939


def drawn_events(events: list[dict]):
    """The axes, and the marks below it as (first x, last x, width of the line)."""
    ax = drawing_axes(None)
    ax.set_xlim(1900, 2000)
    table = pd.DataFrame(events).assign(
        ended_year=[event.get("ended_year", np.nan) for event in events]
    )
    draw_events(ax, table)
    marks = [(*line.get_xdata()[[0, -1]], line.get_linewidth()) for line in ax.lines]
    return ax, marks


def test_not_knowing_the_year_and_lasting_for_years_are_two_marks():
    """A range of years is a thin line between stops, a period a thick one, a year a point."""
    ax, marks = drawn_events(
        [
            {"kind": "logging", "first_year": 1921, "last_year": 1924},
            {"kind": "storm", "first_year": 1965, "last_year": 1965},
            {"kind": "grazing", "first_year": 1930, "last_year": 1930, "ended_year": 1950},
        ]
    )
    thin = [mark[:2] for mark in marks if mark[2] <= 1.0]
    thick = [mark[:2] for mark in marks if mark[2] >= 4]
    assert (1921, 1925) in thin and thick == [(1930.5, 1951)]
    assert (1965.5, 1965.5) in [mark[:2] for mark in marks]
    assert not ax.patches and ax.get_xlim() == (1900, 2000)  # no box, and the axis as it was
    assert set(words(ax)) == {
        "logging, one year of 1921\u20131924",
        "storm 1965",
        "grazing, 1930 to 1950",
    }


def test_events_and_their_words_run_into_no_other():
    years = (1910, 1912, 1915, 1940, 1942, 1990, 1995)
    ax, _ = drawn_events(
        [{"kind": f"kind {year}", "first_year": year, "last_year": year} for year in years]
    )
    ax.figure.canvas.draw()
    boxes = [text.get_window_extent() for text in ax.texts]
    for number, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[number + 1 :])
        assert box.x0 >= 0 and box.x1 <= ax.figure.bbox.width


def test_events_are_in_the_strips_of_their_stands(posterior, tables):
    events = posterior.survey.events
    parts = tables["cohorts"], tables["pulses"], tables["stand_summary"]
    figure = strips_figure(*parts, events=events)
    for ax in figure.axes:
        stand = ax.get_title(loc="left").split(",")[0]
        own = events[events["stand"].isin([stand, ""])]
        assert len(words(ax)) == len(own)
    assert "events on record below" in figure.get_suptitle()
    assert not any(words(ax) for ax in strips_figure(*parts).axes)


def test_of_many_events_none_vanishes_those_of_a_kind_share_a_mark():
    """Fourteen fires before a cut: the cut keeps its mark, the fires share one."""
    kinds = ["fire"] * 14 + ["thinning"]
    years = [1932 + 3 * number for number in range(len(kinds))]
    ax, marks = drawn_events(
        [
            {"kind": kind, "first_year": year, "last_year": year}
            for kind, year in zip(kinds, years, strict=True)
        ]
    )
    assert words(ax) == ["fire, 14 times 1932\u20131971", "thinning 1974"] and len(marks) == 15
    ax, _ = drawn_events(
        [
            {"kind": f"kind {year}", "first_year": year, "last_year": year}
            for year in range(1930, 1945)
        ]
    )
    assert len(words(ax)) == 15


def test_recurring_events_share_a_row_beside_those_that_are_tied(tables):
    table = of_stand(tables["attribution"])
    cut = table[table["event"] == "cut"]
    lags = [name for name in table.columns if name.startswith(("lag_years", "probability_"))]
    fires = [
        cut.assign(event=f"f{year}", kind="fire", event_first_year=year, event_last_year=year)
        for year in range(1932, 1974, 3)
    ]
    fires = pd.concat(fires)
    fires[lags] = np.nan
    ax = figures.plot_lags(pd.concat([cut, fires]), of_stand(tables["pulses"]))
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "logging\n1926\u20131928",
        "fire, 14 times\n1932\u20131971",
    ]
    assert sum(list(line.get_ydata()) == [1] for line in ax.lines) == 14


def test_lags_are_drawn_from_event_to_pulse(tables):
    table, found = of_stand(tables["attribution"]), of_stand(tables["pulses"])
    ax = figures.plot_lags(table, found)
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "logging\n1926\u20131928",
        "fire exclusion\n1945, until 1980",
    ]
    (start,) = found["start_median"]
    ends = [tuple(line.get_xdata()) for line in ax.lines if len(set(line.get_xdata())) == 2]
    assert (1927.5, start + 0.5) in ends and (1945.5, start + 0.5) in ends
    assert "+3 (1 to 5)" in words(ax) and any(text.startswith("-15") for text in words(ax))
    assert (1926.0, 1929.0) in ends  # the years in one of which the cut was made
    assert (1945.5, 35.5) in {(bar.get_x(), bar.get_width()) for bar in ax.patches}  # a period
    assert ax.get_title(loc="left") == "Fern Flat, longleaf pine"


def test_a_unit_whose_events_all_recur_is_still_drawn(tables):
    table = of_stand(tables["attribution"]).copy()
    lags = [name for name in table.columns if name.startswith(("lag_years", "probability_"))]
    table[lags] = np.nan
    ax = figures.plot_lags(table, of_stand(tables["pulses"]))
    assert len(ax.get_yticklabels()) == 2 and not any(
        text.get_text().startswith(("+", "-")) for text in ax.texts
    )


def test_every_dated_tree_is_drawn(tables):
    table = of_stand(tables["tree_dates"])
    ax = figures.plot_tree_dates(table)
    drawn = np.concatenate([line.get_xdata() for line in ax.lines])
    assert sorted(drawn) == sorted(table["establishment_year_median"].dropna())


def test_an_open_last_diameter_class_is_drawn(posterior):
    check = of_stand(Findings(posterior).diameter_check).copy()
    check.iloc[-1, check.columns.get_loc("dbh_to_cm")] = np.inf
    assert np.isfinite(figures.plot_diameter_check(check).get_xlim()).all()


def test_all_pictures_of_a_result(posterior):
    drawn = dict(result_figures(Findings(posterior, level=0.8)))
    stands = {"cohorts", "establishment_rate", "pulses_and_events", "tree_dates", "size_and_age"}
    assert set(drawn) == stands | {"delays", "check_diameters", "check_counts"}
    for figure in drawn.values():
        assert "80 % credible" in figure.get_supxlabel()
        figure.canvas.draw()


@pytest.mark.slow
def test_panels_do_not_overlap(posterior):
    for name, figure in result_figures(Findings(posterior)):
        figure.canvas.draw()
        boxes = [ax.get_tightbbox() for ax in figure.axes if ax.axison]
        for place, box in enumerate(boxes):
            for other in boxes[place + 1 :]:
                overlap = (
                    min(box.x1, other.x1) - max(box.x0, other.x0),
                    min(box.y1, other.y1) - max(box.y0, other.y0),
                )
                assert min(overlap) < 2, name


def test_the_inks_differ_in_grey():
    inks = SCREEN.observed, SCREEN.posterior, SCREEN.prior, SCREEN.pulse
    light = [colorsys.rgb_to_hls(*colours.to_rgb(ink))[1] for ink in inks]
    assert np.diff(sorted(light)).min() > 0.15


@pytest.fixture(scope="module")
def printed(posterior, tables):
    """Pictures of a result by style."""
    drawn = {}
    for name in ("print", "grey"):
        with figures.in_style(name):
            drawn[name] = {
                **dict(result_figures(Findings(posterior))),
                **comparison_figures(tables, level=0.9),
            }
    return drawn


@pytest.mark.slow
def test_printed_pictures_have_the_widths_of_journals_and_letters_that_can_be_read(printed):
    for name, figure in (pair for of_style in printed.values() for pair in of_style.items()):
        width, height = figure.get_size_inches() * 25.4
        assert min(abs(width - 90), abs(width - 180)) < 0.01, name
        assert height < 240 or len(figure.axes) == 1, name
        sizes = {text.get_fontsize() for text in figure.findobj(Text) if text.get_text()}
        assert min(sizes) >= 7 and max(sizes) <= 9, f"{name}: {sizes}"


@pytest.mark.slow
def test_the_grey_style_has_no_colour(printed):
    for name, figure in printed["grey"].items():
        figure.set_dpi(40)
        figure.canvas.draw()
        red, green, blue = np.moveaxis(
            np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int), -1, 0
        )
        assert red.min() < 100, f"{name} is blank"
        assert np.abs(red - green).max() == np.abs(red - blue).max() == 0, name


def test_in_grey_what_was_believed_before_is_hatched(posterior):
    table = of_stand(Findings(posterior).delays)
    with figures.in_style("grey"):
        ax = figures.plot_delay(table[table["delay"] == "grass"])
    assert [band.get_hatch() is not None for band in ax.collections] == [True, False]
    assert [line.get_linestyle() for line in ax.lines] == ["--", "-"]


def test_a_style_holds_inside_its_block_only(tables):
    with figures.in_style("print", width_mm=90):
        inside = figures.plot_cohorts(of_stand(tables["cohorts"])).figure
    after = figures.plot_cohorts(of_stand(tables["cohorts"])).figure
    assert (
        inside.get_figwidth() == pytest.approx(90 / 25.4) and after.get_figwidth() == SCREEN.width
    )
    assert current_style() is SCREEN
    with (
        pytest.raises(ValueError, match="no style 'blue'; there are screen, print, grey"),
        figures.in_style("blue"),
    ):
        pass


def test_files_are_those_of_the_style(tables, tmp_path):
    for name, style in STYLES.items():
        folder = tmp_path / name
        folder.mkdir()
        with figures.in_style(name):
            write_figures(
                {"cohorts": figures.plot_cohorts(of_stand(tables["cohorts"])).figure}, folder
            )
        assert {path.suffix[1:] for path in folder.iterdir()} == set(style.formats)
    drawn = (tmp_path / "print" / "cohorts.svg").read_text(encoding="utf-8")
    assert "Fern Flat, longleaf pine</text>" in drawn
    assert float(re.search(r'<svg[^>]* width="([0-9.]+)pt"', drawn).group(1)) == pytest.approx(
        180 / 25.4 * 72, abs=0.01
    )


def test_rows_go_to_as_many_pages_as_they_need():
    assert _pages([3, 3, 3, 7, 1], 7) == [[0, 1], [2], [3], [4]]
    assert _pages([9], 7) == [[0]] and _pages([], 7) == []


def test_a_page_of_any_style_can_be_drawn():
    """2^16 dots are the most that matplotlib's renderer takes."""
    for style in STYLES.values():
        assert style.page_height * style.dots_per_inch < 2**16


def test_a_chance_never_claims_certainty():
    assert [chance(value) for value in (1.0, 0.973, 0.5, 0.0)] == [
        "> 99 %",
        "97 %",
        "50 %",
        "< 1 %",
    ]


@pytest.mark.slow
def test_drawing_leaves_the_global_figures_alone():
    code = "import sys, standage.figures; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
