"""The pictures: what is drawn is what the tables say, labelled, and legible without colour."""

from __future__ import annotations

import colorsys
import subprocess
import sys

import matplotlib.colors as colours
import numpy as np
import pytest
from fake_posterior import fake_posterior
from matplotlib.axes import Axes

from standage import figures
from standage.figure_axes import OBSERVED, POSTERIOR, PRIOR, PULSE, chance, drawing_axes
from standage.findings import count_check, delays, diameter_check, size_curves
from standage.results import result_tables


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=120)


@pytest.fixture(scope="module")
def tables(posterior):
    return result_tables(posterior)


def of_stand(table, stand="Fern Flat"):
    return table[table["stand"] == stand]


def test_a_picture_is_drawn_on_the_axes_given(tables):
    ax = drawing_axes(None)
    assert figures.plot_cohorts(of_stand(tables["cohorts"]), ax=ax) is ax


def test_every_picture_makes_its_own_axes_and_labels_them(posterior, tables):
    delay = delays(posterior)
    drawn = [
        figures.plot_cohorts(of_stand(tables["cohorts"])),
        figures.plot_rate(of_stand(tables["rate"]), pulses=of_stand(tables["pulses"]), events=posterior.survey.events),
        figures.plot_tree_dates(of_stand(tables["tree_dates"])),
        figures.plot_size_age(of_stand(tables["tree_dates"]), curve=of_stand(size_curves(posterior))),
        figures.plot_delay(of_stand(delay[delay["delay"] == "grass"])),
        figures.plot_diameter_check(of_stand(diameter_check(posterior))),
        figures.plot_count_check(of_stand(count_check(posterior))),
    ]
    for ax in drawn:
        assert isinstance(ax, Axes)
        assert ax.get_xlabel() and ax.get_title(loc="left") == "Fern Flat, longleaf pine"
        assert ax.get_ylabel() or [label.get_text() for label in ax.get_yticklabels()] == ["germinant", "grass", "emerging", "sapling"]
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


def test_pulses_and_events_are_marked_and_explained(posterior, tables):
    ax = figures.plot_rate(of_stand(tables["rate"]), pulses=of_stand(tables["pulses"]), events=posterior.survey.events)
    notes = " | ".join(text.get_text() for text in ax.get_legend().get_texts())
    assert "pulse 1930" in notes and "> 99 %" in notes
    assert "logging 1926\u20131928" in notes and "fire exclusion 1945" in notes


@pytest.mark.parametrize(("plot", "name"), [("plot_cohorts", "cohorts"), ("plot_tree_dates", "tree_dates")])
def test_events_are_on_every_timeline(posterior, tables, plot, name):
    ax = getattr(figures, plot)(of_stand(tables[name]), events=posterior.survey.events)
    notes = " | ".join(text.get_text() for text in ax.get_legend().get_texts())
    assert "logging 1926\u20131928" in notes and "fire exclusion 1945, until 1980" in notes


def test_lags_are_drawn_from_event_to_pulse(tables):
    table, found = of_stand(tables["attribution"]), of_stand(tables["pulses"])
    ax = figures.plot_lags(table, found)
    assert [label.get_text() for label in ax.get_yticklabels()] == ["logging\n1926\u20131928", "fire exclusion\n1945, until 1980"]
    (start,) = found["start_median"]
    ends = [tuple(line.get_xdata()) for line in ax.lines if len(set(line.get_xdata())) == 2]
    assert (1927.5, start + 0.5) in ends and (1945.5, start + 0.5) in ends
    told = [text.get_text() for text in ax.texts]
    (explains,) = table.loc[table["event"] == "cut", "probability_explains"]
    assert f"+3 (2 to 4), {chance(explains)}" in told and any(text.startswith("-15") for text in told)
    bars = {(bar.get_x(), bar.get_width()) for bar in ax.patches}
    assert {(1926.0, 3.0), (1945.0, 1.0), (1945.0, 36.0)} <= bars
    assert ax.get_title(loc="left") == "Fern Flat, longleaf pine"


def test_a_unit_whose_events_all_recur_is_still_drawn(tables):
    table = of_stand(tables["attribution"]).copy()
    lags = [name for name in table.columns if name.startswith(("lag_years", "probability_"))]
    table[lags] = np.nan
    ax = figures.plot_lags(table, of_stand(tables["pulses"]))
    assert len(ax.get_yticklabels()) == 2 and not any(text.get_text().startswith(("+", "-")) for text in ax.texts)


def test_every_dated_tree_is_drawn(tables):
    table = of_stand(tables["tree_dates"])
    ax = figures.plot_tree_dates(table)
    drawn = np.concatenate([line.get_xdata() for line in ax.lines])
    assert sorted(drawn) == sorted(table["establishment_year_median"].dropna())


def test_an_open_last_diameter_class_is_drawn(posterior):
    check = of_stand(diameter_check(posterior)).copy()
    check.iloc[-1, check.columns.get_loc("dbh_to_cm")] = np.inf
    assert np.isfinite(figures.plot_diameter_check(check).get_xlim()).all()


def test_all_pictures_of_a_result(posterior, tables):
    drawn = figures.result_figures(posterior, tables, level=0.8)
    stands = {"cohorts", "establishment_rate", "pulses_and_events", "tree_dates", "size_and_age"}
    assert set(drawn) == stands | {"delays", "check_diameters", "check_counts"}
    for figure in drawn.values():
        assert "80 % credible" in figure.get_supxlabel()
        figure.canvas.draw()


def test_panels_do_not_overlap(posterior, tables):
    for name, figure in figures.result_figures(posterior, tables).items():
        figure.canvas.draw()
        boxes = [ax.get_tightbbox() for ax in figure.axes if ax.axison]
        for place, box in enumerate(boxes):
            for other in boxes[place + 1 :]:
                overlap = min(box.x1, other.x1) - max(box.x0, other.x0), min(box.y1, other.y1) - max(box.y0, other.y0)
                assert min(overlap) < 2, name


def test_the_inks_differ_in_grey():
    light = [colorsys.rgb_to_hls(*colours.to_rgb(ink))[1] for ink in (OBSERVED, POSTERIOR, PRIOR, PULSE)]
    assert np.diff(sorted(light)).min() > 0.15


def test_a_chance_never_claims_certainty():
    assert [chance(value) for value in (1.0, 0.973, 0.5, 0.0)] == ["> 99 %", "97 %", "50 %", "< 1 %"]


def test_drawing_leaves_the_global_figures_alone():
    code = "import sys, standage.figures; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
